"""Which rows of a front to look at first: ranking by published methods, and a few picks that really differ.

Matrices hold one row per candidate and one column per objective; less is better unless a function says so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from optimizer.base.arrays import Floats
from optimizer.base.figures import OBJECTIVES
from optimizer.base.problems import nearest
from optimizer.front.pareto import normalise, signed

if TYPE_CHECKING:
    import pandas as pd


# What makes two candidates different packs, with the weight of each part of the difference. A strip, a wire
# or a fuse is exchanged in an evening; another cell, count or sharing-out is another pack.
FAMILY: dict[str, float] = {"cell_id": 0.5, "series": 0.2, "parallel": 0.2, "split": 0.1}


def shares(weights: Mapping[str, float] | None, *, objectives: Sequence[str]) -> Floats:
    """Weights of the objectives, made to add up to 1 [-]; one left out weighs nothing, None weighs all alike.

    ValueError if a weight is negative or not finite, all are zero, or one is given for an unknown objective.
    """
    if weights is None:
        return np.full(len(objectives), 1.0 / len(objectives))
    unknown = [name for name in weights if name not in objectives]
    if unknown:
        near = nearest(unknown[0], objectives)
        hint = f"; nearest: {near}" if near else ""
        raise ValueError(f"weight for {unknown[0]!r}, which is no objective here{hint}")
    values = np.array([float(weights.get(name, 0.0)) for name in objectives])
    if not np.all(np.isfinite(values)) or np.any(values < 0) or values.sum() <= 0:
        raise ValueError(f"weights must be at least 0 and not all 0, found {dict(weights)}")
    return np.asarray(values / values.sum(), dtype=float)


def criteria(
    columns: Iterable[object], *, objectives: Sequence[str], weights: Mapping[str, float] | None = None
) -> list[str]:
    """What a ranking counts: the objectives, and their figures in situations that are given a weight.

    >>> criteria(["range_km", "range_km_winter"], objectives=["range_km"], weights={"range_km_winter": 2.0})
    ['range_km', 'range_km_winter']
    """
    given = [name for name, weight in (weights or {}).items() if weight and name not in objectives]
    return [*objectives, *(name for name in given if name in OBJECTIVES and name in set(columns))]


def weighted_sum(points: Floats, *, weights: npt.ArrayLike) -> Floats:
    """Weighted mean of the normalised losses, less is better: 0 is best in everything, 1 worst in everything.

    score = Σ w_j (f_j − min f_j) / (max f_j − min f_j)

    References
    ----------
    Zadeh, IEEE Trans. Automatic Control 8 (1963) 59. A point in a dent of the front is never first.
    """
    return np.asarray(normalise(points) @ np.asarray(weights, dtype=float), dtype=float)


def topsis(matrix: Floats, *, weights: npt.ArrayLike, benefit: npt.ArrayLike) -> Floats:
    """Closeness of each row to the ideal row, 0 to 1: near the best of every column, far from the worst.

    v_ij = w_j x_ij / √Σ_i x_ij² ;  C_i = d_i⁻ / (d_i⁺ + d_i⁻)

    Values are natural ones, each column in its own unit; `benefit` says where more is better. 1 for all where rows do
    not differ.

    References
    ----------
    Hwang and Yoon, Multiple Attribute Decision Making (1981), ch. 3 (vector normalisation).
    """
    length = np.sqrt(np.sum(matrix**2, axis=0))
    scaled = matrix / np.where(length > 0, length, 1.0) * np.asarray(weights, dtype=float)
    more = np.asarray(benefit, dtype=bool)
    best = np.where(more, scaled.max(axis=0), scaled.min(axis=0))
    worst = np.where(more, scaled.min(axis=0), scaled.max(axis=0))
    to_best = np.sqrt(np.sum((scaled - best) ** 2, axis=1))
    to_worst = np.sqrt(np.sum((scaled - worst) ** 2, axis=1))
    both = to_best + to_worst
    return np.where(both > 0, to_worst / np.where(both > 0, both, 1.0), 1.0)


def extremes(points: Floats) -> npt.NDArray[np.int64]:
    """The best row of each column, shape (d,); of equal ones the row with the least normalised sum."""
    total = normalise(points).sum(axis=1)
    return np.array([int(np.lexsort((total, column))[0]) for column in points.T], dtype=np.int64)


def knee_distance(points: Floats) -> Floats:
    """How far each row bulges from the plane through the extremes towards the ideal; the knee bulges most.

    Plane n·x = 1 through the best row of each objective, x normalised to 0..1; distance = (1 − n·x) / |n|, below 0
    behind the plane (a front without knee has no value above 0).

    References
    ----------
    Das, Structural Optimization 18 (1999) 107, on the hull of individual minima. Where the extremes span no plane (one
    row is best in two objectives), the plane of least slope through them is taken; where they span none off the origin,
    Σ x = 1.
    """
    scaled = normalise(points)
    corners = scaled[extremes(points)]
    ones = np.ones(len(corners))
    normal = np.linalg.lstsq(corners, ones, rcond=1e-12)[0]
    if not np.allclose(corners @ normal, ones, rtol=1e-9, atol=1e-9):
        normal = np.ones(scaled.shape[1])
    return np.asarray((1.0 - scaled @ normal) / np.linalg.norm(normal), dtype=float)


def _by_sum(points: Floats, weights: Floats) -> Floats:
    return np.asarray(1.0 - weighted_sum(points, weights=weights), dtype=float)


def _by_topsis(points: Floats, weights: Floats) -> Floats:
    # The sign that `signed` put on a column leaves lengths and distances as they are, so all are costs here.
    return topsis(points, weights=weights, benefit=np.zeros(points.shape[1], dtype=bool))


def _by_knee(points: Floats, weights: Floats) -> Floats:
    # A distance to a plane knows no weights: columns without weight are left out, the others count alike.
    return knee_distance(points[:, weights > 0])


METHODS: dict[str, Callable[[Floats, Floats], Floats]] = {
    "topsis": _by_topsis,
    "weighted_sum": _by_sum,
    "knee": _by_knee,
}


def best_row(points: Floats) -> int:
    """The row, of equal ones the first, that a shortlist puts first when nobody weighs anything: that of most merit."""
    return int(np.argmax(_by_topsis(points, shares(None, objectives=[str(k) for k in range(points.shape[1])]))))


def merit(
    frame: pd.DataFrame,
    *,
    objectives: Sequence[str],
    method: str = "topsis",
    weights: Mapping[str, float] | None = None,
) -> Floats:
    """One figure per row of a front by a named method, more is better.

    Parameters
    ----------
    frame : DataFrame
        A front, with a column per objective in natural values.
    objectives : sequence of str
        Names out of `optimizer.base.figures.OBJECTIVES`.
    method : {"topsis", "weighted_sum", "knee"}
    weights : mapping of objective to weight, or None
        See `shares` and `criteria`. The knee only leaves out what weighs nothing.

    Returns
    -------
    ndarray, shape (n,)
        [-]; comparable between rows of this front, not between methods or fronts.

    Raises
    ------
    ValueError
        If the method or a weight is unknown.
    """
    if method not in METHODS:
        near = nearest(method, METHODS)
        hint = f"; nearest: {near}" if near else ""
        raise ValueError(f"method must be one of {', '.join(METHODS)}, found {method!r}{hint}")
    names = criteria(frame.columns, objectives=objectives, weights=weights)
    share = shares(weights, objectives=names)
    if len(frame) == 0:
        return np.zeros(0)
    columns = {name: frame[name].to_numpy(dtype=float) for name in names}
    return METHODS[method](signed(columns, objectives=names), share)


def rank(
    frame: pd.DataFrame,
    *,
    objectives: Sequence[str],
    method: str = "topsis",
    weights: Mapping[str, float] | None = None,
) -> pd.DataFrame:
    """The front, best first, with two columns more: rank (from 1) and merit; equal merits keep their order."""
    value = merit(frame, objectives=objectives, method=method, weights=weights)
    # Rounding keeps ties (all extremes lie on the knee's plane) ties, whatever the units.
    order = np.argsort(-np.round(value, 12), kind="stable")
    ranked = frame.iloc[order].reset_index(drop=True)
    ranked.insert(0, "rank", np.arange(1, len(ranked) + 1))
    ranked.insert(1, "merit", value[order])
    return ranked


def difference(frame: pd.DataFrame, *, row: int, points: Floats) -> Floats:
    """How different every row is from one, 0 to 1 [-]: half by what it is made of, half by what it achieves.

    made of = Σ weight · (names differ, or |Δcount| / larger count); achieves = root mean square of the
    normalised objectives' differences

    A column of FAMILY that the frame lacks counts as equal; `points` are the objectives normalised to 0..1.
    """
    made = np.zeros(len(frame))
    for column, weight in FAMILY.items():
        if column in frame:
            values = frame[column].to_numpy()
            if values.dtype.kind in "iuf":
                # 19 in series instead of 20 is hardly another pack, 10 instead of 20 is.
                larger = np.maximum(np.maximum(np.abs(values), np.abs(values[row])), 1)
                made += weight * np.abs(values - values[row]) / larger
            else:
                made += weight * (values != values[row])
    achieved = np.sqrt(np.mean((points - points[row]) ** 2, axis=1))
    return np.asarray(0.5 * made + 0.5 * achieved, dtype=float)


def pick_different(
    frame: pd.DataFrame,
    n: int,
    *,
    objectives: Sequence[str],
    method: str = "topsis",
    weights: Mapping[str, float] | None = None,
    appetite: float = 0.5,
) -> pd.DataFrame:
    """A few rows that are good and differ: never two of the same cell, counts and split.

    First the row of highest merit; then, each time, the row with the highest
    (1 − appetite) · merit + appetite · (least difference to the rows already picked), both scaled to 0..1.

    Parameters
    ----------
    frame, objectives, method, weights
        As in `merit`.
    n : int
        How many at most, at least 1; fewer come back when the front holds fewer different packs.
    appetite : float
        0 looks at merit alone, 1 at difference alone [-].

    Returns
    -------
    DataFrame
        Picked rows in the order picked, with columns rank (in the whole front) and merit.

    Raises
    ------
    ValueError
        If n is below 1 or appetite outside 0..1, or as `merit`.

    References
    ----------
    J. Carbonell, J. Goldstein, SIGIR 1998, 335: maximal marginal relevance.
    """
    if n < 1 or not 0.0 <= appetite <= 1.0:
        raise ValueError(f"n must be at least 1 and appetite 0..1, found {n} and {appetite}")
    ranked = rank(frame, objectives=objectives, method=method, weights=weights)
    if len(ranked) == 0:
        return ranked
    columns = {name: ranked[name].to_numpy(dtype=float) for name in objectives}
    points = normalise(signed(columns, objectives=objectives))
    quality = ranked["merit"].to_numpy(dtype=float)
    spread = float(np.ptp(quality))
    quality = (quality - quality.min()) / spread if spread > 0 else np.ones(len(ranked))
    family = ranked.groupby([name for name in FAMILY if name in ranked], dropna=False).ngroup().to_numpy()
    picked, open_rows, apart = [0], family != family[0], difference(ranked, row=0, points=points)
    while len(picked) < n and bool(open_rows.any()):
        scale = max(float(apart[open_rows].max()), 1e-12)
        value = (1.0 - appetite) * quality + appetite * apart / scale
        best = int(np.argmax(np.where(open_rows, value, -np.inf)))
        picked.append(best)
        open_rows = open_rows & (family != family[best])
        apart = np.minimum(apart, difference(ranked, row=best, points=points))
    return ranked.iloc[picked].reset_index(drop=True)
