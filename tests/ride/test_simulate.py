import dataclasses

import numpy as np
import pytest

from optimizer.ride.bins import compress
from optimizer.ride.load.drivetrain import Drivetrain
from optimizer.ride.load.roadload import ride_steps
from optimizer.ride.range import STOP_NAMES, PackBlock, range_block
from optimizer.ride.simulate import simulate, simulate_trace


@pytest.mark.parametrize("hill", [0.02, 0.04, 0.06, 0.08])
def test_fast_and_stepping_agree_on_random_packs(samples, hill):
    """Laps from flat to steep, two chemistries, -5 to 35 degC, packs that drive the lap at least four times.

    Where the reserve ends the ride, nine in ten within 0.3 % of the place, and all that the lap's longest way without a
    load may hold (see test_place.py); charge and consumption within 0.5 %. Where sag does, in the last quarter of the
    charge of a layered oxide, within a lap: they may differ by one coming of the hardest step.
    """
    steps, ride = samples.town_ride(hill=hill)
    packs = samples.packs(ride, 250, seed=round(100 * hill), warm=False)
    fast, slow = range_block(packs, ride=ride), simulate(packs, steps=steps, ride=ride)
    often, oxide = slow.range_km > 4 * ride.distance_m / 1000, np.asarray(packs.cell) % 2 == 0
    deviation = np.abs(fast.range_km / np.where(often, slow.range_km, np.nan) - 1)
    reserve, sag = often & (slow.stop == 0), often & (slow.stop > 0) & oxide & (slow.soc_stop < 0.25)
    assert reserve.sum() > 195 and (sag.any() or hill < 0.05)
    assert np.quantile(deviation[reserve], 0.9) < 0.003 and np.median(deviation[reserve]) < 0.001
    assert np.abs(fast.range_km - slow.range_km)[sag].max(initial=0.0) < ride.distance_m / 1000
    full = reserve & (fast.stop == 0)
    assert fast.consumption_wh_per_km[full] == pytest.approx(slow.consumption_wh_per_km[full], rel=3e-3)
    assert fast.energy_out_wh[full] == pytest.approx(slow.energy_out_wh[full], rel=5e-3)


def test_fast_and_stepping_agree_on_cells_that_warm_up(samples, town_ride):
    """At the reserve; near the end of sagging packs the fast form's one temperature per interval is too coarse."""
    steps, ride = town_ride
    packs = samples.packs(ride, 120, seed=11, warm=True)
    fast, slow = range_block(packs, ride=ride), simulate(packs, steps=steps, ride=ride)
    full = (slow.range_km > 4 * ride.distance_m / 1000) & (slow.stop == 0)
    assert full.sum() > 90
    # Some reach the reserve where the lap rolls on: half a lap at most.
    assert np.abs(fast.range_km - slow.range_km)[full].max() < 0.5 * ride.distance_m / 1000
    assert np.median(np.abs(fast.range_km / slow.range_km - 1)[full]) < 1e-3


def test_one_percent_more_resistance_would_be_noticed(samples, town_ride):
    """The agreement above is not blind: 3 % less capacity stands out of it."""
    steps, ride = town_ride
    packs = PackBlock(cell=2, series=14, parallel=3, total_mass_kg=125.0)
    fast = range_block(packs, ride=ride, reserve_soc=0.1).range_km[0]
    less = simulate(packs, steps=steps, ride=ride, reserve_soc=0.127).range_km[0]
    assert abs(fast / less - 1) > 0.02


def test_finer_time_steps_change_little(samples, town_ride):
    steps, ride = town_ride
    packs = samples.packs(ride, 6, seed=5)
    coarse = simulate(packs, steps=steps, ride=ride)
    fine = simulate(packs, steps=steps, ride=ride, step_max_s=0.25)
    assert coarse.range_km == pytest.approx(fine.range_km, rel=1e-3)


@pytest.mark.parametrize("warm", [False, True])
def test_packs_stepped_together_go_as_far_as_each_alone(samples, town_ride, warm):
    """To the last bit, for packs that end at different places and more of them than are stepped at a time."""
    steps, ride = town_ride
    packs = samples.packs(ride, 21, seed=7, warm=warm)
    together = simulate(packs, steps=steps, ride=ride)
    assert len(np.unique(together.duration_s)) > 10
    each = [{name: np.broadcast_to(value, 21)[k] for name, value in vars(packs).items()} for k in range(21)]
    alone = [simulate(PackBlock(**one), steps=steps, ride=ride) for one in each]
    for field in dataclasses.fields(together):
        found = np.concatenate([getattr(one, field.name) for one in alone])
        assert found.tobytes() == getattr(together, field.name).tobytes()


