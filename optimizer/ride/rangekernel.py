"""The pack run down lap by lap in steps of SoC: the compiled inner part of `range_block`.

All in terms of one cell: power p = P/(S·N_p), outside resistance R_ext·N_p/S, limits I/N_p. At a mean SoC z
the lap's mean current i solves, with the bins k of the ride,

    i = Σ w_k · c(p_k; u, r),   c = 2p/(u + √(u² − 4·r·p)),   u = OCV(z − lag(i)) − R_slow(q/i)·i

where r collects R0, the shares γ of R1, R2 and the lag, and the outside resistance, and the slow rest builds
up with charge q drawn since the start: 1 − exp(−q/(i·τ)).

Why the range never rises with mass, outside resistance or a lower current limit (cells at constant
temperature; rides for which `falls_with_mass` holds):

1. c grows with p, with r and (p > 0) with a falling u. For p < 0 it falls with u falling, yet
   Σ w·∂c/∂u = −Σ w·c·φ(c), φ = 1/√(u² − 4·r·p) at least 1/u for c > 0 and at most 1/u for c < 0, so the sum
   is at most −Σ w·c/u ≤ 0: the mean current grows as u falls. Regeneration cut by a charge limit only drops
   negative terms, and the voltage left for it is counted from OCV(z), which no candidate can change.
2. i·(1 − exp(−q/(i·τ))) grows with i, so u falls with i, at the same z. Node by node, i_j = g(i_{j−1}) with g
   rising in i and in the load: by induction from the first node (where the iteration starts from the current
   without sag and repeats a fixed number of times) a harder load has the larger i at every node. The number
   of iterations is fixed, so this holds for the computed numbers, not only for the limit.
3. A step can be driven while its power is within what the pack gives at the cut-off, the current limit or
   the matched load, whichever comes first; that margin h falls with everything above. Nodes are the same for
   all candidates and are visited from full to empty, so a harder load fails no later; between nodes the stop
   lies at h_j/(h_j − h_{j+1}), which falls as either margin falls.
4. The distance is Σ Δz·(y_j·(f − f²/2) + y_{j+1}·f²/2) with y = 1/i: weights that are never negative and do
   not fall with f (1 in all intervals but the last), applied to terms that fall as i grows.

Steps 1 to 4 use only operations that floating point rounds in the same direction, but sums are vectorised
and OCV is interpolated, so equal ranges may differ by about 1e-13 in relative terms: compare with 1e-9.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from optimizer.ride.cells import (
    ACTIVATION,
    CAPACITY,
    LAG,
    LAG_TAU,
    REFERENCE_K,
    SHARE1,
    SHARE2,
    SHARE_LAG,
    TAU2,
    V_MAX,
    V_MIN,
)

Floats = NDArray[np.float64]

RESERVE, CUTOFF, CURRENT, POWER = 0, 1, 2, 3
"""Why a pack stops; see STOP_NAMES in range.py."""

# Columns of a candidate: in one cell's terms.
CELLS, OUTSIDE, MASS, CURRENT_LIMIT, CHARGE_LIMIT, AIR_K, RESISTANCE_K_W, CAPACITY_J_K = range(8)

# Columns of the state at a node.
(Z, MEAN_A, SQUARE_A2, VOLTAGE, HEAT, TEMP_K) = range(6)
STATE = 6

# Columns of the result: time [s], charge-weighted sums, extremes and the stop.
(TIME, CHARGE, ENERGY, SQUARE_S, HEAT_J, I_MAX, V_LOW, SOC_STOP, TEMP_END, STOP) = range(10)
RESULT = 10

FIRST_ITERATIONS = 4
SUB_STEPS = 8

_MATH = {"reassoc", "contract", "nsz"}


@njit(cache=True, fastmath=_MATH)
def lap_sums(power: Floats, weight: Floats, u: float, r: float, floor_a: float) -> tuple[float, float]:
    """Mean of I and I² over the lap for constant powers behind u and r; I is never below floor_a."""
    mean, square = 0.0, 0.0
    for k in range(len(power)):
        p = power[k]
        current = 2.0 * p / (u + math.sqrt(max(u * u - 4.0 * r * p, 0.0)))
        current = max(current, floor_a)
        mean += weight[k] * current
        square += weight[k] * current * current
    return mean, square


@njit(cache=True)
def deliverable(
    u: float, cell_ohm: float, outside_ohm: float, v_min: float, limit_a: float
) -> tuple[float, int]:
    """Most power with the cell not below v_min and the current not above its limit, and what limits it."""
    total = cell_ohm + outside_ohm
    current, why = u / (2.0 * total), POWER
    if limit_a < current:
        current, why = limit_a, CURRENT
    if (u - v_min) / cell_ohm < current:
        current, why = (u - v_min) / cell_ohm, CUTOFF
    return (u - total * current) * current, why


@njit(cache=True)
def built_up(mean_a: float, charge_c: float, tau_s: float) -> float:
    """Share of a slow voltage that has built up after a charge: 1 − exp(−q/(i·τ))."""
    if charge_c <= 0.0:
        return 0.0
    return 1.0 if mean_a <= 0.0 else -math.expm1(-charge_c / (mean_a * tau_s))


@njit(cache=True)
def interpolate(curves: Floats, column: int, z: float) -> float:
    """Linear on the uniform SoC grid, ends held."""
    at = min(max(z, 0.0), 1.0) * (len(curves) - 1)
    low = min(int(at), len(curves) - 2)
    return float(curves[low, column] + (at - low) * (curves[low + 1, column] - curves[low, column]))


@njit(cache=True)
def ocv_slope(curves: Floats, z: float) -> float:
    """dOCV/dz on the uniform SoC grid [V]."""
    low = min(int(min(max(z, 0.0), 1.0) * (len(curves) - 1)), len(curves) - 2)
    return float((curves[low + 1, 0] - curves[low, 0]) * (len(curves) - 1))


@njit(cache=True)
def _node(
    state: Floats, parts: Floats, curves: Floats, numbers: Floats, candidate: Floats,
    power: Floats, weight: Floats, drawn_c: float, start: bool,
) -> bool:  # fmt: skip
    """Solve the lap's currents at the SoC in state[Z]; False when even the sagged mean voltage is gone."""
    z = state[Z]
    factor = math.exp(numbers[ACTIVATION] * (1.0 / state[TEMP_K] - 1.0 / numbers[REFERENCE_K]))
    r0 = factor * interpolate(curves, 1, z)
    r1 = factor * interpolate(curves, 2, z)
    r2 = factor * interpolate(curves, 3, z)
    lag_z = numbers[LAG] / (3600.0 * numbers[CAPACITY])
    ocv = interpolate(curves, 0, z)
    fast = r0 + numbers[SHARE1] * r1 + numbers[SHARE2] * r2
    fast += numbers[SHARE_LAG] * lag_z * ocv_slope(curves, z)
    total = fast + candidate[OUTSIDE]
    slow1, slow2 = (1.0 - numbers[SHARE1]) * r1, (1.0 - numbers[SHARE2]) * r2
    floor_a = -min(candidate[CHARGE_LIMIT], max(numbers[V_MAX] - ocv, 0.0) / fast)
    mean, square, u = state[MEAN_A], 0.0, ocv
    if start:
        mean = 0.0
        for k in range(len(power)):
            mean += weight[k] * max(power[k] / ocv, floor_a)
    for _ in range(FIRST_ITERATIONS if start else 1):
        grown2, grown = built_up(mean, drawn_c, numbers[TAU2]), built_up(mean, drawn_c, numbers[LAG_TAU])
        surface = z - (1.0 - numbers[SHARE_LAG]) * grown * lag_z * mean
        u = interpolate(curves, 0, surface) - (slow1 + slow2 * grown2) * mean
        if u <= 2.0 * total * mean:
            return False
        mean, square = lap_sums(power, weight, u, total, floor_a)
    state[MEAN_A], state[SQUARE_A2] = mean, square
    state[VOLTAGE] = u - total * square / mean
    state[HEAT] = ocv * mean - (u * mean - fast * square)
    parts[0], parts[1], parts[2], parts[3] = r0, r1, r2 * grown2, lag_z * grown
    parts[4] = 1.0 / (u - total * mean)
    return True


