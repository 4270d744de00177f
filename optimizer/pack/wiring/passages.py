"""From compartment to compartment: through passages, and straight where there is none."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise, product

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse.csgraph import shortest_path

from optimizer.base.arrays import Floats
from optimizer.base.problems import Problem
from optimizer.brief import Brief
from optimizer.catalog import Wires
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.geometry import compartments, rotation, to_vehicle
from optimizer.pack.wiring.around import around
from optimizer.pack.wiring.plane import HAIR_MM, Box
from optimizer.pack.wiring.ways import cut_length, outside_mm, wall_point

STRAIGHT = "straight"

#: What of a bore's area more than two wires may fill (NFPA 70, chapter 9, table 1: conduits; from memory).
FILL = 0.4

# Shorter ways than this are no edge of a graph [mm].
LEAST_MM = 1e-6

# Between places of a passage at which parts are looked for [mm].
STEP_MM = 1.0

# Compartment of a board, and where its connectors are.
Board = tuple[int, tuple[float, float, float]]


@dataclass(frozen=True)
class Passage:
    """An opening from one compartment to another.

    Parameters
    ----------
    rooms : (int, int)
        Numbers of the compartments.
    mouths_mm : ((float, float, float), (float, float, float))
        Its ends in them, in the vehicle's axes [mm].
    bore_mm : float
        Diameter of the opening [mm].
    """

    name: str
    rooms: tuple[int, int]
    mouths_mm: tuple[tuple[float, float, float], tuple[float, float, float]]
    bore_mm: float


def passages_of(brief: Brief, rooms: Sequence[Compartment]) -> tuple[Passage, ...]:
    """The brief's passages; a common position is at both mouths."""
    at = {room.name: k for k, room in enumerate(rooms)}
    found = []
    for item in brief.passage:
        one, two = item.from_mm or item.position_mm, item.to_mm or item.position_mm
        assert one is not None and two is not None
        found.append(Passage(item.name, (at[item.from_], at[item.to]), (one, two), item.bore_mm))
    return tuple(found)


def passage_problems(brief: Brief, wires: Wires | None, rows: NDArray[np.int64]) -> list[Problem]:
    """Passages outside of their compartments, and those through which no pack's wires pass. Compartments are sound.

    A mouth may lie as far outside of its compartment as the bore is wide, for the thickness of walls. Two power
    wires and two balance leads go to every compartment that is in use; of the wires of the catalog the thinnest.

    Parameters
    ----------
    wires : Wires or None
    rows : ndarray of int
        Wires that may carry the pack's current.
    """
    file, rooms = str(brief.path), compartments(brief)
    problems = []
    for number, (item, one) in enumerate(zip(brief.passage, passages_of(brief, rooms), strict=True), start=1):
        where = f"[[passage]] {number}"
        ends = [(rooms[k], mouth) for k, mouth in zip(one.rooms, one.mouths_mm, strict=True)]
        away = [(outside_mm(room, from_vehicle(room, mouth)), room, mouth) for room, mouth in ends]
        far = [end for end in away if end[0] > one.bore_mm]
        if far:
            found = "; ".join(dict.fromkeys(" ".join(f"{value:g}" for value in mouth) for _, _, mouth in far))
            text = " and ".join(f"{mm:.1f} mm outside of {room.name}" for mm, room, _ in far)
            text = f"lies {text}; a mouth may be as far off as its bore is wide"
            problems.append(Problem("passage-outside", file, where, item.name, found, text))
        if wires is not None and len(rows):
            least = 2 * float(wires_mm2(wires)[rows].min()) + 2 * float(wires_mm2(wires).min())
            if least > room_mm2(one.bore_mm):
                bore = math.sqrt(least / FILL)
                text = f"is too small for two power wires and two balance leads: at least {bore:.1f} mm"
                problems.append(Problem("passage-small", file, where, item.name, f"bore_mm {one.bore_mm:g}", text))
    return problems


def wires_mm2(wires: Wires) -> Floats:
    """Square of each wire's outer diameter: what it takes of a bore, shape (n,) [mm²]."""
    return np.asarray(wires.outer_mm**2)


def room_mm2(bore_mm: float) -> float:
    """Sum of the squares of outer diameters that fit through a bore [mm²]."""
    return FILL * bore_mm**2


