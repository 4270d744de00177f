"""What a row of the front names, found again: catalog rows, fills, harness, bill, and the block to score."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from optimizer.base.problems import BadInput, Problem
from optimizer.fit.region.geometry import box_walls
from optimizer.pack import bill
from optimizer.pack.case.outline import straps_per_body
from optimizer.pack.conductors.chained import HEIGHT, METRICS
from optimizer.pack.joining import BillPart, bolted_parts, tops
from optimizer.pack.wiring.bundles import between_boxes
from optimizer.pack.wiring.harness import HarnessBlock, Places, harness_block
from optimizer.score.score import Block
from optimizer.search.exact.branch import CAPS
from optimizer.search.exact.ideal import cells_cost
from optimizer.search.exact.rows import PLACED, placed_words
from optimizer.search.space import parts
from optimizer.search.space.fills import LEGS, Fill
from optimizer.search.space.hubs import board_room, places
from optimizer.search.space.plating import stocked
from optimizer.search.space.space import Space, Task
from optimizer.search.space.splits import laid_groups
from optimizer.search.space.stands import BMS


@dataclass(frozen=True, eq=False)
class Chosen:
    """Catalog rows and fills behind a row of the front."""

    cell: int
    series: int
    parallel: int
    split: tuple[int, ...]
    fills: tuple[Fill | None, ...]
    strip: int
    layers: int
    wire: int
    bms: int
    fuse: int
    stand: int = 0

    def task(self, space: Space) -> Task:
        """The task that it belongs to."""
        return Task(int(space.size_of[self.cell]), self.parallel, self.stand)


def choose(space: Space, row: Mapping[str, Any]) -> Chosen:
    """Find in the catalogs and among the fills what a row of the front, or the keys of `design.file.Choices`, names.

    BadInput: code "unknown-part" for everything that the catalogs or the fit no longer know.
    """
    inputs = space.inputs
    problems: list[Problem] = []

    def find(ids: Any, name: str) -> int:
        hits = np.flatnonzero(np.asarray(ids) == str(row[name]))
        if not len(hits):
            problems.append(
                Problem("unknown-part", str(space.brief.path), "", name, str(row[name]), "is in no catalog")
            )
            return -1
        return int(hits[0])

    cell = find(inputs.cells.id[inputs.cell_rows], "cell_id")
    rows = {
        name: find(table.id, name)
        for name, table in (
            ("strip", inputs.strips), ("wire", inputs.wires), ("bms", inputs.bms), ("fuse", inputs.fuses)
        )
    }  # fmt: skip
    if problems:
        raise BadInput(problems)
    split = parse_split(str(row["split"]), [room.name for room in space.rooms])
    stand = _stand(space, cell, int(row["parallel"]), rows["bms"], row)
    fills = _fills(space, Task(int(space.size_of[cell]), int(row["parallel"]), stand), split, str(row["layout"]))
    return Chosen(
        cell, int(row["series"]), int(row["parallel"]), split, fills,
        rows["strip"], int(row["strip_layers"]), rows["wire"], rows["bms"], rows["fuse"], stand,
    )  # fmt: skip


def parse_split(text: str, rooms: list[str]) -> tuple[int, ...]:
    """Groups of each compartment out of words such as "deck:14 stem:6".

    >>> parse_split("deck:14 stem:6", ["stem", "deck", "rear"])
    (6, 14, 0)
    """
    found = (re.search(rf"(?:^|\s){re.escape(room)}:(\d+)(?:\s|$)", text) for room in rooms)
    return tuple(int(hit.group(1)) if hit else 0 for hit in found)


def _stand(space: Space, cell: int, parallel: int, board: int, row: Mapping[str, Any]) -> int:
    """The stand whose parts lie where the row says; the first with the board where it says nothing."""
    size = int(space.size_of[cell])
    able = [k for k in space.stands_of(size, parallel) if board in space.boards(Task(size, parallel, k))]
    said = str(row.get(PLACED, ""))
    found = [k for k in able if not said or placed_words(space, k, board) == said]
    if not found:
        text = "is no place of these parts any more" if said else "has a board that fits nowhere"
        raise BadInput([Problem("unknown-part", str(space.brief.path), "", PLACED, said, text)])
    return found[0]


def _fills(space: Space, task: Task, split: tuple[int, ...], layouts: str) -> tuple[Fill | None, ...]:
    """The fill of each compartment whose layout the row names."""
    offered = space.fills(task)
    named = dict(part.split(": ", 1) for part in layouts.split("; "))
    out: list[Fill | None] = []
    for room, each, groups in zip(space.rooms, offered, split, strict=True):
        fits = [f for f in each if f.layout.name == named.get(room.name) and f.groups >= groups]
        if groups and not fits:
            what = Problem(
                "unknown-part", str(space.brief.path), "", "layout", str(named.get(room.name)),
                f"is no layout of {room.name} any more",
            )  # fmt: skip
            raise BadInput([what])
        out.append(fits[0] if groups else None)
    return tuple(out)


def harness_of(space: Space, chosen: Chosen) -> tuple[HarnessBlock, Places]:
    """The harness of one design, with legs up to the hubs, and how far its compartments lie apart."""
    rules = space.brief.harness
    where = places(space.rooms, chosen.fills, links=space.links(chosen.stand))
    block = harness_block(
        [chosen.split],
        places=where,
        sensors=space.brief.parts.sensors,
        share_balance_leads=rules.share_balance_leads,
        slack_mm=rules.slack_mm,
        bms_in=board_room(space.rooms, rules.bms_in, space.board(chosen.stand)),
    )
    homes = space.links(chosen.stand).homes
    if homes:
        block = between_boxes(
            np.array([chosen.split]), np.array([where.groups_per_module]), block, homes=homes,
            sensors=space.brief.parts.sensors, shared=rules.share_balance_leads,
        )  # fmt: skip
    power, lead = (metric(chosen, name) for name in LEGS)
    whole = replace(
        block, power_length_mm=block.power_length_mm + power, balance_length_mm=block.balance_length_mm + lead
    )  # fmt: skip
    return whole, where


def metric(chosen: Chosen, name: str) -> float:
    """Sum over the compartments of one metric of the fills at the groups in use."""
    return float(sum(_metrics(chosen, name)))


def worst(chosen: Chosen, name: str) -> float:
    """Worst over the compartments of one metric of the fills at the groups in use."""
    return float(max(_metrics(chosen, name)))


def _metrics(chosen: Chosen, name: str) -> list[float]:
    """One metric of each compartment's fill at the groups in use."""
    held = zip(chosen.fills, chosen.split, strict=True)
    return [fill.metrics[groups, fill.names.index(name)] for fill, groups in held if fill is not None]


