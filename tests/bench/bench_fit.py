"""Cells found by free placement against rows and against the area bound, with time. Run by hand.

    python tests/bench/bench_fit.py [seconds] [squares|long|taper|large]

Every layout is proved before its line is printed.
"""

from __future__ import annotations

import os
import platform
import sys
import time

import numba
import numpy as np
import scipy
import shapely

from optimizer.fit.placement.free import TERMS_PER_SECOND, oler_bound
from optimizer.fit.placement.place import candidates
from optimizer.fit.placement.proof import prove
from optimizer.fit.region.compartment import Compartment, box, centre_regions
from optimizer.fit.region.layout import CellSize, Clearance

NONE = Clearance(wall_mm=0, case_mm=0, cell_gap_mm=0, end_mm=0, module_gap_mm=0)
CELL = CellSize("cylinder", length_mm=65.0, diameter_mm=18.5)
AREA = np.pi / 4 * 18.5**2


def squares() -> list[Compartment]:
    """Squares whose area is n circles."""
    sides = [(n, np.sqrt(n * AREA)) for n in range(31, 101, 3)]
    return [box(f"square {n}", length_mm=s, width_mm=s, height_mm=65, axes=(2,)) for n, s in sides]


def long_boxes() -> list[Compartment]:
    """Boxes of aspect 3 to 20, of 45 to 115 circles in area."""
    found = []
    for aspect in (3, 5, 8, 12, 20):
        for n in (45, 75, 115):
            width = np.sqrt(n * AREA / aspect)
            name = f"aspect {aspect}, area {n}"
            found.append(box(name, length_mm=aspect * width, width_mm=width, height_mm=65, axes=(2,)))
    return found


def tapers() -> list[Compartment]:
    """Trapezoids with ends of 3 to 20 degrees."""
    found = []
    for length, height, degrees in (
        (250, 80, 5),
        (300, 90, 10),
        (420, 78, 8.7),
        (280, 120, 15),
        (350, 150, 3),
    ):
        cut = height * np.tan(np.radians(degrees))
        profile = ((0, 0), (length, 0), (length - cut, height), (cut / 2, height))
        found.append(Compartment(f"taper {length}x{height}, {degrees} deg", profile, 2, 65.0, axes=(2,)))
    return found


def large() -> list[Compartment]:
    """Boxes of 300 to 500 cells."""
    sizes = ((360, 300), (600, 180), (460, 380))
    return [box(f"{a}x{b}", length_mm=a, width_mm=b, height_mm=65, axes=(2,)) for a, b in sizes]


SETS = {"squares": squares, "long": long_boxes, "taper": tapers, "large": large}


def report(room: Compartment, seconds: float) -> None:
    """One line of the table."""
    pitch = CELL.diameter_mm + NONE.cell_gap_mm
    bound = sum(oler_bound(layer.region, pitch) for layer in centre_regions(room, CELL, NONE, 2))
    start = time.perf_counter()
    layouts = candidates(room, CELL, NONE, seconds=seconds)
    spent = time.perf_counter() - start
    assert all(prove(layout, room, NONE).ok for layout in layouts)
    most = {kind: max(x.cells for x in layouts if x.placement == kind) for kind in ("square", "staggered", "free")}
    rows = max(most["square"], most["staggered"])
    print(
        f"{room.name:24s} {most['square']:7d} {most['staggered']:10d} {most['free']:5d} "
        f"{most['free'] - rows:+5d} {bound:6d} {most['free'] / bound:7.3f} {spent:7.1f}"
    )


def main() -> None:
    """Print machine, versions and the table."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 5.0
    chosen = sys.argv[2:] or list(SETS)
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, "
        f"Python {platform.python_version()}, numpy {np.__version__}, numba {numba.__version__}, "
        f"scipy {scipy.__version__}, shapely {shapely.__version__}; seed 0, "
        f"{seconds:g} s = {seconds * TERMS_PER_SECOND / 1e6:.0f} M terms"
    )
    print(
        f"{'box':24s} {'square':>7s} {'staggered':>10s} {'free':>5s} {'gain':>5s} {'bound':>6s} {'of it':>7s} {'s':>7s}"
    )
    for name in chosen:
        for room in SETS[name]():
            report(room, seconds)


if __name__ == "__main__":
    main()
