import numpy as np
import pytest

from optimizer.ride.bins import compress, falls_with_mass, filter_lap
from optimizer.ride.load.drivetrain import Drivetrain
from optimizer.ride.load.roadload import Vehicle, ride_steps
from optimizer.ride.load.trace import trace_from_arrays
from optimizer.ride.range import PackBlock, mean_power_w, range_block


def test_filter_equals_many_fine_steps_through_many_laps():
    rng = np.random.default_rng(3)
    power, duration = rng.normal(200.0, 150.0, 7), rng.uniform(1.0, 9.0, 7)
    end, share = filter_lap(power, duration, 6.0)
    fine = 2000
    state, inside, ends = 0.0, np.zeros((7, fine)), np.zeros(7)
    for _ in range(30):
        for i in range(7):
            dt = duration[i] / fine
            for k in range(fine):
                state += (power[i] - state) * dt / 6.0
                inside[i, k] = state
            ends[i] = state
    assert end == pytest.approx(ends, abs=0.05)
    weight = duration / duration.sum()
    mean = weight @ power
    # The share of the covariance is the share of the variance.
    variance = weight @ ((inside - mean) ** 2).mean(axis=1)
    assert share == pytest.approx(variance / (weight @ (power - mean) ** 2), rel=2e-3)


@pytest.mark.parametrize(("tau", "share"), [(1e-4, 1.0), (1e7, 0.0)])
def test_filter_limits(tau, share):
    power, duration = np.array([0.0, 300.0, -50.0]), np.array([4.0, 3.0, 2.0])
    assert filter_lap(power, duration, tau)[1] == pytest.approx(share, abs=1e-3)


def test_steady_power_has_no_variance_to_share():
    end, share = filter_lap(np.full(4, 250.0), np.full(4, 3.0), 5.0)
    assert share == 0.0
    assert end == pytest.approx(np.full(4, 250.0))


def test_bins_keep_time_and_mean_wheel_power_and_the_error_they_state(samples, town_ride):
    steps, ride = town_ride
    assert len(ride.weight) < 40
    assert ride.weight.sum() == pytest.approx(1.0)
    share = steps.duration_s / steps.duration_s.sum()
    assert ride.weight @ ride.constant_w == pytest.approx(share @ steps.constant_w)
    assert ride.weight @ ride.per_mass_w_kg == pytest.approx(share @ steps.per_mass_w_kg)
    assert 0.0 < ride.error < 5e-4
    # Efficiencies differ by sign of the wheel power; the bins keep the sign, so battery power is right too.
    for mass in (110.0, 131.0, 150.0):
        exact = share @ steps.battery_power_w(mass)
        assert mean_power_w(ride, mass_kg=np.array([mass]))[0] == pytest.approx(exact, rel=1e-3)


def test_extremes_are_bins_of_their_own(town_ride):
    steps, ride = town_ride
    wheel = ride.constant_w + ride.per_mass_w_kg * 150.0
    exact = steps.constant_w + steps.per_mass_w_kg * 150.0
    assert wheel.max() == pytest.approx(exact.max(), rel=1e-9)
    assert wheel.min() == pytest.approx(exact.min(), rel=1e-9)


def test_ranges_hardly_change_with_finer_bins(samples, town_ride):
    steps, coarse = town_ride
    fine = compress(steps, cells=samples.cells(), mass_min_kg=110.0, mass_max_kg=150.0, tolerance=1e-7)
    assert len(fine.weight) > 2 * len(coarse.weight)
    packs = samples.packs(coarse, 200)
    a, b = range_block(packs, ride=coarse).range_km, range_block(packs, ride=fine).range_km
    long = b > 10.0
    assert long.sum() > 150
    off = np.abs(a[long] / b[long] - 1.0)
    # What rolls on for a hair of charge may differ by the way that it rolls.
    assert np.quantile(off, 0.95) < 1e-3 and off.max() < 0.05


def fast_downhill(samples):
    """Fast and slightly downhill at high power, slowly uphill at low power, no rolling resistance."""
    time = np.array([0.0, 10, 410, 420, 1820, 1830])
    speed = np.array([6.0, 60, 60, 6, 6, 6])
    down = 0.01
    grade = np.array([0.0, -down, -down, 0, 0, 0])
    lap = trace_from_arrays(time, speed_kmh=speed, grade_pct=100 * grade)
    way = lap.step_distance_m
    up = -lap.climb_m / way[3]
    lap = trace_from_arrays(
        [0, 10, 410, 420, 421, 1820, 1830], speed_kmh=[6, 60, 60, 6, 6, 6, 6],
        grade_pct=100 * np.array([0.0, -down, -down, 0, up, up, 0]),
    )  # fmt: skip
    car = Vehicle(cda_m2=0.5, crr=0.0, drivetrain=Drivetrain(1.0, 1.0), rotating_factor=1.0)
    return compress(ride_steps(lap, vehicle=car), cells=samples.cells(), mass_min_kg=80.0, mass_max_kg=120.0)


def test_a_ride_may_be_easier_with_more_mass_and_is_told(samples, town_ride):
    assert falls_with_mass(town_ride[1])
    ride = fast_downhill(samples)
    assert not falls_with_mass(ride)
    parallel = np.arange(4, 30)
    light, heavy = (
        range_block(PackBlock(cell=0, series=14, parallel=parallel, total_mass_kg=kg), ride=ride).range_km
        for kg in (80.0, 120.0)
    )
    assert np.any(heavy > light * 1.0001) and light.min() > 0


def test_bad_masses_and_rides_that_give_energy_are_refused(samples):
    steps = ride_steps(samples.town(), vehicle=samples.VEHICLE)
    with pytest.raises(ValueError, match="mass_min_kg <= mass_max_kg, found 150, 110"):
        compress(steps, cells=samples.cells(), mass_min_kg=150.0, mass_max_kg=110.0)
    downhill = trace_from_arrays([0, 100], speed_kmh=[20, 20], grade_pct=[-8, -8])
    steps = ride_steps(downhill, vehicle=samples.VEHICLE)
    with pytest.raises(ValueError, match="takes no energy from the battery"):
        compress(steps, cells=samples.cells(), mass_min_kg=80.0, mass_max_kg=110.0)
