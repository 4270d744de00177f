"""One pack stepped through the repeated ride: the compiled inner part of `simulate`, in one cell's terms."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from optimizer.ride.kernels.cell import (
    AIR_K,
    CAPACITY_J_K,
    CHARGE_LIMIT,
    CURRENT,
    CURRENT_LIMIT,
    CUTOFF,
    OUTSIDE,
    RESERVE,
    RESISTANCE_K_W,
    WARMS,
    arrhenius,
    deliverable,
    interpolate,
    ocv_at,
    ocv_slope,
    place,
)
from optimizer.ride.kernels.cells import ACTIVATION, CAPACITY, LAG, LAG_TAU, REFERENCE_K, TAU1, TAU2, V_MAX, V_MIN

Floats = NDArray[np.float64]

# Columns of the result: sums up to the end of the last whole lap, or in the first lap up to the stop; extremes;
# then way, time, energy, SoC and temperature at the stop.
(WAY, TIME, ENERGY, SQUARE_S, HEAT_J, I_MAX, V_LOW, RANGE_M, RANGE_S, RANGE_J, SOC, TEMP_END, STOP, STEPS) = range(14)
RESULT = 14
SUMS = 5

RECORD = 7

# State: mean SoC, filtered currents behind R1, R2 and the lag, temperature.
(Z, I1, I2, IL, TEMP) = range(5)


@njit(cache=True, error_model="numpy")
def _solve(
    state: Floats, p: float, duration_s: float, curves: Floats, cell: int, numbers: Floats, candidate: Floats
) -> tuple[float, float, float, float, int]:
    """Current, cell voltage, heat, power margin and what would end it, at the middle of a step."""
    z, lag_z = state[Z], numbers[LAG] / (3600.0 * numbers[CAPACITY])
    temp_k = state[TEMP] if candidate[WARMS] > 0.0 else candidate[AIR_K]
    factor = arrhenius(temp_k, numbers[ACTIVATION], numbers[REFERENCE_K])
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
    # Beyond the ends of the curve the OCV is held.
    if 0.0 < surface < 1.0:
        cell_ohm += lag_z * (1.0 - keep_lag) * ocv_slope(curves, cell, place(surface, curves.shape[1])[0])
    most, why = deliverable(u, cell_ohm, candidate[OUTSIDE], numbers[V_MIN], candidate[CURRENT_LIMIT])
    total = cell_ohm + candidate[OUTSIDE]
    current = 2.0 * p / (u + math.sqrt(max(u * u - 4.0 * total * p, 0.0)))
    # Regeneration takes no cell over its full voltage, nor over its capacity where the curve ends below that voltage.
    room = max(1.0 - z, 0.0) * 3600.0 * numbers[CAPACITY] / duration_s
    current = max(current, -min(candidate[CHARGE_LIMIT], max(numbers[V_MAX] - u, 0.0) / cell_ohm, room))
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
    state[Z], state[TEMP] = soc[0], candidate[AIR_K]
    last, z_before = np.zeros(SUMS), soc[0]
    out[V_LOW], out[STOP] = numbers[V_MAX], -1.0
    s = 0
    while out[STEPS] < max_steps:
        p, dt = power[s], duration_s[s]
        current, voltage, heat, margin, why = _solve(state, p, dt, curves, cell, numbers, candidate)
        if state[Z] <= soc[1]:
            # The reserve was reached within the step before, whose current was constant.
            sums -= last * ((soc[1] - state[Z]) / (z_before - state[Z]))
            state[Z], out[STOP] = soc[1], RESERVE
            break
        if margin < 0.0:
            out[STOP] = why
            break
        if s == 0:
            out[:SUMS] = sums
        terminal = voltage - candidate[OUTSIDE] * current
        last, z_before = np.array([way_m[s], dt, terminal * current * dt, current * current * dt, heat * dt]), state[Z]
        sums += last
        out[I_MAX], out[V_LOW] = max(out[I_MAX], current), min(out[V_LOW], voltage)
        _advance(state, current, heat, dt, numbers, candidate)
        _record(record, every, int(out[STEPS]),
                (sums[TIME], sums[WAY], state[Z], voltage, terminal, current, state[TEMP]))  # fmt: skip
        out[STEPS], s = out[STEPS] + 1, (s + 1) % len(power)
    if out[TIME] == 0.0:
        out[:SUMS] = sums
    if out[STOP] == CUTOFF:
        out[V_LOW] = min(out[V_LOW], numbers[V_MIN])
    if out[STOP] == CURRENT:
        out[I_MAX] = candidate[CURRENT_LIMIT]
    out[RANGE_M], out[RANGE_S], out[RANGE_J] = sums[WAY], sums[TIME], sums[ENERGY]
    out[SOC], out[TEMP_END] = state[Z], state[TEMP]
    return out
