"""What both range kernels ask of one cell: its curves, its temperature, and the power it can give."""

from __future__ import annotations

import math

from numba.extending import register_jitable

from optimizer.base.arrays import Floats

RESERVE, CUTOFF, CURRENT, POWER = 0, 1, 2, 3
"""Why a pack stops; see STOP_NAMES in range.py."""

# Columns of a candidate: in one cell's terms.
CELLS, OUTSIDE, MASS, CURRENT_LIMIT, CHARGE_LIMIT, AIR_K, RESISTANCE_K_W, CAPACITY_J_K, CHARGE_PART, WARMS = range(10)
COLUMNS = 10


@register_jitable(forceinline=True)
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


@register_jitable(forceinline=True)
def place(z: float, points: int) -> tuple[int, float]:
    """Interval of a uniform SoC grid and the share of the way through it, ends held."""
    at = min(max(z, 0.0), 1.0) * (points - 1)
    low = min(int(at), points - 2)
    return low, at - low


@register_jitable(forceinline=True)
def interpolate(curves: Floats, cell: int, column: int, low: int, part: float) -> float:
    """Linear between grid points low and low + 1."""
    first = curves[cell, low, column]
    return float(first + part * (curves[cell, low + 1, column] - first))


@register_jitable(forceinline=True)
def ocv_at(curves: Floats, cell: int, z: float) -> float:
    """OCV at a SoC [V]."""
    low, part = place(z, curves.shape[1])
    return float(interpolate(curves, cell, 0, low, part))


@register_jitable(forceinline=True)
def ocv_slope(curves: Floats, cell: int, low: int) -> float:
    """dOCV/dz in an interval of the SoC grid [V]."""
    return float((curves[cell, low + 1, 0] - curves[cell, low, 0]) * (curves.shape[1] - 1))


@register_jitable(forceinline=True)
def arrhenius(temp_k: float, activation_k: float, reference_k: float) -> float:
    """Factor on the resistances at a temperature: exp(E·(1/T − 1/T_ref))."""
    return math.exp(activation_k * (1.0 / temp_k - 1.0 / reference_k))
