"""Printed cases seen along the cells: outlines, rings, ties between them, and pieces that a print bed takes.

The score weighs cases from these shapes, and the workshop's solids are raised from the same ones.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from optimizer.base.arrays import Floats, Ints
from optimizer.fit.region.layout import END_STACK_MM

Shapes = NDArray[np.object_]

#: Of the end gap that metal leaves to a cover or a sheet between facing ends (common practice).
LEAST_COVER_MM = 0.4

#: Corners in a quarter of a rounded outline, and of a bore.
ROUND_SEGMENTS = 24
BORE_SEGMENTS = 12

#: Rings that overlap at least this much along the line of centres hold together without a tie (common practice).
FUSED_MM = 0.4

#: Cells are neighbours up to this multiple of their pitch, as where strips are laid.
NEIGHBOUR = 1.4


@dataclass(frozen=True)
class CaseRules:
    """How cases are printed; [case] of a brief with what its [clearance] says of them.

    Parameters
    ----------
    case_mm, cell_gap_mm, end_mm, wall_mm, stack_mm : float
        As in fit.layout.Clearance [mm].
    over_mm : float
        Of end_mm what bolted metal takes over its own room, see CellSize [mm].
    tie_mm : float
        Between cells and wall, for tie plates and bands [mm]; such cells stand in an open frame, free to be pressed.
    nozzle_mm : float
        Width of a printed line [mm].
    bed_mm : tuple of float
        Largest print: two sides and the height [mm].
    bore_clearance_mm : float
        By how much a bore is wider than its cell, on the diameter [mm].
    rib_mm : float
        Thickness of the ring around a bore, and of half a tie [mm].
    lap_mm : float
        How far two pieces of one body overlap [mm].
    joint_mm : float
        Free gap between printed parts that are put together [mm].
    lid : "snaps", "screws" or "none"
        What holds the covers: printed pegs, screws in inserts, or the pack's wrap.
    hold : "feet", "straps" or "none"
        What holds a body in its compartment.
    chamfer_mm : float
        By how much the first layers draw back from the outline, against elephant's foot [mm]; 0: not at all.
    mark_mm : float
        Depth of polarity, group numbers and names in the covers [mm]; 0: no marks.
    slot_mm : float
        Width of the slots for joints, leads and sensors in the wall [mm]; 0: none.
    layer_mm, speed_mm_s : float
        Height of a layer [mm] and mean speed of the nozzle [mm/s], for the printing time.
    """

    case_mm: float = 1.6
    cell_gap_mm: float = 0.8
    end_mm: float = 2.5
    wall_mm: float = 1.0
    stack_mm: float = END_STACK_MM
    over_mm: float = 0.0
    tie_mm: float = 0.0
    nozzle_mm: float = 0.4
    bed_mm: tuple[float, float, float] = (220.0, 220.0, 250.0)
    bore_clearance_mm: float = 0.3
    rib_mm: float = 0.8
    lap_mm: float = 6.0
    joint_mm: float = 0.2
    lid: str = "snaps"
    hold: str = "feet"
    chamfer_mm: float = 0.3
    mark_mm: float = 0.4
    slot_mm: float = 5.0
    layer_mm: float = 0.2
    speed_mm_s: float = 60.0

    @property
    def cover_mm(self) -> float:
        """Thickness of a cover [mm]; 0 where the end gap holds only the strip."""
        return max(self.end_mm - self.over_mm - self.stack_mm, 0.0)

    @property
    def rim_mm(self) -> float:
        """How far the wall stands past the end of the cells, around the strip [mm]."""
        return self.end_mm - self.cover_mm

    @property
    def webbed(self) -> bool:
        """Whether the wall between two bores can be printed; else cells stand in one open frame."""
        return self.cell_gap_mm - self.bore_clearance_mm >= self.nozzle_mm - 1e-9 and not self.tie_mm

    @property
    def foot_mm(self) -> float:
        """How far a foot stands out from the wall [mm]."""
        return max(self.wall_mm - self.joint_mm, 0.0) if self.hold == "feet" else 0.0

    @property
    def play_mm(self) -> float:
        """Between cell and bore on each side [mm]."""
        return self.bore_clearance_mm / 2.0

    @property
    def ring_mm(self) -> float:
        """From a cell's surface to the outside of its ring [mm]."""
        return self.play_mm + self.rib_mm

    def fits_bed(self, length_mm: float, width_mm: float) -> bool:
        """Whether a body of this size lies on the bed, either way round."""
        low, high = sorted((length_mm, width_mm))
        bed = sorted(self.bed_mm[:2])
        return bool(low <= bed[0] + 1e-6 and high <= bed[1] + 1e-6)


