"""Rows of splits: groups of every compartment with what they come to, put together and reduced."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimizer.base.arrays import Floats, Ints
from optimizer.front.dominance import unbeaten
from optimizer.search.space.fills import Fill

# In place of infinite: what cannot be had is worse than anything that can.
LARGEST = 1e300


@dataclass(frozen=True, eq=False)
class Splits:
    """n ways to share S groups out over m compartments.

    Parameters
    ----------
    split : ndarray of int, shape (n, m)
        Groups in each compartment.
    fill : ndarray of int, shape (n, m)
        Which fill of the compartment holds them; 0 where there is no group.
    metrics : ndarray, shape (n, len(names))
        Sums (or the worst) of the fills' metrics over the compartments; less is better.
    power_mm, lead_mm : ndarray, shape (n,)
        Length of power wire, and of balance leads and sensor wires together [mm].
    wire_mm2 : ndarray, shape (n,)
        Largest square of a power wire's outer diameter that fits through all passages in use and has room [mm²].
    modules, taps, crossing : ndarray of int, shape (n,)
        Cases in use, balance leads, and conductors that run between compartments.
    """

    split: Ints
    fill: Ints
    metrics: Floats
    power_mm: Floats
    lead_mm: Floats
    wire_mm2: Floats
    modules: Ints
    taps: Ints
    crossing: Ints

    def __len__(self) -> int:
        return len(self.split)

    def take(self, rows: npt.NDArray[np.bool_] | Ints) -> Splits:
        """Some of the rows."""
        return Splits(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))


def all_splits(most: Sequence[int], *, series: tuple[int, int]) -> Ints:
    """Every vector of groups with 0 to most[j] in compartment j and a sum within the bounds.

    Parameters
    ----------
    most : sequence of int, length m
        Groups that each compartment holds.
    series : (int, int)
        Least and most groups in all.

    Returns
    -------
    ndarray of int, shape (n, m)
        In lexicographic order.

    >>> all_splits([2, 1], series=(2, 2)).tolist()
    [[1, 1], [2, 0]]
    """
    low, high = series
    rows = np.zeros((1, 0), dtype=np.int64)
    for j, held in enumerate(most):
        rest = sum(most[j + 1 :])
        steps = np.arange(min(held, high) + 1)
        rows = np.column_stack([np.repeat(rows, len(steps), axis=0), np.tile(steps, len(rows))])
        total = rows.sum(axis=1)
        rows = rows[(total <= high) & (total + rest >= low)]
    return rows


def summed(chosen: Sequence[Fill | None], split: Ints, *, worst: npt.NDArray[np.bool_]) -> Floats:
    """Metrics of the fills of m compartments, which hold split groups each, shape (n, m): their sums, or the worst."""
    metrics = np.zeros((len(split), len(worst)))
    for j, fill in enumerate(chosen):
        if fill is not None:
            here = fill.metrics[split[:, j]]
            metrics = np.where(worst, np.maximum(metrics, here), metrics + here)
    return metrics


def joined(parts: Sequence[Splits], reduced: bool, spent: Sequence[int] = ()) -> Splits:
    """All parts' rows; reduced to those that no other one equals or beats in every number, of equal ones the first."""
    whole = Splits(
        *(np.concatenate([getattr(part, name) for part in parts]) for name in Splits.__dataclass_fields__)
    )
    if not reduced:
        return whole
    # Legs have had their effect on the lengths of wires.
    metrics = np.delete(whole.metrics, spent, axis=1)
    columns = [metrics, whole.power_mm, whole.lead_mm, whole.modules, whole.taps]
    if np.isfinite(whole.wire_mm2).any():
        columns.append(-np.minimum(whole.wire_mm2, 1e12))
    numbers = np.column_stack(columns)
    return whole.take(unbeaten(np.where(np.isinf(numbers), LARGEST, numbers)))


def nothing(rooms: int, metrics: int) -> Splits:
    """No row, of so many compartments and metrics."""
    none = np.zeros(0)
    whole = np.zeros((0, rooms), dtype=np.int64)
    ints = np.zeros(0, dtype=np.int64)
    return Splits(whole, whole, np.zeros((0, metrics)), none, none, none, ints, ints, ints)
