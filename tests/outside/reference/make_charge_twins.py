"""Make a cell with the data of Ecker2015 and other charge times, by PyBaMM's DFN: what no discharge tells.

The negative particles' diffusivity is exp(-1) of Ecker2015's where they are fuller than at 86 % state of charge, with a
smooth step between. A discharge from full has hardly any lag there yet; a charge ends there. Published sets have
diffusivities that change by 2 to 80 times over the window.

twins/slow_when_full holds curves.csv, pulses.csv as make_cold.py makes them, and truth.csv with charges alone. The
other cell of the pair is cold/Ecker2015.

Run by hand: python make_charge_twins.py ; needs the extra `reference` (pip install pybamm).
"""

from __future__ import annotations

import warnings
from typing import Any

from make_cold import CHARGE_C, HERE, JUDGE_C, PARTICLES, Cell, charge_row, curve_rows, pulse_rows
from make_reference import write_csv

BASE = "Ecker2015"
LOG_FACTOR, FROM_SOC, WIDTHS = -1.0, 0.86, 6.0


class Twin(Cell):
    """Ecker2015 whose negative particles let lithium through more slowly when nearly full."""

    def __init__(self, name: str, temp_c: float) -> None:
        super().__init__(name, temp_c)
        pb, old = self.pb, self.values[PARTICLES[0]]
        full, begin = (pb.lithium_ion.get_initial_stoichiometries(soc, self.values)[0] for soc in (1.0, FROM_SOC))
        width = (full - begin) / WIDTHS

        def new(stoichiometry: Any, kelvin: Any) -> Any:
            share = 1 / (1 + pb.exp((begin - stoichiometry) / width))
            return old(stoichiometry, kelvin) * pb.exp(LOG_FACTOR * share)

        self.values.update({PARTICLES[0]: new})


def main() -> None:
    """Make it."""
    folder = HERE / "twins" / "slow_when_full"
    folder.mkdir(parents=True, exist_ok=True)
    window = Cell(BASE, 25.0).window_ah()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        write_csv(folder / "curves.csv", curve_rows(BASE, Twin))
        write_csv(folder / "pulses.csv", pulse_rows(BASE, Twin))
        asked = [(temp_c, 0.5) for temp_c in JUDGE_C] + [(temp_c, 1.0) for temp_c in CHARGE_C]
        rows = [charge_row(Twin(BASE, temp_c), temp_c, rate, window) for temp_c, rate in asked]
        write_csv(folder / "truth.csv", rows)


if __name__ == "__main__":
    main()
