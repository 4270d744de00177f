"""Compiled stepping of one cell through a load: states, terminal voltage, current of a power, laps, its own heat."""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

from optimizer.cell.model import CONCENTRATION, LEAST_LIMIT_PART, MOST_STEEP, NEAR_PART, NEAR_RATE, PORES_V, THINNING

LEAST_VOLT = 0.05
# Numbers of a model at one temperature; tables stay at 25 degC and are scaled by the last four.
CAPACITY, OHMIC, SLOW_S, FAST_S, TAU2, LIMIT, THERMAL_V, TAU1, DEPLETION, FOLLOW = range(10)
KINETIC, KINETIC_FAST, SECONDS, MINUTES = range(10, 14)
LIMIT_SLOPE, DRYING, BEYOND_K, PORES, SLOW_STEEP, FAST_STEEP = range(14, 20)
NUMBERS = 20
# Tables over state of charge.
U_SLOW, U_FAST, EXCHANGE, R1, R2, EXCHANGE_FAST, ENTROPIC = range(7)
# States in front of the lags' chains.
STATES = 5
# A step's temperature change from which the numbers are made anew [K].
STALE_K = 0.02


@njit(cache=True, error_model="numpy")
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


@njit(cache=True, error_model="numpy")
def rest_v(soc: float, p: Any, tables: Any) -> float:
    """Voltage at rest [V]."""
    return float(
        _table(tables[0], soc, True) + _table(tables[1], soc, True) + p[16] * _table(tables[6], soc, False)
    )


@njit(cache=True, error_model="numpy")
def _dry(share: float, depletion: float) -> float:
    """atanh(x) - x, continued straight beyond a depletion."""
    bounded = min(max(share, -depletion), depletion)
    return float(np.arctanh(bounded) + (share - bounded) / (1.0 - depletion**2) - share)


@njit(cache=True, error_model="numpy")
def _terminal(
    amp: float, soc: float, slow: float, fast: float, i1: float, i2: float, i3: float, p: Any, tables: Any
) -> float:
    """Terminal voltage of a state; p and tables as packed by `pack`."""
    # Salt runs dry in the electrode that takes lithium up: the negative one in a charge. By the sign of i2, without
    # which the slope has no part, so nothing jumps where a ride turns to braking.
    left = max(1.0 + p[14] * (soc - 0.5 if i2 >= 0.0 else 0.5 - soc), LEAST_LIMIT_PART)
    limit, part, salt_v = p[5] * left, (i3 + (1.0 / left - 1.0) * i2) / p[5], 0.0
    h = i2
    pores_v = PORES_V * p[6]
    ohmic = amp * p[1] * (1.0 - p[17]) + pores_v * np.arcsinh(amp * p[1] * p[17] / pores_v)
    if p[15] < 1.0:
        salt_v = CONCENTRATION * p[6] * (_dry(part, p[8]) + part) + THINNING * abs(part) * ohmic
    else:
        h += limit * _dry(i2 / limit, p[8])
    kinetic = np.arcsinh(amp * p[10] / _table(tables[2], soc - p[9] * slow, False))
    kinetic += np.arcsinh(amp * p[11] / _table(tables[5], soc - p[9] * fast, False))
    surface = _table(tables[0], soc - slow, True) + _table(tables[1], soc - fast, True)
    surface += p[16] * _table(tables[6], soc, False)
    delayed = _table(tables[3], soc, False) * p[12] * i1 + _table(tables[4], soc, False) * p[13] * h
    return float(surface - ohmic - p[6] * kinetic - delayed - salt_v)


@njit(cache=True, error_model="numpy")
def grown(lag: float, soc: float, steep: float) -> float:
    """Factor on a diffusion time by the state of charge half way between the mean and the surface [-]."""
    return float(np.exp(min(max(steep * (0.5 - soc + 0.5 * lag), -MOST_STEEP), MOST_STEEP)))


@njit(cache=True, error_model="numpy")
def _lag(
    old: Any, new: Any, diffusion_s: float, rate: float, soc: float, steep: float, decay: Any, gains: Any
) -> float:
    """Lag of a surface after a step of its chain, by the diffusion time of the step's start [-]."""
    time_s, slower = diffusion_s, 1.0
    if steep != 0.0:
        slower = grown(old.sum(), soc, steep)
        time_s *= slower
    lag = 0.0
    for k in range(len(gains)):
        left = decay[k] if steep == 0.0 else decay[k] ** (1.0 / slower)
        new[k] = old[k] * left + gains[k] * time_s * rate * (1.0 - left)
        lag += new[k]
    return lag


