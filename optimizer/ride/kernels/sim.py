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
    arrhenius,
    deliverable,
    interpolate,
    ocv_at,
    ocv_slope,
    place,
)
from optimizer.ride.kernels.cells import ACTIVATION, CAPACITY, LAG, LAG_TAU, REFERENCE_K, TAU1, TAU2, V_MAX, V_MIN

Floats = NDArray[np.float64]

# Columns of the result: sums (up to the end of the last whole lap, or in the first lap up to the stop),
# extremes, the range and its SoC, and the temperature at the actual stop.
(WAY, TIME, ENERGY, SQUARE_S, HEAT_J, I_MAX, V_LOW, RANGE_M, SOC, TEMP_END, STOP, STEPS) = range(12)
RESULT = 12
SUMS = 5

RECORD = 7

# State: mean SoC, filtered currents behind R1, R2 and the lag, temperature.
(Z, I1, I2, IL, TEMP) = range(5)

BISECTIONS = 14
SECANTS = 4


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
def _drive(
    state: Floats, count: int, floor_z: float, power: Floats, duration_s: Floats, curves: Floats, cell: int,
    numbers: Floats, candidate: Floats,
) -> tuple[int, int, int]:  # fmt: skip
    """Drive the first `count` steps of a lap; `state` moves on, up to the step that can't be driven.

    Returns that step (`count` if there is none), why, and how many steps begin above floor_z.
    """
    above = 0
    for s in range(count):
        solved = _solve(state, power[s], duration_s[s], curves, cell, numbers, candidate)
        if solved[3] < 0.0:
            return s, solved[4], above
        if state[Z] > floor_z:
            above = s + 1
        _advance(state, solved[0], solved[2], duration_s[s], numbers, candidate)
    return count, RESERVE, above


@njit(cache=True, error_model="numpy")
def _finish_lap(
    state: Floats, power: Floats, duration_s: Floats, curves: Floats, cell: int, numbers: Floats, candidate: Floats
) -> float:
    """SoC at the end of a lap begun in a state from which the lap is about possible, limits of discharge aside."""
    after = state.copy()
    for s in range(len(power)):
        solved = _solve(after, power[s], duration_s[s], curves, cell, numbers, candidate)
        _advance(after, solved[0], solved[2], duration_s[s], numbers, candidate)
    return float(after[Z])


@njit(cache=True, error_model="numpy")
def _first_failure(
    low: float, high: float, count: int, first: Floats, second: Floats, floor_z: float, power: Floats,
    duration_s: Floats, curves: Floats, cell: int, numbers: Floats, candidate: Floats,
) -> tuple[float, int, float, int]:  # fmt: skip
    """Where between two beginnings of a lap the first of its `count` steps can no longer be driven.

    `low` can be driven, `high` can't. Returns the last beginning that can, the failing step, its SoC and why.
    """
    failed, z, why = count, floor_z, RESERVE
    for _ in range(BISECTIONS):
        part = 0.5 * (low + high)
        state = first + part * (second - first)
        step, reason, _above = _drive(state, count, floor_z, power, duration_s, curves, cell, numbers, candidate)
        if step < count:
            high, failed, z, why = part, step, state[Z], reason
        else:
            low = part
    return low, failed, z, why


@njit(cache=True, error_model="numpy")
def _hardest(
    first: Floats, second: Floats, reserve: float, power: Floats, duration_s: Floats, curves: Floats, cell: int,
    numbers: Floats, candidate: Floats,
) -> tuple[float, int]:  # fmt: skip
    """Highest SoC above the reserve at which a step of the ride can't be driven, and why; else the reserve.

    Laps are begun at ever lower states on the line through `first`, from which all can be driven, and `second`.
    The first that fails tells of one step. An earlier step may fail in a lap begun still lower, yet at a higher
    SoC: so the steps before it, as far as they lie above the SoC found, are tried again in such laps.
    """
    fixed = (power, duration_s, curves, cell, numbers, candidate)
    drop, found, stop, low, count = first[Z] - second[Z], reserve, RESERVE, 0.0, len(power)
    while count > 0:
        high = (first[Z] - found) / drop
        state = first + high * (second - first)
        if high <= low or _drive(state, count, found, *fixed)[0] == count:
            break
        low, failed, z, why = _first_failure(low, high, count, first, second, found, *fixed)
        if z > found:
            found, stop = z, why
        state = first + low * (second - first)
        count = min(failed, _drive(state, failed, found, *fixed)[2], count - 1)
    return found, stop


