"""Charge time against closed forms, and circuit vectors that the ride stands on."""

import math

import numpy as np
import pytest

from optimizer.pack.charge import charge_time
from optimizer.ride.cellkernel import POWER, deliverable
from optimizer.ride.rangekernel import lap_sums


def test_cc_cv_of_a_linear_ocv_behind_a_resistance():
    # Closed form: with OCV = a + b·z and R, the limit is met at z1 = (V − R·I − a)/b after Q·z1/I; then the
    # current decays as I·exp(−t·b/(R·Q)), so reaching I_end takes R·Q/b·ln(I/I_end).
    a, b, ohm, capacity, amps, limit, end = 3.4, 0.7, 0.08, 2.9, 1.45, 4.1, 0.145
    turn = (limit - ohm * amps - a) / b
    hours = capacity * turn / amps + ohm * capacity / b * math.log(amps / end)
    soc = np.linspace(0.0, 1.0, 41)
    done = charge_time(
        amps, ocv_v=(a + b * soc)[None], resistance_ohm=np.full((1, 41), ohm), capacity_ah=capacity,
        voltage_max_v=limit, taper_a=end,
    )  # fmt: skip
    assert 0 < turn < 1
    assert done.hours[0] == pytest.approx(hours, rel=1e-9)
    assert done.soc_end[0] == pytest.approx((limit - ohm * end - a) / b, rel=1e-9)


def test_time_at_constant_current_is_charge_over_current():
    # Closed form: far below the limit, 80 % of 3 Ah at 0.5C take 1.6 h.
    done = charge_time(
        1.5, ocv_v=np.linspace(3.0, 3.6, 11)[None], resistance_ohm=np.full((1, 11), 0.05), capacity_ah=3.0,
        voltage_max_v=4.2, stop_soc=0.8,
    )  # fmt: skip
    assert done.hours[0] == pytest.approx(1.6, rel=1e-12)
    assert done.soc_end[0] == pytest.approx(0.8)


def test_current_for_constant_power_is_the_lower_root():
    # Closed form (36 − √(36² − 4·0.1·1000))/0.2 = 30.3337 A.
    mean, square = lap_sums(np.array([1000.0]), np.array([1.0]), 36.0, 0.1, -np.inf)
    assert mean == pytest.approx(30.3337, abs=5e-5)
    assert square == pytest.approx(mean**2)


def test_matched_load_is_the_most_a_source_gives():
    # Jacobi 1840, any text on circuits: V²/(4R) = 3240 W at 180 A for 36 V and 0.10 Ω, 18 V at the terminals.
    most, why = deliverable(36.0, 0.10, 0.0, 5.0, np.inf)
    assert (most, why) == (pytest.approx(3240.0), POWER)
    limited, _ = deliverable(36.0, 0.10, 0.0, 18.0, np.inf)
    assert limited == pytest.approx(3240.0)
