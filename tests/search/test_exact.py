"""The exact engine against plain enumeration."""

import numpy as np
import pytest
from brute import candidates, front, hoped, objectives
from small import small_space, with_aims

from optimizer.front.dominance import Dominators, unbeaten
from optimizer.front.pareto import nondominated
from optimizer.ride.bins import falls_with_mass
from optimizer.ride.heavier import Growth
from optimizer.score.context import Context
from optimizer.search.exact import archive
from optimizer.search.exact.exact import Engine
from optimizer.search.exact.hope import HOPELESS
from optimizer.search.running.run import PARTS_ROOM, search
from optimizer.search.space import space as rules

# Random briefs, and how many of them share their cells and parts and differ in constraints and objectives.
AIMS = 7


def assert_same_front(found, want):
    """For each row there is one on the other side that is nowhere worse, rounding aside, and none found beats another.

    The equal of a row need not be there: where two packs differ by rounding in one figure, either may beat the other.
    """
    assert nondominated(found).all()
    for one, other in ((found, want), (want, found)):
        near = (other[None] <= (one + 1e-9 * np.abs(one) + 1e-12)[:, None]).all(axis=2).any(axis=1)
        assert near.all(), (one[~near], found, want)


def test_fronts_that_differ_are_told_apart():
    rows = np.array([[1.0, 3.0], [2.0, 2.0], [3.0, 1.0]])
    assert_same_front(rows, rows[::-1] * (1.0 + 1e-12))
    beaten = np.vstack([rows, [[2.5, 2.5]]])
    for found, want in ((rows[:2], rows), (rows, rows[:2]), (rows - [[0.0, 1e-6]], rows), (beaten, rows)):
        with pytest.raises(AssertionError):
            assert_same_front(found, want)


def assert_counts(tally, count):
    """Every candidate is scored or pruned; those left by voltage, room, parts, fault, joints and metal are all.

    `count` was counted apart, one array of candidates after the other.
    """
    assert tally.raw == tally.scored + sum(tally.pruned.values())
    refused = (rules.VOLTAGE, rules.ROOM, rules.NO_PART, rules.BREAKS, rules.JOINING, rules.CONDUCTORS, HOPELESS,
               PARTS_ROOM)
    assert tally.raw - sum(tally.pruned[rule] for rule in refused) == count


@pytest.mark.parametrize("seed", [*range(4), *(pytest.param(k, marks=pytest.mark.nightly) for k in range(4, 12))])
def test_front_equals_plain_enumeration(space_of, seed):
    space = space_of(seed)
    outcome = search(space)
    want, count = objectives(space)
    assert count > 0
    assert_same_front(outcome.found.objectives, want)
    assert outcome.complete
    assert_counts(outcome.tally, count)


@pytest.mark.slow
@pytest.mark.parametrize(("ride", "spaces"), [
    *(pytest.param(ride, count, marks=[pytest.mark.nightly] * (count > 3))
      for ride in ("cruise", "hills", "downhill", "stopgo") for count in (3, 100)),
    pytest.param("warm", 20, marks=pytest.mark.nightly),
])  # fmt: skip
def test_front_equals_plain_enumeration_on_many_random_briefs(wide_spaces, ride, spaces):
    base, rng = wide_spaces[ride], np.random.default_rng(8)
    filled = 0
    for _ in range(spaces):
        space = small_space(base, rng)
        figures, count = candidates(space)
        for _ in range(AIMS):
            space = with_aims(space, rng)
            outcome, want = search(space), front(figures, space.brief)
            assert_same_front(outcome.found.objectives, want)
            assert_counts(outcome.tally, hoped(space, count))
            filled += len(want) > 0
    # The test would say nothing if no brief had a pack; where the fuse must protect what is drawn, most have none.
    assert filled > 0.15 * spaces * AIMS


