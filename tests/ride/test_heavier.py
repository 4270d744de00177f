"""Rides on which a heavier pack draws more, yet may pass a place at which a lighter one stops (ride/heavier.py)."""

from dataclasses import replace

import numpy as np
import pytest

from optimizer.ride.bins import compress, falls_with_mass
from optimizer.ride.heavier import Growth, growth_of, most_eased
from optimizer.ride.load.roadload import ride_steps
from optimizer.ride.load.trace import trace_from_arrays
from optimizer.ride.range import STOP_NAMES
from optimizer.ride.simulate import simulate

PACKS = 150


def laps(samples, rng, count):
    """Random laps on which mass may help, whole and compressed: up and down with hard braking, every third fast and
    slightly downhill."""
    found = []
    while len(found) < count:
        n = int(rng.integers(5, 11))
        time = np.append(0, np.cumsum(rng.integers(2, 12, n)))
        speed, grade = rng.integers(0, 40, n + 1), rng.integers(-4, 5, n + 1).astype(float)
        if len(found) % 3 == 0:
            speed, grade = 30 + speed // 8, grade / 8.0 - 1.6
        trace = trace_from_arrays(time, speed_kmh=speed, grade_pct=grade)
        steps = ride_steps(trace, vehicle=samples.VEHICLE)
        if min(float(steps.battery_power_w(kg) @ steps.duration_s) for kg in (90.0, 210.0)) < 30.0 * time[-1]:
            continue
        ride = compress(steps, cells=samples.cells(6), mass_min_kg=90.0, mass_max_kg=210.0)
        if not falls_with_mass(ride):
            found.append((steps, ride))
    return found


def light_and_heavy(samples, steps, ride, rng):
    """Stepped rides of random packs, weak to strong, and of the same with a gram to 20 kg more; and the growth."""
    light = samples.packs(ride, PACKS, seed=int(rng.integers(1e6)), warm=False)
    light = replace(
        light, total_mass_kg=rng.uniform(90.0, 190.0, PACKS), current_limit_a=np.exp(rng.uniform(1.5, 4.5, PACKS)),
        extra_resistance_ohm=np.exp(rng.uniform(-6.0, 0.0, PACKS)), parallel=rng.integers(1, 5, PACKS),
    )  # fmt: skip
    more = np.exp(rng.uniform(np.log(1e-3), np.log(20.0), PACKS))
    heavy = replace(light, total_mass_kg=light.total_mass_kg + more)
    growth = growth_of(steps, ride=ride)
    return growth, *(simulate(packs, steps=steps, ride=ride, growth=growth) for packs in (light, heavy))


@pytest.mark.parametrize("seed", [0, *(pytest.param(k, marks=pytest.mark.nightly) for k in range(1, 20))])
def test_no_heavier_pack_goes_further_than_a_settled_one(samples, seed):
    """Grade: identity. On the other laps heavier packs do go further, or the test would say nothing."""
    rng = np.random.default_rng([5, seed])
    settled, told, passed = np.zeros(len(STOP_NAMES), dtype=int), 0, 0
    for steps, ride in laps(samples, rng, 60):
        growth, light, heavy = light_and_heavy(samples, steps, ride, rng)
        further = heavy.range_km > light.range_km * (1.0 + 1e-9)
        if growth is None:
            assert not light.settled.any()
            passed += further.sum()
        else:
            assert not np.any(further & light.settled)
            settled += np.bincount(light.stop[light.settled], minlength=len(STOP_NAMES))
            told += 1
    assert told > 10 and passed > 500
    assert settled[STOP_NAMES.index("reserve")] > 100 and np.all(settled[1:3] > 20), settled


def test_what_is_left_of_the_steps_before_is_filtered_as_currents_are():
    """Grade: closed form. After a long step of -1 W/kg each lag keeps exp(-t/τ) of it at the middle of the next."""
    taus, weights = np.array([3.0, 60.0, 200.0]), np.array([2.0, 5.0, 0.5])
    duration_s = np.array([20000.0, 1.0, 4.0])
    eased = most_eased(np.array([-1.0, 0.0, 0.5]), duration_s, taus, weights)
    np.testing.assert_allclose(eased[0], weights.sum())
    np.testing.assert_allclose(eased[1], weights @ np.exp(-0.5 / taus))
    last = 0.5 - (1.0 * np.exp(-1.0 / taus) + 0.5) * np.exp(-2.0 / taus)
    np.testing.assert_allclose(eased[2], weights @ np.maximum(-last, 0.0))


def test_a_stop_before_more_has_been_drawn_or_at_a_step_that_eases_is_not_settled(samples):
    """By hand: of three steps the first eases, and a heavier load has drawn less until the end of the second."""
    growth = Growth(np.array([-1.0, 2.0, 2.0]), np.ones(3), np.array([False, False, True]))
    cells = samples.cells(1)
    packs = np.tile([1.0, 0.0, 100.0, 1e-6, 9.0, 298.15, 0.0, 50.0, 1.0, 1.0], (6, 1))
    got = growth.settles(
        np.array([0, 0, 0, 2, 2, 2]), np.array([2, 3, 4, 2, 3, 5]), candidates=packs, cell=np.zeros(6, dtype=int),
        numbers=cells.table(), curves=cells.curves(), reserve_soc=0.1,
    )  # fmt: skip
    # Emptied in the second, third and next lap's first step; stopped at the third, next lap's first and third.
    assert got.tolist() == [False, True, True, True, False, True]
