"""Wires as bodies: each at its true thickness along a clear way, or told where it has no room.

Ways of the harness are laid for their lengths; here the same ends are joined by ways that keep a wire's radius from
cases, parts and walls. Between its tap and the outside of its case a wire is a bare end, a tab or a lug of its plate's
potential, which is not drawn; wires of a bundle share a way.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby, pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from optimizer.base.arrays import Floats
from optimizer.fit.placement.zones import MOST_ZONES, zone_name
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.geometry import to_vehicle
from optimizer.pack.wiring.clear import PRESSED_MM, Clear, Upright
from optimizer.pack.wiring.passages import STRAIGHT, from_vehicle
from optimizer.pack.wiring.reach import HAIR_MM, LUG_MM, PORT_MM, NoRoomError, Reach, block, run_mm, standing
from optimizer.pack.wiring.table import corners_of
from optimizer.pack.wiring.ways import outside_mm
from optimizer.review.cad.metal import plan_shapes
from optimizer.review.cad.model import Thing, things
from optimizer.review.cad.solids import joined
from optimizer.review.cad.wires import tube
from optimizer.search.space.stands import BMS

if TYPE_CHECKING:
    from optimizer.design.model import Design
    from optimizer.review.cad.bodies import PrintedPart

#: Why a wire is not drawn that ends at a board of which the brief only says in which compartment it is.
UNPLACED = 'the brief gives the board no place ([[part]] with kind = "BMS")'

#: Holes in walls are wider than a wire by this on every side [mm].
PLAY_MM = 0.3


@dataclass(frozen=True, eq=False)
class Laid:
    """One wire of the harness.

    Parameters
    ----------
    name : str
        Begins with "wire".
    radius_mm : float
        Over its insulation [mm].
    legs_mm : tuple of ndarray, shape (k, 3)
        Corners of its clear way in each compartment that it passes, in the vehicle's axes [mm]; none where it has no
        room.
    fault : str
        What keeps it from being laid, in words; "" where nothing does.
    short_mm : float
        By how much it is cut too short for this way, from joint to joint [mm]; 0 where it is long enough.
    """

    name: str
    radius_mm: float
    legs_mm: tuple[Floats, ...] = ()
    fault: str = ""
    short_mm: float = 0.0


def laid_wires(design: Design) -> list[Laid]:
    """Every wire of a design's harness, in its order; none where the compartments are not known."""
    if not design.rooms:
        return []
    rooms = {room.name: Reach(_clear(design, room)) for room in design.rooms}
    placed = any(BMS in part.name for part in design.placed)
    found = []
    for number, wire in enumerate(design.harness.to_dict("records"), start=1):
        name = f"wire {number} {wire['from']} to {wire['to']}"
        radius = float(wire["outer_mm"]) / 2.0
        try:
            legs = _way(design, rooms, wire, radius)
            ends = corners_of(str(wire["way_mm"]))[[0, -1]]
            way = np.concatenate([ends[:1], *legs, ends[1:]])
            short_mm = max(run_mm(way) - float(wire["length_mm"]), 0.0)
            found.append(Laid(name, radius, tuple(legs), short_mm=short_mm))
        except NoRoomError as fault:
            found.append(Laid(name, radius, fault=str(fault) if placed else UNPLACED))
    return found


def room_words(wires: Sequence[Laid]) -> tuple[str, ...]:
    """How many wires have room at their true thickness, and which of them have none and why."""
    if not wires:
        return ()
    short: dict[str, list[str]] = {}
    for wire in wires:
        if wire.fault:
            short.setdefault(wire.fault, []).append(wire.name.split()[1])
    if [*short] == [UNPLACED]:
        return (
            f"Where wires run is not held against what stands there: {UNPLACED}. Their lengths are counted to a place "
            "among the cells, and pack.glb leaves them out.",
        )
    count = len(wires) - sum(map(len, short.values()))
    told = f"{count} of {len(wires)} wires have a clear way at their full thickness, from outside their case on; "
    rest = "pack.glb shows them. Between its tap and there a wire is a bare end, a tab or a lug."
    if short:
        rest = (
            "the others do not fit as they are, and pack.glb leaves them out: leave them room ([clearance] wire_mm "
            "over the cells' ends, a keep-out), or take thinner or flat wire. Numbers are the rows of harness.csv."
        )
    longer = [f"{wire.name.split()[1]} by {np.ceil(wire.short_mm):.0f} mm" for wire in wires if wire.short_mm > 0.0]
    return (
        told + rest,
        *(f"No room for wire {', '.join(numbers)}: {fault}." for fault, numbers in short.items()),
        *([f"Cut longer than harness.csv says, for its clear way: wire {', '.join(longer)}."] if longer else []),
    )


