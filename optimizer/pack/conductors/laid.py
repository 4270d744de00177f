"""Strip laid on a site: straight pieces of stock from weld to weld, before any thickness.

A plate over two straight rows that the strip is wide enough for is one piece along both. Otherwise each group has
runs along its rows, and ties go from group to group, all parallel; further pieces only where something would hang
loose. The lead is joined between two cells, where no heat goes into one.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
import shapely

from optimizer.base.arrays import Floats, Ints
from optimizer.fit.region.layout import CellSize
from optimizer.pack.conductors.field import WELD_MM
from optimizer.pack.conductors.pieces import CannotLay, Metal, Piece
from optimizer.pack.conductors.sites import EXIT, SERIES, Site, button_mm, off_centre_mm

# Metal around a weld disc, and beyond the last weld of a piece from the weld's middle; lengths are cut to half
# millimetres (common practice, no published source).
RIM_MM = 0.5
OVERHANG_MM = 3.0
CUT_STEP_MM = 0.5
COVER_MM = WELD_MM / 2 + RIM_MM
# Corners keep this far inside a round end, whose outline is one of straight pieces [mm].
ROUND_MM = 0.05
# Pieces within this angle are parallel; more than so many directions in one plate are a criss-cross nobody builds.
PARALLEL_DEG = 5.0
MOST_DIRECTIONS = 3
# Share of a can's end that is flat enough to weld (common practice, no published source).
FLAT_SHARE = 0.85


def lay_strip(
    site: Site, size: CellSize, *, width_mm: float, layers: int, free_mm: float, taps: int = 1, bar: bool = False
) -> Metal:
    """Lay strip of a width on a site.

    Parameters
    ----------
    width_mm : float
        Of the stock [mm].
    layers : int
        Of pieces that carry the pack current: ties, bands and the plates at ends.
    free_mm : float
        Widest piece along the row at an end; wider stock is trimmed there [mm].
    taps : int
        Places at which a lead is joined, at least 1.
    bar : bool
        One straight piece over both groups where all their terminals stand in a line.

    Raises
    ------
    CannotLay
        If the strip covers a terminal too little, or pieces would cross where nothing is welded.
    """
    if width_mm < 2 * COVER_MM:
        raise CannotLay(f"strip of {width_mm:g} mm is narrower than a weld with its rim, {2 * COVER_MM:g} mm")
    band = _band(site, size, width_mm, layers) if site.kind == SERIES else None
    if bar and site.kind == SERIES and len(site.cells) > 1:
        welds = weld_points(site, size)
        edges = np.concatenate([site.inside, site.across])
        if _straight(welds, [tuple(map(int, e)) for e in edges], width_mm):
            piece = _over(welds, edges, width_mm, layers)
            return Metal(welds, np.zeros((0, 2)), (piece,), tuple(strip_sections([piece], welds, welds[:0])))
    return band if band is not None else _ladder(site, size, width_mm, layers, free_mm, taps)


def _angle(vectors: Floats) -> Floats:
    """Directions of lines in degrees, 0 to 180."""
    turned = np.degrees(np.arctan2(vectors[:, 1], vectors[:, 0])) % 180.0
    return np.asarray(np.where(turned > 180.0 - 1e-6, 0.0, turned))


def _off(one: Floats, other: float) -> Floats:
    """Angle between lines, 0 to 90 degrees."""
    gap = np.abs(one - other) % 180.0
    return np.asarray(np.minimum(gap, 180.0 - gap))


def _main(angles: Floats, square_to: float | None = None) -> float:
    """The direction that most lines have; of equal ones that most square to another, then the least."""
    near = np.array([(_off(angles, a) <= PARALLEL_DEG).sum() for a in angles])
    square = _off(angles, square_to) if square_to is not None else np.zeros(len(angles))
    best = np.lexsort((np.round(angles, 3), -np.round(square, 1), -near))[0]
    alike = angles[_off(angles, angles[best]) <= PARALLEL_DEG]
    turn = np.exp(2j * np.radians(alike)).mean()
    return float(np.degrees(np.angle(turn)) / 2 % 180.0)


def _unit(degrees: float) -> Floats:
    return np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))])


@lru_cache(maxsize=4096)
def directions(site: Site) -> tuple[float, float]:
    """Main direction of the ties (of an end: square to its row), and that of the rows [degrees]."""
    along = site.centre_mm[site.inside[:, 1]] - site.centre_mm[site.inside[:, 0]]
    ties = site.centre_mm[site.across[:, 1]] - site.centre_mm[site.across[:, 0]]
    rows = _main(_angle(along)) if len(along) else None
    if len(ties):
        tie = _main(_angle(ties), rows)
        apart = _angle(along)[_off(_angle(along), tie) > PARALLEL_DEG] if len(along) else np.zeros(0)
        return tie, _main(apart) if len(apart) else (tie + 90.0) % 180.0
    row = rows if rows is not None else 0.0
    return (row + 90.0) % 180.0, row


def weld_points(site: Site, size: CellSize) -> Floats:
    """Middles of the welds: of positive ends their centre, of negative ends off it, towards the tie.

    Returns
    -------
    ndarray, shape (m, 2)
        [mm]
    """
    tie, row = directions(site)
    if site.kind == SERIES:
        way = _unit(tie)
        step = site.centre_mm[site.across[:, 0]] - site.centre_mm[site.across[:, 1]]
        sign = np.array([[np.sign(np.round((step @ way).sum(), 6)) or 1.0]])
    else:
        # Along the row towards its middle, so that nothing reaches beyond the cells' sides.
        way = _unit(row)
        along = np.round((site.centre_mm - site.centre_mm.mean(axis=0)) @ way, 6)
        sign = np.where(along > 0, -1.0, 1.0)[~site.positive][:, None]
    welds = site.centre_mm.copy()
    welds[~site.positive] += sign * off_centre_mm(size) * way
    return welds


def _band(site: Site, size: CellSize, width_mm: float, layers: int) -> Metal | None:
    """One piece along two rows, welds moved inwards as far as the terminals allow; None where that is too little."""
    row = directions(site)[1]
    along, square = _unit(row), _unit(row + 90.0)
    height = site.centre_mm @ square
    plus, minus = height[site.positive], height[~site.positive]
    middle = (plus.mean() + minus.mean()) / 2
    sign = float(np.sign(plus.mean() - minus.mean()))
    if max(np.ptp(plus), np.ptp(minus)) > RIM_MM or sign == 0:
        return None
    reach = width_mm / 2 - COVER_MM
    wanted = np.where(site.positive, 1.0, -1.0) * sign * reach + middle
    # How far each weld must move from its cell's centre towards the middle.
    move = (height - wanted) * np.where(site.positive, sign, -sign)
    least = np.where(site.positive, 0.0, off_centre_mm(size))
    most = np.where(site.positive, (button_mm(size) - WELD_MM) / 2, flat_mm(size))
    move = np.maximum(move, least)
    if np.any(move > most + 1e-9):
        return None
    toward = np.where(site.positive, -sign, sign)
    welds = site.centre_mm + (move * toward)[:, None] * square
    reach_along = welds @ along
    piece = _piece(along, square, reach_along.min(), reach_along.max(), middle, width_mm, layers)
    spots = np.unique(np.round(reach_along, 2))
    cuts = [along * s + square * middle for s in (spots[1:] + spots[:-1]) / 2]
    sections = [np.array([c - square * width_mm / 2, c + square * width_mm / 2]) for c in cuts]
    ends = along * piece[1][0], along * piece[1][1]
    sections.append(np.array([ends[0] + square * middle, ends[1] + square * middle]))
    whole = Piece(piece[0], layers, width_mm, piece[1][1] - piece[1][0], np.arange(len(welds)))
    return Metal(welds, np.zeros((0, 2)), (whole,), tuple(sections))


def flat_mm(size: CellSize) -> float:
    """How far from the centre of a negative end a weld may lie [mm]."""
    if size.shape != "cylinder":
        return (size.terminal_mm - WELD_MM) / 2 if size.same_end else 0.0
    return FLAT_SHARE * size.diameter_mm / 2 - WELD_MM / 2


def _piece(
    along: Floats, square: Floats, low: float, high: float, height: float, width_mm: float, layers: int
) -> tuple[Floats, tuple[float, float]]:
    """Rectangle over a stretch with the overhang at both ends, its length rounded up."""
    length = np.ceil((high - low + 2 * OVERHANG_MM) / CUT_STEP_MM - 1e-6) * CUT_STEP_MM
    a, b = (low + high - length) / 2, (low + high + length) / 2
    half = square * width_mm / 2
    base = square * height
    corners = np.array([along * a + base - half, along * b + base - half, along * b + base + half,
                        along * a + base + half])  # fmt: skip
    return corners, (a, b)


def _ladder(site: Site, size: CellSize, width_mm: float, layers: int, free_mm: float, taps: int) -> Metal:
    """Runs within groups, ties between them."""
    welds = weld_points(site, size)
    if len(site.cells) == 1:
        width = min(width_mm, free_mm)
        return _single(site, welds, tap_points(site, size, welds, width_mm=width), width, layers)
    leads = tap_points(site, size, welds, taps=taps)
    tie, row = directions(site)
    keep = _kept(site, welds, tie, row)
    wide = min(width_mm, free_mm) if site.end else width_mm
    runs = _runs(welds, site.inside[keep[0]], wide)
    # An end in one run is as long as if all its cells were welded on their centres: both ends are cut alike.
    spots = site.centre_mm if site.end and len(runs) == 1 else welds
    pieces = [_over(spots, edges, wide if site.end else width_mm, layers if site.end else 1) for edges in runs]
    pieces += [_over(welds, pair[None], width_mm, layers) for pair in site.across[keep[1]]]
    _check_directions(pieces)
    _check_crossings(pieces)
    return Metal(welds, leads, tuple(pieces), tuple(strip_sections(pieces, welds, leads)))


def _kept(site: Site, welds: Floats, tie: float, row: float) -> tuple[Ints, Ints]:
    """Pieces inside groups and ties that are laid: those of the main directions, and what else holds all together."""
    inside, across = site.inside, site.across
    angle_in = _angle(site.centre_mm[inside[:, 1]] - site.centre_mm[inside[:, 0]]) if len(inside) else np.zeros(0)
    angle_ac = _angle(site.centre_mm[across[:, 1]] - site.centre_mm[across[:, 0]]) if len(across) else np.zeros(0)
    first_in = (_off(angle_in, row) <= PARALLEL_DEG) | ((_off(angle_in, tie) <= PARALLEL_DEG) & (not site.end))
    first_ac = _off(angle_ac, tie) <= PARALLEL_DEG
    root = list(range(len(welds)))

    def find(k: int) -> int:
        while root[k] != k:
            root[k] = root[root[k]]
            k = root[k]
        return k

    for pairs in (inside[first_in], across[first_ac]):
        for a, b in pairs:
            root[find(int(a))] = find(int(b))
    more: tuple[list[int], list[int]] = ([], [])
    rest = [(0, int(k)) for k in np.flatnonzero(~first_in)] + [(1, int(k)) for k in np.flatnonzero(~first_ac)]
    # Square to the rows before slanted, short before long.
    def rank(item: tuple[int, int]) -> tuple[float, float, int, int]:
        pair = (inside, across)[item[0]][item[1]]
        angle = (angle_in, angle_ac)[item[0]][item[1]]
        slant = min(float(_off(np.array([angle]), row)[0]), float(_off(np.array([angle]), row + 90.0)[0]))
        return round(slant, 1), round(float(np.hypot(*(welds[pair[1]] - welds[pair[0]]))), 3), *item

    for kind, k in sorted(rest, key=rank):
        a, b = (find(int(c)) for c in (inside, across)[kind][k])
        if a != b:
            root[a] = b
            more[kind].append(k)
    rows = [np.sort(np.concatenate([np.flatnonzero(f), m]).astype(np.int64))
            for f, m in zip((first_in, first_ac), more, strict=True)]  # fmt: skip
    return rows[0], rows[1]


def _runs(welds: Floats, edges: Ints, width_mm: float) -> list[Ints]:
    """Edges that continue each other in a straight line, as far as one strip covers all their welds."""
    left = [tuple(map(int, e)) for e in edges]
    runs = []
    while left:
        run = [left.pop(0)]
        grown = True
        while grown:
            grown = False
            for k, edge in enumerate(left):
                shared = {c for e in run for c in e} & set(edge)
                if len(shared) == 1 and _straight(welds, [*run, edge], width_mm):
                    run.append(left.pop(k))
                    grown = True
                    break
        runs.append(np.array(run))
    return runs


def _straight(welds: Floats, edges: Sequence[tuple[int, ...]], width_mm: float) -> bool:
    """Whether all edges follow one line and their welds lie well on a strip along it."""
    cells = sorted({c for e in edges for c in e})
    points = welds[cells]
    along = _axis(points)
    ways = np.array([welds[b] - welds[a] for a, b in edges])
    if np.any(_off(_angle(ways), float(_angle(along[None])[0])) > PARALLEL_DEG):
        return False
    off = (points - points.mean(axis=0)) @ np.array([-along[1], along[0]])
    return bool(np.ptp(off) / 2 <= width_mm / 2 - COVER_MM + 1e-9)


def _axis(points: Floats) -> Floats:
    """Direction from end to end of points on a line."""
    apart = points[:, None] - points[None]
    a, b = np.unravel_index(int(np.argmax(np.hypot(apart[..., 0], apart[..., 1]))), (len(points), len(points)))
    way = points[max(a, b)] - points[min(a, b)]
    return np.asarray(way / np.hypot(*way))


def _over(welds: Floats, edges: Ints, width_mm: float, layers: int) -> Piece:
    """The piece over the welds of some edges in a line."""
    cells = np.unique(edges)
    points = welds[cells]
    along = _axis(points)
    square = np.array([-along[1], along[0]])
    spots, off = points @ along, points @ square
    height = (off.min() + off.max()) / 2
    corners, (a, b) = _piece(along, square, spots.min(), spots.max(), height, width_mm, layers)
    return Piece(corners, layers, width_mm, b - a, cells)


def tap_points(site: Site, size: CellSize, welds: Floats, *, taps: int = 1, width_mm: float = 0.0) -> Floats:
    """Where the lead is joined: between the two neighbours that lie most in the middle; beside a cell alone.

    Several places are spread evenly over the neighbours along the row. Beside a cell alone strip of some width ends
    where its corners still lie within the cell's end.
    """
    if not site.end:
        return np.zeros((0, 2))
    if len(site.cells) == 1 and site.out_mm.any():
        return np.asarray(site.centre_mm + site.out_mm)
    if len(site.cells) == 1:
        side = min(size.diameter_mm, 1e9) if size.shape == "cylinder" else min(size.width_mm, size.thickness_mm)
        spare = side / 2 - OVERHANG_MM
        if width_mm > 0:
            within = max((side / 2) ** 2 - (width_mm / 2) ** 2, 0.0) ** 0.5 if size.shape == "cylinder" else side / 2
            spare = max(within - OVERHANG_MM - CUT_STEP_MM / 2 - ROUND_MM, 0.0)
        sign = 1.0 if site.kind == EXIT else -1.0
        return np.asarray(site.centre_mm + sign * spare * _unit(directions(site)[1]))
    row = directions(site)[1]
    middles = (welds[site.inside[:, 0]] + welds[site.inside[:, 1]]) / 2
    angles = _angle(welds[site.inside[:, 1]] - welds[site.inside[:, 0]])
    in_row = _off(angles, row) <= PARALLEL_DEG
    picked = np.flatnonzero(in_row) if in_row.any() else np.arange(len(middles))
    place = np.round(middles[picked], 2)
    if taps > 1:
        along = place @ _unit(row)
        order = picked[np.lexsort((place[:, 1], place[:, 0], np.round(along, 2)))]
        count = min(taps, len(order))
        return np.asarray(middles[order[((np.arange(count) + 0.5) * len(order) / count).astype(int)]])
    far = np.hypot(*(middles[picked] - welds.mean(axis=0)).T)
    best = picked[np.lexsort((place[:, 1], place[:, 0], np.round(far, 2)))[0]]
    return np.asarray(middles[best][None])


def _single(site: Site, welds: Floats, taps: Floats, width_mm: float, layers: int) -> Metal:
    """A cell alone: one piece from its weld to where the lead is joined."""
    points = np.concatenate([welds, taps])
    if np.hypot(*(points[1] - points[0])) < 2 * COVER_MM:
        raise CannotLay(f"a strip of {width_mm:g} mm leaves a lead no room beside the weld of a cell alone")
    one = _over(points, np.array([[0, 1]]), width_mm, layers)
    piece = Piece(one.outline_mm, layers, width_mm, one.length_mm, np.array([0]))
    return Metal(welds, taps, (piece,), tuple(strip_sections([one], points, taps[:0])))


def _check_directions(pieces: Sequence[Piece]) -> None:
    """Refuse a plate whose pieces lie in more directions than a builder keeps apart."""
    angles = [_angle((p.outline_mm[1] - p.outline_mm[0])[None])[0] for p in pieces]
    kinds: list[float] = []
    for angle in angles:
        if not any(_off(np.array([angle]), k)[0] <= PARALLEL_DEG for k in kinds):
            kinds.append(float(angle))
    if len(kinds) > MOST_DIRECTIONS:
        many = f"strips lie in {len(kinds)} directions, more than {MOST_DIRECTIONS}"
        raise CannotLay(f"{many}; a cut sheet is the answer")


def _check_crossings(pieces: Sequence[Piece]) -> None:
    """Refuse pieces that lie on each other where neither is welded to the other."""
    shapes = shapely.polygons(np.array([p.outline_mm for p in pieces]))
    tree = shapely.STRtree(shapes)
    a, b = tree.query(shapes, predicate="intersects")
    for i, j in zip(a.tolist(), b.tolist(), strict=True):
        apart = i < j and not set(pieces[i].welds.tolist()) & set(pieces[j].welds.tolist())
        if apart and shapely.intersection(shapes[i], shapes[j]).area > 1e-6:
            raise CannotLay(f"strips of {pieces[i].width_mm:g} mm lie on each other where they are not welded")


def strip_sections(pieces: Sequence[Piece], welds: Floats, taps: Floats) -> list[Floats]:
    """Cuts square to each piece, half way between the welds and taps on it."""
    found = []
    for piece in pieces:
        along = piece.outline_mm[1] - piece.outline_mm[0]
        along = along / np.hypot(*along)
        square = np.array([-along[1], along[0]])
        points = welds[piece.welds]
        height = float(np.mean(piece.outline_mm @ square))
        on = [t for t in taps if abs(t @ square - height) <= piece.width_mm / 2]
        spots = np.unique(np.round([*(points @ along), *(t @ along for t in on)], 3))
        for s in (spots[1:] + spots[:-1]) / 2:
            c = along * s + square * height
            found.append(np.array([c - square * piece.width_mm / 2, c + square * piece.width_mm / 2]))
    return found
