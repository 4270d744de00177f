"""Survivors of a search: candidates that nothing seen so far dominates, with all that tells them apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import moocore
import numpy as np
import numpy.typing as npt

from optimizer.base.arrays import Floats, Ints
from optimizer.front.dominance import Dominators
from optimizer.front.pareto import nondominated, thin
from optimizer.score.score import WARM_NUMBERS, Block

# Whole numbers that name a candidate, before the split and the fills of the compartments.
NAMES = ("size", "cell", "series", "parallel", "strip", "layers", "wire", "bms", "fuse", "crossing", "stand")
NUMBERS = (
    "extra_ohm", "parts_kg", "parts_cost", "cells_cost", "peak_cap_a", "continuous_cap_a", "charge_cap_a",
    "ride_cap_a", "regen_cap_a", "spread_ohm", *WARM_NUMBERS, "pieces", "distinct_pieces", "distinct_plates", "welds",
    "folds", "build_min",
)  # fmt: skip

# Two results closer than this, relative to their size, may differ by rounding alone: a bound that is no worse
# than this discards nothing.
SLACK = 1e-9


@dataclass(frozen=True, eq=False)
class Survivors:
    """n candidates.

    Parameters
    ----------
    names : ndarray of int, shape (n, len(NAMES) + 2·m)
        NAMES, then groups in each of m compartments, then the fill of each.
    numbers : ndarray, shape (n, len(NUMBERS))
        What the score needs besides, see score.Block.
    objectives : ndarray, shape (n, d)
        Less is better.
    """

    names: Ints
    numbers: Floats
    objectives: Floats

    def __len__(self) -> int:
        return len(self.names)

    def take(self, rows: npt.NDArray[np.bool_] | Ints | slice) -> Survivors:
        """Some of the candidates."""
        return Survivors(self.names[rows], self.numbers[rows], self.objectives[rows])

    def block(self) -> Block:
        """The candidates as the score reads them."""
        name = {key: self.names[:, k] for k, key in enumerate(NAMES)}
        number = {key: self.numbers[:, k] for k, key in enumerate(NUMBERS)}
        return Block(cell=name["cell"], series=name["series"], parallel=name["parallel"], **number)

    def by_name(self) -> Survivors:
        """The candidates sorted by name: the same order however they were found."""
        return self.take(np.lexsort(self.names.T[::-1]))


def numbers_of(block: Block) -> Floats:
    """Columns of a block that go with survivors, shape (n, len(NUMBERS))."""
    return np.column_stack([getattr(block, name) for name in NUMBERS])


def nothing(*, rooms: int, objectives: int) -> Survivors:
    """No candidate."""
    return Survivors(
        np.zeros((0, len(NAMES) + 2 * rooms), dtype=np.int64),
        np.zeros((0, len(NUMBERS))),
        np.zeros((0, objectives)),
    )


def merge(parts: Sequence[Survivors]) -> Survivors:
    """Non-dominated candidates of all parts; of those with equal objectives the first by name stays.

    Which rows stay depends neither on the order nor on the number of the parts.
    """
    whole = Survivors(
        np.concatenate([part.names for part in parts]),
        np.concatenate([part.numbers for part in parts]),
        np.concatenate([part.objectives for part in parts]),
    )
    if whole.objectives.shape[1] > 1 and len(whole):
        # First without regard to ties, so that few rows are left to sort by name.
        whole = whole.take(np.asarray(moocore.is_nondominated(whole.objectives, keep_weakly=True), dtype=bool))
    if len(parts) > 1 or len(whole) > 1:
        whole = whole.by_name()
    return whole.take(nondominated(whole.objectives))


def some(found: Survivors, *, most: int | None) -> Survivors:
    """At most so many of the candidates: the best by each objective, and others evenly out of the list.

    Parameters
    ----------
    most : int, optional
        At least the number of objectives; all when left out.
    """
    if most is None or len(found) <= most:
        return found
    best = found.objectives.argmin(axis=0)
    even = np.linspace(0, len(found) - 1, most - len(best)).astype(np.int64)
    return found.take(np.unique(np.concatenate([best, even])))


def standing_for(points: Floats, *, most: int) -> Floats:
    """At most so many rows, none of them far from a row left out.

    Parameters
    ----------
    points : ndarray, shape (n, d)
        Mutually non-dominated, less is better.
    """
    step = np.ptp(points, axis=0) / (2.0 * most) if len(points) else np.zeros(points.shape[1])
    kept = points
    while len(kept) > most:
        kept, step = points[thin(points, resolution=step)], step * 1.5
    return kept


def merge_objectives(left: Floats, right: Floats) -> Floats:
    """Objectives of the non-dominated rows of both, shapes (n, d) and (m, d)."""
    whole = np.concatenate([left, right])
    return whole[nondominated(whole)]


def slackened(bounds: Floats) -> Floats:
    """Bounds made better by what rounding could explain.

    Parameters
    ----------
    bounds : ndarray, shape (n, d)
    """
    out: Floats = bounds - SLACK * np.abs(bounds) - 1e-300
    return out


def beaten(bounds: Floats, *, front: Dominators) -> npt.NDArray[np.bool_]:
    """Bounds that some row of the front beats in every objective by more than rounding.

    Parameters
    ----------
    bounds : ndarray, shape (n, d)
        No candidate of the branch is better than this in any objective.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    return front.beat(slackened(bounds))


class Front:
    """The front of a search as it grows.

    Rows wait until they are worth a merge; till then they bound nothing, which costs time, never rows.

    Parameters
    ----------
    start : Survivors
        Found before, to which what is added belongs.
    against : ndarray, shape (m, d), optional
        Objectives of rows found elsewhere, which bound but are not part of the front.
    """

    WAIT_ROWS = 500

    def __init__(self, start: Survivors, *, against: Floats | None = None) -> None:
        self._merged = start
        self._waiting: list[Survivors] = []
        self._count = 0
        self._others = Dominators(start.objectives[:0] if against is None else against)
        self._index()

    def _index(self) -> None:
        self._mine = Dominators(self._merged.objectives)

    def add(self, part: Survivors) -> None:
        """Take candidates in."""
        self._waiting.append(part)
        self._count += len(part)
        if self._count > max(self.WAIT_ROWS, len(self._mine) // 16):
            self.settle()

    def settle(self) -> Survivors:
        """Everything that was taken in and is not dominated."""
        if self._waiting:
            whole = merge([self._merged, *self._waiting])
            self._merged = whole.take(~beaten(whole.objectives, front=self._others))
            self._waiting, self._count = [], 0
            self._index()
        return self._merged

    def beats(self, bounds: Floats) -> npt.NDArray[np.bool_]:
        """Bounds that some row merged so far beats by more than rounding, shape (n,)."""
        out = beaten(bounds, front=self._others)
        out[~out] = beaten(bounds[~out], front=self._mine)
        return out
