"""Whether a critical step can be driven: the compiled part of `range_block` that stops a pack.

All in terms of one cell. A step of power p may be driven with at most the current I*: the limit, or the current at
which the cell is at its cut-off, V_min·I − R_ext·I² = p, whichever is less. With the lagging currents i1, i2, i3 of
the way there (critical.py) and R = R0 + R_ext it can be driven while

    h = max over I ≤ I* of  u − R·I − p/I ≥ 0,   u = OCV(z − lag·i3/capacity) − R1·i1 − R2·i2

The inner term is largest at the matched load, I = √(p/R), where h = u − 2·√(R·p); below that it rises with I.
Why h only falls as a pack gets weaker or a load harder: u falls with the lagging currents, and

* at the limit, ∂h/∂p = −1/I*, ∂h/∂R_ext = −I*, and ∂h/∂I* = p/I*² − R ≥ 0;
* at the cut-off, h = u − R0·I* − V_min, and I* grows with p and R_ext;
* at the matched load by its formula;

and h is continuous where one takes over from another.
"""

from __future__ import annotations

import math

from numba.extending import register_jitable

from optimizer.base.arrays import Floats
from optimizer.ride.kernels.cell import CURRENT, CURRENT_LIMIT, CUTOFF, OUTSIDE, POWER, ocv_at
from optimizer.ride.kernels.cells import CAPACITY, LAG, LAG_TAU, TAU2, V_MAX, V_MIN
from optimizer.ride.kernels.critical import (
    F1,
    F2,
    F3,
    FAST1,
    LAGGED2,
    LAGGED3,
    LOADS,
    POWER_W,
    Q1,
    Q2,
    Q3,
    SLOW2,
    SLOW3,
)

Row = tuple[float, ...]

# A node: SoC, lap means of I and I², energy per charge at the terminals, heat, temperature, and the factor on
# the resistances; then what the critical steps need: R0, R1, R2, charge drawn, the lap's mean voltage.
# Whether the pack is alive at all comes last. Tuples and scalars stay in registers; arrays would not.
(Z, MEAN_A, SQUARE_A2, VOLTAGE, HEAT, TEMP_K, FACTOR, R0, R1, R2, DRAWN, MEAN_V, ALIVE) = range(13)

# Further columns of a step's loads: I* and what limits it; in the last row also the filtered powers over p/I*.
(OWN_A, WHY, MOST1, MOST2, MOST3) = range(LOADS, LOADS + 5)
COLUMNS = LOADS + 5

LEAST_V = 0.1
"""Keeps a quotient finite where nothing can be driven anyway [V]."""

FAR_V = 0.2
"""Berth of the test that costs little [V]."""


@register_jitable(forceinline=True)
def built_up(mean_a: float, charge_c: float, tau_s: float) -> float:
    """Share of a slow voltage that has built up after a charge: 1 − exp(−q/(i·τ)), within 0.01.

    exp is cut after the fourth power, which costs no call and keeps the share concave in q/(i·τ), so that
    i times the share still grows with i.
    """
    if charge_c <= 0.0:
        return 0.0
    # Numerator and denominator times (i·τ)⁴: one division.
    a, q = mean_a * tau_s, charge_c
    rest = q * (a * a * a + q * (0.5 * a * a + q * (a / 6.0 + q / 24.0)))
    return rest / (rest + a * a * a * a)


@register_jitable
def own_limits(steps: Floats, count: int, numbers: Row, candidate: Row) -> None:
    """Fill in I* and its reason for the first `count` steps, and one after them that is as hard as any of them."""
    v_min, outside = numbers[V_MIN], candidate[OUTSIDE]
    steps[count] = 0.0
    for c in range(count):
        steps[c, POWER_W] = max(steps[c, POWER_W], 0.0)
        for column in range(LOADS):
            steps[count, column] = max(steps[count, column], steps[c, column])
    for c in range(count + 1):
        p = steps[c, POWER_W]
        root = v_min * v_min - 4.0 * outside * p
        current, why = math.inf, POWER
        if root >= 0.0:
            current, why = 2.0 * p / (v_min + math.sqrt(root)), CUTOFF
        if candidate[CURRENT_LIMIT] < current:
            current, why = candidate[CURRENT_LIMIT], CURRENT
        steps[c, OWN_A], steps[c, WHY] = current, why
    share = steps[count, OWN_A] / max(steps[count, POWER_W], 1e-12)
    for k in range(3):
        steps[count, MOST1 + k] = steps[count, F1 + k] * share


