"""The lightest harness of each split, over orders of the chain and places of the BMS, by lengths as counted."""

from __future__ import annotations

from dataclasses import replace
from itertools import permutations
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from optimizer.base.arrays import Ints
from optimizer.pack.wiring.harness import SENSORS_OF_MANY, ChainOrder, HarnessBlock, Leads, Places, Programme
from optimizer.pack.wiring.ways import cut_length

# Splits worked on at a time where there are many compartments: tables of m² numbers per split.
AT_ONCE = 20_000

# Lengths of a harness that depend on order and place of the BMS; more than any number of them.
LENGTHS, LARGE = ("power_length_mm", "balance_length_mm", "sensor_length_mm"), np.iinfo(np.int64).max


class Harnesses:
    """Harnesses of splits, to choose the lightest of for any legs of sensors.

    Parameters
    ----------
    split : ndarray of int, shape (n, m)
        Groups in each compartment, at least one in all.
    places : Places
    per_module : ndarray of int, shape (n, m), optional
        Groups per module of each split, where they differ from split to split; only with more than
        TRIED_COMPARTMENTS compartments. Those of `places` when left out.
    sensors : int
        Temperature sensors, two wires each; at most SENSORS_OF_MANY with more than TRIED_COMPARTMENTS.
    share_balance_leads : bool
        Whether modules of a compartment share the lead where they meet.
    slack_mm : float
        Added to every wire, rounded up to whole CUT_MM [mm].
    bms_in : int or None
        Compartment of the BMS, None to choose.
    power_g_per_m, lead_g_per_m : float
        Mass of power wire, and of balance and sensor wire, by which harnesses are compared [g/m].

    Raises
    ------
    ValueError
        If a split has no group, a negative count or the wrong number of compartments; or if sensors or groups
        per module of each split are asked for that so many compartments do not allow.
    """

    def __init__(
        self, split: ArrayLike, *, places: Places, per_module: ArrayLike | None = None, sensors: int = 2,
        share_balance_leads: bool = False, slack_mm: float = 50.0, bms_in: int | None = None,
        power_g_per_m: float = 60.0, lead_g_per_m: float = 5.0,
    ) -> None:  # fmt: skip
        groups, slack_mm = np.atleast_2d(np.asarray(split, dtype=np.int64)), float(cut_length(slack_mm))
        count = len(places.groups_per_module)
        if groups.shape[1] != count or np.any(groups < 0) or np.any(groups.sum(axis=1) < 1):
            raise ValueError("every split needs a count for each compartment and at least one group")
        if (per_module is not None and not places.many) or (places.many and sensors > SENSORS_OF_MANY):
            raise ValueError("sensors, and groups per module of each split, must suit the number of compartments")
        cases = places.groups_per_module if per_module is None else np.asarray(per_module)
        self.groups, self.cases = groups, np.broadcast_to(cases, groups.shape)
        self.g_per_m, self.many = (power_g_per_m, lead_g_per_m), places.many
        how = sensors, share_balance_leads, slack_mm, bms_in
        if self.many:
            self._programme = Programme(places, *how, self.g_per_m)
        else:
            self._try(places, *how)

    def _try(self, places: Places, sensors: int, shared: bool, slack_mm: float, bms_in: int | None) -> None:
        """Try every order and place of the BMS; of those that share the sensors out alike the lightest stays."""
        (n, m), (power_g, lead_g) = self.groups.shape, self.g_per_m
        leads, rows = Leads(self.groups, self.cases, places, shared, slack_mm), np.arange(n)
        orders, sites = list(permutations(range(m))), range(m) if bms_in is None else (bms_in,)
        chains = [ChainOrder(self.groups, places, order, sensors, slack_mm) for order in orders]
        self._turns = np.array([(*order, bms) for order in orders for bms in sites])
        kind_of = _ranks(np.array([chain.sensors_in @ (sensors + 1) ** np.arange(m) for chain in chains]))
        shape = int(kind_of.max(initial=0)) + 1, n
        # By kind and split; -1 where a split has no such kind.
        self._turn, self._crossing = np.full(shape, -1), np.zeros(shape, dtype=np.int64)
        self._grams = np.full(shape, np.inf)
        self._lengths, self._sensors_in = np.zeros((3, *shape)), np.zeros((*shape, m), dtype=np.int64)
        for number, (chain, kind) in enumerate(zip(chains, kind_of, strict=True)):
            self._sensors_in[kind, rows] = chain.sensors_in
            for k, bms in enumerate(sites):
                trial = chain.harness(bms, leads)
                lengths, crossing = np.array([trial[name] for name in LENGTHS]), trial["crossing_conductors"]
                grams = np.round(lengths[0] * power_g + (lengths[1] + lengths[2]) * lead_g, 3)
                best, last = self._grams[kind, rows], self._crossing[kind, rows]
                take = (self._turn[kind, rows] < 0) | (grams < best) | ((grams == best) & (crossing < last))
                at = kind[take], rows[take]
                self._turn[at], self._crossing[at] = number * len(sites) + k, crossing[take]
                self._grams[at], self._lengths[:, *at] = grams[take], lengths[:, take]
        self._like = HarnessBlock(**trial)
        found = self._turn >= 0
        self._sure = self._picked(np.argmax(found, axis=0), rows) if (found.sum(axis=0) == 1).all() else None

    def lightest(self, sensor_legs_mm: ArrayLike = 0.0, *, rows: Ints | None = None) -> HarnessBlock:
        """The lightest harness of each split, every sensor's wire counted up to its hub.

        Masses count by their third decimal. Equal ones go to fewer crossing conductors, then to the first order of
        the compartments' numbers, then to the lowest number of the BMS's; with more than TRIED_COMPARTMENTS to the
        lowest number of the chain's first compartment, of its last, of the BMS's.

        Parameters
        ----------
        sensor_legs_mm : ndarray, shape (k, m)
            Length of a sensor's wire up to the hub of each compartment [mm].
        rows : ndarray of int, shape (k,), optional
            Which splits; all of them when left out.
        """
        rows = np.arange(len(self.groups)) if rows is None else rows
        legs = np.broadcast_to(np.asarray(sensor_legs_mm, dtype=float), (len(rows), self.groups.shape[1]))
        if self.many:
            parts = [slice(k, k + AT_ONCE) for k in range(0, max(len(rows), 1), AT_ONCE)]
            blocks = [
                self._programme.harness(self.groups[rows[part]], self.cases[rows[part]], legs[part]) for part in parts
            ]
            return HarnessBlock(**{name: np.concatenate([block[name] for block in blocks]) for name in blocks[0]})
        if self._sure is not None:
            return self._sure.take(rows)
        turn, crossing = self._turn[:, rows], self._crossing[:, rows]
        legs_g = 2.0 * self.g_per_m[1] * (self._sensors_in[:, rows] * legs).sum(axis=2)
        grams = np.round(self._grams[:, rows] + legs_g, 3)
        good = turn >= 0
        for each in (grams, crossing, turn):
            good &= each == np.where(good, each, LARGE).min(axis=0)
        return self._picked(np.argmax(good, axis=0), rows)

    def _picked(self, kind: Ints, rows: Ints) -> HarnessBlock:
        """The harnesses that were kept of a kind for each of some splits."""
        turns, lengths = self._turns[self._turn[kind, rows]], self._lengths[:, kind, rows]
        return replace(
            self._like.take(rows), order=turns[:, :-1], bms=turns[:, -1], sensors_in=self._sensors_in[kind, rows],
            crossing_conductors=self._crossing[kind, rows], **dict(zip(LENGTHS, lengths, strict=True)),
        )  # fmt: skip


def _ranks(values: Ints) -> Ints:
    """Place of each value among the distinct ones of its column, from 0, shape as given.

    >>> _ranks(np.array([[7, 1], [3, 1], [7, 0]])).tolist()
    [[1, 1], [0, 1], [1, 0]]
    """
    order = np.argsort(values, axis=0, kind="stable")
    steps = np.diff(np.take_along_axis(values, order, axis=0), axis=0, prepend=values.min(axis=0, keepdims=True)) > 0
    out = np.empty_like(order)
    np.put_along_axis(out, order, np.cumsum(steps, axis=0), axis=0)
    return out


def harness_block(split: ArrayLike, *, sensor_legs_mm: ArrayLike = 0.0, **how: Any) -> HarnessBlock:
    """The lightest harness of each split, see Harnesses."""
    return Harnesses(split, **how).lightest(sensor_legs_mm)