#: Travel and change of layer (common practice) [s].
LAYER_S = 4.0


def print_hours(volume_mm3: float, *, height_mm: float, rules: CaseRules) -> float:
    """Time to print a part whose walls are all solid, an estimate.

    t = V / (nozzle · layer · speed) + layers · LAYER_S

    Parameters
    ----------
    volume_mm3, height_mm : float
        Of the part on the bed [mm³], [mm].

    Returns
    -------
    float
        [h]

    >>> round(print_hours(48000.0, height_mm=20.0, rules=CaseRules()), 2)
    2.89
    """
    seconds = volume_mm3 / (rules.nozzle_mm * rules.layer_mm * rules.speed_mm_s)
    return (seconds + height_mm / rules.layer_mm * LAYER_S) / 3600.0


def straps_per_body(hold: str) -> int:
    """Straps around each body of a tray (common practice: two)."""
    return 2 if hold == "straps" else 0


@dataclass(frozen=True, eq=False)
class BoreSeats:
    """Bores of one case in the two axes across the cells, in the order in which they come into use.

    Parameters
    ----------
    centres, half : ndarray, shape (n, 2)
        Middles and half sizes of the cells [mm].
    round_ : bool
        Cylinders; blocks otherwise.
    length_mm : float
        Of the cells along their axis [mm].
    """

    centres: Floats
    half: Floats
    round_: bool
    length_mm: float

    def first(self, count: int) -> BoreSeats:
        """The first so many bores."""
        return BoreSeats(self.centres[:count], self.half[:count], self.round_, self.length_mm)


def hulls(seats: BoreSeats, counts: Sequence[int]) -> tuple[Shapes, float]:
    """Convex hulls of the first so many cells, and by how much each is still to be grown for round cells [mm].

    They are hulls of centres for round cells, of corners for blocks.
    """
    points, per_cell = seats.centres, 1
    if not seats.round_:
        signs = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
        points = (seats.centres[:, None] + signs * seats.half[:, None]).reshape(-1, 2)
        per_cell = 4
    sizes = np.asarray(counts) * per_cell
    chosen = np.concatenate([points[:n] for n in sizes])
    which = np.repeat(np.arange(len(sizes)), sizes)
    bundles = shapely.multipoints(shapely.points(chosen), indices=which)
    return np.asarray(shapely.convex_hull(bundles)), float(seats.half[0, 0]) if seats.round_ else 0.0


def tray_outlines(
    seats: BoreSeats, counts: Sequence[int], rules: CaseRules, *, free: shapely.Geometry | None = None
) -> tuple[Shapes, Shapes]:
    """Outer and inner outline of a tray around the first so many cells, as a rubber band runs [mm].

    Where the case may be is `free`; what reaches out of it is cut off, and the wall follows the cut.
    """
    found, radius = hulls(seats, counts)
    play = (0.0 if rules.webbed else rules.play_mm) + rules.tie_mm
    outer = np.asarray(shapely.buffer(found, radius + rules.tie_mm + rules.case_mm, quad_segs=ROUND_SEGMENTS))
    inner = np.asarray(shapely.buffer(found, radius + play, quad_segs=ROUND_SEGMENTS))
    if free is None or shapely.covers(free, shapely.union_all(outer).buffer(-1e-6)):
        return outer, inner
    cells = _bodies(seats)
    for k, count in enumerate(counts):
        if not shapely.covers(free, outer[k].buffer(-1e-6)):
            band = holding(shapely.intersection(outer[k], free), cells[:count])
            inner[k] = shapely.intersection(inner[k], band.buffer(-rules.case_mm, join_style="mitre"))
            outer[k] = band
    return outer, inner


