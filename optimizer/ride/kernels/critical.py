"""The steps of a lap that may stop a pack, and what of the lap before them still weighs on the cells.

Sag stops a pack at the worst step, where its own power counts, and what the slow voltages remember of the way
there. A lagging current y with τ·dy/dt = I − y is the mean of the currents before, weighted with exp(−age/τ).
The ride gives powers, not currents, and I = P/V: the voltage at which each weighed part was drawn counts too.
So three things are kept for each of the three lags, as means with the same weights:

* f, the power itself [W];
* Q, the power weighted with itself: mean(P²)/f [W]. The current is then f · c(Q)/Q, c(P) = 2P/(u + √(u² − 4rP)),
  right to the second order in r, and to every order for constant power;
* what stood behind r while it was drawn, weighted with the power: the other slow voltages' own filtered powers,
  and for the surface's lag the charge that had still to be drawn until now.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np
from numba.extending import register_jitable

from optimizer.base.arrays import Floats, Ints
from optimizer.base.kernels import kernel
from optimizer.ride.kernels.cells import LAG, LAG_TAU, TAU1, TAU2, CellArrays
from optimizer.ride.kernels.course import RUN, SECTORS, LapCourse, course_of, in_sectors, runs_of
from optimizer.ride.load.roadload import RideSteps, step_parts

CRITICAL_STEPS = 16
"""Most steps kept per cell as the hardest; the hardest of each sector of the lap come on top (course.py)."""

# Columns of a step: own power; filtered with τ1, τ2, the lag's τ; the same weighted with power; then, for τ2 and the
# lag's τ, what the surface lagged meanwhile beyond the charge that was still to come [W·s] and the power behind R2;
# for τ1, the power behind R1.
(POWER_W, F1, F2, F3, Q1, Q2, Q3, LAGGED2, SLOW2, LAGGED3, SLOW3, FAST1) = range(12)
LOADS = 12

ALIKE = (0.02, 0.03, 0.05, 0.08, 0.12, 0.2)
"""Steps that a kept one covers to within this part are left out; the first that is enough for CRITICAL_STEPS."""

STEP_MAX_S = 1.0
"""Longest time step of the ride, in both forms; longer ones are cut evenly."""

REMEMBERED = 12.0
"""Time constants after which nothing is remembered."""


@kernel(rows=10_000)
def lagged_loads(power: Floats, duration_s: Floats, taus: tuple[float, float, float], lag_s: float) -> Floats:
    """What a repeated lap has left behind at the middle of each step.

    Parameters
    ----------
    power : ndarray, shape (n,)
        In each step [W].
    duration_s : ndarray, shape (n,)
        [s]
    taus : tuple of float
        τ1, τ2 and the lag's τ, each above 0 [s].
    lag_s : float
        Steady lag of the surface, times the current over the capacity [s].

    Returns
    -------
    ndarray, shape (n, LOADS)
        [W], but LAGGED2 and LAGGED3 [W·s]. What regeneration would leave below 0 is 0: it would prop the voltage
        up by more the weaker the pack is, and sag shall only grow with current (see rangekernel).
    """
    out = np.zeros((len(power), LOADS))
    # Filtered with each τ: P, P², P times what is behind R1 or R2, P times the lagged power, P times the energy since.
    f, square, behind, lagged, since = np.zeros(3), np.zeros(3), np.zeros(3), np.zeros(3), np.zeros(3)
    lap_s = 0.0
    for i in range(len(power)):
        lap_s += duration_s[i]
    laps = int(REMEMBERED * max(taus) / lap_s) + 2
    for lap in range(laps):
        for i in range(len(power)):
            p, half = power[i], 0.5 * duration_s[i]
            for part in range(2):
                # Both halves of a step; the values at its middle are told after the first.
                first1, first2, first3 = f
                for k in range(3):
                    keep = math.exp(-half / taus[k])
                    since[k] = keep * (since[k] + f[k] * p * half) + (1.0 - keep) * p * p * 0.5 * half
                    f[k] = keep * f[k] + (1.0 - keep) * p
                    square[k] = keep * square[k] + (1.0 - keep) * p * p
                for k in range(3):
                    keep = math.exp(-half / taus[k])
                    slow = 0.5 * (first1 + f[0] if k == 0 else first2 + f[1])
                    behind[k] = keep * behind[k] + (1.0 - keep) * p * slow
                    lagged[k] = keep * lagged[k] + (1.0 - keep) * p * 0.5 * (first3 + f[2])
                if part == 0 and lap == laps - 1:
                    _tell(out[i], p, f, square, behind, lag_s * lagged - since)
    return out


@register_jitable
def _tell(row: Floats, p: float, f: Floats, square: Floats, behind: Floats, lagged: Floats) -> None:
    """Fill in a step's columns."""
    row[POWER_W] = p
    for k in range(3):
        if f[k] > 0.0:
            row[F1 + k], row[Q1 + k] = f[k], square[k] / f[k]
    if f[0] > 0.0:
        row[FAST1] = max(behind[0] / f[0], 0.0)
    if f[1] > 0.0:
        row[LAGGED2], row[SLOW2] = max(lagged[1] / f[1], 0.0), max(behind[1] / f[1], 0.0)
    if f[2] > 0.0:
        row[LAGGED3], row[SLOW3] = max(lagged[2] / f[2], 0.0), max(behind[2] / f[2], 0.0)


