"""What the engine's pruning rests on: no figure betters when a part worsens (options.COLUMNS), whatever the pack.

Expected values: an identity of the model, checked on random packs. A figure that a heavier pack may better on a
ride is left out there, as the engine does.
"""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from optimizer.base.figures import FIGURES, OBJECTIVES, split_name
from optimizer.catalog import builtin_catalogs
from optimizer.score.score import CHARGE_FIGURES, HEAT_FIGURES, RIDE_FIGURES, WORK_FIGURES, Block, score
from optimizer.score.situations import SETTLED
from optimizer.search.exact.ideal import BEST_CASE
from optimizer.search.exact.turns import burdens
from optimizer.search.running.record import run_record
from optimizer.search.running.run import search
from optimizer.search.space import options as op
from optimizer.search.space.setup import load_space, make_space

ROWS = 4000
# Of them, those whose ride is stepped through.
STEPPED = 300

# Column of the options to the block's field and the sign with which it worsens.
FIELDS = {
    "resistance_ohm": ("extra_ohm", 1), "mass_kg": ("parts_kg", 1), "cost": ("parts_cost", 1),
    "neg_peak_a": ("peak_cap_a", -1), "neg_continuous_a": ("continuous_cap_a", -1),
    "neg_charge_a": ("charge_cap_a", -1), "spread_ohm": ("spread_ohm", 1), "hot_rise_k_per_w": ("hot_rise_k_per_w", 1),
    "ride_rise_k_per_w": ("ride_rise_k_per_w", 1), "box_k_per_w": ("box_k_per_w", 1),
    "plates_k_per_a2": ("plates_k_per_a2", 1),
    **{name: (name, 1) for name in WORK_FIGURES},
    "neg_ride_a": ("ride_cap_a", -1), "neg_regen_a": ("regen_cap_a", -1),
    "hot_sun_rise_k_per_w": ("hot_sun_rise_k_per_w", 1), "ride_sun_rise_k_per_w": ("ride_sun_rise_k_per_w", 1),
    "filler_j_k": ("filler_j_k", 1),
}  # fmt: skip


@pytest.fixture(scope="module")
def demo():
    """The demo brief: a ride with braking, a motor, chargers."""
    return load_space(builtin_catalogs() / "briefs" / "cargo-scooter.toml")


@pytest.fixture
def space(request, wide_spaces, demo):
    return demo if request.param == "demo" else wide_spaces[request.param]


def packs(space, rng):
    """Random packs, from roomy to hopeless."""
    cells = space.context.cells
    cell = rng.integers(0, len(cells.row), ROWS)
    low, high = space.window
    series = rng.integers(np.minimum(low, high)[cell], high[cell] + 1)
    parallel = rng.integers(1, 9, ROWS)
    more = np.random.default_rng(11)

    def log(least, most):
        return np.exp(rng.uniform(np.log(least), np.log(most), ROWS))

    return Block(
        cell=cell, series=series, parallel=parallel, extra_ohm=log(1e-4, 0.3), parts_kg=log(0.05, 5.0),
        parts_cost=log(5.0, 400.0), cells_cost=log(20.0, 900.0), peak_cap_a=log(1.0, 300.0),
        continuous_cap_a=log(1.0, 200.0), charge_cap_a=log(0.2, 80.0),
        spread_ohm=log(1e-6, 2e-2), hot_rise_k_per_w=log(0.5, 200.0),
        ride_rise_k_per_w=log(0.5, 200.0), box_k_per_w=log(0.1, 10.0), plates_k_per_a2=log(1e-4, 0.1),
        ride_cap_a=log(1.0, 300.0),
        regen_cap_a=log(0.2, 80.0), **{name: log(1.0, 500.0) for name in WORK_FIGURES},
        **{name: np.exp(more.uniform(0.0, 5.0, ROWS)) for name in ("hot_sun_rise_k_per_w", "ride_sun_rise_k_per_w")},
        filler_j_k=np.exp(more.uniform(0.0, 10.0, ROWS)),
    )  # fmt: skip


def worsened(block, field, sign, rng):
    """The block with one field a little or much worse in every row."""
    values = getattr(block, field)
    return replace(block, **{field: values * (1.0 + np.exp(rng.uniform(np.log(1e-6), np.log(3.0), ROWS))) ** sign})


def test_every_column_is_tried():
    """The length of wire has become resistance, mass and cost before anything is scored."""
    assert {*FIELDS, "power_wire_mm"} == set(op.COLUMNS)


