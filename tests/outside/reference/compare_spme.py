"""Print how far PyBaMM's SPMe, with true parameters and nothing fitted, is from its DFN on the rides of make_cold.py.

Run by hand: python compare_spme.py [set ...] ; needs the extra `reference` (pip install pybamm).
"""

from __future__ import annotations

import csv
import sys
import warnings

from make_cold import HERE, Cell, ride_row


class Reduced(Cell):
    """The same cell by the single particle model with electrolyte."""

    model = "SPMe"


def main() -> None:
    """All sets that have rides, or those named; aims as in tests/outside/cold.py."""
    for name in sys.argv[1:] or sorted(path.name for path in (HERE / "cold").iterdir()):
        with (HERE / "cold" / name / "truth.csv").open(newline="", encoding="utf-8") as handle:
            rides = [row for row in csv.DictReader(handle) if "ride" in row["case"]]
        with (HERE / "cold" / name / "set.csv").open(newline="", encoding="utf-8") as handle:
            numbers = next(csv.DictReader(handle))
        warm = float(numbers["heat_capacity_j_k"]), float(numbers["cooling_w_k"])
        missed, texts = 0, []
        for row in rides:
            temp_c, kind = float(row["temp_c"]), row["case"]
            share, heat = (1.0, warm) if kind == "warm ride" else (float(kind.split()[1]), None)
            found = ride_row(Reduced(name, temp_c), temp_c, kind, float(row["value"]), share, heat)
            error = float(found["energy_wh"]) / float(row["energy_wh"]) - 1
            miss = abs(error) > (0.02 if temp_c > 5 else 0.04 if temp_c > -7 else 0.06)
            missed += miss
            texts.append(f"{kind} {temp_c:g} degC {100 * error:+.1f}{'*' if miss else ''}")
        print(f"{name}: {missed} of {len(rides)} missed; {', '.join(texts)}", flush=True)


if __name__ == "__main__":
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        main()
