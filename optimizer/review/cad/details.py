"""Small things on a printed case, seen along the cells: where lids hold, feet, slots for leads, marks."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import shapely
from shapely.affinity import affine_transform, translate
from shapely.geometry import LineString, Polygon

from optimizer.base.arrays import Floats, Ints
from optimizer.pack.case import volume as case
from optimizer.pack.case.fasteners import BOSS_MM, boss_room, spread
from optimizer.pack.case.outline import BoreSeats, CaseRules, rings

#: Height of digits and letters, and of the smallest that a nozzle draws [mm] (common practice).
TEXT_MM, SMALL_TEXT_MM = 4.0, 3.0


@dataclass(frozen=True, eq=False)
class Plan:
    """One case seen along its cells, in the two axes across them [mm].

    Parameters
    ----------
    group : ndarray of int, shape (n,)
        Number that is marked beside each cell's sign, -1 for a seat without a cell.
    plus_high : ndarray of bool, shape (n,)
        Whether the positive end points to the axis's positive side.
    outer, inner : shapely geometry
    free : shapely geometry
        The compartment's own section, up to its walls and keep-outs.
    taken : shapely geometry
        Where strips run over the ends, kept clear of pegs and screws.
    plus_mm : ndarray, shape (n, 2), optional
        Positive terminals, where both are on the high end [mm].
    """

    seats: BoreSeats
    group: Ints
    plus_high: np.ndarray
    outer: shapely.Geometry
    inner: shapely.Geometry
    free: shapely.Geometry
    taken: shapely.Geometry
    plus_mm: Floats | None = None


def bosses(plan: Plan, rules: CaseRules, *, within: shapely.Geometry) -> Floats:
    """Where pegs or screws hold the covers of one piece: along the wall, far apart, clear of bores.

    Parameters
    ----------
    within : shapely geometry
        The piece, less its laps.

    Returns
    -------
    ndarray, shape (n, 2)
        [mm]; at most FASTENERS, none where bores leave no room.
    """
    if rules.lid == "none" or rules.cover_mm <= 0:
        return np.zeros((0, 2))
    room = boss_room(plan.outer, plan.seats, rules).intersection(within)
    head = case.HEAD_MM if rules.lid == "screws" else case.PEG_MM + rules.joint_mm
    return spread(room.difference(plan.taken.buffer(head)))


def feet(plan: Plan, rules: CaseRules, *, within: shapely.Geometry) -> shapely.Geometry:
    """Pads on the wall towards the compartment, two on each long side of one piece, where there is room."""
    if rules.foot_mm < rules.nozzle_mm:
        return Polygon()
    piece = plan.outer.intersection(within)
    x0, y0, x1, y1 = piece.bounds
    along = 0 if x1 - x0 >= y1 - y0 else 1
    low, high = (x0, x1) if along == 0 else (y0, y1)
    # An eighth of a line goes into the wall, so that pad and wall are one body.
    band = plan.outer.buffer(rules.foot_mm, quad_segs=8).difference(plan.outer.buffer(-rules.nozzle_mm / 2))
    band = band.intersection(plan.free.buffer(-rules.joint_mm, join_style="mitre"))
    pads = []
    for share in (0.2, 0.8):
        middle, half = low + share * (high - low), case.FOOT_WIDE_MM / 2
        far = 1e4
        cut = shapely.box(middle - half, -far, middle + half, far)
        pads.append(cut if along == 0 else shapely.box(-far, middle - half, far, middle + half))
    return shapely.union_all([band.intersection(pad) for pad in pads]).intersection(within)


def slots(plan: Plan, rules: CaseRules, *, keep: Floats, cuts: shapely.Geometry) -> list[Polygon]:
    """A slot through the wall for each group, where the wall stands free of bores, near the group's cells.

    Parameters
    ----------
    keep : ndarray, shape (n, 2)
        Bosses, which slots stay clear of [mm].
    cuts : shapely geometry
        Laps between pieces, which slots stay clear of.

    Returns
    -------
    list of Polygon
        Rectangles across the wall [mm].
    """
    if rules.slot_mm <= 0 or rules.case_mm <= 0:
        return []
    spots = _along(plan.inner)
    if not len(spots):
        return []
    cells = shapely.points(plan.seats.centres)
    points = shapely.points(spots[:, :2])
    solid = rings(plan.seats, play_mm=rules.ring_mm)
    cost = np.maximum(rules.slot_mm / 2.0 - shapely.distance(solid, points), 0.0) * 4.0
    if len(keep):
        near = shapely.distance(shapely.multipoints(keep), points)
        cost += np.where(near < BOSS_MM + rules.slot_mm / 2 + 0.5, 1e3, 0.0)
    cost += np.where(shapely.distance(cuts, points) < rules.slot_mm / 2 + 0.5, 1e3, 0.0) if not cuts.is_empty else 0.0
    found: list[Polygon] = []
    for number in np.unique(plan.group[plan.group >= 0]):
        near = shapely.distance(shapely.multipoints(cells[plan.group == number]), points)
        best = int(np.argmin(near + cost))
        if cost[best] < 1e3:
            found.append(_across(spots[best], rules))
            cost = cost + np.where(np.linalg.norm(spots[:, :2] - spots[best, :2], axis=1) < rules.slot_mm + 2.0, 1e3, 0)
    return found


def _along(inner: shapely.Geometry) -> Floats:
    """Points every two millimetres along an outline, with the way out, shape (n, 4)."""
    found = []
    for part in shapely.get_parts(inner):
        ring = LineString(shapely.orient_polygons(part).exterior.coords)
        at = np.arange(0.5, ring.length - 0.5, 2.0)
        here = shapely.get_coordinates(shapely.line_interpolate_point(ring, at))
        ahead = shapely.get_coordinates(shapely.line_interpolate_point(ring, at + 0.3))
        way = (ahead - here) / np.maximum(np.linalg.norm(ahead - here, axis=1, keepdims=True), 1e-9)
        found.append(np.column_stack([here, way[:, 1], -way[:, 0]]))
    return np.concatenate(found) if found else np.zeros((0, 4))


def _across(spot: Floats, rules: CaseRules) -> Polygon:
    """A rectangle of a slot's width that crosses the wall at a point."""
    point, out = spot[:2], spot[2:]
    side = np.array([-out[1], out[0]]) * rules.slot_mm / 2.0
    a, b = point - 0.2 * out, point + (rules.case_mm + 0.6) * out
    return Polygon([a - side, b - side, b + side, a + side])


