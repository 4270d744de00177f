"""Compile kernels before a search: each kernel once, spread over the workers.

Numba keeps compiled code beside the program or in NUMBA_CACHE_DIR. It depends on the processor and on file times, so it
can't be shipped.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Any

import numpy as np

from optimizer.base.pool import Job
from optimizer.base.workers import Workers
from optimizer.front.dominance import Dominators, unbeaten
from optimizer.ride.kernels.range import run_block
from optimizer.score.score import Block, score
from optimizer.search.exact.rows import full_figures
from optimizer.search.space import options as op
from optimizer.search.space.layingout import Told
from optimizer.search.space.offering import Task
from optimizer.search.space.space import Space


def make_ready(space: Space, workers: Workers, *, report: Told | None = None) -> None:
    """Compile what a search runs, unless it was compiled before; with one worker only say so.

    Parameters
    ----------
    space : Space
        Shared with the workers.
    """
    if compiled():
        return
    if report is not None:
        report.say("First search on this machine: kernels are compiled once, which takes some 20 to 40 s.")
    if workers.count > 1 and not workers.cluster:
        # The longest first.
        kinds: list[Callable[[Space], None]] = [_scoring, _placing, _comparing, _stepping]
        list(workers.run(deque(Job(None, "Compiling kernels", kind) for kind in kinds)))


def compiled() -> bool:
    """Whether this machine holds the kernel that all searches need, as the program stands now."""
    kernel: Any = run_block  # numba has no name for its cache
    try:
        return bool(kernel._cache._cache_file._load_index())
    except (AttributeError, OSError):
        return True


def _scoring(space: Space) -> None:
    score(_some_pack(space), context=space.context)


def _stepping(space: Space) -> None:
    full_figures(_some_pack(space), space=space)


def _placing(space: Space) -> None:
    """Layouts, chains, plates, cases and heat of the smallest cell, in the first compartment that holds some."""
    low, high = space.window
    for size in np.unique(space.size_of[low <= high]).tolist():
        for room in range(len(space.rooms)):
            most = max((layout.cells for layout in space.layouts(room, size)), default=0)
            if most >= 2:
                space.room_fills(room, Task(size, max(2, space.brief.vary.parallel[0])))
                return


def _comparing(_: Space) -> None:
    points = np.random.default_rng(1).random((50, 4))
    Dominators(points).beat(points)
    unbeaten(np.random.default_rng(1).random((50, len(op.COLUMNS))))
    op.bunched(op.options(9, cost=np.arange(9.0)), size=2)


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
