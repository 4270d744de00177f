"""Bench of the pack room, run by hand: python tests/bench/bench_pack.py

Each vectorised form is first compared with one candidate at a time, then timed against it.
"""

from __future__ import annotations

import os
import platform
import sys
import time
from collections.abc import Callable

import numpy as np
import scipy

from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.layout import CellSize, Clearance, Layout
from optimizer.pack import limits
from optimizer.pack.case import volume as case
from optimizer.pack.case.outline import CaseRules
from optimizer.pack.thermal.packed import heating
from optimizer.pack.wiring.harness import Places
from optimizer.pack.wiring.lightest import harness_block

SEED = 1


def best_seconds(run: Callable[[], object], repeats: int = 5) -> float:
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        run()
        times.append(time.perf_counter() - start)
    return min(times)


def report(name: str, many: float, one: float, count: int) -> None:
    print(f"{name:28s} {count / many:12.0f} per second   {one * count / many:8.1f} × one at a time")


def bench_limits(count: int = 100_000) -> None:
    rng = np.random.default_rng(SEED)
    numbers = {
        "ocv_v": rng.uniform(3.0, 4.0, count),
        "cell_ohm": rng.uniform(0.01, 0.05, count),
        "extra_ohm": rng.uniform(0.0, 0.02, count),
        "series": rng.integers(5, 20, count),
        "parallel": rng.integers(1, 8, count),
    }
    caps = rng.uniform(20.0, 150.0, (4, count))

    def block(rows: slice | int) -> limits.Power:
        picked = {name: values[rows] for name, values in numbers.items()}
        cell, strip, wire, bms = caps[:, rows]
        own = limits.Caps(cell_a=cell, strip_a=strip, wire_a=wire, bms_a=bms, controller_a=80.0)
        return limits.greatest_power(**picked, cut_off_v=2.5, caps=own)

    whole = block(slice(None))
    assert all(block(k).power_w == whole.power_w[k] for k in range(0, count, 997))
    report("greatest power", best_seconds(lambda: block(slice(None))), best_seconds(lambda: block(0)), count)


def bench_harness(count: int = 2_000) -> None:
    rng = np.random.default_rng(SEED)
    places = Places(np.array([[0.0, 350.0], [350.0, 0.0]]), (4, 0))
    split = rng.integers(1, 15, (count, 2))
    whole = harness_block(split, places=places)
    assert all(harness_block(split[k], places=places).pins[0] == whole.pins[k] for k in range(0, count, 97))
    many = best_seconds(lambda: harness_block(split, places=places))
    report(
        "harness, 2 compartments", many, best_seconds(lambda: harness_block(split[0], places=places)), count
    )


def bench_layout(groups: int = 30) -> None:
    i, j = np.meshgrid(np.arange(20), np.arange(6), indexing="ij")
    centres = np.column_stack([i.ravel() * 19.3, j.ravel() * 19.3, np.zeros(120)])
    group, zeros = np.repeat(np.arange(groups), 4), np.zeros(120, int)

    def tray(used: np.ndarray) -> case.CaseVolume:
        size = CellSize("cylinder", length_mm=65.2, diameter_mm=18.5)
        extents = np.tile([18.5, 18.5, 65.2], (120, 1))
        layout = Layout("box", size, "tray", "square", 2, centres, extents, zeros, zeros, "")
        return case.case_volume(layout, group=used, rules=CaseRules())

    first = np.where(group <= 9, group, -1)
    assert np.isclose(tray(first).volume_mm3[-1], tray(group).volume_mm3[9])
    report("case by groups", best_seconds(lambda: tray(group)), best_seconds(lambda: tray(first)), groups)

    size = CellSize("cylinder", length_mm=65.2, diameter_mm=18.5)
    tray_of_all = Layout(
        "box", size, "tray", "square", 2, centres + np.array([15.0, 15.0, 36.0]),
        np.tile([18.5, 18.5, 65.2], (120, 1)), zeros, zeros, "",
    )  # fmt: skip
    room = Compartment("box", ((0.0, 0.0), (420.0, 0.0), (420.0, 130.0), (0.0, 130.0)), 2, 78.0)
    rises = best_seconds(lambda: heating(tray_of_all, group, room=room, gaps=Clearance(), case=CaseRules()))
    print(f"{'hottest cell, 30 prefixes':28s} {rises * 1e3:12.2f} ms")


if __name__ == "__main__":
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {sys.version.split()[0]}, "
          f"NumPy {np.__version__}, SciPy {scipy.__version__}, seed {SEED}")  # fmt: skip
    bench_limits()
    bench_harness()
    bench_layout()
