"""Measured cells shared out over series groups."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optimizer.base.arrays import Floats, Ints
from optimizer.base.problems import BadInput, Problem
from optimizer.bench.anneal import anneal, snaked
from optimizer.bench.batches import Mixed, mixed
from optimizer.bench.bounds import folded, partners_bound, spread_bound, sum_limits
from optimizer.bench.exact import listable, share_all, share_exactly, small_enough
from optimizer.bench.extremes import extremes_bound
from optimizer.bench.measured import Measured, Rejected, outliers

# Capacities are counted in whole millionths of an ampere-hour.
UNITS = 1e6
# Up to so many cells every choice of spares and every sharing out is looked at.
SMALL_CELLS = 32
# Wider than so much of a group's capacity above the bound, listing is tried when exchanges leave it.
CLOSE = 8e-4
TRIES, RESTARTS = 10_000_000, 8
# Of so few cells conductances come out by luck: the most level of so many ways is taken.
FEW_CELLS, LEVELLED = 300, 3
# Capacities with a gap wider than this part of the median between them are of different batches.
APART = 0.05


@dataclass(frozen=True, eq=False)
class Matched:
    """Groups of measured cells.

    Parameters
    ----------
    groups : ndarray of int, shape (S, P)
        Places of the cells in the table.
    capacity_ah, resistance_mohm : ndarray, shape (n,)
        Of every cell, gaps filled.
    spares : tuple of int
        Places of sound cells that are not built in.
    bound_ah : float
        Least spread of capacity that cells built in can have, or any choice of them where `of_all` says so [Ah].
    exact, of_all : bool
        Whether the spread is proven least; whether over every choice of spares.
    """

    cells: Measured
    groups: Ints
    capacity_ah: Floats
    resistance_mohm: Floats
    rejected: tuple[Rejected, ...]
    spares: tuple[int, ...]
    bound_ah: float
    exact: bool
    of_all: bool
    notes: tuple[str, ...]

    @property
    def group_ah(self) -> Floats:
        """Capacity of each group, shape (S,) [Ah]."""
        return np.asarray(self.capacity_ah[self.groups].sum(axis=1), dtype=np.float64)

    @property
    def group_mohm(self) -> Floats:
        """Resistance of each group's cells in parallel, shape (S,) [mΩ]."""
        return np.asarray(1.0 / (1.0 / self.resistance_mohm[self.groups]).sum(axis=1), dtype=np.float64)

    @property
    def spread_ah(self) -> float:
        """Largest less smallest capacity of a group [Ah]."""
        return float(np.ptp(self.group_ah))

    def ids(self) -> list[list[str]]:
        """Ids of each group."""
        return [[str(self.cells.id[k]) for k in group] for group in self.groups]


def match(cells: Measured, *, series: int, parallel: int, seed: int = 1) -> Matched:
    """Sort measured cells into groups.

    Outliers go, then the weakest beyond the seats; sums of capacity are made as equal as can be, and of those ways
    the one with the most equal conductances is taken as far as it is found.

    Parameters
    ----------
    series, parallel : int
        Groups, cells in each.

    Raises
    ------
    BadInput
        Code "too-few-cells".
    """
    seats = series * parallel
    if len(cells) < seats:
        text = f"must have at least {seats} cells for {series}S{parallel}P"
        raise BadInput([Problem("too-few-cells", cells.file, found=f"{len(cells)} cells", expected=text)])
    rejected = outliers(cells)
    out = {each.id for each in rejected}
    capacity, resistance = cells.values["capacity_ah"].copy(), cells.values["resistance_mohm"].copy()
    blank = ~np.isfinite(capacity)
    sound = np.array([str(name) not in out for name in cells.id])
    notes = _fill(capacity, resistance, sound)
    whole = np.flatnonzero(sound & ~blank)
    if len(whole) < seats:
        whole = np.concatenate([whole, np.flatnonzero(sound & blank)[: seats - len(whole)]])
        if len(whole) == seats:
            notes.append("cells without a measured capacity are built in with the batch's median: measure them")
    left = set(whole.tolist())
    rejected += [
        Rejected(str(cells.id[k]), "capacity_ah was not measured")
        for k in np.flatnonzero(sound & blank)
        if k not in left
    ]
    if len(whole) < seats:
        told = "; ".join(f"{each.id}: {each.why}" for each in rejected[:5])
        text = f"are left for the {seats} seats of {series}S{parallel}P after {len(rejected)} were rejected ({told}"
        text += "; …)" if len(rejected) > 5 else ")"
        raise BadInput([Problem("too-few-cells", cells.file, found=f"{len(whole)} cells", expected=text)])
    whole = np.sort(whole)
    units = np.round(capacity[whole] * UNITS).astype(np.int64)
    shared = share(units, 1000.0 / resistance[whole], groups=series, size=parallel, seed=seed)
    groups = whole[shared.groups]
    spares = tuple(int(k) for k in whole if k not in set(groups.ravel().tolist()))
    order = np.argsort([min(group) for group in groups])
    notes += _of_several_batches(capacity[groups])
    return Matched(
        cells, np.sort(groups[order], axis=1), capacity, resistance, tuple(rejected), spares, shared.bound / UNITS,
        shared.exact, shared.of_all, tuple(notes),
    )  # fmt: skip