def test_trace_adds_up(town_ride):
    steps, ride = town_ride
    packs = PackBlock(
        cell=2, series=14, parallel=3, total_mass_kg=125.0, extra_resistance_ohm=0.02, air_temp_c=10.0,
        thermal_resistance_k_w=15.0,
    )  # fmt: skip
    whole = simulate(packs, steps=steps, ride=ride)
    trace = simulate_trace(packs, steps=steps, ride=ride, points=10**6)
    step = np.diff(trace.time_s, prepend=0.0)
    # Seconds, and the part of the last one until the reserve.
    assert step[:-1] == pytest.approx(np.ones(len(step) - 1)) and 0.0 < step[-1] <= 1.0
    drawn_ah = np.cumsum(trace.current_a * step) / 3600
    assert trace.soc == pytest.approx(1.0 - drawn_ah / (3 * ride.cells.capacity_ah[2]), abs=1e-9)
    assert trace.voltage_v == pytest.approx(14 * trace.cell_voltage_v - 0.02 * trace.current_a)
    # Power is what the ride asks, except where a full cell cannot take the regeneration.
    asked = np.resize(steps.battery_power_w(125.0), len(step))
    assert trace.power_w[600:] == pytest.approx(asked[600:], rel=1e-6)
    assert trace.cell_voltage_v.max() <= ride.cells.voltage_max_v[2] + 1e-9
    assert trace.soc[-1] == pytest.approx(0.1, abs=1e-9) and trace.soc[-2] > 0.1
    assert 10.0 < trace.temp_c[-1] == pytest.approx(whole.temp_end_c[0], abs=0.1)
    thin = simulate_trace(packs, steps=steps, ride=ride, points=50)
    assert len(thin.time_s) <= 52
    # However it is thinned, it ends where the ride does.
    for one in (trace, thin):
        assert one.distance_km[-1] == pytest.approx(whole.range_km[0], rel=1e-12)
        assert one.time_s[-1] == pytest.approx(whole.duration_s[0], rel=1e-12)


def test_cells_may_warm_up_without_going_farther(town_ride):
    """Where resistances stay those at the air's temperature, the range is that of cells that stay cold."""
    steps, ride = town_ride
    given = {"cell": 2, "series": 14, "parallel": 3, "total_mass_kg": 125.0, "air_temp_c": -5.0}
    cold = PackBlock(**given)
    noted, warm = (PackBlock(**given, thermal_resistance_k_w=20.0, warms=warms) for warms in (False, True))
    for form in (lambda p: range_block(p, ride=ride), lambda p: simulate(p, steps=steps, ride=ride)):
        km = [form(packs).range_km[0] for packs in (cold, noted, warm)]
        assert km[0] == km[1] < km[2]
        assert form(noted).temp_end_c[0] > form(cold).temp_end_c[0] + 3.0


def test_a_part_of_the_capacity_goes_that_part_of_the_way(town_ride):
    """All that a pack holds, and 95 % of it, as the weakest group may hold."""
    steps, ride = town_ride
    packs = PackBlock(cell=2, series=14, parallel=6, total_mass_kg=125.0, capacity_part=[1.0, 0.95])
    for result in (range_block(packs, ride=ride), simulate(packs, steps=steps, ride=ride)):
        assert result.range_km[1] / result.range_km[0] == pytest.approx(0.95, abs=2e-3)


