"""Bench of the score, run by hand: python tests/bench/bench_score.py

Candidates scored per second on one core and on two, the objectives of the demo brief alone and every figure;
and how the time of a search grows with the size of its space. Answers are compared first: a block scored whole
and row by row.
"""

from __future__ import annotations

import os
import platform
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from optimizer.catalog import builtin_catalogs
from optimizer.score.score import Block, score
from optimizer.search.space.setup import load_space
from optimizer.workflows.how import How
from optimizer.workflows.search import run_job

BRIEF = builtin_catalogs() / "briefs" / "cargo-scooter.toml"
OBJECTIVES = frozenset({"range_km", "peak_power_w", "pack_mass_kg", "cost"})
ROWS = 100_000


def block(space, rows, seed):
    """Random packs of the demo's cells."""
    rng = np.random.default_rng(seed)
    cell = rng.integers(0, len(space.inputs.cell_rows), rows)
    parallel = rng.integers(2, 8, rows)
    series = np.floor(80.0 / space.context.cells.voltage_max_v[cell]).astype(np.int64)
    return Block(
        cell=cell, series=series, parallel=parallel, extra_ohm=rng.uniform(5e-3, 30e-3, rows),
        parts_kg=rng.uniform(0.5, 1.5, rows), parts_cost=rng.uniform(60, 200, rows),
        cells_cost=rng.uniform(100, 600, rows), peak_cap_a=rng.uniform(40, 90, rows),
        continuous_cap_a=rng.uniform(20, 60, rows), charge_cap_a=rng.uniform(5, 40, rows),
        ride_cap_a=rng.uniform(40, 90, rows), regen_cap_a=rng.uniform(5, 40, rows),
        spread_ohm=rng.uniform(0, 1e-3, rows), hot_rise_k_per_w=rng.uniform(5, 60, rows),
        ride_rise_k_per_w=rng.uniform(5, 60, rows), box_k_per_w=rng.uniform(0.2, 2, rows),
        plates_k_per_a2=rng.uniform(0, 0.01, rows), hot_sun_rise_k_per_w=np.zeros(rows),
        ride_sun_rise_k_per_w=np.zeros(rows), filler_j_k=np.zeros(rows),
    )  # fmt: skip


def rate(seed, figures):
    """Candidates per second of this process, the first call (compiling) left out."""
    space = load_space(BRIEF)
    score(block(space, 100, seed), context=space.context, figures=figures)
    work = block(space, ROWS, seed)
    start = time.perf_counter()
    score(work, context=space.context, figures=figures)
    return ROWS / (time.perf_counter() - start)


def main():
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, NumPy {np.__version__}")
    space = load_space(BRIEF)
    few = block(space, 300, 1)
    whole = score(few, context=space.context, figures=OBJECTIVES)
    for row in range(0, 300, 37):
        one = score(few.take(np.array([row])), context=space.context, figures=OBJECTIVES)
        for name in OBJECTIVES:
            np.testing.assert_allclose(one[name][0], whole[name][row], rtol=1e-12)
    one = rate(2, OBJECTIVES)
    print(f"objectives, one core   {one:12,.0f} candidates/s")
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        both = sum(pool.map(rate, (3, 4), (OBJECTIVES, OBJECTIVES)))
    print(f"objectives, two cores  {both:12,.0f} candidates/s  ratio {both / one:.2f}")
    print(f"every figure, one core {rate(5, None):12,.0f} candidates/s")
    print("cells       raw candidates      scored   search s (fits cached)")
    text = BRIEF.read_text().replace('"../', f'"{BRIEF.parents[1].as_posix()}/')
    with tempfile.TemporaryDirectory() as folder:
        for pattern in ("amber-18650-*", "*-18650-*", "*"):
            path = Path(folder) / "brief.toml"
            path.write_text(text.replace('cells = ["*"]', f'cells = ["{pattern}"]'))
            for _ in range(2):  # the first fills the cache
                result = run_job(path, folder=Path(folder) / "run", how=How(force=True))
            found, spent = result.run["space"], result.run["timing"]["search_s"]
            print(f"{pattern:12s}{found['raw']:14,}{found['scored']:12,}{spent:10.1f}")


if __name__ == "__main__":
    sys.exit(main())
