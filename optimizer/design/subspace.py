"""A space with some choices made: what a pinned pack, `why` and a single design are scored in."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from optimizer.base.problems import BadInput
from optimizer.brief import Constraints
from optimizer.brief.choice import Choice
from optimizer.cell.default import cell_models
from optimizer.pack.joining import with_bolt_room
from optimizer.score.asked import PARTS, asked_problems
from optimizer.score.context import build_context
from optimizer.score.inputs import Inputs
from optimizer.search.space.fills import Fill
from optimizer.search.space.offering import Offering, Task
from optimizer.search.space.setup import make_space
from optimizer.search.space.space import Space


def _restricted_inputs(inputs: Inputs, asked: Choice, *, constraints: bool = True) -> Inputs:
    """Inputs that leave open only what is not asked for.

    A part that is asked for may be any of its catalog, whatever [vary] says.

    constraints: keep the brief's. Raises BadInput: See `optimizer.score.asked.asked_problems`.
    """
    tables = {table: getattr(inputs, table) for table in PARTS.values()}
    problems = asked_problems(inputs.brief, tables, asked, left_out=inputs.left_out)
    if problems:
        raise BadInput(problems)
    brief, vary, fit = inputs.brief, inputs.brief.vary, inputs.brief.fit
    series = asked.groups
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
class OneSplit(Offering):
    """Groups are shared out over the compartments in one way only.

    Parameters
    ----------
    shares : tuple of int
        Groups in each compartment.
    """

    shares: tuple[int, ...]

    def fills(self, space: Space, room: int, task: Task) -> list[Fill]:
        """Those that hold as many groups, as if they held no more."""
        groups = self.shares[room]
        return [_cut(fill, groups) for fill in space.found_fills(room, task) if fill.groups >= groups > 0]


def _cut(fill: Fill, groups: int) -> Fill:
    """The fill as if it held no more than so many groups."""
    return replace(fill, metrics=fill.metrics[: groups + 1])


def restricted_space(inputs: Inputs, asked: Choice, *, constraints: bool = True, spared: Collection[str] = ()) -> Space:
    """The space of inputs that leave open only what is not asked for.

    Parameters
    ----------
    inputs : Inputs
        Of the whole space.
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
    return replace(space, offer=OneSplit(tuple(asked.split.get(room.name, 0) for room in space.rooms)))


def in_conditions(space: Space, **sections: Any) -> Space:
    """The same space on another ride or with another vehicle.

    Parameters
    ----------
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
