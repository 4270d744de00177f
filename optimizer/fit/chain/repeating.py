"""Chains that repeat: straight bands of P rows, each group the next place of all of them, to and fro.

Every plate of a band has the same shape, so that a builder cuts and checks few kinds of them. Where P does not divide
the rows, some rows stay empty; `groups.chain`, which fills as many groups as it can, is offered beside it.
"""

from __future__ import annotations

import numpy as np

from optimizer.base.arrays import Floats, Ints
from optimizer.fit.chain.adjacency import compressed, lateral_axes, neighbours
from optimizer.fit.chain.groups import Chain, assembled
from optimizer.fit.chain.measure import measure
from optimizer.fit.chain.modules import ModuleChain
from optimizer.fit.chain.terminals import in_line
from optimizer.fit.region.layout import AXES, Layout

# Places along a row that differ by less are one [mm].
SAME_MM = 0.05
METHOD = "repeating"


def repeating(layout: Layout, *, parallel: int, cell_gap_mm: float) -> list[tuple[str, Chain]]:
    """Chains of straight bands over a regular layout in one layer, along either way of its rows; none where none is.

    Parameters
    ----------
    parallel : int
        P, at least 1 [-].
    cell_gap_mm : float
        As the layout was made for [mm].

    Returns
    -------
    list of (str, Chain)
        What tells it from other chains of the layout, such as "bands along x"; each at least two groups long.
    """
    one_layer = len(np.unique(layout.layer)) == 1
    if layout.way != "tray" or layout.placement == "free" or not one_layer or layout.cells < 2 * parallel:
        return []
    flat = layout.centres_mm[:, list(lateral_axes(layout.axis))]
    near = in_line(neighbours(layout, cell_gap_mm=cell_gap_mm), layout)
    graph = compressed(near.lateral, layout.cells) * 2
    found, seen = [], set[bytes]()
    for along, axis in enumerate(lateral_axes(layout.axis)):
        tried = banded(flat[:, along], flat[:, 1 - along], parallel=parallel)
        parts = [part for part in (_held(members, layout, graph) for members in tried) if part is not None]
        longest = max(parts, key=lambda part: len(part.members), default=None)
        if longest is None or longest.members.tobytes() in seen:
            continue
        seen.add(longest.members.tobytes())
        found.append((f"bands along {AXES[axis]}", assembled(layout, [longest], parallel=parallel, groups=None)))
    return found


def _held(members: Ints, layout: Layout, graph: tuple[Ints, ...]) -> ModuleChain | None:
    """The bands as far as each group hangs together and touches the one before; None where that is no two groups."""
    if len(members) < 2:
        return None
    pieces, pairs = measure(members, layout.cells, *graph)
    bad = np.flatnonzero((pieces[1:] > 1) | (pairs < 1))
    held = int(bad[0]) + 1 if len(bad) else len(members)
    return ModuleChain(members[:held], pairs[: held - 1], METHOD) if pieces[0] == 1 and held > 1 else None


def banded(along_mm: Floats, across_mm: Floats, *, parallel: int) -> list[Ints]:
    """Groups of bands of P rows, the chain to and fro through the bands: for each row that the first may begin with.

    Parameters
    ----------
    along_mm, across_mm : ndarray, shape (n,)
        Places of the cells along their rows and across them [mm].

    Returns
    -------
    list of ndarray, shape (G, P)
        As many as rows are left over by bands, and one.
    """
    rows = [np.flatnonzero(np.abs(across_mm - at) < SAME_MM) for at in _levels(across_mm)]
    rows = [row[np.argsort(along_mm[row], kind="stable")] for row in rows]
    steps = np.concatenate([np.diff(along_mm[row]) for row in rows])
    if not len(steps) or len(rows) < parallel:
        return []
    places = [dict(_places(row, along_mm, float(steps.min()))) for row in rows]
    found = []
    for start in range(len(rows) % parallel + 1):
        members: list[list[int]] = []
        for number, first in enumerate(range(start, len(rows) - parallel + 1, parallel)):
            run = _run(places[first : first + parallel])
            members += run[::-1] if number % 2 else run
        found.append(np.array(members, dtype=np.int64).reshape(-1, parallel))
    return found


def _levels(values: Floats) -> Floats:
    """Distinct values, those nearer than SAME_MM as one."""
    ordered = np.sort(values)
    return np.asarray(ordered[np.concatenate([[True], np.diff(ordered) >= SAME_MM])])


def _places(row: Ints, along_mm: Floats, pitch: float) -> list[tuple[int, int]]:
    """Number of each place of a row in steps of the pitch, and its cell; rows may be shifted against each other."""
    start = along_mm[row] / pitch
    shift = np.median((start - np.floor(start + 1e-6)).round(3))
    return [(int(np.floor(s - shift + 0.5)), int(cell)) for s, cell in zip(start, row, strict=True)]


def _run(rows: list[dict[int, int]]) -> list[list[int]]:
    """Groups of the longest stretch of places that all rows have."""
    shared = sorted(set.intersection(*(set(row) for row in rows)))
    best: list[int] = []
    here: list[int] = []
    for place in shared:
        here = [*here, place] if here and place == here[-1] + 1 else [place]
        best = max(best, here, key=len)
    return [[row[place] for row in rows] for place in best]