def is_laid(chosen: Chosen, build: parts.Build) -> bool:
    """Whether the conductors of a design can be laid from its stock and have room under the covers."""
    held = [(fill, n) for fill, n in zip(chosen.fills, chosen.split, strict=True) if fill is not None]
    return all(laid_groups(fill, build)[groups] for fill, groups in held)


def bill_lines(space: Space, chosen: Chosen, block: HarnessBlock) -> list[bill.Line]:
    """Every line of a design's bill; their sums are its mass and cost."""
    inputs, rules, printed = space.inputs, space.brief.parts, space.brief.case
    bms, fuses = inputs.bms, inputs.fuses
    case_kg = metric(chosen, "case_mm3") * 1e-9 * rules.case_density_kg_m3
    lines = [
        *_cell_lines(space, chosen),
        *_conductor_lines(space, chosen, block),
        bill.priced("case", "kg", case_kg, mass_kg=case_kg, price=rules.case_price_per_kg),
        bill.pieces_line(
            "cover screw with insert", count=metric(chosen, "case_fasteners"), mass_g=printed.screw_g,
            price=printed.screw_price,
        ),
        bill.pieces_line(
            "strap", count=metric(chosen, "case_bodies") * straps_per_body(printed.hold), mass_g=printed.strap_g,
            price=printed.strap_price,
        ),
        bill.pieces_line("connector", count=block.modules[0], mass_g=rules.connector_g, price=rules.connector_price),
        *_plug_lines(space, block),
        *_tie_lines(space, chosen),
        *_bolt_lines(space, chosen, block),
        *_balance_lines(space, block),
        bill.pieces_line("BMS", count=1, mass_g=bms.mass_g[chosen.bms], price=bms.price[chosen.bms]),
        bill.pieces_line("fuse", count=1, mass_g=fuses.mass_g[chosen.fuse], price=fuses.price[chosen.fuse]),
        *(bill.pieces_line(p.name, count=1, mass_g=p.mass_g, price=p.price) for p in space.brief.part if p.kind != BMS),
    ]
    walls = space.brief.box
    if walls is not None:
        lines += [
            bill.priced(f"box of {name}", "kg", mass_kg, mass_kg=mass_kg, price=walls.price_per_kg)
            for name, mass_kg in box_walls(space.brief, space.compartments).items()
        ]
    return lines


