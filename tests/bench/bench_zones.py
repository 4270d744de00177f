"""What zones bring: cells and groups of compartments cut into zones against one way of filling. Run by hand.

    python tests/bench/bench_zones.py [seconds]

The demo's two boxes with its cell sizes, and ten boxes of our own with 18650 and 21700. One way and zones are each
filled by the fit with all its placements; every layout is proved, and zones are held against each other, before a line
is printed. Groups are those of 2, 4, 6 and 8 cells; a gain is marked.
"""

from __future__ import annotations

import platform
import sys
import time
from itertools import combinations

import numpy as np

from optimizer.brief import load_brief
from optimizer.catalog import builtin_catalogs
from optimizer.catalog.cells import read_cells
from optimizer.fit.placement.place import place
from optimizer.fit.placement.proof import prove
from optimizer.fit.placement.zones import Cut, best_cut, cuts, zone_room
from optimizer.fit.region.compartment import Compartment, box
from optimizer.fit.region.geometry import compartments, distinct_sizes
from optimizer.fit.region.layout import CellSize, Clearance, Layout

GAPS, GROUPS = Clearance(), (2, 4, 6, 8)
SIZES = (CellSize("cylinder", length_mm=65.2, diameter_mm=18.5), CellSize("cylinder", length_mm=70.2, diameter_mm=21.3))


def prism(name: str, profile: list[tuple[float, float]], depth_mm: float) -> Compartment:
    return Compartment(name, tuple(profile), 1, depth_mm)


BOXES = (
    prism("wedge", [(0, 0), (240, 0), (240, 30), (90, 82), (0, 82)], 90),
    prism("ramp", [(0, 0), (320, 0), (320, 28), (0, 90)], 80),
    prism("ell", [(0, 0), (200, 0), (200, 30), (80, 30), (80, 150), (0, 150)], 72),
    prism("frame", [(0, 0), (380, 0), (300, 190), (40, 210)], 78),
    prism("deck with tail", [(0, 0), (500, 0), (500, 26), (360, 76), (0, 76)], 140),
    prism("trunk", [(0, 0), (260, 0), (220, 140), (40, 140)], 100),
    box("long", length_mm=330, width_mm=76, height_mm=60),
    box("cube", length_mm=150, width_mm=150, height_mm=100),
    box("slim", length_mm=420, width_mm=120, height_mm=52),
    box("flat", length_mm=300, width_mm=200, height_mm=45),
)


def filled(room: Compartment, size: CellSize, seconds: float) -> Layout | None:
    """The fullest layout that the fit has, proved."""
    found = place(room, size, GAPS, seconds=seconds)
    assert not found or prove(found[0], room, GAPS).ok
    return found[0] if found else None


def in_zones(room: Compartment, size: CellSize, cut: Cut, seconds: float) -> list[int]:
    """Cells of each zone; zones are held against each other by boxes around their cells."""
    layouts = [filled(zone_room(room, zone), size, seconds) for zone in cut]
    for one, two in combinations([layout for layout in layouts if layout is not None], 2):
        off = np.abs(one.centres_mm[:, None] - two.centres_mm[None])
        off -= (one.extents_mm[:, None] + two.extents_mm[None]) / 2
        assert off.max(axis=2).min() >= 2 * (min(GAPS.case_mm, GAPS.end_mm) + GAPS.wall_mm) - 1e-6
    return [0 if layout is None else layout.cells for layout in layouts]


def line(room: Compartment, size: CellSize, seconds: float) -> str:
    whole = filled(room, size, seconds)
    one = 0 if whole is None else whole.cells
    start = time.perf_counter()
    found = {most: cuts(room, size, GAPS, zones=most) for most in (2, 3)}
    took = time.perf_counter() - start
    words, known = [], {}
    for parallel in GROUPS:
        held = [str(one // parallel)]
        for base, several in found.values():
            best = best_cut(base, several, parallel)
            if best is not None:
                known.setdefault(best[0], in_zones(room, size, best[0], seconds))
            groups = 0 if best is None else sum(n // parallel for n in known[best[0]])
            held.append(f"{groups}*" if groups > one // parallel else held[0])
        words.append("/".join(held).rjust(11))
    most = max((sum(held) for held in known.values()), default=0)
    text = f"{room.name:<15} Ø{size.diameter_mm:g} × {size.length_mm:g}".ljust(32) + f"{one:>5} {max(most, one):>6}"
    return text + "".join(words) + f"{took:>8.1f} s"


def main() -> None:
    """Print the table."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 1.0
    folder = builtin_catalogs()
    brief = load_brief(folder / "briefs" / "cargo-scooter.toml")
    cells = read_cells(folder / "cells.csv")
    round_ones = np.flatnonzero(cells.shape == "cylinder")
    demo, _ = distinct_sizes(cells, round_ones.astype(np.int64))
    print(f"{platform.machine()}, Python {platform.python_version()}; {seconds:g} s of effort")
    print(f"{'box':<15} {'cell':<16} cells  zoned" + "".join(f"{f'groups of {p}':>11}" for p in GROUPS) + "  to find")
    print("groups: one way / two zones / three zones; * more than in one way")
    for room, size in [*((r, s) for r in compartments(brief) for s in demo), *((r, s) for r in BOXES for s in SIZES)]:
        print(line(room, size, seconds), flush=True)


if __name__ == "__main__":
    main()
