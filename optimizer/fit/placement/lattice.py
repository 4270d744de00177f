"""Regular placements: square rows and staggered rows with free pitch, row by row in a region of any shape."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
import shapely
import shapely.affinity
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon

Array = NDArray[Any]
EDGE = 1e-9  # relative to the pitch: how far inside its end a row is cut
SLACK_MM = 1e-7  # a row that fits exactly fits


@dataclass(frozen=True, eq=False)
class LatticeRows:
    """Centres in rows.

    Parameters
    ----------
    kind : "square", "staggered"
    angle_rad : float
        Direction of the rows [rad].
    points_mm : ndarray, shape (n, 2)
    """

    kind: str
    angle_rad: float
    points_mm: Array


@dataclass(frozen=True, eq=False)
class _Plan:
    """Heights of the rows, shift of each row along itself, and the pitch in a row."""

    kind: str
    heights: Array
    shifts: Array
    pitch: float


def regular(region: MultiPolygon, pitch_mm: float) -> list[LatticeRows]:
    """Best square and best staggered rows of every useful direction, most cells first.

    Rows run along both axes and along every long edge of the region. For each number of rows the spacing is
    the widest that fits, so that the pitch within a row is the least; both shifts, stacks from either side
    and rows with a few square steps between staggered ones are tried.

    Parameters
    ----------
    region : MultiPolygon
        Where centres may lie [mm].
    pitch_mm : float
        Least distance of two centres [mm].

    Returns
    -------
    list of LatticeRows
        Never with points outside the region or closer than the pitch (to 1e-6 mm).
    """
    return [] if region.is_empty else list(_regular(shapely.to_wkb(region), pitch_mm))


@lru_cache(maxsize=256)
def _regular(wkb: bytes, pitch_mm: float) -> tuple[LatticeRows, ...]:
    """As regular: many layers, beside many places of parts, have one region, and it is counted before it is filled."""
    region, found = MultiPolygon(shapely.from_wkb(wkb)), []
    for angle in directions(region, pitch_mm):
        turned = _turn(region, -angle)
        edges = boundary_edges(turned)
        best: dict[str, tuple[int, _Plan, float]] = {}
        for plan in plans(turned, edges, pitch_mm):
            phase, count = best_phase(edges, plan)
            if count > best.get(plan.kind, (0,))[0]:
                best[plan.kind] = (count, plan, phase)
        for kind, (_, plan, phase) in best.items():
            points = place_rows(edges, plan, phase)
            found.append(LatticeRows(kind, angle, _turn_points(points, angle)))
    return tuple(sorted(found, key=lambda rows: -len(rows.points_mm)))


def regular_count(region: MultiPolygon, pitch_mm: float) -> int:
    """Most centres that a regular placement puts into a region."""
    return max((len(rows.points_mm) for rows in regular(region, pitch_mm)), default=0)


def quick_count(region: MultiPolygon, pitch_mm: float) -> int:
    """Nearly `regular_count`, in closed form where the region is an upright rectangle: to compare layers."""
    left, low, right, high = region.bounds
    width, height = right - left, high - low
    if width * height - region.area > 1e-9 * (1.0 + region.area):
        return regular_count(region, pitch_mm)
    return max(_rectangle_count(width, height, pitch_mm), _rectangle_count(height, width, pitch_mm))


def _rectangle_count(width: float, height: float, pitch: float) -> int:
    """Most cells in rows along the width of a rectangle of centres, each row count at its least pitch."""
    most = 0
    for rows in range(1, int(height / (pitch / 2) + 1e-7) + 2):
        spacing = min(height / (rows - 1) if rows > 1 else pitch, pitch)
        step = pitch if spacing >= pitch - SLACK_MM else max(pitch, 2 * np.sqrt(pitch**2 - spacing**2))
        even = int(width / step + 1e-7) + 1
        shifted = int((width - step / 2) / step + 1e-7) + 1 if width >= step / 2 else 0
        odd = even if spacing >= pitch - SLACK_MM else shifted
        most = max(most, even * ((rows + 1) // 2) + odd * (rows // 2))
    return most


def directions(region: MultiPolygon, pitch_mm: float) -> list[float]:
    """Angles for rows: along both axes and along the edges at least two pitches long [rad]."""
    angles = [0.0, np.pi / 2]
    for a, b in _edge_pairs(region):
        if np.hypot(*(b - a)) < 2 * pitch_mm:
            continue
        angle = float(np.arctan2(b[1] - a[1], b[0] - a[0])) % np.pi
        gaps = [abs((angle - other + np.pi / 2) % np.pi - np.pi / 2) for other in angles]
        if min(gaps) > 1e-6 and len(angles) < 6:
            angles.append(angle)
    return angles


def _edge_pairs(region: MultiPolygon) -> Iterator[tuple[Array, Array]]:
    for part in region.geoms:
        for ring in (part.exterior, *part.interiors):
            points = np.asarray(ring.coords)
            yield from pairwise(points)


def boundary_edges(region: MultiPolygon) -> Array:
    """Edges of a region, shape (m, 4): x, y of both ends."""
    return np.array([np.concatenate(pair) for pair in _edge_pairs(region)])


def _turn(region: MultiPolygon, angle: float) -> MultiPolygon:
    """Region turned about the origin; a quarter turn keeps coordinates exact."""
    cos, sin = _cos_sin(angle)
    return shapely.affinity.affine_transform(region, [cos, -sin, sin, cos, 0.0, 0.0])


def _turn_points(points: Array, angle: float) -> Array:
    cos, sin = _cos_sin(angle)
    return np.asarray(points @ np.array([[cos, sin], [-sin, cos]]))


def _cos_sin(angle: float) -> tuple[float, float]:
    quarter = angle / (np.pi / 2)
    if abs(quarter - round(quarter)) < 1e-12:
        return ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[round(quarter) % 4]
    return float(np.cos(angle)), float(np.sin(angle))


def plans(region: MultiPolygon, edges: Array, pitch: float) -> Iterator[_Plan]:
    """Every set of rows worth counting, for rows along x."""
    left, low, right, high = region.bounds
    room = high - low
    ledges = np.unique(np.round(edges[:, [1, 3]], 9))
    most = int(room / (pitch / 2) + 1e-7) + 1
    for rows in range(1, most + 1):
        widest = room / (rows - 1) if rows > 1 else 2 * pitch
        for kind, spacing, step in _spacings(pitch, widest):
            shift = 0.0 if kind == "square" else step / 2
            for start in _starts(low, high, (rows - 1) * spacing, ledges, spacing):
                heights = start + spacing * np.arange(rows)
                for parity in (0, 1) if shift else (0,):
                    yield _Plan(kind, heights, shift * ((np.arange(rows) + parity) % 2), step)
    yield from _sheared(right - left, low, room, pitch)
    yield from _stepped(right - left, low, room, pitch)


def _spacings(pitch: float, widest: float) -> Iterator[tuple[str, float, float]]:
    """(kind, row spacing, pitch in the row) that a number of rows allows."""
    if widest >= pitch - SLACK_MM:
        yield "square", pitch, pitch
    tight = np.sqrt(0.75) * pitch
    if widest >= tight:
        yield "staggered", tight, pitch
    if widest < pitch:
        spread = 2 * np.sqrt(max(pitch**2 - min(widest, pitch) ** 2, 0.0))
        yield "staggered", widest, max(pitch, spread)


def _starts(low: float, high: float, height: float, ledges: Array, spacing: float) -> list[float]:
    """Where the first row may stand: at either side, in the middle, or with a row on a ledge."""
    last = high - height
    if last - low < 1e-6:
        return [low + (last - low) / 2]
    inner = ledges[(ledges > low + 1e-6) & (ledges < high - 1e-6)]
    first = inner - np.floor((inner - low) / spacing) * spacing
    starts = {round(float(s), 9) for s in (low, last, (low + last) / 2, *first[:8]) if low <= s <= last}
    return sorted(starts)


def _sheared(width: float, low: float, room: float, pitch: float) -> Iterator[_Plan]:
    """Rows of equal length that lean on alternate sides; with one cell per row, the zigzag of a channel."""
    in_row = int(width / pitch + 1e-9) + 1
    for count in {in_row, in_row - 1} - {0}:
        shift = min(width - (count - 1) * pitch, np.sqrt(0.75) * pitch)
        step = pitch
        if count > 1 and shift > pitch / 2:
            step = min(width / (count - 0.5), np.sqrt(3) * pitch)
            shift = step / 2
        if shift < 0:
            continue
        spacing = max(np.sqrt(pitch**2 - min(shift, step - shift if count > 1 else shift) ** 2), pitch / 2)
        rows = int((room + SLACK_MM) / spacing + 1e-12) + 1
        heights = low + spacing * np.arange(rows)
        wide = step if count > 1 else width + pitch
        yield _Plan("staggered", heights, shift * (np.arange(rows) % 2), wide)


def _stepped(width: float, low: float, room: float, pitch: float) -> Iterator[_Plan]:
    """Staggered rows in which some long rows stand square on the next long row."""
    in_row = int(width / pitch + 1e-9) + 1
    for count in (in_row, in_row - 1):
        if count < 2:
            continue
        step = min(width / (count - 1), np.sqrt(2) * pitch)
        spacing = np.sqrt(pitch**2 - step**2 / 4)
        for squares in range(1, 5):
            rows = int((room - squares * pitch + SLACK_MM) / spacing) + 1 + squares
            if room < squares * pitch:
                break
            height, side, left = low, 0, squares
            heights, sides = [low], [0]
            for _ in range(rows - 1):
                square = left > 0 and side == 0 and (len(sides) < 2 or sides[-2] == 1)
                left -= square
                height += pitch if square else spacing
                side = side if square else 1 - side
                heights.append(height)
                sides.append(side)
            if left == 0 and heights[-1] <= low + room + SLACK_MM:
                yield _Plan("staggered", np.array(heights), step / 2 * np.array(sides), step)


def row_spans(edges: Array, heights: Array) -> tuple[Array, Array]:
    """Free intervals of horizontal lines, as left and right ends, shape (rows, most intervals); NaN pads."""
    low, high = edges[:, [1, 3]].min(), edges[:, [1, 3]].max()
    inset = min(EDGE * max(1.0, high - low), (high - low) / 4)
    level = np.clip(heights, low + inset, high - inset)[:, None]
    x0, y0, x1, y1 = edges.T
    crosses = (y0 > level) != (y1 > level)
    rise = np.where(y1 == y0, 1.0, y1 - y0)
    at = np.where(crosses, x0 + (level - y0) / rise * (x1 - x0), np.inf)
    at = np.sort(at, axis=1)
    most = int(crosses.sum(axis=1).max()) if len(crosses) else 0
    at = at[:, : most + most % 2]
    at[~np.isfinite(at)] = np.nan
    return at[:, 0::2], at[:, 1::2]


def best_phase(edges: Array, plan: _Plan) -> tuple[float, int]:
    """Shift of the whole pattern along the rows that holds the most cells, and how many."""
    # Compiled, and loaded only where rows are laid in what is no upright rectangle.
    from optimizer.fit.placement.counting import phased_count, row_ends, sliding_count

    at, ends = row_ends(edges, plan.heights, EDGE)
    if plan.kind == "square":  # rows a full pitch apart slide freely
        return sliding_count(at, ends, plan.pitch, SLACK_MM)
    return phased_count(at, ends, plan.shifts, plan.pitch, SLACK_MM)


def place_rows(edges: Array, plan: _Plan, phase: float) -> Array:
    """Centres of a plan, rows along x, shape (n, 2)."""
    left, right = row_spans(edges, plan.heights)
    points = []
    for row, height in enumerate(plan.heights):
        if plan.kind == "square":
            spots = _square_row(left[row], right[row], plan.pitch, phase)
        else:
            origin = phase + plan.shifts[row]
            spots = [x for a, b in _spans(left[row], right[row]) for x in _row(a, b, plan.pitch, origin)]
        points += [(x, height) for x in spots]
    return np.array(points, dtype=float).reshape(-1, 2)


def _spans(left: Array, right: Array) -> list[tuple[float, float]]:
    """Free intervals of one row, padding left out."""
    return [(a, b) for a, b in zip(left, right, strict=True) if not (np.isnan(a) or np.isnan(b))]


def _row(left: float, right: float, pitch: float, origin: float) -> Array:
    """Positions of a common lattice along one free interval of a row."""
    first = np.ceil((left - origin - SLACK_MM) / pitch)
    last = np.floor((right - origin + SLACK_MM) / pitch)
    return np.asarray(origin + pitch * np.arange(first, last + 1))


def _square_row(left: Array, right: Array, pitch: float, origin: float) -> list[float]:
    """Positions along a row that slides freely: on common columns unless these lose a cell."""
    spots: list[float] = []
    for a, b in _spans(left, right):
        low = max(a, spots[-1] + pitch) if spots else a
        if b < low - SLACK_MM:
            continue
        count = int(np.floor((b - low + SLACK_MM) / pitch)) + 1
        common = _row(low, b, pitch, origin)
        spots += list(common if len(common) == count else low + pitch * np.arange(count))
    return spots
