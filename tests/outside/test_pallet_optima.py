"""Pallet loading against optima found or proved outside this package.

Instances (L, W, a, b) with integer sides, 1 ≤ L/W ≤ 2, 1 ≤ a/b ≤ 4, at most 50 boxes for "Cover I" and 51 to
100 for "Cover II": families as in K. A. Dowsland, "An exact algorithm for the pallet loading problem", Europ.
J. Oper. Res. 31 (1987), and J. Nelissen, "How to use structural constraints to compute an upper bound for
the pallet loading problem", ibid. 84 (1995), both from memory. The instances are of these families or larger;
which of them a paper prints is not claimed.
"""

from __future__ import annotations

import pytest

from optimizer.fit.placement.pallet import pack_rectangles, upper_bound

# Grade: second implementation. A constraint solver (OR-tools CP-SAT; boxes at sums of sides, unit squares
# covered at most once) proved one box more impossible, in 2 to 67 s each; that as many fit the packing shows.
SOLVED = [
    (22, 16, 5, 3, 23),
    (32, 22, 5, 4, 34),
    (34, 23, 5, 4, 38),
    (34, 24, 7, 4, 27),
    (37, 30, 8, 3, 45),
]

# Grade: closed form. These counts equal the upper bound, computed by hand for the first:
# 30 · 22 = 660 = 23 · 28 + 16. So no packing holds more.
BOUND_REACHED = [
    (30, 22, 7, 4, 23),
    (86, 52, 15, 11, 26),
    (57, 44, 12, 5, 41),
    (56, 52, 12, 5, 48),
    (42, 39, 9, 4, 45),
    (124, 81, 21, 10, 47),
    (40, 25, 7, 3, 47),
    (52, 33, 9, 4, 47),
    (87, 47, 7, 6, 97),
    (153, 100, 24, 7, 90),
    (67, 44, 9, 6, 51),
    (300, 200, 21, 19, 149),
    (1000, 800, 137, 95, 59),
]

# Grade: closed form. The same bound; whether the last box fits is left open here, so one fewer is accepted.
WITHIN_ONE = [
    (32, 27, 5, 4, 43),
    (40, 26, 7, 4, 37),
    (43, 26, 7, 3, 53),
    (49, 28, 8, 3, 57),
    (53, 26, 7, 4, 49),
    (57, 34, 7, 4, 69),
    (61, 35, 10, 3, 71),
    (63, 44, 8, 5, 69),
    (67, 37, 11, 3, 75),
    (67, 40, 11, 3, 81),
    (74, 46, 7, 5, 97),
    (74, 49, 11, 4, 82),
    (81, 39, 9, 7, 50),
    (86, 52, 9, 5, 99),
    (93, 46, 13, 4, 82),
    (100, 64, 17, 10, 37),
    (100, 82, 22, 8, 46),
    (100, 83, 22, 8, 46),
    (106, 59, 13, 5, 96),
    (108, 65, 10, 7, 100),
    (141, 71, 13, 8, 96),
    (1200, 800, 176, 135, 39),
]


@pytest.mark.parametrize(("length", "width", "a", "b", "most"), SOLVED)
def test_optima_proved_by_a_constraint_solver(length: int, width: int, a: int, b: int, most: int) -> None:
    assert len(pack_rectangles(length, width, a, b)) == most


@pytest.mark.parametrize(("length", "width", "a", "b", "most"), BOUND_REACHED)
def test_optima_proved_by_the_bound(length: int, width: int, a: int, b: int, most: int) -> None:
    assert len(pack_rectangles(length, width, a, b)) == most == upper_bound(length, width, a, b)


@pytest.mark.parametrize(("length", "width", "a", "b", "bound"), WITHIN_ONE)
def test_within_one_of_the_bound_and_so_of_any_packing(
    length: int, width: int, a: int, b: int, bound: int
) -> None:
    assert upper_bound(length, width, a, b) == bound
    assert len(pack_rectangles(length, width, a, b)) >= bound - 1


def test_a_plain_grid_does_not_reach_them() -> None:
    # so that the checks above can fail: rows and columns in one direction hold fewer in nearly all of them
    best = [max((le // a) * (w // b), (le // b) * (w // a)) for le, w, a, b, _ in SOLVED + BOUND_REACHED]
    known = [most for *_, most in SOLVED + BOUND_REACHED]
    assert sum(grid < most for grid, most in zip(best, known, strict=True)) >= len(known) - 1
