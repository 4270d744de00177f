"""Cases: printed volume of bodies and covers for the first 1, 2, … groups of a fill.

A case is a body around its cells, with a cover at both ends. Across the cells the body is a wall, a ring
around each bore, and ties where rings don't meet; `case_outline` has the shapes, and the workshop's solids are
raised from the same ones, so that the bill weighs what is printed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import ArrayLike, NDArray

from optimizer.base.arrays import Floats, Ints
from optimizer.pack.case.fasteners import (
    BOSS_HIGH_MM,
    BOSS_MM,
    FASTENERS,
    HOLE_DEEP_MM,
    HOLE_MM,
    boss_room,
    spread,
)
from optimizer.pack.case.outline import (
    BoreSeats,
    CaseRules,
    Shapes,
    bore_area_mm2,
    module_outline,
    pieces,
    ties,
    tray_outlines,
)

__all__ = ["CaseRules", "CaseVolume", "case_volume", "cases_of"]

#: Distance of the lines on which areas are measured [mm].
LINE_MM = 0.2

#: Peg of a cover, its radius and its depth in the boss; head of a countersunk M2.5 screw, its shank, its height
#: (common practice).
PEG_MM, PEG_DEEP_MM = 1.5, 4.5
HEAD_MM, SHANK_MM, HEAD_HIGH_MM = 2.5, 1.35, 1.2

#: Feet: four to a piece, their width along the wall and height along the cells; slots reach so far below the
#: cells' ends; strokes of a polarity mark.
FEET, FOOT_WIDE_MM, FOOT_HIGH_MM = 4, 8.0, 12.0
SLOT_DEEP_MM = 2.5
MARK_LONG_MM, MARK_WIDE_MM = 5.0, 0.8


@dataclass(frozen=True, eq=False)
class CaseVolume:
    """Printed cases for the first 1, 2, … G groups; each array has shape (G,).

    Parameters
    ----------
    volume_mm3 : ndarray
        Bodies and covers together [mm³].
    fasteners : ndarray
        Screws, each with its insert; 0 where covers snap on.
    bodies : ndarray
        Pieces of trays' bodies, which are held in place by themselves.
    open_mm3 : ndarray
        Open room around the cells inside the walls, as high as they are [mm³].
    printable : ndarray of bool
        Whether each piece lies on the print bed.
    """

    volume_mm3: Floats
    fasteners: Floats
    bodies: Floats
    printable: NDArray[np.bool_]
    open_mm3: Floats

    def mass_kg(self, density_kg_m3: float) -> Floats:
        """Mass at a density; PETG 1270 kg/m³ (resin data sheets; from memory)."""
        return self.volume_mm3 * 1e-9 * density_kg_m3


@dataclass(frozen=True, eq=False)
class Case:
    """One case of a layout: positions of its bores in the order of their groups, and the groups.

    Parameters
    ----------
    index : ndarray of int, shape (n,)
        Positions of the layout.
    group : ndarray of int, shape (n,)
        Place of each one's group in the chain, -1 for a seat without a cell.
    layer, module : int
    """

    index: Ints
    group: Ints
    layer: int
    module: int


def cases_of(layout: Any, group: ArrayLike) -> Iterator[Case]:
    """Cases of a layout that hold a cell: a tray has one for each layer, a module one for each of its layers.

    `group` is each cell's place in the chain, from 0; -1 for a cell left out. In a tray a case has only positions with
    a cell; in a module all of its seats.
    """
    place = np.asarray(group, int)
    modular = layout.way == "modules"
    for module in np.unique(layout.module[place >= 0]):
        for layer in np.unique(layout.layer[layout.module == module]):
            index = np.flatnonzero((layout.module == module) & (layout.layer == layer))
            if not modular:
                index = index[place[index] >= 0]
            if len(index):
                order = np.argsort(place[index], kind="stable")
                yield Case(index[order], place[index][order], int(layer), int(module))


def seats_of(layout: Any, index: Ints) -> BoreSeats:
    """Bores of some positions, seen along the cells."""
    across = [k for k in range(3) if k != layout.axis]
    return BoreSeats(
        layout.centres_mm[index][:, across],
        layout.extents_mm[index][:, across] / 2.0,
        layout.size.shape == "cylinder",
        float(layout.extents_mm[index[0], layout.axis]),
    )


def case_volume(layout: Any, *, group: ArrayLike, rules: CaseRules, free: Any = None) -> CaseVolume:
    """Printed cases of a layout for the first 1, 2, … G groups of its chain.

    body = A(section) · cell length + A(wall) · 2 rim, cover = A(outer) · cover, each with its details;
    A(section) = A(outer) − A(inner) + A(rings and ties inside) − A(bores). A module counts whole from its first
    group on.

    Parameters
    ----------
    layout : Layout
    group : ndarray of int, shape (n,)
        Place of the cell's group in the chain, from 0; -1 for a cell left out.
    rules : CaseRules
    free : callable, optional
        From the span of a case along the cells, low and high [mm], to where it may be, seen along them.

    Raises
    ------
    ValueError
        If no group is used.
    """
    place = np.asarray(group, int)
    if place.size == 0 or place.max() < 0:
        raise ValueError("no group is used")
    count = int(place.max()) + 1
    totals, printable = np.zeros((4, count)), np.ones(count, dtype=bool)
    alike: dict[bytes, tuple[Floats, bool]] = {}
    for case in cases_of(layout, place):
        seats = seats_of(layout, case.index)
        if layout.way == "modules":
            key = np.round(np.column_stack([seats.centres - seats.centres.min(axis=0), case.group >= 0]), 4).tobytes()
            if key not in alike:
                alike[key] = _module(seats, case.group, rules)
            column, fine = alike[key]
            first = int(place[(layout.module == case.module) & (place >= 0)].min())
            totals[:, first:] += column[:, None]
            printable[first:] &= fine
            continue
        middle = float(layout.centres_mm[case.index[0], layout.axis])
        reach = seats.length_mm / 2.0 + rules.end_mm
        where = None if free is None else free(middle - reach, middle + reach)
        rows, fine_rows = _tray(seats, case.group, count, rules, where)
        totals += rows
        printable &= fine_rows
    return CaseVolume(totals[0], totals[1], totals[2], printable, totals[3])


def _module(seats: BoreSeats, group: Ints, rules: CaseRules) -> tuple[Floats, bool]:
    """Volume, fasteners, pieces and open room of one module, and whether it lies on the bed."""
    outer, inner = module_outline(seats, rules)
    area = _web_area(seats, np.array([inner]), np.array([len(seats.centres)]), rules)
    cut = pieces(_boxes(seats, np.maximum(group, 0)), rules)
    number = 1 if cut is None else int(cut.max()) + 1
    row = _one(outer, inner, float(area[0]), seats, group, number, rules, modular=True)
    row[2] = 0.0
    return row, cut is not None and _low_enough(seats, rules)


def _low_enough(seats: BoreSeats, rules: CaseRules) -> bool:
    return seats.length_mm + 2.0 * rules.rim_mm <= rules.bed_mm[2] + 1e-6


def _tray(seats: BoreSeats, group: Ints, groups: int, rules: CaseRules, free: Any) -> tuple[Floats, NDArray[np.bool_]]:
    """Volume, fasteners, pieces and open room of one layer for the first 1 … groups groups, shape (4, groups)."""
    held = np.searchsorted(group, np.arange(groups), side="right")
    counts, which = np.unique(held, return_inverse=True)
    outer, inner = tray_outlines(seats, counts[counts > 0].tolist(), rules, free=free)
    area = _web_area(seats, inner, counts[counts > 0], rules)
    rows = np.zeros((len(counts), 4))
    fine = np.ones(len(counts), dtype=bool)
    boxes = _boxes(seats, group)
    ranks = np.unique(group, return_inverse=True)[1].ravel()
    for k, count in enumerate(counts[counts > 0]):
        at = k + len(counts) - int((counts > 0).sum())
        cut = pieces(boxes[: ranks[count - 1] + 1], rules)
        fine[at] = cut is not None and _low_enough(seats, rules)
        number = 1 if cut is None else int(cut.max()) + 1
        rows[at] = _one(outer[k], inner[k], float(area[k]), seats.first(count), group[:count], number, rules)
    return rows[which.ravel()].T, fine[which.ravel()]


def _boxes(seats: BoreSeats, group: Ints) -> Floats:
    """Lowest and highest corner of the cells of each group, in the order of the groups, shape (g, 4)."""
    low, high = seats.centres - seats.half, seats.centres + seats.half
    return np.array([[*low[group == g].min(axis=0), *high[group == g].max(axis=0)] for g in np.unique(group)])


def _web_area(seats: BoreSeats, inner: Shapes, counts: Ints, rules: CaseRules) -> Floats:
    """Area of rings and ties inside each inner outline, bores not taken out [mm²]."""
    if not rules.webbed:
        return np.zeros(len(inner))
    from optimizer.pack.case.kernel import covered_areas

    edges, ends = [np.zeros((0, 4))], []
    for shape in inner:
        for part in shapely.get_parts(shape):
            for ring in (part.exterior, *part.interiors):
                corners = shapely.get_coordinates(ring)
                edges.append(np.column_stack([corners[:-1], corners[1:]]))
        ends.append(sum(map(len, edges)))
    ribs, later = ties(seats, rules)
    return np.asarray(covered_areas(
        np.concatenate(edges), np.array(ends, dtype=np.int64), seats.centres, seats.half + rules.ring_mm,
        seats.round_, counts.astype(np.int64), ribs, later, LINE_MM,
    ))  # fmt: skip


def _one(
    outer: Any, inner: Any, web_mm2: float, seats: BoreSeats, group: Ints, number: int, rules: CaseRules,
    *, modular: bool = False,
) -> Floats:  # fmt: skip
    """Volume, fasteners, pieces, open room of one case."""
    face, wall = float(outer.area), float(outer.area - inner.area)
    section = wall
    if rules.webbed:
        section += web_mm2 - float(bore_area_mm2(seats, rules).sum())
    body = section * seats.length_mm + wall * 2.0 * rules.rim_mm
    used = group[group >= 0]
    held = FASTENERS * number if rules.lid != "none" and rules.cover_mm > 0 else 0
    if held and not rules.webbed:
        # In an open frame cells may leave no room between wall and bores; rings always do.
        held = min(len(spread(boss_room(outer, seats, rules))) * number, held)
    body_more, cover_more = _details(
        rules, cells=len(used), groups=len(np.unique(used)), bodies=number, feet=not modular, fasteners=held
    )
    around = float(outer.length)
    draw = rules.chamfer_mm**2 / 2.0 * around
    volume = body + body_more - draw
    if rules.cover_mm > 0:
        volume += 2.0 * (face * rules.cover_mm + cover_more - draw)
    screws = 2.0 * held if rules.lid == "screws" else 0.0
    # A seat without a cell is filled, too.
    cells_mm2 = float(_cell_area_mm2(seats)[group >= 0].sum())
    return np.array([volume, screws, number, max(face - section - cells_mm2, 0.0) * seats.length_mm])


def _cell_area_mm2(seats: BoreSeats) -> Floats:
    """Of each cell seen along it, shape (n,) [mm²]."""
    block = 4.0 * seats.half.prod(axis=1)
    return np.asarray(block * np.pi / 4.0 if seats.round_ else block)


def _details(
    rules: CaseRules, *, cells: int, groups: int, bodies: int, feet: bool, fasteners: int
) -> tuple[float, float]:
    """What bosses, feet and slots add to a body, and pegs, holes and marks to one cover [mm³].

    A boss counts with the part of its disc that stands free of wall and ring, as measured on packs of all kinds;
    marks with both strokes of a plus on one cover and one of a minus on the other.

    cells, groups, bodies: in the case; pieces of its body. feet: whether it stands by itself in its compartment;
    modules hold each other. fasteners: of one cover. Returns body_mm3, cover_mm3 : float.
    """
    body = cover = 0.0
    if fasteners:
        stands_free = 0.4 if rules.webbed else 0.8
        boss = np.pi * (BOSS_MM**2 * BOSS_HIGH_MM * stands_free - HOLE_MM**2 * HOLE_DEEP_MM)
        body += 2.0 * fasteners * boss
        peg = np.pi * PEG_MM**2 * (rules.rim_mm + PEG_DEEP_MM)
        hole = np.pi * SHANK_MM**2 * rules.cover_mm
        if rules.cover_mm >= HEAD_HIGH_MM + rules.nozzle_mm:
            hole += np.pi * (HEAD_MM**2 - SHANK_MM**2) * HEAD_HIGH_MM / 2.0
        cover += fasteners * (peg if rules.lid == "snaps" else -hole)
    if feet and rules.foot_mm >= rules.nozzle_mm:
        body += FEET * bodies * FOOT_WIDE_MM * FOOT_HIGH_MM * rules.foot_mm
    body -= 2.0 * groups * rules.slot_mm * (rules.rim_mm + SLOT_DEEP_MM) * rules.case_mm
    if rules.mark_mm > 0 and rules.cover_mm > 2.0 * rules.mark_mm:
        stroke = MARK_LONG_MM * MARK_WIDE_MM
        cover -= cells * (3.0 * stroke - MARK_WIDE_MM**2) / 2.0 * rules.mark_mm
    return float(body), float(cover)
