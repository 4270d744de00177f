"""One design scored again: from a row of a front, or from a design.json that holds all it needs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
import pandas as pd
from pydantic import ValidationError

from optimizer import __version__
from optimizer.base.problems import BadInput, Problem
from optimizer.brief import Brief
from optimizer.brief.rules import RuleChecks
from optimizer.catalog import OcvCurve, TraceColumns
from optimizer.design.file import Choices, DesignFile, LayoutClaim, chain_faults, read_design_file, shape_problems
from optimizer.design.metal_gaps import gap_records
from optimizer.design.model import Design
from optimizer.design.placed import placed_record, seat, zones_record
from optimizer.design.protection import broken, turned_off
from optimizer.design.select import Chosen, build_of, choose, design_block, harness_of, is_laid
from optimizer.design.solids import portable, solids_of, unpacked
from optimizer.design.ties import tie_records
from optimizer.design.unfold import unfold
from optimizer.design.wires import hubs_record, with_balance_taps
from optimizer.fit.chain.groups import Chain
from optimizer.fit.placement.proof import prove
from optimizer.fit.region.geometry import clearance
from optimizer.fit.region.layout import Layout
from optimizer.score.inputs import read_inputs
from optimizer.score.score import margins
from optimizer.search.exact import rows
from optimizer.search.exact.archive import NUMBERS, Survivors
from optimizer.search.space.contents import lead_wire
from optimizer.search.space.filling import unfilled
from optimizer.search.space.fills import Fill, measured
from optimizer.search.space.offering import Task
from optimizer.search.space.parts import bms_options, fuse_options
from optimizer.search.space.setup import make_space
from optimizer.search.space.space import Space

# Figures of a row and of the same row scored again may differ by rounding to six digits, and by the order in
# which the parts' numbers were added up.
RELATIVE, ABSOLUTE = 1e-6, 2e-6

NEEDS = "nothing else: the brief, the catalog rows, the curve, the ride and every position are in this file"
TABLES = ("cells", "strips", "wires", "bms", "fuses", "chargers")


def _survivor(space: Space, chosen: Chosen) -> Survivors:
    """A design that was picked out, as the search keeps its candidates: one row, its objectives left at 0."""
    block = harness_of(space, chosen)
    task = chosen.task(space)
    offered = space.fills(task)
    picks = [
        0 if fill is None else next(k for k, other in enumerate(each) if other is fill)
        for fill, each in zip(chosen.fills, offered, strict=True)
    ]
    names = [
        task.size, chosen.cell, chosen.series, chosen.parallel, chosen.strip, chosen.layers, chosen.wire, chosen.bms,
        chosen.fuse, int(block.crossing_conductors[0]), chosen.stand, *chosen.split, *picks,
    ]  # fmt: skip
    numbers = design_block(space, chosen)
    return Survivors(
        np.array([names], dtype=np.int64),
        np.column_stack([getattr(numbers, name) for name in NUMBERS]),
        np.zeros((1, len(space.brief.objectives.use))),
    )


def scored(found: Survivors, *, space: Space, constraints: Mapping[str, float | None] | None = None) -> pd.DataFrame:
    """Candidates as rows of a front, feasible or not: every figure, and the margin to every constraint."""
    asked = dict(space.brief.constraints) if constraints is None else constraints
    figures = rows.full_figures(found.block(), space=space)
    figures |= margins(figures, constraints={k: v for k, v in asked.items() if v is not None})
    return rows.table(found, figures, space=space)


def score_row(space: Space, row: Mapping[str, Any]) -> dict[str, Any]:
    """A row of the space's brief, or at least the keys of Choices, scored again from its parts, as a front holds it.

    BadInput when catalogs or fit no longer know what the row names.
    """
    frame = scored(_survivor(space, choose(space, row)), space=space)
    return {str(name): value for name, value in frame.iloc[0].items()}


def differences(one: Mapping[str, Any], other: Mapping[str, Any]) -> dict[str, tuple[Any, Any]]:
    """Figures and choices of both rows that are not the same, beyond rounding.

    The name of a design is none of them: it is made of the choices, on a front of many boxes of the box, too.
    """
    found = {}
    for name in one:
        if name in other and name != "design_id" and not _same(one[name], other[name]):
            found[name] = (one[name], other[name])
    return found


def _same(a: Any, b: Any) -> bool:
    if isinstance(a, str) or isinstance(b, str):
        return str(a) == str(b)
    x, y = (np.nan if value is None else float(value) for value in (a, b))
    return bool(np.isclose(x, y, rtol=RELATIVE, atol=ABSOLUTE, equal_nan=True))


def check_fresh(space: Space, picked: Sequence[Mapping[str, Any]], *, run: Path) -> None:
    """Refuse rows whose figures the brief and catalogs of today no longer give; `run` is named in the message.

    BadInput: code "stale-run", one problem per row; or "unknown-part".
    """
    problems = []
    for row in picked:
        wrong = differences(row, score_row(space, row))
        if wrong:
            name, (was, now) = next(iter(wrong.items()))
            text = f"is {now} by the brief and catalogs as they stand now; search again"
            problems.append(Problem("stale-run", str(run), f"design {row['design_id']}", name, str(was), text))
    if problems:
        raise BadInput(problems)


def design_record(space: Space, row: Mapping[str, Any], *, design: Design | None = None) -> dict[str, Any]:
    """Content of design.json: one design and everything that its score depends on.

    Parameters
    ----------
    space : Space
    row : mapping
        A row of the front.
    design : Design, optional
        The same row unfolded; without it that is done here.

    Returns
    -------
    dict
        Plain JSON values.
    """
    chosen = choose(space, row)
    inputs = space.inputs
    cell = int(space.context.cells.row[chosen.cell])
    # Ways of wires that have room are those of the thickest wire of the catalog with room.
    wires = None if space.brief.harness.wires_have_room else sorted({chosen.wire, lead_wire(inputs)})
    curve, fitted = inputs.cells.curve_of(cell), inputs.cells.fitted_of(cell)
    picked = {
        "cells": (inputs.cells, [cell]), "strips": (inputs.strips, [chosen.strip]),
        "wires": (inputs.wires, wires), "bms": (inputs.bms, [chosen.bms]),
        "fuses": (inputs.fuses, [chosen.fuse]), "chargers": (inputs.chargers, None),
    }  # fmt: skip
    ride, design = inputs.ride, unfold(space, row) if design is None else design
    assert design.warm is not None and design.sheet is not None
    return {
        "cellstow": __version__,
        "needs": NEEDS,
        "design_id": str(row["design_id"]),
        "choices": {name: _plain(row[name]) for name in Choices.model_fields},
        "figures": {
            name: _plain(value) for name, value in row.items()
            if name not in (*Choices.model_fields, rows.PLACED, "design_id")
        },
        "brief": portable(space.brief),
        "solids": solids_of(space.compartments),
        "catalog": {name: _records(table, rows) for name, (table, rows) in picked.items() if table is not None},
        "ocv_curve": _curve_record(curve),
        **({} if fitted is None else {"cell_model": fitted.model_dump()}),
        "ride_trace": None if ride is None else _trace_record(ride),
        **({"situation_traces": {k: _trace_record(each) for k, each in inputs.rides.items()}} if inputs.rides else {}),
        **placed_record(space.placed(chosen.stand, chosen.bms), seats=space.stands[chosen.stand].placed),
        **zones_record(space.stands[chosen.stand]),
        "layouts": [
            _layout_record(room.name, fill)
            for room, fill in zip(space.rooms, chosen.fills, strict=True)
            if fill is not None
        ],
        "limits": design.warm.limits,
        **design.warm.temps,
        **design.sheet.record(),
        "protection": {"turned_off": turned_off(space), "broken": broken(space, chosen)},
        "conductors": with_balance_taps(design.conductors, design.harness, space.rooms),
        "harness": hubs_record(space, chosen, harness_of(space, chosen)),
        "ties": tie_records(design.stations, design.clearance),
        "conductor_gaps": gap_records(design.stations, design.conductors, design.clearance),
        "inputs": inputs.hashes(),
    }  # fmt: skip


def _curve_record(curve: OcvCurve) -> dict[str, Any]:
    record = {"name": curve.name, "soc": curve.soc.tolist(), "ocv_v": curve.ocv_v.tolist()}
    entropy = curve.entropy_mv_per_k
    return record if entropy is None else record | {"entropy_mv_per_k": entropy.tolist()}


def _trace_record(ride: TraceColumns) -> dict[str, Any]:
    return {name: getattr(ride, name).tolist() for name in ("time_s", "speed_kmh", "grade_pct")}


def _plain(value: Any) -> Any:
    """A table's value as JSON knows it; what is no finite number is null."""
    if isinstance(value, str | bool):
        return value
    if isinstance(value, int | np.integer):
        return int(value)
    if value is None or not np.isfinite(value):
        return None
    return float(value)


