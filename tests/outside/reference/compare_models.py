"""Print how far other models with true parameters, nothing fitted, are from the DFN figures of make_cold.py.

spme   PyBaMM's single particle model with electrolyte: the usual reduced model
coarse the same DFN with the simulation's own 20 points in a particle: how far figures hang on the mesh

Run by hand: python compare_models.py spme|coarse [set ...] ; needs the extra `reference` (pip install pybamm). A figure
that is not there after five minutes, or that the solver cannot do, counts as missed and is printed as "none". One
line a set; what is missed has a star.
"""

from __future__ import annotations

import csv
import multiprocessing
import queue
import sys
import warnings
from pathlib import Path
from typing import Any

from make_cold import HERE, Cell, ride_row

PATIENCE_S = 300.0
# Aims of the figures, as in tests/outside/cold.py.
RIDE = ((5.0, 0.02), (-7.0, 0.04), (-99.0, 0.06))
AIMS = {"peak": 0.08, "charge": 0.05}
Figure = tuple[str, float, float]  # name, value of the other model, of the DFN


class Reduced(Cell):
    """The same cell by the single particle model with electrolyte."""

    model = "SPMe"


class Coarse(Cell):
    """The same cell on the simulation's own mesh."""

    points = None


MODELS: dict[str, type[Cell]] = {"spme": Reduced, "coarse": Coarse}


def table(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as handle:
        return list(csv.DictReader(handle))


def figures(make: type[Cell], name: str, row: dict[str, str], numbers: dict[str, str]) -> list[Figure]:
    """What the other model says of a row of the truth."""
    temp_c, case, value = float(row["temp_c"]), row["case"], float(row["value"])
    cell, (kind, number) = make(name, temp_c), case.split()
    if kind == "peak":
        return [(case, cell.peak_w(float(number)), value)]
    if kind == "charge":
        early, late = cell.charge_min(float(number), 0.2, float(numbers["capacity_ah"]))
        truth = float(row["time_80_min"]), float(row["time_min"])
        to_80 = [(f"{case} to 80 %", early, truth[0])] if truth[0] < truth[1] - 0.01 else []
        return [*to_80, (f"{case} to the end", late, truth[1])]
    warm = float(numbers["heat_capacity_j_k"]), float(numbers["cooling_w_k"])
    share, heat = (1.0, warm) if kind == "warm" else (float(number), None)
    found = ride_row(cell, temp_c, case, value, share, heat)
    return [(case, float(found["energy_wh"]), float(row["energy_wh"]))]


def asked(make: type[Cell], name: str, row: dict[str, str], numbers: dict[str, str], out: Any) -> None:
    """The same in a process of its own, which may be stopped."""
    warnings.simplefilter("ignore")
    try:
        out.put(figures(make, name, row, numbers))
    except Exception:  # the solver's own kinds
        out.put([])


def answer(*of: Any) -> list[Figure]:
    """Figures of a row; none where the solver fails or takes too long."""
    out: Any = multiprocessing.Queue()
    process = multiprocessing.Process(target=asked, args=(*of, out))
    process.start()
    try:
        return list(out.get(timeout=PATIENCE_S))
    except queue.Empty:
        return []
    finally:
        process.kill()
        process.join()


def aim(case: str, temp_c: float) -> float:
    """Largest error that is no miss."""
    return AIMS.get(case.split()[0]) or next(most for above_c, most in RIDE if temp_c > above_c)


def main() -> None:
    """All sets, or those named."""
    make = MODELS[sys.argv[1]]
    for name in sys.argv[2:] or sorted(path.name for path in (HERE / "cold").iterdir()):
        folder = HERE / "cold" / name
        numbers = table(folder / "set.csv")[0]
        missed, texts = {"ride": [0, 0], "peak": [0, 0], "charge": [0, 0]}, []
        for row in table(folder / "truth.csv"):
            temp_c, case = float(row["temp_c"]), row["case"]
            got = answer(make, name, row, numbers)
            count = 2 if "charge" in case and float(row["time_80_min"]) < float(row["time_min"]) - 0.01 else 1
            for text, found, truth in got or [(case, float("nan"), 1.0)] * count:
                error = found / truth - 1
                miss = not abs(error) <= aim(case, temp_c)
                kind = missed["ride" if "ride" in case else case.split()[0]]
                kind[0], kind[1] = kind[0] + miss, kind[1] + 1
                told = f"{100 * error:+.1f}" if got else "none"
                texts.append(f"{text} {temp_c:g} degC {told}{'*' if miss else ''}")
        counts = ", ".join(f"{kind}s {part} of {whole}" for kind, (part, whole) in missed.items())
        print(f"{name} {sys.argv[1]}: missed {counts}; {'; '.join(texts)}", flush=True)


if __name__ == "__main__":
    main()