def marks(plan: Plan, rules: CaseRules, *, high: bool, mirrored: bool, name: str, holes: Floats) -> shapely.Geometry:
    """Signs of polarity, numbers of groups and the part's name on the outside of one cover.

    Parameters
    ----------
    high : bool
        The cover at the axis's positive side.
    mirrored : bool
        Whether the first axis runs to the left for who looks at this face.
    holes : ndarray, shape (n, 2)
        Screws, which the name stays clear of [mm].

    Returns
    -------
    shapely geometry
        [mm]
    """
    if rules.mark_mm <= 0 or rules.cover_mm <= 2.0 * rules.mark_mm:
        return Polygon()
    used = np.flatnonzero(plan.group >= 0)
    found = [
        translate(_sign(bool(plan.plus_high[k]) == high), *plan.seats.centres[k]) for k in used
    ]
    if plan.plus_mm is not None:
        found = [translate(_sign(True), *plan.plus_mm[k]) for k in used] if high else []
    for number in np.unique(plan.group[used]):
        own = plan.seats.centres[plan.group == number]
        middle = own[np.argmin(np.linalg.norm(own - own.mean(axis=0), axis=1))]
        found.append(translate(_text(str(number), TEXT_MM, mirrored), middle[0], middle[1] - TEXT_MM - 1.5))
    body = shapely.union_all(found)
    label = _label(plan, name, body, holes, mirrored)
    # Nothing is cut through the cover's edge.
    return shapely.union_all([body, label]).intersection(plan.outer.buffer(-0.8))


def _sign(plus: bool) -> Polygon:
    long, wide = case.MARK_LONG_MM / 2.0, case.MARK_WIDE_MM / 2.0
    bar = shapely.box(-long, -wide, long, wide)
    return shapely.union(bar, shapely.box(-wide, -long, wide, long)) if plus else bar


def _label(plan: Plan, name: str, others: shapely.Geometry, holes: Floats, mirrored: bool) -> shapely.Geometry:
    """The part's name in the first free place, along either axis; nothing where there is none."""
    room = plan.outer.buffer(-1.5).difference(others.buffer(0.8))
    if len(holes):
        room = room.difference(shapely.multipoints(holes).buffer(case.HEAD_MM + 0.5))
    text = _text(name, SMALL_TEXT_MM, mirrored)
    for turned in (text, affine_transform(text, [0, -1, 1, 0, 0, 0])):
        box = shapely.box(*turned.bounds)
        x0, y0, x1, y1 = plan.outer.bounds
        grid = np.stack(np.meshgrid(np.arange(x0, x1, 1.5), np.arange(y0, y1, 1.5)), axis=-1).reshape(-1, 2)
        corners = np.asarray(box.exterior.coords)[None, :-1] + grid[:, None]
        inside = shapely.covers(room, shapely.polygons(corners))
        if inside.any():
            return translate(turned, *grid[int(np.argmax(inside))])
    return Polygon()


@lru_cache(maxsize=512)
def _text(text: str, height_mm: float, mirrored: bool) -> shapely.Geometry:
    """Letters as shapes, their middle at the origin, in lines that a nozzle draws."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    path = TextPath((0, 0), text, size=height_mm / 0.73, prop=FontProperties(family="DejaVu Sans", weight="bold"))
    shape: shapely.Geometry = Polygon()
    for loop in map(np.asarray, path.to_polygons()):
        if len(loop) >= 4:
            shape = shape.symmetric_difference(Polygon(loop).buffer(0))
    x0, y0, x1, y1 = shape.bounds
    shape = translate(shape, -(x0 + x1) / 2.0, -(y0 + y1) / 2.0)
    return affine_transform(shape, [-1 if mirrored else 1, 0, 0, 1, 0, 0]).simplify(0.03)
