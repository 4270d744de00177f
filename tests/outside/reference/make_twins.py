"""Make two cells with the same data and other powers: what no fit can tell, PyBaMM's DFN away from 25 degC.

Both are changes of OKane2022 within what cells of one kind differ by. They were found by least squares on the DFN
itself (steps by finite differences, then Broyden's): curves and pulses as those of OKane2022, ten-second powers higher
and lower. That was on the simulation's own mesh, 20 points in a particle, and so are their data; ACCURACY says what a
finer one changes.

twins/more and twins/less hold curves.csv and pulses.csv as make_cold.py makes them, and peaks.csv: temp_c, soc,
power_w.

Run by hand: python make_twins.py ; needs the extra `reference` (pip install pybamm).
"""

from __future__ import annotations

import math
import warnings

from make_cold import (
    CONDUCTIVITY,
    DIFFUSIVITY,
    HERE,
    JUDGE_C,
    KINETICS,
    PARTICLES,
    PULSE_SOC,
    VARIANTS,
    Cell,
    curve_rows,
    pulse_rows,
)
from make_reference import write_csv

NUMBERS = ("Initial concentration in electrolyte [mol.m-3]", "Negative electrode porosity",
           "Positive electrode porosity", "Cation transference number")  # fmt: skip
FUNCTIONS = (CONDUCTIVITY, DIFFUSIVITY, *KINETICS, *PARTICLES)
# Logarithms of the factors of NUMBERS and FUNCTIONS, and further activation energies of FUNCTIONS [J/mol].
TWINS = {
    "more": ((0.017, -0.193, 0.035, 0.112), (0.350, -0.007, -0.087, 0.011, -0.026, 0.037),
             (-1599, 0, 514, 4158, -456, -422)),
    "less": ((-0.086, -0.029, -0.080, 0.025), (-0.076, 0.127, 0.091, 0.049, 0.027, -0.055),
             (870, 0, -1038, -1625, 496, -159)),
}  # fmt: skip


class Coarse(Cell):
    """A cell on the mesh on which the twins were found."""

    points = None


def main() -> None:
    """Make both."""
    for name, (numbers, logs, energies) in TWINS.items():
        factors = dict(zip(NUMBERS, map(math.exp, numbers), strict=True))
        laws = {key: (math.exp(f), float(e)) for key, f, e in zip(FUNCTIONS, logs, energies, strict=True)}
        VARIANTS[name] = ("OKane2022", factors, laws)
        folder = HERE / "twins" / name
        folder.mkdir(parents=True, exist_ok=True)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            write_csv(folder / "curves.csv", curve_rows(name, Coarse))
            write_csv(folder / "pulses.csv", pulse_rows(name, Coarse))
            cells = {temp_c: Coarse(name, temp_c) for temp_c in JUDGE_C}
            write_csv(folder / "peaks.csv", [
                {"temp_c": temp_c, "soc": soc, "power_w": round(cell.peak_w(soc), 4)}
                for temp_c, cell in cells.items() for soc in PULSE_SOC
            ])  # fmt: skip
        print(name, flush=True)


if __name__ == "__main__":
    main()
