"""The plain score against the fast one, on random candidates of random briefs and on rows of the committed run.

Grade: second implementation. The plain one goes through each pack in loops, with formulas written out anew; it
shares with the program what was read from files and what the fit found, nothing else.
"""

import math
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from draws import draw
from plain_score import LIMIT_ORDER, Pack, Plain
from random_briefs import brief_of_many_rooms, brief_text, warmed_brief
from test_design_conductors import wide_space

from optimizer.base.figures import FIGURES, in_situation, made_by, sided
from optimizer.brief import load_brief
from optimizer.catalog import builtin_catalogs
from optimizer.design.select import choose
from optimizer.ride.range import STOP_NAMES
from optimizer.score.inputs import read_inputs
from optimizer.search.exact.rows import full_figures
from optimizer.search.space.setup import load_space, make_space

REL = 1e-9
BRIEFS, EACH, STEPPED = (0, 2, 3, 5, 8, 12, 17, 20), 18, 2
# Four of them hold every kind that the score tells apart.
BY_DAY = (0, 2, 5, 8)
DEMO = builtin_catalogs() / "briefs" / "cargo-scooter.toml"
# How conductors are joined, which the plain score does not lay out; it reads what that comes to as mass and ohms.
JOINERY = {"welds", "pieces", "distinct_pieces", "distinct_plates", "folds", "build_min"}
ROWS = Path(__file__).parents[2] / "results" / "demo" / "front.csv"

# Figures of a fast score that the plain one must have; those of the ride are stepped for a few packs.
NAMES = {
    "cell_count", "pack_mass_kg", "cost", "energy_wh", "voltage_full_v", "voltage_nominal_v", "voltage_empty_v",
    "resistance_mohm", "peak_power_w", "peak_current_a", "peak_low_w", "continuous_power_w", "continuous_current_a",
    "regen_limit_a", "hot_cell_end_c", "hot_cell_endless_c", "charge_80_min", "charge_min", "charger",
    "hot_cell_charge_c", "fast_range_km",
}  # fmt: skip
MOTOR = {"speed_full_kmh", "speed_reference_kmh", "speed_reserve_kmh", "speed_headroom_kmh"}
RIDE = {"range_km", "consumption_wh_per_km"}


def differences(plain, fast, k):
    """Relative difference of each figure that both have; those that are equal, infinities too, differ by 0."""
    out = {}
    for name in plain.keys() & fast.keys():
        if isinstance(plain[name], int | float):
            one, two = float(plain[name]), float(fast[name][k])
            out[name] = 0.0 if one == two else abs(one - two) / max(abs(one), abs(two))
    return out


def assert_limit(name, limits):
    """The limit that is named is the least, or equal to it; strip, wire, BMS and fuse count as one here."""
    parts = ("strip", "wire", "connector", "BMS", "fuse")
    values = [min(limits.get(part, math.inf) for part in parts)] if name in parts else [limits[name]]
    assert values[0] == pytest.approx(min(limits.values()), rel=REL, abs=1e-12), (name, limits)


def space_of(seed, folder):
    path = folder / f"{seed}.toml"
    path.write_text(brief_text(np.random.default_rng([7, seed]), folder))
    return load_space(path)


@pytest.mark.parametrize("seed", [k if k in BY_DAY else pytest.param(k, marks=pytest.mark.nightly) for k in BRIEFS])
def test_every_figure_of_random_candidates(seed, tmp_path):
    space = space_of(seed, tmp_path)
    packs, block = draw(space, np.random.default_rng([8, seed]), count=EACH, tasks=2)
    assert len(packs) == EACH
    fast, plain = full_figures(block, space=space), Plain(space)
    for k, pack in enumerate(packs):
        figures = plain.figures(pack, stepped=k < STEPPED)
        apart = differences(figures, fast, k)
        assert apart.keys() >= NAMES | (MOTOR if space.context.motor else set()) | (RIDE if k < STEPPED else set())
        assert max(apart.values()) < REL, (pack, {n: (figures[n], fast[n][k]) for n in apart if apart[n] >= REL})
        for kind in ("peak", "peak_low", "continuous"):
            assert_limit(LIMIT_ORDER[int(fast[f"{kind}_limit"][k])], figures[f"{kind}_limits"])
        if k < STEPPED:
            assert STOP_NAMES[int(fast["range_stop"][k])] == figures["range_stop"]


