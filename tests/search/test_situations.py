"""Packs judged in several situations: figures, pruning and what the search finds, against plain enumeration.

Expected values: identities (a situation like the brief's own conditions), and `brute`, which reduces and bounds
nothing.
"""

from dataclasses import replace

import numpy as np
import pytest
from brute import candidates, front, hoped
from small import small_space
from test_exact import assert_counts, assert_same_front
from test_monotone import FIELDS, assert_none_betters, packs, worsened

from optimizer.base.figures import FIGURES, in_situation
from optimizer.brief import Ageing, Constraints, Objectives, Situation, Use, brief_in
from optimizer.score.inputs import with_regen_rule
from optimizer.score.score import score
from optimizer.score.situations import stages_of
from optimizer.search.running.run import search
from optimizer.search.space.setup import make_space

SITUATIONS = (
    Situation(name="same"),
    Situation(name="cold", temp_c=-5.0),
    Situation(name="far", rider_kg=95.0, payload_kg=10.0, headwind_kmh=12.0, reserve_soc=0.2, start_temp_c=35.0),
    Situation(name="flat_out", speed_kmh=27.0, grade_pct=1.0, start_soc=0.9),
    Situation(name="old", years=5.0, temp_c=5.0),
)
USE = Use(rides_per_week=12.0, ride_km=1.5, charge_to_soc=0.9, storage_temp_c=22.0)
NAMES = ("", *(item.name for item in SITUATIONS))
# What is traded off and asked for, one after the other: one situation, the worst of all, several.
AIMS = (
    (("range_km_cold", "cost"), {}),
    (("range_km_any", "pack_mass_kg"), {"peak_power_w_min_cold": 60.0}),
    (("range_km", "peak_low_w_any", "cost"), {"range_km_min_far": 1.0}),
    (("range_km_cold", "range_km_flat_out", "pack_mass_kg"), {"range_km_min_any": 0.5}),
    (("hot_cell_endless_c_any", "consumption_wh_per_km_far", "cost"), {"hot_cell_endless_c_max_far": 90.0}),
    (("cost", "pack_mass_kg"), {"range_km_min_any": 1.0, "continuous_power_w_min_cold": 40.0}),
    (("range_km_old", "cost_per_1000_km"), {"life_years_min": 1.0}),
    (("life_km", "peak_low_w_any", "pack_mass_kg"), {"range_km_min_old": 0.8, "cost_per_1000_km_max": 400.0}),
)


@pytest.fixture(scope="module")
def wide(wide_spaces):
    """The wide spaces with situations."""
    out = {}
    for name, base in wide_spaces.items():
        brief = base.brief.model_copy(update={"situation": SITUATIONS, "use": USE})
        out[name] = make_space(replace(base.inputs, brief=brief))
        out[name].take_rooms(base)
    return out


@pytest.mark.parametrize("stepped", [False, True])
def test_a_situation_like_the_briefs_own_gives_its_figures_to_the_last_digit(wide, stepped):
    block = packs(wide["cruise"], np.random.default_rng(3)).take(slice(0, 60))
    figures = score(block, context=wide["cruise"].context, stepped=stepped)
    same = [name for name, figure in FIGURES.items() if figure.varies and name in figures]
    assert {"range_km", "peak_low_w", "hot_cell_endless_c", "charge_min", "energy_wh"} <= set(same)
    # Packs that ride: in half of the random ones a part stops the ride at once.
    assert np.sum(figures["range_km"] > 0.1) >= 20
    for name in same:
        np.testing.assert_array_equal(figures[f"{name}_same"], figures[name])
    # And one that differs, does.
    for name in ("range_km", "peak_power_w", "regen_limit_a"):
        assert np.any(figures[f"{name}_cold"] < figures[name]), name


@pytest.mark.parametrize("name", ["cold", "far", "flat_out"])
def test_a_situation_gives_what_a_brief_of_its_conditions_gives(wide, name):
    space = wide["cruise"]
    situation = next(item for item in SITUATIONS if item.name == name)
    brief = brief_in(space.brief, situation).model_copy(update={"use": None})
    alone = make_space(replace(space.inputs, brief=brief, ride=None)).context
    # No brief of its own lets cells start warmer than the air.
    if situation.start_temp_c is not None:
        alone = replace(alone, warmth=space.context.situations[name].warmth)
    block = packs(space, np.random.default_rng(4)).take(slice(0, 30))
    figures = score(block, context=space.context, stepped=True)
    for key, values in score(block, context=alone, stepped=True).items():
        if key in FIGURES and FIGURES[key].varies:
            np.testing.assert_array_equal(figures[in_situation(key, name)], values)


def test_more_to_carry_against_the_wind_takes_more(wide):
    """Closed form: drag is ½·ρ·CdA·(v + w)², so per kilometre; mass goes into rolling and grade in proportion."""
    own, far = wide["cruise"].context, wide["cruise"].context.situations["far"]
    speed, wind = own.trace.speed_m_s[0], 12.0 / 3.6
    assert far.steps.constant_w[0] == pytest.approx(own.steps.constant_w[0] * (speed + wind) ** 2 / speed**2)
    assert far.vehicle_mass_kg == own.vehicle_mass_kg + 30.0


