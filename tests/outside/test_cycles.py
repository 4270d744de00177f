"""A standard driving cycle from its table of phases against its official figures."""

import numpy as np
import pytest

from optimizer.ride.load.trace import trace_from_arrays

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
