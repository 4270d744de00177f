"""OCV and capacity from a slow discharge curve, freed of its own small drop and lag; compiled for the fit."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from optimizer.cell.kernel import grown
from optimizer.cell.model import CONCENTRATION


@njit(cache=True, error_model="numpy")
def _at(values: Any, soc: float) -> float:
    """Linear look-up on a uniform 0..1 grid, ends held."""
    x = min(max(soc, 0.0), 1.0) * (len(values) - 1)
    i = min(int(x), len(values) - 2)
    return float(values[i] + (values[i + 1] - values[i]) * (x - i))


@njit(cache=True, error_model="numpy")
def _spread(diffusion_s: float, time_s: float, rates: Any, gains: Any) -> float:
    """Lag per unit rate of a surface, rising from rest [s]."""
    total = 0.0
    for k in range(len(rates)):
        total -= gains[k] * np.expm1(-rates[k] * time_s / diffusion_s)
    return diffusion_s * total


@njit(cache=True, error_model="numpy")
def rest_points(
    charge_ah: Any,
    voltage_v: Any,
    current_a: float,
    numbers: Any,
    tables: Any,
    share: Any,
    voltage_min_v: float,
    rates: Any,
    gains: Any,
) -> Any:
    """Capacity, and state of charge of the surface with its OCV, of every row of a slow discharge.

    Parameters
    ----------
    charge_ah, voltage_v : ndarray, shape (n,)
        The curve [Ah], [V].
    current_a : float
        [A]
    numbers, tables : ndarray
        As `steps.pack` gives them; capacity and OCV are not read.
    share : ndarray, shape (m,)
        Part of the OCV's slope that follows the fast surface [-].
    voltage_min_v : float
        Rest voltage at state of charge 0 [V].
    rates, gains : ndarray, shape (k,)
        Of the lag chain.

    Returns
    -------
    tuple
        capacity [Ah], soc and volt of shape (n,), rising.
    """
    n = len(charge_ah)
    soc = np.empty(n)
    volt = np.empty(n)
    capacity = charge_ah[n - 1] * 1.003
    for _ in range(3):
        for i in range(n):
            time_s = charge_ah[i] * 3600.0 / current_a
            mean = 1.0 - charge_ah[i] / capacity
            fast = _at(share, mean)
            rate = current_a / (3600.0 * capacity)
            late = _spread(numbers[2], time_s, rates, gains)
            late = _spread(numbers[2] * grown(late * rate, mean, numbers[18]), time_s, rates, gains)
            soon = _spread(numbers[3], time_s, rates, gains)
            soon = _spread(numbers[3] * grown(soon * rate, mean, numbers[19]), time_s, rates, gains)
            lag = (1.0 - fast) * late + fast * soon
            follow = numbers[9] * rate
            j = n - 1 - i
            soc[j] = mean - lag * current_a / (3600.0 * capacity)
            volt[j] = voltage_v[i] + current_a * (
                numbers[1]
                - _at(tables[3], mean) * numbers[12] * np.expm1(-time_s / numbers[7])
                - _at(tables[4], mean) * numbers[13] * np.expm1(-time_s / numbers[4])
            )
            if numbers[15] < 1.0:
                built = -np.expm1(-time_s / (numbers[4] * numbers[15]))
                volt[j] += CONCENTRATION * numbers[6] * current_a / numbers[5] * built
            volt[j] -= numbers[16] * _at(tables[6], mean)
            volt[j] += numbers[6] * np.arcsinh(current_a * numbers[10] / _at(tables[2], mean - follow * late))
            volt[j] += numbers[6] * np.arcsinh(current_a * numbers[11] / _at(tables[5], mean - follow * soon))
        back = max(1, n // 40)
        slope = max((volt[back] - volt[0]) / max(soc[back] - soc[0], 1e-9), 0.5 * (volt[n - 1] - volt[0]))
        rest = min(max((volt[0] - voltage_min_v) / max(slope, 1e-6), 0.0), 0.2)
        capacity *= 1.0 - (soc[0] - rest)
    return capacity, soc, volt


@njit(cache=True, error_model="numpy")
def _rising(values: Any) -> Any:
    """Nearest never-falling series (pool adjacent violators)."""
    n = len(values)
    level = np.empty(n)
    weight = np.empty(n)
    blocks = 0
    for i in range(n):
        level[blocks] = values[i]
        weight[blocks] = 1.0
        blocks += 1
        while blocks > 1 and level[blocks - 2] > level[blocks - 1]:
            total = weight[blocks - 2] + weight[blocks - 1]
            level[blocks - 2] = (
                level[blocks - 2] * weight[blocks - 2] + level[blocks - 1] * weight[blocks - 1]
            ) / total
            weight[blocks - 2] = total
            blocks -= 1
    out = np.empty(n)
    k = 0
    for b in range(blocks):
        for _ in range(int(weight[b])):
            out[k] = level[b]
            k += 1
    return out


@njit(cache=True, error_model="numpy")
def _slopes(x: Any, y: Any) -> Any:
    """Slopes of a cubic that never overshoots (Fritsch and Butland 1984); one-sided at the ends."""
    n = len(x)
    d = np.zeros(n)
    if n == 2:
        d[:] = (y[1] - y[0]) / (x[1] - x[0])
        return d
    for i in range(1, n - 1):
        h0, h1 = x[i] - x[i - 1], x[i + 1] - x[i]
        s0, s1 = (y[i] - y[i - 1]) / h0, (y[i + 1] - y[i]) / h1
        if s0 * s1 > 0.0:
            w0, w1 = 2.0 * h1 + h0, h1 + 2.0 * h0
            d[i] = (w0 + w1) / (w0 / s0 + w1 / s1)
    for a, b, c in ((0, 1, 2), (n - 1, n - 2, n - 3)):
        h0, h1 = x[b] - x[a], x[c] - x[b]
        s0, s1 = (y[b] - y[a]) / h0, (y[c] - y[b]) / h1
        end = ((2.0 * h0 + h1) * s0 - h0 * s1) / (h0 + h1)
        if end * s0 <= 0.0:
            end = 0.0
        elif s0 * s1 <= 0.0 and abs(end) > 3.0 * abs(s0):
            end = 3.0 * s0
        d[a] = end
    return d


@njit(cache=True, error_model="numpy")
def rest_tables(soc: Any, volt: Any, share: Any) -> Any:
    """OCV on a uniform grid of the length of share, as its slow and its fast part.

    Parameters
    ----------
    soc, volt : ndarray, shape (n,)
        Rising points; voltages that fall are pooled.
    share : ndarray, shape (m,)
        Part of the slope that follows the fast surface [-].

    Returns
    -------
    tuple of ndarray, shape (m,)
        Slow part, which holds the offset, and fast part, which starts at 0 [V].
    """
    x = np.empty(len(soc))
    y = np.empty(len(soc))
    pooled = _rising(volt)
    n = 0
    for i in range(len(soc)):
        if n == 0 or soc[i] > x[n - 1] + 1e-7:
            x[n] = soc[i]
            y[n] = pooled[i]
            n += 1
    x, y = x[:n], y[:n]
    d = _slopes(x, y)
    points = len(share)
    table = np.empty(points)
    k = 0
    for j in range(points):
        s = j / (points - 1)
        if s <= x[0]:
            table[j] = y[0] + (y[1] - y[0]) / (x[1] - x[0]) * (s - x[0])
        elif s >= x[n - 1]:
            table[j] = y[n - 1] + (y[n - 1] - y[n - 2]) / (x[n - 1] - x[n - 2]) * (s - x[n - 1])
        else:
            while x[k + 1] < s:
                k += 1
            h = x[k + 1] - x[k]
            u = (s - x[k]) / h
            table[j] = (
                y[k] * (1 + 2 * u) * (1 - u) ** 2
                + h * d[k] * u * (1 - u) ** 2
                + y[k + 1] * u * u * (3 - 2 * u)
                + h * d[k + 1] * u * u * (u - 1)
            )
    fast = np.zeros(points)
    for j in range(1, points):
        fast[j] = fast[j - 1] + 0.5 * (share[j] + share[j - 1]) * (table[j] - table[j - 1])
    return table - fast, fast