NIGHTLY = [pytest.param(ride, seed, marks=pytest.mark.nightly) for ride, seed in (
    ("cruise", 0), ("cruise", 2), ("hills", 0), ("hills", 1), ("downhill", 0), ("downhill", 1), ("downhill", 2))]


@pytest.mark.parametrize(("ride", "seed"), [("cruise", 1), *NIGHTLY])
def test_the_front_with_situations_is_that_of_plain_enumeration(wide, ride, seed):
    space = small_space(wide[ride], np.random.default_rng([17, seed]))
    space = replace(space, inputs=replace(space.inputs, brief=space.brief.model_copy(
        update={"protection": space.brief.protection.model_copy(update={"fuse_protects": False})})))  # fmt: skip
    figures, count = candidates(space)
    for name in ("range_km", "peak_low_w", "hot_cell_endless_c"):
        least = np.max if name == "hot_cell_endless_c" else np.min
        figures[f"{name}_any"] = least([figures[in_situation(name, each)] for each in NAMES], axis=0)
    filled = 0
    for use, limits in AIMS:
        if "consumption_wh_per_km_far" in use and ride != "cruise":
            use = ("hot_cell_endless_c_any", "cost")  # consumption is not proven monotone
        aims = {"constraints": Constraints(**limits), "objectives": Objectives(use=use)}
        aimed = replace(space, inputs=replace(space.inputs, brief=space.brief.model_copy(update=aims)))
        outcome, want = search(aimed), front(figures, aimed.brief)
        assert_same_front(outcome.found.objectives, want)
        assert_counts(outcome.tally, hoped(aimed, count))
        filled += len(want) > 0
        assert set(outcome.tally.seconds) <= {"", "same", "cold", "far", "flat_out", "old", "any"}
    # No pack of so few cells rides the hills far.
    assert filled >= 3


@pytest.mark.parametrize("column", FIELDS)
def test_no_figure_of_a_situation_betters_when_a_part_worsens(wide, column):
    """What pruning rests on, situation by situation; the worst of all is as monotone as each of them."""
    rng = np.random.default_rng([19, list(FIELDS).index(column)])
    for ride in ("cruise", "hills"):
        block = packs(wide[ride], rng)
        both = (each.take(slice(0, 250)) for each in (block, worsened(block, *FIELDS[column], rng)))
        before, after = (score(each, context=wide[ride].context) for each in both)
        assert sum(name.endswith("_cold") for name in before) > 7
        assert_none_betters(wide[ride], column, before, after)


def test_parts_are_rated_for_the_hardest_of_all_rides(wide):
    context = wide["hills"].context
    tau = np.array([5.0, 60.0, np.inf])
    each = [here.profile.mean_square(tau) for _, here in list(context.everywhere())[1:]]
    assert np.all(context.profile.mean_square(tau) >= np.max(each, axis=0) - 1e-15)


def test_the_ride_is_stepped_one_situation_at_a_time():
    figures = frozenset({"cost", "range_km", "range_km_cold", "peak_low_w_cold", "range_km_any"})
    assert stages_of(figures, ("warm", "cold")) == (
        frozenset({"cost", "peak_low_w_cold"}), frozenset({"cost", "peak_low_w_cold", "range_km"}),
        frozenset({"range_km_cold"}), frozenset({"range_km_any"}),
    )  # fmt: skip
    assert stages_of(frozenset({"cost"}), ("cold",)) == (frozenset({"cost"}),)


def test_the_rule_of_braking_holds_in_every_situation(wide):
    brief = wide["hills"].brief
    brief = brief.model_copy(update={"vehicle": brief.vehicle.model_copy(update={"balances_on_motor": True})})
    held = dict(with_regen_rule(brief).constraints)
    asked = brief.electrical.regen_current_a
    assert {held[f"regen_limit_a_min{end}"] for end in ("", "_cold", "_far", "_flat_out")} == {asked}


@pytest.fixture(scope="module")
def old(wide_spaces):
    """The cruise with two situations of years."""
    base = wide_spaces["cruise"]
    use = Use(rides_per_week=10.0, ride_km=2.0, charge_to_soc=0.9, storage_temp_c=20.0)
    situations = (Situation(name="new", years=0.0), Situation(name="old", years=4.0))
    brief = base.brief.model_copy(update={"situation": situations, "use": use})
    space = make_space(replace(base.inputs, brief=brief))
    space.take_rooms(base)
    return space