def _plug_lines(space: Space, block: HarnessBlock) -> list[bill.Line]:
    """Connectors of the power wires."""
    plug = space.brief.power_connector
    if plug is None:
        return []
    return [bill.pieces_line("power connector", count=block.power_wires[0], mass_g=plug.mass_g, price=plug.price)]


def _tie_lines(space: Space, chosen: Chosen) -> list[bill.Line]:
    """Plates and bands that press blocks."""
    rules, metres = space.brief.parts, metric(chosen, "band_mm") * 1e-3
    plates_kg = metric(chosen, "tie_mm3") * 1e-9 * rules.tie_density_kg_m3
    return [
        bill.priced("tie plates", "kg", plates_kg, mass_kg=plates_kg, price=rules.tie_price_per_kg),
        bill.priced("tie band", "m", metres, mass_kg=metres * rules.band_g_per_m * 1e-3, price=rules.band_price_per_m),
    ]


def _bolt_lines(space: Space, chosen: Chosen, block: HarnessBlock) -> list[bill.Line]:
    """Fasteners and ring lugs of bolted cells, or tops of welds through copper."""
    size, build = int(space.size_of[chosen.cell]), space.builds.index(build_of(space, chosen))
    cells, leads = chosen.series * chosen.parallel, block.balance_leads[0]
    found: tuple[BillPart, ...] = (tops(space.brief.joining, cells=cells),) if space.topped(size)[build] else ()
    if space.bolted(size)[build]:
        found = bolted_parts(space.brief.joining, cells=cells, leads=leads, modules=block.modules[0])
    return [bill.pieces_line(p.item, count=float(p.pieces), mass_g=p.mass_g, price=p.price) for p in found]


def _balance_lines(space: Space, block: HarnessBlock) -> list[bill.Line]:
    """What protects the balance leads at their groups."""
    if not space.brief.protection.balance_leads:
        return []
    rules = space.brief.parts
    count, mass_g = block.balance_leads[0], rules.balance_fuse_g
    return [bill.pieces_line("balance lead fuse", count=count, mass_g=mass_g, price=rules.balance_fuse_price)]


def _cell_lines(space: Space, chosen: Chosen) -> list[bill.Line]:
    """Cells, spares and insulation."""
    cells, row, rules = space.inputs.cells, int(space.context.cells.row[chosen.cell]), space.brief.parts
    count = chosen.series * chosen.parallel
    bought = bill.cell_lines(
        count,
        mass_g=cells.mass_g[row],
        price=cells.price[row],
        break_quantity=cells.break_quantity[row],
        break_price=cells.break_price[row],
        spare_fraction=rules.spare_fraction,
        stock=cells.stock[row],
    )
    insulation = bill.pieces_line(
        "insulation", count=count, mass_g=rules.insulation_g_per_cell, price=rules.insulation_price_per_cell
    )
    return [*bought, insulation]


