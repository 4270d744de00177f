"""Ways to fill one compartment with groups of P cells of one size, each reduced to what the score needs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.base.cache import Arrays, cached
from optimizer.fit.chain.groups import Chain, chain
from optimizer.fit.chain.repeating import repeating
from optimizer.fit.placement.modules import kind_of, module_layouts
from optimizer.fit.placement.place import pack_layouts, unpack_layouts
from optimizer.fit.placement.proof import prove
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.layout import CellSize, Clearance, Layout
from optimizer.pack.case.outline import CaseRules
from optimizer.pack.case.room import room_for
from optimizer.pack.case.volume import case_volume
from optimizer.pack.conductors.making import LayRules, Way
from optimizer.pack.thermal.filler import Filler
from optimizer.pack.thermal.packed import Weather, filled_mm3, heating
from optimizer.pack.ties import METRICS as TIES
from optimizer.pack.ties import tie_metrics
from optimizer.pack.wiring.legs import ANY_WIRE_MM
from optimizer.search.space.filling import filling_names
from optimizer.search.space.layout_wires import layout_wires
from optimizer.search.space.plate_metrics import plate_metrics, power_ends

Point = tuple[float, float, float]
Bodies = tuple[tuple[Point, Point], ...]
Weathers = tuple[tuple[Weather, Weather], ...]

#: Metrics of a fill that are lengths of wires up to its hub: power wires and balance leads, and one sensor's wire [mm].
LEGS = ("power_legs_mm", "lead_legs_mm")
SENSOR_LEG = "sensor_leg_mm"

#: Metrics of a fill that say how warm its hottest cell gets, see thermal.packed.Heating; the last is its rise over the
#: box by the square of the pack's current, over the resistance of one weld [K/W].
WARM = (
    "hot_rise_k_per_w", "ride_rise_k_per_w", "hot_sun_rise_k_per_w", "ride_sun_rise_k_per_w", "box_k_per_w",
    "weld_heated",
)  # fmt: skip

#: By how much the thickest power wire with room is thinner than any wire may be [mm]; a metric.
CRAMPED = "cramped_mm"

# So many groups fewer than asked for are measured, too: what is kept on disk then serves most compartments next to
# which another one has grown a little.
SPARE = 1


@dataclass(frozen=True, eq=False)
class Fill:
    """A layout with its chain, and what its first g groups bring along.

    Parameters
    ----------
    layout : Layout
    chain : Chain
    names, rules : tuple of str
        Name of each metric, and how it combines over compartments: "add" or "worst".
    metrics : ndarray, shape (groups + 1, len(names))
        Row g for the first g groups; less is better.
    groups_per_module : int
        0 for a tray.
    power_mm : ndarray, shape (groups of the chain, 2, 3)
        Where a power wire joins the negative and the positive ends of each group, see power_ends [mm].
    """

    layout: Layout
    chain: Chain
    names: tuple[str, ...]
    rules: tuple[str, ...]
    metrics: Floats
    groups_per_module: int
    power_mm: Floats

    @property
    def groups(self) -> int:
        """Groups held."""
        return len(self.metrics) - 1


@dataclass(frozen=True)
class FillRules:
    """What a fill depends on besides the compartment, the cell's size and P.

    Parameters
    ----------
    clearance : Clearance
    case : CaseRules
    ways : tuple of str
        "tray", "modules".
    groups_per_module : tuple of int
        Allowed numbers; empty for any.
    made : tuple of Way
        Ways of making the conductors that may be chosen.
    lay : LayRules
        What is asked of conductors besides their gaps.
    seconds : float
        Effort for the chain of one layout [s].
    seed : int
    shared : bool
        Chains are found from where the cells stand to each other and kept apart from the compartment, so that
        boxes which hold the same layout share them.
    share_leads : bool
        Whether one balance lead serves two cases where they meet.
    seated : bool
        Whether the lengths of sensors' wires may decide on the chain's order, see seats_matter.
    wires_mm : tuple of float
        Outer diameters of the wires that must have room, see roomy_mm; empty: none is asked for [mm].
    slack_mm : float
        Added to every wire; asked for where wires must have room alone [mm].
    fillers : tuple of Filler
        Between cells and box; always_filled: whether one of them must be.
    """

    clearance: Clearance
    case: CaseRules
    ways: tuple[str, ...]
    groups_per_module: tuple[int, ...]
    made: tuple[Way, ...]
    lay: LayRules
    seconds: float
    seed: int
    shared: bool = False
    share_leads: bool = False
    seated: bool = False
    wires_mm: tuple[float, ...] = ()
    slack_mm: float = 0.0
    fillers: tuple[Filler, ...] = ()
    always_filled: bool = False

    def fillings(self) -> tuple[Filler | None, ...]:
        """What a layout may be filled with, nothing first where it may do without."""
        return self.fillers if self.always_filled and self.fillers else (None, *self.fillers)


def fills(
    room: Compartment, *, size: CellSize, parallel: int, trays: Sequence[Layout], rules: FillRules, hub_mm: Point,
    bodies_mm: Bodies = (), ports_mm: Sequence[Point] = (), weathers: Weathers = (), least: int = 1,
) -> list[Fill]:  # fmt: skip
    """The fills of a compartment that are worth having, most groups first; kept on disk once found.

    Parameters
    ----------
    room : Compartment
    size : CellSize
    parallel : int
        Cells per group [-].
    trays : sequence of Layout
        Tray layouts; modules are found here, since their cases depend on P.
    rules : FillRules
    hub_mm : (float, float, float)
        Where wires of the compartment are gathered, in its own axes [mm].
    bodies_mm : sequence of (point, point)
        Low and high corners of the parts that wires go round [mm].
    ports_mm : sequence of (float, float, float)
        Connectors of a board that has a place, and mouths of passages: only where there are some is room for wires
        looked at [mm].
    weathers : tuple of (Weather, Weather)
        Wind and sun where it stands still and on each ride, see heating.
    least : int
        No pack has fewer groups here: metrics of fewer are infinite, and fills that hold fewer are left out. Where
        none holds as many, the fullest stands for all.

    Returns
    -------
    list of Fill
        Empty when not one group fits.
    """
    found: list[Fill] = []
    first = max(least - SPARE, 1)
    around: dict[str, Any] = {
        "hub_mm": hub_mm, "bodies_mm": bodies_mm, "ports_mm": ports_mm, "weathers": weathers
    }  # fmt: skip

    def compute() -> Arrays:
        layouts = list(trays) if "tray" in rules.ways or size.shape == "block" else []
        if "modules" in rules.ways:
            layouts += _modules(room, size, parallel, rules)
        each: list[tuple[Layout, Chain]] = []
        # A chain has no more groups than its cells make; where none has enough, only the fullest is of interest.
        wanted = parallel * min(first, max((one.cells for one in layouts), default=0) // parallel or 1)
        for layout in (one for one in layouts if one.cells >= wanted):
            links = _chain_of(layout, parallel, rules)
            each += [(layout, links)] if links is not None else []
            each += [
                (replace(layout, name=f"{layout.name}, {bands}"), links)
                for bands, links in repeating(layout, parallel=parallel, cell_gap_mm=rules.clearance.cell_gap_mm)
            ]
        wanted = min(first, max((links.groups for _, links in each), default=1))
        made = [
            measured(layout, links, room=room, rules=rules, filler=filler, least=first, **around)
            for layout, links in _distinct(each) if links.groups >= wanted for filler in rules.fillings()
        ]  # fmt: skip
        found.extend(useful([fill for fill in made if fill is not None], seated=rules.seated))
        return {**_as_arrays(found), "least": np.array(first)}

    parts = {
        "room": room.shape_key, "size": size, "parallel": parallel, "rules": rules, "hub": hub_mm, "bodies": bodies_mm,
        "ports": list(ports_mm) if rules.wires_mm else [], "weathers": weathers,
        "trays": pack_layouts(list(trays)),
    }  # fmt: skip
    arrays = cached("fills", parts, compute, enough=lambda known: int(known["least"]) <= least)
    return _of_at_least(found or _from_arrays(arrays, room.name, size, parallel), least, rules.seated)


def _of_at_least(found: list[Fill], least: int, seated: bool) -> list[Fill]:
    """Fills that hold so many groups as if fewer had not been looked at; all where none does."""
    full = [fill for fill in found if fill.groups >= least]
    never = [np.r_[False, np.arange(1, fill.groups + 1) < least][:, None] for fill in full]
    known = [
        replace(fill, metrics=np.where(rows, np.inf, fill.metrics)) for fill, rows in zip(full, never, strict=True)
    ]  # fmt: skip
    return useful(known, seated=seated) or found


def _distinct(each: Sequence[tuple[Layout, Chain]]) -> list[tuple[Layout, Chain]]:
    """Layouts whose cells and groups are not those of an earlier one: free placement may end in rows."""
    found: dict[object, tuple[Layout, Chain]] = {}
    for layout, links in each:
        what = (layout.way, layout.axis, links.groups, *(
            np.asarray(part).tobytes() for part in (
                layout.centres_mm, layout.extents_mm, layout.layer, layout.module, links.group, links.polarity,
                links.links,
            )
        ))  # fmt: skip
        found.setdefault(what, (layout, links))
    return list(found.values())


def _modules(room: Compartment, size: CellSize, parallel: int, rules: FillRules) -> list[Layout]:
    layouts = module_layouts(
        room, size, rules.clearance, parallel=parallel, groups_per_module=rules.groups_per_module,
        axes=room.axes, seconds=rules.seconds,
    )  # fmt: skip
    return [layout for layout in layouts if prove(layout, room, rules.clearance).ok]


def _chain_of(layout: Layout, parallel: int, rules: FillRules) -> Chain | None:
    """The chain of a layout; None where none of whole groups exists, or a case isn't filled by its groups.

    Prismatic cells stand in line within a group, so that some cases of them hold fewer groups than their cells would
    make; what is counted case by case would then begin at the wrong group.
    """
    how: dict[str, Any] = {
        "parallel": parallel, "cell_gap_mm": rules.clearance.cell_gap_mm, "seconds": rules.seconds,
        "seed": rules.seed,
    }  # fmt: skip
    links = _shared_chain(layout, how) if rules.shared else chain(layout, **how)
    short = layout.way == "modules" and links.groups * parallel < layout.cells
    return links if links.groups and not short else None


def _shared_chain(layout: Layout, how: dict[str, Any]) -> Chain:
    """Chain of a layout moved to the origin, kept on disk once found."""
    moved = np.round(layout.centres_mm - layout.centres_mm.min(axis=0), 6) + 0.0
    apart = replace(layout, centres_mm=moved)

    def compute() -> Arrays:
        found = chain(apart, **how)
        return {name: np.asarray(getattr(found, name)) for name in Chain.__dataclass_fields__}

    where = [moved, layout.extents_mm, layout.layer, layout.module, layout.axis, layout.way]
    parts = {"where": where, "size": layout.size, "how": how}
    arrays = cached("chain", parts, compute)
    return Chain(
        arrays["group"], int(arrays["groups"]), int(arrays["parallel"]), arrays["boundary_pairs"],
        arrays["polarity"], arrays["links"], str(arrays["method"]),
    )  # fmt: skip


def measured(
    layout: Layout, links: Chain, *, room: Compartment, rules: FillRules, hub_mm: Point, bodies_mm: Bodies = (),
    ports_mm: Sequence[Point] = (), weathers: Weathers = (), filler: Filler | None = None, least: int = 1,
) -> Fill | None:  # fmt: skip
    """A layout with a chain that is known, and all that its groups bring along.

    Parameters
    ----------
    layout : Layout
    links : Chain
        With at least one group.
    room : Compartment
    rules : FillRules
    hub_mm, bodies_mm, ports_mm, weathers
        See `fills`.
    filler : Filler, optional
        In the layout; its name is told behind the layout's.
    least : int
        Fewer groups are never in use.

    Returns
    -------
    Fill or None
        None where the print bed does not take the case of the first group, or parts leave its wires, or cells its
        tie plates, no room.
    """
    parallel = links.parallel
    where: dict[str, Any] = {"room": room, "gaps": rules.clearance, "case": rules.case}
    warm = heating(layout, links.group, **where, weathers=weathers, filler=filler)
    names, how, plates = plate_metrics(
        layout, links, gaps=rules.clearance, made=rules.made, rules=rules.lay, room=room,
        by_cell_k_per_w=warm.by_cell_k_per_w, least=least,
    )  # fmt: skip
    room_free = room_for(room, axis=layout.axis, rules=rules.case)
    cases = case_volume(layout, group=links.group, rules=rules.case, free=room_free)
    # Two welds to each cell, whose currents are equal shares.
    welds = warm.over_k_per_w * 2.0 / parallel**2
    rises = (
        warm.rise_k_per_w, warm.ride_k_per_w, warm.sun_k_per_w, warm.ride_sun_k_per_w, warm.box_k_per_w, welds
    )  # fmt: skip
    power_mm = power_ends(layout, links, gaps=rules.clearance, taps=rules.lay.taps)
    per_module = 0
    if layout.way == "modules":
        per_module = kind_of(layout, rules.clearance, parallel=parallel).groups
    wires = layout_wires(
        layout, links, power_mm, room=room, rules=rules, hub_mm=hub_mm, bodies_mm=bodies_mm, ports_mm=ports_mm
    )
    led: dict[str, Any] = {"per_module": per_module, "shared": rules.share_leads}
    thick_mm = wires.roomy_mm(**led, least=least)
    legs = wires.legs_mm(**led, thick_mm=thick_mm)
    ties = tie_metrics(layout, links.group, links.groups, cell_gap_mm=rules.clearance.cell_gap_mm)
    metrics = np.column_stack([plates, cases.volume_mm3, cases.fasteners, cases.bodies, *rises, legs, ties])
    # A case that the print bed does not take is no case: the layout ends before the group that needs it.
    # Neither is a group from which no wire gets round the parts, or whose tie plates find no room.
    good = cases.printable & np.isfinite(legs).all(axis=1) & np.isfinite(ties).all(axis=1)
    held = len(metrics) if good.all() else int(np.argmin(good))
    if not held:
        return None
    metrics = np.vstack([np.zeros(metrics.shape[1]), metrics[:held]])
    names += ("case_mm3", "case_fasteners", "case_bodies", *WARM, *LEGS, SENSOR_LEG, *TIES)
    how += ("add", "add", "add", *("worst",) * len(WARM), "add", "add", "worst", *("add",) * len(TIES))
    if rules.wires_mm:
        metrics = np.column_stack([metrics, np.r_[0.0, ANY_WIRE_MM - thick_mm[:held]]])
        names, how = (*names, CRAMPED), (*how, "worst")
    for one in rules.fillers:
        taken = np.zeros((held + 1, 2))
        if one == filler:
            both = filled_mm3(layout, links.group, **where, filler=one, open_mm3=cases.open_mm3)
            taken[1:] = np.column_stack(both)[:held]
        metrics, names, how = np.hstack([metrics, taken]), (*names, *filling_names(one.name)), (*how, "add", "add")
    if filler is not None:
        layout = replace(layout, name=f"{layout.name}, {filler.name}")
    return Fill(layout, links, names, how, metrics, per_module, power_mm)


def useful(found: Sequence[Fill], *, seated: bool = False) -> list[Fill]:
    """Fills that no other one equals or beats in groups held and, for every g, in all metrics.

    A fill that holds as many groups and is no worse in any number that the score is monotone in can stand in
    for the other in every pack. If `seated`, wires of sensors must be as long, too, since the order of the chain
    follows from them.
    """
    kept: list[Fill] = []
    for fill in sorted(found, key=lambda f: (-f.groups, tuple(f.metrics[-1]))):
        if not any(_covers(other, fill, seated) for other in kept):
            kept = [other for other in kept if not _covers(fill, other, seated)] + [fill]
    return kept


def _covers(one: Fill, other: Fill, seated: bool) -> bool:
    held = other.groups + 1
    if one.groups < other.groups or one.groups_per_module != other.groups_per_module:
        return False
    leg = one.names.index(SENSOR_LEG) if seated else 0
    alike = not seated or np.array_equal(one.metrics[:held, leg], other.metrics[:, leg])
    return alike and bool(np.all(one.metrics[:held] <= other.metrics))


def _as_arrays(found: Sequence[Fill]) -> Arrays:
    """Fills as arrays that the cache can keep."""
    arrays = pack_layouts([fill.layout for fill in found])
    arrays["count"] = np.array(len(found))
    for k, fill in enumerate(found):
        arrays[f"names{k}"] = np.array(fill.names)
        arrays[f"rules{k}"] = np.array(fill.rules)
        arrays[f"method{k}"] = np.array(fill.chain.method)
        arrays[f"groups{k}"] = np.array(fill.chain.groups)
        arrays[f"metrics{k}"] = fill.metrics
        arrays[f"per_module{k}"] = np.array(fill.groups_per_module)
        arrays[f"power{k}"] = fill.power_mm
        for name in ("group", "boundary_pairs", "polarity", "links"):
            arrays[f"{name}{k}"] = getattr(fill.chain, name)
    return arrays


def _from_arrays(arrays: Arrays, room: str, size: CellSize, parallel: int) -> list[Fill]:
    """Fills from what `_as_arrays` made of them."""
    made = []
    for k, layout in enumerate(unpack_layouts(arrays, room, size)):
        links = Chain(
            arrays[f"group{k}"], int(arrays[f"groups{k}"]), parallel, arrays[f"boundary_pairs{k}"],
            arrays[f"polarity{k}"], arrays[f"links{k}"], str(arrays[f"method{k}"]),
        )  # fmt: skip
        names, rules = (tuple(map(str, arrays[f"{word}{k}"])) for word in ("names", "rules"))
        made.append(
            Fill(layout, links, names, rules, arrays[f"metrics{k}"], int(arrays[f"per_module{k}"]), arrays[f"power{k}"])
        )
    return made