def hardest(loads: Floats) -> Ints:
    """Few steps of a lap such that each other one is, but for a small part, covered by one of them.

    A step covers another if its own power and its three filtered powers are all at least (1 − part) of the
    other's. Steps are taken from the hardest by the sum of the four, each over the lap's largest.

    Parameters
    ----------
    loads : ndarray, shape (n, LOADS)
        From `lagged_loads`.

    Returns
    -------
    ndarray of int, shape (at most CRITICAL_STEPS,)
    """
    four = np.maximum(loads[:, :4], 0.0)
    four = four / np.maximum(four.max(axis=0), 1e-12)
    order = np.argsort(-four.sum(axis=1), kind="stable")
    kept: list[int] = []
    for part in ALIKE:
        kept, rest = [], order
        # Each that is taken strikes out all that it covers at once: as many looks at the lap as steps are kept.
        while len(rest) and len(kept) <= CRITICAL_STEPS:
            kept.append(int(rest[0]))
            rest = rest[1:][np.any(four[kept[-1]] < four[rest[1:]] * (1.0 - part), axis=1)]
        if len(kept) <= CRITICAL_STEPS:
            break
    return np.array(kept[:CRITICAL_STEPS], dtype=np.int64)


def critical_steps(
    steps: RideSteps, *, cells: CellArrays, mass_min_kg: float, mass_max_kg: float
) -> tuple[Floats, Ints, Ints, Floats, LapCourse]:
    """Critical steps of each cell and where they lie; equal time constants are worked out once.

    Parameters
    ----------
    mass_min_kg, mass_max_kg : float
        Total masses at which the loads are told [kg].

    Returns
    -------
    critical : ndarray, shape (n_cells, k, LOADS, 2)
        Loads at the least and the largest mass.
    count : ndarray of int, shape (n_cells,)
        Steps in use, the first ones.
    at : ndarray of int, shape (n_cells, k)
        Which fine steps they are; -1 for none.
    runs : ndarray, shape (n_cells, k, RUN)
        Where they lie, see course.py.
    course : LapCourse
    """
    parts = step_parts(steps.duration_s, step_max_s=STEP_MAX_S)
    course = course_of(steps, parts=parts, mass_min_kg=mass_min_kg, mass_max_kg=mass_max_kg)
    critical = np.zeros((cells.count, CRITICAL_STEPS + SECTORS, LOADS, 2))
    runs = np.zeros((cells.count, CRITICAL_STEPS + SECTORS, RUN))
    where = np.full((cells.count, CRITICAL_STEPS + SECTORS), -1, dtype=np.int64)
    count = np.zeros(cells.count, dtype=np.int64)
    for alike, loads in _loads(steps, cells=cells, masses=(mass_min_kg, mass_max_kg)):
        mean = loads.mean(axis=2)
        at = in_sectors(mean, kept=hardest(mean), never_eases=np.all(loads[..., 1] >= loads[..., 0], axis=1))
        count[alike] = len(at)
        critical[alike, : len(at)], where[alike, : len(at)] = loads[at], at
        runs[alike, : len(at)] = runs_of(mean, steps=at, course=course)
    most = int(count.max())
    return critical[:, :most].copy(), count, where[:, :most].copy(), runs[:, :most].copy(), course


def loads_at(
    steps: RideSteps, *, cells: CellArrays, at: Ints, mass_min_kg: float, mass_max_kg: float
) -> Floats:
    """Loads of known steps on other cells, such as warmer ones.

    Parameters
    ----------
    at : ndarray of int, shape (n_cells, k)
        Fine steps of each cell; -1 for none.
    mass_min_kg, mass_max_kg : float
        Total masses at which the loads are told [kg].

    Returns
    -------
    ndarray, shape (n_cells, k, LOADS, 2)
    """
    out = np.zeros((*at.shape, LOADS, 2))
    for alike, loads in _loads(steps, cells=cells, masses=(mass_min_kg, mass_max_kg)):
        out[alike] = np.where(at[alike][..., None, None] >= 0, loads[at[alike]], 0.0)
    return out


def _loads(
    steps: RideSteps, *, cells: CellArrays, masses: tuple[float, float]
) -> Iterator[tuple[Ints, Floats]]:
    """Cells of equal time constants, and loads of all fine steps on them at two masses, shape (n, LOADS, 2)."""
    parts = step_parts(steps.duration_s, step_max_s=STEP_MAX_S)
    duration_s = np.repeat(steps.duration_s / parts, parts)
    powers = [np.repeat(steps.battery_power_w(mass), parts) for mass in masses]
    keys, which = np.unique(cells.table()[:, [TAU1, TAU2, LAG_TAU, LAG]], axis=0, return_inverse=True)
    for row, (tau1, tau2, tau3, lag_s) in enumerate(keys.tolist()):
        loads = np.stack([lagged_loads(power, duration_s, (tau1, tau2, tau3), lag_s) for power in powers], axis=2)
        # More mass brings more regeneration, and less may be left behind after it: not counted, so that what is
        # remembered never eases with mass.
        loads[:, 1:, 1] = np.maximum(loads[:, 1:, 0], loads[:, 1:, 1])
        yield np.flatnonzero(which.ravel() == row), loads
