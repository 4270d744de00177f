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
2. i·(1 − exp(−q/(i·τ))) grows with i, so u falls with i, at the same z; at a critical step likewise. Node
   by node, i_j = g(i_{j−1}) with g rising in i and in the load: by induction from the first node (where the
   iteration starts from the current without sag and repeats a fixed number of times) a harder load has the
   larger i at every node. The number of iterations is fixed, so this holds for the computed numbers, not
   only for the limit.
3. Whether a step can be driven is told by its margin h, which falls with everything above (stepkernel.py). Nodes
   are the same for all candidates and are visited from full to empty, so a harder load fails a step no later. The
   interval in which it fails is looked at again in finer nodes, the same for all; between them the step fails at
   h_j/(h_j − h_{j+1}), which falls as either margin falls.
4. The level at which it fails, in laps, is Σ Δz·(y_j·(f − f²/2) + y_{j+1}·f²/2) with y = 1/i: weights that are never
   negative and do not fall with f (1 in all intervals but the last), applied to terms that fall as i grows.
5. Places rise with the level, and depend on nothing else (course.py). The ride ends at the least of them.

Steps 1 to 5 use only operations that floating point rounds in the same direction, but sums are vectorised
and OCV is interpolated, so equal ranges may differ by about 1e-13 in relative terms: compare with 1e-9.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numba.extending import register_jitable

