"""A compartment cut into zones, each with its own axis and way of filling.

A plane across one of the compartment's axes cuts it in two; a second plane cuts one of the two again, across any axis.
The planes that are tried lie where a whole number of rows (square or staggered) or layers ends that begin at an end of
what is cut, at a corner of the compartment's profile, or at a keep-out. What is in a zone keeps from a plane what it
keeps from a wall: cells, cases with their feet, and metal.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from optimizer.base.cache import Arrays, cached
from optimizer.fit.placement.bodies import Placed, Point
from optimizer.fit.placement.place import place
from optimizer.fit.placement.stacks import most_in_rows
from optimizer.fit.region.compartment import Compartment, KeepOut, keep_out_box
from optimizer.fit.region.layout import CellSize, Clearance
from optimizer.fit.region.section import cross_axes, prism_extent

#: Low and high corner of a zone between its planes, in the compartment's axes [mm].
Zone = tuple[Point, Point]
Cut = tuple[Zone, ...]

#: Cuts, each with the cells that its zones hold in regular rows.
Found = list[tuple[Cut, tuple[int, ...]]]

MOST_ZONES = 3
OTHER = "other zone"

# Planes are rounded away from where they begin to whole steps of this [mm].
STEP_MM = 1e-4


def zone_name(room: str, number: int) -> str:
    """Name of a compartment's zone by its number from 0; the first bears the compartment's.

    >>> zone_name("deck", 0), zone_name("deck", 1)
    ('deck', 'deck zone 2')
    """
    return f"{room} zone {number + 1}" if number else room


def whole(room: Compartment) -> Zone:
    """A compartment that is not cut."""
    low, high = zip(*room.extent_mm, strict=True)
    return low, high


def zone_room(room: Compartment, zone: Zone) -> Compartment:
    """A compartment of which only a zone is free: what lies behind its planes is a keep-out."""
    keep_outs: list[KeepOut] = []
    for axis, (first, last) in enumerate(room.extent_mm):
        for start, end in ((first, zone[0][axis]), (zone[1][axis], last)):
            if end > start:
                corner, size = [a for a, _ in room.extent_mm], [b - a for a, b in room.extent_mm]
                corner[axis], size[axis] = start, end - start
                keep_outs.append(keep_out_box(
                    OTHER, origin_mm=_point(corner), length_mm=size[0], width_mm=size[1], height_mm=size[2]
                ))  # fmt: skip
    return replace(room, keep_outs=(*room.keep_outs, *keep_outs), zone_mm=tuple(zip(*zone, strict=True)))


def zone_bodies(
    room: Compartment, zone: Zone, placed: Sequence[Placed], rules: Clearance
) -> list[tuple[Point, Point]]:
    """Blocks in which all cells of a zone lie, whatever fills it: wires of other zones go round them [mm].

    They leave free what cells keep from walls, and from parts that lie there.
    """
    off = rules.wall_mm + min(rules.case_mm, rules.end_mm)
    low = [max(a, first + off) for a, (first, _) in zip(zone[0], room.extent_mm, strict=True)]
    high = [min(b, last - off) for b, (_, last) in zip(zone[1], room.extent_mm, strict=True)]
    blocks = [(_point(low), _point(high))]
    for part in placed:
        if part.compartment == room.name:
            hole = part.room_mm(gap_mm=max(part.gap_mm - rules.wall_mm, 0.0) + off)
            blocks = [piece for block in blocks for piece in _without(block, (_point(hole[0]), _point(hole[1])))]
    return blocks


def _without(block: Zone, hole: Zone) -> list[Zone]:
    """What is left of a block around a hole, in blocks."""
    if any(hole[0][k] >= block[1][k] or hole[1][k] <= block[0][k] for k in range(3)):
        return [block]
    found, (low, high) = [], (list(block[0]), list(block[1]))
    for axis in range(3):
        if hole[0][axis] > low[axis]:
            found.append((_point(low), _point([*high[:axis], hole[0][axis], *high[axis + 1 :]])))
            low[axis] = hole[0][axis]
        if hole[1][axis] < high[axis]:
            found.append((_point([*low[:axis], hole[1][axis], *low[axis + 1 :]]), _point(high)))
            high[axis] = hole[1][axis]
    return found


def apart(one: Zone, two: Zone) -> bool:
    """Whether two zones share no room."""
    return any(one[1][k] <= two[0][k] or two[1][k] <= one[0][k] for k in range(3))


def planes(room: Compartment, size: CellSize, rules: Clearance, axis: int) -> list[float]:
    """Places of the planes across an axis that are tried in a compartment or zone, rising [mm]."""
    low, high = room.span_mm[axis]
    marks = {low, high}
    if room.solid is None and axis != room.extrude:
        marks |= {point[cross_axes(room.extrude).index(axis)] for point in room.profile_mm}
    for keep in room.keep_outs:
        marks.update(prism_extent(
            keep.profile_mm, extrude=keep.extrude, depth_mm=keep.depth_mm, origin_mm=keep.origin_mm)[axis])  # fmt: skip
    gap = rules.cell_gap_mm
    sides = {size.diameter_mm} if size.shape == "cylinder" else {size.width_mm, size.thickness_mm}
    steps = [(rules.case_mm, side, side + gap) for side in sides]
    steps += [(rules.case_mm, side, (side + gap) * np.sqrt(0.75)) for side in sides if size.shape == "cylinder"]
    steps.append((rules.along_mm, size.length_mm, size.length_mm + 2 * rules.along_mm))
    found = set()
    for mark in marks:
        for margin, first, pitch in steps:
            reach = 2 * (rules.wall_mm + margin) + first + pitch * np.arange(max(int((high - low) / pitch), 1))
            found |= {float(np.round(np.ceil(v / STEP_MM - 1e-3) * STEP_MM, 4)) for v in mark + reach}
            found |= {float(np.round(np.floor(v / STEP_MM + 1e-3) * STEP_MM, 4)) for v in mark - reach}
    return sorted(at for at in found if low < at < high)


def cuts(
    room: Compartment, size: CellSize, rules: Clearance, *, zones: int
) -> tuple[int, Found]:
    """Cuts of a compartment with which regular rows hold more cells than in one way, kept on disk once found.

    Parameters
    ----------
    room : Compartment
        With parts in it as keep-outs.
    zones : int
        At most so many, 2 or 3.

    Returns
    -------
    int
        Cells in one way.
    list of (Cut, tuple of int)
        Each cut with the cells of each zone; of cuts with the same counts the first.
    """
    made: list[tuple[int, Found]] = []

    def compute() -> Arrays:
        made.append(_cuts(room, size, rules, zones))
        base, found = made[0]
        return {
            "base": np.array(base),
            "counts": np.array([[*counts, 0][:MOST_ZONES] for _, counts in found]).reshape(-1, MOST_ZONES),
            "zones": np.array([[*cut, cut[-1]][:MOST_ZONES] for cut, _ in found]).reshape(-1, MOST_ZONES, 2, 3),
        }

    arrays = cached("zones", {"room": room.shape_key, "size": size, "gaps": rules, "zones": zones}, compute)
    if made:
        return made[0]
    found = []
    for counts, boxes in zip(arrays["counts"].tolist(), arrays["zones"].tolist(), strict=True):
        held = tuple(count for count in counts if count)
        found.append((tuple((_point(a), _point(b)) for a, b in boxes[: len(held)]), held))
    return int(arrays["base"]), found


def _cuts(
    room: Compartment, size: CellSize, rules: Clearance, zones: int
) -> tuple[int, Found]:
    rows = place(room, size, rules, placements=("square", "staggered"))
    base = max((layout.cells for layout in rows), default=0)
    known: dict[Zone, int] = {}

    def held(zone: Zone) -> int:
        if zone not in known:
            known[zone] = most_in_rows(zone_room(room, zone), size, rules)
        return known[zone]

    def split(zone: Zone, more_than: int) -> Iterator[tuple[Zone, Zone]]:
        for axis in range(3):
            at = planes(zone_room(room, zone), size, rules, axis)
            yield from _worth(zone, axis, [p for p in at if zone[0][axis] < p < zone[1][axis]], held, more_than)

    # Where a third zone may follow, the second need not gain yet.
    twos = list(split(whole(room), base - (zones > 2)))
    found: Found = [((one, two), (held(one), held(two))) for one, two in twos]
    if zones > 2:
        for cut in _to_cut_again(found):
            for k, zone in enumerate(cut):
                other = cut[1 - k]
                for pair in split(zone, base - held(other)):
                    three = (pair[0], pair[1], other) if k == 0 else (other, pair[0], pair[1])
                    found.append((three, (held(three[0]), held(three[1]), held(three[2]))))
    first: dict[tuple[int, ...], Cut] = {}
    for cut, counts in found:
        if sum(counts) > base:
            first.setdefault(counts, cut)
    return base, [(cut, counts) for counts, cut in first.items()]


# Cuts in two that are cut again: those that hold the most cells, and groups of any P up to this.
MOST_AGAIN = 10


def _to_cut_again(found: Found) -> list[Cut]:
    best: dict[Cut, None] = {}
    for parallel in range(1, MOST_AGAIN + 1):
        pick = max(found, key=lambda each: (sum(n // parallel for n in each[1]), sum(each[1])), default=None)
        if pick is not None:
            best[pick[0]] = None
    return list(best)


def _worth(
    zone: Zone, axis: int, at: Sequence[float], held: Callable[[Zone], int], more_than: int
) -> Iterator[tuple[Zone, Zone]]:
    """Halves of a zone by each plane whose two sides hold cells, together more than so many.

    A side holds no more where it is smaller: planes between two of which the larger sides do not hold enough are
    passed over.
    """

    def sides(k: int) -> tuple[Zone, Zone]:
        low, high = list(zone[0]), list(zone[1])
        low[axis] = high[axis] = at[k]
        return (zone[0], _point(high)), (_point(low), zone[1])

    waiting = [(0, len(at) - 1)]
    while waiting:
        low, high = waiting.pop()
        if low > high or held(sides(high)[0]) + held(sides(low)[1]) <= more_than:
            continue
        middle = (low + high) // 2
        one, two = sides(middle)
        if held(one) and held(two) and held(one) + held(two) > more_than:
            yield one, two
        waiting += [(middle + 1, high), (low, middle - 1)]


def best_cut(
    base: int, found: Found, parallel: int
) -> tuple[Cut, int] | None:
    """The cut that holds the most groups of P cells, and these; None where one way holds as many.

    Of equal ones that of the fewest zones, then of the most cells.
    """
    best: tuple[tuple[int, int, int], Cut] | None = None
    for cut, counts in found:
        rank = sum(n // parallel for n in counts), -len(cut), sum(counts)
        if rank[0] > base // parallel and (best is None or rank > best[0]):
            best = rank, cut
    return None if best is None else (best[1], best[0][0])


def _point(values: Sequence[float] | np.ndarray) -> Point:
    x, y, z = (float(value) for value in values)
    return x, y, z
