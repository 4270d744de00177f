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

# What is left of a lag after half a step, one column for each of R1, R2 and the lag.
LAGS = 3


@njit(cache=True, error_model="numpy")
def _kept(duration_s: Floats, numbers: Floats) -> Floats:
    """What half of each step leaves of the lags, shape (n, LAGS); equal steps in a row are worked out once."""
    kept = np.empty((len(duration_s), LAGS))
    for s in range(len(duration_s)):
        if s > 0 and duration_s[s] == duration_s[s - 1]:
            kept[s] = kept[s - 1]
            continue
        for k, tau in enumerate((numbers[TAU1], numbers[TAU2], numbers[LAG_TAU])):
            kept[s, k] = math.exp(-0.5 * duration_s[s] / tau)
    return kept


@njit(cache=True, error_model="numpy", forceinline=True)
def _solve(
    state: tuple[float, float, float, float], p: float, duration_s: float, kept: tuple[float, float, float],
    factor: float, curves: Floats, cell: int, numbers: Floats, candidate: Floats,
) -> tuple[float, float, float, float, int]:  # fmt: skip
    """Current, cell voltage, heat, power margin and what would end it, at the middle of a step.

    `state` is mean SoC and the filtered currents behind R1, R2 and the lag.
    """
    z, i1, i2, lagging = state
    keep1, keep2, keep_lag = kept
    lag_z = numbers[LAG] / (3600.0 * numbers[CAPACITY])
    low, part = place(z, curves.shape[1])
    r0 = factor * interpolate(curves, cell, 1, low, part)
    r1 = factor * interpolate(curves, cell, 2, low, part)
    r2 = factor * interpolate(curves, cell, 3, low, part)
    surface = z - lag_z * keep_lag * lagging
    u = ocv_at(curves, cell, surface) - r1 * keep1 * i1 - r2 * keep2 * i2
    cell_ohm = r0 + r1 * (1.0 - keep1) + r2 * (1.0 - keep2)
    # Beyond the ends of the curve the OCV is held.
    if 0.0 < surface < 1.0:
        cell_ohm += lag_z * (1.0 - keep_lag) * ocv_slope(curves, cell, place(surface, curves.shape[1])[0])
    most, why = deliverable(u, cell_ohm, candidate[OUTSIDE], numbers[V_MIN], candidate[CURRENT_LIMIT])
    total = cell_ohm + candidate[OUTSIDE]
    current = 2.0 * p / (u + math.sqrt(max(u * u - 4.0 * total * p, 0.0)))
    if current < 0.0:
        # Regeneration takes no cell over its full voltage, nor over its capacity where the curve ends below that.
        room = max(1.0 - z, 0.0) * 3600.0 * numbers[CAPACITY] / duration_s
        current = max(current, -min(candidate[CHARGE_LIMIT], max(numbers[V_MAX] - u, 0.0) / cell_ohm, room))
    voltage = u - cell_ohm * current
    return current, voltage, (interpolate(curves, cell, 0, low, part) - voltage) * current, most - p, why


@njit(cache=True, error_model="numpy", forceinline=True)
def _warmed(temp_k: float, heat: float, duration_s: float, candidate: Floats) -> float:
    """Temperature at the end of a step of constant heat."""
    if candidate[RESISTANCE_K_W] <= 0.0:
        return temp_k
    tau = candidate[RESISTANCE_K_W] * candidate[CAPACITY_J_K]
    end = candidate[AIR_K] + candidate[RESISTANCE_K_W] * heat
    return float(end + (temp_k - end) * math.exp(-duration_s / tau))


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
    out, sums = np.zeros(RESULT), np.zeros(SUMS)
    z, i1, i2, lagging, temp_k = soc[0], 0.0, 0.0, 0.0, candidate[AIR_K]
    kept, per_a = _kept(duration_s, numbers), 1.0 / (3600.0 * numbers[CAPACITY])
    factor = arrhenius(temp_k, numbers[ACTIVATION], numbers[REFERENCE_K])
    most_a, low_v, steps, s, stop = 0.0, numbers[V_MAX], 0, 0, -1
    z_before, terminal, current, heat, before = soc[0], 0.0, 0.0, 0.0, 0
    while steps < max_steps:
        if z <= soc[1]:
            # The reserve was reached within the step before, whose current was constant.
            _add(sums, -(soc[1] - z) / (z_before - z), way_m[before], duration_s[before], terminal, current, heat)
            z, stop = soc[1], RESERVE
            break
        p, dt, keeps = power[s], duration_s[s], (kept[s, 0], kept[s, 1], kept[s, 2])
        if candidate[WARMS] > 0.0:
            factor = arrhenius(temp_k, numbers[ACTIVATION], numbers[REFERENCE_K])
        now_a, voltage, now_w, margin, why = _solve(
            (z, i1, i2, lagging), p, dt, keeps, factor, curves, cell, numbers, candidate
        )  # fmt: skip
        if margin < 0.0:
            stop = why
            break
        if s == 0:
            out[:SUMS] = sums
        current, heat, terminal, z_before, before = now_a, now_w, voltage - candidate[OUTSIDE] * now_a, z, s
        _add(sums, 1.0, way_m[s], dt, terminal, current, heat)
        most_a, low_v = max(most_a, current), min(low_v, voltage)
        z -= current * dt * per_a
        i1 += (current - i1) * (1.0 - keeps[0] * keeps[0])
        i2 += (current - i2) * (1.0 - keeps[1] * keeps[1])
        lagging += (current - lagging) * (1.0 - keeps[2] * keeps[2])
        temp_k = _warmed(temp_k, heat, dt, candidate)
        _record(record, every, steps, (sums[TIME], sums[WAY], z, voltage, terminal, current, temp_k))
        steps, s = steps + 1, s + 1 if s + 1 < len(power) else 0
    if out[TIME] == 0.0:
        out[:SUMS] = sums
    out[I_MAX] = candidate[CURRENT_LIMIT] if stop == CURRENT else most_a
    out[V_LOW] = min(low_v, numbers[V_MIN]) if stop == CUTOFF else low_v
    out[RANGE_M], out[RANGE_S], out[RANGE_J] = sums[WAY], sums[TIME], sums[ENERGY]
    out[SOC], out[TEMP_END], out[STOP], out[STEPS] = z, temp_k, stop, steps
    return out


@njit(cache=True, error_model="numpy", forceinline=True)
def _add(
    sums: Floats, part: float, way_m: float, duration_s: float, terminal_v: float, current: float, heat: float
) -> None:
    """Add a part of a step to the sums; a part below 0 takes it away again."""
    sums[WAY] += part * way_m
    sums[TIME] += part * duration_s
    sums[ENERGY] += part * terminal_v * current * duration_s
    sums[SQUARE_S] += part * current * current * duration_s
    sums[HEAT_J] += part * heat * duration_s