@njit(cache=True)
def _margins(
    state: Floats, parts: Floats, curves: Floats, numbers: Floats, candidate: Floats, critical: Floats,
    before: Floats, margins: Floats,
) -> tuple[float, int]:  # fmt: skip
    """Margin of each critical step; how far towards this node it can still be driven, and what ends it."""
    share, stop = 1.0, RESERVE
    for c in range(len(critical)):
        p = critical[c, 0]
        if _repeats(critical, c):
            margins[c] = margins[0]
            continue
        u = _sagged(state, parts, curves, critical[c])
        most, why = deliverable(u, parts[0], candidate[OUTSIDE], numbers[V_MIN], candidate[CURRENT_LIMIT])
        margins[c] = most - p
        if margins[c] < 0.0:
            part = before[c] / (before[c] - margins[c]) if before[c] > 0.0 else 0.0
            if part <= share:
                share, stop = part, why
    return share, stop


@njit(cache=True)
def _repeats(critical: Floats, c: int) -> bool:
    """Whether a critical step only fills the table up, as a copy of the first."""
    return c > 0 and critical[c, 0] == critical[0, 0] and critical[c, 1] == critical[0, 1]


@njit(cache=True)
def _sagged(state: Floats, parts: Floats, curves: Floats, step: Floats) -> float:
    """Voltage behind R0 at a critical step: its own filtered powers over the lap's mean voltage."""
    u = interpolate(curves, 0, state[Z] - parts[3] * step[3] * parts[4])
    return float(u - (parts[1] * step[1] + parts[2] * step[2]) * parts[4])