@register_jitable(forceinline=True)
def _lagging(filtered: float, own: float, u: float, r: float) -> float:
    """Current of a filtered power behind u and r; `own` is that power weighted with itself."""
    behind = max(u, LEAST_V)
    return filtered * 2.0 / (behind + math.sqrt(max(behind * behind - 4.0 * r * own, 0.0)))


@register_jitable(forceinline=True)
def behind_v(
    curves: Floats, cell: int, numbers: Row, candidate: Row, node: Row, steps: Floats, c: int
) -> float:
    """Voltage behind R0 at a critical step.

    The lag is worked out twice: first as if the way there had been driven at the lap's mean voltage, then at the
    voltage that comes out of that.
    """
    z, charge_c, mean_v = node[Z], 3600.0 * numbers[CAPACITY], node[MEAN_V]
    fast = node[R0] + candidate[OUTSIDE]
    r = fast + node[R1]
    u = ocv_at(curves, cell, z - steps[c, LAGGED3] / (mean_v * charge_c)) - node[R2] * steps[c, SLOW3] / mean_v
    i3 = _lagging(steps[c, F3], steps[c, Q3], u, r)
    v = min(steps[c, F3] / i3, mean_v) if i3 > 0.0 else mean_v
    u = ocv_at(curves, cell, z - steps[c, LAGGED3] / (v * charge_c)) - node[R2] * steps[c, SLOW3] / v
    i3 = _lagging(steps[c, F3], steps[c, Q3], u, r)
    u = ocv_at(curves, cell, z - steps[c, LAGGED2] / (v * charge_c)) - node[R2] * steps[c, SLOW2] / v
    i2 = _lagging(steps[c, F2], steps[c, Q2], u, r)
    i2 *= built_up(i2, node[DRAWN], numbers[TAU2])
    i3 *= built_up(i3, node[DRAWN], numbers[LAG_TAU])
    u = ocv_at(curves, cell, z - numbers[LAG] * i3 / charge_c) - node[R2] * i2
    return float(u - node[R1] * _lagging(steps[c, F1], steps[c, Q1], u - node[R1] * steps[c, FAST1] / v, fast))


@register_jitable(forceinline=True)
def _asked_v(p: float, current: float, r: float) -> tuple[float, bool]:
    """Least of R·I + p/I over the currents that are allowed, and whether the matched load is among them."""
    if r * current * current > p:
        return 2.0 * math.sqrt(r * p), True
    return (r * current + p / current if current > 0.0 else math.inf), False


@register_jitable(forceinline=True)
def margin_v(
    curves: Floats, cell: int, numbers: Row, candidate: Row, node: Row, steps: Floats, c: int
) -> tuple[float, int]:
    """h of a critical step at a node, and what would end it."""
    p, current, why = steps[c, POWER_W], steps[c, OWN_A], int(steps[c, WHY])
    u = behind_v(curves, cell, numbers, candidate, node, steps, c)
    if p <= 0.0:
        return u - numbers[V_MIN], CUTOFF
    asked, matched = _asked_v(p, current, node[R0] + candidate[OUTSIDE])
    return max(u - asked, -numbers[V_MAX]), POWER if matched else why


@register_jitable(forceinline=True)
def far_from_it(curves: Floats, cell: int, numbers: Row, candidate: Row, node: Row, steps: Floats, last: int) -> bool:
    """Whether all steps pass by a wide berth if even the whole way there were driven at p/I*: cheap to tell.

    What passes this by FAR_V passes the proper test, which alone must be monotone.
    """
    p, current, r = steps[last, POWER_W], steps[last, OWN_A], node[R0] + candidate[OUTSIDE]
    if p <= 0.0 or r * current * current > p:
        return False
    lag = numbers[LAG] * steps[last, MOST3] / (3600.0 * numbers[CAPACITY])
    u = ocv_at(curves, cell, node[Z] - lag) - node[R1] * steps[last, MOST1] - node[R2] * steps[last, MOST2]
    return bool(u - r * current - p / current >= FAR_V)
