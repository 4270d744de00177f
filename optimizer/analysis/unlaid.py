"""Why no conductors can be laid for the packs that were asked about: the first place where they collide."""

from __future__ import annotations

from collections.abc import Sequence

from optimizer.fit.region.geometry import clearance
from optimizer.pack.case.outline import LEAST_COVER_MM
from optimizer.pack.conductors.chained import chain_metal
from optimizer.pack.conductors.joints import SLOT_MM as JOINT_SLOT_MM
from optimizer.pack.conductors.making import Way
from optimizer.pack.conductors.sites import RING_MM
from optimizer.pack.joining import BOLT
from optimizer.search.exact.branch import joinable
from optimizer.search.space import parts, ways
from optimizer.search.space import space as rules
from optimizer.search.space.offering import Task
from optimizer.search.space.space import Space


def unlaid(space: Space, tasks: Sequence[Task]) -> list[tuple[str, str]]:
    """Rules of conductors that no pack of the space meets, with what stands in the way; none where some can be laid."""
    joined, texts = False, list[str]()
    for task in tasks:
        able = [space.builds[k] for k in joinable(space, task)]
        joined = joined or bool(able)
        series = ways.series_of(space, task)
        shares = ways.shares_of(space, task)
        for build in able:
            laid = shares.laid(build, up_to=series[-1])
            if any(laid[groups] for groups in series if groups < len(laid)):
                return []
        for way in parts.ways_of(able):
            texts += _places(space, task, way, series[0])
        texts = texts or _high(space, able)
    if not joined:
        methods = ", ".join(space.brief.joining.methods)
        names = ", ".join(sorted({str(space.inputs.strips.id[build.strip]) for build in space.builds}))
        text = f"[joining] methods = {methods} join none of {names} to these cells"
        if BOLT in space.brief.joining.methods and space.brief.joining.bolt_room is False:
            text += "; bolts have no room ([joining] bolt_room)"
        return [(rules.JOINING, text)]
    return [(rules.CONDUCTORS, "; ".join(dict.fromkeys(texts[:3])))]


def _high(space: Space, builds: Sequence[parts.Build]) -> list[str]:
    """Stocks whose layers find no room under the cover, each with what has room, and which keys make more of it."""
    rules, found = clearance(space.brief), []
    room = max(min(rules.end_mm - LEAST_COVER_MM, rules.stack_mm) - RING_MM, 0.0)
    for b in builds:
        name = f"{space.inputs.strips.id[b.strip]} of {b.thickness_mm:g} mm in {b.layers} layer{'s' * (b.layers > 1)}"
        text = f"{name}: between the insulating ring on a cell's end and the cover there are {room:g} mm for metal, "
        text += f"{b.most_stack} layers on each other, {b.most_under} under a joint to another layer"
        if room < rules.stack_mm - RING_MM - 1e-9:
            text += f"; [clearance] end_mm {rules.end_mm:g} limits it up to {rules.stack_mm + LEAST_COVER_MM:g}"
        high = RING_MM + b.thickness_mm * b.layers + b.second_mm
        if high > rules.stack_mm:
            text += f"; [clearance] stack_mm {high:g} with end_mm {high + LEAST_COVER_MM:g} has room for it once, and"
            text += " cells give way; or name thinner metal in [vary] strips"
            text += ", or fewer strip_layers" * (b.layers > 1)
        wall_mm = JOINT_SLOT_MM + b.thickness_mm * b.layers
        if b.most_stack and wall_mm > rules.case_mm + 1e-9:
            text += f"; a joint between layers asks for [clearance] case_mm {wall_mm:g}, found {rules.case_mm:g}"
        found.append(text)
    return found


def _places(space: Space, task: Task, way: Way, needed: int) -> list[str]:
    """What keeps the conductors of a way from being laid in the fill that holds the most groups."""
    found = []
    for room, each in zip(space.rooms, space.fills(task), strict=True):
        for fill in each[:1]:
            made = chain_metal(
                fill.layout, fill.chain, way, gaps=clearance(space.brief), rules=parts.lay_rules(space.brief),
                room=room,
            )
            faults = made.faults_at(min(needed, fill.groups))
            found += [f"{room.name}, {fill.layout.name}, {way.words}: {fault.text}" for fault in faults[:1]]
    return found