def _bodies(seats: BoreSeats) -> Shapes:
    return np.asarray(shapely.points(seats.centres))


def holding(shape: shapely.Geometry, points: Shapes) -> shapely.Geometry:
    """The polygons of a shape that hold one of some points."""
    parts = [p for p in shapely.get_parts(shape) if p.geom_type == "Polygon" and shapely.intersects(p, points).any()]
    return shapely.union_all(parts)


def module_outline(seats: BoreSeats, rules: CaseRules) -> tuple[shapely.Geometry, shapely.Geometry]:
    """Outer and inner rectangle of a module around its cells [mm]."""
    x0, y0 = (seats.centres - seats.half).min(axis=0)
    x1, y1 = (seats.centres + seats.half).max(axis=0)
    wall, play = rules.tie_mm + rules.case_mm, (0.0 if rules.webbed else rules.play_mm) + rules.tie_mm
    outer = shapely.box(x0 - wall, y0 - wall, x1 + wall, y1 + wall)
    return outer, shapely.box(x0 - play, y0 - play, x1 + play, y1 + play)


def ties(seats: BoreSeats, rules: CaseRules) -> tuple[Floats, Ints]:
    """Ribs between neighbours whose rings don't meet, and from each cell to the nearest one before it.

    So the first n rings are one piece for every n.

    Returns
    -------
    corners : ndarray, shape (m, 8)
        Of rectangles two ribs wide [mm].
    later : ndarray of int, shape (m,)
        The later of the two cells.
    """
    n = len(seats.centres)
    none = np.zeros((0, 8)), np.zeros(0, dtype=np.int64)
    if n < 2 or not rules.webbed:
        return none
    offset = np.abs(seats.centres[:, None] - seats.centres[None])
    if seats.round_:
        apart = np.hypot(offset[..., 0], offset[..., 1]) - 2.0 * seats.half[0, 0]
    else:
        clear = offset - seats.half[:, None] - seats.half[None]
        apart = np.hypot(*np.moveaxis(np.maximum(clear, 0.0), -1, 0))
    apart[np.triu_indices(n)] = np.inf
    loose = apart > 2.0 * rules.ring_mm - FUSED_MM
    near = apart <= (NEIGHBOUR - 1.0) * 2.0 * float(seats.half.min()) + NEIGHBOUR * rules.cell_gap_mm
    near[np.arange(1, n), apart[1:].argmin(axis=1)] = True
    later, nearest = np.nonzero(loose & near & np.isfinite(apart))
    if not len(later):
        return none
    a, b = seats.centres[nearest], seats.centres[later]
    way = (b - a) / np.linalg.norm(b - a, axis=1, keepdims=True)
    side = np.column_stack([-way[:, 1], way[:, 0]]) * rules.rib_mm
    return np.column_stack([a + side, a - side, b - side, b + side]), later.astype(np.int64)


def rings(seats: BoreSeats, *, play_mm: float) -> shapely.Geometry:
    """Cells grown by a distance [mm], as polygons of the same area as the true shapes."""
    if seats.round_:
        n = 4 * ROUND_SEGMENTS
        radius = (seats.half[0, 0] + play_mm) * np.sqrt(2.0 * np.pi / n / np.sin(2.0 * np.pi / n))
        discs = shapely.buffer(shapely.points(seats.centres), radius, quad_segs=ROUND_SEGMENTS)
        return shapely.union_all(discs)
    low, high = seats.centres - seats.half - play_mm, seats.centres + seats.half + play_mm
    return shapely.union_all(shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1]))


