"""Shares of the groups over the compartments, each with the fill of every compartment and the harness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

from optimizer.brief import HarnessRules
from optimizer.fit.compartment import Compartment
from optimizer.front import nondominated
from optimizer.geometry import centre_mm, to_vehicle
from optimizer.pack.harness import Places, harness_block
from optimizer.search.fills import Fill

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


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
    modules, crossing : ndarray of int, shape (n,)
        Cases in use, and conductors that run between compartments.
    """

    split: Ints
    fill: Ints
    metrics: Floats
    power_mm: Floats
    lead_mm: Floats
    modules: Ints
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


def split_table(
    rooms: Sequence[Compartment],
    *,
    fills: Sequence[Sequence[Fill]],
    series: tuple[int, int],
    rules: HarnessRules,
    sensors: int,
) -> tuple[Splits, dict[int, int]]:
    """All splits for one cell size and P, less those that another of the same S makes superfluous.

    Parameters
    ----------
    rooms : sequence of Compartment, length m
    fills : sequence of sequences of Fill
        Of each compartment; may be empty where nothing fits.
    series : (int, int)
        Least and most groups in series.
    rules : HarnessRules
    sensors : int

    Returns
    -------
    Splits
        By rising number of groups.
    dict of int to int
        How many there were before the reduction, by number of groups.
    """
    worst = np.array([rule == "worst" for rule in _rules(fills)], dtype=bool)
    parts = []
    for choice in product(*(range(max(len(each), 1)) for each in fills)):
        chosen = [each[k] if each else None for each, k in zip(fills, choice, strict=True)]
        split = all_splits([fill.groups if fill else 0 for fill in chosen], series=series)
        # An empty compartment is the same whichever fill it does not use: only the first one speaks for it.
        split = split[np.all((split > 0) | (np.array(choice) == 0), axis=1)]
        if len(split):
            parts.append(_with_harness(rooms, chosen, np.array(choice), split, worst, rules, sensors))
    if not parts:
        return _nothing(len(rooms), len(worst)), {}
    whole = Splits(
        *(np.concatenate([getattr(part, name) for part in parts]) for name in Splits.__dataclass_fields__)
    )
    series_of, counts = np.unique(whole.split.sum(axis=1), return_counts=True)
    return _reduced(whole), dict(zip(series_of.tolist(), counts.tolist(), strict=True))


def _rules(fills: Sequence[Sequence[Fill]]) -> tuple[str, ...]:
    return next((fill.rules for each in fills for fill in each), ())


def _nothing(rooms: int, metrics: int) -> Splits:
    none = np.zeros(0)
    whole = np.zeros((0, rooms), dtype=np.int64)
    ints = np.zeros(0, dtype=np.int64)
    return Splits(whole, whole, np.zeros((0, metrics)), none, none, ints, ints)


def _with_harness(
    rooms: Sequence[Compartment],
    chosen: Sequence[Fill | None],
    choice: Ints,
    split: Ints,
    worst: npt.NDArray[np.bool_],
    rules: HarnessRules,
    sensors: int,
) -> Splits:
    """Metrics and harness of the splits over one choice of fills."""
    metrics = np.zeros((len(split), len(worst)))
    for j, fill in enumerate(chosen):
        if fill is not None:
            here = fill.metrics[split[:, j]]
            metrics = np.where(worst, np.maximum(metrics, here), metrics + here)
    names = [room.name for room in rooms]
    harness = harness_block(
        split,
        places=places(rooms, chosen),
        sensors=sensors,
        share_balance_leads=rules.share_balance_leads,
        slack_mm=rules.slack_mm,
        bms_in=names.index(rules.bms_in) if rules.bms_in else None,
    )
    return Splits(
        split=split,
        fill=np.tile(choice, (len(split), 1)),
        metrics=metrics,
        power_mm=harness.power_length_mm,
        lead_mm=harness.balance_length_mm + harness.sensor_length_mm,
        modules=harness.modules,
        crossing=harness.crossing_conductors,
    )


def places(rooms: Sequence[Compartment], chosen: Sequence[Fill | None]) -> Places:
    """Where the chain begins and ends in each compartment, and where a BMS would sit, in the vehicle.

    The chain runs from one end of the compartment's longest side to the other, whatever the layout; wires
    get slack for what lies between that and the real tap.
    """
    starts: list[Floats] = []
    ends: list[Floats] = []
    middles: list[Floats] = []
    for room in rooms:
        low, high = np.array(room.extent_mm, dtype=float).T
        middle = centre_mm(room)
        along = int(np.argmax(high - low))
        start, end = middle.copy(), middle.copy()
        start[along], end[along] = low[along], high[along]
        for points, point in ((starts, start), (ends, end), (middles, middle)):
            points.append(to_vehicle(room, point))
    per_module = tuple(fill.groups_per_module if fill else 0 for fill in chosen)
    return Places(np.array(starts), np.array(ends), np.array(middles), per_module)


def _reduced(whole: Splits) -> Splits:
    """Per number of groups, the splits that no other one equals or beats in every number."""
    series = whole.split.sum(axis=1)
    numbers = np.column_stack([whole.metrics, whole.power_mm, whole.lead_mm, whole.modules])
    keep = []
    for count in np.unique(series):
        rows = np.flatnonzero(series == count)
        keep.append(rows[nondominated(numbers[rows])])
    return whole.take(np.concatenate(keep))
