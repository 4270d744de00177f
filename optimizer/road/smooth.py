"""Smoothing of evenly spaced series with holes: penalised least squares, its noise and its window.

The smoother of Whittaker (1923), as Eilers, Anal. Chem. 75 (2003) 3631, writes it: the series z that makes
Σ w (y − z)² + λ Σ (Δ²z)² least. It is the optimal smoother of a value whose second difference is white.
"""

from __future__ import annotations

import numpy as np
from scipy.linalg import solveh_banded

from optimizer.base.arrays import Floats

# Variance of the third difference of white noise over that of the noise: 1 + 9 + 9 + 1. That of a value whose speed is
# a random walk of steps a in a second is a²·h³, h seconds apart (its second differences: 2/3·a²·h³, 1/6 of it shared).
THIRD_DIFFERENCE = 20.0
# Median of |z| of a standard normal value.
NORMAL_MEDIAN = 0.674490
# ∫ u²/(1 + u⁴)² du over the real line, over 2π: noise of the slope behind the smoother, see `slope_noise`.
SLOPE_INTEGRAL = np.pi * np.sqrt(2.0) / 8.0 / (2.0 * np.pi)


def whittaker(values: Floats, *, weights: Floats, smoothing: float) -> Floats:
    """The smoothest series near the values, holes filled.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Any unit; what has no weight may be NaN.
    weights : ndarray, shape (n,)
        Not negative, more than 0 in two places at least; 0 marks a hole [-].
    smoothing : float
        λ, at least 0 [-].

    Returns
    -------
    ndarray, shape (n,)
        Unit of the values.
    """
    n = len(values)
    known = np.where(weights > 0, values, 0.0)
    if np.count_nonzero(weights) < 2 or n < 3:
        return np.full(n, float(np.sum(known * weights) / max(np.sum(weights), 1e-300)))
    bands = np.zeros((3, n))
    bands[2] = weights + smoothing * _diagonal(n)
    bands[1, 1:] = -4.0 * smoothing
    bands[1, [1, -1]] = -2.0 * smoothing
    bands[0, 2:] = smoothing
    # A hole leaves the matrix singular at λ = 0: a trace of smoothing carries it.
    if smoothing <= 0.0:
        return np.interp(np.arange(n), np.flatnonzero(weights > 0), known[weights > 0])
    return np.asarray(solveh_banded(bands, weights * known, check_finite=False), dtype=np.float64)


def _diagonal(n: int) -> Floats:
    """Diagonal of D'D of second differences; three and four points have fewer terms."""
    square = np.zeros(n)
    for shift, factor in ((0, 1.0), (1, 4.0), (2, 1.0)):
        square[shift : n - 2 + shift] += factor
    return square


def robust_whittaker(values: Floats, *, weights: Floats, smoothing: float, noise: float, rounds: int = 4) -> Floats:
    """The same with outliers held down: weights of Huber, reweighted a few times.

    Parameters
    ----------
    values, weights : ndarray, shape (n,)
    smoothing : float
        [-]
    noise : float
        Standard deviation of the values, above 0 [unit of the values].
    rounds : int

    Returns
    -------
    ndarray, shape (n,)
    """
    held = weights
    found = whittaker(values, weights=held, smoothing=smoothing)
    for _ in range(rounds):
        away = np.abs(np.where(weights > 0, values - found, 0.0)) / (2.5 * noise)
        held = weights / np.maximum(away, 1.0) ** 2
        found = whittaker(values, weights=held, smoothing=smoothing)
    return found


def white_noise(values: Floats) -> float:
    """Standard deviation of the white part of a series, by its third differences.

    σ = 1.4826 · median |Δ³y| / √20. What changes slowly has no part in it, so drift and noise with a memory do not
    count. A series in whole steps has at least the noise of its rounding, step/√12.

    Parameters
    ----------
    values : ndarray, shape (n,)
        NaN marks holes.

    Returns
    -------
    float
        Unit of the values; 0 where there are too few values in a row.
    """
    third = np.diff(values, n=3)
    third = third[np.isfinite(third)]
    if len(third) < 8:
        return 0.0
    noise = float(np.median(np.abs(third))) / NORMAL_MEDIAN / np.sqrt(THIRD_DIFFERENCE)
    return float(max(noise, _step_of(values) / np.sqrt(12.0)))


def _step_of(values: Floats) -> float:
    """Least step between values that a rounded series takes, in their unit; 0 for one that is not rounded."""
    known = values[np.isfinite(values)][:20_000]
    levels = np.unique(np.round(known, 9))
    if len(levels) < 2 or len(levels) > 0.5 * len(known):
        return 0.0
    return float(np.min(np.diff(levels)))


def smoothing_of_window(window: float, *, spacing: float) -> float:
    """λ whose half-power wavelength is the window: λ = (window / (2π · spacing))⁴.

    A wave of that length keeps half its height, one of twice that length 94 %.

    Parameters
    ----------
    window, spacing : float
        In one unit, above 0.

    Returns
    -------
    float
        [-]

    >>> round(smoothing_of_window(62.83185307, spacing=5.0), 6)
    16.0
    """
    return float((window / (2.0 * np.pi * spacing)) ** 4)


def window_of_smoothing(smoothing: float, *, spacing: float) -> float:
    """The window of a λ, see `smoothing_of_window`; unit of the spacing."""
    return float(2.0 * np.pi * spacing * smoothing**0.25)


def slope_noise(noise: float, *, window: float, spacing: float) -> float:
    """Standard deviation of the slope of a smoothed series whose values have white noise.

    σ² = σ_y² · spacing · ω³ · √2π/8 / 2π with ω = 2π/window: the spectrum of the smoother's slope, summed.

    Parameters
    ----------
    noise : float
        Of one value.
    window, spacing : float
        In one unit.

    Returns
    -------
    float
        Unit of the values per unit of the spacing.
    """
    omega = 2.0 * np.pi / window
    return float(noise * np.sqrt(spacing * omega**3 * SLOPE_INTEGRAL))
