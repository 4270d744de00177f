"""Compiled stepping of one cell through a load: states, terminal voltage, current of a power, laps."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

LEAST_VOLT = 0.05


@njit(cache=True)
def _table(values: Any, at: float, straight: bool) -> float:
    """Linear look-up on a uniform 0..1 grid; outside it the ends go on straight, or hold."""
    last = len(values) - 1
    x = at * last
    if x <= 0.0:
        return float(values[0] + (x * (values[1] - values[0]) if straight else 0.0))
    if x >= last:
        return float(values[last] + ((x - last) * (values[last] - values[last - 1]) if straight else 0.0))
    i = int(x)
    return float(values[i] + (values[i + 1] - values[i]) * (x - i))


@njit(cache=True)
def _terminal(amp: float, soc: float, slow: float, fast: float, i1: float, i2: float, p: Any, tables: Any) -> float:
    """Terminal voltage of a state; p and tables as packed by `pack`."""
    share = i2 / p[5]
    bounded = min(max(share, -p[8]), p[8])
    h = np.arctanh(bounded) + (share - bounded) / (1.0 - p[8] ** 2)
    kinetic = p[6] * np.arcsinh(amp / _table(tables[2], soc, False))
    surface = _table(tables[0], soc - slow, True) + _table(tables[1], soc - fast, True)
    delayed = _table(tables[3], soc, False) * i1 + _table(tables[4], soc, False) * p[5] * h
    return float(surface - amp * p[1] - kinetic - delayed)


@njit(cache=True)
def _advance(state: Any, new: Any, amp: float, dt: float, p: Any, decay: Any, gains: Any) -> tuple[float, float]:
    """State after dt at a mean current; returns the two lags. state: soc, i1, i2, slow chain, fast chain."""
    modes = len(gains)
    rate = amp / (3600.0 * p[0])
    new[0] = state[0] - rate * dt
    new[1] = state[1] * decay[0] + amp * (1.0 - decay[0])
    new[2] = state[2] * decay[1] + amp * (1.0 - decay[1])
    slow = 0.0
    fast = 0.0
    for k in range(modes):
        a = decay[2 + k]
        b = decay[2 + modes + k]
        new[3 + k] = state[3 + k] * a + gains[k] * p[2] * rate * (1.0 - a)
        new[3 + modes + k] = state[3 + modes + k] * b + gains[k] * p[3] * rate * (1.0 - b)
        slow += new[3 + k]
        fast += new[3 + modes + k]
    return slow, fast


@njit(cache=True)
def _decays(dt: float, p: Any, rates: Any, out: Any) -> None:
    """exp(-dt / time constant) of every first-order state."""
    modes = len(rates)
    out[0] = np.exp(-dt / p[7])
    out[1] = np.exp(-dt / p[4])
    for k in range(modes):
        out[2 + k] = np.exp(-dt * rates[k] / p[2])
        out[2 + modes + k] = np.exp(-dt * rates[k] / p[3])


@njit(cache=True)
def _solve_step(
    state: Any,
    new: Any,
    amp_before: float,
    volt_before: float,
    load: float,
    power: bool,
    dt: float,
    p: Any,
    tables: Any,
    decay: Any,
    gains: Any,
) -> tuple[float, float]:
    """Current and voltage at the end of a step; a power is solved for its current by Newton's method."""
    amp = load / max(volt_before, LEAST_VOLT) if power else load
    for _ in range(40):
        slow, fast = _advance(state, new, 0.5 * (amp + amp_before), dt, p, decay, gains)
        volt = _terminal(amp, new[0], slow, fast, new[1], new[2], p, tables)
        if not power:
            return amp, volt
        miss = amp * volt - load
        if abs(miss) <= 1e-10 * (abs(load) + 1e-9):
            return amp, volt
        step = 1e-6 * (abs(amp) + 1e-9)
        slow, fast = _advance(state, new, 0.5 * (amp + step + amp_before), dt, p, decay, gains)
        beside = _terminal(amp + step, new[0], slow, fast, new[1], new[2], p, tables)
        slope = ((amp + step) * beside - amp * volt) / step
        if slope <= 0.0 or not np.isfinite(slope):
            return amp, 0.0  # beyond the most power that the cell can give
        amp -= miss / slope
    return amp, 0.0


@njit(cache=True)
def run_laps(
    time_s: Any,
    load: Any,
    power: bool,
    laps: int,
    p: Any,
    tables: Any,
    rates: Any,
    gains: Any,
    soc: float,
    cutoff: float,
    out: Any,
) -> tuple[int, bool]:
    """Step through laps of a load given at times; fills out (time, voltage, current, soc, i2, lap) by row."""
    size = 3 + 2 * len(rates)
    state = np.zeros(size)
    new = np.zeros(size)
    still = np.ones(size)
    decay = np.zeros(size)
    state[0] = soc
    last_dt = -1.0
    volt = _terminal(0.0, soc, 0.0, 0.0, 0.0, 0.0, p, tables)
    n = 0
    begin = 0.0
    for lap in range(laps):
        for i in range(len(time_s)):
            dt = time_s[i] - time_s[i - 1] if i else 0.0
            if i and dt != last_dt:
                _decays(dt, p, rates, decay)
                last_dt = dt
            amp_before = out[n - 1, 2] if i else 0.0
            amp, volt_new = _solve_step(
                state, new, amp_before, volt, load[i], power, dt, p, tables, decay if i else still, gains
            )
            if n >= len(out):
                return n, False
            if volt_new < cutoff and (amp > 0.0 or load[i] > 0.0):
                part = 0.0
                if i and n and volt_new < out[n - 1, 1]:
                    part = max(0.0, (out[n - 1, 1] - cutoff) / (out[n - 1, 1] - volt_new))
                out[n, 0] = begin + (time_s[i - 1] + part * dt if i else 0.0)
                out[n, 1] = cutoff
                out[n, 2] = amp_before + part * (amp - amp_before) if i else 0.0
                if power and i:
                    out[n, 2] = (load[i - 1] + part * (load[i] - load[i - 1])) / cutoff
                out[n, 3] = state[0] - part * dt * 0.5 * (amp_before + out[n, 2]) / (3600.0 * p[0])
                out[n, 4] = state[2]
                out[n, 5] = lap
                return n + 1, True
            for k in range(size):
                state[k] = new[k]
            volt = volt_new
            out[n, 0] = begin + time_s[i]
            out[n, 1] = volt
            out[n, 2] = amp
            out[n, 3] = state[0]
            out[n, 4] = state[2]
            out[n, 5] = lap
            n += 1
        begin += time_s[-1]
    return n, False