def _clear(design: Design, room: Compartment) -> Clear:
    """What wires keep clear of in a compartment: its cases, folded strips, tie plates and parts."""
    names = {zone_name(room.name, k) for k in range(MOST_ZONES)}
    found: list[Upright] = []
    for station in design.stations:
        if station.compartment.name in names:
            group, gap = np.where(station.used, station.chain.group, -1), design.clearance.cell_gap_mm
            if station.groups:
                found += standing(station.compartment, station.layout, group, design.case, cell_gap_mm=gap)
            axis = station.layout.axis
            mine = [one for one in design.conductors if one["compartment"] == station.compartment.name]
            found += [_folded(record, axis) for record in mine if record["way"] == "fold"]
    found += [block(part.corner_mm, part.high_mm) for part in design.placed if part.compartment == room.name]
    return Clear(replace(room, keep_outs=()), tuple(found))


def _folded(record: Mapping[str, Any], axis: int) -> Upright:
    """Room around a strip that is folded over the edge of its case."""
    thick = float(record["thickness_mm"]) * max(int(piece["layers"]) for piece in record["pieces"])
    heights = np.concatenate([np.array(piece["outline_mm"])[:, axis] for piece in record["pieces"]])
    shape = shapely.union_all(plan_shapes(record, axis)).buffer(thick)
    return Upright(axis, shape, float(heights.min() - thick), float(heights.max() + thick))


def _way(design: Design, rooms: Mapping[str, Reach], wire: Mapping[Hashable, Any], radius: float) -> list[Floats]:
    """Corners of a wire's clear way in each compartment that it passes, in the vehicle."""
    if wire["through"] == STRAIGHT:
        raise NoRoomError("the brief has no passage from box to box")
    corners = corners_of(str(wire["way_mm"]))
    by_name = {room.name: room for room in design.rooms}
    homes = [min(by_name.values(), key=lambda room: outside_mm(room, from_vehicle(room, at))).name for at in corners]
    runs = [(name, list(run)) for name, run in groupby(range(len(corners)), key=homes.__getitem__)]
    plugs = "BMS" in str(wire["to"])
    found = []
    for k, (name, numbers) in enumerate(runs):
        room, ends = by_name[name], corners[[numbers[0], numbers[-1]]]
        start, end = from_vehicle(room, ends)
        taps = k == 0, k == len(runs) - 1 and not plugs
        way = _as_cut(rooms[name], from_vehicle(room, corners[numbers]), radius)
        if way is None:
            way = rooms[name].leg(start, end, radius, taps, f"in {name}")
        whole = np.array([*([start] if k else []), *way, *([end] if k < len(runs) - 1 else [])])
        moved = np.abs(np.diff(whole, axis=0)).max(axis=1, initial=0.0) > HAIR_MM
        found.append(to_vehicle(room, whole[[True, *moved.tolist()]]))
    return found


def _as_cut(reach: Reach, corners: Floats, radius: float) -> Floats | None:
    """The part of a way of the harness outside of cases and connectors, if a wire has room all along it, else None."""
    clear = np.flatnonzero(reach.clear.mm(corners) >= radius - PRESSED_MM)
    if not len(clear):
        return None
    way, most = corners[clear[0] : clear[-1] + 1], max(LUG_MM, PORT_MM) + radius
    near = np.abs(way[0] - corners[0]).max() <= most and np.abs(way[-1] - corners[-1]).max() <= most
    runs = (reach.clear.sees_each(one, two[None], radius)[0] for one, two in pairwise(way))
    return way if near and all(runs) else None


def all_things(design: Design, parts: Sequence[PrintedPart], wires: Sequence[Laid]) -> list[Thing]:
    """Everything that a design places, with its wires; walls have holes where wires pass through them.

    Parameters
    ----------
    design : Design
    parts : sequence of PrintedPart
        Its printed parts.
    wires : sequence of Laid
        Those without room are left out.
    """
    there = [wire for wire in wires if wire.legs_mm]
    holes = [
        tube(np.array([*one[-2:], *two[:2]]), wire.radius_mm + PLAY_MM)
        for wire in there for one, two in pairwise(wire.legs_mm)
    ]  # fmt: skip
    found = []
    for thing in things(design, parts):
        solid = thing.solid
        if thing.kind == "box" and holes:
            back = np.column_stack([thing.place[:, :3].T, -thing.place[:, :3].T @ thing.place[:, 3]])
            solid = solid - joined(holes).transform(back)
        found.append(replace(thing, solid=solid))
    for one in there:
        path = np.concatenate(one.legs_mm)
        solid = tube(path, one.radius_mm)
        found.append(Thing(one.name, "wire", solid, np.eye(3, 4), path_mm=path, radius_mm=one.radius_mm))
    return found
