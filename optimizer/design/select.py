"""Resolve a row of the front: its catalog rows, fills, harness, bill, and the block to score."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from optimizer.base.problems import BadInput, Problem
from optimizer.pack import bill
from optimizer.pack.conductors.totals import METRICS
from optimizer.pack.wiring.bundles import between_boxes
from optimizer.pack.wiring.harness import HarnessBlock
from optimizer.pack.wiring.lightest import harness_block
from optimizer.score.score import Block
from optimizer.search.exact.branch import CAPS
from optimizer.search.exact.ideal import block_of
from optimizer.search.exact.rows import PLACED, placed_words
from optimizer.search.space import options as op
from optimizer.search.space import parts
from optimizer.search.space.contents import (
    Amounts,
    board_of,
    entries,
    entries_of_brief,
    fuse_of,
    joint_entries,
    metal_entries,
    wire_of,
)
from optimizer.search.space.fills import LEGS, Fill
from optimizer.search.space.hubs import board_room, places, sensor_leg_mm
from optimizer.search.space.offering import Task
from optimizer.search.space.options import Options
from optimizer.search.space.plating import plated
from optimizer.search.space.space import Space
from optimizer.search.space.splitrows import Splits, summed
from optimizer.search.space.splits import laid_groups


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


def harness_of(space: Space, chosen: Chosen) -> HarnessBlock:
    """The harness of one design, with legs up to the hubs."""
    rules = space.brief.harness
    where = places(chosen.fills, links=space.links(chosen.stand))
    legs = [
        0.0 if fill is None else sensor_leg_mm(fill)[groups]
        for fill, groups in zip(chosen.fills, chosen.split, strict=True)
    ]
    block = harness_block(
        [chosen.split],
        sensor_legs_mm=[legs],
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
    return replace(
        block, power_length_mm=block.power_length_mm + power, balance_length_mm=block.balance_length_mm + lead,
        sensor_length_mm=block.sensor_length_mm + 2.0 * block.sensors_in @ np.array(legs),
    )  # fmt: skip


def metric(chosen: Chosen, name: str) -> float:
    """One metric of the fills at the groups in use, over the compartments: their sum, or the worst."""
    fill = next(fill for fill in chosen.fills if fill is not None)
    at = fill.names.index(name)
    found = summed(chosen.fills, np.array([chosen.split]), worst=np.array(fill.rules) == "worst")
    return float(found[0, at])


def is_laid(chosen: Chosen, build: parts.Build) -> bool:
    """Whether the conductors of a design can be laid from its stock and have room under the covers."""
    held = [(fill, n) for fill, n in zip(chosen.fills, chosen.split, strict=True) if fill is not None]
    return all(laid_groups(fill, build)[groups] for fill, groups in held)


def splits_of(space: Space, chosen: Chosen, block: HarnessBlock) -> Splits:
    """The design as one way to share its groups out, with its harness."""
    fill = next(fill for fill in chosen.fills if fill is not None)
    return Splits(
        split=np.array([chosen.split], dtype=np.int64), fill=np.zeros((1, len(chosen.split)), dtype=np.int64),
        metrics=summed(chosen.fills, np.array([chosen.split]), worst=np.array(fill.rules) == "worst"),
        power_mm=block.power_length_mm, lead_mm=block.balance_length_mm + block.sensor_length_mm,
        wire_mm2=np.array([np.inf]), modules=block.modules, taps=block.balance_leads,
        crossing=block.crossing_conductors,
    )  # fmt: skip


def bill_lines(space: Space, chosen: Chosen, block: HarnessBlock) -> list[bill.Line]:
    """Every line of a design's bill; their sums are its mass and cost."""
    inputs, build = space.inputs, build_of(space, chosen)
    fill = next(fill for fill in chosen.fills if fill is not None)
    splits, size = splits_of(space, chosen, block), int(space.size_of[chosen.cell])
    metric = dict(zip(fill.names, splits.metrics[0].tolist(), strict=True))
    amounts = Amounts(
        cells=float(chosen.series * chosen.parallel), cases=float(splits.modules[0]), leads=float(splits.taps[0]),
        plugs=float(block.power_wires[0]), lead_mm=float(splits.lead_mm[0]), metric=metric,
    )  # fmt: skip
    metal = metal_entries({name: metric[f"{build.way.name}:{name}"] for name in METRICS}, build)
    bolts, welded = joint_entries(space, amounts)
    at = space.builds.index(build)
    insulation, *others, lead_fuses = entries(space, amounts)
    return [
        *_cell_lines(space, chosen),
        insulation,
        *metal,
        wire_of(inputs, chosen.wire, float(splits.power_mm[0])),
        *others,
        *(bolts if space.bolted(size)[at] else []),
        *(welded if space.topped(size)[at] else []),
        lead_fuses,
        board_of(inputs, chosen.bms),
        fuse_of(inputs, chosen.fuse),
        *entries_of_brief(space),
    ]


