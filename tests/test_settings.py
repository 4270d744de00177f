"""The settings sheet, what trips first and the temperatures after a peak, for designs of a small run; and the rules.

A second implementation (tests/plain/plain_protection.py) reads design.json and looks for a rule that is broken.
"""

import json
import math

import numpy as np
import plain_protection as plain
import pytest

from optimizer.brief import load_brief
from optimizer.catalog import builtin_catalogs
from optimizer.design.protection import parts_after_peak, turned_off
from optimizer.design.rescore import design_record, scored
from optimizer.design.select import choose
from optimizer.design.settings import settings_sheet
from optimizer.design.unfold import unfold
from optimizer.pack.protection.precharge import precharge
from optimizer.review.sheets.buildsheet import build_markdown
from optimizer.ride.load.profile import Profile
from optimizer.score.inputs import read_inputs
from optimizer.search.running.run import search
from optimizer.search.space.setup import make_space


def few(brief, **more):
    """The quick brief over two cells."""
    vary = brief.vary.model_copy(update={"cells": ("cinder-21700-p42", "amber-21700-e50"), "parallel": (2, 3)})
    return brief.model_copy(update={"vary": vary, **more})


@pytest.fixture(scope="module")
def quick():
    return load_brief(builtin_catalogs() / "briefs" / "quick-36v.toml")


@pytest.fixture(scope="module")
def space(quick):
    asked = quick.electrical.model_copy(update={"controller_capacitance_uf": 1500.0, "regen_current_a": 15.0})
    return make_space(read_inputs(few(quick, electrical=asked)))


@pytest.fixture(scope="module")
def rows(space):
    found = search(space, workers=1).found
    return scored(found, space=space).to_dict("records")


def test_values_of_the_sheet_are_in_order(space, rows):
    """Fade over cut-off over BMS over the cell's limit; controller, BMS and fuse by current and time."""
    assert len(rows) > 3
    for row in rows[:6]:
        sheet = settings_sheet(space, choose(space, row), row)
        at = {one.name: one for one in sheet.settings}
        low = at["BMS under-voltage"]
        assert at["fade"].pack_v > at["cut-off"].pack_v > low.pack_v
        assert at["fade"].cell_v * row["series"] == pytest.approx(at["fade"].pack_v)
        assert at["charger voltage"].cell_v < at["BMS over-voltage"].cell_v
        assert at["cut-off"].pack_v >= space.brief.electrical.voltage_min_v - 1e-9
        first, second = at["BMS discharge over-current"], at["BMS discharge over-current, second"]
        short = at["BMS short circuit"]
        assert row["peak_current_a"] <= first.current_a * (1 + 1e-9)
        assert first.current_a <= second.current_a * (1 + 1e-9) and second.current_a <= short.current_a * (1 + 1e-9)
        fuse = next(k for k, name in enumerate(space.inputs.fuses.id) if name == row["fuse"])
        rating, least = float(space.inputs.fuses.current_a[fuse]), space.inputs.fuses.opens_least[fuse]
        # From each stage's current up to the next one's the board acts before the fuse may.
        for stage, upto in ((first, second), (second, short)):
            for amps in np.linspace(stage.current_a, upto.current_a * 0.999, 9):
                assert stage.seconds <= plain.opens_within(least, amps / rating)
        assert {"battery current", "regeneration", "pre-charge"} <= set(at)
        assert at["regeneration"].current_a == pytest.approx(min(row["regen_limit_a"], 15.0))


def test_the_sheet_is_in_the_build_sheet(space, rows):
    text = build_markdown(unfold(space, rows[0]))
    assert "Settings of controller, BMS and charger" in text and "What trips first" in text
    for word in ("battery current", "regeneration", "fade", "cut-off", "BMS under-voltage", "BMS over-voltage"):
        assert f"| {word} |" in text
    asked = space.brief.electrical.regen_current_a
    low = next((row for row in rows if row["regen_limit_a"] < asked), None)
    assert low is not None and "Set regeneration to at most" in build_markdown(unfold(space, low))


