"""All that a search reads: the brief with its catalogs, curves and ride, every problem reported at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from optimizer.base.figures import bounded, in_situation, made_by, sided, split_name
from optimizer.base.problems import BadInput, Problem
from optimizer.brief import (
    Brief,
    brief_in,
    defaults_in_use,
    input_hashes,
    load_brief,
    require_for_search,
    series_problems,
)
from optimizer.catalog import (
    Bms,
    Catalog,
    Cells,
    Chargers,
    Fuses,
    Strips,
    TraceColumns,
    Wires,
    matching,
    pattern_problems,
    read_bms,
    read_cells,
    read_chargers,
    read_fuses,
    read_ride,
    read_strips,
    read_wires,
)
from optimizer.fit.placement.survey import compartment_problems, part_problems, with_fuse_room
from optimizer.fit.region.geometry import sizes_of
from optimizer.pack.case.wanted import bed_problems
from optimizer.pack.joining import with_bolt_room
from optimizer.pack.wiring.passages import passage_problems
from optimizer.score.asked import pin_problems
from optimizer.score.between import brief_weighs, charger_problems, room_count_problems, speed_problems
from optimizer.score.left_out import left_out_note, usable

Table = TypeVar("Table")
Rows = npt.NDArray[np.int64]


# What [protection] asks of a fuse: to protect wires with their connectors, to protect plates, to break a short circuit.
WIRES, PLATES, BREAKS = "wires", "plates", "breaks"


@dataclass(frozen=True, eq=False)
class Inputs:
    """A brief whose every file has been read; the rows are those that [vary] allows.

    Tables are sorted by id, so that ties fall the same way in whatever order a catalog's rows stand.
    """

    brief: Brief
    cells: Cells
    strips: Strips
    wires: Wires
    bms: Bms
    fuses: Fuses
    chargers: Chargers | None
    ride: TraceColumns | None
    # Rides of situations that have their own.
    rides: Mapping[str, TraceColumns]
    # Why cells are left out, by the cell's id.
    left_out: Mapping[str, str]
    cell_rows: Rows
    strip_rows: Rows
    wire_rows: Rows
    bms_rows: Rows
    fuse_rows: Rows
    # What the fuse need not do, of WIRES, PLATES and BREAKS, since a pack that is asked about cannot be otherwise.
    spared: frozenset[str] = frozenset()

    def hashes(self) -> dict[str, str]:
        """SHA-256 of the brief and every file it names."""
        return input_hashes(self.brief, {f"ocv.{c.name}": c.sha256 for c in self.cells.curves}
            | {f"model.{k}": sha for k, (_, sha) in enumerate(self.cells.fitted)},
        )

    def record(self) -> dict[str, Any]:
        """What `check --json` prints."""
        return {
            "title": self.brief.title,
            "cells": len(self.cell_rows),
            "strips": len(self.strip_rows),
            "wires": len(self.wire_rows),
            "bms": len(self.bms_rows),
            "fuses": len(self.fuse_rows),
            "defaults": dict(defaults_in_use(self.brief)),
            "inputs": self.hashes(),
        }


class _TableReader:
    """Reads tables one after another and keeps the problems of those that fail."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []

    def __call__(self, read: Callable[[Path], Table], path: Path | None) -> Table | None:
        if path is None:
            return None
        try:
            return by_id(read(path))
        except BadInput as bad:
            self.problems += bad.problems
            return None


def by_id(table: Table) -> Table:
    """A catalog with its rows sorted by id; anything else as it is."""
    if not isinstance(table, Catalog):
        return table
    order = np.argsort(table.id, kind="stable")
    columns = {item.name: getattr(table, item.name) for item in fields(table)}
    changed: dict[str, Any] = {name: value[order] for name, value in columns.items() if isinstance(value, np.ndarray)}
    changed["frame"] = table.frame.iloc[order].reset_index(drop=True)
    if isinstance(table, Bms):
        changed["chemistries"] = tuple(table.chemistries[row] for row in order)
    return replace(table, **changed)


def load_inputs(path: Path | str) -> Inputs:
    """Read a brief and everything it names.

    Parameters
    ----------
    path : Path or str
        The brief.

    Raises
    ------
    BadInput
        With every problem of the brief, of all tables, and between them.
    """
    return read_inputs(load_brief(path))


