"""Long rides are compressed without a look at the whole lap for every step: same bins, same critical steps.

Grade: second implementation, the plain loops.
"""

import numpy as np
import pytest

from optimizer.ride import bins
from optimizer.ride.kernels.critical import ALIKE, CRITICAL_STEPS, hardest


def plain_merge(count, a, b, weight, ends, kind, alone):
    """Every cost again for every merge."""
    while len(a) > count:
        harmonic = weight[1:] * weight[:-1] / (weight[1:] + weight[:-1])
        cost = ((ends[1:] - ends[:-1]) ** 2).sum(axis=1) * harmonic
        cost[(kind[1:] != kind[:-1]) | alone[1:] | alone[:-1]] = np.inf
        at = int(cost.argmin())
        if not np.isfinite(cost[at]):
            break
        part = weight[at : at + 2] / weight[at : at + 2].sum()
        a, b, ends = (np.concatenate([x[:at], [part @ x[at : at + 2]], x[at + 2 :]]) for x in (a, b, ends))
        weight = np.concatenate([weight[:at], [weight[at : at + 2].sum()], weight[at + 2 :]])
        kind, alone = np.delete(kind, at + 1), np.delete(alone, at + 1)
    return a, b, weight, ends, kind, alone


def random_bins(rng, n):
    ends = np.sort(rng.normal(size=(n, 2)).round(int(rng.integers(1, 4))), axis=0)  # with ties
    kind = np.sort(rng.integers(0, 3, n))
    alone = rng.random(n) < 0.05
    return rng.normal(size=n), rng.normal(size=n), rng.uniform(0.1, 1.0, n), ends, kind, alone


@pytest.mark.parametrize("seed", range(6))
def test_bins_are_those_of_the_plain_loop(seed):
    rng = np.random.default_rng(seed)
    given = random_bins(rng, int(rng.integers(2, 400)))
    before = [x.copy() for x in given]
    for count in (1, 8, 40, 1000):
        found, want = bins._merge_to(count, *given), plain_merge(count, *given)
        for one, other in zip(found, want, strict=True):
            np.testing.assert_array_equal(one, other)
    for x, y in zip(given, before, strict=True):
        np.testing.assert_array_equal(x, y)


def test_merges_look_at_neighbours_alone(monkeypatch):
    """Work is counted: pushes on the heap, at most two for each merge."""
    pushed, real = [], bins.heapq.heappush
    monkeypatch.setattr(bins.heapq, "heappush", lambda heap, item: pushed.append(1) or real(heap, item))
    rng = np.random.default_rng(1)
    n = 3000
    a, b, weight, ends, _, _ = random_bins(rng, n)
    bins._merge_to(10, a, b, weight, ends, np.zeros(n, dtype=int), np.zeros(n, dtype=bool))
    assert n - 11 <= len(pushed) <= 2 * n


@pytest.mark.parametrize("seed", range(6))
def test_hardest_steps_are_those_of_the_plain_loop(seed):
    rng = np.random.default_rng(seed)
    loads = np.abs(rng.normal(size=(int(rng.integers(1, 600)), 9))) ** rng.uniform(0.1, 2.0)
    four = loads[:, :4] / np.maximum(loads[:, :4].max(axis=0), 1e-12)
    order = np.argsort(-four.sum(axis=1), kind="stable")
    for part in ALIKE:
        kept = []
        for step in order:
            if not kept or not np.any(np.all(four[kept] >= four[step] * (1.0 - part), axis=1)):
                kept.append(int(step))
        if len(kept) <= CRITICAL_STEPS:
            break
    np.testing.assert_array_equal(hardest(loads), kept[:CRITICAL_STEPS])