@njit(cache=True)
def _note_extremes(
    result: Floats, state: Floats, parts: Floats, curves: Floats, candidate: Floats, critical: Floats
) -> None:
    """Keep the largest current and the lowest cell voltage of the critical steps at a node."""
    for c in range(len(critical)):
        if _repeats(critical, c):
            continue
        u, p = _sagged(state, parts, curves, critical[c]), critical[c, 0]
        total = parts[0] + candidate[OUTSIDE]
        current = 2.0 * p / (u + math.sqrt(max(u * u - 4.0 * total * p, 0.0)))
        result[I_MAX] = max(result[I_MAX], current)
        result[V_LOW] = min(result[V_LOW], u - parts[0] * current)


@njit(cache=True)
def _note_stop(result: Floats, stop: int, numbers: Floats, candidate: Floats) -> None:
    """Record why the pack stopped; the limit that it met is an extreme by definition."""
    result[STOP] = stop
    if stop == CUTOFF:
        result[V_LOW] = min(result[V_LOW], numbers[V_MIN])
    if stop == CURRENT:
        result[I_MAX] = candidate[CURRENT_LIMIT]


@njit(cache=True)
def _advance(result: Floats, old: Floats, new: Floats, drop_c: float, share: float) -> None:
    """Add the part `share` of an interval that draws drop_c, its integrands linear between the nodes."""
    first = drop_c * (share - 0.5 * share * share)
    last = drop_c * 0.5 * share * share
    result[TIME] += first / old[MEAN_A] + last / new[MEAN_A]
    result[CHARGE] += first + last
    result[ENERGY] += first * old[VOLTAGE] + last * new[VOLTAGE]
    result[SQUARE_S] += first * old[SQUARE_A2] / old[MEAN_A] + last * new[SQUARE_A2] / new[MEAN_A]
    result[HEAT_J] += first * old[HEAT] / old[MEAN_A] + last * new[HEAT] / new[MEAN_A]
    result[SOC_STOP] = old[Z] + share * (new[Z] - old[Z])
    result[TEMP_END] = new[TEMP_K]


@njit(cache=True)
def _warmed(state: Floats, candidate: Floats, drop_c: float) -> float:
    """Cell temperature after an interval, heated as at its start."""
    rise = candidate[RESISTANCE_K_W] * state[HEAT]
    if candidate[RESISTANCE_K_W] <= 0.0:
        return float(state[TEMP_K])
    tau = candidate[RESISTANCE_K_W] * candidate[CAPACITY_J_K]
    end = candidate[AIR_K] + rise
    return float(end + (state[TEMP_K] - end) * math.exp(-drop_c / (state[MEAN_A] * tau)))


