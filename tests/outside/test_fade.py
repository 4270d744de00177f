"""Fade of cells against published models and the open library that carries them (blast-lite 1.1.1).

Grades: "computed" is from the published formula by hand, "library" from a run of blast-lite over 365 days at steps of
an hour. The papers were not opened; their constants are quoted by both.
"""

import numpy as np
import pytest

from optimizer.cell import fade
from optimizer.cell.fade import PUBLISHED, Duty, days_until

YEAR = np.array([365.0])


def test_lfp_in_daily_use_is_told_to_live_longest_where_the_text_says():
    """Words of PUBLISHED against the law: a cycle of half to four fifths of the charge every third day or daily."""
    temps = np.arange(-10.0, 46.0, 1.0)
    for cycles, depth in ((0.3, 0.5), (0.5, 0.6), (1.0, 0.8)):
        years = [days_until(PUBLISHED["LFP"], duty(t, 0.9, cycles=cycles, depth=depth, rate=0.5))[0, 0] for t in temps]
        assert 5.0 <= temps[int(np.argmax(years))] <= 20.0
    assert "near 5 to 20 °C" in PUBLISHED["LFP"][1].range


def rest(temp_c, soc):
    return duty(temp_c, soc, cycles=0.0)


def duty(temp_c, soc, *, cycles, depth=0.8, rate=1.0):
    return Duty(temp_c, soc, np.array([cycles]), np.array([depth]), np.array([rate]))


# Schmalstieg et al., J. Power Sources 257 (2014) 325: loss and rise of a year at half charge, per cent (computed).
@pytest.mark.parametrize(
    ("temp_c", "loss", "rise"), [(25, 2.384, 5.04), (35, 5.093, 9.68), (50, 14.566, 23.8)], ids=str
)
def test_nmc111_at_rest(temp_c, loss, rise):
    assert 100 * fade.nmc111_loss(rest(temp_c, 0.5), YEAR)[0] == pytest.approx(loss, rel=1e-3)
    assert 100 * fade.nmc111_rise(rest(temp_c, 0.5), YEAR)[0] == pytest.approx(rise, rel=2e-3)


def test_nmc111_full_at_rest():
    """Same source, 4.162 V at 25 °C."""
    assert 100 * fade.nmc111_loss(rest(25, 1.0), YEAR)[0] == pytest.approx(4.401, rel=1e-3)
    assert 100 * fade.nmc111_rise(rest(25, 1.0), YEAR)[0] == pytest.approx(8.95, rel=1e-3)


@pytest.mark.parametrize(("depth", "loss", "rise"), [(0.8, 18.70, 44.9), (1.0, 22.48, 56.9)], ids=str)
def test_nmc111_after_500_cycles(depth, loss, rise):
    """Same source, 500 full cycles about 3.7 V, the calendar's part taken off (computed)."""
    one = duty(25, 0.5 + depth / 2, cycles=500.0 / 365.0, depth=depth)
    still = duty(25, 0.5 + depth / 2, cycles=0.0, depth=depth)
    assert 100 * (fade.nmc111_loss(one, YEAR) - fade.nmc111_loss(still, YEAR))[0] == pytest.approx(loss, rel=1e-3)
    assert 100 * (fade.nmc111_rise(one, YEAR) - fade.nmc111_rise(still, YEAR))[0] == pytest.approx(rise, rel=2e-3)


# Naumann et al., doi 10.1016/j.est.2018.01.019: a year at rest, per cent (computed).
@pytest.mark.parametrize(
    ("temp_c", "soc", "loss", "rise"),
    [(25, 0.5, 4.2516, 1.68), (40, 0.5, 5.919, 6.74), (60, 0.5, 8.785, 35.3), (25, 1.0, 6.773, None)], ids=str,
)  # fmt: skip
def test_lfp_at_rest(temp_c, soc, loss, rise):
    assert 100 * fade.lfp_loss(rest(temp_c, soc), YEAR)[0] == pytest.approx(loss, rel=1e-3)
    # Off half charge two public codes disagree on an exponent of the rise.
    if rise is not None:
        assert 100 * fade.lfp_rise(rest(temp_c, soc), YEAR)[0] == pytest.approx(rise, rel=5e-3)


