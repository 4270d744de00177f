"""Compiled inner part of the cell's fit: constant currents from rest, and how far they are from curves and pulses."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from optimizer.cell.kernel import STATES, _advance, _decays, rest_v

LAST = 20.0  # rows of a curve before so many seconds are left out: pulses tell them better


@njit(cache=True, error_model="numpy")
def constant(
    amp: float, soc: float, until_v: float, time_s: Any, p: Any, tables: Any, rates: Any, gains: Any, volt: Any
) -> int:
    """Voltage at times from 0 under a constant current from rest; how many, the first under until_v the last.

    A state takes the row before's current: 0 at time 0, where nothing has flowed yet.
    """
    size = STATES + 2 * len(rates)
    state, new, decay = np.zeros(size), np.zeros(size), np.ones(size)
    state[0] = soc
    for i in range(len(time_s)):
        dt = time_s[i] - time_s[i - 1] if i else 0.0
        if i:
            _decays(dt, p, rates, decay)
        volt[i] = _advance(state, new, amp, amp if i else 0.5 * amp, dt, p, tables, decay, gains)
        if volt[i] < until_v:
            return i + 1
        for k in range(size):
            state[k] = new[k]
    return len(time_s)


@njit(cache=True, error_model="numpy")
def _crossing(charge: Any, volt: Any, count: int, level_v: float) -> float:
    """Charge at which a voltage is first fallen below; the last if it is not."""
    for i in range(count):
        if volt[i] < level_v:
            if i == 0:
                return float(charge[0])
            part = (volt[i - 1] - level_v) / (volt[i - 1] - volt[i])
            return float(charge[i - 1] + part * (charge[i] - charge[i - 1]))
    return float(charge[count - 1])


@njit(cache=True, error_model="numpy")
def _slope(x: Any, y: Any, i: int) -> float:
    """Derivative at a row of unevenly spaced ones, of second order inside."""
    n = len(x)
    if i == 0:
        return float((y[1] - y[0]) / (x[1] - x[0]))
    if i == n - 1:
        return float((y[n - 1] - y[n - 2]) / (x[n - 1] - x[n - 2]))
    a, b = x[i] - x[i - 1], x[i + 1] - x[i]
    return float((a * a * y[i + 1] + (b * b - a * a) * y[i] - b * b * y[i - 1]) / (a * b * (a + b)))


@njit(cache=True, error_model="numpy")
def curve_misses(
    amps: Any, first: Any, charge_ah: Any, voltage_v: Any, p: Any, tables: Any, rates: Any, gains: Any, grid: Any,
    least_v: float, sigmas: Any, ends: Any, first_sigma: Any, noise_v: float,
) -> Any:  # fmt: skip
    """Misses of every curve after the first, in sigmas, and two more for each: charge at its end, first voltage.

    Parameters
    ----------
    amps : ndarray, shape (n,)
        Currents; the first curve is the slow one, which carries the OCV [A].
    first : ndarray of int, shape (n + 1,)
        Where each curve's rows begin in charge_ah [Ah] and voltage_v [V].
    p : ndarray, shape (n, 20)
        Numbers at each curve's temperature.
    grid : ndarray
        Parts of a run, from 0 to 1.
    least_v : float
        Runs go on to 2 V below it [V].
    sigmas : ndarray, shape (2,)
        Of a voltage [V], and of a charge over the capacity where a curve is steep [-].
    ends : ndarray, shape (n,)
        Of the charge at the end over the capacity [-].
    first_sigma : ndarray, shape (2,)
        Of the first voltage: [V], and part of its distance from that of the slow curve [-].
    noise_v : float
        [V]
    """
    curves, count = len(amps), len(charge_ah)
    out = np.zeros(count - first[1] + 2 * (curves - 1))
    charge, volt, time_s = np.empty(len(grid)), np.empty(len(grid)), np.empty(len(grid))
    start = np.empty(1)
    constant(amps[0], 1.0, -1e9, np.zeros(1), p[0], tables, rates, gains, start)
    at = 0
    for c in range(1, curves):
        capacity = p[c, 0]
        for i in range(len(grid)):
            time_s[i] = grid[i] * 1.25 * capacity / amps[c] * 3600.0
            charge[i] = time_s[i] * amps[c] / 3600.0
        used = constant(amps[c], 1.0, least_v - 2.0, time_s, p[c], tables, rates, gains, volt)
        x, y = charge_ah[first[c] : first[c + 1]], voltage_v[first[c] : first[c + 1]]
        fitted = np.interp(x, charge[:used], volt[:used])
        late = 0
        for i in range(len(x)):
            late += x[i] * 3600.0 > LAST * amps[c]
        for i in range(len(x)):
            if x[i] * 3600.0 > LAST * amps[c]:
                weight = np.hypot(sigmas[0], abs(_slope(x, fitted, i)) * sigmas[1] * capacity)
                out[at] = (fitted[i] - y[i]) / weight * 6.0 / np.sqrt(late)
            at += 1
        last = len(x) - 1
        out[at] = (_crossing(charge, volt, used, y[last]) - x[last]) / capacity / ends[c]
        if x[0] < 1e-6 * capacity:
            gap = voltage_v[0] - y[0]
            out[at + 1] = (start[0] - volt[0] - gap) / np.hypot(first_sigma[0] + first_sigma[1] * abs(gap), noise_v)
        at += 2
    return out


@njit(cache=True, error_model="numpy")
def pulse_drops(
    amps: Any, socs: Any, first: Any, time_s: Any, grid: Any, p: Any, tables: Any, rates: Any, gains: Any
) -> Any:
    """Drop of every row of every pulse [V]; arguments as those of `curve_misses`, grid from 0 to 1 of the pulse."""
    out = np.empty(len(time_s))
    for k in range(len(amps)):
        asked = time_s[first[k] : first[k + 1]]
        times = np.unique(np.concatenate((grid * asked.max(), asked)))
        volt = np.empty(len(times))
        constant(amps[k], socs[k], -1e9, times, p[k], tables, rates, gains, volt)
        out[first[k] : first[k + 1]] = rest_v(socs[k], p[k], tables) - np.interp(asked, times, volt)
    return out
