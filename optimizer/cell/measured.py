"""What a cell is fitted to, curves and pulses, and how far a fit is from them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.cell.laws import REFERENCE_TEMP_C
from optimizer.cell.model import CellModel


@dataclass(frozen=True, eq=False)
class Curve:
    """A discharge from full at constant current > 0, cell at temp_c: capacity_ah rising; voltage_v, shape (n,)."""

    current_a: float
    capacity_ah: Floats
    voltage_v: Floats
    temp_c: float = REFERENCE_TEMP_C


@dataclass(frozen=True, eq=False)
class Pulse:
    """A pulse from rest at temp_c: drop_v after time_s at current_a; the state of charge has a rest voltage rest_v."""

    soc: float
    current_a: float
    time_s: Floats
    drop_v: Floats
    rest_v: float
    temp_c: float = REFERENCE_TEMP_C


@dataclass(frozen=True, eq=False)
class CurveError:
    """How far the fitted model is from one curve.

    voltage_rms_mv leaves out the last 3 % of the charge, where a curve is steep; capacity_error and
    energy_error are relative [-], to the last row of the curve, whose charge capacity_ah is [Ah].
    """

    current_a: float
    voltage_rms_mv: float
    voltage_max_mv: float
    capacity_error: float
    energy_error: float
    capacity_ah: float
    temp_c: float = REFERENCE_TEMP_C


@dataclass(frozen=True, eq=False)
class PulseError:
    """Fitted drop over measured drop, less 1 [-], of one pulse row."""

    soc: float
    current_a: float
    time_s: float
    drop_error: float
    temp_c: float = REFERENCE_TEMP_C


@dataclass(frozen=True, eq=False)
class Fit:
    """The model and how well it meets what it was fitted to; fitted_laws: parts whose temperature law the data tell."""

    model: CellModel
    curves: tuple[CurveError, ...]
    pulses: tuple[PulseError, ...]
    fitted_laws: tuple[str, ...] = ()


def noise_of(voltage_v: Floats) -> float:
    """Random error of a smooth curve, from its third differences (their spread is sqrt(20) times as wide).

    Parameters
    ----------
    voltage_v : ndarray, shape (n,)
        [V]

    Returns
    -------
    float
        [V]; 0 for fewer than 8 rows.
    """
    if len(voltage_v) < 8:
        return 0.0
    return float(np.median(np.abs(np.diff(voltage_v, 3))) / 0.6745 / np.sqrt(20.0))


def smooth(voltage_v: Floats, noise_v: float) -> Floats:
    """Moving straight-line fit when the noise is worth it, else the curve as it stands."""
    half = min(len(voltage_v) // 40, 12)
    if noise_v < 0.0005 or half < 1:
        return voltage_v
    out = voltage_v.copy()
    for i in range(len(out)):
        lo, hi = max(0, i - half), min(len(out), i + half + 1)
        x = np.arange(lo, hi) - i
        slope = np.dot(x - x.mean(), voltage_v[lo:hi]) / np.dot(x - x.mean(), x - x.mean())
        out[i] = voltage_v[lo:hi].mean() - slope * x.mean()
    return out