def _conductor_lines(space: Space, chosen: Chosen, block: HarnessBlock) -> list[bill.Line]:
    """Strip by cut length, power wire, balance leads and sensor wires."""
    strips, wires, lead = space.inputs.strips, space.inputs.wires, parts.lead_wire(space.inputs)
    build = build_of(space, chosen)
    numbers = {name: np.asarray(metric(chosen, f"{build.way.name}:{name}")) for name in METRICS}
    numbers |= {name: np.asarray(worst(chosen, f"{build.way.name}:{name}")) for name in HEIGHT}
    stock = stocked(numbers, build)
    bought_mm2 = metric(chosen, f"{build.way.name}:bought_mm2") * build.stacked
    second_mm = metric(chosen, f"{build.way.name}:second_mm")
    if build.way.cut:
        cut_mm = metric(chosen, f"{build.way.name}:cut_mm") * build.stacked
        sheet_kg = float(stock["kg"]) - second_mm * build.second_kg_per_mm
        metal = [
            bill.priced("sheet", "m²", bought_mm2 * 1e-6, mass_kg=sheet_kg, price=build.cost_per_mm2 * 1e6),
            bill.wire_line("cutting", length_mm=cut_mm, mass_g_per_m=0.0, price_per_m=build.cut_cost_per_mm * 1e3),
        ]
    else:
        metres, section_m2 = bought_mm2 / build.width_mm * 1e-3, build.width_mm * build.thickness_mm * 1e-6
        mass_kg = metres * section_m2 * strips.density_kg_m3[chosen.strip]
        metal = [bill.priced("strip", "m", metres, mass_kg=mass_kg, price=strips.price_per_m[chosen.strip])]
    if build.second_mm:
        item = "collector" if build.way.bar else "tabs"
        metal.append(
            bill.wire_line(item, length_mm=second_mm, mass_g_per_m=build.second_kg_per_mm * 1e6,
                           price_per_m=build.second_cost_per_mm * 1e3)
        )  # fmt: skip
    runs = {
        "power wire": (chosen.wire, block.power_length_mm[0]),
        "balance and sensor wire": (lead, block.balance_length_mm[0] + block.sensor_length_mm[0]),
    }
    return [
        *metal,
        *(
            bill.wire_line(
                item, length_mm=length, mass_g_per_m=wires.mass_g_per_m[k], price_per_m=wires.price_per_m[k]
            )
            for item, (k, length) in runs.items()
        ),
    ]


def build_of(space: Space, chosen: Chosen) -> parts.Build:
    """The stock in its layers."""
    return next(b for b in space.builds if b.strip == chosen.strip and b.layers == chosen.layers)


def design_block(space: Space, chosen: Chosen) -> Block:
    """The design as the score reads it, from its parts, by the same sums as the search."""
    inputs = space.inputs
    block, _ = harness_of(space, chosen)
    lines = bill_lines(space, chosen, block)
    mass, cost = bill.totals(lines)
    cell = np.array([chosen.cell])
    number = np.array([chosen.series * chosen.parallel])
    build = build_of(space, chosen)
    way, deep = build.way.name, build.stacked
    if not is_laid(chosen, build):
        strip = str(inputs.strips.id[chosen.strip])
        expected = "cannot be laid over these groups: its conductors would touch or hang loose"
        raise BadInput([Problem("unsuited-part", str(space.brief.path), "", "strip", strip, expected)])
    plates_ohm = build.square_ohm / deep * metric(chosen, f"{way}:squares")
    plates_ohm += space.brief.parts.weld_mohm * 1e-3 * metric(chosen, "weld")
    wire_ohm = block.power_length_mm[0] * inputs.wires.resistance_ohm_per_km[chosen.wire] * 1e-6
    board = 0.0 if inputs.bms.bypassed[chosen.bms] else inputs.bms.resistance_mohm[chosen.bms]
    plug = space.brief.power_connector
    plugs_mohm = 0.0 if plug is None else block.power_wires[0] * plug.resistance_mohm
    others = board + inputs.fuses.resistance_mohm[chosen.fuse] + plugs_mohm
    caps = {name: min(each.values()) for name, each in caps_by_part(space, chosen).items()}
    spent = cells_cost(space, cell, number)
    return Block(
        cell=cell,
        series=np.array([chosen.series]),
        parallel=np.array([chosen.parallel]),
        extra_ohm=np.array([plates_ohm + wire_ohm + others * 1e-3]),
        parts_kg=np.array([mass]) - number * space.context.cells.mass_kg[cell],
        parts_cost=np.array([cost]) - spent,
        cells_cost=spent,
        peak_cap_a=np.array([caps["neg_peak_a"]]),
        continuous_cap_a=np.array([caps["neg_continuous_a"]]),
        charge_cap_a=np.array([caps["neg_charge_a"]]),
        ride_cap_a=np.array([caps["neg_ride_a"]]),
        regen_cap_a=np.array([caps["neg_regen_a"]]),
        spread_ohm=np.array([build.square_ohm / deep * worst(chosen, f"{way}:spread")]),
        hot_rise_k_per_w=np.array([worst(chosen, "hot_rise_k_per_w")]),
    )


