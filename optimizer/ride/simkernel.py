"""One pack stepped through the repeated ride: the compiled inner part of `simulate`, in one cell's terms."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from optimizer.ride.cellkernel import (
    AIR_K,
    CAPACITY_J_K,
    CHARGE_LIMIT,
    CURRENT,
    CURRENT_LIMIT,
    CUTOFF,
    OUTSIDE,
    RESERVE,
    RESISTANCE_K_W,
    arrhenius,
    deliverable,
    interpolate,
    ocv_at,
    ocv_slope,
    place,
)
from optimizer.ride.cells import ACTIVATION, CAPACITY, LAG, LAG_TAU, REFERENCE_K, TAU1, TAU2, V_MAX, V_MIN

Floats = NDArray[np.float64]

# Columns of the result: sums (up to the end of the last whole lap, or in the first lap up to the stop),
# extremes, the interpolated range and the state at the stop.
(WAY, TIME, ENERGY, SQUARE_S, HEAT_J, I_MAX, V_LOW, RANGE_M, SOC, TEMP_END, STOP, STEPS) = range(12)
RESULT = 12
SUMS = 5

RECORD = 7

# State: mean SoC, filtered currents behind R1, R2 and the lag, temperature.
(Z, I1, I2, IL, TEMP) = range(5)

BISECTIONS = 24


@njit(cache=True, error_model="numpy")
def _solve(
    state: Floats, p: float, duration_s: float, curves: Floats, cell: int, numbers: Floats, candidate: Floats
) -> tuple[float, float, float, float, int]:
    """Current, cell voltage, heat, power margin and what would end it, at the middle of a step."""
    z, lag_z = state[Z], numbers[LAG] / (3600.0 * numbers[CAPACITY])
    factor = arrhenius(state[TEMP], numbers[ACTIVATION], numbers[REFERENCE_K])
    low, part = place(z, curves.shape[1])
    r0 = factor * interpolate(curves, cell, 1, low, part)
    r1 = factor * interpolate(curves, cell, 2, low, part)
    r2 = factor * interpolate(curves, cell, 3, low, part)
    half = 0.5 * duration_s
    keep1, keep2 = math.exp(-half / numbers[TAU1]), math.exp(-half / numbers[TAU2])
    keep_lag = math.exp(-half / numbers[LAG_TAU])
    surface = z - lag_z * keep_lag * state[IL]
    u = ocv_at(curves, cell, surface) - r1 * keep1 * state[I1] - r2 * keep2 * state[I2]
    cell_ohm = r0 + r1 * (1.0 - keep1) + r2 * (1.0 - keep2)
    cell_ohm += lag_z * (1.0 - keep_lag) * ocv_slope(curves, cell, place(surface, curves.shape[1])[0])
    most, why = deliverable(u, cell_ohm, candidate[OUTSIDE], numbers[V_MIN], candidate[CURRENT_LIMIT])
    total = cell_ohm + candidate[OUTSIDE]
    current = 2.0 * p / (u + math.sqrt(max(u * u - 4.0 * total * p, 0.0)))
    current = max(current, -min(candidate[CHARGE_LIMIT], max(numbers[V_MAX] - u, 0.0) / cell_ohm))
    voltage = u - cell_ohm * current
    return current, voltage, (ocv_at(curves, cell, z) - voltage) * current, most - p, why


@njit(cache=True, error_model="numpy")
def _advance(
    state: Floats, current: float, heat: float, duration_s: float, numbers: Floats, candidate: Floats
) -> None:
    """State at the end of a step of constant current and heat."""
    state[Z] -= current * duration_s / (3600.0 * numbers[CAPACITY])
    for at, tau in ((I1, numbers[TAU1]), (I2, numbers[TAU2]), (IL, numbers[LAG_TAU])):
        state[at] += (current - state[at]) * -math.expm1(-duration_s / tau)
    if candidate[RESISTANCE_K_W] > 0.0:
        tau = candidate[RESISTANCE_K_W] * candidate[CAPACITY_J_K]
        end = candidate[AIR_K] + candidate[RESISTANCE_K_W] * heat
        state[TEMP] = end + (state[TEMP] - end) * math.exp(-duration_s / tau)


@njit(cache=True, error_model="numpy")
def _fail(
    state: Floats, before: Floats, p: float, duration_s: float, curves: Floats, cell: int, numbers: Floats,
    candidate: Floats,
) -> float:  # fmt: skip
    """SoC at which a step could just be driven, between its state one lap ago and now."""
    low, high, between = 0.0, 1.0, np.empty(5)
    for _ in range(BISECTIONS):
        part = 0.5 * (low + high)
        for i in range(5):
            between[i] = before[i] + part * (state[i] - before[i])
        if _solve(between, p, duration_s, curves, cell, numbers, candidate)[3] < 0.0:
            high = part
        else:
            low = part
    return float(between[Z])


@njit(cache=True, error_model="numpy")
def _laps(z: float, lap: int, lap_z: float, drop: float, drop_before: float) -> float:
    """Laps driven at a SoC within lap number `lap` or the one before, by their share of the lap's charge.

    The charge of the lap that is not finished is told from the two before it: below the reserve the voltage
    may collapse, and the end of that lap would say nothing about the part above.
    """
    if z > lap_z:
        return lap - (z - lap_z) / drop
    return lap + (lap_z - z) / (drop + (drop - drop_before if lap > 1 else 0.0))


@njit(cache=True, error_model="numpy")
def _first_failing(
    begun: Floats, before: Floats, count: int, power: Floats, duration_s: Floats, curves: Floats, cell: int,
    numbers: Floats, candidate: Floats,
) -> tuple[float, int]:  # fmt: skip
    """Highest SoC at which one of the first `count` steps could just be driven, told from its last two laps.

    A step that is harder than the one that ended the run, but was not due yet, may fail at a higher SoC.
    SoC −1 when all could still be driven one lap later.
    """
    found, stop, ahead = -1.0, RESERVE, np.empty(5)
    for s in range(count):
        for i in range(5):
            ahead[i] = 2.0 * begun[s, i] - before[s, i]
        solved = _solve(ahead, power[s], duration_s[s], curves, cell, numbers, candidate)
        if solved[3] < 0.0:
            z = _fail(ahead, begun[s], power[s], duration_s[s], curves, cell, numbers, candidate)
            if z > found:
                found, stop = z, solved[4]
    return found, stop


@njit(cache=True, error_model="numpy")
def _end(
    state: Floats, begun: Floats, before: Floats, s: int, lap: int, margin: float, why: int, power: Floats,
    duration_s: Floats, curves: Floats, cell: int, numbers: Floats, candidate: Floats,
) -> tuple[float, int]:  # fmt: skip
    """Highest SoC at which step s, if it fails, or any other could just be driven, and what ends it there."""
    z = -1.0
    if margin < 0.0:
        z = _fail(state, begun[s], power[s], duration_s[s], curves, cell, numbers, candidate)
    if lap > 0:
        # In the second lap, only the steps before s have been driven twice.
        tried = len(power) if lap > 1 else s
        other, other_why = _first_failing(
            begun, before, tried, power, duration_s, curves, cell, numbers, candidate
        )
        if other > z:
            return other, other_why
    return z, why


@njit(cache=True, error_model="numpy")
def _finish_lap(
    state: Floats, first: int, power: Floats, duration_s: Floats, curves: Floats, cell: int,
    numbers: Floats, candidate: Floats,
) -> float:  # fmt: skip
    """SoC at the end of a first lap in which the reserve was reached, limits of discharge aside."""
    after = state.copy()
    for s in range(first, len(power)):
        solved = _solve(after, power[s], duration_s[s], curves, cell, numbers, candidate)
        _advance(after, solved[0], solved[2], duration_s[s], numbers, candidate)
    return float(after[Z])


@njit(cache=True, error_model="numpy")
def _record(record: Floats, every: int, step: int, row: tuple[float, ...]) -> None:
    """Keep every `every`-th step while there is room."""
    at = step // every
    if at < len(record) and step % every == 0:
        for i in range(RECORD):
            record[at, i] = row[i]


@njit(cache=True, error_model="numpy")
def run(
    power: Floats, duration_s: Floats, way_m: Floats, curves: Floats, cell: int, numbers: Floats,
    candidate: Floats, soc: tuple[float, float], max_steps: int, record: Floats, every: int,
) -> Floats:  # fmt: skip
    """Repeat the lap to the stop; rows of `record` are filled with every `every`-th step."""
    out, sums, state = np.zeros(RESULT), np.zeros(SUMS), np.zeros(5)
    begun, before = np.zeros((len(power), 5)), np.zeros((len(power), 5))
    state[Z], state[TEMP] = soc[0], candidate[AIR_K]
    out[V_LOW], out[STOP], lap_m = numbers[V_MAX], -1.0, way_m.sum()
    lap, lap_z, s, drop, drop_before = 0, soc[0], 0, 0.0, 0.0
    while out[STEPS] < max_steps:
        p, dt = power[s], duration_s[s]
        current, voltage, heat, margin, why = _solve(state, p, dt, curves, cell, numbers, candidate)
        if margin < 0.0 and lap == 0:
            out[STOP], out[RANGE_M] = why, sums[WAY]
            break
        if margin < 0.0 or state[Z] <= soc[1]:
            z, why = _end(state, begun, before, s, lap, margin, why, power, duration_s, curves, cell, numbers,
                          candidate)  # fmt: skip
            if lap == 0:
                drop = lap_z - _finish_lap(state, s, power, duration_s, curves, cell, numbers, candidate)
            out[STOP] = why if z > soc[1] else RESERVE
            out[RANGE_M] = lap_m * _laps(max(z, soc[1]), lap, lap_z, drop, drop_before)
            break
        before[s], begun[s] = begun[s], state
        terminal = voltage - candidate[OUTSIDE] * current
        sums += np.array([way_m[s], dt, terminal * current * dt, current * current * dt, heat * dt])
        out[I_MAX], out[V_LOW] = max(out[I_MAX], current), min(out[V_LOW], voltage)
        _advance(state, current, heat, dt, numbers, candidate)
        _record(record, every, int(out[STEPS]),
                (sums[TIME], sums[WAY], state[Z], voltage, terminal, current, state[TEMP]))  # fmt: skip
        out[STEPS], s = out[STEPS] + 1, s + 1
        if s == len(power):
            drop_before, drop = drop, lap_z - state[Z]
            s, lap, lap_z = 0, lap + 1, state[Z]
            out[:SUMS] = sums
    if lap == 0:
        out[:SUMS] = sums
    if out[STOP] == CUTOFF:
        out[V_LOW] = min(out[V_LOW], numbers[V_MIN])
    if out[STOP] == CURRENT:
        out[I_MAX] = candidate[CURRENT_LIMIT]
    out[SOC], out[TEMP_END] = state[Z], state[TEMP]
    return out
