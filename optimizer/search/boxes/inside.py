"""What one box holds: its packs that no pack known before beats, and what no pack of it can meet."""

from __future__ import annotations

import math

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.search.boxes.freedims import Boxes, Key
from optimizer.search.exact import archive
from optimizer.search.exact.exact import Engine
from optimizer.search.exact.hope import Safety, hopeful
from optimizer.search.exact.tally import Tally
from optimizer.search.space.offering import Task
from optimizer.search.space.space import Space


def solve(
    boxes: Boxes, key: Key, *, known: Floats, complete: bool = False
) -> tuple[archive.Survivors, Tally]:
    """Packs of one box that no pack known before beats.

    Parameters
    ----------
    key : tuple of int
    known : ndarray, shape (m, d)
        Objectives, less is better.
    complete : bool
        Try every cell, whatever the bounds say: for tests of the bounds.

    Returns
    -------
    Survivors, Tally
        Names end with the box.
    """
    space = boxes.space(key, against=None if complete or not len(known) else known)
    engine = Engine(space, known=known)
    tally = Tally()
    parts = [archive.nothing(rooms=len(space.rooms), objectives=known.shape[1])]
    tasks = space.tasks()
    if not complete and len(known):
        tasks = [task for task in tasks if _worth(space, task, known, boxes.safety)]
    for task in tasks:
        # What the tasks before have found may have beaten this one.
        if complete or not len(engine.known) or _worth(space, task, engine.known, boxes.safety):
            found, each = engine.run(task)
            engine.known = archive.merge_objectives(engine.known, found.objectives)
            parts.append(found)
            tally.add(each)
    found = archive.merge(parts)
    box = np.tile(np.array(key, dtype=np.int64), (len(found), 1))
    return archive.Survivors(np.hstack([found.names, box]), found.numbers, found.objectives), tally


def _worth(space: Space, task: Task, known: Floats, safety: Safety) -> bool:
    held = space.most_cells(task.size, task.stand)
    return hopeful(space, task, held=held, against=known, safety=safety)


def pack_shortfalls(tally: Tally, boxes: Boxes, *, empty: bool) -> dict[str, float]:
    """How far the best pack of a box without feasible packs stays behind each constraint, relative.

    Parameters
    ----------
    empty : bool
        Whether the box was solved and nothing came of it.

    Returns
    -------
    dict of str to float
        0 for a constraint that some pack meets, or when the box holds packs.
    """
    out: dict[str, float] = {}
    for name, bound in boxes.inputs.brief.constraints:
        if bound is None:
            continue
        gap = tally.nearest.get(f"margin_{name}", tally.nearest.get(name, 0.0))
        out[name] = max(-gap, 0.0) / max(abs(bound), 1e-9) if empty and math.isfinite(gap) else 0.0
    return out
