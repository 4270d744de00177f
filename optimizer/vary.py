"""What a millimetre of a compartment, and a step of a limit, is worth: the best of each figure, exactly, again."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from optimizer.brief import BoxCompartment, BoxKeepOut, Brief, PrismCompartment, PrismKeepOut
from optimizer.fit.layout import AXES
from optimizer.rescoring import scored
from optimizer.restricted import CARRIED, with_brief
from optimizer.search.archive import Survivors
from optimizer.search.exact import Engine
from optimizer.search.run import spread
from optimizer.search.setup import make_space
from optimizer.search.space import Space, Task
from optimizer.survey import compartment_problems

Floats = npt.NDArray[np.float64]
Room = BoxCompartment | PrismCompartment

FIGURES = ("range_km", "peak_power_w", "pack_mass_kg", "cost")
DIMENSIONS = {"x": "length", "y": "width", "z": "height"}
LIMITS = ("voltage_max_v", "voltage_min_v", "battery_current_a")


@dataclass(frozen=True)
class Step:
    """One change of the brief.

    Parameters
    ----------
    name : str
        What is changed, such as "stem height" or "cost_max".
    change : float
        How far, in mm or in the limit's unit.
    text : str
        In words: "2 mm more height in the stem".
    brief : Brief
        With the change; None when the compartment would no longer be one.
    """

    name: str
    change: float
    text: str
    brief: Brief | None


@dataclass(frozen=True, eq=False)
class Best:
    """The best of each figure over a whole space.

    Parameters
    ----------
    rows : mapping of figure to row of a front
        Empty when no pack is feasible.
    places : mapping of (compartment, size) to int
        Cells of each size that fit each compartment; sizes in words.
    """

    rows: Mapping[str, Mapping[str, Any]]
    places: Mapping[tuple[str, str], int]

    def value(self, figure: str) -> float:
        """The best of one figure; not a number when no pack is feasible."""
        return float(self.rows[figure][figure]) if self.rows else float("nan")

    def place_changes(self, base: Best) -> dict[tuple[str, str], int]:
        """By compartment and cell size, how many cells more fit than before; only where that has changed."""
        keys = {**base.places, **self.places}
        changes = {key: self.places.get(key, 0) - base.places.get(key, 0) for key in keys}
        return {key: change for key, change in changes.items() if change}


@dataclass(frozen=True, eq=False)
class Worth:
    """What every step is worth.

    Parameters
    ----------
    base : Best
        Of the brief as it stands.
    steps : tuple of Step
    best : tuple of Best or None
        After each step; None where the compartment would no longer be one.
    """

    base: Best
    steps: tuple[Step, ...]
    best: tuple[Best | None, ...]

    @property
    def figures(self) -> tuple[str, ...]:
        """Whose best is followed."""
        return FIGURES

    def table(self) -> pd.DataFrame:
        """One row per step: parameter, change, and by how much the best of each figure and the cells change."""
        rows = []
        for step, found in zip(self.steps, self.best, strict=True):
            row: dict[str, Any] = {"parameter": step.name, "change": step.change, "text": step.text}
            row["feasible"] = found is not None and bool(found.rows)
            for figure in FIGURES:
                row[f"{figure}_change"] = np.nan if found is None else found.value(figure) - self.base.value(figure)
            changes = {} if found is None else found.place_changes(self.base)
            row["cells_change"] = max(changes.values(), key=abs, default=0)
            row["best_range_pack"] = "" if found is None or not found.rows else _pack(found.rows["range_km"])
            rows.append(row)
        return pd.DataFrame(rows)


def _pack(row: Mapping[str, Any]) -> str:
    return f"{row['series']}S{row['parallel']}P {row['cell_id']}"


def steps(brief: Brief, *, step_mm: float = 2.0, step_pct: float = 5.0) -> list[Step]:
    """Each dimension of each compartment and each limit, both ways.

    A compartment is stretched at its middle: what lies beyond the middle of the dimension moves, corners and
    keep-outs alike, so that tapers and fittings at its ends stay as they are.

    Parameters
    ----------
    brief : Brief
    step_mm : float
        Above 0 [mm].
    step_pct : float
        Of a limit's value, above 0 [%].

    Returns
    -------
    list of Step
        Pairs: less, then more.

    Raises
    ------
    ValueError
        If a step is not above 0.
    """
    if not (step_mm > 0 and step_pct > 0):
        raise ValueError(f"steps must be above 0, found {step_mm:g} mm and {step_pct:g} %")
    return [*_dimension_steps(brief, step_mm), *_limit_steps(brief, step_pct / 100.0)]


def _dimension_steps(brief: Brief, step_mm: float) -> Iterator[Step]:
    for k, room in enumerate(brief.compartment):
        for axis, dimension in DIMENSIONS.items():
            for change in (-step_mm, step_mm):
                word = f"{step_mm:g} mm {'more' if change > 0 else 'less'} {dimension} in the {room.name}"
                other = stretched(room, axis=axis, change_mm=change)
                changed = None
                if other is not None:
                    rooms = (*brief.compartment[:k], other, *brief.compartment[k + 1 :])
                    changed = brief.model_copy(update={"compartment": rooms})
                    changed = None if compartment_problems(changed) else changed
                yield Step(f"{room.name} {dimension}", change, word, changed)


def _limit_steps(brief: Brief, part: float) -> Iterator[Step]:
    asked = brief.electrical
    sections: list[tuple[str, Any, str]] = []
    if asked is not None:
        sections += [("electrical", asked, name) for name in LIMITS]
    sections += [("constraints", brief.constraints, name) for name, bound in brief.constraints if bound]
    for section, model, name in sections:
        value = float(getattr(model, name))
        for sign in (-1.0, 1.0):
            new = value * (1.0 + sign * part)
            word = f"{100 * part:g} % {'more' if sign > 0 else 'less'} {name} ({value:g} → {new:.4g})"
            changed = brief.model_copy(update={section: model.model_copy(update={name: new})})
            if section == "electrical" and asked is not None:
                other = changed.electrical
                changed_ok = other is not None and other.voltage_min_v < other.voltage_max_v
                yield Step(name, new - value, word, changed if changed_ok else None)
            else:
                yield Step(name, new - value, word, changed)


def stretched(room: Room, *, axis: str, change_mm: float) -> Room | None:
    """A compartment made longer at the middle of one axis; None where nothing would be left.

    Parameters
    ----------
    room : BoxCompartment or PrismCompartment
    axis : "x", "y" or "z"
        Of its own axes.
    change_mm : float
        Below 0 to shorten it [mm].

    Returns
    -------
    BoxCompartment, PrismCompartment or None
    """
    low, high = _span(room, axis)
    if high - low + change_mm <= 0:
        return None
    middle = (low + high) / 2.0
    kept = tuple(_moved(part, axis, middle, change_mm) for part in room.keep_out)
    update = {**_grown(room, axis, middle, change_mm, origin=0.0), "keep_out": kept}
    return room.model_copy(update=update)


def _span(item: Any, axis: str) -> tuple[float, float]:
    """From where to where a solid reaches along an axis, its origin left out."""
    if item.shape == "box":
        return 0.0, float(getattr(item, f"{DIMENSIONS[axis]}_mm"))
    if axis == item.extrude:
        return 0.0, float(item.depth_mm)
    values = [point[_column(item, axis)] for point in item.profile_mm]
    return float(min(values)), float(max(values))


def _column(item: Any, axis: str) -> int:
    return [name for name in AXES if name != item.extrude].index(axis)


def _grown(item: Any, axis: str, middle: float, change: float, *, origin: float) -> dict[str, Any]:
    """Fields of a solid after everything beyond the middle has moved; its origin is left where it was."""
    low, high = _span(item, axis)
    if item.shape == "box" or axis == item.extrude:
        name = "depth_mm" if item.shape == "prism" else f"{DIMENSIONS[axis]}_mm"
        grows = origin + low <= middle < origin + high
        return {name: high - low + (change if grows else 0.0)}
    column = _column(item, axis)
    points = [list(point) for point in item.profile_mm]
    for point in points:
        point[column] += change if origin + point[column] > middle else 0.0
    return {"profile_mm": tuple((point[0], point[1]) for point in points)}


def _moved(part: BoxKeepOut | PrismKeepOut, axis: str, middle: float, change: float) -> BoxKeepOut | PrismKeepOut:
    """A keep-out that moves with the half it lies in, and grows where it lies in both."""
    at = AXES.index(axis)
    origin = list(part.origin_mm)
    low, _ = _span(part, axis)
    if origin[at] + low > middle:
        origin[at] += change
        return part.model_copy(update={"origin_mm": tuple(origin)})
    return part.model_copy(update=_grown(part, axis, middle, change, origin=origin[at]))


def best(space: Space, *, first: Sequence[Task] = ()) -> Best:
    """The best of each of FIGURES over a whole space, constraints kept; exact.

    One pass of the engine: what is discarded is no better than the best found so far in any figure.

    Parameters
    ----------
    space : Space
    first : sequence of Task
        Where good packs are expected, to be searched first.

    Returns
    -------
    Best
    """
    space = with_brief(space, objectives=FIGURES)
    engine = Engine(space)
    tasks = space.tasks()
    order = [task for task in first if task in tasks]
    order += [tasks[k] for k in spread(len(tasks)) if tasks[k] not in order]
    ideal = np.full((1, len(FIGURES)), np.inf)
    winners: list[Survivors | None] = [None] * len(FIGURES)
    for task in order:
        # Together the best values so far stand for a pack that beats whatever is better in nothing.
        engine.known = ideal if np.isfinite(ideal).all() else np.zeros((0, len(FIGURES)))
        found, _ = engine.run(task)
        for k in range(len(FIGURES)):
            if len(found) and found.objectives[:, k].min() < ideal[0, k]:
                row = int(np.lexsort((*found.objectives.T, found.objectives[:, k]))[0])
                winners[k], ideal[0, k] = found.take(np.array([row])), found.objectives[row, k]
    rows = {
        figure: {str(name): value for name, value in scored(winner, space=space).iloc[0].items()}
        for figure, winner in zip(FIGURES, winners, strict=True)
        if winner is not None
    }
    return Best(rows, _places(space))


def _places(space: Space) -> dict[tuple[str, str], int]:
    found = {}
    for k, size in enumerate(space.sizes):
        words = (
            f"Ø{size.diameter_mm:g} × {size.length_mm:g} mm"
            if size.shape == "cylinder"
            else f"{size.length_mm:g} × {size.width_mm:g} × {size.thickness_mm:g} mm"
        )
        for room, count in zip(space.rooms, space.most_cells(k), strict=True):
            found[room.name, words] = count
    return found


def _tasks_of(space: Space, found: Best) -> list[Task]:
    """Tasks that the winners come from, each once."""
    cells = space.inputs.cells.id[space.context.cells.row].tolist()
    named = [(str(row["cell_id"]), int(row["parallel"])) for row in found.rows.values()]
    tasks = [Task(int(space.size_of[cells.index(cell)]), parallel) for cell, parallel in named]
    return list(dict.fromkeys(tasks))


def vary(
    space: Space,
    *,
    changes: Sequence[Step] | None = None,
    report: Callable[[str], None] = lambda text: None,
) -> Worth:
    """What every step is worth.

    Parameters
    ----------
    space : Space
        Of the brief as it stands.
    changes : sequence of Step, optional
        Those of `steps` when left out.
    report : callable
        Told about each step before it is taken.

    Returns
    -------
    Worth
    """
    changes = steps(space.brief) if changes is None else changes
    report("as it stands")
    base = best(space)
    first = _tasks_of(space, base)
    found: list[Best | None] = []
    for number, step in enumerate(changes, start=1):
        report(f"{number} of {len(changes)}: {step.text}")
        found.append(None if step.brief is None else best(changed_space(space, step.brief), first=first))
    return Worth(base, tuple(changes), tuple(found))


def changed_space(space: Space, brief: Brief) -> Space:
    """A space after a step; what the step does not touch is kept.

    Parameters
    ----------
    space : Space
    brief : Brief
        Of the same catalogs.

    Returns
    -------
    Space
    """
    inputs = replace(space.inputs, brief=brief)
    if brief.compartment != space.brief.compartment:
        return Space(inputs, space.context)
    if brief.electrical == space.brief.electrical:
        return with_brief(space, constraints=brief.constraints)
    new = replace(space, inputs=inputs, context=make_space(inputs).context)
    new.__dict__.update({name: space.__dict__[name] for name in CARRIED if name in space.__dict__ and name != "window"})
    return new
