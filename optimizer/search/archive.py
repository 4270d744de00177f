"""Survivors of a search: candidates that nothing seen so far dominates, with all that tells them apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimizer.front import dominated_by, nondominated
from optimizer.score import Block

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# Whole numbers that name a candidate, before the split and the fills of the compartments.
NAMES = ("size", "cell", "series", "parallel", "strip", "layers", "wire", "bms", "fuse", "crossing")
NUMBERS = (
    "extra_ohm", "parts_kg", "parts_cost", "cells_cost", "peak_cap_a", "continuous_cap_a", "charge_cap_a",
    "spread_ohm", "hot_rise_k_per_w",
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

    def take(self, rows: npt.NDArray[np.bool_] | Ints) -> Survivors:
        """Some of the candidates."""
        return Survivors(self.names[rows], self.numbers[rows], self.objectives[rows])

    def block(self) -> Block:
        """The candidates as the score reads them."""
        name = {key: self.names[:, k] for k, key in enumerate(NAMES)}
        number = {key: self.numbers[:, k] for k, key in enumerate(NUMBERS)}
        return Block(cell=name["cell"], series=name["series"], parallel=name["parallel"], **number)


def nothing(*, rooms: int, objectives: int) -> Survivors:
    """No candidate."""
    return Survivors(
        np.zeros((0, len(NAMES) + 2 * rooms), dtype=np.int64),
        np.zeros((0, len(NUMBERS))),
        np.zeros((0, objectives)),
    )


def merge(parts: Sequence[Survivors]) -> Survivors:
    """Non-dominated candidates of all parts; of those with equal objectives the first by name stays.

    Sorting by name first makes the result the same in whatever order and by however many workers the parts
    were found.
    """
    names = np.concatenate([part.names for part in parts])
    order = np.lexsort(names.T[::-1])
    whole = Survivors(
        names[order],
        np.concatenate([part.numbers for part in parts])[order],
        np.concatenate([part.objectives for part in parts])[order],
    )
    return whole.take(nondominated(whole.objectives))


def beaten(bounds: Floats, *, front: Floats) -> npt.NDArray[np.bool_]:
    """Bounds that some row of the front beats in every objective by more than rounding.

    Parameters
    ----------
    bounds : ndarray, shape (n, d)
        No candidate of the branch is better than this in any objective.
    front : ndarray, shape (m, d)

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    return dominated_by(bounds - SLACK * np.abs(bounds) - 1e-300, front=front)