def _of_several_batches(capacity_ah: Floats) -> list[str]:
    """A caution where cells of batches far apart share a group; capacities of shape (S, P)."""
    ordered = np.sort(capacity_ah, axis=None)
    edges = ordered[1:][np.diff(ordered) > APART * float(np.median(ordered))]
    batch = np.searchsorted(edges, capacity_ah, side="right")
    if not np.ptp(batch, axis=1).any():
        return []
    middles = [f"{np.median(capacity_ah[batch == k]):.2g}" for k in range(len(edges) + 1)]
    told = f"{', '.join(middles[:-1])} and {middles[-1]} Ah"
    return [
        f"caution: cells of {told} share groups; cells unlike each other in parallel share current unevenly and age "
        "apart: build each batch into a pack of its own (common practice, no published source)"
    ]


def _fill(capacity: Floats, resistance: Floats, sound: NDArray[np.bool_]) -> list[str]:
    """Fill gaps with the medians of sound cells, in place, and say so."""
    notes = []
    known = np.isfinite(resistance) & sound
    gaps = ~np.isfinite(resistance)
    if not known.any():
        resistance[:] = 1.0
        notes.append("no resistances were measured: conductances count as equal")
    elif gaps.any():
        resistance[gaps] = float(np.median(resistance[known]))
        notes.append(f"{int((gaps & sound).sum())} cells without a measured resistance take the median")
    capacity[~np.isfinite(capacity)] = float(np.median(capacity[np.isfinite(capacity) & sound]))
    return notes


@dataclass(frozen=True, eq=False)
class Shared:
    """Places of cells by group, the least spread that is proven, and what the proof is of."""

    groups: Ints
    bound: int
    exact: bool
    of_all: bool


def share(capacity: Ints, conductance: Floats, *, groups: int, size: int, seed: int = 1) -> Shared:
    """Share cells out over groups of one size.

    Parameters
    ----------
    capacity : ndarray of int, shape (n,)
        n ≥ groups · size, in whole units.
    conductance : ndarray, shape (n,)
        [S]
    """
    seats = groups * size
    if size == 1:
        return _single(capacity, conductance, groups)
    if len(capacity) <= SMALL_CELLS and small_enough(len(capacity), size=size):
        found = share_exactly(capacity, conductance, groups=groups, size=size)
        if found is not None and found.proven:
            spread = int(np.ptp(capacity[found.groups].sum(axis=1)))
            return Shared(found.groups, spread, True, True)
    kept = _strongest(capacity, conductance, seats)
    cap, con = capacity[kept], conductance[kept]
    if size == 2:
        inner, bound = _pairs(cap, con, seed), folded(cap)[1]
        return Shared(kept[inner], bound, True, len(capacity) == seats)
    inner, bound = _many(cap, con, groups, seed)
    exact = bool(np.ptp(cap[inner].sum(axis=1)) <= bound)
    return Shared(kept[inner], bound, exact, len(capacity) == seats)


def _single(capacity: Ints, conductance: Floats, groups: int) -> Shared:
    """Groups of one cell: the run of so many neighbours, by capacity, that differ least."""
    order = np.lexsort((conductance, capacity))
    ordered = capacity[order]
    width = ordered[groups - 1 :] - ordered[: len(ordered) - groups + 1]
    # Of equal runs the one with the larger cells.
    first = int(len(width) - 1 - np.argmin(width[::-1]))
    return Shared(order[first : first + groups, None], int(width[first]), True, True)