@njit(cache=True, error_model="numpy")
def _advance(
    state: Any, new: Any, amp: float, mean: float, dt: float, p: Any, tables: Any, decay: Any, gains: Any
) -> float:
    """State after dt at a mean current, and the voltage then at a current.

    State: soc, i1, i2, two for the salt, the lags' chains.
    """
    modes = len(gains)
    rate = mean / (3600.0 * p[0])
    new[0] = state[0] - rate * dt
    new[1] = state[1] * decay[0] + mean * (1.0 - decay[0])
    new[2] = state[2] * decay[1] + mean * (1.0 - decay[1])
    new[3] = state[3] * decay[2] + mean * (1.0 - decay[2])
    new[4] = state[4] * decay[3] + mean * (1.0 - decay[3])
    salt = (1.0 - NEAR_PART) * new[3] + NEAR_PART * new[4]
    chain, last = STATES + modes, STATES + 2 * modes
    slow = _lag(state[STATES:chain], new[STATES:chain], p[2], rate, state[0], p[18], decay[4 : 4 + modes], gains)
    fast = _lag(state[chain:last], new[chain:last], p[3], rate, state[0], p[19], decay[4 + modes :], gains)
    return _terminal(amp, new[0], slow, fast, new[1], new[2], salt, p, tables)


@njit(cache=True, error_model="numpy")
def _decays(dt: float, p: Any, rates: Any, out: Any) -> None:
    """exp(-dt / time constant) of every first-order state."""
    modes = len(rates)
    out[0] = np.exp(-dt / p[7])
    out[1] = np.exp(-dt / p[4])
    out[2] = np.exp(-dt / (p[4] * p[15]))
    out[3] = np.exp(-dt * NEAR_RATE / (p[4] * p[15]))
    for k in range(modes):
        out[4 + k] = np.exp(-dt * rates[k] / p[2])
        out[4 + modes + k] = np.exp(-dt * rates[k] / p[3])


@njit(cache=True, error_model="numpy")
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
        volt = _advance(state, new, amp, 0.5 * (amp + amp_before), dt, p, tables, decay, gains)
        if not power:
            return amp, volt
        miss = amp * volt - load
        if abs(miss) <= 1e-9 * (abs(load) + 1e-9):
            return amp, volt
        step = 1e-5 * (abs(amp) + 1e-9)
        beside = _advance(state, new, amp + step, 0.5 * (amp + step + amp_before), dt, p, tables, decay, gains)
        slope = ((amp + step) * beside - amp * volt) / step
        if slope <= 0.0 or not np.isfinite(slope):
            return amp, 0.0  # beyond the most power that the cell can give
        amp -= miss / slope
    return amp, 0.0


@njit(cache=True, error_model="numpy")
def scaled(base: Any, laws: Any, kelvin: float, p: Any) -> None:
    """Numbers at a temperature from those at 25 degC; laws: rows E / R, bend, and (25 degC [K], v_k, 2 R / F)."""
    v = 1.0 / kelvin - 1.0 / laws[2, 0]
    x = v / laws[2, 1]
    bent = min(max(x, 0.0), 1.0) ** 2 + 2.0 * max(x - 1.0, 0.0)
    f = np.exp(laws[0] * v + laws[1] * bent)
    for k in range(len(base)):
        p[k] = base[k]
    p[1] = base[1] * f[0]
    p[2] = base[2] * f[5]
    p[3] = base[3] * f[6]
    p[4] = base[4] * f[4]
    p[5] = base[5] / f[4]
    p[6] = laws[2, 2] * kelvin
    p[16] = kelvin - laws[2, 0]
    p[10], p[11], p[12], p[13] = f[1], f[2], f[3], f[4]


@njit(cache=True, error_model="numpy")
def _end_row(
    out: Any, n: int, load: Any, time_s: Any, i: int, begin: float, amp: float, volt: float, cutoff: float,
    power: bool, soc: float, i2: float, capacity: float, lap: int, kelvin: float,
) -> None:  # fmt: skip
    """The row at which the cut-off is crossed within step i, or at once."""
    amp_before = out[n - 1, 2] if i else 0.0
    dt = time_s[i] - time_s[i - 1] if i else 0.0
    part = 0.0
    if i and n and volt < out[n - 1, 1]:
        part = max(0.0, (out[n - 1, 1] - cutoff) / (out[n - 1, 1] - volt))
    out[n, 0] = begin + (time_s[i - 1] + part * dt if i else 0.0)
    out[n, 1] = cutoff
    out[n, 2] = amp_before + part * (amp - amp_before) if i else 0.0
    if power and i:
        out[n, 2] = (load[i - 1] + part * (load[i] - load[i - 1])) / cutoff
    out[n, 3] = soc - part * dt * 0.5 * (amp_before + out[n, 2]) / (3600.0 * capacity)
    out[n, 4] = i2
    out[n, 5] = lap
    out[n, 6] = kelvin


