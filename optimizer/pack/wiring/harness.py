"""Wires between terminals, balance leads, sensors and the BMS: lengths and counts for many splits at once.

Every wire of a compartment runs to its hub (legs.py), and from there, if it goes on, to the hub of another
compartment. Legs up to the hub are those of the layout, whatever the order of the chain; here is what depends on
order and board: ways from hub to hub, and slack. The BMS sits at the hub of its compartment, the pack's connector and
the charge port beside it.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.base.arrays import Floats, Ints
from optimizer.pack.wiring.order import lightest, shortest_paths

Pair = tuple[float, float]

#: Through so many compartments every order of the chain is tried. Through more `harness_order` finds the best:
#: its tables grow with 2^m, and it knows of sensors at the ends of the chain alone.
TRIED_COMPARTMENTS = 5
MOST_COMPARTMENTS = 10
SENSORS_OF_MANY = 2


@dataclass(frozen=True, eq=False)
class Places:
    """How far m compartments lie apart.

    Parameters
    ----------
    links_mm : ndarray, shape (m, m)
        From hub to hub [mm].
    groups_per_module : tuple of int, length m
        0 for a tray: all groups of the compartment in one case.
    """

    links_mm: Floats
    groups_per_module: tuple[int, ...]

    def __post_init__(self) -> None:
        count = len(self.groups_per_module)
        if not 1 <= count <= MOST_COMPARTMENTS:
            raise ValueError(f"1 to {MOST_COMPARTMENTS} compartments, found {count}")
        if np.shape(self.links_mm) != (count, count):
            raise ValueError("links must have shape (m, m)")

    @property
    def many(self) -> bool:
        """Whether there are too many to try every order."""
        return len(self.groups_per_module) > TRIED_COMPARTMENTS

    def modules(self, split: ArrayLike) -> Ints:
        """Cases with groups in them, for a split of shape (n, m)."""
        return _cases(np.asarray(split, dtype=np.int64), np.array(self.groups_per_module))


@dataclass(frozen=True, eq=False)
class HarnessBlock:
    """Harness of each split; every array has shape (n,) but order.

    Parameters
    ----------
    order : ndarray of int, shape (n, m)
        Order in which the chain runs through the compartments; those without groups are passed over.
    bms : ndarray of int
        Compartment of the BMS.
    power_length_mm, balance_length_mm, sensor_length_mm : ndarray
        Without legs up to the hubs [mm]; the power wires are all in series.
    power_wires, balance_leads, sensor_wires : ndarray of int
    modules, pins : ndarray of int
        One connector per module; its balance leads and sensor wires share it.
    crossing_conductors : ndarray of int
        Conductors that run from one compartment to another.
    sensors_in : ndarray of int, shape (n, m)
        Sensors in each compartment.
    """

    order: Ints
    bms: Ints
    power_length_mm: Floats
    balance_length_mm: Floats
    sensor_length_mm: Floats
    power_wires: Ints
    balance_leads: Ints
    sensor_wires: Ints
    modules: Ints
    pins: Ints
    crossing_conductors: Ints
    sensors_in: Ints

    def take(self, rows: Ints) -> HarnessBlock:
        """Some of the splits."""
        return HarnessBlock(**{field.name: getattr(self, field.name)[rows] for field in fields(self)})


def taps(groups: int, *, per_module: int, shared: bool) -> list[tuple[int, int]]:
    """Balance leads of one compartment as (module, group boundary), both from 0.

    A module of n groups has n + 1; where modules meet, a shared lead stands for both.

    Parameters
    ----------
    groups : int
        In the compartment.
    per_module : int
        Groups in a full module, 0 for a tray.
    shared : bool
        Whether modules share the lead where they meet.

    Returns
    -------
    list of (int, int)

    >>> taps(4, per_module=0, shared=False)
    [(0, 0), (0, 1), (0, 2), (0, 3), (0, 4)]
    >>> taps(5, per_module=2, shared=True)
    [(0, 0), (0, 1), (0, 2), (1, 3), (1, 4), (2, 5)]
    """
    size = per_module or max(groups, 1)
    leads = []
    for first in range(0, groups, size):
        skip = 1 if shared and first > 0 else 0
        last = min(first + size, groups)
        leads += [(first // size, boundary) for boundary in range(first + skip, last + 1)]
    return leads


def sensor_modules(modules: ArrayLike, *, sensors: int) -> Ints:
    """Modules that carry a temperature sensor: the first, the last, and evenly between for more than two.

    Parameters
    ----------
    modules : int or ndarray, shape (n,)
        In the pack.
    sensors : int
        In the pack; one alone goes to the first module.

    Returns
    -------
    ndarray of int, shape (n, sensors)
        Number of the module along the chain, from 0; a pack of one module carries them all.

    >>> sensor_modules(6, sensors=2).tolist()
    [0, 5]
    """
    last = np.asarray(modules, float)[..., None] - 1.0
    part = np.arange(sensors) / max(sensors - 1, 1)
    return np.asarray(np.floor(part * last + 0.5), dtype=np.int64)


def _cases(groups: Ints, per_module: Ints) -> Ints:
    """Cases that groups take, so many to a case, 0 for all in one."""
    return -(-groups // np.where(per_module > 0, per_module, 10**9))


class Leads:
    """Balance leads: their number per compartment, and their length for each place of the BMS."""

    def __init__(self, groups: Ints, per_module: Ints, places: Places, shared: bool, slack_mm: float) -> None:
        count, wide = groups.shape[1], int(per_module.max(initial=0)) + 1
        self.number = np.zeros(groups.shape, dtype=np.int64)
        self.length = np.zeros((count, *groups.shape))  # BMS place, split, compartment
        for place in range(count):
            kinds, back = np.unique(groups[:, place] * wide + per_module[:, place], return_inverse=True)
            away = places.links_mm[place] + slack_mm
            for kind, (number, size) in enumerate(divmod(int(both), wide) for both in kinds):
                leads = len(taps(number, per_module=size, shared=shared))
                self.number[back == kind, place] = leads
                self.length[:, back == kind, place] = (leads * away)[:, None]


class ChainOrder:
    """One order of the compartments: links, ends and sensors of every split."""

    def __init__(
        self, groups: Ints, places: Places, order: tuple[int, ...], sensors: int, slack_mm: float
    ) -> None:
        self.groups, self.places, self.order, self.slack_mm = groups, places, order, slack_mm
        self.modules = places.modules(groups)
        used = groups > 0
        self.first = np.array(order)[np.argmax(used[:, order], axis=1)]
        self.last = np.array(order[::-1])[np.argmax(used[:, order[::-1]], axis=1)]
        steps = np.maximum(self.modules - 1, 0).sum(axis=1)
        self.power_length, self.power_wires = steps * slack_mm, steps + 2
        previous = np.full(len(groups), -1)
        for place in order:
            link = used[:, place] & (previous >= 0)
            run = places.links_mm[previous, place] + slack_mm
            self.power_length = self.power_length + link * run
            self.power_wires = self.power_wires + link
            previous = np.where(used[:, place], place, previous)
        self.between = used.sum(axis=1) - 1
        self.sensor_place = self._sensors(sensors)
        self.sensors_in = (self.sensor_place[:, :, None] == np.arange(groups.shape[1])).sum(axis=1)

    def _sensors(self, sensors: int) -> Ints:
        """Compartment of each sensor, shape (n, sensors)."""
        wanted = sensor_modules(self.modules.sum(axis=1), sensors=sensors)
        before = np.zeros(len(self.groups), dtype=np.int64)
        where = np.zeros(wanted.shape, dtype=np.int64)
        for place in self.order:
            local = wanted - before[:, None]
            here = (local >= 0) & (local < self.modules[:, [place]])
            where = np.where(here, place, where)
            before = before + self.modules[:, place]
        return where

    def harness(self, bms: int, leads: Leads) -> dict[str, NDArray[Any]]:
        """All fields of HarnessBlock with the BMS in one compartment."""
        n, away_mm = len(self.groups), self.places.links_mm[:, bms] + self.slack_mm
        ends = away_mm[self.first] + away_mm[self.last]
        away = np.arange(self.groups.shape[1]) != bms
        sensors_away = 2 * (self.sensor_place != bms).sum(axis=1)
        crossing = leads.number[:, away].sum(axis=1) + sensors_away + self.between
        crossing = crossing + (self.first != bms) + (self.last != bms)
        sensor_wires = np.full(n, 2 * self.sensor_place.shape[1])
        balance_leads = leads.number.sum(axis=1)
        return {
            "order": np.tile(np.array(self.order), (n, 1)),
            "bms": np.full(n, bms),
            "power_length_mm": self.power_length + ends,
            "balance_length_mm": leads.length[bms].sum(axis=1),
            "sensor_length_mm": 2.0 * away_mm[self.sensor_place].sum(axis=1),
            "power_wires": self.power_wires,
            "balance_leads": balance_leads,
            "sensor_wires": sensor_wires,
            "modules": self.modules.sum(axis=1),
            "pins": balance_leads + sensor_wires,
            "crossing_conductors": crossing,
            "sensors_in": self.sensors_in,
        }


class Programme:
    """The lightest harness where there are too many compartments to try every order."""

    def __init__(
        self, places: Places, sensors: int, shared: bool, slack_mm: float, bms_in: int | None, g_per_m: Pair
    ) -> None:
        self.places, self.sensors, self.shared, self.slack_mm = places, sensors, shared, slack_mm
        self.sites = np.arange(len(places.groups_per_module)) if bms_in is None else np.array([bms_in])
        self.power, self.lead = g_per_m
        self.away = places.links_mm[:, self.sites] + slack_mm
        self.paths = shortest_paths(places.links_mm + slack_mm)

    def harness(self, groups: Ints, per_module: Ints, sensor_legs_mm: Floats) -> dict[str, NDArray[Any]]:
        """All fields of HarnessBlock."""
        sites, rows = self.sites, np.arange(len(groups))
        leads = Leads(groups, per_module, self.places, self.shared, self.slack_mm)
        balance = leads.length.sum(axis=2).T[:, sites]
        balance_leads, between = leads.number.sum(axis=1), (groups > 0).sum(axis=1) - 1
        crossing = (balance_leads + between)[:, None] - leads.number[:, sites]
        reach = 2.0 * (sensor_legs_mm[:, :, None] + self.away)
        from_first, from_last = (self.away * self.power + reach * (self.sensors > k) * self.lead for k in range(2))
        used = (groups > 0) @ (1 << np.arange(groups.shape[1]))
        first, last, bms = lightest(
            used, paths_g=self.paths.length_mm * self.power, bms_g=balance * self.lead, sites=sites,
            first_g=from_first, last_g=from_last,
            crossing=crossing, first_wires=1 + 2 * (self.sensors > 0), last_wires=1 + 2 * (self.sensors > 1),
        )  # fmt: skip
        site, modules = np.searchsorted(sites, bms), _cases(groups, per_module)
        steps = np.maximum(modules - 1, 0).sum(axis=1)
        links_mm = steps * self.slack_mm + self.paths.length_mm[used, first, last]
        away = (self.sensors > 0) * 2 * (first != bms) + (self.sensors > 1) * 2 * (last != bms)
        ends = [(place, self.sensors > k) for k, place in enumerate((first, last))]
        return {
            "order": self.paths.order(used, first=first, last=last),
            "bms": bms,
            "power_length_mm": links_mm + self.away[first, site] + self.away[last, site],
            "balance_length_mm": balance[rows, site],
            "sensor_length_mm": 2.0 * sum(self.away[place, site] * has for place, has in ends),
            "power_wires": steps + 2 + between,
            "balance_leads": balance_leads,
            "sensor_wires": np.full(len(groups), 2 * self.sensors),
            "modules": modules.sum(axis=1),
            "pins": balance_leads + 2 * self.sensors,
            "crossing_conductors": crossing[rows, site] + away + (first != bms) + (last != bms),
            "sensors_in": sum((place[:, None] == np.arange(groups.shape[1])) * has for place, has in ends),
        }