def bores(seats: BoreSeats, rules: CaseRules) -> shapely.Geometry:
    """Openings for the cells: polygons around the wanted circle, never inside it [mm]."""
    if not seats.round_:
        return rings(seats, play_mm=rules.play_mm)
    radius = (seats.half[0, 0] + rules.play_mm) / np.cos(np.pi / (4 * BORE_SEGMENTS))
    return shapely.union_all(shapely.buffer(shapely.points(seats.centres), radius, quad_segs=BORE_SEGMENTS))


def bore_area_mm2(seats: BoreSeats, rules: CaseRules) -> Floats:
    """Area of each opening as `bores` draws it, shape (n,) [mm²]."""
    grown = seats.half + rules.play_mm
    n = 4 * BORE_SEGMENTS
    return n * np.tan(np.pi / n) * grown[:, 0] ** 2 if seats.round_ else 4.0 * grown[:, 0] * grown[:, 1]


def pieces(boxes: Floats, rules: CaseRules, *, balanced: bool = False) -> Ints | None:
    """Pieces of a body, cut between groups so that each lies on the print bed.

    Groups are taken in the order of their middles along the longer side, as many to a piece as the bed takes;
    where that fails, along the other side.

    Parameters
    ----------
    boxes : ndarray, shape (g, 4)
        Lowest and highest corner of the cells of each group: x0, y0, x1, y1 [mm].
    balanced : bool
        Share the groups out evenly over the same number of pieces.

    Returns
    -------
    ndarray of int, shape (g,), or None
        Piece of each group, from 0; None where one group alone is too large for the bed.
    """
    edge = 2.0 * (rules.case_mm + rules.tie_mm + rules.foot_mm)
    if rules.fits_bed(*_spread(boxes, edge)):
        return np.zeros(len(boxes), dtype=np.int64)
    sides = _spread(boxes, edge)
    for along in (0, 1) if sides[0] >= sides[1] else (1, 0):
        order = np.argsort(boxes[:, along] + boxes[:, along + 2], kind="stable")
        cut = _greedy(boxes[order], rules, edge + rules.lap_mm, np.inf, along)
        if cut is None:
            continue
        if balanced:
            cut = _evened(boxes[order], rules, edge + rules.lap_mm, cut, along)
        found = np.empty(len(boxes), dtype=np.int64)
        found[order] = cut
        return found
    return None


def _spread(boxes: Floats, edge: float) -> tuple[float, float]:
    """Size of all boxes together with what surrounds them."""
    return (
        float(boxes[:, 2].max() - boxes[:, 0].min()) + edge,
        float(boxes[:, 3].max() - boxes[:, 1].min()) + edge,
    )


def _greedy(boxes: Floats, rules: CaseRules, edge: float, longest: float, along: int) -> Ints | None:
    """As many groups to a piece as the bed and `longest` take; None where one alone is too large."""
    cut = np.zeros(len(boxes), dtype=np.int64)
    start = 0
    for k in range(len(boxes)):
        size = _spread(boxes[start : k + 1], edge)
        if not rules.fits_bed(*size) or size[along] > longest:
            start = k
            size = _spread(boxes[k : k + 1], edge)
            if not rules.fits_bed(*size) or size[along] > longest:
                return None
            cut[k] = cut[k - 1] + 1 if k else 0
        else:
            cut[k] = cut[k - 1] if k else 0
    return cut


def _evened(boxes: Floats, rules: CaseRules, edge: float, cut: Ints, along: int) -> Ints:
    """The same number of pieces with the longest one as short as can be, by bisection."""
    low, high = 0.0, _spread(boxes, edge)[along]
    for _ in range(24):
        middle = (low + high) / 2.0
        found = _greedy(boxes, rules, edge, middle, along)
        if found is not None and found[-1] == cut[-1]:
            cut, high = found, middle
        else:
            low = middle
    return cut