@njit(cache=True, error_model="numpy")
def _warmed(kelvin: float, heat: Any, watt: float, dt: float) -> float:
    """Temperature after dt of a lumped cell; heat: capacity [J/K], cooling [W/K], air [K]."""
    if heat[1] * dt < 1e-9 * heat[0]:
        return float(kelvin + watt * dt / heat[0])
    end = heat[2] + watt / heat[1]
    return float(end + (kelvin - end) * np.exp(-heat[1] * dt / heat[0]))


@njit(cache=True, error_model="numpy")
def run_laps(
    time_s: Any,
    load: Any,
    power: bool,
    laps: int,
    base: Any,
    tables: Any,
    rates: Any,
    gains: Any,
    soc: float,
    cutoff: float,
    laws: Any,
    heat: Any,
    out: Any,
) -> tuple[int, bool]:
    """Step through laps of a load given at times; fills out (time, voltage, current, soc, i2, lap, kelvin) by row.

    base are numbers at the cell's temperature if heat[0], its heat capacity, is infinite, else at 25 degC.
    """
    size = STATES + 2 * len(rates)
    state = np.zeros(size)
    new = np.zeros(size)
    still = np.ones(size)
    decay = np.zeros(size)
    p = base.copy()
    state[0] = soc
    last_dt = -1.0
    kelvin = made = heat[2]
    warms = np.isfinite(heat[0])
    if warms:
        scaled(base, laws, kelvin, p)
    volt = rest_v(soc, p, tables)
    n = 0
    begin = 0.0
    for lap in range(laps):
        for i in range(len(time_s)):
            dt = time_s[i] - time_s[i - 1] if i else 0.0
            if warms and abs(kelvin - made) > STALE_K:
                scaled(base, laws, kelvin, p)
                made, last_dt = kelvin, -1.0
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
                _end_row(out, n, load, time_s, i, begin, amp, volt_new, cutoff, power, state[0], state[2], p[0], lap,
                         kelvin)  # fmt: skip
                return n + 1, True
            if warms and i:
                mean = 0.5 * (amp + amp_before)
                watt = mean * (rest_v(new[0], p, tables) - 0.5 * (volt + volt_new))
                kelvin = _warmed(kelvin, heat, watt - mean * kelvin * _table(tables[6], new[0], False), dt)
            for k in range(size):
                state[k] = new[k]
            volt = volt_new
            out[n, 0] = begin + time_s[i]
            out[n, 1] = volt
            out[n, 2] = amp
            out[n, 3] = state[0]
            out[n, 4] = state[2]
            out[n, 5] = lap
            out[n, 6] = kelvin
            n += 1
        begin += time_s[-1]
    return n, False


@njit(cache=True, error_model="numpy")
def run_charge(
    current_a: float, top_v: float, end_a: float, step_s: float, base: Any, tables: Any, rates: Any, gains: Any,
    soc: float, laws: Any, heat: Any, out: Any,
) -> int:  # fmt: skip
    """Charge from rest at a current, then at the voltage; fills out (time, voltage, current > 0, soc, kelvin)."""
    size = STATES + 2 * len(rates)
    state, new, decay = np.zeros(size), np.zeros(size), np.zeros(size)
    p = base.copy()
    state[0] = soc
    kelvin = made = heat[2]
    warms = np.isfinite(heat[0])
    if warms:
        scaled(base, laws, kelvin, p)
    _decays(step_s, p, rates, decay)
    before = 0.0
    n = 0
    while n < len(out):
        if warms and abs(kelvin - made) > STALE_K:
            scaled(base, laws, kelvin, p)
            made = kelvin
            _decays(step_s, p, rates, decay)
        low, high = 0.0, current_a
        amp = current_a
        for _ in range(60):
            mean = -0.5 * (amp + before if n else 2.0 * amp)
            volt = _advance(state, new, -amp, mean, step_s, p, tables, decay, gains)
            if volt > top_v:
                high = amp
            else:
                low = amp
            if (amp == current_a and volt <= top_v) or high - low < 1e-7 * current_a:
                break
            amp = 0.5 * (low + high)
        if warms:
            watt = amp * (volt - rest_v(new[0], p, tables) + kelvin * _table(tables[6], new[0], False))
            kelvin = _warmed(kelvin, heat, watt, step_s)
        for k in range(size):
            state[k] = new[k]
        before = amp
        out[n, 0], out[n, 1], out[n, 2], out[n, 3], out[n, 4] = (n + 1) * step_s, volt, amp, state[0], kelvin
        n += 1
        if amp < current_a and amp <= end_a:  # a current below end_a ends where the voltage is full
            break
    return n
