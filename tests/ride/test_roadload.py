import numba
import numpy as np
import pytest

from optimizer.ride.load.drivetrain import Drivetrain, battery_w
from optimizer.ride.load.roadload import (
    GRAVITY_M_S2,
    Vehicle,
    air_density,
    drag_force_n,
    grade_force_n,
    inertia_force_n,
    ride_steps,
    rolling_force_n,
    step_parts,
)
from optimizer.ride.load.trace import trace_from_arrays

CAR = Vehicle(cda_m2=0.6, crr=0.012, drivetrain=Drivetrain(0.8, 0.5, 7.0))


def test_wheel_power_is_affine_in_mass_and_equals_the_sum_of_forces():
    lap = trace_from_arrays([0, 4, 10, 13], speed_kmh=[0, 18, 30, 12], grade_pct=[0, 4, -3, 0])
    steps = ride_steps(lap, vehicle=CAR)
    for mass in (60.0, 140.0):
        force = (
            rolling_force_n(mass, crr=0.012, grade=lap.step_grade)
            + grade_force_n(mass, grade=lap.step_grade)
            + inertia_force_n(mass, acceleration_m_s2=lap.acceleration_m_s2, rotating_factor=1.05)
        )
        drag = 0.5 * 1.225 * 0.6 * lap.step_speed_cubed
        wheel = force * lap.step_speed_m_s + drag
        assert steps.constant_w + steps.per_mass_w_kg * mass == pytest.approx(wheel, rel=1e-12)
        assert steps.battery_power_w(mass) == pytest.approx(
            [w / 0.8 + 7.0 if w > 0 else w * 0.5 + 7.0 for w in wheel]
        )


def test_battery_power_pays_losses_both_ways():
    drive = Drivetrain(0.8, regen_efficiency=0.6, accessory_w=10.0)
    wheel = np.array([800.0, 0.0, -400.0])
    assert drive.battery_w(wheel) == pytest.approx([1010.0, 10.0, -230.0])
    step = 1e-3 * np.array([1.0, -1.0, 1.0])
    assert drive.gain(wheel + step) == pytest.approx((drive.battery_w(wheel + step) - 10.0) / (wheel + step))
    assert drive.gain(wheel, back=2.0) == pytest.approx([1.25, 1.2, 1.2])


def test_kinetic_energy_of_a_start_and_a_stop_cancels_without_losses():
    free = Vehicle(cda_m2=0.0, crr=0.0, drivetrain=Drivetrain(1.0, 1.0))
    steps = ride_steps(trace_from_arrays([0, 5, 30, 33], speed_kmh=[0, 25, 25, 0]), vehicle=free)
    assert steps.battery_power_w(100.0) @ steps.duration_s == pytest.approx(0.0, abs=1e-9)
    # One way: ½·1.05·m·v².
    assert steps.battery_power_w(100.0)[0] * 5.0 == pytest.approx(0.5 * 105.0 * (25 / 3.6) ** 2)


def test_wind_from_behind_faster_than_the_rider_pushes():
    assert drag_force_n(5.0, cda_m2=0.5, density_kg_m3=1.2, headwind_m_s=-8.0) == pytest.approx(-2.7)


def test_slope_splits_weight_between_normal_and_pull():
    pull, normal = grade_force_n(10.0, grade=0.75), rolling_force_n(10.0, crr=1.0, grade=0.75)
    assert (pull, normal) == (pytest.approx(6 * GRAVITY_M_S2), pytest.approx(8 * GRAVITY_M_S2))


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"cda_m2": -0.1}, "cda_m2 must be >= 0, found -0.1"),
        ({"rotating_factor": 0.9}, "rotating_factor must be >= 1"),
        ({"density_kg_m3": 0.0}, "density_kg_m3 must be > 0"),
        ({"crr": -1.0}, "crr must be >= 0"),
    ],
)
def test_vehicle_out_of_bounds_is_named(change, text):
    with pytest.raises(ValueError, match=text):
        Vehicle(**({"cda_m2": 0.6, "crr": 0.012, "drivetrain": Drivetrain(0.8)} | change))


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"efficiency": 0.0}, "efficiency must be in"),
        ({"efficiency": 1.2}, "efficiency must be in"),
        ({"regen_efficiency": 1.1}, "regen_efficiency must be in"),
        ({"efficiency": 2.0, "accessory_w": float("nan")}, "in .*, found 2; accessory_w must be >= 0, found nan"),
    ],
)
def test_drivetrain_out_of_bounds_is_named(change, text):
    with pytest.raises(ValueError, match=text):
        Drivetrain(**({"efficiency": 0.8} | change))


def test_compiled_code_asks_the_same_rule_as_arrays():
    """The rule of the kernels is the function that arrays go through, number by number and in one call."""

    @numba.njit
    def kernel(wheel, drive):
        return np.array([battery_w(w, drive) for w in wheel])

    drive, wheel = Drivetrain(0.8, 0.5, 7.0), np.array([-300.0, -1e-9, 0.0, 250.0])
    assert np.array_equal(kernel(wheel, drive.numbers), drive.battery_w(wheel))
    assert drive.battery_w(wheel) == pytest.approx([-143.0, 7.0, 7.0, 319.5])


@pytest.mark.parametrize(("altitude", "temp"), [(12_000.0, None), (np.nan, None), (0.0, -300.0)])
def test_air_outside_the_troposphere_is_refused(altitude, temp):
    with pytest.raises(ValueError, match="must be"):
        air_density(altitude, temp_c=temp)


def test_steps_are_cut_so_that_none_is_longer_than_asked():
    """Closed form: half a second stays whole, 2.5 s become three; what is a second but for rounding stays whole."""
    parts = step_parts(np.array([0.5, 1.0, 1.0 + 1e-12, 2.5, 60.0]), step_max_s=1.0)
    assert parts.tolist() == [1, 1, 1, 3, 60]


def test_values_at_the_ends_of_what_a_vehicle_may_have_are_taken():
    """Thin air at height, no drag, no losses: at the very bounds, and not beyond."""
    lossless = {"efficiency": 1.0, "regen_efficiency": 1.0, "accessory_w": 0.0}
    edge = {"cda_m2": 0.0, "crr": 0.0, "drivetrain": Drivetrain(**lossless), "rotating_factor": 1.0,
            "density_kg_m3": 0.4}  # fmt: skip
    Vehicle(**edge), Drivetrain(0.01, 0.0)
    beyond = ((Vehicle, edge, ("cda_m2", -1e-9), ("crr", -1e-9), ("rotating_factor", 0.999), ("density_kg_m3", 0.0)),
              (Drivetrain, lossless, ("efficiency", 1.0001), ("efficiency", 0.0), ("accessory_w", -1e-9),
               ("regen_efficiency", 1.0001), ("regen_efficiency", -1e-9)))  # fmt: skip
    for make, good, *changes in beyond:
        for name, value in changes:
            with pytest.raises(ValueError, match=name):
                make(**(good | {name: value}))
