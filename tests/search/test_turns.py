"""Whose ride is stepped through next, worked out by hand."""

import numpy as np

from optimizer.search.exact.turns import Turns


def turns(guess, *, burden=None, cell=None):
    """Candidates of a cell, or several, that nothing is known of but a guess; two objectives."""
    guess = np.array(guess, dtype=float)
    n = len(guess)
    cell = np.zeros(n, dtype=np.int64) if cell is None else np.array(cell)
    burden = np.zeros((n, 1)) if burden is None else np.array(burden, dtype=float)
    return Turns(cell, np.full(n, 10), burden, guess, np.full(guess.shape, -np.inf))


def test_the_best_by_the_guess_come_first():
    wait = turns([[1, 3], [2, 2], [3, 3], [3, 1]])
    assert wait.next(np.zeros(4, dtype=bool), least=1, most=10).tolist() == [0, 1, 3]
    assert wait.left.tolist() == [2]


def test_more_are_taken_where_more_are_asked_for_but_none_that_seems_beaten():
    wait = turns([[1, 1], [2, 2], [3, 3], [0, 0]])
    beaten = np.array([False, False, False, True])
    assert sorted(wait.next(beaten, least=2, most=10).tolist()) == [0, 1]
    assert wait.left.tolist() == [2, 3]


def test_no_more_are_taken_than_at_most():
    wait = turns([[1, 3], [2, 2], [3, 1]])
    assert len(wait.next(np.zeros(3, dtype=bool), least=1, most=2)) == 2 and len(wait.left) == 1


def test_where_all_seem_beaten_the_least_burdened_of_each_kind_come_first():
    wait = turns(
        [[9, 9]] * 5, burden=[[1, 2], [2, 1], [2, 2], [5, 5], [6, 6]], cell=[0, 0, 0, 1, 1]
    )
    assert wait.next(np.ones(5, dtype=bool), least=1, most=10).tolist() == [0, 1, 3]


def test_what_one_came_to_bounds_those_of_its_kind_that_bear_no_less():
    wait = turns(
        [[9, 9]] * 5, burden=[[1, 2], [1, 3], [0, 3], [4, 4], [4, 4]], cell=[0, 0, 0, 0, 1]
    )
    wait.left = np.array([1, 2, 3, 4])
    wait.bound[3, 1] = -3.0
    wait.learn(np.array([0]), 1, np.array([-5.0]))
    assert wait.bound[:, 1].tolist() == [-5.0, -5.0, -np.inf, -3.0, -np.inf]
    assert np.isinf(wait.bound[:, 0]).all()


def test_of_several_the_tightest_counts():
    wait = turns([[9, 9]] * 3, burden=[[1, 1], [2, 2], [3, 3]])
    wait.left = np.array([2])
    wait.learn(np.array([0, 1]), 0, np.array([-7.0, -4.0]))
    assert wait.bound[:, 0].tolist() == [-7.0, -4.0, -4.0]
