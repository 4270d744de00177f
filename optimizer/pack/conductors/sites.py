"""Where the conductors of a chain lie: one site for each plate, with the cell ends that it joins."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from optimizer.base.arrays import Flags, Floats, Ints
from optimizer.fit.chain.adjacency import lateral_axes, neighbours
from optimizer.fit.chain.groups import Chain
from optimizer.fit.chain.terminals import terminals_mm
from optimizer.fit.region.layout import CellSize, Layout

SERIES, EXIT, ENTRY = "series", "exit", "entry"

# Diameter of the positive button over the cell's, where the catalog gives none: 7.4 mm of an 18650, 8.7 mm of a
# 21700 (common practice, no published source).
BUTTON_SHARE = 0.40
# Insulation under the metal, a ring on each positive end and a sheet with windows (common practice, no published
# source) [mm].
RING_MM = 0.2
# From a lead's middle to the end of its metal, with what is cut off [mm].
LEAD_MM = 3.3
# From the weld of a single block to its lead, along the wide side of its end, where that has room [mm].
BESIDE_MM = 8.0
# Weld of a negative end off its centre, where the inner tab is joined: over the radius, and at least [mm]
# (common practice, no published source).
OFF_CENTRE_SHARE, OFF_CENTRE_MM = 0.40, 3.0


@dataclass(frozen=True, eq=False)
class Site:
    """One plate before its metal: the ends it joins on one face, seen in the plane across the cells' axis.

    Parameters
    ----------
    kind : str
        "series" between two groups, "exit" at the positive ends of a group, "entry" at the negative ends.
    group : int
        Earlier group that it joins, from 0 in the chain.
    node : int
        Its potential: 0 is the negative end of the chain, g + 1 the positive ends of group g.
    module, layer, side : int
        Case, layer of cells, and 1 or −1 for the face towards the axis' high or low end.
    cells : ndarray of int, shape (m,)
        Of the layout; those with positive ends here first.
    positive : ndarray of bool, shape (m,)
        Whether the end is the cell's positive one.
    centre_mm : ndarray, shape (m, 2)
        Of the ends [mm].
    inside, across : ndarray of int, shape (k, 2)
        Neighbours within a group, and from group to group, as rows of `cells`, positive ends first.
    first, last : int
        Groups in use, from and to, with which the site is there.
    out_mm : ndarray, shape (2,)
        From the terminal of a block to where a lead of a cell alone has room: along the wide side of its end, with
        both terminals there outwards; of round cells nothing [mm].
    """

    kind: str
    group: int
    node: int
    module: int
    layer: int
    side: int
    cells: Ints
    positive: Flags
    centre_mm: Floats
    inside: Ints
    across: Ints
    first: int
    last: int
    out_mm: Floats = field(default_factory=lambda: np.zeros(2))

    @property
    def end(self) -> bool:
        """Whether a lead leaves here."""
        return self.kind != SERIES


def button_mm(size: CellSize) -> float:
    """Diameter of the positive terminal; of a block its stud or tab, or the narrower side of its end [mm]."""
    if size.shape == "cylinder":
        return size.positive_mm or BUTTON_SHARE * size.diameter_mm
    return size.terminal_mm if size.same_end else min(size.width_mm, size.thickness_mm)


def off_centre_mm(size: CellSize) -> float:
    """How far from the centre of a negative end its welds lie; 0 for blocks [mm]."""
    return max(OFF_CENTRE_SHARE * size.diameter_mm / 2, OFF_CENTRE_MM) if size.shape == "cylinder" else 0.0


def face_mm(layout: Layout, site: Site, *, level_mm: float = 0.0) -> float:
    """Height of a site's face on the cells' axis, or so much outside it [mm]."""
    cell = int(site.cells[0])
    half = layout.extents_mm[cell, layout.axis] / 2
    return float(layout.centres_mm[cell, layout.axis] + site.side * (half + level_mm))


def _outwards(layout: Layout, cell: Ints, way: int) -> Floats:
    """See Site.out_mm."""
    size = layout.size
    if size.shape == "cylinder":
        return np.zeros(2)
    across = layout.extents_mm[cell[0], list(lateral_axes(layout.axis))]
    room = (size.width_mm - size.spacing_mm) / 2 if size.same_end else min(across.max() / 2, BESIDE_MM + LEAD_MM)
    return np.asarray(way * np.eye(2)[int(np.argmax(across))] * max(room - LEAD_MM, 0.0))


def joints_of(layout: Layout, chain: Chain) -> Ints:
    """Boundaries where the chain changes its layer within a module: a joint goes round the edge of the layer."""
    level = np.full(chain.groups, -1, dtype=np.int64)
    used = chain.group >= 0
    level[chain.group[used]] = layout.layer[used]
    changed = np.flatnonzero(np.diff(level) != 0)
    return np.setdiff1d(changed, chain.links)


def chain_sites(layout: Layout, chain: Chain, *, cell_gap_mm: float, least: int = 1) -> list[Site]:
    """Every site that some number of groups in use has, in the order of the chain.

    A group has an entry or an exit where its chain may begin or end, and where a link or a joint to another layer
    goes on; so each first g groups are a whole set of conductors.

    Parameters
    ----------
    chain : Chain
        With at least one group.
    cell_gap_mm : float
        As the chain was made with [mm].
    least : int
        Fewer groups are never in use.
    """
    near = neighbours(layout, cell_gap_mm=cell_gap_mm).lateral
    groups = chain.groups
    broken = {int(k) for k in chain.links} | {int(k) for k in joints_of(layout, chain)}
    order = np.lexsort((*np.round(layout.centres_mm, 2).T, chain.group))
    members = order[np.sum(chain.group < 0) :].reshape(groups, chain.parallel)
    touching = chain.group[near]
    within = [near[(touching == g).all(axis=1)] for g in range(groups)]
    between = [near[(np.sort(touching, axis=1) == [k, k + 1]).all(axis=1)] for k in range(groups - 1)]

    def site(kind: str, group: int, first: int, last: int) -> Site:
        plus = members[group] if kind != ENTRY else members[:0].ravel()
        minus = members[group + (kind == SERIES)] if kind != EXIT else members[:0].ravel()
        cells = np.concatenate([plus, minus])
        place = np.full(layout.cells, -1, dtype=np.int64)
        place[cells] = np.arange(len(cells))
        own = [within[group]] + ([within[group + 1]] if kind == SERIES else [])
        way = int(chain.polarity[cells[0]])
        return Site(
            kind=kind,
            group=group,
            node=group + (kind != ENTRY),
            module=int(layout.module[cells[0]]),
            layer=int(layout.layer[cells[0]]),
            side=1 if layout.size.same_end else -way if kind == ENTRY else way,
            cells=cells,
            positive=np.arange(len(cells)) < len(plus),
            centre_mm=np.concatenate([
                terminals_mm(layout, plus, chain.polarity[plus], positive=True),
                terminals_mm(layout, minus, chain.polarity[minus], positive=False),
            ]),
            inside=place[np.concatenate(own)],
            across=np.sort(place[between[group]], axis=1) if kind == SERIES else np.zeros((0, 2), dtype=np.int64),
            first=first,
            last=last,
            out_mm=_outwards(layout, cells[:1], -way if kind == ENTRY else way),
        )  # fmt: skip

    sites = [site(ENTRY, 0, 1, groups)]
    for g in range(groups):
        if g + 1 >= least or g in broken:
            sites.append(site(EXIT, g, g + 1, groups if g in broken else g + 1))
        if g < groups - 1 and g not in broken:
            sites.append(site(SERIES, g, g + 2, groups))
        if g in broken:
            sites.append(site(ENTRY, g + 1, g + 2, groups))
    return sites
