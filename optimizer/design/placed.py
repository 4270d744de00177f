"""Where the parts of a design lie: written into design.json, and proved again when read from there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np

from optimizer.base.problems import BadInput, Problem
from optimizer.design.file import DesignFile
from optimizer.fit.placement.bodies import Placed, part_faults
from optimizer.fit.placement.zones import MOST_ZONES, Cut, Zone, apart, zone_name
from optimizer.search.space.seats import Seats
from optimizer.search.space.space import Space
from optimizer.search.space.stands import BMS, Stand


def placed_record(placed: Sequence[Placed], *, seats: Sequence[Placed] = ()) -> dict[str, Any]:
    """Parts where they lie, for design.json, in their compartments' axes; nothing where parts take no room.

    seats are the parts with the largest board in the board's place: the room round which wires go, `seat_mm` [mm].
    """
    found = [{**asdict(part), "connectors_mm": part.plug_mm.tolist()} for part in placed]
    for one, part, seat_of in zip(found, placed, seats or placed, strict=True):
        if part.extents_mm != seat_of.extents_mm:
            one["seat_mm"] = list(seat_of.extents_mm)
    return {"placed": found} if placed else {}


def zones_record(stand: Stand) -> dict[str, Any]:
    """Zones of compartments that are cut, for design.json, in the compartments' axes; nothing where none is."""
    found = [
        {"compartment": zone_name(room, k), "of": room, "low_mm": list(low), "high_mm": list(high)}
        for room, cut in stand.cuts for k, (low, high) in enumerate(cut)
    ]  # fmt: skip
    return {"zones": found} if found else {}


def _cuts_of(file: DesignFile, space: Space) -> tuple[tuple[tuple[str, Cut], ...], list[str]]:
    """Zones that a file claims, and what is wrong with them: cells of each are proved apart from its planes."""
    by_room: dict[str, list[Zone]] = {}
    faults = []
    for one in file.zones:
        zones = by_room.setdefault(one.of, [])
        if one.of not in [room.name for room in space.compartments] or one.compartment != zone_name(one.of, len(zones)):
            faults.append(f"zone {one.compartment} is none of {one.of}")
        if any(low >= high for low, high in zip(one.low_mm, one.high_mm, strict=True)):
            faults.append(f"zone {one.compartment} has no room")
        zones.append((one.low_mm, one.high_mm))
    for room, zones in by_room.items():
        if not 2 <= len(zones) <= MOST_ZONES or not all(apart(a, b) for a, b in combinations(zones, 2)):
            faults.append(f"zones of {room} must be two or three that share no room")
    return tuple((room, tuple(zones)) for room, zones in by_room.items()), faults


def seat(path: Path, space: Space, file: DesignFile) -> None:
    """Let the design's parts lie where its file says: a claim that is proved, as its layouts are."""
    brief = space.brief
    parts = {part.name: part for part in brief.part if not part.outside}
    placed = tuple(Placed(**one.model_dump(exclude={"seat_mm"})) for one in file.placed)
    seats = tuple(
        part if one.seat_mm is None else part.shrunk(one.seat_mm) for one, part in zip(file.placed, placed, strict=True)
    )
    cuts, faults = _cuts_of(file, space)
    faults += [fault for room in space.compartments for fault in part_faults(room, seats)]
    if sorted(one.name for one in placed) != sorted(parts):
        faults.append(f"must be the brief's parts: {', '.join(parts) or 'none'}")
    board = [float(getattr(space.inputs.bms, f"{side}_mm")[0]) for side in ("length", "width", "height")]
    for one in placed:
        part = parts.get(one.name)
        if part is None or (part.within and one.compartment not in part.within):
            faults.append(f"{one.name} may not lie in {one.compartment}")
        elif sorted(one.extents_mm) != sorted(board if part.kind == BMS else part.size_mm or ()):
            faults.append(f"{one.name} has another size")
        elif (one.gap_mm, one.free_mm) != (part.gap_mm, part.free_mm):
            faults.append(f"{one.name} has other gaps")
    for one, around in zip(placed, seats, strict=True):
        if np.any(np.array(one.extents_mm) > around.extents_mm):
            faults.append(f"{one.name} is larger than its seat_mm")
    if faults:
        told = [f"does not hold: {fault}" for fault in faults]
        raise BadInput([Problem("bad-layout", str(path), "", "placed", "", text) for text in told])
    boards = any(part.kind == BMS for part in parts.values())
    first = sorted(seats, key=lambda one: parts[one.name].kind != BMS)
    space.__dict__["_seats"] = Seats(
        brief, space.compartments, space.inputs.cells, space.inputs.bms, fixed=(Stand(tuple(first), boards, cuts),)
    )