@dataclass(frozen=True)
class WayPiece:
    """A piece of a way between hubs, in the vehicle: in a compartment, or between two (room -1) [mm].

    Straight, or with bends round the parts of the compartment.
    """

    room: int
    start_mm: tuple[float, float, float]
    end_mm: tuple[float, float, float]
    bends_mm: tuple[tuple[float, float, float], ...] = ()

    @property
    def corners_mm(self) -> Floats:
        """Both ends, and bends between them, shape (k, 3) [mm]."""
        return np.array([self.start_mm, *self.bends_mm, self.end_mm])


@dataclass(frozen=True, eq=False)
class Links:
    """Ways between the hubs of m compartments.

    Parameters
    ----------
    hubs_mm : ndarray, shape (m, 3)
        Where wires of each compartment are gathered, in its own axes [mm].
    length_mm : ndarray, shape (m, m)
        From hub to hub, in whole CUT_MM [mm].
    pieces : dict of (int, int) to tuple of WayPiece
    through : dict of (int, int) to tuple of str
        Passages on each way; STRAIGHT alone where there is none.
    passages : tuple of Passage
        All that there are.
    homes : tuple of int
        Compartment of each where some are zones of one; else empty.
    shut : bool
        Whether parts leave no way between two compartments that passages join.
    """

    hubs_mm: Floats
    length_mm: Floats
    pieces: dict[tuple[int, int], tuple[WayPiece, ...]]
    through: dict[tuple[int, int], tuple[str, ...]]
    passages: tuple[Passage, ...] = ()
    homes: tuple[int, ...] = ()
    shut: bool = False

    def shared_by(self, homes: Sequence[int]) -> Links:
        """The same of rooms, each of which lies in a compartment, by number; those of one compartment share its hub."""
        if list(homes) == list(range(len(self.hubs_mm))):
            return self
        pairs = {(a, b): (homes[a], homes[b]) for a, b in product(range(len(homes)), repeat=2)}
        pieces = {
            pair: tuple(replace(p, room=p.room if p.room < 0 else list(homes).index(p.room)) for p in self.pieces[at])
            for pair, at in pairs.items()
        }
        through, rows = {pair: self.through[at] for pair, at in pairs.items()}, np.array(homes)
        hubs, length = self.hubs_mm[rows], self.length_mm[np.ix_(rows, rows)]
        return Links(hubs, length, pieces, through, self.passages, tuple(homes), self.shut)


def _hubs_of(rooms: Sequence[Compartment], passages: Sequence[Passage], board: Board | None) -> list[Floats]:
    """Hub of each compartment in its own axes [mm], see legs.py.

    board: compartment of a board that has a body, and its connectors in that one's axes [mm].
    """
    found = []
    for k, room in enumerate(rooms):
        mouth = next((p.mouths_mm[p.rooms.index(k)] for p in passages if k in p.rooms), None)
        if board is not None and board[0] == k:
            found.append(np.array(board[1], dtype=float))
        else:
            found.append(np.array(wall_point(room)) if mouth is None else from_vehicle(room, mouth))
    return found


def from_vehicle(room: Compartment, point_mm: ArrayLike) -> Floats:
    """Points of the vehicle's axes in a compartment's own [mm]."""
    return np.asarray((np.asarray(point_mm, dtype=float) - room.position_mm) @ rotation(room.rotation_deg))


