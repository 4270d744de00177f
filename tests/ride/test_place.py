"""The ride ends where it ends: on the hill, not at the part of a lap that its charge would be worth.

Grades: closed form (places of a plain lap), second implementation (the recorded run), measured (bounds).
"""

import dataclasses

import numpy as np
import pytest

from optimizer.ride.bins import compress
from optimizer.ride.kernels.course import LEVELS, course_of, due_at, place_of, runs_of
from optimizer.ride.load.drivetrain import Drivetrain
from optimizer.ride.load.roadload import RideSteps, ride_steps
from optimizer.ride.load.trace import trace_from_arrays
from optimizer.ride.range import STOP_NAMES, PackBlock, range_block
from optimizer.ride.simulate import simulate, simulate_trace


def over_a_hill(samples, *, km, grade, regen=0.0):
    """Up and down again at 20 km/h."""
    half_s = 3600.0 * km / 20.0
    trace = trace_from_arrays([0.0, half_s, half_s + 1e-3, 2 * half_s], speed_kmh=np.full(4, 20.0),
                              grade_pct=100.0 * np.array([grade, grade, -grade, -grade]))  # fmt: skip
    steps = ride_steps(trace, vehicle=dataclasses.replace(samples.VEHICLE, drivetrain=Drivetrain(0.8, regen, 8.0)))
    return steps, compress(steps, cells=samples.cells(), mass_min_kg=110.0, mass_max_kg=150.0)


def test_the_reserve_is_reached_on_the_hill(samples):
    """From 30 % over 5 km up at 5 % and 5 km down: the second climb takes the rest, where charge over the lap's charge
    says much more. The place is that of the recorded run."""
    steps, ride = over_a_hill(samples, km=5.0, grade=0.05)
    packs = PackBlock(cell=2, series=14, parallel=9, total_mass_kg=125.0)
    soc = {"start_soc": 0.3, "reserve_soc": 0.1}
    fast, slow = range_block(packs, ride=ride, **soc), simulate(packs, steps=steps, ride=ride, **soc)
    trace = simulate_trace(packs, steps=steps, ride=ride, points=10**6, **soc)
    place = float(np.interp(-0.1, -trace.soc, trace.distance_km))
    lap = trace.distance_km <= 10.0
    by_charge = 10.0 * 0.2 / (0.3 - trace.soc[lap][-1])
    assert 11.0 < place < 14.0 and by_charge > place + 1.5, (place, by_charge)
    assert STOP_NAMES[slow.stop[0]] == STOP_NAMES[fast.stop[0]] == "reserve"
    assert slow.range_km[0] == pytest.approx(place, abs=0.006)
    assert fast.range_km[0] == pytest.approx(place, abs=0.03)
    assert slow.duration_s[0] == pytest.approx(3600.0 * place / 20.0, abs=2.0)
    assert fast.duration_s[0] == pytest.approx(3600.0 * place / 20.0, abs=10.0)
    parts = np.trapezoid(trace.power_w, trace.time_s) / 3600.0
    assert slow.energy_out_wh[0] == pytest.approx(parts, rel=0.01)


def test_what_can_be_rolled_is_rolled(samples):
    """A pack that is empty at the top, but for a hair, rolls down 5 km without asking the battery for anything."""
    steps, ride = over_a_hill(samples, km=5.0, grade=0.05)
    steps = dataclasses.replace(steps, vehicle=dataclasses.replace(steps.vehicle, drivetrain=Drivetrain(0.8, 0.5)))
    ride = compress(steps, cells=samples.cells(), mass_min_kg=110.0, mass_max_kg=150.0)
    base = {"cell": 2, "series": 14, "total_mass_kg": 125.0}
    found = [
        simulate(PackBlock(**base, parallel=parallel), steps=steps, ride=ride, start_soc=0.5).range_km[0]
        for parallel in range(2, 9)
    ]
    beyond = np.array(found) % 10.0
    # None stops on the way down, and the top is reached in some.
    assert np.all((beyond <= 5.01) | (beyond > 9.99)) and np.ptp(found) > 10.0


def test_a_step_that_fails_later_in_the_lap_lets_the_ride_go_on_until_there(samples):
    """Flat first, then a hill: what is too weak for the hill gets as far as its foot, in both forms."""
    trace = trace_from_arrays([0.0, 720.0, 720.01, 900.0, 900.01, 1440.0], speed_kmh=np.full(6, 20.0),
                              grade_pct=[0.0, 0.0, 12.0, 12.0, 0.0, 0.0])  # fmt: skip
    steps = ride_steps(trace, vehicle=samples.VEHICLE)
    ride = compress(steps, cells=samples.cells(), mass_min_kg=110.0, mass_max_kg=150.0)
    packs = PackBlock(cell=2, series=14, parallel=6, total_mass_kg=125.0, current_limit_a=20.0)
    for result in (range_block(packs, ride=ride), simulate(packs, steps=steps, ride=ride)):
        assert STOP_NAMES[result.stop[0]] == "current limit"
        assert result.range_km[0] == pytest.approx(4.0, abs=0.02)