def _records(table: Any, picked: Sequence[int] | None) -> list[dict[str, Any]]:
    """Rows of a catalog, all when none are picked; what is empty, or has no end, is null."""
    frame = table.frame if picked is None else table.frame.iloc[list(picked)]
    return [
        {str(name): _plain(value) for name, value in record.items()} for record in frame.to_dict("records")
    ]


ARRAYS = ("centres_mm", "extents_mm", "layer", "module")
LINKS = ("group", "boundary_pairs", "polarity", "links")


def _layout_record(room: str, fill: Fill) -> dict[str, Any]:
    layout, chain = fill.layout, fill.chain
    return {
        "compartment": room,
        **{name: getattr(layout, name) for name in ("way", "placement", "axis", "name")},
        **{name: getattr(layout, name).tolist() for name in ARRAYS},
        "chain": {
            **{name: getattr(chain, name).tolist() for name in LINKS},
            "groups": int(chain.group.max()) + 1, "parallel": chain.parallel, "method": chain.method,
        },
        "groups_per_module": fill.groups_per_module,
    }  # fmt: skip


def read_design(path: Path) -> tuple[Space, dict[str, Any], dict[str, Any]]:
    """A design.json as a space of one cell, with its choices and its figures as they were written.

    Raises
    ------
    BadInput
        When the file is missing, no design.json, or holds values that no brief or catalog may hold.
    """
    file = read_design_file(path)
    data = {**file.brief, "vary": file.brief.get("vary", {})}
    try:
        data["vary"] = {**data["vary"], **{name: ["*"] for name in TABLES[:5]}}
        with TemporaryDirectory() as name:
            data["catalog"] = _write_tables(Path(name), file)
            for solid, text in file.solids.items():
                (Path(name) / solid).write_bytes(unpacked(text))
            if file.ride_trace is not None:
                # The file holds defaults, too; those of a steady cruise are at odds with a trace.
                steady = ("speed_kmh", "grade_pct", "length_km")
                data["ride"] = {k: v for k, v in data["ride"].items() if k not in steady} | {"trace": "ride.csv"}
            for each in data.get("situation", ()):
                if each.get("name") in file.situation_traces:
                    each["trace"] = f"ride_{each['name']}.csv"
            brief = Brief.model_validate(data)
            wrong = RuleChecks(data, file=str(path), text="").run()
            if wrong:
                raise BadInput(wrong)
            brief._path = Path(name) / "brief.toml"
            space = make_space(_read_tables(path, brief))
            assert space.compartments  # read while the solids' files are there
        brief._path = path
        seat(path, space, file)
        _lay(path, space, file)
        _check_choices(path, space, file.choices)
    except ValidationError as error:
        raise BadInput(shape_problems(path, error.errors(include_url=False), below="brief")) from None
    except (KeyError, TypeError, IndexError, AttributeError, ValueError) as error:
        if isinstance(error, BadInput):
            raise
        text = f"is no design.json of cellstow: {type(error).__name__} {error}"
        raise BadInput([Problem("bad-design", str(path), expected=text)]) from None
    return space, file.choices.model_dump(), dict(file.figures)


