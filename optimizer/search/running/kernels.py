"""Compile what every search runs: each kernel once, spread over the workers, while layouts are found.

Numba keeps compiled code beside the program or in NUMBA_CACHE_DIR. It depends on the processor and on file times, so it
can't be shipped. Other kernels run as plain Python until a search is large (base/kernels.py).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from optimizer.base.kernels import held
from optimizer.base.pool import Job
from optimizer.base.workers import Workers
from optimizer.fit.chain.kernels import anneal
from optimizer.fit.chain.measure import measure, weigh
from optimizer.fit.placement.kernels import settle
from optimizer.pack.case.kernel import covered_areas
from optimizer.pack.conductors.field import solve_field
from optimizer.ride.kernels import range as running
from optimizer.ride.kernels import sim
from optimizer.score.score import Block, score
from optimizer.search.exact.rows import full_figures
from optimizer.search.space.layingout import Told
from optimizer.search.space.space import Space

# With so many workers one compiles what only later searches need.
MANY = 4

NO_INTS, NO_FLOATS = np.zeros(0, np.int64), np.zeros(0)


def to_compile(space: Space, workers: Workers, *, report: Told | None = None) -> list[Job]:
    """Jobs that compile what a search runs, the longest first; none with one worker, or when it was compiled before.

    Parameters
    ----------
    space : Space
        Shared with the workers.
    report : Told, optional
        Is told that this takes a while.
    """
    if held(sim.run):  # the one that all searches need
        return []
    if report is not None:
        report.say("First search on this machine: kernels are compiled once, which takes some 5 to 20 s.")
    kinds: list[Callable[[Space], None]] = [_chaining, _stepping, _plating]
    if "free" in space.brief.fit.placements:
        kinds.insert(1, _placing)
    if workers.count >= MANY:
        kinds.insert(1, _ranging)
    return [Job(None, "Compiling kernels", kind) for kind in kinds if workers.count > 1 and not workers.cluster]


def _chaining(_: Space) -> None:
    """A chain of one group of one cell."""
    cell, price, sides, ends = np.zeros((1, 1), np.int64), np.ones(2), np.ones(1, np.bool_), np.zeros(2, np.int64)
    graph = (ends, NO_INTS, ends, NO_INTS, sides, sides)
    measure(cell, 1, *graph[:4])
    weigh(cell, cell[0], 1, np.ones(1, np.int64), price, graph)
    anneal(cell, 1, graph, price, (0, 0), 0, (1.0, 1.0), 0)


def _placing(_: Space) -> None:
    """No circles in an endless region."""
    settle(NO_FLOATS, np.zeros((0, 3)), np.zeros((0, 4)), np.zeros((1, 1), np.bool_), np.zeros(4), 0, 0.0, NO_FLOATS)


def _plating(_: Space) -> None:
    """A square plate with one weld, and a case without walls."""
    solve_field([np.array([[0.0, 0], [9, 0], [9, 9], [0, 9]])], layers=[1.0], joints_mm=np.full((1, 2), 4.0))
    cells = np.zeros((2, 2), order="F")
    covered_areas(np.zeros((0, 4)), NO_INTS, cells, cells, True, NO_INTS, np.zeros((0, 8)), NO_INTS, 1.0)


def _stepping(space: Space) -> None:
    full_figures(_some_pack(space), space=space)


def _ranging(space: Space) -> None:
    """The kernel that takes longest; a small search does without."""
    kernel: Any = running.run_block
    kernel.left = 0
    score(_some_pack(space), context=space.context)


def _some_pack(space: Space) -> Block:
    """A pack that need not exist."""
    low, high = space.window
    cell = np.flatnonzero(low <= high)[:1]
    one = np.ones(len(cell))
    return Block(
        cell=cell, series=low[cell], parallel=np.full(len(cell), 2), extra_ohm=0.02 * one, parts_kg=one,
        parts_cost=one, cells_cost=one, peak_cap_a=30.0 * one, continuous_cap_a=20.0 * one, charge_cap_a=10.0 * one,
        ride_cap_a=20.0 * one, regen_cap_a=10.0 * one, spread_ohm=0.001 * one, hot_rise_k_per_w=one,
        ride_rise_k_per_w=one, hot_sun_rise_k_per_w=one, ride_sun_rise_k_per_w=one, box_k_per_w=one,
        plates_k_per_a2=0.01 * one, filler_j_k=0.0 * one,
    )  # fmt: skip
