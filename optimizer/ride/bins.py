"""A ride compressed for the search: few power bins, each cell's slow sag, the steps that stop a pack.

Three things are enough to run a pack down quickly:

* Power bins (a, b, weight), P = a + b·m at the wheel. Only steps that are alike are merged.
* Shares. A lagging voltage v with τ·dv/dt = R·I − v loses, over a repeated lap, exactly
  R·(mean(I)² + cov(i, I)), where i is I filtered with τ; and cov(i, I) = var(i), since I = i + τ·di/dt.
  So the share γ = var(i)/var(I) of R acts like a plain resistance on the current of the moment, and the
  rest, 1 − γ, acts on the lap's mean current: the loss is right. Short τ: γ → 1, long τ: γ → 0.
* Critical steps, see critical.py.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optimizer.base.arrays import Floats
from optimizer.base.kernels import kernel
from optimizer.ride.kernels.cells import LAG_TAU, SHARE1, TAU1, TAU2, CellArrays
from optimizer.ride.kernels.course import LapCourse
from optimizer.ride.kernels.critical import critical_steps
from optimizer.ride.load.roadload import RideSteps, Vehicle

VOLTAGE_SPAN = 2.0
"""A cell's voltage at the charge limit over that at the cut-off, at most: 4.2/2.5 V, 3.65/2.0 V (datasheets)."""

BIN_COUNTS = (8, 10, 12, 16, 20, 24, 32, 48, 64, 96, 128)
"""Tried from few to many until the compression error is small enough."""


@dataclass(frozen=True, eq=False)
class CompressedRide:
    """A lap ready for `range_block`, valid for the total masses and the cells it was made for.

    Parameters
    ----------
    constant_w, per_mass_w_kg, weight : ndarray, shape (k,)
        Wheel power a [W], b [W/kg], and share of the lap's time [-], summing to 1.
    distance_m, duration_s : float
        Of the lap [m], [s].
    mass_min_kg, mass_max_kg : float
        Total masses it holds for [kg].
    error : float
        Largest relative change of the lap's charge that the merging causes, at 20 % sag at peak power [-].
    table : ndarray, shape (n_cells, FIELDS)
        Numbers per cell with the shares of this ride filled in.
    critical : ndarray, shape (n_cells, k, LOADS, 2)
        Loads of the steps that may stop a pack, at the least and the largest mass, see critical.py.
    critical_count : ndarray of int, shape (n_cells,)
        Steps in use, the first ones.
    critical_at : ndarray of int, shape (n_cells, k)
        Which fine steps of the lap they are; -1 for none.
    runs : ndarray, shape (n_cells, k, RUN)
        Where these steps lie.
    course : LapCourse
        Places of the lap by level, see course.py.
    """

    constant_w: Floats
    per_mass_w_kg: Floats
    weight: Floats
    vehicle: Vehicle
    distance_m: float
    duration_s: float
    mass_min_kg: float
    mass_max_kg: float
    error: float
    cells: CellArrays
    table: Floats
    critical: Floats
    critical_count: NDArray[np.int64]
    critical_at: NDArray[np.int64]
    runs: Floats
    course: LapCourse

    def battery_power_w(self, mass_kg: Floats) -> Floats:
        """Power at the pack's terminals in each bin at each total mass [kg], shape (n, k) [W]."""
        return self.vehicle.drivetrain.battery_w(self.constant_w + self.per_mass_w_kg * mass_kg[:, None])