@njit(cache=True)
def _begin(
    result: Floats, old: Floats, soc: tuple[float, float, int], curves: Floats, numbers: Floats,
    candidate: Floats, power: Floats, weight: Floats, critical: Floats, margins: Floats,
) -> bool:  # fmt: skip
    """The first node: whether the full pack can drive the ride at all."""
    parts = np.zeros(5)
    old[:] = 0.0
    old[Z], old[TEMP_K] = soc[0], candidate[AIR_K]
    result[SOC_STOP], result[TEMP_END], result[V_LOW] = soc[0], candidate[AIR_K], numbers[V_MAX]
    stop = CUTOFF
    if _node(old, parts, curves, numbers, candidate, power, weight, 0.0, True):
        margins[0, :] = 0.0
        stop = _margins(old, parts, curves, numbers, candidate, critical, margins[0], margins[1])[1]
    if stop == RESERVE:
        _note_extremes(result, old, parts, curves, candidate, critical)
    else:
        _note_stop(result, stop, numbers, candidate)
    return stop == RESERVE


@njit(cache=True)
def _run_down(
    result: Floats, state: Floats, soc: tuple[float, float, int], curves: Floats, numbers: Floats,
    candidate: Floats, power: Floats, weight: Floats, critical: Floats, margins: Floats,
) -> None:  # fmt: skip
    """Visit the nodes from full to reserve; in the interval that fails, again in SUB_STEPS finer ones."""
    old, new, parts = state[0], state[1], np.zeros(5)
    charge = 3600.0 * numbers[CAPACITY]
    step, left, fine, last_stop = (soc[0] - soc[1]) / soc[2], soc[2], False, RESERVE
    while left > 0:
        margins[0, :] = margins[1]
        drop = step * charge
        new[:] = old
        new[Z], new[TEMP_K] = old[Z] - step, _warmed(old, candidate, drop)
        drawn = (soc[0] - new[Z]) * charge
        share, stop = 0.0, CUTOFF
        if _node(new, parts, curves, numbers, candidate, power, weight, drawn, False):
            share, stop = _margins(new, parts, curves, numbers, candidate, critical, margins[0], margins[1])
        if stop != RESERVE and not fine:
            margins[1, :] = margins[0]
            fine, last_stop, left, step = True, stop, SUB_STEPS, step / SUB_STEPS
            continue
        _advance(result, old, new, drop, share)
        if stop != RESERVE:
            _note_stop(result, stop, numbers, candidate)
            return
        left -= 1
        if fine or left == 0:
            _note_extremes(result, new, parts, curves, candidate, critical)
        old[:] = new
    # Finer steps may just pass the node at which a coarse one failed: it ends there all the same.
    _note_stop(result, last_stop, numbers, candidate)


@njit(cache=True)
def run_block(
    cell: NDArray[np.int64], candidates: Floats, curves: Floats, table: Floats, critical: Floats,
    bins: tuple[Floats, Floats, Floats], drive: tuple[float, float, float], masses: tuple[float, float],
    soc: tuple[float, float, int],
) -> Floats:  # fmt: skip
    """Run every candidate down; one row of RESULT columns each, in one cell's terms."""
    constant, per_mass, weight = bins
    efficiency, regen, accessory = drive
    out = np.zeros((len(cell), RESULT))
    power, state = np.empty(len(weight)), np.empty((2, STATE))
    steps = np.empty((critical.shape[1], critical.shape[2]))
    margins = np.empty((2, critical.shape[1]))
    gain = 1.0 / efficiency
    for n in range(len(cell)):
        candidate, c = candidates[n], cell[n]
        for k in range(len(weight)):
            wheel = constant[k] + per_mass[k] * candidate[MASS]
            power[k] = (max(wheel * gain, wheel * regen) + accessory) / candidate[CELLS]
        along = (candidate[MASS] - masses[0]) / (masses[1] - masses[0]) if masses[1] > masses[0] else 0.0
        for s in range(steps.shape[0]):
            for f in range(4):
                low, high = critical[c, s, f, 0], critical[c, s, f, 1]
                steps[s, f] = (low + along * (high - low)) / candidate[CELLS]
        if _begin(
            out[n], state[0], soc, curves[c], table[c], candidate, power, weight, steps, margins
        ):
            _run_down(out[n], state, soc, curves[c], table[c], candidate, power, weight, steps, margins)
    return out
