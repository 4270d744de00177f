"""Pieces of a case that is longer than the print bed: which cells each holds, and how neighbours lap."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from optimizer.pack.case.outline import BoreSeats, CaseRules, pieces
from optimizer.review.cad.details import Plan
from optimizer.review.cad.solids import joined, raised

# Shapes that should touch are grown by this [mm].
HAIR_MM = 1e-5


@dataclass(frozen=True, eq=False)
class Zones:
    """Where each piece of a case may be, below and above the middle of its height; one piece has all of it."""

    below: list[shapely.Geometry]
    above: list[shapely.Geometry]

    def core(self, k: int) -> shapely.Geometry:
        """What a piece has over the whole height."""
        return self.below[k].intersection(self.above[k])

    @property
    def laps(self) -> shapely.Geometry:
        """Where pieces overlap."""
        return shapely.union_all([self.below[k].difference(self.above[k]) for k in range(len(self.below))])

    def solid(self, k: int, low: float, high: float, gap: float, *, swapped: bool = False) -> Any:
        """The zone of a piece between two heights, with a gap to the piece that it laps."""
        middle = (low + high) / 2.0
        first, second = (self.above[k], self.below[k]) if swapped else (self.below[k], self.above[k])
        return joined([
            raised(first, low_mm=low - 20.0, high_mm=middle - gap / 2.0),
            raised(second, low_mm=middle + gap / 2.0, high_mm=high + 20.0),
            raised(self.core(k), low_mm=middle - gap, high_mm=middle + gap),
        ])  # fmt: skip


def zones_of(plan: Plan, rules: CaseRules) -> Zones:
    """Pieces of a case: the plane shared out by which cells are nearest, with laps to either side.

    Raises
    ------
    ValueError
        If a group alone is too large for the bed.
    """
    everything = shapely.box(*plan.outer.buffer(50.0).bounds)
    cut = _cut(plan, rules)
    if cut is not None:
        if cut.max() == 0:
            return Zones([everything], [everything])
        for trimmed in (False, True):
            zones = _lapped(plan, rules, cut, everything, trimmed=trimmed)
            if max(_excess(plan, rules, zones.below[k].union(zones.above[k])) for k in range(len(zones.below))) <= 0:
                return zones
    raise ValueError(f"one group is larger than the print bed of {rules.bed_mm[0]:g} × {rules.bed_mm[1]:g} mm")


def _cut(plan: Plan, rules: CaseRules) -> npt.NDArray[np.int64] | None:
    """Piece of each cell by its group; None where a group is larger than the bed."""
    seats = plan.seats
    group = np.maximum(plan.group, 0)
    names = np.unique(group)
    low, high = seats.centres - seats.half, seats.centres + seats.half
    boxes = np.array([[*low[group == g].min(axis=0), *high[group == g].max(axis=0)] for g in names])
    cut = pieces(boxes, rules, balanced=True)
    return None if cut is None else cut[np.searchsorted(names, group)]


def _excess(plan: Plan, rules: CaseRules, zone: shapely.Geometry) -> float:
    """By how much what a case has in a zone is larger with its feet than the bed [mm]; 0 or less where it fits."""
    x0, y0, x1, y1 = plan.outer.intersection(zone).bounds
    feet = 2.0 * rules.foot_mm
    sides, bed = sorted((x1 - x0 + feet, y1 - y0 + feet)), sorted(rules.bed_mm[:2])
    return float(max(sides[0] - bed[0], sides[1] - bed[1])) - 1e-6


def _trimmed(plan: Plan, rules: CaseRules, of: list[shapely.Geometry], piece: npt.NDArray[np.int64]) -> list[Any]:
    """Zones that reach no further past their cells than wall and lap; what is left goes where it adds least."""
    seats, kept = plan.seats, []
    for k, zone in enumerate(of):
        own = piece == k
        low, high = (seats.centres - seats.half)[own].min(axis=0), (seats.centres + seats.half)[own].max(axis=0)
        kept.append(zone.intersection(shapely.box(*low, *high).buffer(rules.case_mm + 0.1, join_style="mitre")))
    rest = plan.outer.difference(shapely.union_all(kept).buffer(1e-6))
    for part in shapely.get_parts(rest):
        near = [k for k in range(len(kept)) if kept[k].distance(part) < 1e-3]
        best = min(near, key=lambda k: _excess(plan, rules, kept[k].union(part)))
        kept[best] = kept[best].union(part.buffer(1e-5))
    return kept


def _lapped(
    plan: Plan, rules: CaseRules, cut: npt.NDArray[np.int64], everything: shapely.Geometry, *, trimmed: bool
) -> Zones:
    """Zones of pieces, below and above the middle of the height."""
    seats = plan.seats
    piece = _together(cut, seats)
    sides = np.array([[-1, -1], [0, -1], [1, -1], [1, 0], [1, 1], [0, 1], [-1, 1], [-1, 0]]) * 0.98
    points = seats.centres if seats.round_ else (seats.centres[:, None] + sides * seats.half[:, None]).reshape(-1, 2)
    owner = piece if seats.round_ else np.repeat(piece, len(sides))
    cells = shapely.voronoi_polygons(shapely.multipoints(points), extend_to=everything, ordered=True)
    parts = shapely.get_parts(cells)
    # Neighbouring cells of the library differ in their last digits: grown by a hair they join without a seam.
    parts = shapely.buffer(parts, HAIR_MM, join_style="mitre")
    of = [shapely.union_all(parts[owner == k]).intersection(everything) for k in range(int(cut.max()) + 1)]
    if trimmed:
        of = _trimmed(plan, rules, of, piece)
    half, gap = rules.lap_mm / 2.0, rules.joint_mm
    below, above = [], []
    for k in range(len(of)):
        mine = shapely.union_all(of[: k + 1]).buffer(half)
        below.append(mine.difference(shapely.union_all(of[:k]).buffer(half + gap)) if k else mine)
        rest = shapely.union_all(of[k:]).buffer(half)
        above.append(rest.difference(shapely.union_all(of[k + 1 :]).buffer(half + gap)) if k + 1 < len(of) else rest)
    return Zones(below, above)


def _together(piece: npt.NDArray[np.int64], seats: BoreSeats) -> npt.NDArray[np.int64]:
    """Pieces of cells, those that stand apart from the rest of their piece joined to the piece around them."""
    reach = 1.45 * 2.0 * float(seats.half.max() if seats.round_ else seats.half.min())
    tree = cKDTree(seats.centres)
    found = piece.copy()
    for own in np.unique(piece):
        mine = np.flatnonzero(found == own)
        pairs = cKDTree(seats.centres[mine]).query_pairs(reach, output_type="ndarray").reshape(-1, 2)
        graph = coo_matrix((np.ones(len(pairs)), pairs.T), shape=(len(mine), len(mine)))
        _, lot = connected_components(graph, directed=False)
        apart = mine[lot != np.bincount(lot).argmax()]
        for cell in apart if seats.round_ else ():
            near = tree.query(seats.centres[cell], k=min(7, len(piece)))[1]
            others = found[near][~np.isin(near, apart)]
            found[cell] = np.bincount(others).argmax() if len(others) else own
    return found