def test_every_figure_of_tabs_on_sheet_and_of_collectors(tmp_path):
    """Stocks of two metals: what the second one conducts, weighs, costs and bears, for a peak and on the ride."""
    table = "tabs,copper,0.2,300,14,50,tabbed,1.6,0.15,\nbarred,nickel,0.15,10,5,1.2,strip,,,1.0\n"
    table += "sheeted,nickel,0.2,300,5,42,sheet,1.4,,0.5\n"
    space = wide_space(tmp_path, table, small=True, more=",tab_mm,collector_mm")
    packs, block = draw(space, np.random.default_rng(3), count=6, tasks=1)
    assert {str(space.inputs.strips.id[pack.strip]) for pack in packs} == {"tabs", "barred", "sheeted"}
    fast, plain = full_figures(block, space=space), Plain(space)
    for k, pack in enumerate(packs):
        apart = differences(plain.figures(pack, stepped=False), fast, k)
        assert apart.keys() >= NAMES and max(apart.values()) < REL, (pack, apart)


SITUATIONS = """
[thermal]
wind_part = 0.3
sun_w_m2 = 90.0
colour = "light"
[use]
rides_per_week = 9.0
ride_km = 6.0
charge_to_soc = 0.85
storage_temp_c = 24.0
energy_price_per_kwh = 0.31
[[situation]]
name = "cold"
temp_c = 1.0
start_temp_c = 7.0
headwind_kmh = 9.0
rider_kg = 96.0
start_soc = 0.9
[[situation]]
name = "flat"
speed_kmh = 19.0
grade_pct = 0.4
charge_temp_c = 8.0
sun_w_m2 = 350.0
payload_kg = 3.0
reserve_soc = 0.15
[[situation]]
name = "old"
years = 4.0
temp_c = 30.0
"""
VARIED = {name for name, figure in FIGURES.items() if figure.varies} - RIDE


@pytest.mark.parametrize("seed", [2, *(pytest.param(seed, marks=pytest.mark.nightly) for seed in (8, 12))])
def test_every_figure_in_situations_and_over_years(seed, tmp_path):
    """Conditions, fade, life, cost of use and the range's band; rides are stepped for one pack."""
    path = tmp_path / "brief.toml"
    text = brief_text(np.random.default_rng([7, seed]), tmp_path).split("[ageing]")
    path.write_text(f"{text[0]}{text[1][text[1].index('[spread]'):]}{SITUATIONS}")
    space = load_space(path)
    packs, block = draw(space, np.random.default_rng([8, seed]), count=4, tasks=2)
    fast, plain = full_figures(block, space=space), Plain(space)
    for k, pack in enumerate(packs):
        figures = plain.everywhere(pack, stepped=k < 1)
        apart = differences(figures, fast, k)
        names = VARIED - (MOTOR & VARIED if space.context.motor is None else set()) | (RIDE if k < 1 else set())
        assert apart.keys() >= {f"{name}_{each}" for name in names for each in ("cold", "flat", "old")}
        assert apart.keys() >= made_by("use") - {"life_range_years", "life_range_km"}
        assert k or apart.keys() >= {"range_least_km_old", "range_most_km_old"}
        if str(space.inputs.cells.chemistry[pack.cell]) == "Na-ion":
            # No fade of it is published: what years leave is infinitely bad.
            unknown = {n for n in apart if n.endswith("_old") or n in made_by("use")} & set(fast)
            unknown = {n for n in unknown if np.isinf(fast[n][k])}
            assert {"life_years", "peak_power_w_old", "energy_wh_old"} <= unknown
            apart = {n: value for n, value in apart.items() if n not in unknown}
        assert max(apart.values()) < REL, (pack, {n: (figures[n], fast[n][k]) for n in apart if apart[n] >= REL})


WARMED = (4, 5, 6, 9, 10, 11, 14, 15, 16, 17, 19)


@pytest.mark.parametrize("seed", [7, *(pytest.param(k, marks=pytest.mark.nightly) for k in WARMED)])
def test_every_figure_with_fillers_wind_sun_and_heat_of_the_reaction(seed, tmp_path):
    """In two situations besides, one of them cold and in the shade; cells have steps of charge current."""
    path = tmp_path / "brief.toml"
    path.write_text(warmed_brief(np.random.default_rng([11, seed]), tmp_path))
    space = load_space(path)
    packs, block = draw(space, np.random.default_rng([12, seed]), count=5, tasks=2)
    assert len(packs) == 5
    fast, plain = full_figures(block, space=space), Plain(space)
    for k, pack in enumerate(packs):
        figures = plain.everywhere(pack, stepped=k < 1)
        apart = differences(figures, fast, k)
        names = VARIED - (MOTOR & VARIED if space.context.motor is None else set()) | (RIDE if k < 1 else set())
        assert apart.keys() >= NAMES | {f"{name}_{each}" for name in names for each in ("cold", "hot")}
        assert max(apart.values()) < REL, (pack, {n: (figures[n], fast[n][k]) for n in apart if apart[n] >= REL})


