"""Lower bounds on the spread of group sums, each with its proof."""

from __future__ import annotations

import numpy as np

from optimizer.base.arrays import Ints


def spread_bound(values: Ints, *, groups: int) -> int:
    """Least difference between the largest and the smallest sum of groups of equal size, from below.

    The larger of two bounds is returned:

    1. All sums leave one remainder by the common divisor g of the differences of values. If it is not that of the mean,
       they can't all be equal, and differ by g at least.
    2. Of the k·groups + j smallest values some j groups hold j·(k + 1) or more (pigeonhole). Together they hold no more
       than the largest of these and the largest of all others. Their mean is no less than the smallest sum, and the
       mean of the other groups no more than the largest; the same upside down.

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

    >>> spread_bound(np.array([3, 3, 3, 5]), groups=2), spread_bound(np.array([1, 9, 9, 9, 9, 9]), groups=3)
    (2, 8)
    """
    smallest, largest = sum_limits(values, groups=groups)
    first, total = int(values.min()), int(values.sum())
    divisor, by_divisor = int(np.gcd.reduce(values - first)), 0
    if divisor and (total % groups or (total // groups - len(values) // groups * first) % divisor):
        by_divisor = divisor
    return max(largest - smallest, by_divisor, 0)


def sum_limits(values: Ints, *, groups: int) -> tuple[int, int]:
    """What the smallest sum can't be above, and the largest not below; see bound 2 of `spread_bound`.

    Arguments and errors as there.
    """
    if groups < 1 or len(values) % groups:
        raise ValueError(f"{len(values)} values don't fill {groups} groups of one size")
    ordered, size = np.sort(values), len(values) // groups
    smallest, largest = _apart(ordered, groups, size)
    # Turned upside down, the smallest sum is the negative of a largest one.
    least, most = _apart(-ordered[::-1], groups, size)
    return min(smallest, -most), max(largest, -least)


def _apart(ordered: Ints, groups: int, size: int) -> tuple[int, int]:
    """The smallest sum is no larger than the first, the largest no smaller than the second; values rising."""
    low = np.concatenate([[0], np.cumsum(ordered)])
    n, total = len(ordered), int(low[-1])
    smallest, largest = total // groups, -(-total // groups)
    for k in range(size):
        for j in range(1, groups):
            first = k * groups + j
            others = j * (size - k - 1)
            together = int(low[first] - low[first - j * (k + 1)]) + int(low[n] - low[n - others])
            smallest = min(smallest, together // j)
            largest = max(largest, -((together - total) // (groups - j)))
    return smallest, largest


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


# Of so many cells at either end the groups they can be in are looked at; in groups of four of at most so many cells.
FURTHEST, MOST_OF_FOUR = 3, 600


def partners_bound(values: Ints, *, groups: int) -> int:
    """Least spread by what the weakest and the strongest cells can be put together with, in groups of three and four.

    Let d be how near the mean any group that holds a cell can come. Where that group is d above it, the others' mean is
    d / (groups - 1) below it, and so is the smallest sum at least; the same upside down: the spread is no less than
    d · groups / (groups - 1).

    Parameters
    ----------
    values : ndarray of int, shape (groups · size,)
        Capacities in whole units.
    groups : int
        At least 2.

    Returns
    -------
    int
        In the values' unit; 0 where groups are of another size.

    >>> partners_bound(np.array([1, 10, 10, 10, 10, 10]), groups=2)
    9
    """
    size = len(values) // groups
    if groups < 2 or size not in (3, 4) or (size == 4 and len(values) > MOST_OF_FOUR):
        return 0
    ordered, total = np.sort(values), int(values.sum())
    furthest = 0
    for place in {*range(FURTHEST), *range(len(values) - FURTHEST, len(values))}:
        others = np.delete(ordered, place)
        # In whole numbers: everything times the number of groups.
        near = _nearest(others * groups, total - groups * int(ordered[place]), size - 1)
        furthest = max(furthest, near)
    return -(-furthest // (groups - 1))


def _nearest(ordered: Ints, target: int, count: int) -> int:
    """How near the sum of two or three of sorted values comes to a target."""
    if count == 3:
        rest = (_nearest(ordered[k + 1 :], target - int(ordered[k]), 2) for k in range(len(ordered) - 2))
        return min(rest)
    wanted = target - ordered
    at = np.searchsorted(ordered, wanted)
    own, best = np.arange(len(ordered)), np.iinfo(np.int64).max
    for step in (-2, -1, 0, 1):
        place = np.clip(at + step, 0, len(ordered) - 1)
        away = np.abs(ordered[place] - wanted)[place != own]
        best = min(best, int(away.min())) if len(away) else best
    return int(best)