@pytest.mark.parametrize("stepped", [False, True])
def test_years_are_what_the_same_factors_in_ageing_are(old, stepped):
    """A second way to the same figures: models of cells aged before they are laid on grids, by [ageing]."""
    block = packs(old, np.random.default_rng(5)).take(slice(0, 8))
    figures = score(block, context=old.context, stepped=stepped)
    left = old.context.situations["old"].fade_of(block.cell, block.series * block.parallel)
    assert np.all((left.capacity > 0.5) & (left.capacity < 0.97) & (left.resistance > 1.01))
    for k in range(0, len(block), 3):
        ageing = Ageing(capacity_fraction=float(left.capacity[k]), resistance_factor=float(left.resistance[k]))
        brief = old.brief.model_copy(update={"situation": (), "use": None, "ageing": ageing})
        plain = score(block.take(slice(k, k + 1)), context=make_space(replace(old.inputs, brief=brief)).context,
                      stepped=stepped)  # fmt: skip
        for name in ("range_km", "peak_power_w", "peak_low_w", "energy_wh"):
            assert figures[f"{name}_old"][k] == pytest.approx(plain[name][0], rel=0.02), name
        # The lag of the surface, a part of the lasting resistance, is scaled here and not there: on the safe side.
        hottest = (figures["hot_cell_endless_c_old"][k], plain["hot_cell_endless_c"][0])
        rises = [found - old.context.air_c for found in hottest]
        assert 0.98 < rises[0] / rises[1] < 1.15
    assert np.all(figures["energy_wh_new"] == figures["energy_wh"])
    np.testing.assert_allclose(figures["energy_wh_old"], left.capacity * figures["energy_wh"], rtol=1e-12)


def test_more_cells_share_the_work_and_live_longer(old):
    """Fade rests on cell, S·P and the brief alone: two packs of parts that differ fade alike."""
    wear = old.context.wear
    number = np.array([10, 20, 40, 80])
    life = wear.life_years(cell=np.zeros(4, dtype=np.int64), number=number)
    assert np.all(np.diff(life[0]) > 0) and np.all((life[1] <= life[0]) & (life[0] <= life[2]))
    block = packs(old, np.random.default_rng(5)).take(slice(0, 50))
    other = replace(block, extra_ohm=2 * block.extra_ohm, parts_kg=3 * block.parts_kg)
    one, two = (score(b, context=old.context, figures=frozenset({"life_km"})) for b in (block, other))
    np.testing.assert_array_equal(one["life_km"], two["life_km"])
    # By hand: kilometres are years times rides times their length.
    weeks = 365.25 / 7.0
    np.testing.assert_allclose(one["life_km"], one["life_years"] * 10.0 * 2.0 * weeks, rtol=1e-12)


def test_cost_of_use_by_hand(old):
    """Cost per kilometre of the pack over its life, and of the cruise's energy behind the charger's losses."""
    block = packs(old, np.random.default_rng(8)).take(slice(0, 5))
    figures = score(block, context=old.context)
    for k in range(len(block)):
        mass = float(figures["pack_mass_kg"][k]) + old.context.vehicle_mass_kg
        power = float(old.context.steps.battery_power_w(mass)[0])
        volts = float(old.context.cells.ocv_reference_v[block.cell[k]] * block.series[k])
        cell_ohm = float(old.context.cells.steady_ohm[block.cell[k]])
        ohm = cell_ohm * block.series[k] / block.parallel[k] + float(block.extra_ohm[k])
        current = (volts - np.sqrt(max(volts**2 - 4 * ohm * power, 0.0))) / (2 * ohm)
        if volts**2 <= 4 * ohm * power:
            continue
        kwh = volts * current / 1e3 / (old.context.trace.speed_m_s[0] * 3.6)
        want = 1e3 * (figures["cost"][k] / figures["life_km"][k] + 0.3 * kwh / 0.88)
        assert figures["cost_per_1000_km"][k] == pytest.approx(want, rel=1e-9)


@pytest.mark.parametrize("column", FIELDS)
def test_no_figure_of_years_betters_when_a_part_worsens(old, column):
    rng = np.random.default_rng([23, list(FIELDS).index(column)])
    block = packs(old, rng)
    both = (each.take(slice(0, 250)) for each in (block, worsened(block, *FIELDS[column], rng)))
    before, after = (score(each, context=old.context) for each in both)
    assert {"life_km", "cost_per_1000_km", "range_km_old", "peak_low_w_old"} <= set(before)
    assert_none_betters(old, column, before, after)


def test_what_nobody_published_meets_no_limit(old):
    unknown = replace(old.context.wear, chemistry=np.full(len(old.context.cells.row), "Na-ion"))
    aged = replace(old.context.situations["old"], wear=unknown)
    context = replace(old.context, situations={"old": aged}, wear=unknown)
    figures = score(packs(old, np.random.default_rng(5)).take(slice(0, 9)), context=context)
    assert np.all(figures["range_km_old"] == -np.inf) and np.all(figures["hot_cell_endless_c_old"] == np.inf)
    assert np.all(np.isposinf(figures["cost_per_1000_km"])) and np.all(np.isneginf(figures["life_km"]))
    assert all(not np.isnan(values).any() for values in figures.values())