def test_rides_are_of_both_kinds(wide_spaces):
    """Grade: regression only; the thousands above must hold rides on which mass may help."""
    helped = {name: space.context.mass_may_help for name, space in wide_spaces.items()}
    told = {name: space.context.growth is not None for name, space in wide_spaces.items()}
    assert not falls_with_mass(wide_spaces["stopgo"].context.ride)
    assert [helped[name] or told[name] for name in ("cruise", "downhill", "stopgo")] == [False, True, True]
    assert helped["downhill"] and told["stopgo"]


@pytest.mark.parametrize("settled", [True, False])
def test_what_is_not_settled_is_searched_again_with_nothing_dropped(wide_spaces, monkeypatch, settled):
    """Downhill a heavier pack goes further: to call every ride settled must cost rows of the front, none of them, none.

    The growth that is made up says nothing of that lap; `settles` alone decides here.
    """
    base, rng = wide_spaces["downhill"], np.random.default_rng(21)
    lap = np.ones(len(base.context.steps.duration_s))
    monkeypatch.setattr(Context, "growth", property(lambda self: Growth(lap, lap, lap > 0)))
    monkeypatch.setattr(Growth, "settles", lambda self, stop, *_, **__: np.full(len(stop), settled))
    missed, again, run = 0, [], Engine.run
    monkeypatch.setattr(Engine, "run", lambda self, *a, **k: again.append(self.mass_may_help) or run(self, *a, **k))
    for _ in range(6):
        space = small_space(base, rng)
        figures, _ = candidates(space)
        for _ in range(AIMS):
            space = with_aims(space, rng)
            found, want = search(space).found.objectives, front(figures, space.brief)
            near = [bool(len(found)) and np.isclose(row, found, rtol=1e-9).all(axis=1).any() for row in want]
            missed += not np.all(near)
    assert (missed > 0) == settled and any(again) != settled


def test_nothing_sampled_dominates_the_front(wide_spaces):
    space = small_space(wide_spaces["hills"], np.random.default_rng(3))
    front = search(space).found.objectives
    rng = np.random.default_rng(11)
    want, _ = objectives(space)
    sampled = want[rng.integers(0, len(want), 200)] if len(want) else want
    better = (sampled[:, None] < front[None] - 1e-9 * np.abs(front[None])).all(axis=2).any()
    assert not better


def test_the_front_depends_neither_on_the_order_nor_on_what_is_known(wide_spaces):
    rng = np.random.default_rng(5)
    for _ in range(25):
        space = small_space(wide_spaces["cruise"], rng)
        whole = search(space).found
        parts = []
        engine = Engine(space)
        for k in rng.permutation(len(space.tasks())):
            engine.known = np.zeros((0, len(engine.objectives))) if rng.random() < 0.5 else whole.objectives
            parts.append(engine.run(space.tasks()[k])[0])
        nothing = archive.nothing(rooms=len(space.rooms), objectives=len(engine.objectives))
        again = archive.merge([nothing, *parts]).by_name()
        np.testing.assert_array_equal(again.names, whole.names)
        np.testing.assert_array_equal(again.objectives, whole.objectives)


@pytest.mark.parametrize("d", [1, 2, 4, 6])
def test_dominators_say_what_comparing_each_with_each_says(d):
    rng = np.random.default_rng(d)
    for count in (0, 1, 5, 300):
        rows, points = rng.integers(0, 7, (count, d)).astype(float), rng.integers(0, 7, (400, d)).astype(float)
        want = np.array([(rows <= point).all(axis=1).any() for point in points])
        np.testing.assert_array_equal(Dominators(rows).beat(points), want)


@pytest.mark.parametrize("d", [2, 5, 8])
def test_unbeaten_says_what_comparing_each_with_each_says(d):
    rng = np.random.default_rng(d)
    for count in (0, 1, 40, 1500):
        # Few values, so that many rows are equal.
        rows = rng.integers(0, 2 + 9 // d, (count, d)).astype(float)
        np.testing.assert_array_equal(unbeaten(rows), nondominated(rows))
        np.testing.assert_array_equal(unbeaten(-rows[::-1]), nondominated(-rows[::-1]))
