"""The wires of a design with their ways, from where its conductors have their taps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from optimizer.base.arrays import Floats
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.geometry import to_vehicle
from optimizer.pack.wiring.harness import HarnessBlock
from optimizer.pack.wiring.legs import group_cells
from optimizer.pack.wiring.passages import STRAIGHT
from optimizer.pack.wiring.table import Wired, WireKind, harness_table, wires_of
from optimizer.search.space.contents import lead_wire
from optimizer.search.space.layout_wires import layout_wires

if TYPE_CHECKING:
    from optimizer.design.select import Chosen
    from optimizer.search.space.fills import Fill
    from optimizer.search.space.space import Space

Records = Sequence[Mapping[str, Any]]

BALANCE = "balance"

# Ends of wires are written to a thousandth of this [mm].
NEAR_MM = 0.01


def harness_of_design(
    space: Space, chosen: Chosen, block: HarnessBlock, conductors: Records
) -> pd.DataFrame:
    """Every wire of a design, see harness_table."""
    rules, links = space.brief.harness, space.links(chosen.stand)
    wired: list[Wired | None] = []
    rooms, of_size = space.rooms_of(chosen.stand), space.fill_rules(chosen.task(space).size)
    for k, (room, fill, groups) in enumerate(zip(rooms, chosen.fills, chosen.split, strict=True)):
        if fill is None:
            wired.append(None)
            continue
        mine = [one for one in conductors if one["compartment"] == room.name]
        own = layout_wires(
            fill.layout, fill.chain, fill.power_mm, room=room, rules=of_size, **space.around(chosen.stand, k)
        )
        wired.append(Wired(room, own, groups, fill.groups_per_module, joints_of(fill, groups, mine)))
    wires = wires_of(
        wired, links=links, order=block.order[0].tolist(), bms=int(block.bms[0]),
        sensors=space.brief.parts.sensors, share_balance_leads=rules.share_balance_leads,
        past_bms=bool(space.inputs.bms.bypassed[chosen.bms]), plugs=space.brief.power_connector is not None,
    )  # fmt: skip
    power, lead = (_wire_kind(space, row) for row in (chosen.wire, lead_wire(space.inputs)))
    return harness_table(wires, power=power, lead=lead, slack_mm=rules.slack_mm)


def _wire_kind(space: Space, row: int) -> WireKind:
    wires = space.inputs.wires
    return WireKind(
        str(wires.id[row]),
        float(wires.area_mm2[row]),
        float(wires.resistance_ohm_per_km[row]),
        float(wires.mass_g_per_m[row]),
        float(wires.price_per_m[row]),
        float(wires.outer_mm[row]),
    )


def joints_of(fill: Fill, groups: int, conductors: Records) -> dict[tuple[str, int, int], Floats]:
    """Where wires are joined to the conductors of a compartment, see Wired: welds of leads, taps of power wires."""
    cells = group_cells(fill.chain)[:groups]
    place = {int(cell): (group, k) for group, row in enumerate(cells) for k, cell in enumerate(row)}
    found: dict[tuple[str, int, int], Floats] = {}
    for one in conductors:
        for terminal in one["terminals"]:
            pole = "+" if terminal["pole"] == "+" else "−"
            found[(pole, *place[terminal["cell"]])] = np.array(terminal["centre_mm"])
        poles = {terminal["pole"] for terminal in one["terminals"]}
        if one["taps"] and len(poles) == 1:
            pole = "+" if poles == {"+"} else "−"
            group = place[one["terminals"][0]["cell"]][0]
            power = [tap["at_mm"] for tap in one["taps"] if not tap["lead"].startswith(BALANCE)]
            found[pole, group, -1] = np.array(power[len(power) // 2])
    return found


def with_balance_taps(conductors: Records, harness: pd.DataFrame, rooms: Sequence[Compartment]) -> list[dict[str, Any]]:
    """Conductors with the taps of balance leads among their own, each at the weld that it is joined beside."""
    out = [{**one, "taps": list(one["taps"])} for one in conductors]
    for room in rooms:
        mine = [(one, terminal["centre_mm"]) for one in out if one["compartment"] == room.name
                for terminal in one["terminals"]]  # fmt: skip
        if not mine:
            continue
        places = to_vehicle(room, [at for _, at in mine])
        leads = harness[(harness["purpose"] == BALANCE) & harness["from"].str.startswith(f"{room.name} ")]
        for name, text in zip(leads["from"], leads["from_mm"], strict=True):
            far = np.linalg.norm(places - np.array(text.split(), dtype=float), axis=1)
            one, at = mine[int(np.argmin(far))]
            if far.min() < NEAR_MM:
                one["taps"].append({"at_mm": at, "lead": f"{BALANCE} {name[name.index('group ') :]}"})
    return out


def hubs_record(space: Space, chosen: Chosen, block: HarnessBlock) -> dict[str, Any]:
    """Where wires are gathered, for design.json, in the vehicle's axes.

    The board's compartment and its connectors, the hub of each compartment, and pairs of compartments between whose
    hubs wires run straight for want of a passage.
    """
    links, names = space.links(chosen.stand), [room.name for room in space.rooms]
    at = [np.round(to_vehicle(room, hub), 3).tolist() for room, hub in zip(space.rooms, links.hubs_mm, strict=True)]
    bms = int(block.bms[0])
    used = [k for k, groups in enumerate(chosen.split) if groups or k == bms]
    pairs = [[names[a], names[b]] for a in used for b in used if a < b and links.through[a, b] == (STRAIGHT,)]
    return {
        "board": names[bms], "connectors_mm": at[bms], "hubs_mm": dict(zip(names, at, strict=True)), "straight": pairs
    }  # fmt: skip
