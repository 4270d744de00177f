"""Standard driving cycles against their official figures: distance, speeds, energy; and as a log of `ride`."""

from pathlib import Path

import numpy as np
import pytest

from optimizer.ride.load.drivetrain import Drivetrain
from optimizer.ride.load.roadload import Vehicle, ride_steps
from optimizer.ride.load.trace import trace_from_arrays
from optimizer.road.reading import read_log
from optimizer.road.ride import clean

WLTC_LOW = Path(__file__).parent / "reference" / "wltc_low.csv"

# ECE-15 elementary urban cycle, UN Regulation 83, type I test: end of each phase [s], speed there [km/h].
# The table is from memory; duration, distance and speeds are published (195 s, 1.013 km, 19 km/h, 50 km/h;
# four of them 4.052 km).
ECE_15 = [
    (0, 0), (11, 0), (15, 15), (23, 15), (25, 10), (28, 0), (49, 0), (54, 15), (56, 15), (61, 32), (85, 32),
    (93, 10), (96, 0), (117, 0), (122, 15), (124, 15), (133, 35), (135, 35), (143, 50), (155, 50), (163, 35),
    (176, 35), (178, 32), (185, 10), (188, 0), (195, 0),
]  # fmt: skip


def test_ece_15_elementary_cycle():
    time, speed = np.array(ECE_15, dtype=float).T
    cycle = trace_from_arrays(time, speed_kmh=speed)
    assert cycle.duration_s == 195.0
    # Gear changes hold the speed here; the regulation's own figure counts its rounded accelerations: 0.5 %.
    assert cycle.distance_m == pytest.approx(1013.0, rel=5e-3)
    assert 4 * cycle.distance_m == pytest.approx(4052.0, rel=5e-3)
    assert 3.6 * cycle.distance_m / cycle.duration_s == pytest.approx(19.0, abs=0.5)
    assert cycle.speed_max_kmh == pytest.approx(50.0)
    # Accelerations printed with the phases [m/s²].
    moving = cycle.acceleration_m_s2[[1, 6, 8, 15, 17, 3, 10]]
    assert moving == pytest.approx([1.04, 0.83, 0.94, 0.62, 0.52, -0.69, -0.76], abs=0.012)


def test_wltc_low_phase_as_published():
    """UN GTR No. 15, Annex 1: checksum 11140.3; 589 s, 3,095 m, 56.5 km/h (the table of figures is from memory)."""
    time, speed = np.loadtxt(WLTC_LOW, delimiter=",", skiprows=3).T
    assert speed.sum() == pytest.approx(11140.3, abs=0.05)
    cycle = trace_from_arrays(time, speed_kmh=speed)
    assert cycle.duration_s == 589.0 and cycle.speed_max_kmh == pytest.approx(56.5)
    assert cycle.distance_m == pytest.approx(3095.0, abs=0.5)


def test_energy_of_wltc_low_as_the_regulation_counts_it():
    """UN GTR No. 15, Annex 7, 5: E = Σ F·d where F = f0 + f1·v + f2·v² + 1.03·TM·a is above 0, v a mean of two seconds.

    The formula is from memory. f0 = Crr·m·g, f1 = 0, f2 = ½·ρ·CdA; a step of changing speed has a mean v³ that is a
    little larger than the cube of its mean: 0.2 %.
    """
    time, speed = np.loadtxt(WLTC_LOW, delimiter=",", skiprows=3).T
    mass, cda, crr, density = 140.0, 0.7, 0.012, 1.2
    v = speed / 3.6
    mean, gain = 0.5 * (v[1:] + v[:-1]), np.diff(v)
    force = crr * mass * 9.80665 * (mean > 0) + 0.5 * density * cda * mean**2 + 1.03 * mass * gain
    energy_j = float(np.sum((force * mean)[force > 0]))
    vehicle = Vehicle(cda, crr, Drivetrain(1.0), rotating_factor=1.03, density_kg_m3=density)
    power = ride_steps(trace_from_arrays(time, speed_kmh=speed), vehicle=vehicle).battery_power_w(mass)
    assert float(power.clip(0.0).sum()) == pytest.approx(energy_j, rel=2e-3)


def test_wltc_low_as_a_log_keeps_its_figures():
    """A clean log is hardly changed: distance within 0.1 %, time and highest speed kept."""
    ride = clean(read_log(WLTC_LOW))
    assert ride.after.distance_km == pytest.approx(3.0945, rel=1e-3) and ride.after.duration_s == 589.0
    assert 3.6 * ride.speed_m_s.max() == pytest.approx(56.5, abs=0.3)
