"""A cell stepped through a load: constant current, constant power, or a profile repeated, down to a voltage."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numba import njit

from optimizer.cell import (LAG_GAINS, LAG_RATES, REFERENCE_TEMP_C, CellModel, Floats, temperature_factor,
                            thermal_voltage_v)

CONSTANT_STEPS = 1200
LEAST_VOLT = 0.05


@dataclass(frozen=True, eq=False)
class Run:
    """A load carried from its start to the cut-off.

    Parameters
    ----------
    time_s, voltage_v, current_a, soc, sustained_a : ndarray, shape (n,)
        The trace, its start included; sustained_a is the current seen through the slow delay [A].
    energy_wh, capacity_ah, duration_s : float
        Given off until the cut-off, what was taken back subtracted.
    lap_min_voltage_v : tuple of float
        Lowest voltage of each lap, the last one as far as it went.
    reached_cutoff : bool
        False if the load ended first.
    """

    time_s: Floats
    voltage_v: Floats
    current_a: Floats
    soc: Floats
    sustained_a: Floats
    energy_wh: float
    capacity_ah: float
    duration_s: float
    lap_min_voltage_v: tuple[float, ...]
    reached_cutoff: bool


@njit(cache=True)  # type: ignore[untyped-decorator]
def _table(values: Any, at: float, straight: bool) -> float:
    """Linear look-up on a uniform 0..1 grid; outside it the ends go on straight, or hold."""
    last = len(values) - 1
    x = at * last
    if x <= 0.0:
        return values[0] + (x * (values[1] - values[0]) if straight else 0.0)
    if x >= last:
        return values[last] + ((x - last) * (values[last] - values[last - 1]) if straight else 0.0)
    i = int(x)
    return values[i] + (values[i + 1] - values[i]) * (x - i)


@njit(cache=True)  # type: ignore[untyped-decorator]
def _terminal(amp: float, soc: float, slow: float, fast: float, i1: float, i2: float, p: Any, tables: Any) -> float:
    """Terminal voltage of a state; p and tables as packed by `pack`."""
    share = i2 / p[5]
    if share > 0.99:
        h = np.arctanh(0.99) + (share - 0.99) / (1.0 - 0.99**2)
    elif share < -0.99:
        h = -np.arctanh(0.99) + (share + 0.99) / (1.0 - 0.99**2)
    else:
        h = np.arctanh(share)
    kinetic = p[6] * np.arcsinh(amp / _table(tables[2], soc, False))
    return (_table(tables[0], soc - slow, True) + _table(tables[1], soc - fast, True) - amp * p[1] - kinetic
            - _table(tables[3], soc, False) * i1 - _table(tables[4], soc, False) * p[5] * h)


@njit(cache=True)  # type: ignore[untyped-decorator]
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


@njit(cache=True)  # type: ignore[untyped-decorator]
def _decays(dt: float, p: Any, rates: Any, out: Any) -> None:
    """exp(-dt / time constant) of every first-order state."""
    modes = len(rates)
    out[0] = np.exp(-dt / p[7])
    out[1] = np.exp(-dt / p[4])
    for k in range(modes):
        out[2 + k] = np.exp(-dt * rates[k] / p[2])
        out[2 + modes + k] = np.exp(-dt * rates[k] / p[3])


@njit(cache=True)  # type: ignore[untyped-decorator]
def _solve_step(state: Any, new: Any, amp_before: float, volt_before: float, load: float, power: bool, dt: float,
                p: Any, tables: Any, decay: Any, gains: Any) -> tuple[float, float]:
    """Current and voltage at the end of a step; a power is solved for its current by Newton's method."""
    amp = load / max(volt_before, LEAST_VOLT) if power else load
    for turn in range(40):
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


@njit(cache=True)  # type: ignore[untyped-decorator]
def _run(time_s: Any, load: Any, power: bool, laps: int, p: Any, tables: Any, rates: Any, gains: Any, soc: float,
         cutoff: float, out: Any) -> tuple[int, bool]:
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
            amp, volt_new = _solve_step(state, new, amp_before, volt, load[i], power, dt, p, tables,
                                        decay if i else still, gains)
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


def pack(model: CellModel, *, temp_c: float = REFERENCE_TEMP_C) -> tuple[Floats, Floats]:
    """The model as the two arrays that the stepping kernel reads.

    Parameters
    ----------
    model : CellModel
    temp_c : float
        Cell temperature [degC].

    Returns
    -------
    tuple of ndarray
        Numbers of shape (8,) and tables of shape (5, n).
    """
    factor = float(temperature_factor(temp_c, activation_energy_j_mol=model.activation_energy_j_mol))
    numbers = np.array([model.capacity_ah, model.r_ohmic_ohm * factor, model.diffusion_slow_s * factor,
                        model.diffusion_fast_s * factor, model.tau2_s, min(model.current_limit_a, 1e12),
                        float(thermal_voltage_v(temp_c)), model.tau1_s])
    tables = np.array([model.ocv_v - model.ocv_fast_v, model.ocv_fast_v, np.minimum(model.exchange_a, 1e12) / factor,
                       model.r1_ohm * factor, model.r2_ohm * factor])
    return numbers, np.ascontiguousarray(tables)