def compress(
    steps: RideSteps,
    *,
    cells: CellArrays,
    mass_min_kg: float,
    mass_max_kg: float,
    tolerance: float = 5e-4,
) -> CompressedRide:
    """Compress a lap to as few power bins as the tolerance allows.

    Parameters
    ----------
    mass_min_kg, mass_max_kg : float
        Least and largest total mass that will be asked for, 0 < least ≤ largest [kg].
    tolerance : float
        Largest relative error of the lap's charge, see CompressedRide.error [-].

    Raises
    ------
    ValueError
        If the masses are in the wrong order, or the ride takes no energy from the battery at the least mass.
    """
    if not 0 < mass_min_kg <= mass_max_kg:
        raise ValueError(f"need 0 < mass_min_kg <= mass_max_kg, found {mass_min_kg:g}, {mass_max_kg:g}")
    masses = np.array([mass_min_kg, 0.5 * (mass_min_kg + mass_max_kg), mass_max_kg])
    power_w = np.stack([steps.battery_power_w(float(mass)) for mass in masses])
    mean_w = power_w @ steps.duration_s / steps.duration_s.sum()
    if not np.all(mean_w > 0):
        raise ValueError(f"the ride takes no energy from the battery: mean power {mean_w.min():.3g} W")
    bins, error = _merge_until(steps, masses=masses, tolerance=tolerance)
    critical, count, at, runs, course = critical_steps(
        steps, cells=cells, mass_min_kg=mass_min_kg, mass_max_kg=mass_max_kg
    )
    return CompressedRide(
        *bins, vehicle=steps.vehicle, distance_m=float(steps.distance_m.sum()),
        duration_s=float(steps.duration_s.sum()), mass_min_kg=mass_min_kg, mass_max_kg=mass_max_kg,
        error=error, cells=cells, table=_shares(power_w[1], steps=steps, cells=cells), critical=critical,
        critical_count=count, critical_at=at, runs=runs, course=course,
    )  # fmt: skip


def _merge_until(
    steps: RideSteps, *, masses: Floats, tolerance: float
) -> tuple[tuple[Floats, Floats, Floats], float]:
    """The least of BIN_COUNTS that keeps the tolerance, or no merging but of equal steps."""
    whole = (steps.constant_w, steps.per_mass_w_kg, steps.duration_s / steps.duration_s.sum())
    power_max_w = max(float(steps.battery_power_w(float(mass)).max()) for mass in masses)
    exact = _lap_charge(whole, steps.vehicle, masses=masses, power_max_w=power_max_w)
    best, best_error = whole, 0.0
    for bins in _ward(steps, masses=masses):
        charge = _lap_charge(bins, steps.vehicle, masses=masses, power_max_w=power_max_w)
        error = float(np.max(np.abs(charge / exact - 1.0)))
        if error > tolerance:
            break
        best, best_error = bins, error
    return best, best_error


def _lap_charge(
    bins: tuple[Floats, Floats, Floats], vehicle: Vehicle, *, masses: Floats, power_max_w: float
) -> Floats:
    """Mean current at each mass from a source of 1 V that sags to 0.8 V at the largest power."""
    constant, per_mass, weight = bins
    steps = RideSteps(constant, per_mass, weight, weight, vehicle)
    power = np.stack([steps.battery_power_w(float(mass)) for mass in masses])
    drop = 0.16 / power_max_w
    return np.asarray((2.0 * power / (1.0 + np.sqrt(1.0 - 4.0 * drop * power))) @ weight)


def _ward(steps: RideSteps, *, masses: Floats) -> Iterator[tuple[Floats, Floats, Floats]]:
    """Bins from many to few: neighbours in power are merged where that adds least variance (Ward).

    Weighted means keep the lap's mean wheel power exact at every mass. Steps whose wheel power differs in
    sign at either end of the masses stay apart, as the efficiency changes there, and so do the step of most
    and that of least power.
    """
    rows = np.column_stack([steps.constant_w, steps.per_mass_w_kg])
    unique, inverse = np.unique(np.round(rows, 12), axis=0, return_inverse=True)
    shares = steps.duration_s / steps.duration_s.sum()
    weight = np.bincount(inverse.ravel(), weights=shares).astype(np.float64)
    ends = unique[:, :1] + unique[:, 1:] * masses[[0, 2]]
    kind = (ends > 0) @ np.array([1, 2])
    order = np.lexsort((ends.mean(axis=1), kind))
    a, b, weight, ends, kind = unique[order, 0], unique[order, 1], weight[order], ends[order], kind[order]
    alone = np.isin(np.arange(len(a)), [ends[:, 1].argmax(), ends[:, 1].argmin()])
    for count in sorted((n for n in BIN_COUNTS if n < len(a)), reverse=True):
        a, b, weight, ends, kind, alone = _merge_to(count, a, b, weight, ends, kind, alone)
        yield a, b, weight