def _check_choices(path: Path, space: Space, choices: Choices) -> None:
    """Whether the design is made of parts that go together; someone may have changed one of them."""
    problems = []

    def complain(key: str, found: object, expected: str) -> None:
        problems.append(Problem("bad-design", str(path), "", f"choices.{key}", str(found), expected))

    chosen = choose(space, choices.model_dump())
    if sum(chosen.split) != chosen.series:
        complain("split", choices.split, f"must add up to series = {chosen.series}")
    if chosen.layers not in space.brief.vary.strip_layers:
        complain("strip_layers", chosen.layers, f"must be one of {list(space.brief.vary.strip_layers)}")
    elif not is_laid(chosen, build_of(space, chosen)):
        complain("strip", choices.strip, "cannot be laid over these groups: its conductors would touch or hang loose")
    cells, row = space.inputs.cells, int(space.context.cells.row[chosen.cell])
    full_v = chosen.series * float(cells.voltage_max_v[row])
    chemistry, profile = str(cells.chemistry[row]), space.context.profile
    known: dict[str, Any] = {"full_v": full_v, "profile": profile}
    if chosen.bms not in bms_options(space.inputs, series=chosen.series, chemistry=chemistry, **known)[1]:
        complain("bms", choices.bms, f"does not suit {chosen.series} {chemistry} cells in series, {full_v:g} V full")
    if chosen.fuse not in fuse_options(space.inputs, **known)[1]:
        complain("fuse", choices.fuse, f"is not rated for {full_v:g} V")
    if problems:
        raise BadInput(problems)