def _cell_lines(space: Space, chosen: Chosen) -> tuple[bill.Line, bill.Line]:
    """Cells and spares."""
    cells, row = space.inputs.cells, int(space.context.cells.row[chosen.cell])
    return bill.cell_lines(
        chosen.series * chosen.parallel,
        mass_g=cells.mass_g[row],
        price=cells.price[row],
        break_quantity=cells.break_quantity[row],
        break_price=cells.break_price[row],
        spare_fraction=space.brief.parts.spare_fraction,
        stock=cells.stock[row],
    )


def build_of(space: Space, chosen: Chosen) -> parts.Build:
    """The stock in its layers."""
    return next(b for b in space.builds if b.strip == chosen.strip and b.layers == chosen.layers)


def plates_of(space: Space, chosen: Chosen) -> Options:
    """Conductors of a design with all that every pack consists of, as an option of the search.

    BadInput: code "unsuited-part" where they cannot be laid.
    """
    held = [[fill] for fill in chosen.fills if fill is not None]
    which = np.array([space.builds.index(build_of(space, chosen))])
    splits = splits_of(space, chosen, harness_of(space, chosen))
    found = plated(space, chosen.task(space), held, splits, which=which)
    if not len(found):
        strip = str(space.inputs.strips.id[chosen.strip])
        expected = "cannot be laid over these groups: its conductors would touch or hang loose"
        raise BadInput([Problem("unsuited-part", str(space.brief.path), "", "strip", strip, expected)])
    return found


def design_block(space: Space, chosen: Chosen) -> Block:
    """The design as the score reads it: its options, put together as the search does it."""
    inputs = space.inputs
    only = replace(inputs, wire_rows=np.array([chosen.wire]))
    wire, ohm, mass, cost = parts.wire_options(only, profile=space.context.profile)
    whole = op.wired(plates_of(space, chosen), wire, ohm_per_mm=ohm, kg_per_mm=mass, cost_per_mm=cost)
    for part in _safety(space, chosen).values():
        whole = op.combine(whole, part)
    return block_of(space, np.array([chosen.cell]), np.array([chosen.series]), chosen.parallel, whole.values)


def _safety(space: Space, chosen: Chosen) -> dict[str, Options]:
    """BMS and fuse of a design as options; BadInput where one does not suit the pack."""
    inputs, profile = space.inputs, space.context.profile
    cells, row = inputs.cells, int(space.context.cells.row[chosen.cell])
    chemistry, full_v = str(cells.chemistry[row]), chosen.series * float(cells.voltage_max_v[row])
    bms, bms_rows = parts.bms_options(inputs, series=chosen.series, chemistry=chemistry, full_v=full_v, profile=profile)
    fuse, fuse_rows = parts.fuse_options(inputs, full_v=full_v, profile=profile)
    pack = f"{chosen.series} {chemistry} cells in series, {full_v:g} V when full"
    at_bms = _place(space, "bms", bms_rows, chosen.bms, f"must manage {pack}")
    at_fuse = _place(space, "fuse", fuse_rows, chosen.fuse, f"must break {full_v:g} V DC")
    return {"BMS": bms.take([at_bms]), "fuse": fuse.take([at_fuse])}


def caps_by_part(space: Space, chosen: Chosen) -> dict[str, dict[str, float]]:
    """Current limits of strip, wire, connector, BMS and fuse, by the column of the options and by part [A]."""
    inputs, profile = space.inputs, space.context.profile
    wire = parts.wire_options(replace(inputs, wire_rows=np.array([chosen.wire])), profile=profile)[0]
    plug = parts.connector_limits(space.brief, profile=profile)
    held = {"wire": wire, **_safety(space, chosen), "strip": plates_of(space, chosen)}
    return {
        name: {
            # The wire's options hold the connectors' limit, too; of equal ones the first is named.
            **({"connector": -plug[name]} if plug else {}),
            **{part: -float(option.column(name)[0]) for part, option in held.items()},
        }
        for name in CAPS
    }


def _place(space: Space, name: str, suited: npt.NDArray[np.int64], row: int, expected: str) -> int:
    """Where a chosen BMS or fuse stands among those that suit the pack; BadInput where it is none of them."""
    found = np.flatnonzero(suited == row)
    if not len(found):
        table = getattr(space.inputs, "bms" if name == "bms" else "fuses")
        raise BadInput([Problem("unsuited-part", str(space.brief.path), "", name, str(table.id[row]), expected)])
    return int(found[0])