def caps_by_part(space: Space, chosen: Chosen) -> dict[str, dict[str, float]]:
    """Current limits of strip, wire, connector, BMS and fuse, by the column of the options and by part [A]."""
    inputs, profile, build = space.inputs, space.context.profile, build_of(space, chosen)
    cells, row = inputs.cells, int(space.context.cells.row[chosen.cell])
    full_v = chosen.series * float(cells.voltage_max_v[row])
    bms, bms_rows = parts.bms_options(
        inputs, series=chosen.series, chemistry=str(cells.chemistry[row]), full_v=full_v, profile=profile
    )
    fuse, fuse_rows = parts.fuse_options(inputs, full_v=full_v, profile=profile)
    wire = parts.wire_options(replace(inputs, wire_rows=np.array([chosen.wire])), profile=profile)[0]
    plug = parts.connector_limits(space.brief, profile=profile)
    bear_a = plates_a(chosen, build)
    peak, ride, *joints = space.overload(int(space.size_of[chosen.cell]))[:, space.builds.index(build)]
    over = {"neg_peak_a": float(peak), "neg_ride_a": float(ride)}
    joined = worst(chosen, f"{build.way.name}:stack_under") > 0
    joint_a = dict(zip(over, map(float, joints), strict=True)) if joined else {}
    pack = f"{chosen.series} {cells.chemistry[row]} cells in series, {full_v:g} V when full"
    at_bms = _place(space, "bms", bms_rows, chosen.bms, f"must manage {pack}")
    at_fuse = _place(space, "fuse", fuse_rows, chosen.fuse, f"must break {full_v:g} V DC")
    return {
        name: {
            # The wire's options hold the connectors' limit, too; of equal ones the first is named.
            **({"connector": -plug[name]} if plug else {}), "wire": -float(wire.column(name)[0]),
            "BMS": -float(bms.column(name)[at_bms]), "fuse": -float(fuse.column(name)[at_fuse]),
            "strip": min(bear_a * over.get(name, 1.0), joint_a.get(name, np.inf)),
        }
        for name in CAPS
    }  # fmt: skip


def plates_a(chosen: Chosen, build: parts.Build) -> float:
    """Continuous current of the plates of a design, by their densest piece [A]."""
    metal_mm = build.thickness_mm * build.stacked
    return metal_mm * build.density_a_mm2 / max(worst(chosen, f"{build.way.name}:dense"), 1e-12)


def _place(space: Space, name: str, suited: npt.NDArray[np.int64], row: int, expected: str) -> int:
    """Where a chosen BMS or fuse stands among those that suit the pack; BadInput where it is none of them."""
    found = np.flatnonzero(suited == row)
    if not len(found):
        table = getattr(space.inputs, "bms" if name == "bms" else "fuses")
        raise BadInput([Problem("unsuited-part", str(space.brief.path), "", name, str(table.id[row]), expected)])
    return int(found[0])
