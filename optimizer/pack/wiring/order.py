"""Order of the chain through many compartments: exact, by dynamic programming instead of trying every order.

The links of a chain through a set of compartments depend on the set, its first and its last compartment, whatever
lies in between (Held and Karp, J. SIAM 10 (1962) 196; Bellman, J. ACM 9 (1962) 61). All else of a harness depends
on the first, the last and the compartment of the BMS alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from optimizer.base.arrays import Floats, Ints

#: Lengths that differ by less are equal [mm]: only rounding tells them apart.
EQUAL_MM = 1e-9

#: Figures of a first, a last and a place of the BMS that are held at a time.
AT_ONCE = 2_000_000


@dataclass(frozen=True, eq=False)
class Paths:
    """Shortest chains through every set of m compartments; a set is a number whose bit j stands for compartment j.

    Parameters
    ----------
    length_mm : ndarray, shape (2^m, m, m)
        By set, first and last compartment: links between compartments [mm]; infinite where there is no chain.
    before : ndarray of int, shape (2^m, m, m)
        Last compartment but one of that chain; −1 where the first is the last.
    """

    length_mm: Floats
    before: NDArray[np.int8]

    def order(self, used: Ints, *, first: Ints, last: Ints) -> Ints:
        """Compartments along the chains of sets, shape (n, m): those of the set along the chain, then the others."""
        count, n = self.length_mm.shape[1], len(used)
        left, place = used.copy(), last.copy()
        back = np.full((n, count), -1, dtype=np.int64)
        for step in range(count):
            back[:, step] = place
            here = np.maximum(place, 0)
            ahead = self.before[left, first, here].astype(np.int64)
            left, place = left & ~(1 << here), np.where(place >= 0, ahead, -1)
        unused = np.where(used[:, None] >> np.arange(count) & 1, -1, np.arange(count))
        every = np.hstack([back[:, ::-1], unused])
        return every[every >= 0].reshape(n, count)


def shortest_paths(link_mm: Floats) -> Paths:
    """Shortest chains through every set of at most 10 compartments, by ways from end to start [mm].

    Of equal ones that stays whose last compartment but one comes first, and so on towards the beginning.
    """
    return _paths(np.ascontiguousarray(link_mm, dtype=float).tobytes(), len(link_mm))


@lru_cache(maxsize=8)
def _paths(content: bytes, count: int) -> Paths:
    link = np.frombuffer(content).reshape(count, count)
    every = np.arange(2**count)
    size = (every[:, None] >> np.arange(count) & 1).sum(axis=1)
    length = np.full((2**count, count, count), np.inf)
    before = np.full((2**count, count, count), -1, dtype=np.int8)
    for place in range(count):
        length[1 << place, place, place] = 0.0
    for many in range(2, count + 1):
        for last in range(count):
            sets = every[(size == many) & (every >> last & 1 == 1)]
            # By set, first and last but one; no chain of the rest of the set begins or ends with `last`.
            trial = length[sets & ~(1 << last)] + link[:, last]
            pick = np.argmin(np.round(trial / EQUAL_MM), axis=2)
            length[sets, :, last] = np.take_along_axis(trial, pick[:, :, None], axis=2)[:, :, 0]
            before[sets, :, last] = np.where(np.isfinite(length[sets, :, last]), pick, -1)
    return Paths(length, before)


def lightest(
    used: Ints, *, paths_g: Floats, first_g: Floats, last_g: Floats, bms_g: Floats, sites: Ints,
    crossing: Ints, first_wires: int, last_wires: int,
) -> tuple[Ints, Ints, Ints]:  # fmt: skip
    """First and last compartment and place of the BMS of the lightest harness of each split.

    Masses count by their third decimal. Equal ones go to fewer crossing conductors, then to the lower number of
    the first compartment, of the last, of the BMS's.

    Parameters
    ----------
    used : ndarray of int, shape (n,)
        Set of compartments with groups.
    paths_g : ndarray, shape (2^m, m, m)
        Mass of the links by set, first and last.
    first_g, last_g : ndarray, shape (n, m, b)
        Mass of what runs from the first and the last compartment to each of b places of the BMS.
    bms_g : ndarray, shape (n, b)
        Mass of what depends on the place of the BMS alone.
    sites : ndarray of int, shape (b,)
        Compartments that may take the BMS, rising.
    crossing : ndarray of int, shape (n, b)
        Conductors that run to the BMS from other compartments whatever the order.
    first_wires, last_wires : int
        Further conductors from the first and from the last compartment.

    Returns
    -------
    first, last, bms : ndarray of int, shape (n,)
    """
    out = np.empty((3, len(used)), dtype=np.int64)
    count = paths_g.shape[1]
    for kind in np.unique(used):
        places = np.flatnonzero(kind >> np.arange(count) & 1)
        path = paths_g[kind][np.ix_(places, places)][:, :, None]
        away = places[:, None] != sites
        wires = (first_wires * away[:, None, :] + last_wires * away[None, :, :]).reshape(-1)
        rows = np.flatnonzero(used == kind)
        step = max(1, AT_ONCE // (path.size * len(sites)))
        for start in range(0, len(rows), step):
            here = rows[start : start + step]
            grams = path + first_g[here][:, places, None, :] + last_g[here][:, None, places, :]
            grams = (grams + bms_g[here][:, None, None, :]).reshape(len(here), -1)
            pick = _first_of_least(grams, wires, crossing[here])
            one, two, site = np.unravel_index(pick, (len(places), len(places), len(sites)))
            out[:, here] = places[one], places[two], sites[site]
    return out[0], out[1], out[2]


def _first_of_least(grams: Floats, wires: Ints, crossing: Ints) -> Ints:
    """Column of the least mass by its third decimal, then of the fewest conductors, then the first, shape (n,)."""
    pick = np.argmin(grams, axis=1)
    near = grams <= grams[np.arange(len(grams)), pick][:, None] + 2e-3
    many = np.flatnonzero(near.sum(axis=1) > 1)
    if len(many):
        close = np.where(near[many], np.round(grams[many], 3), np.inf)
        tied = close == close.min(axis=1, keepdims=True)
        across = wires + np.tile(crossing[many], len(wires) // crossing.shape[1])
        pick[many] = np.argmin(np.where(tied, across, np.iinfo(np.int64).max), axis=1)
    return np.asarray(pick, dtype=np.int64)
