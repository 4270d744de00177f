"""A space with some choices made: what a pinned pack, `why` and a single design are scored in."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from optimizer.base.problems import BadInput
from optimizer.brief import Constraints
from optimizer.brief.kinds import Axis
from optimizer.cell.default import cell_models
from optimizer.pack.joining import with_bolt_room
from optimizer.score.asked import PARTS, asked_problems
from optimizer.score.context import build_context
from optimizer.score.inputs import Inputs
from optimizer.search.space.fills import Fill
from optimizer.search.space.setup import make_space
from optimizer.search.space.space import Space, Task


@dataclass(frozen=True)
class Asked:
    """Choices that are made; what is None stays open.

    Parameters
    ----------
    cell, strip, wire, bms, fuse : str
        Ids of the catalogs.
    series, parallel, strip_layers : int
    split : mapping of compartment to int
        Groups in each; a compartment left out holds none.
    groups_per_module : int
        0 for a tray.
    axes : mapping of compartment to "x", "y" or "z"
        Along which the cells lie.
    """

    cell: str | None = None
    series: int | None = None
    parallel: int | None = None
    split: Mapping[str, int] | None = None
    strip: str | None = None
    strip_layers: int | None = None
    wire: str | None = None
    bms: str | None = None
    fuse: str | None = None
    groups_per_module: int | None = None
    axes: Mapping[str, Axis] | None = None

    def text(self) -> str:
        """In words, such as "20S4P of amber-21700-e50, deck:14 stem:6"."""
        count = f"{self.series}S" * (self.series is not None) + f"{self.parallel}P" * (self.parallel is not None)
        words = [" of ".join(part for part in (count or "any pack" * (self.cell is not None), self.cell) if part)]
        if self.split is not None:
            words.append(" ".join(f"{room}:{groups}" for room, groups in self.split.items()))
        if self.strip_layers is not None:
            words.append(f"{self.strip_layers} strip layer{'s' if self.strip_layers > 1 else ''}")
        if self.groups_per_module is not None:
            per = self.groups_per_module
            words.append(f"modules of {per} group{'s' if per > 1 else ''}" if per else "trays")
        words += [f"cells along {axis} in {room}" for room, axis in (self.axes or {}).items()]
        words += [f"{name} {value}" for name in ("strip", "wire", "bms", "fuse") if (value := getattr(self, name))]
        return ", ".join(word for word in words if word) or "any pack"


def _restricted_inputs(inputs: Inputs, asked: Asked, *, constraints: bool = True) -> Inputs:
    """Inputs that leave open only what is not asked for.

    A part that is asked for may be any of its catalog, whatever [vary] says.

    constraints: keep the brief's. Raises BadInput: See `optimizer.score.asked.asked_problems`.
    """
    tables = {table: getattr(inputs, table) for table in PARTS.values()}
    problems = asked_problems(inputs.brief, tables, asked, left_out=inputs.left_out)
    if problems:
        raise BadInput(problems)
    brief, vary, fit = inputs.brief, inputs.brief.vary, inputs.brief.fit
    series = sum(asked.split.values()) if asked.split is not None else asked.series
    change: dict[str, Any] = {}
    if series is not None:
        change["series"] = (series, series)
    if asked.parallel is not None:
        change["parallel"] = (asked.parallel, asked.parallel)
    if asked.strip_layers is not None:
        change["strip_layers"] = (asked.strip_layers,)
    if asked.groups_per_module is not None:
        per = asked.groups_per_module
        made = {"ways": ("modules",), "groups_per_module": (per,)} if per else {"ways": ("tray",)}
        fit = fit.model_copy(update=made)
    axes = asked.axes or {}
    rooms = tuple(
        room.model_copy(update={"axes": (axes[room.name],)}) if room.name in axes else room
        for room in brief.compartment
    )
    update: dict[str, Any] = {"vary": vary.model_copy(update=change), "fit": fit, "compartment": rooms}
    if not constraints:
        update["constraints"] = Constraints()
    rows: dict[str, Any] = {
        f"{name}_rows": np.flatnonzero(getattr(inputs, table).id == getattr(asked, name)).astype(np.int64)
        for name, table in PARTS.items()
        if getattr(asked, name) is not None
    }
    some = replace(inputs, brief=brief.model_copy(update=update), **rows)
    if asked.strip is None or brief.joining.bolt_room:
        return some
    open_ = brief.model_copy(update={**update, "joining": brief.joining.model_copy(update={"bolt_room": None})})
    return replace(some, brief=with_bolt_room(open_, inputs.strips, some.strip_rows))


@dataclass(frozen=True, eq=False)
class SplitSpace(Space):
    """A space whose groups are shared out over the compartments in one way only.

    Parameters
    ----------
    shares : tuple of int
        Groups in each compartment.
    """

    shares: tuple[int, ...] = ()

    def _find_fills(self, task: Task) -> list[list[Fill]]:
        offered = super()._find_fills(task)
        return [
            [_cut(fill, groups) for fill in each if fill.groups >= groups > 0]
            for each, groups in zip(offered, self.shares, strict=True)
        ]


def _cut(fill: Fill, groups: int) -> Fill:
    """The fill as if it held no more than so many groups."""
    return replace(fill, metrics=fill.metrics[: groups + 1])


def restricted_space(inputs: Inputs, asked: Asked, *, constraints: bool = True, spared: Collection[str] = ()) -> Space:
    """The space of inputs that leave open only what is not asked for.

    Parameters
    ----------
    inputs : Inputs
        Of the whole space.
    asked : Asked
    constraints : bool
        Keep the brief's.
    spared : collection of str
        What the fuse need not do, see Inputs.

    Raises
    ------
    BadInput
        See `optimizer.score.asked.asked_problems`.
    """
    some = _restricted_inputs(inputs, asked, constraints=constraints)
    space = make_space(replace(some, spared=frozenset(spared)))
    if asked.split is None:
        return space
    shares = tuple(asked.split.get(room.name, 0) for room in space.rooms)
    return SplitSpace(space.inputs, space.context, shares=shares)


def is_open(asked: Asked) -> bool:
    """Whether nothing at all is asked for."""
    return all(getattr(asked, item.name) is None for item in fields(asked))


def in_conditions(space: Space, **sections: Any) -> Space:
    """The same space on another ride or with another vehicle.

    Parameters
    ----------
    space : Space
    **sections : brief section
        "vehicle", "ride" or "situation" of the brief; a ride with a trace is the brief's own.
    """
    brief, inputs = space.brief.model_copy(update=sections), space.inputs
    assert brief.ride is not None
    context = build_context(
        brief, cells=inputs.cells, rows=inputs.cell_rows,
        models=cell_models(inputs.cells, inputs.cell_rows, ageing=brief.ageing),
        trace=inputs.ride if brief.ride.trace else None, chargers=inputs.chargers, traces=inputs.rides,
    )  # fmt: skip
    return Space(replace(inputs, brief=brief), context, space._fills)


# What a space has worked out that neither constraints nor objectives change.
CARRIED = (
    "compartments", "_rooms", "sizes", "size_of", "builds", "harnesses", "_layouts", "window", "box", "_seats",
)  # fmt: skip


def with_brief(
    space: Space,
    *,
    constraints: Constraints | None = None,
    objectives: Sequence[str] | None = None,
    rules_off: Sequence[str] = (),
) -> Space:
    """A space with other constraints, objectives or rules; what it has worked out of fills and harnesses is kept.

    Parameters
    ----------
    space : Space
    constraints : Constraints, optional
    objectives : sequence of str, optional
        Kept in full: no resolution.
    rules_off : sequence of str
        Keys of [protection] to turn off.
    """
    update: dict[str, Any] = {}
    if constraints is not None:
        update["constraints"] = constraints
    if objectives is not None:
        update["objectives"] = space.brief.objectives.model_copy(update={"use": tuple(objectives), "resolution": {}})
    if rules_off:
        update["protection"] = space.brief.protection.model_copy(update=dict.fromkeys(rules_off, False))
    new = replace(space, inputs=replace(space.inputs, brief=space.brief.model_copy(update=update)))
    new.__dict__.update({name: space.__dict__[name] for name in CARRIED if name in space.__dict__})
    return new
