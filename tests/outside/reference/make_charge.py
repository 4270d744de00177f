"""Make charge.csv: CC-CV charges of published parameter sets by PyBaMM's isothermal DFN at 25 degC.

From 10 % SoC at a constant current to the upper cut-off, then at that voltage until C/20. Columns: set, rate
(current over nominal capacity), soc_start, minutes_80 (to 80 % SoC), minutes (to the end), soc_end.

Run by hand: python make_charge.py ; needs the extra `reference`.
"""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
from make_cold import Cell
from make_reference import HERE, Reference, simulation, write_csv

SETS = ("Chen2020", "Prada2013")
RATES = (0.3, 0.5)
START = 0.1


def charge(name: str, rate: float) -> dict[str, Any]:
    """One charge of one set."""
    reference = Reference(name)
    pb = reference.pybamm
    full_v = float(reference.values["Upper voltage cut-off [V]"])
    steps = (f"Charge at {rate}C until {full_v} V", f"Hold at {full_v} V until C/20")
    experiment = pb.Experiment([steps])
    run = simulation(pb, pb.lithium_ion.DFN(), parameter_values=reference.values, experiment=experiment)
    solution = run.solve(initial_soc=START)
    time_s = solution["Time [s]"].entries
    amp = solution["Current [A]"].entries
    # Over the charge between rest at the two voltage limits: the nominal one may be another.
    ah = np.concatenate([[0.0], np.cumsum(np.diff(time_s) * -(amp[1:] + amp[:-1]) / 2)]) / 3600
    soc = START + ah / Cell(name, 25.0).window_ah()
    return {
        "set": name,
        "rate": rate,
        "current_a": round(rate * reference.capacity_ah, 6),
        "soc_start": START,
        "minutes_80": round(float(np.interp(0.8, soc, time_s)) / 60, 3),
        "minutes": round(float(time_s[-1]) / 60, 3),
        "soc_end": round(float(soc[-1]), 5),
    }


if __name__ == "__main__":
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        write_csv(HERE / "charge.csv", [charge(name, rate) for name in SETS for rate in RATES])
