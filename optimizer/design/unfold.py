"""From a row of the front back to the whole design: positions, groups, plates, wires, every line of the bill."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import pandas as pd

from optimizer.cell.default import COLD_BAND, COLD_C, OTHER_BAND
from optimizer.design.conductors import conductor_records, cut_rows
from optimizer.design.model import Design, Drop, Station
from optimizer.design.protection import broken, turned_off
from optimizer.design.select import Chosen, bill_lines, build_of, choose, design_block, harness_of
from optimizer.design.settings import settings_sheet
from optimizer.design.warmth import ride_trace, warmth
from optimizer.design.wires import harness_of_design
from optimizer.fit.placement.proof import prove
from optimizer.fit.region.geometry import clearance
from optimizer.pack import bill
from optimizer.pack.case.wanted import case_rules
from optimizer.pack.cautions import Caution, pack_cautions
from optimizer.pack.joining import METHODS, collector_rule
from optimizer.pack.thermal.heat import CELL_J_PER_KG_K
from optimizer.pack.wiring.harness import HarnessBlock
from optimizer.score.score import Block
from optimizer.search.space.contents import lead_wire
from optimizer.search.space.filling import fillers_of, unfilled
from optimizer.search.space.space import Space

__all__ = ["choose", "design_block", "stations_of", "unfold"]


def unfold(space: Space, row: Mapping[str, Any]) -> Design:
    """The whole design behind a row of the front; BadInput when catalogs or fit no longer know what it names."""
    chosen = choose(space, row)
    inputs = space.inputs
    block = harness_of(space, chosen)
    stations = stations_of(space, chosen, block)
    conductors = conductor_records(space, chosen, stations, build_of(space, chosen))
    wires = harness_of_design(space, chosen, block, conductors)
    lines = bill_lines(space, chosen, block)
    names = {
        "cell": str(row["cell_id"]), "spare cell": str(row["cell_id"]), "strip": str(row["strip"]),
        "sheet": str(row["strip"]), "power wire": str(row["wire"]), "BMS": str(row["bms"]), "fuse": str(row["fuse"]),
        "balance and sensor wire": str(inputs.wires.id[lead_wire(inputs)]),
    }  # fmt: skip

    def part(table: Any, index: int) -> dict[str, Any]:
        return dict(table.frame.iloc[index])

    told = _cautions(space, row, chosen)
    size = space.sizes[int(space.size_of[chosen.cell])]
    warm = warmth(space, chosen, conductors, row=row)
    return Design(
        row=dict(row),
        title=space.brief.title,
        currency=space.brief.currency,
        clearance=clearance(space.brief, size),
        case=case_rules(space.brief, size),
        stations=stations,
        cell=part(inputs.cells, int(space.context.cells.row[chosen.cell])),
        strip={**part(inputs.strips, chosen.strip), "layers": chosen.layers, **_joined(space, chosen)},
        wire=part(inputs.wires, chosen.wire),
        bms=part(inputs.bms, chosen.bms),
        fuse=part(inputs.fuses, chosen.fuse),
        bill=bill.bill_table(lines, parts=names),
        harness=wires,
        plates=_cut_table(conductors),
        conductors=tuple(conductors),
        ride=_ride_frame(space, warm.block, row),
        drop=_drop(space, chosen),
        cautions=tuple(caution.text for caution in told),
        sheet=settings_sheet(space, chosen, row, warm),
        warm=warm,
        general_cautions=tuple(caution.text for caution in told if caution.general),
        measured=_measured(space),
        placed=space.placed(chosen.stand, chosen.bms),
        rooms=space.compartments,
    )


def _measured(space: Space) -> tuple[tuple[float, float], ...]:
    """Capacity and resistance of each measured group."""
    groups = space.brief.measured
    return () if groups is None else tuple(zip(groups.capacity_ah, groups.resistance_mohm, strict=True))


def _joined(space: Space, chosen: Chosen) -> dict[str, str]:
    """How the stock is joined to the cells, in words."""
    rule = space.joined_by(int(space.size_of[chosen.cell]))[space.builds.index(build_of(space, chosen))]
    if rule is None:
        return {}
    top = ", through a top of steel or nickel of 0.1 to 0.15 mm on each weld" if rule.top else ""
    told, strips = {"method": rule.method, "joined": f"{METHODS[rule.method]}{top}"}, space.inputs.strips
    bar = collector_rule(strips, chosen.strip, space.brief.joining) if strips.collector_mm[chosen.strip] > 0 else None
    return told | ({"collector_by": METHODS[bar.method]} if bar is not None else {})


def stations_of(space: Space, chosen: Chosen, block: HarnessBlock) -> tuple[Station, ...]:
    """Compartments in use, in the order in which the chain runs through them."""
    rules = clearance(space.brief, space.sizes[int(space.size_of[chosen.cell])])
    stations, first = [], 0
    for j in block.order[0]:
        fill, groups = chosen.fills[j], chosen.split[j]
        if fill is None:
            continue
        room = space.rooms_of(chosen.stand)[j]
        proof = prove(fill.layout, room, rules)
        stations.append(Station(room, fill.layout, fill.chain, groups, first, proof))
        first += groups
    return tuple(stations)


def _cut_table(conductors: Sequence[dict[str, Any]]) -> pd.DataFrame:
    """Pieces of strip of every plate in use, the plates named by the pack's group numbers."""
    return pd.DataFrame(cut_rows(conductors))


