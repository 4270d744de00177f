"""Cells of several batches that lie far apart: how many of each go into which groups, and a bound by it.

A group of two strong and three weak cells can't be made like one of three and two by exchanging near neighbours. So the
counts are chosen first, by a mixed integer program; exchanges within batches follow.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from optimizer.base.arrays import Floats, Ints

# Batches are parted by a gap of so much of the whole width; of so many at most, with so many mixes, bounds are sought.
GAP, MOST_BATCHES, MOST_MIXES = 0.075, 5, 300
# Each batch is cut into so many bins. Bins that mixes share are halved until what a sum of theirs may be off the bin's
# mean matters no more than so much [of a group's mean].
BINS, FINE = 8, 1.5e-4
# The least window is found within so much [of the mean], and in so many steps at most; or given up after programs of so
# many unknowns in all, or one of so many seconds.
NEAR, STEPS, UNKNOWNS, LIMIT_S = 3.5e-4, 400, 900_000, 15.0
# The solver holds its rows within 1e-6 of the mean; a bound says less by so much of it.
CAUTION = 1e-5


@dataclass(frozen=True, eq=False)
class Mixed:
    """Counts of each batch in groups.

    Parameters
    ----------
    bound : float
        Least spread of sums, in the values' unit.
    low, high : float
        A window that all sums fit into, but for the coarseness of single cells.
    group : ndarray of int, shape (n,), or None
        Group of each cell, to begin with.
    within : float
        Largest standard deviation within a batch.
    """

    bound: float
    low: float
    high: float
    group: Ints | None
    within: float


@dataclass(frozen=True, eq=False)
class _Mixes:
    """What a window is held against: sorted batches; counts per batch of a group, shape (c, k), their extreme sums."""

    batches: list[Floats]
    groups: int
    counts: Ints
    least: Floats
    most: Floats

    @property
    def mean(self) -> float:
        return float(sum(batch.sum() for batch in self.batches)) / self.groups


@dataclass(frozen=True, eq=False)
class _Bins:
    """Runs of neighbours within batches: batch, first cell and cells of each, shape (b,); values off batches' means."""

    batch: Ints
    first: Ints
    cells: Ints
    low: Floats
    high: Floats
    total: Floats


@dataclass(frozen=True, eq=False)
class _Fit:
    """Mixes, groups of each, cells of each bin in them, and the window that may hold these."""

    counts: Ints
    number: Ints
    cells: Floats
    bins: _Bins
    low: float
    high: float


def mixed(values: Ints, *, groups: int, width: float) -> Mixed | None:
    """The least window of sums by counts of each batch.

    Of any sharing out let x be how many groups hold each mix of counts, z how many cells of each bin lie in groups of
    that mix, s the sum of these cells. They solve a linear program with whole x: bins are used up and mixes filled, s
    is between z times the bin's least and largest value, and each mix's sums are no less and no more than its number of
    groups times the edges of the window. A window without a solution holds no sharing out. A larger window holds what
    a smaller one does, so that windows tried at steps tell of all between them.

    Parameters
    ----------
    values : ndarray of int, shape (groups · size,)
    width : float
        A spread that is known to be reached.

    Returns
    -------
    Mixed or None
        None without batches or with too many mixes. Without groups where nothing better than `width` is found.
    """
    mixes = _mixes(values, groups)
    if mixes is None:
        return None
    search = _Windows(mixes, width)
    bound = max(search.run() - CAUTION * mixes.mean, 0.0)
    within = max(float(batch.std()) for batch in mixes.batches)
    if search.best is None:
        return Mixed(bound, 0.0, 0.0, None, within)
    fit = search.best
    return Mixed(bound, fit.low, fit.high, _dealt(values, mixes, fit), within)


def _mixes(values: Ints, groups: int) -> _Mixes | None:
    ordered, size = np.sort(values).astype(np.float64), len(values) // groups
    gaps = np.diff(ordered)
    widest = np.sort(np.argsort(-gaps, kind="stable")[: MOST_BATCHES - 1])
    batches = np.split(ordered, widest[gaps[widest] > GAP * (ordered[-1] - ordered[0])] + 1)
    kinds = len(batches)
    if kinds == 1:
        return None
    bars = combinations(range(size + kinds - 1), kinds - 1)
    counts = np.array([np.diff([-1, *bar, size + kinds - 1]) - 1 for bar in bars])
    counts = counts[(counts <= [len(batch) for batch in batches]).all(axis=1)]
    if len(counts) > MOST_MIXES:
        return None
    added = [np.concatenate([[0.0], np.cumsum(batch)]) for batch in batches]
    least = sum(sums[counts[:, k]] for k, sums in enumerate(added))
    most = sum(sums[-1] - sums[len(batches[k]) - counts[:, k]] for k, sums in enumerate(added))
    return _Mixes(batches, groups, counts, np.asarray(least), np.asarray(most))


