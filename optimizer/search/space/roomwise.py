"""Groups shared out over many compartments, compartment by compartment, in blocks of bounded size.

With many compartments the product of their fills is too large to be gone through choice by choice. What lies
after a compartment acts on a row through the groups, the kinds of case and the lengths of sensors' wires before it
(the harness knows no more) and through sums or worst values of the fills' metrics. So of rows that are the same in
the former only those need to go on that no other one equals or beats in every metric.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields

import numpy as np

from optimizer.base.arrays import Flags, Floats, Ints
from optimizer.front.pareto import nondominated
from optimizer.search.space.fills import Fill
from optimizer.search.space.hubs import sensor_leg_mm

# Rows made at a time, and comparisons held at a time.
BLOCK = 50_000
COMPARED = 4_000_000

# Rows alike from which on each lot is reduced by itself.
LARGE = 48


@dataclass(frozen=True, eq=False)
class WayRows:
    """n ways to fill the first k compartments.

    Parameters
    ----------
    split, fill, case : ndarray of int, shape (n, k)
        Groups, which fill holds them, and groups per module; 0, 0 and 0 where there is no group.
    metrics : ndarray, shape (n, d)
        Sums, or the worst, so far.
    kinds : ndarray of int, shape (n,)
        Kinds of module case in use, one bit each.
    same : ndarray of int, shape (n,)
        Equal for rows with the same split, case and length of a sensor's wire in each compartment.
    """

    split: Ints
    fill: Ints
    case: Ints
    metrics: Floats
    kinds: Ints
    same: Ints

    def __len__(self) -> int:
        return len(self.split)

    def take(self, rows: Flags | Ints | slice) -> WayRows:
        """Some of the rows."""
        return WayRows(*(getattr(self, field.name)[rows] for field in fields(self)))


@dataclass(frozen=True, eq=False)
class Offer:
    """What one compartment may hold, by rising groups: arrays of o rows, the first one nothing.

    `same` is equal for rows with the same groups, groups per module and length of a sensor's wire.
    """

    groups: Ints
    fill: Ints
    case: Ints
    metrics: Floats
    kinds: Ints
    same: Ints

    @property
    def alike(self) -> bool:
        """Whether some rows differ in metrics alone."""
        return len(np.unique(self.same)) < len(self.same)


def offers(
    fills: Sequence[Sequence[Fill]], *, useful: Sequence[Flags] | None, metrics: int
) -> list[Offer]:
    """What each compartment may hold.

    Parameters
    ----------
    fills : sequence of sequences of Fill
        By compartment.
    useful : sequence of ndarray of bool, shape (f, G + 1), optional
        Which fills are worth having for a number of groups; all when left out.
    metrics : int
        Number of the fills' metrics.
    """
    kinds = sorted({fill.groups_per_module for each in fills for fill in each} - {0})
    bit = {0: 0} | {kind: 1 << k for k, kind in enumerate(kinds)}
    out = []
    for j, each in enumerate(fills):
        most = max((fill.groups for fill in each), default=0)
        held = [
            (g, k)
            for g in range(1, most + 1)
            for k, fill in enumerate(each)
            if fill.groups >= g and (useful is None or useful[j][k, g])
        ]
        case = [0, *(each[k].groups_per_module for _, k in held)]
        groups, fill = np.array([(0, 0), *held], dtype=np.int64).T
        rows = np.zeros((len(case), metrics))
        if held:
            rows[1:] = [each[k].metrics[g] for g, k in held]
        legs = [0.0, *(sensor_leg_mm(each[k])[g] for g, k in held)]
        same = np.unique(np.column_stack([groups, case, legs]), axis=0, return_inverse=True)[1].reshape(-1)
        bits = np.array([bit[kind] for kind in case], dtype=np.int64)
        out.append(Offer(groups, fill, np.array(case, dtype=np.int64), rows, bits, same.astype(np.int64)))
    return out


def filled(
    offered: Sequence[Offer], *, series: int, worst: Flags, most_kinds: int, reduced: bool = True
) -> Iterator[WayRows]:
    """Ways to fill all compartments with a number of groups in all, block by block.

    Parameters
    ----------
    series : int
        Groups in all.
    worst : ndarray of bool, shape (d,)
        Which metrics combine by their worst; the others add up.
    most_kinds : int
        Kinds of module case allowed in one pack.
    reduced : bool
        Leave out rows of the same split and cases that another one equals or beats in every metric.
    """
    one, none = np.zeros(1, dtype=np.int64), np.zeros((1, 0), dtype=np.int64)
    start = WayRows(none, none, none, np.zeros((1, len(worst))), one, one)
    # What the compartments after each one hold at most.
    room = [int(offer.groups.max()) for offer in offered]
    rest = [sum(room[k + 1 :]) for k in range(len(room))]

    def grown(rows: WayRows, k: int) -> Iterator[WayRows]:
        if k == len(offered):
            yield rows
            return
        step = max(1, BLOCK // len(offered[k].groups))
        for first in range(0, len(rows), step):
            more = _with(rows.take(slice(first, first + step)), offered[k], worst)
            total = more.split.sum(axis=1)
            more = more.take(
                (total <= series) & (total + rest[k] >= series) & (np.bitwise_count(more.kinds) <= most_kinds)
            )
            if reduced and offered[k].alike:
                more = more.take(best_of_each(more.metrics, more.same))
            if len(more):
                yield from grown(more, k + 1)

    return grown(start, 0)


def _with(rows: WayRows, offer: Offer, worst: Flags) -> WayRows:
    """Every row with everything that one more compartment may hold."""
    n, o = len(rows), len(offer.groups)
    old, new = np.repeat(np.arange(n), o), np.tile(np.arange(o), n)
    before, here = rows.metrics[old], offer.metrics[new]
    return WayRows(
        np.column_stack([rows.split[old], offer.groups[new]]),
        np.column_stack([rows.fill[old], offer.fill[new]]),
        np.column_stack([rows.case[old], offer.case[new]]),
        np.where(worst, np.maximum(before, here), before + here),
        rows.kinds[old] | offer.kinds[new],
        # Numbered anew, so that they stay small.
        np.unique(rows.same[old] * (int(offer.same.max()) + 1) + offer.same[new], return_inverse=True)[1],
    )


def best_of_each(metrics: Floats, same: Ints) -> Flags:
    """Rows that no other one of the same lot equals or beats in every metric; of equal ones the first.

    Parameters
    ----------
    metrics : ndarray, shape (n, d)
    same : ndarray of int, shape (n,)
        Number of each row's lot.

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    keep = np.ones(len(same), dtype=bool)
    order = np.argsort(same, kind="stable")
    _, first, size = np.unique(same[order], return_index=True, return_counts=True)
    for many in np.unique(size[size > 1]):
        lots = order[first[size == many][:, None] + np.arange(many)]
        if many > LARGE:
            for lot in lots:
                keep[lot] = nondominated(metrics[lot])
            continue
        earlier = np.tri(many, k=-1, dtype=bool)
        step = max(1, int(COMPARED // (many * many * metrics.shape[1])))
        for start in range(0, len(lots), step):
            lot = lots[start : start + step]
            # By lot, row and other row: whether the other is nowhere worse.
            no_worse = (metrics[lot][:, None, :, :] <= metrics[lot][:, :, None, :]).all(axis=3)
            beaten = no_worse & (~no_worse.swapaxes(1, 2) | earlier)
            keep[lot] = ~beaten.any(axis=2)
    return keep
