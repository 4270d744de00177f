"""What the spread between cells does to a pack: order statistics, and a Monte Carlo over chosen designs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import log_ndtr

from optimizer.pack.arrays import Floats, same_kind

_GRID = np.linspace(-10.0, 10.0, 2001)
_DENSITY = np.exp(-0.5 * _GRID**2) / np.sqrt(2.0 * np.pi)
_LOG_BELOW = log_ndtr(_GRID)


@dataclass(frozen=True)
class Spread:
    """Relative standard deviations from cell to cell, and of the price of the whole purchase.

    Parameters
    ----------
    capacity, dcir, diameter, mass : float
        Standard deviation over mean, independent from cell to cell [-].
    price : float
        Standard deviation over mean, one draw for all cells: they are bought together [-].
    """

    capacity: float = 0.0
    dcir: float = 0.0
    diameter: float = 0.0
    mass: float = 0.0
    price: float = 0.0

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if not 0.0 <= value < 0.3:
                raise ValueError(f"{name} must be at least 0 and under 0.3, found {value}")


@dataclass(frozen=True, eq=False)
class Factors:
    """What a draw does to a pack, as factors on its nominal figures; every array has shape (draws, designs).

    Parameters
    ----------
    capacity : ndarray
        Pack capacity: the weakest series group over the nominal one, 1 at no spread.
    resistance : ndarray
        Resistance of all cells between the pack's terminals.
    weakest_group : ndarray
        Resistance of the worst series group over the nominal one: it meets the cut-off first.
    share : ndarray
        Largest current of any cell over the mean current of a cell.
    mass, price : ndarray
        All cells together.
    """

    capacity: Floats
    resistance: Floats
    weakest_group: Floats
    share: Floats
    mass: Floats
    price: Floats


@dataclass(frozen=True, eq=False)
class SpreadResult:
    """Percentiles of each objective and chances of each constraint, one entry per design.

    Parameters
    ----------
    p10, p90 : dict of str to ndarray, shape (designs,)
        10th and 90th percentile of each objective, by its name.
    holds : dict of str to ndarray, shape (designs,)
        Chance that the constraint's margin is at least 0, by its name [-].
    draws : int
    """

    p10: dict[str, Floats]
    p90: dict[str, Floats]
    holds: dict[str, Floats]
    draws: int


def expected_normal_max(count: ArrayLike) -> Floats:
    """Mean of the largest of n independent standard normal values; the mean of the least is its negative.

    c_n = ∫ x n φ(x) Φ(x)^(n−1) dx

    Parameters
    ----------
    count : int or ndarray
        n, at least 1 [-].

    Returns
    -------
    ndarray, shape of count
        c_n in standard deviations: 0 for one, 1/√π for two [-].

    Raises
    ------
    ValueError
        If a count is below 1.

    Source: Harter, Biometrika 48 (1961) 151, "Expected values of normal order statistics".

    >>> round(float(expected_normal_max(2)), 6)
    0.56419
    """
    n = np.asarray(count, dtype=float)
    if np.any(n < 1) or np.any(n != np.floor(n)):
        raise ValueError("count must be a whole number of at least 1")
    distinct, inverse = np.unique(n, return_inverse=True)
    # The trapezoid rule converges exponentially on a smooth integrand that vanishes at both ends.
    below = np.exp((distinct[:, None] - 1.0) * _LOG_BELOW)
    step = _GRID[1] - _GRID[0]
    values = (distinct[:, None] * _GRID * _DENSITY * below).sum(axis=1) * step
    values[distinct == 1] = 0.0
    return same_kind(values[inverse].reshape(n.shape))
