"""Table of errors of the cell over temperature against PyBaMM's DFN, on temperatures and loads not fitted.

Run by hand: python -m tests.bench.bench_cold [set ...]
"""

from __future__ import annotations

import sys
import time

from optimizer.cell.fit import fit_model
from tests.outside.cold import LIMITS, judged, names, read


def main() -> None:
    """Print the table: one row for each set and case, misses of the aim in bold, and how many there are."""
    print("| set | case | error % at each temperature |\n|---|---|---|")
    missed = asked = 0
    for name in sys.argv[1:] or names():
        curves, pulses = read(name)
        begin = time.perf_counter()
        model = fit_model(curves, pulses=pulses).model
        seconds = time.perf_counter() - begin
        cases: dict[str, list[str]] = {}
        for temp_c, case, figure, error in judged(name, model):
            miss = abs(error) > LIMITS[figure](temp_c)
            missed, asked = missed + miss, asked + 1
            text = f"{100 * error:+.1f}"
            cases.setdefault(case, []).append(f"{temp_c:g} °C {f'**{text}**' if miss else text}")
        for case, cells in cases.items():
            print(f"| {name} | {case} | {', '.join(cells)} |")
        print(f"{name}: fit {seconds:.0f} s", file=sys.stderr)
    print(f"misses: {missed} of {asked}")


if __name__ == "__main__":
    main()