@pytest.mark.parametrize(("rooms", "way"), [
    pytest.param(6, "tray", marks=pytest.mark.nightly), (6, "modules"),
    pytest.param(7, "tray", marks=pytest.mark.nightly),
])
def test_every_figure_with_many_compartments(rooms, way, tmp_path):
    """The chain's order through more than five is found by dynamic programming, the plain score tries them all."""
    path = tmp_path / "many.toml"
    path.write_text(brief_of_many_rooms(np.random.default_rng([9, rooms, len(way)]), tmp_path, count=rooms, way=way))
    space = load_space(path)
    packs, block = draw(space, np.random.default_rng([10, rooms]), count=5, tasks=2)
    assert len(packs) == 5 and max(sum(g > 0 for g in pack.split) for pack in packs) > 3
    fast, plain = full_figures(block, space=space), Plain(space)
    for k, pack in enumerate(packs):
        apart = differences(plain.figures(pack, stepped=False), fast, k)
        assert apart.keys() >= NAMES and max(apart.values()) < REL, (pack, apart)


def test_there_are_enough_candidates_and_kinds_of_them(tmp_path):
    """Grade: regression only. The draws hold what the score tells apart: else they would prove little."""
    assert len(BRIEFS) * EACH >= 140
    texts = [brief_text(np.random.default_rng([7, seed]), tmp_path) for seed in BY_DAY]
    for word in ("trace =", "speed_kmh =", "modules", "tray", "pouch", "18650", "[box]", "motor_speed", "chargers =",
                 'shape = "prism"', "share_balance_leads = true", "capacity_fraction = 0.8", "dcir = 0.05",
                 "[power_connector]"):
        assert any(word in text for text in texts), word


@pytest.mark.parametrize("change", ["strips", "wires", "cells", "fuses"])
def test_a_part_that_differs_by_a_millionth_is_seen(change, tmp_path):
    space = space_of(2, tmp_path)
    packs, block = draw(space, np.random.default_rng([8, 2]), count=1, tasks=1)
    fast, column = full_figures(block, space=space), {"strips": "resistivity_ohm_m", "wires": "resistance_ohm_per_km",
                                                      "cells": "dcir_mohm", "fuses": "resistance_mohm"}  # fmt: skip
    table = getattr(space.inputs, change)
    other = replace(table, **{column[change]: getattr(table, column[change]) * (1 + 1e-6)})
    figures = Plain(replace(space, inputs=replace(space.inputs, **{change: other}))).figures(packs[0], stepped=False)
    assert differences(figures, fast, 0)["resistance_mohm"] > REL


@pytest.fixture(scope="module")
def committed():
    """Two rows of different cells, none of them in free placement, which takes its time."""
    rows = pd.read_csv(ROWS)
    rows = rows[~rows["layout"].str.contains("free") & rows["layout"].str.contains("cells along")]
    return rows.drop_duplicates(["cell_id"]).head(2)


@pytest.fixture(scope="module")
def demo(committed):
    """The demo's space over the cells of those rows."""
    brief = load_brief(DEMO)
    fit = brief.fit.model_copy(update={"placements": ("square", "staggered")})
    vary = brief.vary.model_copy(update={"cells": tuple(committed["cell_id"])})
    return make_space(read_inputs(brief.model_copy(update={"fit": fit, "vary": vary})))


@pytest.mark.nightly
def test_every_figure_of_random_candidates_of_the_demo(demo):
    packs, block = draw(demo, np.random.default_rng(5), count=10, tasks=3)
    fast, plain = full_figures(block, space=demo), Plain(demo)
    for k, pack in enumerate(packs):
        apart = differences(plain.figures(pack, stepped=k < 1), fast, k)
        assert apart.keys() >= NAMES | MOTOR and max(apart.values()) < REL, (pack, apart)


