"""How many millimetres one dimension of one compartment must grow until a pack is feasible."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from optimizer.analysis.obstacles import Remedy, obstacles, refusals, remedies
from optimizer.analysis.steps import DIMENSIONS, span, stretched
from optimizer.brief import Brief, SolidCompartment
from optimizer.design.rescore import scored
from optimizer.design.subspace import with_brief
from optimizer.fit.placement.survey import compartment_problems
from optimizer.search.running.run import search
from optimizer.search.space import space as rules
from optimizer.search.space.setup import make_space
from optimizer.search.space.space import Space

#: Lengths that grow by more than this are not looked at: that is another vehicle [mm].
MOST_MM = 64

#: Time that lengths may take, or as long as the search itself took [s].
LOOK_S = 15.0


@dataclass(frozen=True)
class Widened:
    """Changes of a length that let a pack through, and lengths that time did not suffice for, "deck width"."""

    remedies: tuple[Remedy, ...]
    unlooked: tuple[str, ...]


def widened(space: Space, *, seconds: float, report: Callable[[str], None] = lambda text: None) -> Widened:
    """For each length of each compartment, the fewest whole millimetres more that let a pack through.

    By halving: the search of the brief with that length finds a feasible pack, and the one with a millimetre less
    finds none. Compartments grow at their middle, as in `vary`; bodies from files don't grow.

    Parameters
    ----------
    space : Space
        Without a feasible pack.
    seconds : float
        After which no further length is looked at; one that was begun and not ended counts as not looked at [s].
    report : callable
        Told what is looked at.
    """
    until = time.monotonic() + seconds
    found, unlooked = [], []
    for k, room in enumerate(space.brief.compartment):
        if isinstance(room, SolidCompartment):
            continue
        for axis, dimension in DIMENSIONS.items():
            name = f"{room.name} {dimension}"
            report(f"looking for the least {dimension} of the {room.name} that lets a pack through")
            try:
                more = _least(lambda change, k=k, axis=axis: _row(space, k, axis, change, until))  # type: ignore[misc]
            except TimeoutError:
                unlooked.append(name)
                continue
            if more is not None:
                low, high = span(room, axis)
                found.append(Remedy(name, high - low, high - low + more[0], more[1]))
    return Widened(tuple(found), tuple(unlooked))


def account(
    space: Space, *, seconds: float = 0.0, report: Callable[[str], None] = lambda text: None
) -> dict[str, Any]:
    """What stands against a space without a feasible pack, and what would let one through, as run.json holds it.

    Parameters
    ----------
    seconds : float
        What its search took [s]; lengths, which are looked at where packs fail by room or by the brief's constraints,
        may take as long, or LOOK_S.
    report : callable
        Told what is looked at.
    """
    reasons = obstacles(space)
    limits = [] if reasons else remedies(space, report=report)
    roomy = not reasons or reasons[0].rule == rules.ROOM
    lengths = widened(space, seconds=max(seconds, LOOK_S), report=report) if roomy else Widened((), ())
    found = sorted([*limits, *lengths.remedies], key=lambda remedy: remedy.share)
    if not (reasons or limits):
        reasons = refusals(space)
    return {
        "obstacles": [asdict(each) for each in reasons], "remedies": [each.record() for each in found],
        "lengths_up_to_mm": MOST_MM if roomy else None, "unlooked": list(lengths.unlooked),
    }  # fmt: skip


def _least(row_at: Callable[[int], dict[str, Any] | None]) -> tuple[int, dict[str, Any]] | None:
    """The least change with a row, and its row; nothing below has one that was asked for."""
    best = row_at(MOST_MM)
    if best is None:
        return None
    low, high = 0, MOST_MM
    while high - low > 1:
        middle = (low + high) // 2
        row = row_at(middle)
        low, high, best = (middle, high, best) if row is None else (low, middle, row)
    return high, best


def _row(space: Space, room: int, axis: str, change_mm: int, until: float) -> dict[str, Any] | None:
    """A feasible pack of the brief with a longer compartment, None where there is none.

    Raises
    ------
    TimeoutError
        If time ends first.
    """
    if time.monotonic() >= until:
        raise TimeoutError
    brief = _longer(space.brief, room, axis, change_mm)
    if brief is None:
        return None
    other = make_space(replace(space.inputs, brief=brief))
    one = with_brief(other, objectives=brief.objectives.use[:1])
    outcome = search(one, workers=1, until=until)
    if len(outcome.found):
        row = scored(outcome.found.take(np.array([0])), space=one).iloc[0]
        return {str(name): value for name, value in row.items()}
    if not outcome.complete:
        raise TimeoutError
    return None


def _longer(brief: Brief, room: int, axis: str, change_mm: int) -> Brief | None:
    """A brief with one compartment stretched; None where it would no longer be one, or meet another."""
    other = stretched(brief.compartment[room], axis=axis, change_mm=float(change_mm))  # type: ignore[arg-type]
    if other is None:
        return None
    rooms = (*brief.compartment[:room], other, *brief.compartment[room + 1 :])
    changed = brief.model_copy(update={"compartment": rooms})
    return None if compartment_problems(changed) else changed
