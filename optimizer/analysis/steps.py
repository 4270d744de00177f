"""Steps of a brief: each dimension of each compartment and each limit, a little less and a little more."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from optimizer.base.figures import bounded, sided
from optimizer.brief import BoxCompartment, Brief, PrismCompartment, SolidCompartment, SolidKeepOut
from optimizer.fit.placement.survey import compartment_problems
from optimizer.fit.region.layout import AXES

Room = BoxCompartment | PrismCompartment

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

    @property
    def limit(self) -> bool:
        """Whether a limit is changed, not a dimension."""
        return bounded(self.name) is not None or self.name in LIMITS

    @property
    def tightens(self) -> bool:
        """Whether it can only forbid packs: those that stay allowed keep their figures."""
        side = sided(self.name)[1] if bounded(self.name) else ""
        less = side == "max" or self.name == "voltage_max_v"
        more = side == "min" or self.name == "voltage_min_v"
        return (less and self.change < 0) or (more and self.change > 0)


def steps(brief: Brief, *, step_mm: float = 2.0, step_pct: float = 5.0) -> list[Step]:
    """Each dimension of each compartment [mm] and each limit [% of its value], both ways: less, then more.

    A compartment is stretched at its middle: what lies beyond the middle of the dimension moves, corners and keep-outs
    alike, so that tapers and fittings at its ends stay as they are. A step that is not above 0 is a ValueError.
    """
    if not (step_mm > 0 and step_pct > 0):
        raise ValueError(f"steps must be above 0, found {step_mm:g} mm and {step_pct:g} %")
    return [*_dimension_steps(brief, step_mm), *_limit_steps(brief, step_pct / 100.0)]


def _dimension_steps(brief: Brief, step_mm: float) -> Iterator[Step]:
    for k, room in enumerate(brief.compartment):
        if isinstance(room, SolidCompartment):
            continue  # a body from a file is not stretched
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
    """A compartment made longer [mm] at the middle of one of its own axes; None where nothing would be left."""
    low, high = span(room, axis)
    if high - low + change_mm <= 0:
        return None
    middle = (low + high) / 2.0
    kept = tuple(_moved(part, axis, middle, change_mm) for part in room.keep_out)
    update = {**_grown(room, axis, middle, change_mm, origin=0.0), "keep_out": kept}
    return room.model_copy(update=update)


def span(item: Any, axis: str) -> tuple[float, float]:
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
    low, high = span(item, axis)
    if item.shape == "box" or axis == item.extrude:
        name = "depth_mm" if item.shape == "prism" else f"{DIMENSIONS[axis]}_mm"
        grows = origin + low <= middle < origin + high
        return {name: high - low + (change if grows else 0.0)}
    column = _column(item, axis)
    points = [list(point) for point in item.profile_mm]
    for point in points:
        point[column] += change if origin + point[column] > middle else 0.0
    return {"profile_mm": tuple((point[0], point[1]) for point in points)}


def _moved(part: Any, axis: str, middle: float, change: float) -> Any:
    """A keep-out that moves with the half it lies in, and grows where it lies in both."""
    if isinstance(part, SolidKeepOut):
        return part
    at = AXES.index(axis)
    origin = list(part.origin_mm)
    low, _ = span(part, axis)
    if origin[at] + low > middle:
        origin[at] += change
        return part.model_copy(update={"origin_mm": tuple(origin)})
    return part.model_copy(update=_grown(part, axis, middle, change, origin=origin[at]))