def assert_life_of_range(plain, pack, row, least_km, got):
    """So old, the pack goes as far as the brief asks for; with that, the cells are new again."""
    years, wear = row["life_range_years"], plain.wear(pack)
    plain.aged(pack, wear, years=years)
    worn_km = plain.figures(pack, fast=False)["range_km"]
    plain.aged(pack, None, years=0.0)
    assert worn_km == pytest.approx(least_km, abs=0.02) or years == 30.0
    assert row["life_range_km"] == pytest.approx(years * wear.km_per_year, rel=1e-6)
    got |= {name: row[name] for name in ("life_range_years", "life_range_km")}


def assert_band(plain, pack, row, got, *, km="range_km", ends=("range_km_p10", "range_km_p90")):
    """10th and 90th percentile of the range: by responses of the fast form to 1 % of capacity and of resistance."""
    spread, courses, kept, grown = plain.brief.spread, plain._courses, plain.kept, plain.grown

    def fast_km(capacity, resistance):
        plain.kept, plain.grown, plain._courses = kept * capacity, grown * resistance, {}
        return plain.figures(pack, stepped=False)["fast_range_km"]

    own = fast_km(1.0, 1.0)
    capacity, ohm = (min(abs(1.0 - fast_km(*each) / own) / 0.01, 10.0) for each in ((0.99, 1.0), (1.0, 1.01)))
    plain.kept, plain.grown, plain._courses = kept, grown, courses
    drawn = np.random.default_rng(5).standard_normal((200_000, pack.series)).min(axis=1).std()
    model = np.interp(plain.brief.ride.temp_c, (-10.0, -5.0, 0.0, 10.0), (0.03, 0.02, 0.02, 0.01))
    part = math.hypot(
        model, capacity * spread.capacity / math.sqrt(pack.parallel) * drawn,
        ohm * spread.dcir / math.sqrt(pack.series * pack.parallel),
    )  # fmt: skip
    off = 1.2815516 * part * row[km]
    for end, sign in zip(ends, (-1.0, 1.0), strict=True):
        assert row[end] == pytest.approx(row[km] + sign * off, abs=0.01 * off)
        got[end] = row[end]


def test_every_number_of_committed_rows(demo, committed):
    """As far as it is printed: 6 digits behind the point."""
    plain, constraints = Plain(demo), dict(demo.brief.constraints)
    assert len(committed) == 2
    for row in committed.to_dict("records"):
        chosen = choose(demo, row)
        known = {item.name: getattr(chosen, item.name) for item in fields(Pack)}
        pack = Pack(**{**known, "cell": int(demo.context.cells.row[chosen.cell])})
        got = plain.everywhere(pack)
        got["peak_low_w_any"] = min(got[in_situation("peak_low_w", name)] for name in ("", *plain.others))
        if demo.brief.use is not None:
            assert_life_of_range(plain, pack, row, constraints["range_km_min"], got)
        assert_band(plain, pack, row, got)
        for name, other in plain.others.items():
            ends = (f"range_p10_km_{name}", f"range_p90_km_{name}")
            if ends[0] in row:
                other.aged(pack, plain.wear(pack) if plain.brief.use is not None else None)
                assert_band(other, pack, row, got, km=f"range_km_{name}", ends=ends)
        asked, full_v = demo.brief.electrical, got["voltage_full_v"]
        got["margin_controller_full_v"] = asked.voltage_max_v - full_v
        got["margin_controller_empty_v"] = got["voltage_empty_v"] - asked.voltage_min_v
        got["margin_bms_full_v"] = float(demo.inputs.bms.voltage_max_v[pack.bms]) - full_v
        for name, bound in constraints.items():
            if bound is not None:
                figure, side = sided(name)
                got[f"margin_{name}"] = (got[figure] - bound) * (1 if side == "min" else -1)
        numbers = {name: value for name, value in row.items() if isinstance(value, int | float)}
        missing = numbers.keys() - got.keys() - {"series", "parallel", "strip_layers"} - JOINERY
        assert not missing
        for name in numbers.keys() & got.keys():
            if math.isfinite(numbers[name]):
                assert got[name] == pytest.approx(numbers[name], rel=REL, abs=1.0e-6), name
        for kind in ("peak", "continuous"):
            limits = got[f"{kind}_limits"]
            assert limits[row[f"{kind}_limit"]] == pytest.approx(min(limits.values()), rel=1e-7)
        assert row["range_stop"] == got["range_stop"]
        assert row["charger"] == (demo.inputs.chargers.id[got["charger"]] if got["charger"] >= 0 else "none")
