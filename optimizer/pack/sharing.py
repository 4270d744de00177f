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

    Source: derivation above; order statistics c_n: Harter, Biometrika 48 (1961) 151.
    """
    sigma = _spread(dcir_cv, "dcir_cv")
    cells = np.asarray(parallel, float)
    one_group = expected_normal_max(parallel)
    all_groups = expected_normal_max(cells * np.asarray(series, float)) * np.sqrt((cells - 1.0) / cells)
    return same_kind(1.0 / (1.0 - np.minimum(sigma * np.maximum(one_group, all_groups), 0.9)))


#: No expectation leaves less of a group than this: a spread so wide that it matters is no longer normal.
LEAST_CAPACITY = 0.05


def weakest_group_capacity(capacity_cv: ArrayLike, *, series: ArrayLike, parallel: ArrayLike) -> Floats:
    """Capacity of the weakest of S series groups over the mean group, expected from the spread.

    k = 1 − σ · c_S / √P

    LEAST_CAPACITY to 1. The pack's charge is that of its weakest group: the others still hold some when it is empty.

    Source: a group's capacity is the sum of its cells', of relative spread σ/√P; least of S: Harter, Biometrika 48
    (1961) 151.
    """
    sigma = _spread(capacity_cv, "capacity_cv")
    group = sigma * expected_normal_max(series) / np.sqrt(np.asarray(parallel, float))
    return same_kind(np.maximum(1.0 - group, LEAST_CAPACITY))


def weakest_group_factor(dcir_cv: ArrayLike, *, series: ArrayLike, parallel: ArrayLike) -> Floats:
    """Resistance of the worst of S series groups over the mean group, expected from the spread.

    k = 1 + σ · c_S / √P

    Source: a group's resistance has relative spread σ/√P to first order; largest of S: Harter, Biometrika 48
    (1961) 151.
    """
    sigma = _spread(dcir_cv, "dcir_cv")
    return same_kind(1.0 + sigma * expected_normal_max(series) / np.sqrt(np.asarray(parallel, float)))