def _merge_to(
    count: int, a: Floats, b: Floats, weight: Floats, ends: Floats,
    kind: NDArray[np.int64], alone: NDArray[np.bool_],
) -> tuple[Floats, Floats, Floats, Floats, NDArray[np.int64], NDArray[np.bool_]]:  # fmt: skip
    """Merge neighbours, cheapest first, until `count` bins are left or none may be merged.

    Costs wait in a heap and bins know their neighbours, so that long rides take n log n.
    """
    a, b, weight, ends = a.copy(), b.copy(), weight.copy(), ends.copy()
    after, before = np.arange(1, len(a) + 1).tolist(), np.arange(-1, len(a) - 1).tolist()
    alive = np.ones(len(a), dtype=bool)
    harmonics = weight[1:] * weight[:-1] / (weight[1:] + weight[:-1])
    costs = ((ends[1:] - ends[:-1]) ** 2).sum(axis=1) * harmonics
    apart = (kind[1:] != kind[:-1]) | alone[1:] | alone[:-1]
    fresh = [*np.where(apart, math.inf, costs).tolist(), math.inf]
    queue = [(cost, at) for at, cost in enumerate(fresh) if cost < math.inf]
    heapq.heapify(queue)
    left = len(a)
    while left > count and queue:
        cost, at = heapq.heappop(queue)
        if not alive[at] or cost != fresh[at]:
            continue  # out of date
        pair = [at, after[at]]
        part = weight[pair] / weight[pair].sum()
        a[at], b[at], ends[at], weight[at] = part @ a[pair], part @ b[pair], part @ ends[pair], weight[pair].sum()
        alive[pair[1]] = False
        after[at] = after[pair[1]]
        fresh[at] = math.inf
        if after[at] < len(a):
            before[after[at]] = at
        left -= 1
        for one in (before[at], at):
            other = after[one] if one >= 0 else len(a)
            if other < len(a) and kind[one] == kind[other] and not (alone[one] or alone[other]):
                harmonic = weight[other] * weight[one] / (weight[other] + weight[one])
                fresh[one] = float(((ends[other] - ends[one]) ** 2).sum() * harmonic)
                heapq.heappush(queue, (fresh[one], one))
    return a[alive], b[alive], weight[alive], ends[alive], kind[alive], alone[alive]


@kernel(rows=100_000)
def filter_lap(power: Floats, duration_s: Floats, tau_s: float) -> tuple[Floats, float]:
    """A repeated lap's power behind a first-order lag, and the share of its variance that comes through.

    Exact for power that is constant in each step: y runs towards it with τ, and the lap joins onto itself.

    Parameters
    ----------
    power : ndarray, shape (n,)
        In each step [W].
    duration_s : ndarray, shape (n,)
        [s]
    tau_s : float
        Time constant, above 0 [s].

    Returns
    -------
    y : ndarray, shape (n,)
        At the end of each step [W].
    share : float
        cov(y, power)/var(power) over the lap, which equals var(y)/var(power); 0 for constant power [-].
    """
    n = len(power)
    total, mean = 0.0, 0.0
    for i in range(n):
        total += duration_s[i]
        mean += power[i] * duration_s[i]
    mean = mean / total
    state = 0.0
    for i in range(n):
        state = power[i] + (state - power[i]) * math.exp(-duration_s[i] / tau_s)
    state = state / -math.expm1(-total / tau_s)
    end = np.empty(n)
    covariance, variance = 0.0, 0.0
    for i in range(n):
        keep = -math.expm1(-duration_s[i] / tau_s)
        inside = power[i] + (state - power[i]) * tau_s / duration_s[i] * keep
        away = power[i] - mean
        covariance += duration_s[i] * away * (inside - mean)
        variance += duration_s[i] * (away * away)
        state = state + (power[i] - state) * keep
        end[i] = state
    return end, covariance / variance if variance > 1e-12 * total * mean**2 else 0.0