def _write_tables(folder: Path, file: DesignFile) -> dict[str, str]:
    """The design's catalog rows, curve and ride as files; the brief's [catalog] for them."""
    files = {}
    for name, table in file.catalog:
        if table is None:
            continue
        frame = pd.DataFrame(table)
        if name == "cells":
            frame["ocv"] = "ocv.csv"
            frame["model"] = "" if file.cell_model is None else "model.json"
        frame.to_csv(folder / f"{name}.csv", index=False)
        files[name] = f"{name}.csv"
    pd.DataFrame(file.ocv_curve.model_dump(exclude_none=True)).to_csv(folder / "ocv.csv", index=False)
    if file.cell_model is not None:
        (folder / "model.json").write_text(file.cell_model.model_dump_json(), encoding="utf-8")
    if file.ride_trace is not None:
        pd.DataFrame(file.ride_trace.model_dump()).to_csv(folder / "ride.csv", index=False)
    for name, trace in file.situation_traces.items():
        pd.DataFrame(trace.model_dump()).to_csv(folder / f"ride_{name}.csv", index=False)
    return files


def _read_tables(path: Path, brief: Brief) -> Any:
    """Inputs from the files just written; problems name design.json instead of them."""
    try:
        return read_inputs(brief)
    except BadInput as bad:
        raise BadInput([
            Problem(p.code, str(path), f"{Path(p.file).stem} {p.where}".strip(), p.field, p.found, p.expected)
            for p in bad.problems
        ]) from None  # fmt: skip


def _lay(path: Path, space: Space, file: DesignFile) -> None:
    """Put the design's layouts with their chains into the space as its only fills.

    Positions and chains in a file are somebody's claim: they are proved like any layout.
    """
    brief = space.brief
    gaps = clearance(brief, space.sizes[0])
    rules = space.fill_rules(0)
    named = {room.name: (k, room) for k, room in enumerate(space.rooms_of(0))}
    found: list[list[Fill]] = [[] for _ in space.rooms]
    problems = []
    for item in file.layouts:
        if item.compartment not in named:
            known = ", ".join(named)
            problems.append(
                Problem("bad-layout", str(path), item.compartment, "layout", "", f"names no compartment: {known}")
            )
            continue
        place, room = named[item.compartment]
        layout, chain = _claimed(item, space)
        proof = prove(layout, room, gaps)
        faults = list(proof.faults[:3]) if not proof.ok else chain_faults(layout, chain, cell_gap_mm=gaps.cell_gap_mm)
        if chain.parallel != file.choices.parallel:
            faults.append(f"has {chain.parallel} cells in a group, choices.parallel says {file.choices.parallel}")
        if faults:
            text = f"does not hold: {'; '.join(faults)}"
            problems.append(Problem("bad-layout", str(path), room.name, "layout", "", text))
        else:
            name, filler = unfilled(layout.name, rules.fillers)
            fill = measured(
                replace(layout, name=name), chain, room=room, rules=rules, filler=filler, **space.around(0, place)
            )
            found[place] += [fill] if fill is not None else []
    if problems:
        raise BadInput(problems)
    space._fills[Task(0, file.choices.parallel)] = found


def _claimed(item: LayoutClaim, space: Space) -> tuple[Layout, Chain]:
    """A layout and its chain as a file has them."""
    layout = Layout(
        compartment=item.compartment, size=space.sizes[0], way=item.way, placement=item.placement, axis=item.axis,
        centres_mm=np.array(item.centres_mm, dtype=float), extents_mm=np.array(item.extents_mm, dtype=float),
        layer=np.array(item.layer, dtype=np.int64), module=np.array(item.module, dtype=np.int64), name=item.name,
    )  # fmt: skip
    linked = item.chain
    arrays = {name: np.array(getattr(linked, name), dtype=np.int64) for name in LINKS}
    return layout, Chain(groups=linked.groups, parallel=linked.parallel, method=linked.method, **arrays)
