"""What a pack consists of besides its cells: one entry for each part, for any number of choices at once.

The batch that is scored, the bounds of boxes and the bill are all made from these entries. A new part is one entry.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimizer.base.arrays import Floats, Ints
from optimizer.base.materials import MATERIALS
from optimizer.brief import FillerSection
from optimizer.fit.region.geometry import box_walls
from optimizer.pack.bill import Line, pieces_line, priced, wire_line
from optimizer.pack.case.outline import straps_per_body
from optimizer.pack.joining import bolted_parts, tops
from optimizer.pack.thermal.filler import PLATE
from optimizer.score.inputs import Inputs
from optimizer.search.space.filling import filling_names

if TYPE_CHECKING:
    from optimizer.search.space.parts import Build
    from optimizer.search.space.space import Space

Num = float | Floats


@dataclass(frozen=True, eq=False)
class Amounts:
    """What the parts of some choices are counted by: numbers of one choice, or arrays of one shape.

    Parameters
    ----------
    cells, cases, leads, plugs : float or ndarray
        Cells, module cases, balance leads, and ends of power wires with a connector [-].
    lead_mm : float or ndarray
        Balance and sensor wire [mm].
    metric : mapping of str to float or ndarray
        Sums of the fills' metrics, such as case_mm3.
    """

    cells: Num
    cases: Num
    leads: Num
    plugs: Num
    lead_mm: Num
    metric: Mapping[str, Num]


def lead_wire(inputs: Inputs) -> int:
    """Row of the wire that balance leads and sensor wires are made of.

    The thinnest of the catalog; of equal ones that whose insulation bears the most heat, then the first by id.
    """
    wires = inputs.wires
    return int(np.lexsort((wires.id, -wires.insulation_temp_c, wires.area_mm2))[0])


def roomy_wires_mm(inputs: Inputs) -> tuple[float, ...]:
    """Outer diameters of leads, and of wires of the catalog, thinnest first, if they must have room [mm].

    Thicker ones than [vary] has are among them: a pack that is looked at by itself has the ways that it has in the
    search. Thinner ones are not: a way is that of the thickest wire with room.
    """
    if not inputs.brief.harness.wires_have_room:
        return ()
    outer = inputs.wires.outer_mm
    power = outer[outer >= outer[inputs.wire_rows].min()]
    return (float(outer[lead_wire(inputs)]), *np.unique(power).tolist())


def entries(space: Space, amounts: Amounts) -> list[Line]:
    """Parts of every pack, whatever conductors, BMS and fuse it has; those of no amount among them."""
    brief, metric = space.brief, amounts.metric
    rules, printed, plug = brief.parts, brief.case, brief.power_connector
    wires, lead = space.inputs.wires, lead_wire(space.inputs)
    case_kg = metric["case_mm3"] * 1e-9 * rules.case_density_kg_m3
    ties_kg, band_m = metric["tie_mm3"] * 1e-9 * rules.tie_density_kg_m3, metric["band_mm"] * 1e-3
    fused = amounts.leads if brief.protection.balance_leads else amounts.leads * 0.0
    fillers = [
        line for filler in brief.thermal.filler
        for line in _filler_lines(filler, *(metric[name] for name in filling_names(filler.name)))
    ]  # fmt: skip
    plugs = [] if plug is None else [
        pieces_line("power connector", count=amounts.plugs, mass_g=plug.mass_g, price=plug.price,
                    mohm=plug.resistance_mohm)
    ]  # fmt: skip
    return [
        pieces_line(
            "insulation", count=amounts.cells, mass_g=rules.insulation_g_per_cell, price=rules.insulation_price_per_cell
        ),
        # No current of the pack flows through it: a line without resistance.
        wire_line(
            "balance and sensor wire", length_mm=amounts.lead_mm, mass_g_per_m=wires.mass_g_per_m[lead],
            price_per_m=wires.price_per_m[lead],
        ),
        priced("case", "kg", case_kg, mass_kg=case_kg, price=rules.case_price_per_kg),
        pieces_line(
            "cover screw with insert", count=metric["case_fasteners"], mass_g=printed.screw_g,
            price=printed.screw_price,
        ),
        pieces_line(
            "strap", count=metric["case_bodies"] * straps_per_body(printed.hold), mass_g=printed.strap_g,
            price=printed.strap_price,
        ),
        pieces_line("connector", count=amounts.cases, mass_g=rules.connector_g, price=rules.connector_price),
        *plugs,
        priced("tie plates", "kg", ties_kg, mass_kg=ties_kg, price=rules.tie_price_per_kg),
        priced("tie band", "m", band_m, mass_kg=band_m * rules.band_g_per_m * 1e-3, price=rules.band_price_per_m),
        pieces_line("balance lead fuse", count=fused, mass_g=rules.balance_fuse_g, price=rules.balance_fuse_price),
        *fillers,
    ]


def _filler_lines(filler: FillerSection, mm3: Num, plates_mm3: Num) -> list[Line]:
    """A filler, and its plates where it has some."""
    kg, plates_kg = mm3 * 1e-9 * filler.density_kg_m3, plates_mm3 * 1e-9 * MATERIALS["aluminium"].density_kg_m3
    lines = [priced(filler.name, "kg", kg, mass_kg=kg, price=filler.price_per_kg)]
    if filler.kind == PLATE:
        name = f"plates of {filler.name}"
        lines.append(priced(name, "kg", plates_kg, mass_kg=plates_kg, price=filler.plate_price_per_kg))
    return lines


def entries_of_brief(space: Space) -> list[Line]:
    """The brief's own parts, and the walls that [box] bills: the same for every pack."""
    brief = space.brief
    walls = box_walls(brief, space.compartments)
    price = brief.box.price_per_kg if brief.box is not None else 0.0
    return [
        *(pieces_line(part.name, count=1.0, mass_g=part.mass_g, price=part.price)
          for part in brief.part if part.kind == "other"),
        *(priced(f"box of {name}", "kg", kg, mass_kg=kg, price=price) for name, kg in walls.items()),
    ]  # fmt: skip


