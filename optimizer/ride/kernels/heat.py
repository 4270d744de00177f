"""The hottest cell of many packs: where a step of the ride, or a ride without end, leaves it. Compiled.

A step leaves it at T = T₀·k + (T_air + rise·max(r(T)·mean(i²) + q, 0))·(1 − k), k = exp(−t/(rise·C)), with the
resistance at its own new temperature and q the heat of the reaction, which no part changes. r never rises with
temperature and neither does the right side: there is one T, and no step is too long. It is sought at even temperatures,
linear between them; beyond the last, r is that of the last. At each of them the right side grows with T₀, rise, what
resists outside the cells and load, and so does T. More heat than the cells' own is not taken off by the reaction: were
their sum below 0, a worse rise would cool the cells.

What plates, wires, BMS and fuse add is that of their steady state, in the mean over all steps with cells at a place of
the temperatures that no part changes: beside·mean(i²). Were it slowed by the rise, a worse rise could cool the cells.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numba.extending import register_jitable

from optimizer.base.arrays import Floats, Ints
from optimizer.base.kernels import kernel
from optimizer.ride.load.drivetrain import Drive, battery_w

# Columns of a pack in one cell's terms: share of the pack's power, resistance outside [ohm], total mass [kg], rise
# [K/W], heat capacity [J/K], rise by heat beside the cells' over the square of a cell's current [K/A²].
SHARE, OUTSIDE, MASS, RISE, CAPACITY, BESIDE = range(6)
PACK = 6


@njit(cache=True, error_model="numpy", forceinline=True, fastmath={"reassoc", "contract", "nsz"})
def mean_square(power: Floats, weight: Floats, volts: float, ohm: float) -> float:
    """Mean of I² over the power bins of a lap: the lower root of R·I² − U·I + P where the cell gives, P/U else [A²]."""
    square = 0.0
    for k in range(len(power)):
        p = power[k]
        current = 2.0 * p / (volts + math.sqrt(max(volts * volts - 4.0 * ohm * max(p, 0.0), 0.0)))
        square += weight[k] * current * current
    return square


@register_jitable(forceinline=True)
def _power(bins: tuple[Floats, Floats, Floats], drive: Drive, pack: Floats, power: Floats) -> None:
    """Fill in one cell's power in each bin."""
    for k in range(len(power)):
        power[k] = battery_w(bins[0][k] + bins[1][k] * pack[MASS], drive) * pack[SHARE]


@register_jitable
def _settled(
    start_c: float, kept: float, air_c: float, temps: Floats, ohms: Floats, volts: float, reversible_w: float,
    pack: Floats, power: Floats, weight: Floats,
) -> float:  # fmt: skip
    """T of the equation above; temps begin at the air's temperature."""
    last = len(temps) - 1
    low, high, below, above = 0, last, -1.0, -1.0
    for node in (last, 0):
        total = ohms[node] + pack[OUTSIDE]
        square = mean_square(power, weight, volts, total)
        end = air_c + pack[RISE] * max(ohms[node] * square + reversible_w, 0.0)
        found = start_c * kept + end * (1.0 - kept)
        if node == last:
            if found >= temps[last]:
                return float(found)
            above = temps[last] - found
        else:
            below = found - temps[0]
    while high - low > 1:
        node = (low + high) // 2
        total = ohms[node] + pack[OUTSIDE]
        square = mean_square(power, weight, volts, total)
        end = air_c + pack[RISE] * max(ohms[node] * square + reversible_w, 0.0)
        over = start_c * kept + end * (1.0 - kept) - temps[node]
        if over > 0.0:
            low, below = node, over
        else:
            high, above = node, -over
    return float(temps[low] + (temps[high] - temps[low]) * below / max(below + above, 1e-12))


@kernel(rows=500)
def hottest(
    cell: Ints, packs: Floats, start_c: float, air_c: float, temps: Floats, ohms: Floats, volts: Floats,
    seconds: Floats, reversible_w: Floats, place: Floats, bins: tuple[Floats, Floats, Floats], drive: Drive,
) -> Floats:  # fmt: skip
    """Hottest cell after all steps of a ride.

    Parameters
    ----------
    cell : ndarray of int, shape (n,)
    packs : ndarray, shape (n, PACK)
    start_c, air_c : float
        Cells at the start, at least the air's temperature [°C].
    temps : ndarray, shape (t,)
        Even, from the air's on [°C].
    ohms : ndarray, shape (n_cells, steps, t)
        Of one cell under a load that lasts, never rising with temperature [ohm].
    volts : ndarray, shape (n_cells, steps)
        At rest [V].
    seconds : ndarray, shape (n, steps)
        Infinite for a ride without end [s].
    reversible_w : ndarray, shape (n, steps)
        Heat of the reaction in a cell, below 0 where it cools [W].
    place : ndarray, shape (n, steps)
        Among temps, 0 at the first, where cells are taken to be for what heats beside them [-].
    bins : tuple of ndarray, shape (bins,)
        Wheel power [W], the same by mass [W/kg], share of the time [-].

    Returns
    -------
    ndarray, shape (n,)
        [°C]
    """
    out, power = np.empty(len(cell)), np.empty(len(bins[2]))
    for n in range(len(cell)):
        c, temp = cell[n], start_c
        _power(bins, drive, packs[n], power)
        for step in range(seconds.shape[1]):
            kept = math.exp(-seconds[n, step] / (packs[n, RISE] * packs[n, CAPACITY]))
            temp = _settled(
                temp, kept, air_c, temps, ohms[c, step], volts[c, step], reversible_w[n, step], packs[n],
                power, bins[2],
            )  # fmt: skip
        square, whole = 0.0, 0.0
        for step in range(seconds.shape[1]):
            low = min(int(place[n, step]), len(temps) - 2)
            ohm = ohms[c, step, low] + (place[n, step] - low) * (ohms[c, step, low + 1] - ohms[c, step, low])
            lasts = min(seconds[n, step], 1e9)
            square += lasts * mean_square(power, bins[2], volts[c, step], ohm + packs[n, OUTSIDE])
            whole += lasts
        out[n] = temp + packs[n, BESIDE] * square / max(whole, 1e-9)
    return out