def _strongest(capacity: Ints, conductance: Floats, seats: int) -> Ints:
    """Cells to build in: those left out have the least capacity and conductance, both counted by their spread."""
    if len(capacity) == seats:
        return np.arange(seats)
    worth = np.zeros(len(capacity))
    for values in (capacity.astype(float), conductance):
        spread = float(values.std())
        worth += (values - values.mean()) / spread if spread > 0 else 0.0
    return np.sort(np.argsort(-worth, kind="stable")[:seats])


def _pairs(capacity: Ints, conductance: Floats, seed: int) -> Ints:
    """Pairs of least spread, conductance levelled by exchanges that keep it."""
    pairs, _ = folded(capacity)
    group = np.empty(len(capacity), dtype=np.int64)
    group[pairs] = np.arange(len(pairs))[:, None]
    sums = capacity[pairs].sum(axis=1)
    window = (float(sums.min()), float(sums.max()))
    group = anneal(
        capacity, conductance, groups=len(pairs), window=window, slack=1.0, start=group, seed=seed, tries=TRIES // 5
    )
    return np.argsort(group, kind="stable").reshape(len(pairs), 2)


def _many(capacity: Ints, conductance: Floats, groups: int, seed: int) -> tuple[Ints, int]:
    """Groups of three and more: exchanges, and lists of all groups where exchanges leave too much."""
    bound = spread_bound(capacity, groups=groups)
    smallest, largest = sum_limits(capacity, groups=groups)
    extremes = extremes_bound(capacity, groups=groups)
    if extremes[0] > bound:
        bound, smallest, largest = extremes
    mean = capacity.sum() / groups
    size = len(capacity) // groups
    # Large groups leave so many ways that a narrower window costs nothing. Where weak cells hold some group down, the
    # others need not be as far above the mean.
    wide = CLOSE * mean * min(1.0, 4.0 / size)
    beyond = max(0.5 * (wide - (largest - smallest)), 0.5 * (bound - (largest - smallest)), 0.25 * wide)
    # A cell that fits nowhere sets one group apart; the others are led together as before.
    bound = max(bound, partners_bound(capacity, groups=groups))

    def annealed(seed: int) -> Ints:
        group = anneal(
            capacity, conductance, groups=groups, window=(smallest - beyond, largest + beyond), slack=2.0 * beyond,
            start=snaked(capacity, groups=groups), seed=seed, tries=TRIES,
        )  # fmt: skip
        return np.argsort(group, kind="stable").reshape(groups, size)

    def levelled(counts: Mixed, start: Ints) -> Ints:
        edge = 0.25 * wide
        group = anneal(
            capacity, conductance, groups=groups, window=(counts.low - edge, counts.high + edge), slack=2.0 * edge,
            start=start, seed=seed, tries=TRIES, hot=counts.within,
        )  # fmt: skip
        return np.argsort(group, kind="stable").reshape(groups, size)

    def spread(members: Ints) -> int:
        return int(np.ptp(capacity[members].sum(axis=1)))

    def near(members: Ints) -> bool:
        return bool(spread(members) - bound <= CLOSE * mean * 1.001)

    members = annealed(seed)
    counts = None if near(members) else mixed(capacity, groups=groups, width=spread(members))
    if counts is not None:
        bound = max(bound, int(counts.bound))
        if counts.group is not None:
            members = min(members, levelled(counts, counts.group), key=spread)
    for again in range(1, RESTARTS + 1):
        if near(members):
            break
        members = min(members, annealed(seed + 10 * again), key=spread)
    if near(members) and len(capacity) <= FEW_CELLS:
        others = [annealed(seed + 1000 * again) for again in range(1, LEVELLED)]
        level = [members, *(found for found in others if near(found))]
        members = min(level, key=lambda found: float(np.ptp(conductance[found].sum(axis=1))))
    if not near(members) and listable(len(capacity), size=size):
        better = share_all(capacity, conductance, groups=groups, bound=bound, known=spread(members))
        members, bound = (members if better.groups is None else better.groups), better.bound
    return members, bound