@pytest.mark.parametrize("space", ["cruise", "hills", "downhill", "demo"], indirect=True)
@pytest.mark.parametrize("column", FIELDS)
def test_no_figure_betters_when_a_part_worsens(space, demo, column):
    rng = np.random.default_rng([7, list(FIELDS).index(column)])
    block = packs(space, rng)
    before = score(block, context=space.context)
    worse = worsened(block, *FIELDS[column], rng)
    after = score(worse, context=space.context)
    tried = assert_none_betters(space, column, before, after)
    # A part that changes nothing would make the test an empty one.
    # No charger, and a lap whose highest power no pack of the hills gives, are the two that no figure shows; sun and
    # fillers need a sun and a ride in the cold.
    assert tried >= 1 or column in ("neg_charge_a", "neg_ride_a") or "_sun_" in column or (
        column == "filler_j_k" and space is not demo)


@pytest.mark.parametrize("space", ["cruise", "hills", "downhill", "demo"], indirect=True)
@pytest.mark.parametrize("column", [
    "resistance_ohm", "mass_kg", "neg_ride_a", "neg_regen_a", "spread_ohm", "filler_j_k",
])  # fmt: skip
def test_the_stepped_range_does_not_either(space, column):
    """The figure that searches judge by: it ends at places, so that many packs end at the same one."""
    rng = np.random.default_rng([8, list(FIELDS).index(column)])
    whole = packs(space, rng)
    worse = worsened(whole, *FIELDS[column], rng).take(slice(0, STEPPED))
    before, after = (
        score(block, context=space.context, figures=RIDE_FIGURES, stepped=True)
        for block in (whole.take(slice(0, STEPPED)), worse)
    )
    # A limit on braking, or on the share of a cell, need not tell on every ride, nor a filler in mild weather.
    silent = ("neg_ride_a", "neg_regen_a", "spread_ohm", "filler_j_k")
    assert assert_none_betters(space, column, before, after) or column in silent


@pytest.mark.parametrize("space", ["cruise", "hills", "downhill", "demo"], indirect=True)
def test_a_pack_of_no_less_burden_goes_no_farther(space):
    """By the burdens alone, whatever stands behind them: limits of parts that bind nothing may be better or worse."""
    rng = np.random.default_rng(9)
    whole = packs(space, rng)
    other = replace(whole, **{
        field: getattr(whole, field) * np.exp(rng.normal(0.0, 0.3, ROWS) * (rng.random(ROWS) < 0.6))
        for field in ("extra_ohm", "ride_cap_a", "regen_cap_a", "spread_ohm", "filler_j_k")
    })  # fmt: skip
    if not space.mass_may_help:
        other = replace(other, parts_kg=whole.parts_kg * np.exp(rng.normal(0.0, 0.3, ROWS)))
    one, two = (
        burdens(block, context=space.context, mass_may_help=space.mass_may_help) for block in (whole, other)
    )
    rows = np.flatnonzero((one <= two).all(axis=1))[:STEPPED]
    before, after = (
        score(block.take(rows), context=space.context, figures=RIDE_FIGURES, stepped=True) for block in (whole, other)
    )
    farther = after["range_km"] > before["range_km"] * (1.0 + 1e-9)
    assert len(rows) > 100 and not farther.any()
    assert (after["range_km"] < before["range_km"] * (1.0 - 1e-9)).sum() >= 5
    # What the burdens leave out would tell: of packs that are better in one of them some do go farther.
    mixed = np.flatnonzero(~(one <= two).all(axis=1))[:STEPPED]
    before, after = (
        score(block.take(mixed), context=space.context, figures=RIDE_FIGURES, stepped=True) for block in (whole, other)
    )
    assert (after["range_km"] > before["range_km"] * (1.0 + 1e-9)).sum() >= 5


def assert_none_betters(space, column, before, after):
    """No figure of `after` is better; how many are worse somewhere."""
    helped = {where for where, here in space.context.everywhere() if here.mass_may_help and column == "mass_kg"}
    spared = set(BEST_CASE) if "" in helped else set()
    tried = 0
    for name in before:
        base, situation = split_name(name)
        if name not in OBJECTIVES or FIGURES[base].unproven or (base in BEST_CASE and situation in helped):
            continue
        sign = -1.0 if OBJECTIVES[name] else 1.0
        one, other = sign * before[name], sign * after[name]
        both = np.isfinite(one) & np.isfinite(other)
        # What was out of reach stays so, and rounding is no gain.
        assert np.all((other >= one)[~(np.isfinite(one) & np.isfinite(other))]), name
        slack = 1e-9 * np.abs(one[both]) + 1e-12
        worst = np.min(other[both] - one[both] + slack, initial=0.0)
        assert worst >= 0, (name, worst)
        tried += int(np.any(other[both] > one[both] + slack))
    return tried + (spared == set(BEST_CASE))


