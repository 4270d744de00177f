"""How unevenly cells of spread resistance share a pack's current, and how far the worst group sags.

A spread is the standard deviation over the mean, σ [-]; it, `series` S and `parallel` P are numbers or arrays of shape
(n,), and so are the answers [-]. A negative spread and a count below 1 are a ValueError.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from optimizer.base.arrays import Floats, same_kind
from optimizer.pack.spread import expected_normal_max


def _spread(value: ArrayLike, name: str) -> Floats:
    """A spread as an array, checked."""
    sigma = np.asarray(value, float)
    if np.any(sigma < 0):
        raise ValueError(f"{name} must not be negative")
    return sigma


def worst_share(dcir_cv: ArrayLike, *, series: ArrayLike, parallel: ArrayLike) -> Floats:
    """Largest current of any cell over the mean current of a cell, expected from the spread of resistance.

    share = 1 / (1 − σ · max(c_P, c_SP · √((P − 1)/P)))

    Cells in parallel carry I_i / mean = (1/r_i) / mean(1/r). With r_i = r (1 + σ z_i) and normal z that is
    1 / (1 + σ (z_i − z̄)) to first order in z̄. Within one group the expected least z_i − z̄ is −c_P. Over S
    groups the S·P deviations have variance (P − 1)/P and are nearly independent, which gives the second
    form. 1 where P is 1. Against a simulation the excess over 1 is met within 8 % at σ = 2 % (see the tests).

    References
    ----------
    Derivation above; order statistics c_n: Harter, Biometrika 48 (1961) 151.
    """
    sigma = _spread(dcir_cv, "dcir_cv")
    cells = np.asarray(parallel, float)
    one_group = expected_normal_max(parallel)
    all_groups = expected_normal_max(cells * np.asarray(series, float)) * np.sqrt((cells - 1.0) / cells)
    return same_kind(1.0 / (1.0 - np.minimum(sigma * np.maximum(one_group, all_groups), 0.9)))


#: Steps of the state of charge in which a drift is followed.
DRIFT_STEPS = 200


def drifts(
    ocv_v: Floats, ohm: Floats, *, current_a: ArrayLike, start_soc: float, end_soc: float, dcir_cv: float,
    capacity_cv: float,
) -> tuple[Floats, Floats]:  # fmt: skip
    """How unevenness of cells in parallel drifts over a discharge at constant current.

    Cells of one voltage, r_i = r (1 + ρ_i), Q_i = Q (1 + κ_i), deviations from their group's mean, to first order:
    the current is off by −ρ_i (1 − m) + κ_i m with m = a F, dF/dy = 1 − a F, y what is taken of the charge and
    a = (dOCV/dz − I dr/dz) / (I r). So a cell of little resistance runs ahead, and hands its current on: m is 0 at
    first, nears 1 along an even slope, and passes it where the slope grows faster than cells can follow.

    Parameters
    ----------
    ocv_v, ohm : ndarray, shape (n, n_soc)
        On SoC 0…1 in even steps; the resistance under a load that lasts, above 0 [V], [ohm].
    current_a : array_like, shape (n,)
        Of a cell, above 0 [A].
    start_soc, end_soc : float
        start > end [-].
    dcir_cv, capacity_cv : float
        σ_ρ and σ_κ [-].

    Returns
    -------
    ndarray, ndarray, shape (n,)
        Largest |1 − m|, by which resistances' part grows, at least 1; largest √(σ_ρ² (1 − m)² + σ_κ² m²) [-].

    References
    ----------
    Derivation above; tests/pack/test_drift.py integrates the cells themselves.
    """
    soc = np.linspace(start_soc, end_soc, DRIFT_STEPS + 1)
    grid = np.linspace(0.0, 1.0, ocv_v.shape[1])
    volts, r = (np.array([np.interp(soc, grid, row) for row in table]) for table in (ocv_v, ohm))
    amps, step = np.asarray(current_a, float)[:, None], (start_soc - end_soc) / DRIFT_STEPS
    rate = -np.diff(volts, axis=1) + amps * np.diff(r, axis=1)
    rate = np.maximum(rate / (step * amps * (r[:, 1:] + r[:, :-1]) / 2.0), 1e-9)
    ahead, grown = np.zeros(len(r)), np.ones(len(r))
    most = np.full(len(r), float(dcir_cv))
    for a in rate.T:
        kept = np.exp(-a * step)
        after = ahead * kept + (1.0 - kept) / a
        for m in (a * ahead, a * after):
            grown = np.maximum(grown, np.abs(1.0 - m))
            most = np.maximum(most, np.hypot(dcir_cv * (1.0 - m), capacity_cv * m))
        ahead = after
    return grown, most


def drifted_share(
    dcir_cv: ArrayLike, drift_cv: ArrayLike, *, series: ArrayLike, parallel: ArrayLike
) -> Floats:
    """Largest current of any cell over the mean current of a cell, over a whole discharge.

    The first share, or 1 + c · drift_cv with the same c where that is more: late in a discharge it is the cells of much
    resistance that have charge left, and their deviation adds to the current. To first order: sharp knees are
    smoothed by what cells differ, so drawn packs stay up to a fifth of the excess below (tests/pack/test_drift.py).

    Parameters
    ----------
    drift_cv : array_like
        Second of `drifts` [-].
    """
    first = worst_share(dcir_cv, series=series, parallel=parallel)
    return same_kind(np.maximum(first, 2.0 - 1.0 / worst_share(drift_cv, series=series, parallel=parallel)))


#: No expectation leaves less of a group than this: a spread so wide that it matters is no longer normal.
LEAST_CAPACITY = 0.05


def weakest_group_capacity(capacity_cv: ArrayLike, *, series: ArrayLike, parallel: ArrayLike) -> Floats:
    """Capacity of the weakest of S series groups over the mean group, expected from the spread.

    k = 1 − σ · c_S / √P

    LEAST_CAPACITY to 1. The pack's charge is that of its weakest group: the others still hold some when it is empty.

    References
    ----------
    A group's capacity is the sum of its cells', of relative spread σ/√P; least of S: Harter, Biometrika 48 (1961) 151.
    """
    sigma = _spread(capacity_cv, "capacity_cv")
    group = sigma * expected_normal_max(series) / np.sqrt(np.asarray(parallel, float))
    return same_kind(np.maximum(1.0 - group, LEAST_CAPACITY))


def weakest_group_factor(dcir_cv: ArrayLike, *, series: ArrayLike, parallel: ArrayLike) -> Floats:
    """Resistance of the worst of S series groups over the mean group, expected from the spread.

    k = 1 + σ · c_S / √P

    References
    ----------
    A group's resistance has relative spread σ/√P to first order; largest of S: Harter, Biometrika 48 (1961) 151.
    """
    sigma = _spread(dcir_cv, "dcir_cv")
    return same_kind(1.0 + sigma * expected_normal_max(series) / np.sqrt(np.asarray(parallel, float)))