def links_of(
    rooms: Sequence[Compartment], passages: Sequence[Passage] = (), board: Board | None = None,
    parts: Sequence[Sequence[Box]] = (), cells: Sequence[Sequence[Box]] = (),
) -> Links:  # fmt: skip
    """The shortest ways between compartments.

    In a compartment a wire from its hub to a mouth, or from mouth to mouth, is as long as a way along the
    compartment's axes round the parts in it; between compartments that no passages join it runs straight. A passage
    at whose mouth a part lies joins none, see `covers`.

    Parameters
    ----------
    board : (int, point), optional
        As for `_hubs_of`.
    parts : sequence of sequence of (ndarray, ndarray), optional
        Low and high corners of the parts of each compartment, in its own axes [mm].
    cells : sequence of sequence of (ndarray, ndarray), optional
        The same of blocks of cells that ways go round; they shut no passage.
    """
    count = len(rooms)
    hubs = _hubs_of(rooms, passages, board)
    ends = [(p.rooms[side], p.mouths_mm[side]) for p in passages for side in (0, 1)]
    mouths = [(k, from_vehicle(rooms[k], at)) for k, at in ends]
    where = np.array([*range(count), *(k for k, _ in mouths)])
    local = np.array([*hubs, *(at for _, at in mouths)])
    points = np.array([to_vehicle(rooms[k], at) for k, at in zip(where, local, strict=True)])
    apart = np.linalg.norm(points[:, None] - points[None], axis=2)
    same = where[:, None] == where[None]
    apart = np.where(same, np.abs(local[:, None] - local[None]).sum(axis=2), apart)
    bends: dict[tuple[int, int], tuple[tuple[float, float, float], ...]] = {}
    for a, b in combinations(range(len(where)), 2):
        room = int(where[a])
        blocks = [box for lot in (parts, cells) if lot for box in lot[room]]
        if same[a, b] and blocks:
            way = around(local[a], local[b], blocks, rooms[room].extent_mm)
            apart[a, b] = apart[b, a] = np.inf if way is None else np.abs(np.diff(way, axis=0)).sum()
            if way is not None:
                bends[a, b] = tuple(_point(to_vehicle(rooms[room], corner)) for corner in way[1:-1])
                bends[b, a] = bends[a, b][::-1]
    joined = same & np.isfinite(apart)
    for number, passage in enumerate(passages):
        k = count + 2 * number
        beside = [(room, box) for room in passage.rooms for box in (parts[room] if parts else ())]
        joined[k, k + 1] = joined[k + 1, k] = not any(covers(passage, rooms, *each) for each in beside)
    graph = np.where(joined, np.maximum(apart, LEAST_MM), 0.0)
    between, before = shortest_path(graph, directed=False, return_predecessors=True)
    length = np.zeros((count, count))
    pieces: dict[tuple[int, int], tuple[WayPiece, ...]] = {}
    through: dict[tuple[int, int], tuple[str, ...]] = {}
    for one, two in product(range(count), repeat=2):
        pair = one, two
        nodes = _nodes(before, *pair) if np.isfinite(between[pair]) else list(pair)
        steps = list(pairwise(nodes))
        pieces[pair] = tuple(
            WayPiece(int(where[a]) if same[a, b] else -1, _point(points[a]), _point(points[b]), bends.get((a, b), ()))
            for a, b in steps
        )
        names = tuple(passages[(a - count) // 2].name for a, b in steps if not same[a, b] and min(a, b) >= count)
        through[pair] = names if names or pair[0] == pair[1] else (STRAIGHT,)
        length[pair] = float(cut_length(sum(apart[a, b] for a, b in steps)))
    shut = _shut(passages, between[:count, :count])
    return Links(np.array(hubs), length, pieces, through, tuple(passages), shut=shut)


def _shut(passages: Sequence[Passage], between: Floats) -> bool:
    """Whether some compartments that passages join, be it through others, are infinitely far apart."""
    linked = np.zeros(between.shape)
    for passage in passages:
        linked[passage.rooms] = linked[passage.rooms[::-1]] = 1.0
    joined = np.isfinite(shortest_path(linked, directed=False, unweighted=True))
    return bool((joined & ~np.isfinite(between)).any())


def covers(passage: Passage, rooms: Sequence[Compartment], room: int, box: Box) -> bool:
    """Whether a part in a compartment lies less than half a bore beside the way from mouth to mouth of a passage.

    Parameters
    ----------
    room : int
        Number of the part's compartment.
    box : (ndarray, ndarray)
        Low and high corner of the part, in that compartment's axes [mm].
    """
    one, two = from_vehicle(rooms[room], passage.mouths_mm)
    steps = max(int(np.linalg.norm(two - one) / STEP_MM), 1)
    points = one + np.linspace(0.0, 1.0, steps + 1)[:, None] * (two - one)
    apart = np.linalg.norm(points - np.clip(points, *box), axis=1)
    return bool(apart.min() < passage.bore_mm / 2.0 - HAIR_MM)


def _point(values: Floats) -> tuple[float, float, float]:
    x, y, z = values.tolist()
    return x, y, z


def _nodes(before: NDArray[np.int32], one: int, two: int) -> list[int]:
    """Nodes of a shortest way."""
    back = [two]
    while back[-1] != one:
        back.append(int(before[one, back[-1]]))
    return back[::-1]
