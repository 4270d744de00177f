"""Road load against published worked examples and closed forms; the source stands beside each value."""

import math

import numpy as np
import pytest

from optimizer.ride.load.drivetrain import Drivetrain
from optimizer.ride.load.roadload import (
    Vehicle,
    air_density,
    drag_force_n,
    grade_force_n,
    inertia_force_n,
    ride_steps,
    rolling_force_n,
)
from optimizer.ride.load.trace import steady_cruise


def test_cycling_power_of_martin_1998():
    # From memory, reproduced from its inputs: Martin, Milliken, Cobb, McFadden, Coggan (1998), J. Appl.
    # Biomech. 14(3), 276-291, sample calculation; total 213.3 W at the crank, tolerance 0.5 W.
    speed = 471.8 / 56.42
    along, across = 2.94 * math.cos(math.radians(30)), 2.94 * math.sin(math.radians(30))
    assert along == pytest.approx(2.546, abs=5e-4)
    area = 0.2565 + 0.0044
    drag = drag_force_n(speed, cda_m2=area, density_kg_m3=1.2234, headwind_m_s=along) * speed
    rolling = rolling_force_n(90.0, crr=0.0032, grade=0.003) * speed
    grade = grade_force_n(90.0, grade=0.003) * speed
    # Wheels turn: 0.14 kg m² at 0.311 m count as mass; change of speed from 8.28 to 8.45 m/s.
    factor = 1.0 + 0.14 / 0.311**2 / 90.0
    kinetic = inertia_force_n(
        90.0, acceleration_m_s2=(8.45**2 - 8.28**2) / 2 / 471.8, rotating_factor=factor
    ) * speed  # fmt: skip
    bearings = speed * (91 + 8.7 * speed) * 1e-3  # the paper's own term, not part of the model
    assert [drag, rolling, grade, kinetic] == pytest.approx([158.80, 23.63, 22.15, 2.30], abs=0.05)
    bicycle = Vehicle(area, 0.0032, drivetrain=Drivetrain(0.976))
    total = bicycle.drivetrain.battery_w(np.array(drag + rolling + grade + kinetic + bearings))
    assert total == pytest.approx(213.3, abs=0.5)
    assert across == pytest.approx(1.47, abs=0.005)


def test_climbing_set_of_a_published_table():
    # Inputs published in Sports Engineering, doi 10.1007/s12283-021-00345-2, table 1; powers computed from
    # the formulas, a second implementation: 63.16, 13.52, 316.95 W.
    drag = drag_force_n(6.0, cda_m2=0.473 + 0.0044, density_kg_m3=1.225) * 6.0
    rolling = rolling_force_n(72.0, crr=0.0032, grade=0.075) * 6.0
    grade = grade_force_n(72.0, grade=0.075) * 6.0
    # g there is 9.81.
    assert drag == pytest.approx(63.16, abs=0.005)
    assert rolling * 9.81 / 9.80665 == pytest.approx(13.52, abs=0.005)
    assert grade * 9.81 / 9.80665 == pytest.approx(316.95, abs=0.1)


def test_scooter_acceleration_of_larminie_and_lowry():
    # From memory, reproduced from its inputs: Larminie & Lowry, Electric Vehicle Technology Explained
    # (Wiley), electric scooter example: 10 m/s after 6.6 s, 10.8 m/s after 7.15 s, 13.25 to 13.29 m/s at last.
    def pull(v):
        torque = np.where(v < 10.8, 34.0, 153.0 - 1.16 * v * 2.0 / 0.21)
        return 0.98 * 2.0 / 0.21 * torque

    def resist(v):
        return rolling_force_n(185.0, crr=0.007) + drag_force_n(v, cda_m2=0.75 * 0.6, density_kg_m3=1.25)

    per_m_s2 = inertia_force_n(185.0, acceleration_m_s2=1.0, rotating_factor=194.0 / 185.0)
    v, t, reached = 0.0, 0.0, {}
    while t < 60.0:
        v += 1e-3 * float((pull(v) - resist(v)) / per_m_s2)
        t += 1e-3
        for mark in (5.0, 10.0, 10.8, 12.5):
            if v >= mark and mark not in reached:
                reached[mark] = t
    assert reached[5.0] == pytest.approx(3.21, abs=0.02)
    assert reached[10.0] == pytest.approx(6.58, abs=0.02)
    assert reached[10.8] == pytest.approx(7.15, abs=0.02)
    assert reached[12.5] == pytest.approx(9.23, abs=0.05)
    assert 13.24 < v < 13.30
    # The coefficients as printed: dv/dt = 1.57 - 0.00145 v².
    assert (pull(0.0) - rolling_force_n(185.0, crr=0.007)) / per_m_s2 == pytest.approx(1.57, abs=0.005)
    assert drag_force_n(1.0, cda_m2=0.45, density_kg_m3=1.25) / per_m_s2 == pytest.approx(0.00145, abs=5e-6)


def test_constant_speed_by_hand():
    # Closed form: 100 kg, 25 km/h, crr 0.012, CdA 0.6, 1.225 kg/m³: rolling 81.72 W, drag 123.08 W; at
    # efficiency 0.80 the battery gives 256.0 W = 10.24 Wh/km; 5 % grade adds 340.08 W.
    car = Vehicle(cda_m2=0.6, crr=0.012, drivetrain=Drivetrain(0.8))
    level = ride_steps(steady_cruise(25.0), vehicle=car)
    assert 100.0 * level.per_mass_w_kg[0] == pytest.approx(81.72, abs=0.005)
    assert level.constant_w[0] == pytest.approx(123.08, abs=0.005)
    assert level.battery_power_w(100.0)[0] == pytest.approx(256.0, abs=0.05)
    assert level.battery_power_w(100.0)[0] / 25.0 == pytest.approx(10.24, abs=0.005)
    hill = ride_steps(steady_cruise(25.0, grade_pct=5.0), vehicle=car)
    climb = 100.0 * (hill.per_mass_w_kg[0] - level.per_mass_w_kg[0])
    # 340.08 W plus the hair less of rolling resistance on a slope, 81.72·(cos − 1).
    assert climb == pytest.approx(340.08 + 81.72 * (math.cos(math.atan(0.05)) - 1), abs=0.01)


@pytest.mark.parametrize(
    ("altitude", "temp", "density"),
    [
        # ISO 2533 / ICAO Doc 7488 tables, from memory: 1.2250, 1.1117, 0.7364, 0.4135 kg/m³.
        (0.0, None, 1.2250),
        (1000.0, None, 1.1117),
        (5000.0, None, 0.7364),
        (10_000.0, None, 0.4135),
        # Closed form, 101325 Pa at 20 °C: 1.2041.
        (0.0, 20.0, 1.2041),
    ],
)
def test_standard_atmosphere(altitude, temp, density):
    assert air_density(altitude, temp_c=temp) == pytest.approx(density, abs=6e-5)
    both = air_density(np.array([altitude, altitude]), temp_c=temp)
    assert both == pytest.approx([density, density], abs=6e-5)
