import numpy as np
import pytest

from optimizer.ride.load.drivetrain import Drivetrain
from optimizer.ride.load.headroom import Motor, motor_current_a, speed_headroom_kmh, top_speed_kmh
from optimizer.ride.load.roadload import Vehicle
from optimizer.ride.load.trace import trace_from_arrays

FREE = Vehicle(cda_m2=0.0, crr=0.0, drivetrain=Drivetrain(0.8))
CAR = Vehicle(cda_m2=0.6, crr=0.012, drivetrain=Drivetrain(0.8, accessory_w=10.0))
# 12 rpm/V on 254 mm (a 10 inch wheel): 36 V without load turn 432 rpm, 20.69 km/h.
MOTOR = Motor(speed_constant_rpm_per_v=12.0, resistance_ohm=0.15, wheel_diameter_mm=254.0)


def test_without_load_the_speed_constant_alone_counts():
    speed = top_speed_kmh(36.0, pack_resistance_ohm=0.1, mass_kg=100.0, motor=MOTOR, vehicle=FREE)
    assert speed == pytest.approx(36 * 12 / 60 * np.pi * 0.254 * 3.6, rel=1e-9)


def test_motor_power_balances():
    """Back-EMF times current is force times speed."""
    speed, force = 5.0, 40.0
    current = motor_current_a(force, motor=MOTOR)
    assert current * speed / MOTOR.speed_per_volt_m_s == pytest.approx(force * speed)


def test_rolling_load_has_a_closed_form():
    # A force that does not depend on speed: v = r·k·(u − (R_motor + R_pack)·F·r·k).
    hard = Vehicle(cda_m2=0.0, crr=0.03, drivetrain=Drivetrain(0.8))
    gear = MOTOR.speed_per_volt_m_s
    current = 0.03 * 120.0 * 9.80665 * gear
    expected = 3.6 * gear * (48.0 - 0.25 * current)
    speed = top_speed_kmh(48.0, pack_resistance_ohm=0.1, mass_kg=120.0, motor=MOTOR, vehicle=hard)
    assert speed == pytest.approx(expected, rel=1e-9)


def test_voltage_is_used_up_at_the_top_speed():
    volts, ohms = np.array([50.0, 44.0, 36.0]), 0.12
    speed = top_speed_kmh(volts, pack_resistance_ohm=ohms, mass_kg=120.0, motor=MOTOR, vehicle=CAR, grade=0.02)
    v = speed / 3.6
    theta = np.arctan(0.02)
    force = 0.5 * 1.225 * 0.6 * v**2 + 120 * 9.80665 * (0.012 * np.cos(theta) + np.sin(theta))
    current = force * MOTOR.speed_per_volt_m_s
    assert v / MOTOR.speed_per_volt_m_s + 0.15 * current == pytest.approx(
        volts - ohms * (current + 10.0 / volts), rel=1e-9
    )
    assert np.all(np.diff(speed) < 0)


def test_a_wall_is_not_climbed():
    assert top_speed_kmh(20.0, pack_resistance_ohm=2.0, mass_kg=300.0, motor=MOTOR, vehicle=CAR, grade=1.0) == 0


def test_headroom_counts_from_the_fastest_point_and_its_climb():
    lap = trace_from_arrays([0, 10, 60, 70, 120], speed_kmh=[0, 20, 20, 12, 0], grade_pct=[0, 0, 3, 9, 0])
    volts = np.array([54.0, 48.0])
    kw = {"pack_resistance_ohm": 0.12, "mass_kg": 120.0, "motor": MOTOR, "vehicle": CAR}
    assert speed_headroom_kmh(volts, trace=lap, **kw) == pytest.approx(
        top_speed_kmh(volts, grade=0.03, **kw) - 20.0
    )
    downhill = trace_from_arrays([0, 10, 60], speed_kmh=[20, 20, 20], grade_pct=[-3, -3, -3])
    assert speed_headroom_kmh(volts, trace=downhill, **kw) == pytest.approx(top_speed_kmh(volts, **kw) - 20.0)


def test_bad_values_are_named():
    with pytest.raises(ValueError, match=r"speed_constant_rpm_per_v must be > 0, found 0; .*wheel_diameter_mm"):
        Motor(0.0, 0.1, -1.0)
    with pytest.raises(ValueError, match="grade >= 0"):
        top_speed_kmh(40.0, pack_resistance_ohm=0.1, mass_kg=100.0, motor=MOTOR, vehicle=CAR, grade=-0.01)