def _ride_frame(space: Space, block: Block, row: Mapping[str, Any]) -> pd.DataFrame:
    """The ride over time, as the score drives it; beside it the temperature of the hottest cell.

    Resistances follow the course that the score takes (score/warmth.py): one range, in the table and under the chart.
    """
    trace = ride_trace(
        space, block, row, points=2000, thermal_resistance_k_w=block.riding_k_per_w(space.context),
        heat_capacity_j_k=space.context.cells.mass_kg[block.cell] * CELL_J_PER_KG_K, warms=False,
    )  # fmt: skip
    names = ("time_s", "distance_km", "soc", "voltage_v", "current_a", "power_w", "temp_c")
    frame = pd.DataFrame({name: getattr(trace, name) for name in names})
    # A box in the sun is as if the air around it were so much warmer.
    frame["temp_c"] += space.context.warmth.ride_sun_k
    return frame


def _drop(space: Space, chosen: Chosen) -> Drop:
    """The state in which the pack's resistance counts, and one cell's in it."""
    asked = space.brief.electrical
    assert asked is not None
    cell_mohm = 1e3 * float(space.context.cells.peak_ohm[chosen.cell])
    return Drop(asked.peak_seconds, asked.reference_soc, asked.temp_c, cell_mohm)


def _cautions(space: Space, row: Mapping[str, Any], chosen: Chosen) -> tuple[Caution, ...]:
    """Cautions, the gravest first."""
    vehicle = space.brief.vehicle
    assert vehicle is not None
    return pack_cautions(
        voltage_full_v=float(row["voltage_full_v"]),
        energy_wh=float(row["energy_wh"]),
        balances_on_motor=vehicle.balances_on_motor,
        regenerates=vehicle.regen_efficiency > 0,
        unprotected=[*turned_off(space), *broken(space, chosen)],
        cold_defaults=_cold_defaults(space, chosen),
        bms_path=str(space.inputs.bms.path[chosen.bms]),
        fillers=_filled_with(space, chosen),
    )


def _filled_with(space: Space, chosen: Chosen) -> list[str]:
    """Kinds of the fillers in use."""
    fillers = fillers_of(space.brief)
    found = (unfilled(fill.layout.name, fillers)[1] for fill in chosen.fills if fill is not None)
    return [one.kind for one in found if one is not None]


def _cold_defaults(space: Space, chosen: Chosen) -> tuple[float, float, float] | None:
    """Coldest temperature of the brief, and the band of a default's resistance at -10 °C; None where it is not cold
    or the cell's row names a fitted model."""
    ride, asked = space.brief.ride, space.brief.electrical
    assert ride is not None and asked is not None
    cell, coldest = int(space.context.cells.row[chosen.cell]), min(ride.temp_c, asked.temp_c)
    if coldest >= COLD_C or space.inputs.cells.fitted_of(cell) is not None:
        return None
    return (coldest, *COLD_BAND.get(str(space.inputs.cells.chemistry[cell]), OTHER_BAND))
