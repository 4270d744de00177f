"""Wires between terminals, balance leads, sensors and the BMS: lengths and counts for many splits at once.

Positions are in the vehicle's coordinates. A wire runs along the axes, |dx| + |dy| + |dz|, with a slack for
its two ends. Within a compartment the chain is taken to run evenly from its start to its end, so that the
tap after group t of g lies at the fraction t/g. The pack's connector and the charge port sit at the BMS.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import permutations
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.pack.arrays import Floats

Ints = NDArray[np.int64]

#: More compartments than this would need another way than trying every order.
MOST_COMPARTMENTS = 5


@dataclass(frozen=True, eq=False)
class Places:
    """Where things lie in the vehicle; m compartments.

    Parameters
    ----------
    starts_mm, ends_mm : ndarray, shape (m, 3)
        Where the chain's negative and positive end lie in each compartment [mm].
    bms_mm : ndarray, shape (m, 3)
        Where the BMS would sit in each [mm].
    groups_per_module : tuple of int, length m
        0 for a tray: all groups of the compartment in one case.
    """

    starts_mm: Floats
    ends_mm: Floats
    bms_mm: Floats
    groups_per_module: tuple[int, ...]

    def __post_init__(self) -> None:
        shape = (len(self.groups_per_module), 3)
        if not 1 <= shape[0] <= MOST_COMPARTMENTS:
            raise ValueError(f"1 to {MOST_COMPARTMENTS} compartments, found {shape[0]}")
        if any(np.shape(array) != shape for array in (self.starts_mm, self.ends_mm, self.bms_mm)):
            raise ValueError("every position must have shape (m, 3)")

    def modules(self, split: ArrayLike) -> Ints:
        """Cases with groups in them, for a split of shape (n, m)."""
        groups = np.asarray(split, dtype=np.int64)
        size = np.array([g or 10**9 for g in self.groups_per_module], dtype=np.int64)
        return -(-groups // size)


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
        [mm]; the power wires are all in series.
    power_wires, balance_leads, sensor_wires : ndarray of int
    modules, pins : ndarray of int
        One connector per module; its balance leads and sensor wires share it.
    crossing_conductors : ndarray of int
        Conductors that run from one compartment to another.
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


def run_length(start_mm: ArrayLike, *, end_mm: ArrayLike) -> Floats:
    """Length of a wire that runs along the axes, without slack.

    Parameters
    ----------
    start_mm, end_mm : ndarray, shape (…, 3)
        [mm]

    Returns
    -------
    ndarray, shape (…)
        [mm]
    """
    return np.asarray(np.abs(np.asarray(end_mm, float) - np.asarray(start_mm, float)).sum(axis=-1))


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


def harness_block(
    split: ArrayLike,
    *,
    places: Places,
    sensors: int = 2,
    share_balance_leads: bool = False,
    slack_mm: float = 50.0,
    bms_in: int | None = None,
    power_g_per_m: float = 60.0,
    lead_g_per_m: float = 5.0,
) -> HarnessBlock:
    """The lightest harness of each split, over all orders of the compartments and places of the BMS.

    Equal masses go to fewer crossing conductors, then to the first in order.

    Parameters
    ----------
    split : ndarray of int, shape (n, m)
        Groups in each compartment, at least one in all.
    places : Places
    sensors : int
        Temperature sensors, two wires each.
    share_balance_leads : bool
        Whether modules of a compartment share the lead where they meet.
    slack_mm : float
        Added to every wire [mm].
    bms_in : int or None
        Compartment of the BMS, None to choose.
    power_g_per_m, lead_g_per_m : float
        Mass of power wire, and of balance and sensor wire, by which harnesses are compared [g/m].

    Returns
    -------
    HarnessBlock

    Raises
    ------
    ValueError
        If a split has no group, a negative count or the wrong number of compartments.
    """
    groups = np.atleast_2d(np.asarray(split, dtype=np.int64))
    count = len(places.groups_per_module)
    if groups.shape[1] != count or np.any(groups < 0) or np.any(groups.sum(axis=1) < 1):
        raise ValueError("every split needs a count for each compartment and at least one group")
    leads = _Leads(groups, places, share_balance_leads, slack_mm)
    best: dict[str, NDArray[Any]] = {}
    for order in permutations(range(count)):
        chain = _Chain(groups, places, order, sensors, slack_mm)
        for bms in range(count) if bms_in is None else (bms_in,):
            trial = chain.harness(bms, leads)
            grams = trial["power_length_mm"] * power_g_per_m
            grams = grams + (trial["balance_length_mm"] + trial["sensor_length_mm"]) * lead_g_per_m
            best = _lighter(best, trial | {"grams": np.round(grams, 3)})
    best.pop("grams")
    return HarnessBlock(**best)


def _lighter(best: dict[str, NDArray[Any]], trial: dict[str, NDArray[Any]]) -> dict[str, NDArray[Any]]:
    """Entry by entry, the lighter harness; on a tie the one with fewer crossings; else what was there."""
    if not best:
        return trial
    lighter, equal = trial["grams"] < best["grams"], trial["grams"] == best["grams"]
    take = lighter | (equal & (trial["crossing_conductors"] < best["crossing_conductors"]))
    wide = {1: take, 2: take[:, None]}
    return {name: np.where(wide[old.ndim], trial[name], old) for name, old in best.items()}


class _Leads:
    """Balance leads: their number per compartment, and their length for each place of the BMS."""

    def __init__(self, groups: Ints, places: Places, shared: bool, slack_mm: float) -> None:
        count = groups.shape[1]
        self.number = np.zeros(groups.shape, dtype=np.int64)
        self.length = np.zeros((count, *groups.shape))  # BMS place, split, compartment
        for place in range(count):
            kinds, back = np.unique(groups[:, place], return_inverse=True)
            start, end = places.starts_mm[place], places.ends_mm[place]
            for kind, number in enumerate(kinds):
                leads = taps(int(number), per_module=places.groups_per_module[place], shared=shared)
                part = np.array([boundary for _, boundary in leads]) / max(number, 1)
                points = start + part[:, None] * (end - start)
                lengths = run_length(places.bms_mm[:, None, :], end_mm=points).sum(axis=1)
                self.number[back == kind, place] = len(leads)
                self.length[:, back == kind, place] = (lengths + slack_mm * len(leads))[:, None]


class _Chain:
    """One order of the compartments: links, ends and sensors of every split."""

    def __init__(
        self, groups: Ints, places: Places, order: tuple[int, ...], sensors: int, slack_mm: float
    ) -> None:
        self.groups, self.places, self.order, self.slack_mm = groups, places, order, slack_mm
        self.modules = places.modules(groups)
        used = groups > 0
        self.first = np.array(order)[np.argmax(used[:, order], axis=1)]
        self.last = np.array(order[::-1])[np.argmax(used[:, order[::-1]], axis=1)]
        inside = run_length(places.starts_mm, end_mm=places.ends_mm)
        steps = np.maximum(self.modules - 1, 0)
        links = steps * (inside / np.maximum(self.modules, 1) + slack_mm)
        self.power_length, self.power_wires = links.sum(axis=1), steps.sum(axis=1) + 2
        previous = np.full(len(groups), -1)
        for place in order:
            link = used[:, place] & (previous >= 0)
            run = run_length(places.ends_mm[previous], end_mm=places.starts_mm[place]) + slack_mm
            self.power_length = self.power_length + link * run
            self.power_wires = self.power_wires + link
            previous = np.where(used[:, place], place, previous)
        self.between = used.sum(axis=1) - 1
        self.sensor_place, self.sensor_mm = self._sensors(sensors)

    def _sensors(self, sensors: int) -> tuple[Ints, Floats]:
        """Compartment and position of each sensor, shapes (n, sensors) and (n, sensors, 3)."""
        wanted = sensor_modules(self.modules.sum(axis=1), sensors=sensors)
        before = np.zeros(len(self.groups), dtype=np.int64)
        where, at = np.zeros(wanted.shape, dtype=np.int64), np.zeros((*wanted.shape, 3))
        for place in self.order:
            local = wanted - before[:, None]
            here = (local >= 0) & (local < self.modules[:, [place]])
            number = self.groups[:, [place]]
            size = np.minimum(self.places.groups_per_module[place] or 10**9, np.maximum(number, 1))
            middle = (local * size + np.minimum((local + 1) * size, number)) / 2.0
            part = (middle / np.maximum(number, 1))[..., None]
            start, end = self.places.starts_mm[place], self.places.ends_mm[place]
            where = np.where(here, place, where)
            at = np.where(here[..., None], start + part * (end - start), at)
            before = before + self.modules[:, place]
        return where, at

    def harness(self, bms: int, leads: _Leads) -> dict[str, NDArray[Any]]:
        """All fields of HarnessBlock with the BMS in one compartment."""
        site, n = self.places.bms_mm[bms], len(self.groups)
        ends = run_length(self.places.starts_mm[self.first], end_mm=site)
        ends = ends + run_length(self.places.ends_mm[self.last], end_mm=site) + 2.0 * self.slack_mm
        sensor_run = run_length(self.sensor_mm, end_mm=site) + self.slack_mm
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
            "sensor_length_mm": 2.0 * sensor_run.sum(axis=1),
            "power_wires": self.power_wires,
            "balance_leads": balance_leads,
            "sensor_wires": sensor_wires,
            "modules": self.modules.sum(axis=1),
            "pins": balance_leads + sensor_wires,
            "crossing_conductors": crossing,
        }


def choose_wire(
    current_a: ArrayLike,
    *,
    length_mm: ArrayLike,
    drop_max_v: ArrayLike,
    rating_a: Sequence[float],
    resistance_ohm_per_km: Sequence[float],
    mass_g_per_m: Sequence[float],
) -> Ints:
    """The lightest wire of a catalog that carries a current and keeps to a voltage drop.

    Parameters
    ----------
    current_a, length_mm, drop_max_v : float or ndarray, shape (n,)
        Steady current [A], length there and back as it counts for the drop [mm], allowed drop [V].
    rating_a, resistance_ohm_per_km, mass_g_per_m : sequence of float, length k
        The catalog [A], [ohm/km], [g/m].

    Returns
    -------
    ndarray of int, shape (n,)
        Index into the catalog, −1 where no wire does.
    """
    current = np.asarray(current_a, float)[..., None]
    run_km = np.asarray(length_mm, float)[..., None] * 1e-6
    drop = current * run_km * np.asarray(resistance_ohm_per_km, float)
    good = (np.asarray(rating_a, float) >= current) & (drop <= np.asarray(drop_max_v, float)[..., None])
    mass = np.where(good, np.asarray(mass_g_per_m, float), np.inf)
    return np.asarray(np.where(good.any(axis=-1), np.argmin(mass, axis=-1), -1), dtype=np.int64)
