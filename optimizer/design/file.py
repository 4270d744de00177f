"""The file design.json: its schema, and whether its chain of groups agrees with its positions."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, Literal, NoReturn

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from optimizer.base.problems import BadInput, Problem
from optimizer.brief.kinds import CompartmentName, Label, Number, Point3, Size3, Title, Whole
from optimizer.brief.situations import SITUATION_NAME
from optimizer.catalog.cell_model import CellModelFile
from optimizer.catalog.tables import cap, read_bounded
from optimizer.fit.chain.adjacency import compressed, neighbours
from optimizer.fit.chain.groups import Chain
from optimizer.fit.chain.measure import measure
from optimizer.fit.chain.terminals import in_line
from optimizer.fit.region.layout import Layout

# A pack of 5000 cells with a ride of 100,000 steps is a tenth of this.
MOST_BYTES = 64 * 2**20

# Bodies of compartments and keep-outs, as files beside the brief: no path leads out of their folder.
SOLID_NAME = r"^solid_\d{1,6}\.stl$"

Count = Annotated[Whole, Field(ge=1, le=5000)]
Index = Annotated[Whole, Field(ge=-1, le=100_000)]
Value = str | bool | int | Annotated[float, Field(allow_inf_nan=False)] | None
Table = Annotated[list[dict[str, Value]], Field(max_length=10_000)]
Numbers = Annotated[list[Number], Field(max_length=1_000_000)]
Cells = Annotated[list[Index], Field(max_length=100_000)]
Points = Annotated[list[Point3], Field(min_length=1, max_length=100_000)]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")


class ChainClaim(_Part):
    """The chain of groups of one layout."""

    group: Cells
    boundary_pairs: Cells
    polarity: Cells
    links: Cells
    groups: Count
    parallel: Count
    method: Title


class LayoutClaim(_Part):
    """Where the cells of one compartment stand."""

    compartment: CompartmentName
    way: Literal["tray", "modules"]
    placement: Label
    axis: Annotated[Whole, Field(ge=0, le=2)]
    name: Annotated[Title, Field(max_length=200)]
    centres_mm: Points
    extents_mm: Points
    layer: Cells
    module: Cells
    chain: ChainClaim


class PlacedClaim(_Part):
    """Where one part lies."""

    name: Label
    compartment: CompartmentName
    corner_mm: Point3
    extents_mm: Size3
    plug_axis: Annotated[Whole, Field(ge=0, le=2)]
    plug_high: bool
    gap_mm: Annotated[Number, Field(ge=0)]
    free_mm: Annotated[Number, Field(ge=0)]
    seat_mm: Size3 | None = None


class ZoneClaim(_Part):
    """A zone of a compartment that is cut: the first bears the compartment's name."""

    compartment: Label
    of: CompartmentName
    low_mm: Point3
    high_mm: Point3


class Choices(_Part):
    """What the design is made of."""

    cell_id: Title
    series: Count
    parallel: Count
    split: Annotated[str, Field(max_length=10_000)]
    layout: Annotated[str, Field(max_length=100_000)]
    strip: Title
    strip_layers: Annotated[Whole, Field(ge=1, le=20)]
    wire: Title
    bms: Title
    fuse: Title


class Tables(_Part):
    """Catalog rows."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    cells: Annotated[Table, Field(min_length=1, max_length=1)]
    strips: Table
    wires: Table
    bms: Table
    fuses: Table
    chargers: Table | None = None


class CurveClaim(_Part):
    """The cell's open-circuit voltage."""

    soc: Numbers
    ocv_v: Numbers
    entropy_mv_per_k: Numbers | None = None


class TraceClaim(_Part):
    """The ride."""

    time_s: Numbers
    speed_kmh: Numbers
    grade_pct: Numbers


class DesignFile(_Part):
    """All that a score needs."""

    choices: Choices
    figures: dict[str, Value]
    brief: dict[str, Any]
    catalog: Tables
    ocv_curve: CurveClaim
    cell_model: CellModelFile | None = None
    ride_trace: TraceClaim | None = None
    # Rides of situations that have their own, by name.
    situation_traces: dict[Annotated[str, Field(pattern=SITUATION_NAME)], TraceClaim] = {}
    solids: dict[Annotated[str, Field(pattern=SOLID_NAME)], Annotated[str, Field(max_length=MOST_BYTES)]] = {}
    placed: Annotated[list[PlacedClaim], Field(max_length=40)] = []
    zones: Annotated[list[ZoneClaim], Field(max_length=40)] = []
    layouts: Annotated[list[LayoutClaim], Field(min_length=1, max_length=100)]


