"""Fronts and hypervolumes against published test problems and two general libraries.

Values marked [C] follow in closed form from the front's formula; problems: Zitzler, Deb and Thiele,
Evolutionary Computation 8(2) (2000) 173 (ZDT); Deb, Thiele, Laumanns and Zitzler (2002) (DTLZ).
"""

import numpy as np
import pytest

from optimizer.front import pareto as front


def test_small_published_hypervolumes():
    # moocore's published doc test: 38 for these four points and reference (10, 10).
    assert front.hypervolume(np.array([(5, 5), (4, 6), (2, 7), (7, 4.0)]), reference=(10, 10)) == 38
    # Inclusion-exclusion by hand: 3*4 - 3*2 + 1.
    assert front.hypervolume(np.array([(0, 0, 1), (0, 1, 0), (1, 0, 0.0)]), reference=(2, 2, 2)) == 7


@pytest.mark.parametrize(
    ("f2", "low", "volume"),
    [(lambda x: 1 - np.sqrt(x), 0.0, 1.21 - 1 / 3), (lambda x: 1 - x**2, 0.0, 1.21 - 2 / 3)],
    ids=["ZDT1", "ZDT2"],
)
def test_hypervolume_of_a_fine_front_approaches_the_closed_form(f2, low, volume):
    x = np.linspace(low, 1, 20_001)
    found = front.hypervolume(np.column_stack([x, f2(x)]), reference=(1.1, 1.1))
    # A staircase under the curve loses at most the mean step: 1/20000, halved.
    assert volume - 1e-4 < found <= volume


@pytest.mark.parametrize("name", ["zdt1", "zdt3", "dtlz2"])
def test_front_agrees_with_pymoo_on_random_decisions(name):
    problems = pytest.importorskip("pymoo.problems")
    sorting = pytest.importorskip("pymoo.util.nds.non_dominated_sorting")
    problem = problems.get_problem(name)
    x = np.random.default_rng(7).random((600, problem.n_var))
    values = problem.evaluate(x)
    theirs = sorting.NonDominatedSorting().do(values, only_non_dominated_front=True)
    np.testing.assert_array_equal(np.flatnonzero(front.nondominated(values)), np.sort(theirs))
