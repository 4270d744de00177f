"""Figures situation by situation: their names, the order in which they are scored, and cells that have aged."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from optimizer.base.arrays import Floats
from optimizer.base.figures import ANY, FIGURES, OBJECTIVES, VARYING, in_situation, split_name
from optimizer.cell.fade import Fade
from optimizer.score.context import Context, with_own_cells

if TYPE_CHECKING:
    from optimizer.score.score import Block


# What a situation is told with: figures that it changes, and what stops them.
SETTLED = "range_settled"
TOLD_IN_SITUATIONS = (*VARYING, "range_stop", SETTLED, "peak_limit", "peak_current_a")


def needed_in(situation: str, figures: frozenset[str]) -> frozenset[str]:
    """Of some figures those of one situation, by their plain names, and what the worst of all needs of it.

    >>> sorted(needed_in("winter", frozenset({"cost", "range_km_winter", "peak_power_w_any", "range_km_hot"})))
    ['peak_power_w', 'range_km']
    """
    named = (split_name(name) for name in figures)
    return frozenset(base for base, where in named if where in (situation, ANY))


def settled_in(figures: Mapping[str, Floats], context: Context) -> dict[str, Floats]:
    """By situation, 1 of the packs that no heavier one, nowhere else better, goes further than, else 0.

    Situations in which that need not be asked are left out, as those that were not stepped through.
    """
    named = {where: in_situation(SETTLED, where) for where, _ in context.everywhere()}
    return {where: figures[name] for where, name in named.items() if name in figures}


def worst(figures: Mapping[str, Floats], name: str, *, context: Context) -> Floats:
    """The worst of a figure over the brief's own conditions and all situations, by its name, such as range_km_any."""
    base, _ = split_name(name)
    each = [figures[in_situation(base, situation)] for situation, _ in context.everywhere()]
    found: Floats = np.min(each, axis=0) if OBJECTIVES[base] else np.max(each, axis=0)
    return found


def stages_of(figures: frozenset[str], situations: Sequence[str]) -> tuple[frozenset[str], ...]:
    """Figures in the order in which they are worth scoring: what is quick, then the ride, one situation at a time.

    >>> for stage in stages_of(frozenset({"cost", "range_km_winter", "peak_low_w_any", "range_km"}), ["winter"]):
    ...     print(sorted(stage))
    ['cost', 'peak_low_w_any']
    ['cost', 'peak_low_w_any', 'range_km']
    ['range_km_winter']
    """
    ridden = {name for name in figures if FIGURES[name].part == "ride"}
    quick, by = figures - ridden, {name: split_name(name)[1] for name in ridden}
    own = frozenset(name for name in ridden if not by[name])
    later = (frozenset(name for name in ridden if by[name] == where) for where in (*situations, ANY))
    return (quick, *((quick | own,) if own else ()), *(stage for stage in later if stage))


def aged(block: Block, context: Context, *, by: str = "capacity") -> tuple[Block, Context]:
    """Candidates with cells as old as in a situation: cells of their own for each cell and count of them.

    `by` is the field of Fade whose capacity is left: the middle of the published cells, the harshest or the mildest.
    """
    if context.years == 0.0:
        return block, context
    pairs = np.column_stack([block.cell, block.series * block.parallel])
    pairs, back = np.unique(pairs, axis=0, return_inverse=True)
    left = context.fade_of(pairs[:, 0], pairs[:, 1])
    here = faded(context, pairs[:, 0], capacity=getattr(left, by), fade=left)
    return replace(block, cell=back.ravel().astype(np.int64)), here


def faded(context: Context, cell: npt.NDArray[np.int64], *, capacity: Floats, fade: Fade) -> Context:
    """A context of cells of which so much of the capacity is left; new where that is not known."""
    parts = (np.where(np.isnan(part), 1.0, part) for part in (capacity, fade.resistance_at(capacity)))
    return with_own_cells(context, cell, **dict(zip(("capacity", "resistance"), parts, strict=True)))


def with_unknown(figures: dict[str, Floats], block: Block, context: Context) -> dict[str, Floats]:
    """Figures after years, infinitely bad of cells whose fade is not published: what can't be known meets no limit."""
    if context.years == 0.0:
        return figures
    unknown = np.isnan(context.fade_of(block.cell, block.series * block.parallel).capacity)
    bad = {name: -np.inf if OBJECTIVES[name] else np.inf for name in figures if name in VARYING}
    return figures | {name: np.where(unknown, worst, figures[name]) for name, worst in bad.items()}
