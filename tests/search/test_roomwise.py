"""Shares of groups found compartment by compartment against the plain product of all fills.

Grade: second implementation, the product that `Shares.of` goes through for few compartments; the rooms and fills are
random, so that no two harnesses weigh the same.
"""

from types import SimpleNamespace

import numpy as np
import pytest

from optimizer.brief import HarnessRules
from optimizer.fit.region.compartment import Compartment
from optimizer.front.pareto import nondominated
from optimizer.pack.wiring import harness
from optimizer.search.space import roomwise, splitrows, splits
from optimizer.search.space.fills import SENSOR_LEG

RULES = ("add", "add", "worst", "worst")


def box(rng):
    a, b, c = rng.uniform(60, 200, 3)
    where = tuple(rng.uniform(-500, 500, 3))
    return Compartment("box", ((0.0, 0.0), (a, 0.0), (a, b), (0.0, b)), 2, float(c), where, (0.0, 0.0, 0.0))


def fill(rng, groups, per_module):
    """Whole numbers, so that sums are equal in any order and many fills equal or beat others."""
    steps = rng.integers(1, 4, (groups, 2)).cumsum(axis=0)
    worst = np.maximum.accumulate(rng.integers(1, 5, groups))
    sensor = rng.integers(0, 3, groups)
    metrics = np.vstack([np.zeros(4), np.column_stack([steps, worst, sensor])]).astype(float)
    names = ("a", "b", "c", SENSOR_LEG)
    return SimpleNamespace(groups=groups, metrics=metrics, rules=RULES, names=names, groups_per_module=per_module)


def shares(rng, rooms):
    """A few compartments with none to three fills each: trays and up to three kinds of case."""
    fills = [
        [fill(rng, int(rng.integers(1, 4)), int(rng.integers(0, 4))) for _ in range(rng.integers(0, 4))]
        for _ in range(rooms)
    ]
    boxes = [box(rng) for _ in range(rooms)]
    return splits.Shares(boxes, fills=fills, rules=HarnessRules(), sensors=int(rng.integers(0, 3)), known={})


def numbers(found):
    # What a sensor takes is in the length of leads.
    return np.column_stack([found.metrics[:, :3], found.power_mm, found.lead_mm, found.modules])


def covers(one, other):
    """Whether some row of one equals or beats each row of the other in every number, but for rounding."""
    return all((one <= row + 1e-9 * np.maximum(np.abs(row), 1.0)).all(axis=1).any() for row in other)


def sorted_rows(table):
    return table[np.lexsort(np.round(table, 6).T[::-1])]


def both(given, series, monkeypatch, *, reduced):
    """By the product of fills with every order of the chain tried, and compartment by compartment."""
    found = []
    for tried in (99, 0):
        monkeypatch.setattr(harness, "TRIED_COMPARTMENTS", tried)
        monkeypatch.setattr(splits, "TRIED_COMPARTMENTS", tried)
        found.append(given.of(series, reduced=reduced))
    return found


def assert_rows_are_what_they_say(found, given):
    """Each row's fills hold its groups and have its metrics."""
    for split, fills, metrics in zip(found.split, found.fill, found.metrics, strict=True):
        used = [each[k].metrics[g] for each, k, g in zip(given.fills, fills, split, strict=True) if g]
        parts = np.array(used).reshape(-1, len(RULES))
        assert metrics.tolist() == [parts[:, 0].sum(), parts[:, 1].sum(), *parts[:, 2:].max(axis=0, initial=0)]


@pytest.mark.parametrize("rooms", [3, 4, pytest.param(5, marks=pytest.mark.slow)])
@pytest.mark.parametrize("block", [7, 20_000])
def test_it_equals_the_product_of_all_fills(rooms, block, monkeypatch):
    monkeypatch.setattr(splits, "BLOCK", block)
    monkeypatch.setattr(roomwise, "BLOCK", 3 * block)
    monkeypatch.setattr(roomwise, "LARGE", 3)
    rng, told = np.random.default_rng([rooms, block]), 0
    for _ in range(18 - 3 * rooms):
        given = shares(rng, rooms)
        for series in (1, 3, 5):
            plain, found = both(given, series, monkeypatch, reduced=True)
            assert covers(numbers(found), numbers(plain)) and covers(numbers(plain), numbers(found))
            assert_rows_are_what_they_say(found, given)
            told += len(found)
            held = given.held()
            assert len(found) <= (held[series] if series < len(held) else 0)
    assert told > 20


@pytest.mark.parametrize("rooms", [3, 4])
def test_nothing_is_left_out_when_mass_may_help(rooms, monkeypatch):
    rng = np.random.default_rng(rooms)
    for _ in range(8):
        given = shares(rng, rooms)
        plain, found = both(given, 4, monkeypatch, reduced=False)
        names = [np.column_stack([each.split, each.fill, numbers(each)]) for each in (plain, found)]
        np.testing.assert_allclose(sorted_rows(names[1]), sorted_rows(names[0]), rtol=1e-12)


def test_what_is_held_counts_what_the_product_goes_through(monkeypatch):
    """Before what other splits beat."""
    for module, name in ((splits, "nondominated"), (splitrows, "unbeaten")):
        monkeypatch.setattr(module, name, lambda points: np.ones(len(points), dtype=bool))
    for seed in range(6):
        given = shares(np.random.default_rng(seed), 3)
        held = given.held()
        assert [len(given.of(series)) for series in range(1, len(held))] == held[1:]


def test_ways_are_counted_beyond_what_64_bits_hold():
    rng = np.random.default_rng(3)
    given = shares(rng, 1)
    given.fills = [[fill(rng, 2, 0)] * 1000] * 10
    assert given.ways()[20] == 1000**10


def test_the_best_of_each_lot():
    rng = np.random.default_rng(4)
    for wide in (2, roomwise.LARGE + 1):
        metrics, same = rng.integers(0, 4, (40 * wide, 3)).astype(float), rng.integers(0, 40, 40 * wide)
        keep = roomwise.best_of_each(metrics, same)
        for lot in range(40):
            assert keep[same == lot].tolist() == nondominated(metrics[same == lot]).tolist()