# Naumann et al., J. Power Sources (2020) 227666: full cycles, rate, depth; loss and rise, per cent (computed).
@pytest.mark.parametrize(
    ("cycles", "rate", "depth", "loss", "rise"),
    [(1000, 1.0, 0.8, 5.693, 0.11), (1000, 1.0, 1.0, 6.834, None), (1000, 0.5, 0.8, 4.573, 1.21),
     (3000, 1.0, 0.8, 9.861, None)], ids=str,
)  # fmt: skip
def test_lfp_cycles(cycles, rate, depth, loss, rise):
    one = duty(25, 0.9, cycles=cycles / 365.0, depth=depth, rate=rate)
    still = duty(25, 0.9, cycles=0.0, depth=depth, rate=rate)
    assert 100 * (fade.lfp_loss(one, YEAR) - fade.lfp_loss(still, YEAR))[0] == pytest.approx(loss, rel=1e-3)
    if rise is not None:
        assert 100 * (fade.lfp_rise(one, YEAR) - fade.lfp_rise(still, YEAR))[0] == pytest.approx(rise, abs=0.01)


# A year at rest: 25 °C half full, 25 °C at 90 %, 40 °C half full, per cent (library, two digits printed).
LIBRARY = {
    "lfp_large_loss": (1.10, 1.68, 2.74),
    "nmc_pouch_loss": (2.69, 4.51, 5.24),
    "nmc811_loss": (9.87, 10.67, 11.59),
    "nca_loss": (3.82, 6.14, 6.36),
    "nmc111_loss": (2.39, 4.02, 7.33),
}


@pytest.mark.parametrize("name", LIBRARY)
def test_a_year_at_rest_is_the_librarys(name):
    law = getattr(fade, name)
    found = [100 * float(law(rest(*at), YEAR)[0]) for at in ((25, 0.5), (25, 0.9), (40, 0.5))]
    # The library steps through the year by hours, which a power law takes 0.3 % off from its closed form.
    np.testing.assert_allclose(found, LIBRARY[name], rtol=4e-3, atol=0.005)


def test_lto_over_a_year():
    """A cycle a day from 10 to 90 %, less the gain at rest: 0.84 % in all, 0.07 % of it gained
    (library); rest below 60 °C takes nothing (same source, doi 10.1016/j.jpowsour.2020.228566).
    """
    daily = duty(25, 0.9, cycles=0.8, depth=0.8, rate=0.13)
    assert 100 * fade.lto_loss(daily, YEAR)[0] == pytest.approx(0.84 + 0.07, abs=0.02)
    assert fade.lto_loss(rest(40, 0.9), YEAR)[0] == 0.0


@pytest.mark.parametrize("chemistry", PUBLISHED)
def test_more_time_more_cycles_and_warmer_fade_more(chemistry):
    """An identity of every model: time never gives back capacity, and a year at rest fades more when warmer."""
    for model in PUBLISHED[chemistry]:
        days = np.linspace(1.0, 4000.0, 50)
        one = Duty(25.0, 0.9, np.full(50, 0.3), np.full(50, 0.5), np.full(50, 0.5))
        more = Duty(25.0, 0.9, np.full(50, 0.6), np.full(50, 0.5), np.full(50, 0.5))
        assert np.all(np.diff(model.loss(one, days)) > 0)
        assert np.all(model.loss(more, days) > model.loss(one, days))
        assert model.loss(rest(35, 0.9), YEAR)[0] > model.loss(rest(25, 0.9), YEAR)[0] or chemistry == "LTO"


@pytest.mark.parametrize("chemistry", PUBLISHED)
def test_the_band_holds_the_middle_and_life_ends_at_80_percent(chemistry):
    models = PUBLISHED[chemistry]
    one = Duty(20.0, 0.9, np.array([0.1, 0.5]), np.array([0.3, 0.9]), np.array([0.3, 1.0]))
    left = fade.fade(models, one, days=900.0)
    assert np.all((left.harshest <= left.capacity) & (left.capacity <= left.mildest) & (left.resistance >= 1.0))
    assert np.all(left.mildest > left.harshest) == (len(models) > 1)
    life, least, most = days_until(models, one)
    assert np.all((least <= life) & (life <= most))
    inside = life < 29.9 * fade.DAYS_PER_YEAR
    np.testing.assert_allclose(fade.fade(models, one, days=life).capacity[inside], 0.8, rtol=1e-9)
