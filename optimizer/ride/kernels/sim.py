"""Packs stepped through the repeated ride: the compiled inner part of `simulate`, in one cell's terms."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numba.extending import register_jitable
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
Ints = NDArray[np.int64]

# Columns of the result: sums up to the end of the last whole lap, or in the first lap up to the stop; extremes;
# then way, time, energy, SoC and temperature at the stop.
(WAY, TIME, ENERGY, SQUARE_S, HEAT_J, I_MAX, V_LOW, RANGE_M, RANGE_S, RANGE_J, SOC, TEMP_END, STOP, STEPS) = range(14)
RESULT = 14
SUMS = 5

RECORD = 7

# Columns of a pack's state: mean SoC, filtered currents behind R1, R2 and the lag, temperature, factor on the
# resistances, SoC per As, SoC by which the lag's current shifts the surface; highest current, lowest voltage so far.
(Z, I1, I2, LAGGING, TEMP_K, FACTOR, PER_A, LAG_Z, MOST_A, LOW_V) = range(10)
STATE = 10

# What is left of a lag after half a step, one column for each of R1, R2 and the lag.
LAGS = 3


@register_jitable
def _keep(kept: Floats, duration_s: Floats, numbers: Floats) -> None:
    """What half of each step leaves of the lags of each pack; equal steps in a row are worked out once.

    Number by number: to set whole rows takes seconds to compile.
    """
    for k in range(len(numbers)):
        for lag, column in enumerate((TAU1, TAU2, LAG_TAU)):
            for s in range(len(duration_s)):
                if s > 0 and duration_s[s] == duration_s[s - 1]:
                    kept[k, s, lag] = kept[k, s - 1, lag]
                else:
                    kept[k, s, lag] = math.exp(-0.5 * duration_s[s] / numbers[k, column])


@register_jitable(forceinline=True)
def _solve(
    state: tuple[float, float, float, float], p: float, duration_s: float, kept: tuple[float, float, float],
    factor: float, curves: Floats, cell: int, fixed: tuple[float, float, float, float],
    outside: tuple[float, float, float],
) -> tuple[float, float, float, float, int]:  # fmt: skip
    """Current, cell voltage, heat, power margin and what would end it, at the middle of a step.

    `state` is mean SoC and the filtered currents behind R1, R2 and the lag; `fixed` lag over capacity, capacity and
    voltages of the cell; `outside` resistance and limits of current. Arrays handed on would be counted at each step.
    """
    z, i1, i2, lagging = state
    keep1, keep2, keep_lag = kept
    lag_z, capacity, v_min, v_max = fixed
    outside_ohm, limit_a, charge_a = outside
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
    most, why = deliverable(u, cell_ohm, outside_ohm, v_min, limit_a)
    total = cell_ohm + outside_ohm
    current = 2.0 * p / (u + math.sqrt(max(u * u - 4.0 * total * p, 0.0)))
    if current < 0.0:
        # Regeneration takes no cell over its full voltage, nor over its capacity where the curve ends below that.
        room = max(1.0 - z, 0.0) * 3600.0 * capacity / duration_s
        current = max(current, -min(charge_a, max(v_max - u, 0.0) / cell_ohm, room))
    voltage = u - cell_ohm * current
    return current, voltage, (interpolate(curves, cell, 0, low, part) - voltage) * current, most - p, why


@register_jitable(forceinline=True)
def _summed(
    part: float, way_m: float, duration_s: float, terminal_v: float, current: float, heat: float
) -> tuple[float, float, float, float, float]:
    """What a part of a step adds to the sums; a part below 0 takes it away again."""
    energy, square = part * terminal_v * current * duration_s, part * current * current * duration_s
    return part * way_m, part * duration_s, energy, square, part * heat * duration_s


@register_jitable
def _started(soc: float, numbers: Floats, candidate: Floats) -> Floats:
    """The state of each pack before its ride."""
    state = np.zeros((len(numbers), STATE))
    for k in range(len(numbers)):
        ampere_s = 3600.0 * numbers[k, CAPACITY]
        state[k, Z], state[k, TEMP_K], state[k, LOW_V] = soc, candidate[k, AIR_K], numbers[k, V_MAX]
        state[k, FACTOR] = arrhenius(candidate[k, AIR_K], numbers[k, ACTIVATION], numbers[k, REFERENCE_K])
        state[k, PER_A], state[k, LAG_Z] = 1.0 / ampere_s, numbers[k, LAG] / ampere_s
    return state


@register_jitable
def _finish(out: Floats, state: Floats, sums: Floats, numbers: Floats, candidate: Floats) -> None:
    """What each pack has come to at its stop."""
    for k in range(len(out)):
        if out[k, TIME] == 0.0:
            for column in range(SUMS):
                out[k, column] = sums[k, column]
        out[k, I_MAX] = candidate[k, CURRENT_LIMIT] if out[k, STOP] == CURRENT else state[k, MOST_A]
        out[k, V_LOW] = min(state[k, LOW_V], numbers[k, V_MIN]) if out[k, STOP] == CUTOFF else state[k, LOW_V]
        out[k, RANGE_M], out[k, RANGE_S], out[k, RANGE_J] = sums[k, WAY], sums[k, TIME], sums[k, ENERGY]
        out[k, SOC], out[k, TEMP_END] = state[k, Z], state[k, TEMP_K]


@njit(cache=True, error_model="numpy")
def run(
    power: Floats, duration_s: Floats, way_m: Floats, curves: Floats, cell: Ints, numbers: Floats,
    candidate: Floats, soc: tuple[float, float], max_steps: int, record: Floats, every: int,
) -> Floats:  # fmt: skip
    """Repeat the lap to the stop of each pack; rows of `record` are filled with every `every`-th step of the first.

    `power`, `cell`, `numbers` and `candidate` have a row for each pack. The packs take each step in turn: while one
    waits for a quotient, the processor works at the next.
    """
    count, lap = power.shape
    out, sums, state = np.zeros((count, RESULT)), np.zeros((count, SUMS)), _started(soc[0], numbers, candidate)
    kept, alive = np.empty((count, lap, LAGS)), np.empty(count, dtype=np.int64)
    _keep(kept, duration_s, numbers)
    for k in range(count):
        alive[k], out[k, STOP] = k, -1
    steps, s = 0, 0
    while count and steps < max_steps:
        at, dt = 0, duration_s[s]
        while at < count:
            k = alive[at]
            z, i1, i2, lagging = state[k, Z], state[k, I1], state[k, I2], state[k, LAGGING]
            keep1, keep2, keep_lag = kept[k, s, 0], kept[k, s, 1], kept[k, s, 2]
            outside_ohm = candidate[k, OUTSIDE]
            current, voltage, heat, margin, stop = _solve(
                (z, i1, i2, lagging), power[k, s], dt, (keep1, keep2, keep_lag), state[k, FACTOR], curves, cell[k],
                (state[k, LAG_Z], numbers[k, CAPACITY], numbers[k, V_MIN], numbers[k, V_MAX]),
                (outside_ohm, candidate[k, CURRENT_LIMIT], candidate[k, CHARGE_LIMIT]),
            )  # fmt: skip
            if margin >= 0.0:
                if s == 0:
                    for column in range(SUMS):
                        out[k, column] = sums[k, column]
                terminal = voltage - outside_ohm * current
                more = _summed(1.0, way_m[s], dt, terminal, current, heat)
                for column in range(SUMS):
                    sums[k, column] += more[column]
                state[k, MOST_A], state[k, LOW_V] = max(state[k, MOST_A], current), min(state[k, LOW_V], voltage)
                end = z - current * dt * state[k, PER_A]
                state[k, Z] = end
                state[k, I1] = i1 + (current - i1) * (1.0 - keep1 * keep1)
                state[k, I2] = i2 + (current - i2) * (1.0 - keep2 * keep2)
                state[k, LAGGING] = lagging + (current - lagging) * (1.0 - keep_lag * keep_lag)
                # Without a heat balance of its own a cell stays as warm as it is.
                if candidate[k, RESISTANCE_K_W] > 0.0:
                    warm_k = candidate[k, AIR_K] + candidate[k, RESISTANCE_K_W] * heat
                    tau = candidate[k, RESISTANCE_K_W] * candidate[k, CAPACITY_J_K]
                    state[k, TEMP_K] = warm_k + (state[k, TEMP_K] - warm_k) * math.exp(-dt / tau)
                    if candidate[k, WARMS] > 0.0:
                        state[k, FACTOR] = arrhenius(state[k, TEMP_K], numbers[k, ACTIVATION], numbers[k, REFERENCE_K])
                if k == 0 and len(record) and steps % every == 0 and steps // every < len(record):
                    row = sums[k, TIME], sums[k, WAY], end, voltage, terminal, current, state[k, TEMP_K]
                    for column in range(RECORD):
                        record[steps // every, column] = row[column]
                if end > soc[1]:
                    at += 1
                    continue
                # The reserve was reached within the step, whose current was constant.
                more = _summed(-(soc[1] - end) / (z - end), way_m[s], dt, terminal, current, heat)
                for column in range(SUMS):
                    sums[k, column] += more[column]
                state[k, Z], stop = soc[1], RESERVE
            out[k, STOP], out[k, STEPS] = stop, steps + (stop == RESERVE)
            count -= 1
            alive[at] = alive[count]
        steps, s = steps + 1, s + 1 if s + 1 < lap else 0
    _finish(out, state, sums, numbers, candidate)
    return out