def with_regen_rule(brief: Brief) -> Brief:
    """The brief with a constraint on regeneration where a rider balances on the motor: a trip is a fall.

    Parameters
    ----------
    brief : Brief
        With [electrical] and [vehicle].

    Returns
    -------
    Brief
        As it is where the rule is turned off, nothing is returned when braking, or the brief asks for as much. The
        rule holds in every situation.
    """
    assert brief.electrical is not None and brief.vehicle is not None
    asked = brief.electrical.regen_current_a
    names = [in_situation("regen_limit_a_min", name) for name in ("", *(item.name for item in brief.situation))]
    short = [name for name in names if asked > (getattr(brief.constraints, name, None) or 0.0)]
    if not (brief.vehicle.balances_on_motor and brief.protection.regen_holds) or not short:
        return brief
    held = brief.constraints.model_copy(update=dict.fromkeys(short, asked))
    return brief.model_copy(update={"constraints": held})


def by_regen_rule(brief: Brief, name: str) -> bool:
    """Whether a constraint is what the rule regen_holds asks, see `with_regen_rule`."""
    assert brief.electrical is not None and brief.vehicle is not None
    if not (bounded(name) and brief.vehicle.balances_on_motor and brief.protection.regen_holds):
        return False
    asked = getattr(brief.constraints, name, None)
    return split_name(sided(name)[0])[0] == "regen_limit_a" and asked == brief.electrical.regen_current_a


def read_inputs(brief: Brief) -> Inputs:
    """Read everything that a brief names.

    Raises
    ------
    BadInput
        With every problem of all tables and between them and the brief.
    """
    brief = _of_measured(brief)
    files = brief.files()
    read = _TableReader()
    read.problems += require_for_search(brief) + room_count_problems(brief)
    wrong = compartment_problems(brief)
    read.problems += [problem for each in wrong.values() for problem in each]
    cells = read(lambda file: read_cells(file, ocv_folder=files.get("catalog.ocv")), files["catalog.cells"])
    cells = _with_measured(brief, cells, read.problems)
    strips = read(read_strips, files.get("catalog.strips"))
    wires = read(read_wires, files.get("catalog.wires"))
    bms = read(read_bms, files.get("catalog.bms"))
    fuses = read(read_fuses, files.get("catalog.fuses"))
    chargers = read(read_chargers, files.get("catalog.chargers"))
    ride = read(read_ride, files.get("ride.trace"))
    rides = {item.name: read(read_ride, files.get(f"situation[{item.name}].trace")) for item in brief.situation}
    tables = {"cells": cells, "strips": strips, "wires": wires, "bms": bms, "fuses": fuses}
    rows = {name: _rows(brief, name, table, read.problems) for name, table in tables.items()}
    if fuses is not None:
        brief, unsized = with_fuse_room(brief, fuses, rows["fuses"])
        read.problems += unsized
    if not wrong:
        boards = () if bms is None else zip(bms.length_mm, bms.width_mm, bms.height_mm, strict=True)
        sides = [(float(x), float(y), float(z)) for x, y, z in boards]
        read.problems += part_problems(brief, [sides[row] for row in rows["bms"]])
    brief = with_bolt_room(brief, strips, rows["strips"])
    rows["cells"], left_out = usable(brief, cells, rows["cells"], read.problems)
    read.problems += pin_problems(brief, tables, left_out=left_out)
    if cells is not None and len(rows["cells"]):
        read.problems += series_problems(
            brief,
            voltage_max_v=cells.voltage_max_v[rows["cells"]],
            voltage_min_v=cells.voltage_min_v[rows["cells"]],
        )
        if chargers is not None and brief_weighs(brief, made_by("charge")):
            read.problems += charger_problems(brief, cells, rows["cells"], chargers)
        sizes, _ = sizes_of(brief, cells, rows["cells"])
        read.problems += bed_problems(brief, sizes)
    if not wrong:
        read.problems += passage_problems(brief, wires, rows["wires"])
    read.problems += speed_problems(brief, ride)
    for item in brief.situation if brief.vehicle is not None and brief.ride is not None else ():
        if item.trace is not None or item.speed_kmh is not None:
            read.problems += speed_problems(brief_in(brief, item), rides[item.name], place=f"situation[{item.name}]")
    if read.problems:
        raise BadInput(read.problems)
    assert cells is not None and strips is not None and wires is not None
    assert bms is not None and fuses is not None
    return Inputs(
        with_regen_rule(brief), cells, strips, wires, bms, fuses, chargers, ride,
        {name: each for name, each in rides.items() if each is not None}, left_out,
        rows["cells"], rows["strips"], rows["wires"], rows["bms"], rows["fuses"],
    )  # fmt: skip


