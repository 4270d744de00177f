"""Where the parts of a pack lie: for each size of board and each compartment that may hold it, one place.

The set that is searched: a board lies where it leaves the most room for cells of the middle size among the brief's,
by Oler's bound over stacks of layers from either end along each axis; of equal places where its connectors are
nearest to the other compartments. Other parts follow, the largest first, by the same rule along the axis on which most
cells lie beside the board. A board uses the place of
a larger one wherever its own would not hold another group of a task's cells.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import shapely

from optimizer.base.problems import BadInput
from optimizer.brief import Brief
from optimizer.brief.spaces import Part
from optimizer.fit.placement.blocks import block_layouts
from optimizer.fit.placement.bodies import Body, Placed, part_faults, places, poses, with_parts
from optimizer.fit.placement.lattice import quick_count
from optimizer.fit.placement.survey import body_of, nowhere
from optimizer.fit.region.compartment import Compartment, centre_mm, centre_region, margins, stack_value
from optimizer.fit.region.geometry import clearance, to_vehicle
from optimizer.fit.region.layout import CellSize, Clearance
from optimizer.fit.region.section import TOLERANCE_MM, cross_axes

Point = tuple[float, float, float]
BMS = "BMS"


@dataclass(frozen=True)
class Stand:
    """Parts where they lie.

    Parameters
    ----------
    placed : tuple of Placed
        The board first, if it is one of them.
    board : bool
        Whether it is; else the board takes no room.
    """

    placed: tuple[Placed, ...] = ()
    board: bool = False

    @property
    def room(self) -> str:
        """Compartment of the board; "" where it takes no room."""
        return self.placed[0].compartment if self.board else ""

    def bodies_mm(self, room: str) -> tuple[tuple[Point, Point], ...]:
        """Low and high corners of the parts in a compartment, the largest board of this place among them [mm].

        Wires go round them: their ways don't change with the board that is chosen.
        """
        return tuple(
            (part.corner_mm, part.high_mm) for part in self.placed if part.compartment == room
        )

    def holds(self, size_mm: Point) -> bool:
        """Whether a board finds room where this stand's lies, turned as that one."""
        pairs = zip(self.turned(size_mm), self.placed[0].extents_mm, strict=True) if self.board else ()
        return all(side <= room for side, room in pairs)

    def turned(self, size_mm: Point) -> Point:
        """Extents of another board that lies as this stand's: its longest side where that one's is, and so on."""
        order = np.argsort(np.argsort(self.placed[0].extents_mm, kind="stable"), kind="stable")
        x, y, z = (sorted(size_mm)[k] for k in order)
        return x, y, z

    def with_board(self, size_mm: Point) -> tuple[Placed, ...]:
        """The parts with a board of another size in the place of this stand's."""
        return (self.placed[0].shrunk(self.turned(size_mm)), *self.placed[1:]) if self.board else self.placed


def stands(
    brief: Brief, rooms: Sequence[Compartment], *, boards_mm: Sequence[Point], size: CellSize
) -> list[Stand]:
    """A place for every board in every compartment that may hold it, with all other parts.

    Parameters
    ----------
    brief : Brief
    rooms : sequence of Compartment
        Without parts.
    boards_mm : sequence of (length, width, height)
        Of all boards that may be chosen.
    size : CellSize
        Of the cells by which places are compared.

    Returns
    -------
    list of Stand
        The largest boards first.

    Raises
    ------
    BadInput
        Code part-fits-nowhere: a part that finds no place beside the others, or no board that does.
    """
    parts = [part for part in brief.part if not part.outside]
    own = [part for part in parts if part.kind != BMS and part.size_mm is not None]
    own.sort(key=lambda part: -float(np.prod(np.array(part.size_mm))))
    rules = clearance(brief)
    board = next((part for part in parts if part.kind == BMS), None)
    if board is None:
        return [Stand(_others(brief, rooms, own, (), rules, size))]
    found: list[Stand] = []
    for dims in sorted(set(boards_mm), key=lambda d: (-float(np.prod(d)), d)):
        for room in _allowed(board, rooms):
            at = _best(rooms, [room], body_of(board, dims), (), rules, size, every_axis=True)
            if at is not None:
                found.append(Stand((at, *_others(brief, rooms, own, (at,), rules, size)), board=True))
    if not found:
        raise BadInput([nowhere(brief, board, f"{len(set(boards_mm))} sizes of board")])
    for stand in found:
        wrong = [fault for room in rooms for fault in part_faults(room, stand.placed)]
        if wrong:
            raise ArithmeticError(f"places of parts do not hold: {'; '.join(wrong)}")
    return found


def _allowed(part: Part, rooms: Sequence[Compartment]) -> list[Compartment]:
    return [room for room in rooms if not part.within or room.name in part.within]


def _others(
    brief: Brief, rooms: Sequence[Compartment], parts: Sequence[Part], placed: tuple[Placed, ...], rules: Clearance,
    size: CellSize,
) -> tuple[Placed, ...]:  # fmt: skip
    """Places of the brief's own parts, one after the other, beside what lies there."""
    begun = len(placed)
    for part in parts:
        assert part.size_mm is not None
        at = _best(rooms, _allowed(part, rooms), body_of(part, part.size_mm), placed, rules, size)
        if at is None:
            raise BadInput([nowhere(brief, part, " × ".join(f"{side:g}" for side in part.size_mm) + " mm")])
        placed = (*placed, at)
    return placed[begun:]