def _bins(batches: list[Floats], edges: list[Ints]) -> _Bins:
    """Bins that begin at the edges of each batch, the first one at 0."""
    batch = np.repeat(np.arange(len(batches)), [len(each) for each in edges])
    cells = np.concatenate([np.diff([*first, len(own)]) for own, first in zip(batches, edges, strict=True)])
    off = [own - own.mean() for own in batches]
    low = np.concatenate([own[first] for own, first in zip(off, edges, strict=True)])
    total = np.concatenate([np.add.reduceat(own, first) for own, first in zip(off, edges, strict=True)])
    first = np.concatenate(edges)
    high = np.array([off[k][at + n - 1] for k, at, n in zip(batch, first, cells, strict=True)])
    return _Bins(batch, first, cells, low, high, total)


class _Windows:
    """The least window, by steps of its lower edge."""

    def __init__(self, mixes: _Mixes, width: float) -> None:
        self.mixes, self.width, self.unknowns = mixes, width, 0
        self.near = max(NEAR * mixes.mean, width / STEPS)
        self.best: _Fit | None = None
        self.edges = [np.unique(np.linspace(0, len(own), BINS, endpoint=False).astype(int)) for own in mixes.batches]

    def run(self) -> float:
        """The bound: no window of this width holds a sharing out; 0 where that can't be told.

        A window without one from `low` to `high` says so of every window of the bound's width from `low` to
        `high` - bound. Every window holds the mean.
        """
        mean = self.mixes.mean
        near = self.near
        low, step = mean - self.width, near
        while low < mean:
            bound = self.width - near
            high = low + bound + step
            found, sure = self._fits(low, high)
            if not sure or self.unknowns > UNKNOWNS:
                return 0.0
            if found is None:
                low, step = high - bound, 2.0 * step
                continue
            if high - low < self.width - 0.01 * near:
                self._narrowed(found)
                low = max(low, mean - self.width)
            step *= 0.5
        return max(self.width - near, 0.0)

    def _narrowed(self, fit: _Fit) -> None:
        """Take a window that fits, with the upper edge as low as halving brings it."""
        tight = self.mixes.mean
        while fit.high - tight > 0.5 * self.near:
            middle = 0.5 * (fit.high + tight)
            better, _ = self._fits(fit.low, middle)
            if better is None:
                tight = middle
            else:
                fit = better
        self.width, self.best = fit.high - fit.low, fit

    def _fits(self, low: float, high: float) -> tuple[_Fit | None, bool]:
        """What the window may hold; whether the answer is sure."""
        m = self.mixes
        counts = m.counts[(m.least <= high) & (m.most >= low)]
        while len(counts):
            bins = _bins(m.batches, self.edges)
            matrix, least, most = _program(m, bins, counts, low, high)
            size = len(counts) * len(bins.cells)
            whole = np.repeat([1, 0], [len(counts), 2 * size])
            self.unknowns += len(whole)
            done = milp(
                np.zeros(len(whole)), constraints=LinearConstraint(matrix, least, most), integrality=whole,
                bounds=Bounds(0, np.inf), options={"time_limit": LIMIT_S},
            )  # fmt: skip
            if done.status != 0:
                return None, done.status == 2
            number, cells, above = np.split(done.x, [len(counts), len(counts) + size])
            cells = cells.reshape(len(counts), -1)
            if not self._halved(bins, np.maximum(number, 1.0), cells, above.reshape(cells.shape)):
                return _Fit(counts, np.round(number).astype(np.int64), cells, bins, low, high), True
        return None, True

    def _halved(self, bins: _Bins, number: Floats, cells: Floats, above: Floats) -> bool:
        """Halve bins of which mixes hold better cells than the mean, or worse. False if it matters little."""
        sums = cells * bins.low + above * (bins.high - bins.low)
        off = np.abs(sums - cells * bins.total / bins.cells) / number[:, None]
        fine = FINE * self.mixes.mean
        if np.all(off.sum(axis=1) <= fine):
            return False
        wide = (off > 0.1 * fine).any(axis=0) & (bins.cells > 1)
        for k in range(len(self.edges)):
            cut = wide & (bins.batch == k)
            self.edges[k] = np.unique(np.concatenate([self.edges[k], bins.first[cut] + bins.cells[cut] // 2]))
        return bool(wide.any())


def _program(m: _Mixes, bins: _Bins, counts: Ints, low: float, high: float) -> tuple[coo_array, Floats, Floats]:
    """Rows of the program and their limits.

    Unknowns are x, then z, then how many widths of its bin a sum is above z times the bin's least value. Values are off
    their batch's mean and in means of a group, so that numbers are small.
    """
    mixes, number = len(counts), len(bins.cells)
    x = np.arange(mixes)
    z, above = mixes + np.arange(2 * mixes * number).reshape(2, mixes, number)
    off = counts @ np.array([batch.mean() for batch in m.batches])
    lowest, width = bins.low / m.mean, (bins.high - bins.low) / m.mean
    rows: list[tuple[Ints, Floats, Floats | float, Floats | float]] = []
    full = bins.cells.astype(float)
    rows.append((z.T, np.ones((number, mixes)), full, full))
    totals = bins.total / m.mean - lowest * bins.cells
    rows.append((above.T, np.repeat(width[:, None], mixes, axis=1), totals, totals))
    rows.append((x[None, :], np.ones((1, mixes)), float(m.groups), float(m.groups)))
    for k in range(len(m.batches)):
        own = z[:, bins.batch == k]
        rows.append((np.column_stack([x, own]), np.column_stack([-counts[:, k], np.ones(own.shape)]), 0.0, 0.0))
    rows.append((np.stack([z.ravel(), above.ravel()], axis=1), np.tile([1.0, -1.0], (z.size, 1)), 0.0, np.inf))
    places = np.column_stack([x, z, above])
    sums = np.tile(np.concatenate([lowest, width]), (mixes, 1))
    rows.append((places, np.column_stack([(off - high) / m.mean, sums]), -np.inf, 0.0))
    rows.append((places, np.column_stack([(off - low) / m.mean, sums]), 0.0, np.inf))
    ends = np.cumsum([0, *(len(each[0]) for each in rows)])
    row = np.repeat(np.arange(ends[-1]), np.concatenate([np.full(len(p), p.shape[1]) for p, *_ in rows]))
    column = np.concatenate([each[0].ravel() for each in rows])
    factor = np.concatenate([each[1].ravel() for each in rows])
    least, most = (np.concatenate([np.broadcast_to(each[k], len(each[0])) for each in rows]) for k in (2, 3))
    shape = (int(ends[-1]), mixes * (1 + 2 * number))
    return coo_array((factor, (row, column)), shape=shape).tocsr(), least, most


def _dealt(values: Ints, m: _Mixes, fit: _Fit) -> Ints:
    """A group for each cell: those of a batch go, from weak to strong, to the mix that is furthest behind its share."""
    counts, number, bins = fit.counts, fit.number, fit.bins
    group = np.empty(len(values), dtype=np.int64)
    first = np.concatenate([[0], np.cumsum(number)])
    order, start = np.argsort(values, kind="stable"), 0
    for k, batch in enumerate(m.batches):
        own = order[start : start + len(batch)]
        start += len(batch)
        at = bins.batch == k
        ends = np.concatenate([[0], np.cumsum(bins.cells[at])])
        share = np.column_stack([np.zeros(len(counts)), np.cumsum(fit.cells[:, at], axis=1)])
        wanted = np.array([np.interp(np.arange(1, len(own) + 1), ends, row) for row in share])
        given, needed = np.zeros(len(counts), dtype=np.int64), counts[:, k] * number
        for place, cell in enumerate(own):
            mix = int(np.argmax(np.where(given < needed, wanted[:, place] - given, -np.inf)))
            turn, seat = divmod(int(given[mix]), int(number[mix]))
            group[cell] = first[mix] + (seat if turn % 2 == 0 else number[mix] - 1 - seat)
            given[mix] += 1
    return group