def sizes_alone(brief: Brief) -> tuple[Brief, Cells]:
    """A brief and its cells as far as the fit asks: sizes, and whether a stock that it names is bolted to blocks.

    Raises
    ------
    BadInput
        With every problem of the tables.
    """
    files = brief.files()
    cells = read_cells(files["catalog.cells"], sizes_only=True)
    blocks = cells.shape[matching(cells.id.tolist(), brief.vary.cells)] != "cylinder"
    path = files.get("catalog.strips")
    if path is None or not blocks.any():
        return brief, cells
    strips = read_strips(path)
    rows = np.flatnonzero(matching(strips.id.tolist(), brief.vary.strips))
    return with_bolt_room(brief, strips, rows), cells


def _of_measured(brief: Brief) -> Brief:
    """A brief whose [measured] groups narrow its search to their pack, whose cells no longer spread by chance."""
    groups = brief.measured
    if groups is None:
        return brief
    series = len(groups.capacity_ah)
    vary = {"cells": (groups.cell,), "series": (series, series), "parallel": (groups.parallel, groups.parallel)}
    changed = {
        "vary": brief.vary.model_copy(update=vary),
        "spread": brief.spread.model_copy(update={"capacity": 0.0, "dcir": 0.0}),
    }
    return brief.model_copy(update=changed)


def _with_measured(brief: Brief, cells: Cells | None, problems: list[Problem]) -> Cells | None:
    """The catalog with the cell of a measured pack as its groups have it.

    A pack holds what its weakest group holds: capacity is that of the least group over its cells. Resistance is the
    mean of the groups, which is that of the pack over its groups, times the cells in parallel.

    problems: what is wrong is added.
    """
    groups = brief.measured
    if groups is None or cells is None:
        return cells
    found = np.flatnonzero(cells.id == groups.cell)
    if len(groups.capacity_ah) != len(groups.resistance_mohm):
        text = f"must be as many as measured.capacity_ah has, {len(groups.capacity_ah)}"
        number = str(len(groups.resistance_mohm))
        problems.append(Problem("length", str(brief.path), "", "measured.resistance_mohm", number, text))
    if not len(found):
        text = "is no cell of the catalog"
        problems.append(Problem("unknown-part", str(brief.path), "", "measured.cell", groups.cell, text))
        return cells
    row, frame = int(found[0]), cells.frame.copy()
    values = {
        "capacity_ah": min(groups.capacity_ah) / groups.parallel,
        "capacity_min_ah": min(groups.capacity_ah) / groups.parallel,
        "dcir_mohm": float(np.mean(groups.resistance_mohm)) * groups.parallel,
    }
    if groups.mass_g is not None:
        values["mass_g"] = groups.mass_g
    changed: dict[str, Any] = {}
    for name, value in values.items():
        changed[name] = getattr(cells, name).copy()
        changed[name][row] = value
        frame.loc[frame.index[row], name] = value
    return replace(cells, frame=frame, **changed)


def search_warnings(inputs: Inputs) -> list[str]:
    """What a search goes on without: cells that situations leave out, and a charging time where no charger fits."""
    return [*left_out_note(inputs.left_out), *charger_warnings(inputs)]


def charger_warnings(inputs: Inputs) -> list[str]:
    """A charging time that can't be given, where no charger of the catalog fits any pack."""
    if inputs.chargers is None:
        return []
    found = charger_problems(inputs.brief, inputs.cells, inputs.cell_rows, inputs.chargers)
    return [f"{problem.text()}: no charging time is given" for problem in found]


def _rows(brief: Brief, name: str, table: Any, problems: list[Problem]) -> Rows:
    """Rows of a table that [vary] allows; patterns that match nothing are problems."""
    if table is None:
        return np.zeros(0, dtype=np.int64)
    patterns = getattr(brief.vary, name)
    problems += pattern_problems(patterns, table.id, file=str(brief.path), field=f"vary.{name}")
    return np.flatnonzero(matching(table.id, patterns)).astype(np.int64)