@njit(cache=True, error_model="numpy")
def _laps_between(
    first: Floats, second: Floats, end_z: float, drop_before: float, power: Floats, duration_s: Floats,
    curves: Floats, cell: int, numbers: Floats, candidate: Floats,
) -> float:  # fmt: skip
    """Laps from the state `first` until one that ends at a SoC; `second` is the state one lap after `first`.

    The lap is begun on the line through both, by secants. Laps are counted by charge, whose amount per lap is
    taken to change evenly: with the drop d of this lap and d′ of the one before, a part x of d takes
    x + ½·(1 − d′/d)·x·(1 − x) laps.
    """
    drop = first[Z] - second[Z]
    part, z = 0.0, second[Z]
    next_part = (z - end_z) / drop
    for _ in range(SECANTS):
        if next_part == part:
            break
        state = first + next_part * (second - first)
        next_z = _finish_lap(state, power, duration_s, curves, cell, numbers, candidate)
        slope = (next_z - z) / (next_part - part)
        part, z = next_part, next_z
        next_part = part - (z - end_z) / slope
    return float(1.0 + next_part + 0.5 * (1.0 - drop_before / drop) * next_part * (1.0 - next_part))


@njit(cache=True, error_model="numpy")
def _end(
    before: Floats, begun: Floats, lap: int, drop_before: float, reserve: float, power: Floats, duration_s: Floats,
    curves: Floats, cell: int, numbers: Floats, candidate: Floats,
) -> tuple[float, int, float]:  # fmt: skip
    """Laps driven until the ride can't go on, why, and the SoC there.

    `before` and `begun` are the states in which the last whole lap and the one that wasn't finished began.
    """
    fixed = (power, duration_s, curves, cell, numbers, candidate)
    after = begun.copy()
    whole = _drive(after, len(power), reserve, *fixed)[0] == len(power)
    if whole and after[Z] < begun[Z]:
        z, why = _hardest(begun, after, reserve, *fixed)
    else:
        z, why = _hardest(before, begun, reserve, *fixed)
    drop = before[Z] - begun[Z]
    laps = _laps_between(before, begun, z, drop_before if lap > 1 else drop, *fixed)
    return lap - 1 + laps, why, z


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
    # States in which this lap and the last one began, and the charge of the one before that.
    begun, before, drop_before = state.copy(), state.copy(), 0.0
    last, z_before = np.zeros(SUMS), soc[0]
    out[V_LOW], out[STOP], lap_m = numbers[V_MAX], -1.0, way_m.sum()
    fixed = (power, duration_s, curves, cell, numbers, candidate)
    lap, s = 0, 0
    while out[STEPS] < max_steps:
        p, dt = power[s], duration_s[s]
        current, voltage, heat, margin, why = _solve(state, p, dt, curves, cell, numbers, candidate)
        if state[Z] <= soc[1] and lap == 0:
            # The reserve was reached within the step before, whose current was constant.
            sums -= last * ((soc[1] - state[Z]) / (z_before - state[Z]))
            out[STOP], out[RANGE_M], out[SOC] = RESERVE, sums[WAY], soc[1]
            break
        if margin < 0.0 and lap == 0:
            out[STOP], out[RANGE_M], out[SOC] = why, sums[WAY], state[Z]
            break
        if margin < 0.0 or state[Z] <= soc[1]:
            laps, out[STOP], out[SOC] = _end(before, begun, lap, drop_before, soc[1], *fixed)
            out[RANGE_M] = lap_m * laps
            break
        terminal = voltage - candidate[OUTSIDE] * current
        last, z_before = np.array([way_m[s], dt, terminal * current * dt, current * current * dt, heat * dt]), state[Z]
        sums += last
        out[I_MAX], out[V_LOW] = max(out[I_MAX], current), min(out[V_LOW], voltage)
        _advance(state, current, heat, dt, numbers, candidate)
        _record(record, every, int(out[STEPS]),
                (sums[TIME], sums[WAY], state[Z], voltage, terminal, current, state[TEMP]))  # fmt: skip
        out[STEPS], s = out[STEPS] + 1, s + 1
        if s == len(power):
            drop_before, before, begun = before[Z] - begun[Z], begun, state.copy()
            s, lap = 0, lap + 1
            out[:SUMS] = sums
    if lap == 0:
        out[:SUMS] = sums
    if out[STOP] == CUTOFF:
        out[V_LOW] = min(out[V_LOW], numbers[V_MIN])
    if out[STOP] == CURRENT:
        out[I_MAX] = candidate[CURRENT_LIMIT]
    out[TEMP_END] = state[TEMP]
    return out