def _shares(power_w: Floats, *, steps: RideSteps, cells: CellArrays) -> Floats:
    """Numbers per cell with the shares of this ride; equal time constants are filtered once."""
    table = cells.table()
    known: dict[float, float] = {}
    for cell in range(cells.count):
        for place, column in enumerate((TAU1, TAU2, LAG_TAU)):
            tau = float(table[cell, column])
            if tau not in known:
                known[tau] = min(max(float(filter_lap(power_w, steps.duration_s, tau)[1]), 0.0), 1.0)
            table[cell, SHARE1 + place] = known[tau]
    return table


def falls_with_mass(ride: CompressedRide) -> bool:
    """Whether the range of this ride is certain never to rise with the total mass.

    A heavier load can make a ride easier: fast and slightly downhill, slowly uphill. The range is certain to
    fall when a lap draws more charge with more mass, and no critical step eases.

    Returns
    -------
    bool
        False means only that it is not certain.
    """
    eases = np.any(ride.critical[..., 1] < ride.critical[..., 0] * (1.0 - 1e-12))
    return not eases and charge_grows(ride)


def charge_grows(ride: CompressedRide) -> bool:
    """Whether a lap is certain to draw more charge, and to heat cells more, with more mass.

    At every mass, Σ w·dP/dm over the bins above any power is never below 0: so the mean of every rising convex
    function of power, such as current, grows with mass.
    """
    a, b = ride.constant_w, ride.per_mass_w_kg
    with np.errstate(divide="ignore", invalid="ignore"):
        cross = np.concatenate([((a[:, None] - a) / (b - b[:, None])).ravel(), -a / b])
    low, high = ride.mass_min_kg, ride.mass_max_kg
    events = np.unique(np.concatenate([[low, high], cross[(cross > low) & (cross < high)]]))
    middle = 0.5 * (events[1:] + events[:-1]) if len(events) > 1 else events
    wheel = a + b * middle[:, None]
    order = np.argsort(-wheel, axis=1)
    growth = np.take_along_axis(ride.weight * b * ride.vehicle.drivetrain.gain(wheel), order, axis=1)
    return bool(np.all(np.cumsum(growth, axis=1) >= -1e-12 * np.abs(growth).sum(axis=1, keepdims=True)))


def drawn_all_the_way(steps: RideSteps, *, mass_min_kg: float, mass_max_kg: float) -> bool:
    """Whether a heavier load has drawn more charge at every place of the lap, and not only by its end.

    True when Σ dt·dP/dm from the lap's beginning is nowhere below 0. Energy that braking gives back counts
    VOLTAGE_SPAN times: a watt-hour is more charge in an empty cell than in a full one.

    Parameters
    ----------
    mass_min_kg, mass_max_kg : float
        Total masses for which it must hold [kg].

    Returns
    -------
    bool
        False means only that it is not certain.
    """
    masses = np.array([[mass_min_kg], [mass_max_kg]])
    wheel = steps.constant_w + steps.per_mass_w_kg * masses
    gain = steps.vehicle.drivetrain.gain(wheel, back=VOLTAGE_SPAN)
    growth = (gain * steps.per_mass_w_kg * steps.duration_s).min(axis=0)
    return bool(np.all(np.cumsum(growth) >= -1e-12 * np.abs(growth).sum()))