from optimizer.base.arrays import Floats, Ints
from optimizer.base.kernels import kernel
from optimizer.ride.kernels.cell import (
    AIR_K,
    CAPACITY_J_K,
    CELLS,
    CHARGE_LIMIT,
    CHARGE_PART,
    CURRENT,
    CURRENT_LIMIT,
    CUTOFF,
    MASS,
    OUTSIDE,
    POWER,
    RESERVE,
    RESISTANCE_K_W,
    WARMS,
    arrhenius,
    interpolate,
    ocv_at,
    ocv_slope,
    place,
)
from optimizer.ride.kernels.cells import (
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
from optimizer.ride.kernels.course import due_at, place_of
from optimizer.ride.kernels.critical import LOADS, POWER_W
from optimizer.ride.kernels.step import (
    ALIVE,
    COLUMNS,
    FACTOR,
    HEAT,
    MEAN_A,
    OWN_A,
    R0,
    SQUARE_A2,
    TEMP_K,
    VOLTAGE,
    Z,
    behind_v,
    built_up,
    far_from_it,
    margin_v,
    own_limits,
)
from optimizer.ride.load.drivetrain import Drive, battery_w

Row = tuple[float, ...]

# Columns of the result: time at the lap's mean current [s], charge-weighted sums, extremes, the stop and its place
# [laps].
(TIME, ENERGY, SQUARE_S, HEAT_J, I_MAX, V_LOW, SOC_STOP, TEMP_END, STOP, PLACE) = range(10)
RESULT = 10

FIRST_ITERATIONS = 4
SUB_STEPS = 8
BISECTIONS = 40

_MATH = {"reassoc", "contract", "nsz"}


@njit(cache=True, error_model="numpy", forceinline=True, fastmath=_MATH)
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


@register_jitable(forceinline=True)
def _node(
    curves: Floats, cell: int, numbers: Row, candidate: Row, power: Floats, weight: Floats,
    z: float, drawn_c: float, temp_k: float, factor: float, mean_a: float, iterations: int,
) -> Row:  # fmt: skip
    """Solve the lap's currents at one SoC, from the mean current of the node before."""
    low, part = place(z, curves.shape[1])
    ocv = interpolate(curves, cell, 0, low, part)
    r0 = factor * interpolate(curves, cell, 1, low, part)
    r1 = factor * interpolate(curves, cell, 2, low, part)
    r2 = factor * interpolate(curves, cell, 3, low, part)
    lag_z = numbers[LAG] / (3600.0 * numbers[CAPACITY])
    fast = r0 + numbers[SHARE1] * r1 + numbers[SHARE2] * r2
    fast += numbers[SHARE_LAG] * lag_z * ocv_slope(curves, cell, low)
    total = fast + candidate[OUTSIDE]
    slow1, slow2 = (1.0 - numbers[SHARE1]) * r1, (1.0 - numbers[SHARE2]) * r2
    floor_a = -min(candidate[CHARGE_LIMIT], max(numbers[V_MAX] - ocv, 0.0) / fast)
    mean, square, u, alive = mean_a, 0.0, ocv, 1.0
    for _ in range(iterations):
        lagging = (1.0 - numbers[SHARE_LAG]) * lag_z * built_up(mean, drawn_c, numbers[LAG_TAU])
        u = ocv_at(curves, cell, z - lagging * mean)
        u -= (slow1 + slow2 * built_up(mean, drawn_c, numbers[TAU2])) * mean
        if u <= 2.0 * total * mean:
            alive = 0.0
            break
        mean, square = lap_sums(power, weight, u, total, floor_a)
    voltage, heat = u - total * square / mean, (ocv - u) * mean + fast * square
    return (z, mean, square, voltage, heat, temp_k, factor, r0, r1, r2, drawn_c,
            u - total * mean, alive)  # fmt: skip


@register_jitable(forceinline=True)
def _passes(
    curves: Floats, cell: int, numbers: Row, candidate: Row, node: Row, steps: Floats, count: int, margins: Floats,
) -> bool:  # fmt: skip
    """Whether every critical step can be driven at a node, else the margin of each.

    The step after the last is as hard as all of them together: where it passes, all do.
    """
    if node[ALIVE] == 0.0:
        for c in range(count):
            margins[c] = -1.0
        return False
    if far_from_it(curves, cell, numbers, candidate, node, steps, count):
        return True
    if margin_v(curves, cell, numbers, candidate, node, steps, count)[0] >= 0.0:
        return True
    passed = True
    for c in range(count):
        margins[c] = margin_v(curves, cell, numbers, candidate, node, steps, c)[0]
        passed = passed and margins[c] >= 0.0
    return passed


@register_jitable
def _note_extremes(
    out: Floats, n: int, curves: Floats, cell: int, numbers: Row, candidate: Row, node: Row, steps: Floats,
    count: int,
) -> None:  # fmt: skip
    """Keep the largest current and the lowest cell voltage of the critical steps at a node, within the limits.

    A step that could no longer be driven here had not come due.
    """
    total = node[R0] + candidate[OUTSIDE]
    for c in range(count):
        u, p = behind_v(curves, cell, numbers, candidate, node, steps, c), steps[c, POWER_W]
        current = 2.0 * p / (u + math.sqrt(max(u * u - 4.0 * total * p, 0.0)))
        current = min(current, steps[c, OWN_A])
        out[n, I_MAX] = max(out[n, I_MAX], current)
        out[n, V_LOW] = min(out[n, V_LOW], max(u - node[R0] * current, numbers[V_MIN]))


@register_jitable
def _note_stop(out: Floats, n: int, stop: int, numbers: Row, candidate: Row) -> None:
    """Record why the pack stopped; the limit that it met is an extreme by definition."""
    out[n, STOP] = stop
    if stop == CUTOFF:
        out[n, V_LOW] = min(out[n, V_LOW], numbers[V_MIN])
    if stop == CURRENT:
        out[n, I_MAX] = candidate[CURRENT_LIMIT]


@register_jitable(forceinline=True)
def _advance(out: Floats, n: int, old: Row, new: Row, drop_c: float, share: float) -> None:
    """Add the part `share` of an interval that draws drop_c, its integrands linear between the nodes.

    A node that the pack does not reach alive counts with 1/i = 0.
    """
    first = drop_c * (share - 0.5 * share * share) / old[MEAN_A]
    last = drop_c * 0.5 * share * share / new[MEAN_A] if new[ALIVE] > 0.0 else 0.0
    out[n, TIME] += first + last
    out[n, ENERGY] += first * old[MEAN_A] * old[VOLTAGE] + last * new[MEAN_A] * new[VOLTAGE]
    out[n, SQUARE_S] += first * old[SQUARE_A2] + last * new[SQUARE_A2]
    out[n, HEAT_J] += first * old[HEAT] + last * new[HEAT]
    out[n, SOC_STOP] = old[Z] + share * (new[Z] - old[Z])
    out[n, TEMP_END] = old[TEMP_K] + share * (new[TEMP_K] - old[TEMP_K])


@register_jitable(forceinline=True)
def _warmed(node: Row, numbers: Row, candidate: Row, drop_c: float) -> tuple[float, float]:
    """Cell temperature after an interval, heated as at its start, and the factor on the resistances."""
    if candidate[RESISTANCE_K_W] <= 0.0:
        return node[TEMP_K], node[FACTOR]
    tau = candidate[RESISTANCE_K_W] * candidate[CAPACITY_J_K]
    end = candidate[AIR_K] + candidate[RESISTANCE_K_W] * node[HEAT]
    temp_k = end + (node[TEMP_K] - end) * math.exp(-drop_c / (node[MEAN_A] * tau))
    if candidate[WARMS] == 0.0:
        return temp_k, node[FACTOR]
    return temp_k, arrhenius(temp_k, numbers[ACTIVATION], numbers[REFERENCE_K])


@register_jitable(forceinline=True)
def _step(
    curves: Floats, cell: int, numbers: Row, candidate: Row, power: Floats, weight: Floats, old: Row,
    step: float, start_soc: float,
) -> Row:  # fmt: skip
    """The node one step of SoC below another."""
    charge_c, z = 3600.0 * numbers[CAPACITY], old[Z] - step
    temp_k, factor = _warmed(old, numbers, candidate, step * charge_c)
    return _node(curves, cell, numbers, candidate, power, weight, z, (start_soc - z) * charge_c, temp_k,
                 factor, old[MEAN_A], 1)  # fmt: skip


@register_jitable
def _closer_look(
    curves: Floats, cell: int, numbers: Row, candidate: Row, power: Floats, weight: Floats, steps: Floats, c: int,
    old: Row, new: Row, step: float, start_soc: float,
) -> tuple[float, int]:  # fmt: skip
    """Where in an interval a step that fails at its end fails, in SUB_STEPS finer steps, and why."""
    before = max(margin_v(curves, cell, numbers, candidate, old, steps, c)[0], 0.0)
    for sub in range(SUB_STEPS):
        fine = _step(curves, cell, numbers, candidate, power, weight, old, step / SUB_STEPS, start_soc)
        if fine[ALIVE] == 0.0:
            return sub / SUB_STEPS, POWER
        margin, why = margin_v(curves, cell, numbers, candidate, fine, steps, c)
        if margin < 0.0:
            return (sub + before / (before - margin)) / SUB_STEPS, why
        old, before = fine, margin
    # Finer steps may just pass the node at which the coarse one failed: the step fails there all the same.
    return 1.0, POWER if new[ALIVE] == 0.0 else margin_v(curves, cell, numbers, candidate, new, steps, c)[1]


@register_jitable
def _first_node(
    curves: Floats, cell: int, numbers: Row, candidate: Row, power: Floats, weight: Floats, z: float
) -> Row:
    """The full pack, iterated from the current that it would give without sag."""
    ocv, mean = ocv_at(curves, cell, z), 0.0
    floor_a = -candidate[CHARGE_LIMIT]
    for k in range(len(power)):
        mean += weight[k] * max(power[k] / ocv, floor_a)
    factor = arrhenius(candidate[AIR_K], numbers[ACTIVATION], numbers[REFERENCE_K])
    return _node(curves, cell, numbers, candidate, power, weight, z, 0.0, candidate[AIR_K], factor, mean,
                 FIRST_ITERATIONS)  # fmt: skip


@register_jitable(forceinline=True)
def _time_in(old: Row, new: Row, drop_c: float, share: float) -> float:
    """Time at the lap's mean current for the part `share` of an interval [s]."""
    last = drop_c * 0.5 * share * share / new[MEAN_A] if new[ALIVE] > 0.0 else 0.0
    return drop_c * (share - 0.5 * share * share) / old[MEAN_A] + last


@register_jitable
def _new_failures(
    out: Floats, n: int, curves: Floats, cell: int, numbers: Row, candidate: Row, power: Floats, weight: Floats,
    steps: Floats, count: int, margins: Floats, failed: Floats, runs: Floats, old: Row, new: Row,
    step: float, start_soc: float, lap_s: float,
) -> None:  # fmt: skip
    """The place at which each step that fails first in this interval comes due; the least is kept with its reason."""
    for c in range(count):
        if margins[c] >= 0.0 or failed[c] > 0.0:
            continue
        failed[c] = 1.0
        share, why = _closer_look(curves, cell, numbers, candidate, power, weight, steps, c, old, new, step,
                                  start_soc)  # fmt: skip
        seconds = _time_in(old, new, step * 3600.0 * numbers[CAPACITY], share)
        due = due_at(runs[c], max((out[n, TIME] + seconds) / lap_s, 0.0))
        if due < out[n, PLACE]:
            out[n, PLACE], out[n, STOP] = due, why


@register_jitable
def _cut_off(
    out: Floats, n: int, places: Floats, old: Row, new: Row, drop_c: float, lap_s: float
) -> float:
    """The part of an interval after which the place of the stop is reached; 1 if it isn't."""
    low, high = 0.0, 1.0
    if place_of(places, max((out[n, TIME] + _time_in(old, new, drop_c, high)) / lap_s, 0.0)) < out[n, PLACE]:
        return 1.0
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        if place_of(places, max((out[n, TIME] + _time_in(old, new, drop_c, middle)) / lap_s, 0.0)) < out[n, PLACE]:
            low = middle
        else:
            high = middle
    return high


@register_jitable
def _run_down(
    out: Floats, n: int, curves: Floats, cell: int, numbers: Row, candidate: Row, power: Floats,
    weight: Floats, steps: Floats, count: int, margins: Floats, failed: Floats, runs: Floats, places: Floats,
    soc: tuple[float, float, int], lap_s: float,
) -> None:  # fmt: skip
    """Visit the nodes from full to reserve, until the first step that can't be driven has come due."""
    out[n, SOC_STOP], out[n, TEMP_END], out[n, V_LOW] = soc[0], candidate[AIR_K], numbers[V_MAX]
    out[n, PLACE], out[n, STOP] = math.inf, RESERVE
    for c in range(len(failed)):
        failed[c] = 0.0
    old = _first_node(curves, cell, numbers, candidate, power, weight, soc[0])
    step = (soc[0] - soc[1]) / soc[2]
    drop_c = step * 3600.0 * numbers[CAPACITY]
    if not _passes(curves, cell, numbers, candidate, old, steps, count, margins):
        _new_failures(out, n, curves, cell, numbers, candidate, power, weight, steps, count, margins, failed, runs,
                      old, old, 0.0, soc[0], lap_s)  # fmt: skip
    for _ in range(soc[2]):
        if old[ALIVE] == 0.0 or place_of(places, max(out[n, TIME] / lap_s, 0.0)) >= out[n, PLACE]:
            break
        new = _step(curves, cell, numbers, candidate, power, weight, old, step, soc[0])
        if not _passes(curves, cell, numbers, candidate, new, steps, count, margins):
            _new_failures(out, n, curves, cell, numbers, candidate, power, weight, steps, count, margins, failed,
                          runs, old, new, step, soc[0], lap_s)  # fmt: skip
        share = _cut_off(out, n, places, old, new, drop_c, lap_s) if out[n, PLACE] < math.inf else 1.0
        _advance(out, n, old, new, drop_c, share)
        if share < 1.0:
            break
        old = new
    end = place_of(places, max(out[n, TIME] / lap_s, 0.0))
    if old[ALIVE] > 0.0 and end < out[n, PLACE]:
        out[n, PLACE], out[n, STOP] = end, RESERVE
    # Voltage is lowest and current largest at the last node that passed, or at the limit that stopped the pack.
    if old[ALIVE] > 0.0 and out[n, TIME] > 0.0:
        _note_extremes(out, n, curves, cell, numbers, candidate, old, steps, count)
    _note_stop(out, n, int(out[n, STOP]), numbers, candidate)


@register_jitable
def _load(
    bins: tuple[Floats, Floats], critical: Floats, cell: int, candidate: Row, drive: Drive, masses: Row,
    power: Floats, steps: Floats,
) -> None:  # fmt: skip
    """Fill in one cell's power in each bin, and at the critical steps with its filtered values."""
    share = 1.0 / candidate[CELLS]
    for k in range(len(power)):
        power[k] = battery_w(bins[0][k] + bins[1][k] * candidate[MASS], drive) * share
    along = (candidate[MASS] - masses[0]) / (masses[1] - masses[0]) if masses[1] > masses[0] else 0.0
    for s in range(critical.shape[1]):
        for f in range(LOADS):
            low, high = critical[cell, s, f, 0], critical[cell, s, f, 1]
            steps[s, f] = (low + along * (high - low)) * share


@kernel(rows=4_000)
def run_block(
    cell: Ints, candidates: Floats, curves: Floats, table: Floats, critical: Floats, counts: Ints,
    bins: tuple[Floats, Floats, Floats], drive: Drive, masses: Row, soc: tuple[float, float, int],
    runs: Floats, places: Floats, lap_s: float,
) -> Floats:  # fmt: skip
    """Run every candidate down; one row of RESULT columns each, in one cell's terms."""
    out = np.zeros((len(cell), RESULT))
    power, weight = np.empty(len(bins[2])), bins[2]
    steps = np.empty((critical.shape[1] + 1, COLUMNS))
    margins, failed = np.zeros(critical.shape[1]), np.zeros(critical.shape[1])
    for n in range(len(cell)):
        c, t, q = cell[n], table, candidates
        numbers = (t[c, 0] * q[n, CHARGE_PART], t[c, 1], t[c, 2], t[c, 3], t[c, 4], t[c, 5], t[c, 6], t[c, 7], t[c, 8],
                   t[c, 9], t[c, 10], t[c, 11])  # fmt: skip
        candidate = (q[n, 0], q[n, 1], q[n, 2], q[n, 3], q[n, 4], q[n, 5], q[n, 6], q[n, 7],
                     q[n, 8], q[n, 9])  # fmt: skip
        _load((bins[0], bins[1]), critical, c, candidate, drive, masses, power, steps)
        own_limits(steps, counts[c], numbers, candidate)
        _run_down(out, n, curves, c, numbers, candidate, power, weight, steps, counts[c], margins, failed,
                  runs[c], places, soc, lap_s)  # fmt: skip
    return out
