"""Where the parts of a pack lie: for each size of board and each compartment that may hold it, one place.

The set that is searched: a board lies where it leaves the most room for cells of a size, by Oler's bound over stacks
of layers from either end along each axis; of equal places where its connectors are nearest to the other compartments.
Places are found by several sizes among the brief's, and each size takes that of them beside which most of its cells
lie in rows, see Seats. Other parts follow, the largest first, by the same rule along the axis on which most
cells lie beside the board. Seats says which boards lie in which of these places.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import shapely

from optimizer.base.arrays import Floats
from optimizer.base.problems import BadInput
from optimizer.brief import Brief
from optimizer.brief.spaces import PartSection
from optimizer.fit.placement.bodies import Body, Placed, part_faults, places, poses, with_parts
from optimizer.fit.placement.stacks import room_left
from optimizer.fit.placement.survey import body_of, nowhere
from optimizer.fit.placement.zones import Cut, zone_name
from optimizer.fit.region.compartment import Compartment, centre_mm
from optimizer.fit.region.geometry import clearance, to_vehicle
from optimizer.fit.region.layout import CellSize, Clearance
from optimizer.fit.region.section import cross_axes
from optimizer.pack.wiring.passages import Links, Passage, covers, links_of, passages_of

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
    cuts : tuple of (str, Cut)
        Compartments that are cut into zones.
    """

    placed: tuple[Placed, ...] = ()
    board: bool = False
    cuts: tuple[tuple[str, Cut], ...] = ()

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

    def cut(self, room: str) -> Cut:
        """Zones of a compartment; none where it is not cut."""
        return next((cut for name, cut in self.cuts if name == room), ())

    @property
    def zone_words(self) -> list[str]:
        """Each zone of a compartment that is cut, in words."""
        return [
            f"{zone_name(room, k)}: {_words(low)} to {_words(high)} mm"
            for room, cut in self.cuts for k, (low, high) in enumerate(cut)
        ]  # fmt: skip

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


def _words(point: Point) -> str:
    return " ".join(f"{value:.4f}".rstrip("0").rstrip(".") for value in point)


def stands(
    brief: Brief, rooms: Sequence[Compartment], *, boards_mm: Sequence[Point], size: CellSize
) -> list[Stand]:
    """A place for every board in every compartment that may hold it, with all other parts.

    Parameters
    ----------
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
    rules = clearance(brief, size)
    board = next((part for part in parts if part.kind == BMS), None)
    if board is None:
        return [Stand(_others(brief, rooms, own, (), rules, size))]
    found: list[Stand] = []
    for dims in sorted(set(boards_mm), key=lambda d: (-float(np.prod(d)), d)):
        for room in _allowed(board, rooms):
            at = _best(brief, rooms, [room], body_of(board, dims), (), rules, size, board=True, every_axis=True)
            if at is not None:
                found.append(Stand((at, *_others(brief, rooms, own, (at,), rules, size)), board=True))
    if not found:
        raise BadInput([nowhere(brief, board, f"{len(set(boards_mm))} sizes of board")])
    for stand in found:
        wrong = [fault for room in rooms for fault in part_faults(room, stand.placed)]
        if wrong:
            raise ArithmeticError(f"places of parts do not hold: {'; '.join(wrong)}")
    return found


def _allowed(part: PartSection, rooms: Sequence[Compartment]) -> list[Compartment]:
    return [room for room in rooms if not part.within or room.name in part.within]


def _others(
    brief: Brief, rooms: Sequence[Compartment], parts: Sequence[PartSection], placed: tuple[Placed, ...],
    rules: Clearance, size: CellSize,
) -> tuple[Placed, ...]:  # fmt: skip
    """Places of the brief's own parts, one after the other, beside what lies there."""
    begun = len(placed)
    for part in parts:
        assert part.size_mm is not None
        body, board = body_of(part, part.size_mm), bool(begun)
        at = _best(brief, rooms, _allowed(part, rooms), body, placed, rules, size, board=board)
        if at is None:
            raise BadInput([nowhere(brief, part, " × ".join(f"{side:g}" for side in part.size_mm) + " mm")])
        placed = (*placed, at)
    return placed[begun:]


def _best(
    brief: Brief, rooms: Sequence[Compartment], among: Sequence[Compartment], body: Body, others: tuple[Placed, ...],
    rules: Clearance, size: CellSize, *, board: bool, every_axis: bool = False,
) -> Placed | None:  # fmt: skip
    """The place of a body that leaves the most room for cells in all compartments, and passages open."""
    ways, found = passages_of(brief, rooms), []
    for room in among:
        number = rooms.index(room)
        bare = with_parts(room, others, wall_mm=rules.wall_mm)
        if not every_axis and size.shape == "cylinder":
            bare = replace(bare, axes=(max(bare.axes, key=lambda k: room_left(replace(bare, axes=(k,)), size, rules)),))
        before = room_left(bare, size, rules)
        known: dict[object, float] = {}
        for pose in poses(body):
            for at in places(room, body, pose, others=others):
                if any(number in way.rooms and covers(way, rooms, number, _box(at)) for way in ways):
                    continue
                key = _mirrored(bare, at)
                if key not in known:
                    known[key] = room_left(with_parts(bare, (at,), wall_mm=rules.wall_mm), size, rules) - before
                rank = (-round(known[key], 6), round(_far_mm(rooms, room, at), 3), len(known))
                found.append((rank, at))
    for _, at in sorted(found, key=lambda each: each[0]):
        if not ways or not _links(rooms, ways, (*others, at), board=board).shut:
            return at
    return None


def _box(at: Placed) -> tuple[Floats, Floats]:
    return np.array(at.corner_mm), np.array(at.high_mm)


def _links(rooms: Sequence[Compartment], ways: Sequence[Passage], placed: Sequence[Placed], *, board: bool) -> Links:
    """Ways between the compartments with parts in them, the board first if it is one of them."""
    names = [room.name for room in rooms]
    hub = (names.index(placed[0].compartment), _point(placed[0].plug_mm)) if board else None
    parts = [[_box(at) for at in placed if at.compartment == name] for name in names]
    return links_of(rooms, ways, hub, parts)


def _point(values: Floats) -> Point:
    x, y, z = values.tolist()
    return x, y, z


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
