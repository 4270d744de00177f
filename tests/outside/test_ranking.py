"""Ranking methods against worked examples and closed forms published outside the project."""

import numpy as np
import pytest

from optimizer.front.ranking import knee_distance, topsis, weighted_sum

# Hwang and Yoon, Multiple Attribute Decision Making (1981), ch. 3, choice of an aircraft. Matrix and weights
# from memory of the book; grade: from memory (published there). Columns: speed, range, payload, cost,
# reliability, manoeuvrability; only the cost is better when less.
AIRCRAFT = np.array(
    [
        [2.0, 1500, 20000, 5.5, 5, 9],
        [2.5, 2700, 18000, 6.5, 3, 5],
        [1.8, 2000, 21000, 4.5, 7, 7],
        [2.2, 1800, 20000, 5.0, 5, 5],
    ]
)
WEIGHTS = np.array([0.2, 0.1, 0.1, 0.1, 0.2, 0.3])
BENEFIT = np.array([True, True, True, False, True, True])
# Order 1, 3, 4, 2. The book carries its steps by hand in four digits, so its last printed digit may be off by
# one (unrounded: 0.6135): the tolerance is one unit of it.
CLOSENESS = (0.643, 0.268, 0.613, 0.312)


def test_topsis_gives_the_books_closeness():
    assert topsis(AIRCRAFT, weights=WEIGHTS, benefit=BENEFIT) == pytest.approx(CLOSENESS, abs=0.001)


def test_topsis_notices_a_wrong_direction():
    wrong = topsis(AIRCRAFT, weights=WEIGHTS, benefit=np.ones(6, dtype=bool))
    assert not np.allclose(wrong, CLOSENESS, atol=0.01)


def test_topsis_with_signs_turned_is_the_same():
    # Closed form: turning the sign of a column and its direction mirrors best and worst.
    turned = AIRCRAFT * np.where(BENEFIT, -1.0, 1.0)
    got = topsis(turned, weights=WEIGHTS, benefit=np.zeros(6, dtype=bool))
    assert got == pytest.approx(topsis(AIRCRAFT, weights=WEIGHTS, benefit=BENEFIT), rel=1e-12)


def zdt1(n):
    """Zitzler, Deb and Thiele, Evolutionary Computation 8(2) (2000) 173, problem 1: f2 = 1 − √f1."""
    f1 = np.linspace(0.0, 1.0, n)
    return np.column_stack([f1, 1.0 - np.sqrt(f1)])


def test_knee_of_zdt1():
    # Closed form: d/df1 (f1 − √f1) = 0 at f1 = 1/4; distance (√f1 − f1)/√2 = 0.25/√2. Method: Das (1999).
    points = zdt1(4001)
    distance = knee_distance(points)
    assert points[np.argmax(distance)] == pytest.approx([0.25, 0.5], abs=2.5e-4)
    assert distance.max() == pytest.approx(0.25 / np.sqrt(2), rel=1e-6)


def test_zdt2_has_no_knee():
    # The same paper, problem 2: f2 = 1 − f1² is concave, so no point bulges; (0.5, 0.75) is farthest behind.
    f1 = np.linspace(0.0, 1.0, 4001)
    points = np.column_stack([f1, 1.0 - f1**2])
    distance = knee_distance(points)
    assert distance.max() <= 1e-12
    assert points[np.argmin(distance)] == pytest.approx([0.5, 0.75], abs=2.5e-4)


def test_knee_of_an_eighth_of_a_sphere():
    # Closed form: minimising (1−a, 1−b, 1−c), a, b, c ≥ 0 on the unit sphere, the extremes are the axes and
    # the plane is Σx = 2, so the knee is a = b = c = 1/√3 at distance (√3 − 1)/√3.
    angles = np.linspace(0, np.pi / 2, 121)
    theta, phi = np.meshgrid(angles, angles)
    ball = np.stack([np.sin(theta) * np.cos(phi), np.sin(theta) * np.sin(phi), np.cos(theta)], axis=-1)
    points = 1.0 - ball.reshape(-1, 3)
    distance = knee_distance(points)
    assert distance.max() == pytest.approx((np.sqrt(3) - 1) / np.sqrt(3), rel=2e-4)
    assert points[np.argmax(distance)] == pytest.approx(np.full(3, 1 - 1 / np.sqrt(3)), abs=0.01)


def test_weighted_sum_cannot_find_a_dent_in_the_front():
    # Das and Dennis, Structural Optimization 14 (1997) 63: on a concave front only the ends can win, whatever
    # the weights.
    f1 = np.linspace(0.0, 1.0, 101)
    points = np.column_stack([f1, 1.0 - f1**2])
    for share in np.linspace(0.05, 0.95, 19):
        assert int(np.argmin(weighted_sum(points, weights=[share, 1 - share]))) in (0, 100)