def read_design_file(path: Path) -> DesignFile:
    """Read a design.json and check its shape.

    Raises
    ------
    BadInput
        Codes "missing-file", "unreadable-file", "too-large", "bad-design".
    """
    data = read_bounded(path, most=MOST_BYTES)
    try:
        record = json.loads(data.decode("utf-8"), parse_constant=_no_number)
        return DesignFile.model_validate(record)
    except RecursionError:
        raise BadInput([Problem("bad-design", str(path), expected="is nested too deeply")]) from None
    except ValidationError as error:
        faults = error.errors(include_url=False, include_context=False)
        raise BadInput(cap(shape_problems(path, faults))) from None
    except ValueError as error:
        raise BadInput([Problem("bad-design", str(path), expected=f"can't be read as JSON: {error}")]) from None


def _no_number(name: str) -> NoReturn:
    raise ValueError(f"{name} is no number of JSON")


def shape_problems(path: Path, faults: Sequence[Any], *, below: str = "") -> list[Problem]:
    """Problems out of pydantic's errors; `below` is the dotted key under which they lie."""
    return [
        Problem(
            "bad-design", str(path), "", ".".join([*([below] if below else []), *map(str, fault["loc"])])[:120],
            repr(fault["input"])[:60] if isinstance(fault["input"], str | int | float) else "", str(fault["msg"]),
        )
        for fault in faults
    ]  # fmt: skip


def chain_faults(layout: Layout, chain: Chain, *, cell_gap_mm: float) -> list[str]:
    """What a chain over a proven layout claims and its positions do not bear out, in words.

    It would make a pack of other resistance. Nothing when groups, boundaries, polarity and links are those of the
    positions.
    """
    shapes = _shape_faults(layout, chain)
    if shapes:
        return shapes
    members = np.argsort(chain.group, kind="stable")[layout.cells - chain.groups * chain.parallel :]
    members = members.reshape(chain.groups, chain.parallel)
    near = in_line(neighbours(layout, cell_gap_mm=cell_gap_mm), layout)
    both = np.concatenate([near.lateral, near.axial])
    graph = (*compressed(near.lateral, layout.cells), *compressed(both, layout.cells))
    pieces, pairs = measure(members, layout.cells, *graph)
    module, height = layout.module[members], layout.centres_mm[members, layout.axis]
    linked = np.zeros(max(chain.groups - 1, 0), dtype=bool)
    linked[chain.links] = True
    faults = []
    if (pieces > 1).any() or (module != module[:, :1]).any():
        faults.append("a group is not one connected piece")
    if ((module[1:, 0] != module[:-1, 0]) != linked).any():
        faults.append("links are not where the chain goes from module to module")
    if (np.where(linked, 0, pairs) != chain.boundary_pairs).any() or (pairs[~linked] < 1).any():
        faults.append("boundary_pairs are not those of the positions")
    facing = chain.polarity[members[1:, 0]] != chain.polarity[members[:-1, 0]]
    climbs = np.abs(np.diff(height[:, 0])) > 0.5 * layout.extents_mm[members[1:, 0], layout.axis]
    # With both terminals on one end groups are turned as the way to the next is short.
    free = linked | layout.size.same_end
    if (chain.polarity[members] != chain.polarity[members[:, :1]]).any() or (~facing & ~climbs & ~free).any():
        faults.append("polarity does not alternate along the chain")
    return faults


def _shape_faults(layout: Layout, chain: Chain) -> list[str]:
    """Arrays of the wrong length, and groups of the wrong number of cells."""
    n, groups = layout.cells, chain.groups
    if len(chain.group) != n or len(chain.polarity) != n or len(chain.boundary_pairs) != groups - 1:
        return ["arrays of the chain have other lengths than the cells and groups"]
    counts = np.bincount(chain.group[chain.group >= 0], minlength=groups)
    if len(counts) != groups or (counts != chain.parallel).any():
        return [f"groups do not have {chain.parallel} cells each"]
    if ((chain.polarity == 0) != (chain.group < 0)).any() or (np.abs(chain.polarity) > 1).any():
        return ["polarity must be 1 or -1 for a cell in a group and 0 for others"]
    if len(chain.links) and not (chain.links.min() >= 0 and chain.links.max() < groups - 1):
        return ["a link names no boundary"]
    along = layout.centres_mm[:, layout.axis]
    for module in np.unique(layout.module):
        for layer in np.unique(layout.layer[layout.module == module]):
            here = along[(layout.module == module) & (layout.layer == layer)]
            if np.ptp(here) > 0.5 * layout.extents_mm[:, layout.axis].min():
                return ["cells of one layer stand at different heights"]
    if layout.way == "tray" and layout.module.any():
        return ["a tray has no modules"]
    return []