@pytest.mark.parametrize("column", ["resistance_ohm", "neg_charge_a", "spread_ohm"])
def test_no_charge_is_quicker_behind_worse_parts(demo, column):
    """Chargers of 0.02C to 1C, wiring of none to ten times the cell's own resistance, changes from a hair to double.

    The charge ends where a current has tapered; behind wiring it does so sooner, but the cell is no fuller.
    """
    rng = np.random.default_rng([9, list(FIELDS).index(column)])
    block, tried = packs(demo, rng), 0
    own = demo.context.cells.steady_ohm[block.cell] * block.series / block.parallel
    wiring = own * np.exp(rng.uniform(np.log(1e-3), np.log(10.0), ROWS))
    block = replace(block, extra_ohm=wiring, charge_cap_a=rng.uniform(1, 30, ROWS))
    change = 1.0 + np.exp(rng.uniform(np.log(1e-6), 0.0, ROWS))
    field, sign = FIELDS[column]
    worse = replace(block, **{field: getattr(block, field) * change**sign})
    chargers = demo.context.chargers
    for amps in (0.3, 0.6, 1.0, 2.0, 5.0, 12.0):
        # One for each voltage, and one of a tenth of the current beside it.
        small = np.where(np.arange(len(chargers.current_a)) % 2, amps, 0.1 * amps)
        context = replace(demo.context, chargers=replace(chargers, current_a=small))
        one, other = (score(b, context=context, figures=CHARGE_FIGURES) for b in (block, worse))
        for name in ("charge_min", "charge_80_min"):
            assert np.all(other[name] >= one[name] * (1.0 - 1e-9)), (amps, name)
            tried += int(np.any(np.isfinite(other[name]) & (other[name] > one[name] * (1.0 + 1e-9))))
    assert tried > 2


def test_no_heavier_pack_goes_further_than_a_settled_one(wide_spaces):
    """Where some heavier pack may; with cells that warm on the ride (tests/ride/test_heavier.py has invented ones)."""
    space, rng = wide_spaces["stopgo"], np.random.default_rng(13)
    block = packs(space, rng)
    before, after = (
        score(each.take(slice(0, 5 * STEPPED)), context=space.context, figures=RIDE_FIGURES, stepped=True)
        for each in (block, worsened(block, *FIELDS["mass_kg"], rng))
    )
    settled = before[SETTLED] > 0
    assert np.all(after["range_km"][settled] <= before["range_km"][settled] * (1.0 + 1e-9))
    assert np.any(after["range_km"][settled] < before["range_km"][settled]) and settled.mean() > 0.2


@pytest.mark.parametrize("entropy_mv_k", [-0.4, 0.4])
@pytest.mark.parametrize("column", [
    "resistance_ohm", "mass_kg", "hot_sun_rise_k_per_w", "ride_sun_rise_k_per_w", "box_k_per_w", "plates_k_per_a2",
])  # fmt: skip
def test_nor_in_the_sun_and_with_heat_of_the_reaction(wide_spaces, column, entropy_mv_k):
    """Sun adds to the air, the reaction goes with the charge: neither changes with a part, whatever its sign."""
    rng = np.random.default_rng([10, list(FIELDS).index(column)])
    context = wide_spaces["cruise"].context
    warmth = replace(context.warmth, sun_k=14.0, ride_sun_k=9.0)
    cells = replace(context.cells, entropy_v_k=np.full_like(context.cells.entropy_v_k, 1e-3 * entropy_mv_k))
    space = replace_context(wide_spaces["cruise"], replace(context, warmth=warmth, cells=cells, situations={}))
    block = packs(space, rng)
    figures = HEAT_FIGURES | {"continuous_power_w", "hot_cell_charge_c"}
    before, after = (
        score(each, context=space.context, figures=figures) for each in (block, worsened(block, *FIELDS[column], rng))
    )
    assert assert_none_betters(space, column, before, after) >= 1


def replace_context(space, context):
    """A space that stands for another one with its context."""
    return SimpleNamespace(context=context, window=space.window)


def test_the_test_would_notice(demo, monkeypatch):
    """A score in which resistance helps must fail."""
    from optimizer.score import score as score_room

    real = score_room.statics

    def wrong(block, *, context):
        out = real(block, context=context)
        return out | {"cost": out["cost"] - block.extra_ohm}

    monkeypatch.setattr(score_room, "statics", wrong)
    with pytest.raises(AssertionError, match="cost"):
        test_no_figure_betters_when_a_part_worsens(demo, demo, "resistance_ohm")


def test_what_is_not_proven_is_named_where_it_is_asked_for(space_of):
    space = space_of(0)
    asked = space.brief.objectives.model_copy(update={"use": ("consumption_wh_per_km", "cost")})
    other = make_space(replace(space.inputs, brief=space.brief.model_copy(update={"objectives": asked})))
    outcome = search(other)
    assert run_record(space, search(space), pd.DataFrame())["space"]["unproven"] == {}
    assert list(run_record(other, outcome, pd.DataFrame())["space"]["unproven"]) == ["consumption_wh_per_km"]