def _best(
    rooms: Sequence[Compartment], among: Sequence[Compartment], body: Body, others: tuple[Placed, ...],
    rules: Clearance, size: CellSize, *, every_axis: bool = False,
) -> Placed | None:  # fmt: skip
    """The place of a body that leaves the most room for cells in all compartments."""
    best: tuple[tuple[float, float, int], Placed] | None = None
    for room in among:
        bare = with_parts(room, others, wall_mm=rules.wall_mm)
        if not every_axis and size.shape == "cylinder":
            bare = replace(bare, axes=(max(bare.axes, key=lambda k: room_left(replace(bare, axes=(k,)), size, rules)),))
        before = room_left(bare, size, rules)
        known: dict[object, float] = {}
        for pose in poses(body):
            for at in places(room, body, pose, others=others):
                key = _mirrored(bare, at)
                if key not in known:
                    known[key] = room_left(with_parts(bare, (at,), wall_mm=rules.wall_mm), size, rules) - before
                rank = (-round(known[key], 6), round(_far_mm(rooms, room, at), 3), len(known))
                if best is None or rank < best[0]:
                    best = rank, at
    return None if best is None else best[1]


def _far_mm(rooms: Sequence[Compartment], room: Compartment, at: Placed) -> float:
    """How far the connectors of a part are from the middle of all compartments [mm]."""
    middle = np.mean([to_vehicle(each, centre_mm(each)) for each in rooms], axis=0)
    return float(np.linalg.norm(to_vehicle(room, at.plug_mm) - middle))


def _mirrored(room: Compartment, at: Placed) -> object:
    """Equal for places that mirror each other in a compartment: they leave the same room."""
    low, high = at.room_mm(gap_mm=at.gap_mm)
    spans = []
    for axis, (first, last) in enumerate(room.extent_mm):
        near, far = low[axis] - first, last - high[axis]
        spans.append((round(min(near, far) if _symmetric(room, axis) else near, 3), round(high[axis] - low[axis], 3)))
    return tuple(spans)


@lru_cache(maxsize=256)
def _symmetric(room: Compartment, axis: int) -> bool:
    """Whether a compartment is its own mirror image along an axis."""
    if room.solid is not None or room.keep_outs:
        return False
    if axis == room.extrude:
        return True
    column = cross_axes(room.extrude).index(axis)
    points = np.array(room.profile_mm, dtype=float)
    turned = points.copy()
    turned[:, column] = points[:, column].min() + points[:, column].max() - points[:, column]
    return bool(shapely.Polygon(points).symmetric_difference(shapely.Polygon(turned)).area < 1e-6)


def room_left(room: Compartment, size: CellSize, rules: Clearance) -> float:
    """An estimate of the cells of a size that a compartment takes: to compare places of parts [-].

    Layers are stacked from the low and from the high end of each axis; a layer takes what Oler's bound says, of blocks
    what its area holds.
    """
    return max((value for value, _ in _stacks(room, size, rules)), default=0.0)


def row_count(room: Compartment, size: CellSize, rules: Clearance) -> int:
    """Cells in regular rows in the stack that is estimated to be the fullest; of blocks those of the fullest layout."""
    if size.shape == "block":
        return max((layout.cells for layout in block_layouts(room, size, rules)), default=0)
    _, layers = max(_stacks(room, size, rules), key=lambda each: each[0], default=(0.0, []))
    pitch = size.diameter_mm + rules.cell_gap_mm
    return sum(quick_count(region, pitch) for region in layers)


def _stacks(
    room: Compartment, size: CellSize, rules: Clearance
) -> list[tuple[float, list[shapely.MultiPolygon]]]:
    """Stacks of layers with an estimate of what they hold."""
    block, each = size.shape == "block", (size.width_mm + rules.cell_gap_mm) * (size.thickness_mm + rules.cell_gap_mm)
    pitch, found = size.diameter_mm + rules.cell_gap_mm, []
    for axis in room.axes:
        margin = margins(rules)[1]
        low, high = room.extent_mm[axis]
        first, last = low + margin, high - margin - size.length_mm
        step = size.length_mm + 2 * rules.end_mm
        count = int((last - first + TOLERANCE_MM) / step) + 1 if last >= first - TOLERANCE_MM else 0
        ends = ([first + k * step for k in range(count)], [last - k * step for k in range(count)])
        for starts in ends if count * step - 2 * rules.end_mm < last - first + size.length_mm - 1e-3 else ends[:1]:
            regions = [centre_region(room, size=size, clearance=rules, axis=axis, low_mm=start) for start in starts]
            kept = [region for region in regions if not region.is_empty]
            # The centres of blocks keep no diameter: their region is all that is free.
            found.append((sum(r.area / each if block else stack_value(r, pitch) for r in kept), kept))
    return found