def joint_entries(space: Space, amounts: Amounts) -> tuple[list[Line], list[Line]]:
    """Fasteners and lugs of cells that are bolted, and tops of cells that are welded through them."""
    rules = space.brief.joining
    bolts = bolted_parts(rules, cells=amounts.cells, leads=amounts.leads, modules=amounts.cases)
    each = (bolts, (tops(rules, cells=amounts.cells),))
    bolted, topped = (
        [pieces_line(part.item, count=part.pieces, mass_g=part.mass_g, price=part.price) for part in parts]
        for parts in each
    )
    return bolted, topped


def metal_entries(metric: Mapping[str, Num], build: Build) -> list[Line]:
    """The conductors over the cells in one stock, from METRICS of its way; the first has their resistance.

    R = ρ / t · squares; m = density · t · metal. Sheets in n layers have 1 / n of the resistance.
    """
    deep = build.stacked
    ohm, kg = metric["squares"] * build.square_ohm / deep, metric["metal_mm2"] * build.kg_per_mm2 * deep
    if build.way.cut:
        found = [
            priced("sheet", "m²", metric["bought_mm2"] * deep * 1e-6, mass_kg=kg, price=build.cost_per_mm2 * 1e6,
                   ohm=ohm),
            wire_line("cutting", length_mm=metric["cut_mm"] * deep, mass_g_per_m=0.0,
                      price_per_m=build.cut_cost_per_mm * 1e3),
        ]  # fmt: skip
    else:
        metres = metric["bought_mm2"] * deep / build.width_mm * 1e-3
        found = [priced("strip", "m", metres, mass_kg=kg, price=build.cost_per_mm2 * build.width_mm * 1e3, ohm=ohm)]
    if build.second_mm:
        found.append(
            wire_line("collector" if build.way.bar else "tabs", length_mm=metric["second_mm"],
                      mass_g_per_m=build.second_kg_per_mm * 1e6, price_per_m=build.second_cost_per_mm * 1e3)
        )  # fmt: skip
    return found


def wire_of(inputs: Inputs, row: int | Ints, length_mm: Num) -> Line:
    """Power wire of one row of the catalog, or of several, in a length [mm]."""
    wires = inputs.wires
    return wire_line(
        "power wire", length_mm=length_mm, mass_g_per_m=wires.mass_g_per_m[row], price_per_m=wires.price_per_m[row],
        ohm_per_km=wires.resistance_ohm_per_km[row],
    )


def board_of(inputs: Inputs, row: int | Ints) -> Line:
    """BMS of one row of the catalog, or of several; one that the pack's current goes past has no resistance."""
    bms = inputs.bms
    mohm = np.where(bms.bypassed[row], 0.0, bms.resistance_mohm[row])
    return pieces_line("BMS", count=1.0, mass_g=bms.mass_g[row], price=bms.price[row], mohm=mohm)


def fuse_of(inputs: Inputs, row: int | Ints) -> Line:
    """Fuse of one row of the catalog, or of several."""
    fuses = inputs.fuses
    return pieces_line("fuse", count=1.0, mass_g=fuses.mass_g[row], price=fuses.price[row],
                       mohm=fuses.resistance_mohm[row])  # fmt: skip
