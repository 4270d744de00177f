"""Groups of many cells: exchanges between them, first hot and then cold, until capacity and conductance are level.

Simulated annealing (Kirkpatrick, Gelatt and Vecchi, Science 220 (1983) 671). Exchanges of two cells keep group sizes;
near the end those that would take a capacity out of its window are refused, and conductance is levelled within it.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from optimizer.base.arrays import Floats, Ints


@njit(cache=True, error_model="numpy")
def _cool(capacity, conductance, group, sums, others, aim_other, weight, low, high, hot, cold, tries, rng):  # type: ignore[no-untyped-def]
    """Exchanges under a falling temperature; energy is Σ(window excess)² + weight·Σ(conductance − aim)²."""
    n = len(capacity)
    fall = (cold / hot) ** (1.0 / max(tries, 1))
    heat = hot
    for _ in range(tries):
        heat *= fall
        a, b = int(rng.random() * n), int(rng.random() * n)
        g, h = group[a], group[b]
        if g == h:
            continue
        step, step_other = capacity[b] - capacity[a], conductance[b] - conductance[a]
        was, now = 0.0, 0.0
        for k in range(2):
            at = g if k == 0 else h
            sign = 1.0 if k == 0 else -1.0
            here = sums[at]
            out = max(0.0, here - high) + max(0.0, low - here)
            was += out * out
            here += sign * step
            out = max(0.0, here - high) + max(0.0, low - here)
            now += out * out
            other = others[at] - aim_other
            was += weight * other * other
            other += sign * step_other
            now += weight * other * other
        change = now - was
        if change <= 0.0 or rng.random() < np.exp(-change / heat):
            sums[g] += step
            sums[h] -= step
            others[g] += step_other
            others[h] -= step_other
            group[a], group[b] = h, g


@njit(cache=True, error_model="numpy")
def _level(capacity, conductance, group, sums, others, aim_other, low, high, tries, rng, hot):  # type: ignore[no-untyped-def]
    """Conductance levelled by exchanges that leave every capacity in its window."""
    n = len(capacity)
    fall = 1e-4 ** (1.0 / max(tries, 1))
    heat = hot
    for _ in range(tries):
        heat *= fall
        a, b = int(rng.random() * n), int(rng.random() * n)
        g, h = group[a], group[b]
        if g == h:
            continue
        step = capacity[b] - capacity[a]
        if not (low <= sums[g] + step <= high and low <= sums[h] - step <= high):
            continue
        step_other = conductance[b] - conductance[a]
        one, two = others[g] - aim_other, others[h] - aim_other
        change = (one + step_other) ** 2 + (two - step_other) ** 2 - one * one - two * two
        if change <= 0.0 or rng.random() < np.exp(-change / heat):
            sums[g] += step
            sums[h] -= step
            others[g] += step_other
            others[h] -= step_other
            group[a], group[b] = h, g


def snaked(capacity: Ints, *, groups: int) -> Ints:
    """Cells dealt out by falling capacity, forth and back: group of each cell, shape (n,)."""
    order = np.argsort(-capacity, kind="stable")
    turn = np.concatenate([np.arange(groups), np.arange(groups)[::-1]])
    group = np.empty(len(capacity), dtype=np.int64)
    group[order] = turn[np.arange(len(capacity)) % (2 * groups)]
    return group


def anneal(
    capacity: Ints, conductance: Floats, *, groups: int, window: tuple[float, float], slack: float, start: Ints,
    seed: int, tries: int, hot: float | None = None,
) -> Ints:  # fmt: skip
    """Level both sums of groups.

    Parameters
    ----------
    capacity : ndarray of int, shape (n,)
    conductance : ndarray, shape (n,)
        [S]
    window : (float, float)
        Where every group's capacity should lie.
    slack : float
        By how much the window is wider than it must be: how finely sums are led into it.
    start : ndarray of int, shape (n,)
        Group of each cell to begin with.
    tries : int
        Exchanges to try in each of the two stages.
    hot : float, optional
        How far sums swing at the beginning; as much as those of groups drawn at random when left out.

    Returns
    -------
    ndarray of int, shape (n,)
        Group of each cell.
    """
    group, rng = start.copy(), np.random.default_rng(seed)
    cap = capacity.astype(float)
    low, high = window
    aim_other = float(conductance.sum()) / groups
    sums, others = _sums(cap, group, groups), _sums(conductance, group, groups)
    if np.any((sums < low) | (sums > high)):
        size = len(cap) // groups
        spread = max(float(cap.std()) * np.sqrt(size), slack, 1.0)
        other = max(float(conductance.std()) * np.sqrt(size), 1e-12)
        # Conductance pulls so lightly that capacity comes home first.
        weight = (0.05 * slack / other) ** 2
        quarter = 0.25 * slack
        _cool(cap, conductance, group, sums, others, aim_other, weight, low + quarter, high - quarter,
              (hot or spread) ** 2, (0.02 * slack) ** 2, tries, rng)  # fmt: skip
        sums, others = _sums(cap, group, groups), _sums(conductance, group, groups)
    inside = (min(low, float(sums.min())), max(high, float(sums.max())))
    uneven = max(float(np.var(others)), 1e-18)
    _level(cap, conductance, group, sums, others, aim_other, *inside, tries, rng, uneven)
    return group


def _sums(values: Floats, group: Ints, groups: int) -> Floats:
    return np.bincount(group, weights=values, minlength=groups).astype(np.float64)