def test_a_search_for_a_broken_rule_in_what_is_written_finds_none(space, rows):
    """Grade: second implementation, from design.json and the tables in it alone."""
    for row in rows:
        data = json.loads(json.dumps(design_record(space, row)))
        fuse, wire = data["catalog"]["fuses"][0], data["catalog"]["wires"]
        wire = next(one for one in wire if one["id"] == data["choices"]["wire"])
        assert fuse["voltage_dc_v"] >= data["figures"]["voltage_full_v"]
        assert fuse["breaking_a"] >= data["figures"]["fault_current_a"]
        assert wire["current_a"] >= fuse["current_a"]
        bms = data["catalog"]["bms"][0]
        assert data["figures"]["regen_limit_a"] <= bms["current_charge_a"] + 1e-6
        assert data["figures"]["peak_current_a"] <= bms["current_peak_a"] + 1e-6
        assert data["figures"]["continuous_current_a"] <= bms["current_continuous_a"] + 1e-6
        assert data["protection"] == {"turned_off": [], "broken": []}
        warm = data["parts_after_peak"]
        assert {one["part"] for one in warm} == {"strip", "wire", "connector", "fuse"}
        assert all(one["temp_c"] <= one["limit_c"] + 0.01 for one in warm)


def test_a_rule_that_is_turned_off_is_said_first(quick):
    off = quick.protection.model_copy(update={"fuse_protects": False})
    other = make_space(read_inputs(few(quick, protection=off)))
    found = search(other, workers=1).found
    row = scored(found, space=other).iloc[0].to_dict()
    design = unfold(other, row)
    assert turned_off(other) and "fuse_protects" in design.cautions[0]


def test_who_balances_on_the_motor_needs_all_of_the_regeneration(quick):
    """35 A against cells and boards that take less: refused, unless the rule is turned off by name."""
    asked = quick.electrical.model_copy(update={"regen_current_a": 35.0})
    rider = quick.vehicle.model_copy(update={"balances_on_motor": True})
    held = make_space(read_inputs(few(quick, electrical=asked, vehicle=rider)))
    outcome = search(held, workers=1)
    assert not len(outcome.found)
    assert outcome.tally.pruned["regen_limit_a_min"] + outcome.tally.rejected["regen_limit_a_min"]
    off = quick.protection.model_copy(update={"regen_holds": False})
    free = make_space(read_inputs(few(quick, electrical=asked, vehicle=rider, protection=off)))
    assert len(search(free, workers=1).found)


def test_precharge_as_published():
    """½ C V² and RC: 84 V and 2 mF hold 7.056 J; 33 Ω have 2.545 A and 213.8 W at first, 5 RC is 0.330 s (computed)."""
    made = precharge(84.0, capacitance_uf=2000.0)
    assert made.energy_j == pytest.approx(7.056)
    assert made.ohm >= 84.0 / 2.5 and made.peak_a <= 2.5
    assert made.peak_w == pytest.approx(84.0**2 / made.ohm) and made.seconds == pytest.approx(5 * made.ohm * 2e-3)
    with pytest.raises(ValueError, match="positive"):
        precharge(0.0, capacitance_uf=10.0)


def test_a_lap_over_time_as_loops_have_it():
    rng = np.random.default_rng(3)
    lap = Profile(rng.uniform(0, 1, (2, 50)), rng.uniform(0.5, 3.0, 50))
    for tau in (0.3, 5.0, 200.0, math.inf):
        want = max(plain.moving_most(row, lap.seconds, tau) for row in lap.share)
        assert lap.mean_square(np.array([tau]))[0] == pytest.approx(want, rel=1e-9)
    runs = [max(plain.longest_run(row, lap.seconds, k / 40) for row in lap.share) for k in range(40)]
    assert lap.longest() == pytest.approx(runs)
    steady = Profile(np.ones((1, 4)), np.ones(4))
    # A steady cruise: no part may be loaded over its continuous rating.
    assert steady.mean_square(np.array([0.1, 1e4])) == pytest.approx(1.0)
    assert np.isinf(steady.longest()).all()


def test_parts_warm_with_the_current(space, rows):
    chosen = choose(space, rows[0])
    cool, warm = (parts_after_peak(space, chosen, current_a=amps) for amps in (5.0, 20.0))
    assert all(a["temp_c"] <= b["temp_c"] for a, b in zip(cool, warm, strict=True))
