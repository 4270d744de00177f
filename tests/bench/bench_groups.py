"""Bench of groups and plates, run by hand: python tests/bench/bench_groups.py [seconds]

Prints groups held, least and mean boundary pairs against their bound P, and time, over regular and irregular
layouts, after an exhaustive search has confirmed small ones; then the conductors of many chains.
"""

from __future__ import annotations

import importlib.util
import os
import platform
import sys
import time
from pathlib import Path

import numba
import numpy as np
import scipy

from optimizer.fit.chain.groups import chain
from optimizer.fit.region.layout import Clearance
from optimizer.pack.conductors.chained import chain_metal
from optimizer.pack.conductors.making import Way
from optimizer.pack.conductors.totals import chain_figures

_path = Path(__file__).parents[1] / "fit" / "test_groups.py"
_spec = importlib.util.spec_from_file_location("make_layouts", _path)
assert _spec is not None
assert _spec.loader is not None
make = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(make)

SEED = 1


def check_small() -> None:
    """Answers before times."""
    for name, (layout, sizes) in make.SMALL.items():
        for parallel in sizes:
            found = chain(layout, parallel=parallel, cell_gap_mm=make.GAP, seconds=0.1)
            have = (found.groups, found.plate_pairs.min(), int(found.boundary_pairs.sum()))
            assert have == make.exhaustive(layout, parallel), (name, parallel)
    print("small layouts equal exhaustive search")


def bench_chains(seconds: float) -> None:
    """One line per layout and P."""
    layouts = {
        "square 9 x 10": make.layout_of(make.square(9, 10)),
        "square 15 x 20": make.layout_of(make.square(15, 20)),
        "staggered 15 x 20": make.layout_of(make.staggered(15, 20), placement="staggered"),
        "staggered 20 x 25": make.layout_of(make.staggered(20, 25), placement="staggered"),
        "tapered": make.layout_of(make.tapered(), placement="staggered"),
        "tapered, 3 layers": make.layout_of(make.tapered(), layers=3, placement="staggered"),
        **{
            f"irregular {n}": make.layout_of(make.jammed(n, SEED), placement="free")
            for n in (24, 38, 100, 200)
        },
    }
    print(f"{'layout':18s} cells   P  groups   of  least  mean  mean/P     time")
    for name, layout in layouts.items():
        for parallel in (2, 3, 4, 5, 8, 10, 20):
            if layout.cells < 4 * parallel:
                continue
            start = time.process_time()
            found = chain(layout, parallel=parallel, cell_gap_mm=make.GAP, seconds=seconds, seed=SEED)
            spent = time.process_time() - start
            most = layout.cells // parallel
            pairs = found.plate_pairs
            print(
                f"{name:18s} {layout.cells:5d} {parallel:3d}  {found.groups:6d} {most:4d}  "
                f"{pairs.min():5d} {pairs.mean():5.2f}  {pairs.mean() / parallel:6.2f} "
                f"{1e3 * spent:6.0f} ms"
            )


def bench_plates() -> None:
    """Conductors of many chains: laid and solved for the first time, then again from what is known."""
    way = Way("strip", 8.0, 1)
    chains = []
    for rows in range(4, 10):
        for parallel in (2, 3, 4, 5):
            layout = make.layout_of(make.staggered(rows, 6), placement="staggered")
            chains.append((layout, chain(layout, parallel=parallel, cell_gap_mm=make.GAP, seconds=0.0)))
    chains = [(layout, links) for layout, links in chains if links.groups]
    for what in ("first", "again"):
        start = time.perf_counter()
        for layout, links in chains:
            made = chain_metal(layout, links, way, gaps=Clearance())
            chain_figures(made, groups=links.groups, parallel=links.parallel)
        took = time.perf_counter() - start
        print(f"conductors, {what}: {len(chains)} chains in {took:.2f} s, {1e3 * took / len(chains):.1f} ms each")


if __name__ == "__main__":
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, seed {SEED}")
    print(
        f"numpy {np.__version__}, scipy {scipy.__version__}, numba {numba.__version__}; times are CPU times"
    )
    check_small()
    bench_plates()
    bench_chains(float(sys.argv[1]) if len(sys.argv) > 1 else 1.0)