def test_heating_follows_its_step_response(samples):
    """Steady heat into one heat capacity: T = T_air + R·Q·(1 − exp(−t/RC)), closed form."""
    from optimizer.ride.load.roadload import Vehicle
    from optimizer.ride.load.trace import steady_cruise

    one = samples.cells(1)
    flat = dataclasses.replace(
        one, ocv_v=np.full_like(one.ocv_v, 3.6), r0_ohm=np.full_like(one.r0_ohm, 0.03),
        r1_ohm=np.zeros_like(one.r0_ohm), r2_ohm=np.zeros_like(one.r0_ohm), activation_k=np.zeros(1),
    )  # fmt: skip
    steps = ride_steps(steady_cruise(25.0), vehicle=Vehicle(0.6, 0.012, Drivetrain(0.8)))
    ride = compress(steps, cells=flat, mass_min_kg=90.0, mass_max_kg=110.0)
    packs = PackBlock(
        cell=0, series=10, parallel=2, total_mass_kg=100.0, air_temp_c=20.0, thermal_resistance_k_w=12.0,
        heat_capacity_j_k=45.0,
    )  # fmt: skip
    power, ohm = steps.battery_power_w(100.0)[0] / 20, 0.03
    amps = (3.6 - np.sqrt(3.6**2 - 4 * ohm * power)) / (2 * ohm)
    for result in (range_block(packs, ride=ride), simulate(packs, steps=steps, ride=ride)):
        seconds = result.duration_s[0]
        expected = 20.0 + 12.0 * ohm * amps**2 * -np.expm1(-seconds / (12.0 * 45.0))
        assert result.temp_end_c[0] == pytest.approx(expected, abs=1e-3)
        assert result.heat_w[0] == pytest.approx(20 * ohm * amps**2, rel=1e-6)


def test_first_lap_ends_at_the_step_that_fails(samples, town_ride):
    steps, ride = town_ride
    packs = PackBlock(cell=0, series=10, parallel=1, total_mass_kg=140.0, current_limit_a=18.0)
    result = simulate(packs, steps=steps, ride=ride)
    assert STOP_NAMES[result.stop[0]] == "current limit"
    power = steps.battery_power_w(140.0)
    first = int(np.argmax(power > 18.0 * 41.0))
    way = np.cumsum(steps.distance_m)
    assert 0 < result.range_km[0] * 1000 <= way[first]


def test_traces_of_several_designs_are_refused(town_ride):
    steps, ride = town_ride
    packs = PackBlock(cell=[0, 1], series=10, parallel=2, total_mass_kg=120.0)
    with pytest.raises(ValueError, match="one design, found 2"):
        simulate_trace(packs, steps=steps, ride=ride)


def long_way(samples, *, laps=12):
    """Laps through town one after another as one: longer than any pack of the samples lasts."""
    lap = samples.town(hill=0.04)
    steps = ride_steps(lap, vehicle=samples.VEHICLE)
    fields = ("constant_w", "per_mass_w_kg", "duration_s", "distance_m")
    steps = dataclasses.replace(steps, **{name: np.tile(getattr(steps, name), laps) for name in fields})
    return steps, compress(steps, cells=samples.cells(), mass_min_kg=110.0, mass_max_kg=150.0)


def test_a_ride_driven_less_than_once_ends_on_the_way(samples):
    """Grade: second implementation. The recorded run, interpolated to the reserve, or to its last driven step."""
    steps, ride = long_way(samples)
    given = vars(samples.packs(ride, 60, seed=4, warm=False))
    result = simulate(PackBlock(**given), steps=steps, ride=ride)
    assert np.isfinite([getattr(result, f.name) for f in dataclasses.fields(result)]).all()
    inside = np.flatnonzero((result.range_km < ride.distance_m / 1000) & (result.range_km > 0))
    assert len(set(result.stop[inside])) > 1 and (result.stop[inside] == 0).sum() > 5
    for n in inside:
        one = PackBlock(**{k: v if np.ndim(v) == 0 else v[n] for k, v in given.items()})
        trace = simulate_trace(one, steps=steps, ride=ride, points=10**6)
        end = len(trace.soc) - 1
        km, seconds = trace.distance_km[end], trace.time_s[end]
        if result.stop[n] == 0:
            part = (trace.soc[end - 1] - 0.1) / (trace.soc[end - 1] - trace.soc[end])
            assert 0.0 < part <= 1.0
            km = trace.distance_km[end - 1] + part * (km - trace.distance_km[end - 1])
            seconds = trace.time_s[end - 1] + part * (seconds - trace.time_s[end - 1])
        assert result.range_km[n] == pytest.approx(km, rel=1e-9)
        assert result.duration_s[n] == pytest.approx(seconds, rel=1e-9)


def test_what_lies_behind_the_stop_does_not_count(samples):
    """A lap that goes on for longer, after the stop, leaves the range as it is."""
    packs = PackBlock(cell=[0, 1, 2], series=13, parallel=2, total_mass_kg=120.0)
    one, other = (simulate(packs, steps=s, ride=r) for s, r in (long_way(samples), long_way(samples, laps=30)))
    assert np.all(one.range_km > 0) and one.range_km == pytest.approx(other.range_km, rel=1e-9)
