"""A bound on the spread of group sums from how the few most extreme values can be shared out among themselves."""

from __future__ import annotations

import numpy as np
from numba import njit

from optimizer.base.arrays import Floats, Ints

# So many values are shared out at most, and so many places tried for them.
MOST_VALUES, STEPS = 18, 500_000


def extremes_bound(values: Ints, *, groups: int) -> tuple[int, int, int]:
    """Least spread that the largest or the smallest values leave, and the least and largest sum of a way to it.

    Of any sharing out take j groups that hold the j largest values. Put the smallest values in place of all others of
    these groups, rank by rank: no sum rises. So the j sums of some sharing out of these j · size values are no larger
    than those of the j groups. Its largest is no larger than the largest sum there is, and the mean that any of its
    groups leave to all others no less than the smallest. The least difference of the two over all such sharings is
    found by trying them; the same upside down for the smallest values.

    Parameters
    ----------
    values : ndarray of int, shape (groups · size,)
    groups : int
        At least 2.

    Returns
    -------
    (int, int, int)
        The bound, 0 where nothing is told; the smallest and largest sum of the relaxed sharing out that has it.
    """
    best = (0, 0, 0)
    for sign in (1, -1):
        ordered = np.sort(sign * values)
        size = len(values) // groups
        for j in range(1, min(groups - 1, MOST_VALUES // size) + 1):
            few = np.concatenate([ordered[: j * (size - 1)], ordered[len(ordered) - j :]])
            low, high = _apart(few, groups, j, int(ordered.sum()), enough=best[0])
            if high - low > best[0]:
                best = (high - low, low, high) if sign > 0 else (high - low, -high, -low)
    return best


def _apart(few: Ints, groups: int, made: int, total: int, *, enough: int) -> tuple[int, int]:
    """Smallest and largest sum of the best sharing out of j · size values.

    Both are 0 where some way has `enough` or less, or the steps don't suffice.
    """
    away = np.abs(few - total / groups / (len(few) // made))
    values = few[np.argsort(-away, kind="stable")].astype(float)
    size = len(values) // made
    fill = np.zeros((len(values) + 1, size + 1))
    for d in range(len(values) + 1):
        rest = np.sort(values[d:])[:size]
        fill[d] = np.concatenate([[0.0], np.cumsum(rest), np.full(size - len(rest), np.inf)])
    low, high = _tried(values, fill, groups, made, float(total), float(enough), STEPS)
    # Sums are whole: the smallest is no more than the whole number below a mean.
    return int(np.floor(low)), round(high)


@njit(cache=True, error_model="numpy")
def _limits(sums: Floats, groups: int, total: float, rest: float) -> tuple[float, float]:
    """The least mean that some of the sums leave to all other groups, and the largest sum."""
    ordered = np.sort(sums)[::-1]
    low, held = min(total / groups, rest), 0.0
    for k in range(len(ordered)):
        held += ordered[k]
        low = min(low, (total - held) / (groups - k - 1))
    return low, ordered[0]


@njit(cache=True, error_model="numpy")
def _tried(values, fill, groups, made, total, enough, steps):  # type: ignore[no-untyped-def]
    """Depth first, the value furthest from the middle first; free seats count with the smallest values left."""
    n, size = len(values), len(values) // made
    rest = (total - values.sum()) / (groups - made)
    choice = np.full(n + 1, -1, dtype=np.int64)
    opened = np.zeros(n + 1, dtype=np.int64)
    sums, count = np.zeros(made), np.zeros(made, dtype=np.int64)
    least = np.zeros(made)
    best_low, best_high = -np.inf, np.inf
    depth = 0
    while depth >= 0:
        steps -= 1
        if steps < 0 or best_high - best_low <= enough:
            return 0.0, 0.0
        g = choice[depth]
        if g >= 0:
            sums[g] -= values[depth]
            count[g] -= 1
        g += 1
        while g < made and g <= opened[depth] and count[g] == size:
            g += 1
        if g >= made or g > opened[depth]:
            choice[depth] = -1
            depth -= 1
            continue
        choice[depth] = g
        sums[g] += values[depth]
        count[g] += 1
        for k in range(made):
            least[k] = sums[k] + fill[depth + 1, size - count[k]]
        low, high = _limits(least, groups, total, rest)
        if high - low >= best_high - best_low:
            continue
        if depth == n - 1:
            best_low, best_high = low, high
            continue
        opened[depth + 1] = max(opened[depth], g + 1)
        depth += 1
        choice[depth] = -1
    return best_low, best_high