def laps_of(samples):
    """Town laps, one after another too, and hills with and without regeneration."""
    long = samples.town_ride(hill=0.06)[0]
    fields = ("constant_w", "per_mass_w_kg", "duration_s", "distance_m")
    long = dataclasses.replace(long, **{name: np.tile(getattr(long, name), 12) for name in fields})
    yield samples.town_ride(hill=0.0)
    yield samples.town_ride(hill=0.09)
    yield long, compress(long, cells=samples.cells(), mass_min_kg=110.0, mass_max_kg=150.0)
    for km, grade, regen in ((5.0, 0.05, 0.0), (5.0, 0.05, 0.5), (1.0, 0.08, 0.5)):
        yield over_a_hill(samples, km=km, grade=grade, regen=regen)


def weak_packs(samples, ride, count, seed):
    """Packs of which some sag, behind much resistance or little."""
    packs = samples.packs(ride, count, seed=seed, warm=False)
    rng = np.random.default_rng(seed)
    return dataclasses.replace(packs, extra_resistance_ohm=packs.extra_resistance_ohm * rng.choice([1, 1, 6], count))


@pytest.mark.parametrize("lap", range(6))
def test_a_harder_pack_goes_no_farther(samples, lap):
    _, ride = list(laps_of(samples))[lap]
    rng, n = np.random.default_rng(lap), 1500
    given = vars(weak_packs(samples, ride, n, seed=50 + lap))
    base = range_block(PackBlock(**given), ride=ride).range_km
    for name, sign, change in (("total_mass_kg", -1, 5.0), ("extra_resistance_ohm", 1, 0.05),
                               ("current_limit_a", -1, 20.0), ("charge_current_limit_a", -1, 5.0)):  # fmt: skip
        step = sign * change * rng.random(n) * rng.choice([1e-4, 1e-2, 1.0], n)
        if name == "total_mass_kg":
            step = np.minimum(-step, ride.mass_max_kg - given[name])
        harder = given | {name: np.maximum(given[name] + step, 0.0)}
        found = range_block(PackBlock(**harder), ride=ride).range_km
        assert np.all(found <= base * (1 + 1e-9)), name


def test_the_stepped_ride_of_a_harder_pack_goes_no_farther(samples):
    steps, ride = over_a_hill(samples, km=1.0, grade=0.08)
    given = vars(weak_packs(samples, ride, 60, seed=9))
    base = simulate(PackBlock(**given), steps=steps, ride=ride).range_km
    for name, change in (("total_mass_kg", 2.0), ("extra_resistance_ohm", 0.02), ("current_limit_a", -5.0)):
        harder = given | {name: np.minimum(given[name] + change, 150.0) if change > 0 else given[name] + change}
        assert np.all(simulate(PackBlock(**harder), steps=steps, ride=ride).range_km <= base + 1e-9), name


def plain_course(samples, power):
    """Steps of a second and a metre, of given powers at every mass."""
    n = len(power)
    steps = RideSteps(np.array(power), np.zeros(n), np.ones(n), np.ones(n),
                      dataclasses.replace(samples.VEHICLE, drivetrain=Drivetrain(1.0, 0.5)))  # fmt: skip
    return course_of(steps, parts=np.ones(n, dtype=np.int64), mass_min_kg=100.0, mass_max_kg=120.0)


def test_places_of_a_plain_lap(samples):
    """Closed form: 0 W for a quarter of the lap, then 1 part, then 3 parts, then nothing."""
    course = plain_course(samples, [0.0, 100.0, 300.0, 0.0])
    places = course.places
    for level, place in ((0.0, 0.0), (0.125, 0.375), (0.25, 0.5), (0.625, 0.625), (1.0, 0.75), (1.25, 1.5), (7, 6.75)):
        assert place_of(places, level) == pytest.approx(place, abs=1e-12)
    # A hair more than a lap is reached a quarter of a lap later, where the next power is drawn.
    assert place_of(places, 1.0 + 1.0 / LEVELS) == pytest.approx(1.25 + 0.25 * 4 / LEVELS)
    assert np.all(np.diff(places) >= 0)


def test_places_of_a_lap_that_gives_back(samples):
    """Up with 400, down with −200 at the battery: at the top twice a lap's charge is drawn, which comes again later."""
    vehicle = dataclasses.replace(samples.VEHICLE, drivetrain=Drivetrain(1.0, 1.0))
    steps = RideSteps(np.array([400.0, -200.0]), np.zeros(2), np.ones(2), np.ones(2), vehicle)
    course = course_of(steps, parts=np.ones(2, dtype=np.int64), mass_min_kg=100.0, mass_max_kg=120.0)
    for level, place in ((0.5, 0.125), (2.0, 0.5), (2.5, 1.375), (3.0, 1.5), (4.0, 2.5)):
        assert place_of(course.places, level) == pytest.approx(place, abs=1e-9)


def test_a_step_comes_due_at_its_first_place_of_a_level(samples):
    course = plain_course(samples, [100.0, 300.0, 300.0, 100.0])
    loads = np.array([[100.0] * 4, [300.0] * 4, [300.0] * 4, [100.0] * 4])
    run = runs_of(loads, steps=np.array([2]), course=course)[0]
    assert run == pytest.approx([0.125, 0.25, 0.875, 0.75])
    for level, place in ((0.0, 0.25), (0.1, 0.25), (0.5, 0.5), (0.875, 0.75), (0.9, 1.25), (3.5, 3.5)):
        assert due_at(run, level) == pytest.approx(place, abs=1e-12)
