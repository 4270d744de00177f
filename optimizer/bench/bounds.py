"""What no sharing out of cells over groups can beat: least spread of group sums, by arguments that are proofs."""

from __future__ import annotations

import numpy as np

from optimizer.base.arrays import Ints


def spread_bound(values: Ints, *, groups: int) -> int:
    """Least difference between the largest and the smallest sum of groups of equal size, from below.

    Three bounds, the largest of which is returned:

    1. All sums leave one remainder by the common divisor g of the differences of values. If it is not that of the mean,
       they can't all be equal, and differ by g at least.
    2. Of the k·groups + 1 largest values some k + 1 stand in one group (pigeonhole). Its sum is no less than the k + 1
       smallest of these with the smallest of all others; so the largest sum is no less, and no less than the mean.
    3. The same upside down for the smallest sum.

    Parameters
    ----------
    values : ndarray of int, shape (groups · size,)
        Capacities in whole units.
    groups : int
        At least 1.

    Returns
    -------
    int
        In the values' unit, at least 0.

    Raises
    ------
    ValueError
        If the values don't fill the groups.

    >>> spread_bound(np.array([3, 3, 3, 5]), groups=2)
    2
    """
    if groups < 1 or len(values) % groups:
        raise ValueError(f"{len(values)} values don't fill {groups} groups of one size")
    size = len(values) // groups
    ordered = np.sort(values)
    total = int(ordered.sum())
    mean_up, mean_down = -(-total // groups), total // groups
    largest = max(mean_up, _least_largest(ordered, groups, size))
    # Turned upside down, the smallest sum is the negative of a largest one.
    smallest = min(mean_down, -_least_largest(-ordered[::-1], groups, size))
    divisor = int(np.gcd.reduce(ordered - ordered[0])) if len(ordered) > 1 else 0
    by_divisor = 0
    if divisor and (total % groups or (total // groups - size * int(ordered[0])) % divisor):
        by_divisor = divisor
    return max(largest - smallest, by_divisor, 0)


def _least_largest(ordered: Ints, groups: int, size: int) -> int:
    """No sharing out has a largest sum below this; values rising."""
    low = np.concatenate([[0], np.cumsum(ordered)])
    best = np.iinfo(np.int64).min
    n = len(ordered)
    for k in range(size):
        # Of the k·groups + 1 largest, the smallest k + 1 stand at these places.
        first = n - (k * groups + 1)
        together = int(low[first + k + 1] - low[first])
        others = size - k - 1
        best = max(best, together + int(low[min(others, first)]))
    return int(best)


def folded(values: Ints) -> tuple[Ints, int]:
    """Pairs of least spread: the largest with the smallest, and so on inwards.

    An exchange of partners that departs from it makes no largest sum smaller and no smallest sum larger, so the spread
    is the least there is.

    Parameters
    ----------
    values : ndarray of int, shape (2 · groups,)

    Returns
    -------
    ndarray of int, shape (groups, 2), and int
        Places of each pair; their spread.
    """
    order = np.argsort(values, kind="stable")
    pairs = np.stack([order[: len(order) // 2], order[::-1][: len(order) // 2]], axis=1)
    sums = values[pairs].sum(axis=1)
    return pairs, int(sums.max() - sums.min())
