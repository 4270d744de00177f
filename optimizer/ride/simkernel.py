"""One pack stepped through the repeated ride: the compiled inner part of `simulate`, in one cell's terms."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from optimizer.ride.cells import ACTIVATION, CAPACITY, LAG, LAG_TAU, REFERENCE_K, TAU1, TAU2, V_MAX, V_MIN
from optimizer.ride.rangekernel import (
    AIR_K,
    CAPACITY_J_K,
    CHARGE_LIMIT,
    CURRENT,
    CURRENT_LIMIT,
    CUTOFF,
    OUTSIDE,
    RESERVE,
    RESISTANCE_K_W,
    deliverable,
    interpolate,
    ocv_slope,
)

Floats = NDArray[np.float64]

# Columns of the result: sums up to the stop, extremes, the interpolated range and the stop itself.
(WAY, TIME, ENERGY, SQUARE_S, HEAT_J, I_MAX, V_LOW, RANGE_M, SOC, TEMP_END, STOP, STEPS) = range(12)
RESULT = 12

RECORD = 7

# State: mean SoC, filtered currents behind R1, R2 and the lag, temperature.
(Z, I1, I2, IL, TEMP) = range(5)


@njit(cache=True)
def _solve(
    state: Floats, p: float, duration_s: float, curves: Floats, numbers: Floats, candidate: Floats
) -> tuple[float, float, float, float, int]:
    """Current, cell voltage, heat, power margin and what would end it, at the middle of a step."""
    z, lag_z = state[Z], numbers[LAG] / (3600.0 * numbers[CAPACITY])
    factor = math.exp(numbers[ACTIVATION] * (1.0 / state[TEMP] - 1.0 / numbers[REFERENCE_K]))
    r0 = factor * interpolate(curves, 1, z)
    r1 = factor * interpolate(curves, 2, z)
    r2 = factor * interpolate(curves, 3, z)
    half = 0.5 * duration_s
    keep1, keep2 = math.exp(-half / numbers[TAU1]), math.exp(-half / numbers[TAU2])
    keep_lag = math.exp(-half / numbers[LAG_TAU])
    surface = z - lag_z * keep_lag * state[IL]
    u = interpolate(curves, 0, surface) - r1 * keep1 * state[I1] - r2 * keep2 * state[I2]
    cell_ohm = r0 + r1 * (1.0 - keep1) + r2 * (1.0 - keep2)
    cell_ohm += lag_z * (1.0 - keep_lag) * ocv_slope(curves, surface)
    most, why = deliverable(u, cell_ohm, candidate[OUTSIDE], numbers[V_MIN], candidate[CURRENT_LIMIT])
    total = cell_ohm + candidate[OUTSIDE]
    current = 2.0 * p / (u + math.sqrt(max(u * u - 4.0 * total * p, 0.0)))
    current = max(current, -min(candidate[CHARGE_LIMIT], max(numbers[V_MAX] - u, 0.0) / cell_ohm))
    voltage = u - cell_ohm * current
    return current, voltage, (interpolate(curves, 0, z) - voltage) * current, most - p, why


@njit(cache=True)
def _advance(
    state: Floats, current: float, heat: float, duration_s: float, numbers: Floats, candidate: Floats
) -> None:
    """State at the end of a step of constant current and heat."""
    state[Z] -= current * duration_s / (3600.0 * numbers[CAPACITY])
    for place, tau in ((I1, numbers[TAU1]), (I2, numbers[TAU2]), (IL, numbers[LAG_TAU])):
        state[place] += (current - state[place]) * -math.expm1(-duration_s / tau)
    if candidate[RESISTANCE_K_W] > 0.0:
        tau = candidate[RESISTANCE_K_W] * candidate[CAPACITY_J_K]
        end = candidate[AIR_K] + candidate[RESISTANCE_K_W] * heat
        state[TEMP] = end + (state[TEMP] - end) * math.exp(-duration_s / tau)


@njit(cache=True)
def _note(out: Floats, current: float, voltage: float, heat: float, duration_s: float, way_m: float) -> None:
    """Add a step that was driven."""
    out[WAY] += way_m
    out[TIME] += duration_s
    out[SQUARE_S] += current * current * duration_s
    out[HEAT_J] += heat * duration_s
    out[I_MAX] = max(out[I_MAX], current)
    out[V_LOW] = min(out[V_LOW], voltage)
    out[STEPS] += 1


@njit(cache=True)
def _fail(
    out: Floats, why: int, before: float, margin: float, lap: int, lap_m: float, numbers: Floats,
    candidate: Floats,
) -> None:  # fmt: skip
    """Interpolate where the failing step's margin ran out since the lap before."""
    part = before / (before - margin)
    out[RANGE_M] = out[WAY] if lap == 0 else out[WAY] - lap_m * (1.0 - part)
    out[STOP] = why
    if why == CUTOFF:
        out[V_LOW] = min(out[V_LOW], numbers[V_MIN])
    if why == CURRENT:
        out[I_MAX] = candidate[CURRENT_LIMIT]


@njit(cache=True)
def _finish_lap(
    state: Floats, first: int, power: Floats, duration_s: Floats, curves: Floats, numbers: Floats,
    candidate: Floats,
) -> float:  # fmt: skip
    """SoC at the end of the lap in which the reserve was reached, limits of discharge aside."""
    for s in range(first, len(power)):
        solved = _solve(state, power[s], duration_s[s], curves, numbers, candidate)
        _advance(state, solved[0], solved[2], duration_s[s], numbers, candidate)
    return float(state[Z])


@njit(cache=True)
def run(
    power: Floats, duration_s: Floats, way_m: Floats, curves: Floats, numbers: Floats, candidate: Floats,
    soc: tuple[float, float], max_steps: int, record: Floats, every: int,
) -> Floats:  # fmt: skip
    """Repeat the lap to the stop; rows of `record` are filled with every `every`-th step."""
    out, state, margins = np.zeros(RESULT), np.zeros(5), np.zeros(len(power))
    state[Z], state[TEMP] = soc[0], candidate[AIR_K]
    out[V_LOW], out[STOP], lap_m = numbers[V_MAX], -1.0, way_m.sum()
    lap, lap_z, s = 0, soc[0], 0
    while out[STEPS] < max_steps:
        current, voltage, heat, margin, why = _solve(
            state, power[s], duration_s[s], curves, numbers, candidate
        )
        if margin < 0.0:
            _fail(out, why, margins[s], margin, lap, lap_m, numbers, candidate)
            break
        margins[s] = margin
        _note(out, current, voltage, heat, duration_s[s], way_m[s])
        terminal = voltage - candidate[OUTSIDE] * current
        out[ENERGY] += terminal * current * duration_s[s]
        _advance(state, current, heat, duration_s[s], numbers, candidate)
        at = (int(out[STEPS]) - 1) // every
        if at < len(record) and (int(out[STEPS]) - 1) % every == 0:
            record[at, :] = (out[TIME], out[WAY], state[Z], voltage, terminal, current, state[TEMP])
        if state[Z] <= soc[1]:
            out[SOC], out[TEMP_END], out[STOP] = state[Z], state[TEMP], RESERVE
            end = _finish_lap(state, s + 1, power, duration_s, curves, numbers, candidate)
            out[RANGE_M] = lap_m * (lap + (lap_z - soc[1]) / (lap_z - end))
            break
        s += 1
        if s == len(power):
            s, lap, lap_z = 0, lap + 1, state[Z]
    if out[STOP] != RESERVE:
        out[SOC], out[TEMP_END] = state[Z], state[TEMP]
    return out
