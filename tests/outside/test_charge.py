"""Charge time against closed forms, and circuit vectors that the ride stands on."""

import math
from pathlib import Path

import numpy as np
import pytest

from optimizer.cell.curves import read_curves, read_pulses
from optimizer.cell.fit import fit_model
from optimizer.pack.charge import charge_time
from optimizer.ride.kernels.cell import POWER, deliverable
from optimizer.ride.kernels.cells import from_models
from optimizer.ride.kernels.range import lap_sums


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


REFERENCE = Path(__file__).parent / "reference"


@pytest.mark.parametrize(
    ("name", "most"),
    [("Chen2020", 0.09), ("Prada2013", 0.03)],
)
def test_charge_of_a_fitted_cell_against_a_full_simulation(name, most):
    """CC-CV from 10 % to C/20 by PyBaMM's DFN (reference/make_charge.py; second implementation).

    The time to 80 % is constant current and agrees within 1 %. The end is constant voltage, where more diffusion than
    one lag stands for makes the tail of the nickel set last 4 to 9 % longer than ours (a tenth without the lag).
    """
    problems = []
    curves = read_curves(REFERENCE / name / "curves.csv", problems)
    pulses = read_pulses(REFERENCE / name / "pulses.csv", problems)
    assert not problems
    model = fit_model(curves, pulses=pulses, name=name).model
    arrays = from_models([model])
    table = np.genfromtxt(REFERENCE / "charge.csv", delimiter=",", names=True, dtype=None, encoding="utf-8")
    for row in table[table["set"] == name]:
        given = {
            "ocv_v": arrays.ocv_v,
            "resistance_ohm": arrays.charging_ohm(),
            "capacity_ah": arrays.capacity_ah,
            "voltage_max_v": model.voltage_max_v,
            "start_soc": row["soc_start"],
            "taper_a": [0.05 * model.capacity_ah],
        }
        early = 60 * charge_time([row["current_a"]], stop_soc=0.8, **given).hours[0]
        late = 60 * charge_time([row["current_a"]], stop_soc=1.0, **given).hours[0]
        assert early == pytest.approx(row["minutes_80"], rel=0.01)
        assert late == pytest.approx(row["minutes"], rel=most)
