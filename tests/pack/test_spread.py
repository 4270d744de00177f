"""Monte Carlo over spread: against closed forms of the normal distribution, repeatable and independent."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest
from scipy.stats import norm

from optimizer.pack.spread import (
    Factors,
    Spread,
    draw_factors,
    expected_normal_max,
    fit_chance,
    monte_carlo,
)

WIDE = Spread(capacity=0.02, dcir=0.03, mass=0.01, price=0.1)


def test_equal_seeds_give_equal_draws() -> None:
    one = draw_factors(WIDE, series=[10, 14], parallel=[4, 3], draws=50, seed=5)
    two = draw_factors(WIDE, series=[10, 14], parallel=[4, 3], draws=50, seed=5)
    other = draw_factors(WIDE, series=[10, 14], parallel=[4, 3], draws=50, seed=6)
    for name, values in vars(one).items():
        assert np.array_equal(values, getattr(two, name))
        assert not np.array_equal(values, getattr(other, name))


def test_a_design_draws_alike_whatever_stands_beside_it() -> None:
    alone = draw_factors(WIDE, series=14, parallel=3, draws=50, seed=5)
    beside = draw_factors(WIDE, series=[10, 14, 14], parallel=[4, 3, 3], draws=50, seed=5)
    for name, values in vars(alone).items():
        assert np.array_equal(values[:, 0], getattr(beside, name)[:, 1])
        assert np.array_equal(values[:, 0], getattr(beside, name)[:, 2])


def test_no_spread_is_the_nominal_pack() -> None:
    for values in vars(draw_factors(Spread(), series=10, parallel=4, draws=3)).values():
        assert values == pytest.approx(np.ones((3, 1)), rel=1e-12)


def test_one_spread_leaves_the_others_alone() -> None:
    full = draw_factors(WIDE, series=10, parallel=4, draws=20)
    part = draw_factors(Spread(dcir=0.03), series=10, parallel=4, draws=20)
    assert np.array_equal(full.resistance, part.resistance)
    assert (part.capacity == 1.0).all()


def test_sums_against_closed_forms() -> None:
    # Closed form: 40 cells of 1 % have a mass spread of 1 %/√40; one price factor has its own spread.
    drawn = draw_factors(WIDE, series=10, parallel=4, draws=20000)
    assert drawn.mass.std() == pytest.approx(0.01 / np.sqrt(40), rel=0.03)
    assert drawn.price.std() == pytest.approx(0.1, rel=0.03)
    # Parallel cells: E[1/mean(1/r)] is 1 − σ²(P − 1)/P to second order: less than nominal.
    assert drawn.resistance.mean() == pytest.approx(1.0 - 0.03**2 * 0.75, abs=2e-4)
    assert (drawn.weakest_group >= 1).all()
    assert (drawn.share >= 1).all()


def linear(factors: Factors) -> tuple[Mapping[str, np.ndarray], Mapping[str, np.ndarray]]:
    """A score that is capacity itself, with the constraint that it is at least 0.98."""
    return {"energy_wh": 500.0 * factors.capacity}, {"energy": factors.capacity - 0.98}


def test_percentiles_and_chances_of_one_cell() -> None:
    # Closed form: one cell of 2 %: 10th percentile 1 − 1.28155 σ, chance of ≥ 0.98 is Φ(1).
    got = monte_carlo(linear, spread=Spread(capacity=0.02), series=1, parallel=1, draws=40000, seed=1)
    assert got.p10["energy_wh"] == pytest.approx(500 * (1 - 0.02 * norm.ppf(0.9)), rel=5e-4)
    assert got.p90["energy_wh"] == pytest.approx(500 * (1 + 0.02 * norm.ppf(0.9)), rel=5e-4)
    assert got.holds["energy"] == pytest.approx(norm.cdf(1.0), abs=0.01)


def test_percentiles_of_the_weakest_group() -> None:
    # Closed form: P(min of 14 > x) = (1 − Φ)^14 with σ/√3 per group.
    got = monte_carlo(linear, spread=Spread(capacity=0.02), series=14, parallel=3, draws=40000, seed=1)
    sigma = 0.02 / np.sqrt(3)
    for name, part in (("p10", 0.9), ("p90", 0.1)):
        exact = 500 * (1 + sigma * norm.isf(part ** (1 / 14)))
        assert getattr(got, name)["energy_wh"] == pytest.approx(exact, rel=5e-4)
    assert got.holds["energy"] == pytest.approx(norm.sf(-0.02 / sigma) ** 14, abs=0.01)


def test_size_of_the_parts_does_not_matter() -> None:
    args = {"spread": WIDE, "series": [10, 14], "parallel": [4, 3], "draws": 250, "seed": 3}
    one, two = monte_carlo(linear, **args, draws_at_once=1000), monte_carlo(linear, **args, draws_at_once=7)
    assert np.array_equal(one.p10["energy_wh"], two.p10["energy_wh"])
    assert np.array_equal(one.holds["energy"], two.holds["energy"])


def test_two_cells_fit_by_the_normal_distribution() -> None:
    # Closed form: gap 0.05 mm, the half sum of two diameters has spread d σ/√2: Φ(gap √2/(d σ)).
    across = np.array([[0.0, 0.0], [18.55, 0.0]])
    got = fit_chance(across, stack=[0, 0], diameter_mm=18.5, cv=0.003, draws=40000)
    assert got == pytest.approx(norm.cdf(0.05 * np.sqrt(2) / (18.5 * 0.003)), abs=0.01)
    # In different layers they cannot touch.
    assert fit_chance(across, stack=[0, 1], diameter_mm=18.5, cv=0.003) == 1.0


def test_a_wall_counts_too() -> None:
    # Closed form: half the growth of one cell against 0.02 mm of room.
    got = fit_chance(np.zeros((1, 2)), stack=[0], diameter_mm=18.5, cv=0.003, wall_gap_mm=0.02, draws=40000)
    assert got == pytest.approx(norm.cdf(0.04 / (18.5 * 0.003)), abs=0.01)


def test_fit_falls_with_spread_and_rises_with_tolerance() -> None:
    i, j = np.meshgrid(np.arange(5), np.arange(4))
    across = np.column_stack([i.ravel(), j.ravel()]) * 18.8
    fit = {"stack": np.zeros(20, int), "diameter_mm": 18.5, "draws": 2000}
    chances = [fit_chance(across, cv=cv, **fit) for cv in (0.0, 0.005, 0.01, 0.02)]
    assert chances[0] == 1.0
    assert chances == sorted(chances, reverse=True)
    assert chances[-1] < 0.1
    assert fit_chance(across, cv=0.01, tolerance_mm=0.2, **fit) > chances[2]
    at_once = {**fit, "diameter_mm": 18.8}
    assert (fit_chance(across, cv=0.0, **at_once), fit_chance(across * 0.999, cv=0.0, **at_once)) == (1.0, 0.0)


def test_order_statistics_take_arrays_and_numbers() -> None:
    assert expected_normal_max(np.array([[1, 2], [2, 1]])).shape == (2, 2)
    assert isinstance(expected_normal_max(3), float)
    with pytest.raises(ValueError, match="whole number"):
        expected_normal_max(0)


def test_misuse_is_refused() -> None:
    with pytest.raises(ValueError, match="dcir must be at least 0"):
        Spread(dcir=-0.1)
    with pytest.raises(ValueError, match="at least 1"):
        draw_factors(Spread(), series=0, parallel=1)
    with pytest.raises(ValueError, match="draws must be at least 1"):
        fit_chance(np.zeros((1, 2)), stack=[0], diameter_mm=18.5, cv=0.1, draws=0)
