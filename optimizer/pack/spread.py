"""What the spread between cells does to a pack: order statistics, and a Monte Carlo over chosen designs."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial import cKDTree
from scipy.special import log_ndtr

from optimizer.base.arrays import Floats, same_kind

#: No draw leaves less of a cell than this: a spread so wide that it matters is no longer normal.
_LEAST = 0.05

#: Counts up to this are looked up: the search asks for the same few again and again.
_TABLE_MOST = 2047

_GRID = np.linspace(-10.0, 10.0, 2001)
_DENSITY = np.exp(-0.5 * _GRID**2) / np.sqrt(2.0 * np.pi)
_LOG_BELOW = log_ndtr(_GRID)


@dataclass(frozen=True)
class Spread:
    """Relative standard deviations from cell to cell, and of the price of the whole purchase.

    A batch as a whole is taken to be on its datasheet: no shift common to all cells is drawn.

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
            if not value >= 0.0:
                raise ValueError(f"{name} must be at least 0, found {value}")


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
        Resistance of the worst series group over the mean group: it meets the cut-off first.
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


#: What a score makes of factors: objectives and constraint margins, each name an array (draws, designs).
Score = Callable[[Factors], tuple[Mapping[str, Floats], Mapping[str, Floats]]]


@dataclass(frozen=True, eq=False)
class SpreadResult:
    """Percentiles of each objective and chances of each constraint, one entry per design.

    Parameters
    ----------
    p10, p90 : dict of str to ndarray, shape (designs,)
        10th and 90th percentile of each objective, by its name.
    holds : dict of str to ndarray, shape (designs,)
        Chance that the constraint's margin is at least 0, by its name [-].
    """

    p10: dict[str, Floats]
    p90: dict[str, Floats]
    holds: dict[str, Floats]


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

    References
    ----------
    Harter, Biometrika 48 (1961) 151, "Expected values of normal order statistics".

    >>> round(float(expected_normal_max(2)), 6)
    0.56419
    """
    n = np.asarray(count, dtype=float)
    if np.any(n < 1) or np.any(n != np.floor(n)):
        raise ValueError("count must be a whole number of at least 1")
    most = int(n.max(initial=1))
    if most <= _TABLE_MOST:
        return same_kind(_table(1 << most.bit_length())[n.astype(np.int64)])
    distinct, inverse = np.unique(n, return_inverse=True)
    return same_kind(_normal_max(distinct)[inverse].reshape(n.shape))


def normal_max_sd(count: ArrayLike) -> Floats:
    """Standard deviation of the largest, or least, of n independent standard normal values, shape of count.

    √(∫ x² n φ(x) Φ(x)^(n−1) dx − c_n²), c_n from `expected_normal_max`

    References
    ----------
    Harter, as there; 0.8256 for two, √(1 − 1/π).

    >>> round(float(normal_max_sd(2)), 4)
    0.8256
    """
    n = np.asarray(count, dtype=float)
    distinct, inverse = np.unique(n, return_inverse=True)
    below = np.exp((distinct[:, None] - 1.0) * _LOG_BELOW)
    square = (distinct[:, None] * _GRID**2 * _DENSITY * below).sum(axis=1) * (_GRID[1] - _GRID[0])
    spread = np.sqrt(np.maximum(square - expected_normal_max(distinct) ** 2, 0.0))
    return same_kind(spread[inverse].reshape(n.shape))


@cache
def _table(size: int) -> Floats:
    """Values for counts under size, computed once; entry 0 stands for nothing."""
    return np.concatenate([[0.0], _normal_max(np.arange(1.0, size))])


def _normal_max(count: Floats) -> Floats:
    """The integral by the trapezoid rule: exponentially exact for a smooth integrand that dies away."""
    below = np.exp((count[:, None] - 1.0) * _LOG_BELOW)
    values = (count[:, None] * _GRID * _DENSITY * below).sum(axis=1) * (_GRID[1] - _GRID[0])
    values[count == 1] = 0.0
    return np.asarray(values, dtype=float)


def draw_factors(
    spread: Spread, *, series: ArrayLike, parallel: ArrayLike, draws: int = 1000, seed: int = 0
) -> Factors:
    """Packs drawn cell by cell.

    A group's capacity is the sum of its cells', the pack's that of its weakest group; a group's admittance is
    the sum of its cells' admittances. Designs of equal S and P get equal draws, whatever stands beside them,
    so that designs are compared on the same luck.

    Parameters
    ----------
    series, parallel : int or ndarray, shape (n,)
        [-]
    draws : int
        At least 1.
    seed : int
        Not negative; equal seeds give equal draws.

    Returns
    -------
    Factors
        Arrays of shape (draws, n).

    Raises
    ------
    ValueError
        If there is no draw or a count is below 1.

    References
    ----------
    Capacity of a series string is that of its weakest member; current divider in each group.
    """
    groups, cells = np.broadcast_arrays(np.atleast_1d(series), np.atleast_1d(parallel))
    if draws < 1 or np.any(groups < 1) or np.any(cells < 1):
        raise ValueError("draws, series and parallel must be at least 1")
    kinds, back = np.unique(np.stack([groups, cells], axis=1), axis=0, return_inverse=True)
    each = [_draw_kind(spread, int(s), int(p), draws, seed) for s, p in kinds]
    values = np.stack(each, axis=-1)[..., back.ravel()]
    return Factors(*values)


def _draw_kind(spread: Spread, series: int, parallel: int, draws: int, seed: int) -> Floats:
    """The six factors of one S and P, shape (6, draws)."""
    # One stream per quantity: a spread of one leaves the draws of the others as they are.
    streams = [np.random.default_rng([seed, series, parallel, k]) for k in range(4)]
    count = series * parallel
    group = streams[0].standard_normal((draws, series)) * (spread.capacity / np.sqrt(parallel))
    capacity = np.maximum(1.0 + group, _LEAST).min(axis=1)
    cell = 1.0 + spread.dcir * streams[1].standard_normal((draws, series, parallel))
    admittance = 1.0 / np.maximum(cell, _LEAST)
    ohm = 1.0 / admittance.mean(axis=2)
    share = (admittance * ohm[..., None]).max(axis=(1, 2))
    resistance = ohm.mean(axis=1)
    mass = 1.0 + streams[2].standard_normal(draws) * spread.mass / np.sqrt(count)
    price = 1.0 + streams[3].standard_normal(draws) * spread.price
    return np.stack(
        [
            capacity,
            resistance,
            ohm.max(axis=1) / resistance,
            share,
            np.maximum(mass, _LEAST),
            np.maximum(price, _LEAST),
        ]
    )


def monte_carlo(
    score: Score,
    *,
    spread: Spread,
    series: ArrayLike,
    parallel: ArrayLike,
    draws: int = 1000,
    seed: int = 0,
    draws_at_once: int = 100,
) -> SpreadResult:
    """Percentiles of objectives and chances of constraints for chosen designs.

    Parameters
    ----------
    score : callable
        Takes Factors of shape (d, n); gives objectives and margins by name, each of that shape. A margin
        of at least 0 holds.
    series, parallel : int or ndarray, shape (n,)
        Of the designs [-].
    draws, seed : int
        See `draw_factors`.
    draws_at_once : int
        Draws in one call of the score; no effect on the result.

    Raises
    ------
    ValueError
        If there is no draw or a count is below 1.
    """
    factors = draw_factors(spread, series=series, parallel=parallel, draws=draws, seed=seed)
    objectives: dict[str, list[Floats]] = {}
    margins: dict[str, list[Floats]] = {}
    for first in range(0, draws, draws_at_once):
        part = slice(first, first + draws_at_once)
        reached, spare = score(Factors(*(values[part] for values in vars(factors).values())))
        for found, store in ((reached, objectives), (spare, margins)):
            for name, values in found.items():
                store.setdefault(name, []).append(np.asarray(values, float))
    whole = {name: np.concatenate(values) for name, values in objectives.items()}
    return SpreadResult(
        p10={name: np.percentile(values, 10.0, axis=0) for name, values in whole.items()},
        p90={name: np.percentile(values, 90.0, axis=0) for name, values in whole.items()},
        holds={name: (np.concatenate(values) >= 0).mean(axis=0) for name, values in margins.items()},
    )


def fit_chance(
    across_mm: Floats,
    *,
    stack: ArrayLike,
    diameter_mm: float,
    cv: float,
    tolerance_mm: float = 0.0,
    wall_gap_mm: ArrayLike = np.inf,
    draws: int = 1000,
    seed: int = 0,
) -> float:
    """Chance that cylindrical cells of spread diameters fit where a layout puts them.

    No pair meets, |c_i − c_j| − (d_i + d_j)/2 ≥ 0, and all cells their wall gap, with d = (D − tolerance)
    (1 + σ z). A catalog's diameter is the largest a cell may have; with its tolerance the mean is smaller.

    Parameters
    ----------
    across_mm : ndarray, shape (n, 2)
        Centres in the plane across the axis [mm].
    stack : ndarray of int, shape (n,)
        Layer or module: only cells of the same can touch.
    diameter_mm : float
        D, as the layout took it [mm].
    cv : float
        σ, standard deviation of the diameter over its mean [-].
    tolerance_mm : float
        Largest diameter less the mean [mm].
    wall_gap_mm : float or ndarray, shape (n,)
        How far a cell of diameter D could still grow towards a wall, per side [mm].
    draws, seed : int
        Equal seeds give equal draws.

    Returns
    -------
    float
        Share of the draws in which all cells fit [-].

    Raises
    ------
    ValueError
        If there is no draw, or the spread is negative.
    """
    if draws < 1 or cv < 0:
        raise ValueError("draws must be at least 1 and cv must not be negative")
    points = np.asarray(across_mm, float)
    reach = diameter_mm * (1.0 + 8.0 * cv) + 1e-6
    label = np.asarray(stack, int) * 10.0 * reach
    pairs = cKDTree(np.column_stack([points, label])).query_pairs(reach, output_type="ndarray").reshape(-1, 2)
    distance = np.linalg.norm(points[pairs[:, 0]] - points[pairs[:, 1]], axis=1)
    z = np.random.default_rng([seed, len(points)]).standard_normal((draws, len(points)))
    diameter = (diameter_mm - tolerance_mm) * (1.0 + cv * z)
    gap = distance - (diameter[:, pairs[:, 0]] + diameter[:, pairs[:, 1]]) / 2.0
    room = np.asarray(wall_gap_mm, float) - (diameter - diameter_mm) / 2.0
    # A billionth of a millimetre is rounding, not a collision.
    return float(((gap >= -1e-9).all(axis=1) & (room >= -1e-9).all(axis=1)).mean())