def step_packed(packed: tuple[Floats, Floats], *, time_s: Floats, load: Floats, power: bool, soc: float,
                cutoff_v: float, laps: int = 1, rows: int | None = None) -> tuple[Floats, bool]:
    """Raw trace of a packed model: rows of time, voltage, current, soc, slow current, lap; and cut-off reached.

    Parameters
    ----------
    packed : tuple of ndarray
        From `pack`.
    time_s, load : ndarray, shape (m,)
        One lap: times from 0 [s] and load [A or W], linear in between, discharge positive.
    power : bool
        The load is a power [W], not a current [A].
    soc : float
        At the start, at rest [-].
    cutoff_v : float
        Where to stop [V].
    laps : int
        Most repetitions [-].
    rows : int, optional
        Most rows of the trace.

    Returns
    -------
    tuple
        ndarray of shape (n, 6), and bool.
    """
    out = np.empty((len(time_s) * laps + 1 if rows is None else rows, 6))
    count, reached = _run(time_s, load, power, laps, packed[0], packed[1], LAG_RATES, LAG_GAINS, soc, cutoff_v, out)
    return out[:count], bool(reached)


def _as_run(trace: Floats, reached: bool) -> Run:
    """Totals of a raw trace; steps between laps take no time and add nothing."""
    time_s, volt, amp, soc, slow, lap = trace.T.copy()
    watt = volt * amp
    dt = np.diff(time_s)
    number = lap.astype(int)
    lowest = tuple(float(volt[number == k].min()) for k in range(number[-1] + 1))
    return Run(time_s, volt, amp, soc, slow, float(np.sum(dt * (watt[1:] + watt[:-1])) / 7200.0),
               float(np.sum(dt * (amp[1:] + amp[:-1])) / 7200.0), float(time_s[-1]), lowest, reached)


def run_constant(model: CellModel, *, current_a: float | None = None, power_w: float | None = None,
                 start_soc: float = 1.0, cutoff_v: float | None = None, temp_c: float = REFERENCE_TEMP_C) -> Run:
    """A constant current or power from rest down to the cut-off.

    Parameters
    ----------
    model : CellModel
    current_a, power_w : float, optional
        Exactly one of them, above 0 [A], [W].
    start_soc : float
        [-]
    cutoff_v : float, optional
        The model's least voltage if left out [V].
    temp_c : float
        Cell temperature, held [degC].

    Returns
    -------
    Run

    Raises
    ------
    ValueError
        If not exactly one load is given or it is not above 0.
    """
    if (current_a is None) == (power_w is None):
        raise ValueError("give current_a or power_w")
    power = power_w is not None
    load = float(power_w if power_w is not None else current_a or 0.0)
    if not load > 0:
        raise ValueError("the load must be above 0")
    hours = 1.3 * model.capacity_ah * (model.voltage_max_v if power else 1.0) / load
    fine = np.geomspace(1e-6, 0.01, 60)
    grid = np.concatenate([[0.0], fine, np.linspace(0.01, 1.0, CONSTANT_STEPS)[1:]]) * hours * 3600.0
    trace, reached = step_packed(pack(model, temp_c=temp_c), time_s=grid, load=np.full(len(grid), load), power=power,
                                 soc=start_soc, cutoff_v=model.voltage_min_v if cutoff_v is None else cutoff_v)
    return _as_run(trace, reached)


def fine_profile(time_s: Floats, load: Floats, *, step_s: float = 1.0) -> tuple[Floats, Floats]:
    """A profile with steps of at most step_s, linear between its rows, from time 0.

    Parameters
    ----------
    time_s, load : ndarray, shape (m,)
        Increasing times [s] and load [W or A].
    step_s : float
        Longest step [s].

    Returns
    -------
    tuple of ndarray
        Times and loads; every row of the profile is one of them.

    Raises
    ------
    ValueError
        If there are fewer than two rows or times do not increase.
    """
    if len(time_s) < 2 or np.any(np.diff(time_s) <= 0):
        raise ValueError("a profile needs two rows or more with increasing times")
    start = time_s - time_s[0]
    parts = np.maximum(1, np.ceil(np.diff(start) / step_s - 1e-9).astype(int))
    pieces = [np.linspace(a, b, n, endpoint=False) for a, b, n in zip(start[:-1], start[1:], parts, strict=True)]
    grid = np.concatenate([*pieces, start[-1:]])
    return grid, np.interp(grid, start, load)


def run_profile(model: CellModel, *, time_s: Floats, power_w: Floats, start_soc: float = 1.0,
                cutoff_v: float | None = None, temp_c: float = REFERENCE_TEMP_C) -> Run:
    """A power profile, repeated from rest down to the cut-off.

    Parameters
    ----------
    model : CellModel
    time_s, power_w : ndarray, shape (m,)
        Discharge positive, linear between rows; the last row is the end of a lap.
    start_soc : float
        [-]
    cutoff_v : float, optional
        The model's least voltage if left out [V].
    temp_c : float
        Cell temperature, held [degC].

    Returns
    -------
    Run

    Raises
    ------
    ValueError
        If a lap takes no energy from the cell, so that it would never end, or the profile is faulty.
    """
    grid, load = fine_profile(np.asarray(time_s, dtype=float), np.asarray(power_w, dtype=float))
    lap_wh = float(np.trapezoid(load, grid)) / 3600.0
    full_wh = model.capacity_ah * model.voltage_max_v
    if lap_wh <= full_wh * 1e-5:
        raise ValueError("a lap must take energy from the cell")
    laps = int(np.ceil(1.3 * full_wh / lap_wh)) + 1
    trace, reached = step_packed(pack(model, temp_c=temp_c), time_s=grid, load=load, power=True, soc=start_soc,
                                 cutoff_v=model.voltage_min_v if cutoff_v is None else cutoff_v, laps=laps)
    return _as_run(trace, reached)
