"""Series groups: positions become a chain of groups of P neighbours, each touching the next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optimizer.base.arrays import Floats, Ints
from optimizer.fit.chain.adjacency import lateral_axes, neighbours
from optimizer.fit.chain.modules import ModuleChain, join_parts, solve_parts
from optimizer.fit.chain.terminals import facing, in_line
from optimizer.fit.region.layout import AXES, Layout

SIDES = tuple(axis + sign for axis in AXES for sign in "-+")


@dataclass(frozen=True, eq=False)
class Chain:
    """Series groups of a layout, in the order in which the current passes them.

    The first g groups of a chain are a valid chain of g groups.

    Parameters
    ----------
    group : ndarray of int, shape (n,)
        Group of each cell, from 0 along the chain; -1 for a cell left over.
    groups, parallel : int
        Groups held and cells per group. No group at all (0) when no valid chain was found.
    boundary_pairs : ndarray of int, shape (max(groups - 1, 0),)
        Most disjoint neighbour pairs between group k and k + 1 (a maximum matching), at most `parallel`:
        the strips that can share the pack current evenly. 0 at a link.
    polarity : ndarray of int, shape (n,)
        +1 where the positive end of the cell points along +axis, -1 where it points along -axis, 0 for cells
        left over. Alternates from group to group, except where a boundary leads straight into the next layer
        through ends that face each other: there the current goes on the same way.
    links : ndarray of int, shape (modules used - 1,)
        Boundaries that go from one module to the next: a wire or bar of the harness, no plate.
    method : str
        How the groups were found.
    """

    group: Ints
    groups: int
    parallel: int
    boundary_pairs: Ints
    polarity: Ints
    links: Ints
    method: str

    @property
    def plate_pairs(self) -> Ints:
        """Boundary pairs without the links, shape (groups - 1 - links,)."""
        return np.delete(self.boundary_pairs, self.links)

def chain(
    layout: Layout,
    *,
    parallel: int,
    cell_gap_mm: float,
    groups: int | None = None,
    terminals: Sequence[str] | None = None,
    seconds: float = 1.0,
    seed: int = 0,
) -> Chain:
    """The chain with the most groups, then terminals at their sides, then the best boundaries.

    Each group is connected through lateral neighbours and stays in one layer and one module; each boundary
    has at least one neighbour pair (lateral or axial) or is a link between modules. Boundaries are ranked by
    the least, then the mean number of pairs. Exact up to 12 cells per module; beyond that the best of many
    sweeps, improved by local search. `seconds` sets the number of search moves, not a clock, so the same
    arguments give the same chain on any machine; it stops early when every boundary has its P pairs.

    Parameters
    ----------
    parallel : int
        Cells per group, at least 1 [-].
    cell_gap_mm : float
        Free distance between neighbouring cells that the layout was made for [mm].
    groups : int or None
        Most groups wanted; None for as many as possible.
    terminals : sequence of two str, or None
        Sides of the compartment near which the first and the last group must be, such as ("x-", "y+");
        "" for any. None lets the chain choose both. In modules they rank, and do not shape, the chain.
    seconds : float
        Nominal search effort for the layout, at least 0 [s].
    seed : int
        Seed of the local search.

    Raises
    ------
    ValueError
        If parallel or groups is below 1, seconds negative, or a side unknown.
    """
    sides = tuple(terminals) if terminals is not None else ("", "")
    _check(parallel, groups, sides, seconds)
    near = in_line(neighbours(layout, cell_gap_mm=cell_gap_mm), layout)
    start, end = (_side_mask(layout, side) for side in sides)
    parts = solve_parts(
        layout,
        near,
        parallel=parallel,
        groups=layout.cells if groups is None else groups,
        pitch_mm=_pitch(layout, cell_gap_mm),
        sides=(start, end),
        seconds=seconds,
        seed=seed,
    )
    parts = join_parts(parts, layout.centres_mm, start, end)
    return assembled(layout, parts, parallel=parallel, groups=groups)


def _check(parallel: int, groups: int | None, sides: tuple[str, ...], seconds: float) -> None:
    """Refuse arguments that mean nothing."""
    if parallel < 1:
        raise ValueError(f"parallel must be at least 1, found {parallel}")
    if groups is not None and groups < 1:
        raise ValueError(f"groups must be at least 1 or None, found {groups}")
    if seconds < 0:
        raise ValueError(f"seconds must be at least 0, found {seconds}")
    if len(sides) != 2 or any(side and side not in SIDES for side in sides):
        raise ValueError(f'terminals must be two of {", ".join(SIDES)} or "", found {sides}')


def _pitch(layout: Layout, cell_gap_mm: float) -> float:
    """Least centre distance of neighbours across the axis [mm]."""
    across = list(lateral_axes(layout.axis))
    return float(layout.extents_mm[:, across].min()) + cell_gap_mm if layout.cells else 1.0


def _side_mask(layout: Layout, side: str) -> NDArray[np.bool_]:
    """Cells that reach the outermost half cell of the layout on a side; all cells for ""."""
    if not side or not layout.cells:
        return np.ones(layout.cells, dtype=bool)
    axis = AXES.index(side[0])
    sign = 1.0 if side[1] == "+" else -1.0
    reach = sign * layout.centres_mm[:, axis]
    mask: NDArray[np.bool_] = reach >= reach.max() - 0.5 * layout.extents_mm[:, axis]
    return mask


def assembled(layout: Layout, parts: list[ModuleChain], *, parallel: int, groups: int | None) -> Chain:
    """One chain from the chains of the parts, at most `groups` long."""
    parts = [part for part in parts if len(part.members)]
    if not parts:
        nothing = np.zeros(0, dtype=np.int64)
        return Chain(
            np.full(layout.cells, -1),
            0,
            parallel,
            nothing,
            np.zeros(layout.cells, np.int64),
            nothing,
            "none: no connected groups with touching neighbours",
        )
    members = np.concatenate([part.members for part in parts])[:groups]
    held = len(members)
    pairs = np.concatenate([np.append(part.pairs, 0) for part in parts])[: held - 1]
    ends = np.cumsum([len(part.members) for part in parts])[:-1] - 1
    group = np.full(layout.cells, -1, dtype=np.int64)
    group[members] = np.arange(held)[:, None]
    links = ends[ends < held - 1].astype(np.int64)
    polarity = np.zeros(layout.cells, dtype=np.int64)
    polarity[members] = _polarity(layout, members, links)[:, None]
    methods = list(dict.fromkeys(part.method for part in parts))
    return Chain(group, held, parallel, pairs, polarity, links, "; ".join(methods))


def _polarity(layout: Layout, members: Ints, links: Ints) -> Ints:
    """Polarity of each group, shape (G,), chosen so that as many steps between layers as possible face."""
    if layout.size.same_end:
        return facing(layout, members, links)
    height = layout.centres_mm[members[:, 0], layout.axis]
    length = layout.extents_mm[members[:, 0], layout.axis]
    step = np.diff(height)
    climbs = np.where(np.abs(step) > 0.5 * length[1:], np.sign(step), 0.0)
    climbs[links] = 0.0
    options = [_follow(climbs, first) for first in (1, -1)]
    straight = [int(np.sum((climbs != 0) & (option[:-1] == option[1:]))) for option in options]
    return options[int(straight[1] > straight[0])]


def _follow(climbs: Floats, first: int) -> Ints:
    """Polarity of each group given that of the first; current leaves a group at its positive end."""
    polarity = np.empty(len(climbs) + 1, dtype=np.int64)
    polarity[0] = first
    for k, climb in enumerate(climbs):
        polarity[k + 1] = polarity[k] if climb == polarity[k] else -polarity[k]
    return polarity
