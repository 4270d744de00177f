"""Plates of a whole chain at once, as factors that any strip multiplies: what the search asks for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optimizer.fit.chain.groups import Chain
from optimizer.fit.region.layout import Layout
from optimizer.pack.plates.geometry import ChainGeometry, chain_geometry

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class PlateFactors:
    """Plates of the first g groups of a chain, g = 1 … G, as factors that any strip multiplies.

    With ρ [ohm m], strip thickness t and width w [mm]:
    resistance = 1000 ρ / (t w) · length_mm + r_weld · welds; hottest density = I · segment / (t w); largest
    share of a cell, to first order in strip over cell resistance r, = 1 + 1000 ρ / (t w) · spread_mm / r.

    Parameters
    ----------
    length_mm : ndarray, shape (G,)
        Length of one layer of strip that has the plates' resistance, end plates and links included [mm].
    welds : ndarray, shape (G,)
        Resistance of the welds over that of one: 2 g / P [-].
    segment : ndarray, shape (G,)
        Current in one layer of the hottest piece over the pack current [-].
    spread_mm : ndarray, shape (G,)
        See above; the true share is a little less [mm].
    series_mm, across_mm, end_mm : ndarray, shape (G,)
        Strip between weld centres by direction, one layer [mm].
    series_pieces, across_pieces, end_pieces : ndarray of int, shape (G,)
        Pieces of strip by direction, one layer.
    """

    length_mm: Floats
    welds: Floats
    segment: Floats
    spread_mm: Floats
    series_mm: Floats
    across_mm: Floats
    end_mm: Floats
    series_pieces: Ints
    across_pieces: Ints
    end_pieces: Ints


def chain_plates(
    layout: Layout,
    chain: Chain,
    *,
    cell_gap_mm: float,
    layers_series: int = 1,
    layers_across: int = 1,
    layers_end: int | None = None,
    taps: int = 1,
) -> PlateFactors:
    """Plates of every first g groups of a chain at once: networks solved before any material is chosen.

    Cells carry equal shares. Plates with equal networks are solved once; all solves go to LAPACK as one
    batch.

    Parameters
    ----------
    layout : Layout
    chain : Chain
        With at least one group.
    cell_gap_mm : float
        As the chain was made with [mm].
    layers_series, layers_across : int
        Layers of strip from group to group, and inside a group, at least 1.
    layers_end : int or None
        Layers of end plates; None: as series.
    taps : int
        Cells over which the lead at each end is split, at least 1.

    Returns
    -------
    PlateFactors

    Raises
    ------
    ValueError
        If the chain is empty or of another layout, or a count below 1.
    """
    ends = layers_series if layers_end is None else layers_end
    if min(layers_series, layers_across, ends, taps) < 1:
        raise ValueError("layers and taps must be at least 1")
    made = chain_geometry(layout, chain, cell_gap_mm=cell_gap_mm)
    green = end_green(made)
    end = _solved_ends(made, green, best_taps(green, taps), ends)
    series = _solved_series(made, layers_series, layers_across)
    return _gathered(made, end, series)


@dataclass(frozen=True, eq=False)
class _Solved:
    """Plates at unit ρ / (t w) and unit current: length (k,), hottest layer (k,), potentials (k, m)."""

    length_mm: Floats
    segment: Floats
    potential: Floats


def end_green(made: ChainGeometry) -> Floats:
    """Pseudo-inverse of the one-layer conductance matrix of each group's own strips.

    Parameters
    ----------
    made : ChainGeometry

    Returns
    -------
    ndarray, shape (G, P, P)
        [mm]
    """
    groups, size = made.members.shape
    matrix = np.zeros((groups, size, size))
    _add_edges(matrix, made.across_at, made.across_slots, 1.0 / made.across_mm)
    return _each_distinct(matrix, lambda block: np.linalg.inv(block + 1.0 / size) - 1.0 / size)


def best_taps(green: Floats, taps: int) -> Ints:
    """Cells of each group at which a lead, split in equal parts, leaves with the least heat (greedy choice).

    With equal currents from the cells the heat is Σ_ab M_ab / taps² over the taps, M the pseudo-inverse.

    Parameters
    ----------
    green : ndarray, shape (G, P, P)
        See `end_green`.
    taps : int
        At least 1; more than P count as P.

    Returns
    -------
    ndarray of int, shape (G, taps)

    Raises
    ------
    ValueError
        If taps is below 1.
    """
    if taps < 1:
        raise ValueError(f"taps must be at least 1, found {taps}")
    groups, size = green.shape[:2]
    own = np.round(np.diagonal(green, axis1=1, axis2=2), 9)
    picked = np.zeros((groups, 0), dtype=np.int64)
    rows = np.arange(groups)
    for _ in range(min(taps, size)):
        mutual = np.take_along_axis(green, picked[:, None, :], axis=2).sum(axis=2)
        cost = own + 2.0 * np.round(mutual, 9)
        cost[rows[:, None], picked] = np.inf
        picked = np.column_stack([picked, np.argmin(cost, axis=1)])
    return picked


def _add_edges(matrix: Floats, at: Ints, slots: Ints, weight: Floats) -> None:
    """Add conductances to the matrices (k, m, m) in place."""
    a, b = slots.T
    np.add.at(matrix, (at, a, b), -weight)
    np.add.at(matrix, (at, b, a), -weight)
    np.add.at(matrix, (at, a, a), weight)
    np.add.at(matrix, (at, b, b), weight)


def _each_distinct(matrix: Floats, solve: Callable[[Floats], Floats]) -> Floats:
    """solve(matrix) with equal blocks of (k, m, m) solved once."""
    seen: dict[bytes, int] = {}
    index = np.array([seen.setdefault(block.tobytes(), len(seen)) for block in matrix], dtype=np.int64)
    _, first = np.unique(index, return_index=True)
    return solve(matrix[first])[index]


def _steepest(count: int, at: Ints, drop: Floats, length_mm: Floats) -> Floats:
    """Largest drop per length of strip in each of `count` plates: the current in one layer."""
    worst = np.zeros(count)
    np.maximum.at(worst, at, np.abs(drop) / length_mm)
    return worst


def _solved_ends(made: ChainGeometry, green: Floats, spots: Ints, layers: int) -> _Solved:
    """An end plate at every group."""
    taps = spots.shape[1]
    potential = -np.take_along_axis(green, spots[:, None, :], axis=2).mean(axis=2) / layers
    length = -np.take_along_axis(potential, spots, axis=1).sum(axis=1) / taps
    a, b = made.across_slots.T
    drop = potential[made.across_at, a] - potential[made.across_at, b]
    return _Solved(length, _steepest(made.groups, made.across_at, drop, made.across_mm), potential)


def _solved_series(made: ChainGeometry, layers_series: int, layers_across: int) -> _Solved:
    """A series plate at every boundary; zeros at links."""
    groups, size = made.members.shape
    count = max(groups - 1, 0)
    matrix = np.zeros((count, 2 * size, 2 * size))
    at = [made.series_at, made.across_at[made.across_at < count], made.across_at[made.across_at > 0] - 1]
    slots = [
        made.series_slots + np.array([0, size]),
        made.across_slots[made.across_at < count],
        made.across_slots[made.across_at > 0] + size,
    ]
    length = [made.series_mm, made.across_mm[made.across_at < count], made.across_mm[made.across_at > 0]]
    for where, pair, long, layers in zip(
        at, slots, length, (layers_series, layers_across, layers_across), strict=True
    ):
        _add_edges(matrix, where, pair, layers / long)
    feed = np.repeat([1.0, -1.0], size) / size
    potential = np.zeros((count, 2 * size))
    own = ~made.linked
    if own.any():
        potential[own] = _each_distinct(
            matrix[own], lambda block: np.linalg.solve(block + 1.0 / size, feed[:, None])[:, :, 0]
        )
    where, pair, long = np.concatenate(at), np.concatenate(slots), np.concatenate(length)
    drop = potential[where, pair[:, 0]] - potential[where, pair[:, 1]]
    return _Solved(potential @ feed, _steepest(count, where, drop, long), potential)


def _gathered(made: ChainGeometry, end: _Solved, series: _Solved) -> PlateFactors:
    """Sums and worst values over the first g groups, with an end plate after the last of them."""
    groups, size = made.members.shape
    linked = made.linked
    inner = np.where(linked, end.length_mm[:-1] + end.length_mm[1:], series.length_mm)
    inner_hot = np.where(linked, np.maximum(end.segment[:-1], end.segment[1:]), series.segment)
    length = end.length_mm[0] + _running(np.add, inner) + end.length_mm
    segment = np.maximum(np.maximum(end.segment[0], _running(np.maximum, inner_hot)), end.segment)
    entry, leave = end.potential.copy(), end.potential.copy()
    own = np.flatnonzero(~linked)
    entry[own + 1] = -series.potential[own, size:]
    leave[own] = series.potential[own, :size]
    spread = size * _centred(-entry - leave).max(axis=1)
    closed = size * _centred(-entry - end.potential).max(axis=1)
    worst = np.maximum(_running(np.maximum, spread[:-1]), closed)
    across_mm = _sums(made.across_at, made.across_mm, groups)
    joined = np.bincount(made.across_at[made.joints[:, 0]], minlength=groups)
    pieces = np.asarray(np.bincount(made.across_at, minlength=groups) - joined, dtype=np.float64)
    along_mm = _sums(made.series_at, made.series_mm, groups - 1)
    along = np.asarray(np.bincount(made.series_at, minlength=groups - 1), dtype=np.float64)
    return PlateFactors(
        length_mm=length,
        welds=2.0 * np.arange(1, groups + 1) / size,
        segment=segment,
        spread_mm=worst,
        series_mm=_running(np.add, along_mm),
        across_mm=_inside(across_mm, linked),
        end_mm=_at_ends(across_mm, linked),
        series_pieces=_running(np.add, along).astype(np.int64),
        across_pieces=_inside(pieces, linked).astype(np.int64),
        end_pieces=_at_ends(pieces, linked).astype(np.int64),
    )


def _running(rule: np.ufunc, values: Floats) -> Floats:
    """Running sum or maximum after 0, 1, 2, … values, starting from 0."""
    return np.asarray(rule.accumulate(np.concatenate([[0.0], values])), dtype=np.float64)


def _inside(values: Floats, linked: NDArray[np.bool_]) -> Floats:
    """What the pieces inside groups add up to over the series plates of the first g groups."""
    return _running(np.add, np.where(linked, 0.0, values[:-1] + values[1:]))


def _at_ends(values: Floats, linked: NDArray[np.bool_]) -> Floats:
    """What they add up to over the end plates of the first g groups."""
    between = np.where(linked, values[:-1] + values[1:], 0.0)
    return np.asarray(values[0] + _running(np.add, between) + values, dtype=np.float64)


def _sums(at: Ints, values: Floats, count: int) -> Floats:
    """Sum of the values of each place, shape (count,)."""
    return np.asarray(np.bincount(at, weights=values, minlength=count), dtype=np.float64)


def _centred(rows: Floats) -> Floats:
    """Each row less its mean."""
    return np.asarray(rows - rows.mean(axis=1, keepdims=True), dtype=np.float64)
