"""What a millimetre and a step of a limit is worth, against a whole search of the changed brief (second way)."""

import json

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from optimizer import api
from optimizer.analysis.steps import Step, steps, stretched
from optimizer.analysis.vary import FIGURES, Roomier, changed_space, places, vary
from optimizer.base.figures import OBJECTIVES
from optimizer.base.problems import BadInput
from optimizer.brief import BoxCompartment, PrismCompartment, load_brief
from optimizer.brief.spaces import BoxKeepOut
from optimizer.catalog import builtin_catalogs
from optimizer.cli import main
from optimizer.design.subspace import with_brief
from optimizer.review.sheets.tornado import order_by_effect
from optimizer.review.terminal.vary import sentences, vary_text
from optimizer.search.running.run import search
from optimizer.search.space.setup import make_space
from optimizer.search.space.space import Space
from optimizer.workflows.vary import read_varied

TABLES = {"cells", "strips", "wires", "bms", "fuses"}
HEAD = "title = 'small'\n[catalog]\n" + "".join(
    f"{name} = '{(builtin_catalogs() / f'{name}.csv').as_posix()}'\n" for name in sorted(TABLES)
)
# One row of a layer is 18.6 + 0.8 mm: the box is 1 mm too narrow for a third row of birch-18650.
BODY = """
[clearance]
wall_mm = 1.0
case_mm = 1.6
cell_gap_mm = 0.8
end_mm = 2.5
[fit]
ways = ["tray", "modules"]
placements = ["square"]
[[compartment]]
name = "stem"
shape = "box"
length_mm = 109.0
width_mm = 61.2
height_mm = 75.0
[[compartment.keep_out]]
name = "plug"
shape = "box"
origin_mm = [104.0, 0.0, 0.0]
length_mm = 5.0
width_mm = 61.2
height_mm = 75.0
[electrical]
voltage_max_v = 58.8
voltage_min_v = 20.0
battery_current_a = 40.0
[vehicle]
mass_kg = 12.0
rider_kg = 70.0
cda_m2 = 0.6
crr = 0.014
drivetrain_efficiency = 0.8
[ride]
speed_kmh = 16.0
[protection]
fuse_protects = false
[constraints]
peak_power_w_min = 150.0
pack_mass_kg_max = 2.0
[vary]
cells = ["birch-18650-b30", "birch-18650-b26"]
series = [10, 14]
parallel = [1, 1]
strips = ["nickel-8x0.15", "copper-8x0.10"]
wires = ["silicone-4", "silicone-0.5"]
"""


@pytest.fixture(scope="module")
def brief(tmp_path_factory):
    path = tmp_path_factory.mktemp("vary") / "small.toml"
    path.write_text(HEAD + BODY)
    return path


@pytest.fixture(scope="module")
def space(brief):
    return api.load(brief)


@pytest.fixture(scope="module")
def worth(space):
    return vary(space)


def best_of_whole(space):
    """The best of each figure from the whole front, searched without any head start."""
    wide = with_brief(space, objectives=FIGURES)
    found = search(wide)
    if not len(found.found):
        return None
    frame = api.front(wide, found)
    return {name: frame[name].max() if OBJECTIVES[name] else frame[name].min() for name in FIGURES}


def test_every_step_has_the_best_that_a_whole_search_of_the_changed_brief_finds(worth, space):
    pairs = [(worth.base, space.brief), *zip(worth.best, (step.brief for step in worth.steps), strict=True)]
    seen = set()
    for found, changed in pairs:
        inputs = space.inputs if changed is None else type(space.inputs)(**{**vars(space.inputs), "brief": changed})
        expected = best_of_whole(make_space(inputs))
        if expected is None:
            assert found is None or not found.rows
            seen.add("none")
            continue
        for name, best in expected.items():
            # A layout of the room as it was, moved, may have wires that are some steps of 5 mm shorter.
            gain = (found.value(name) - best) * (1.0 if OBJECTIVES[name] else -1.0) / best
            assert -1e-6 <= gain <= 2e-3, (name, found.value(name), best)
        seen.add("some")
    assert "some" in seen


def test_two_millimetres_of_width_hold_another_row_and_another_series_group(worth):
    by_text = dict(zip((step.text for step in worth.steps), worth.best, strict=True))
    wider = by_text["2 mm more width in the stem"]
    more = int(wider.rows["range_km"]["series"]) - int(worth.base.rows["range_km"]["series"])
    assert more > 0
    told = next(text for text in sentences(worth, currency="EUR") if text.startswith("2 mm more width in the stem"))
    assert "more series group" in told and "km best range" in told and "+" in told


def test_a_limit_that_is_tightened_but_kept_needs_no_search(worth):
    by_name = {(step.name, step.change > 0): found for step, found in zip(worth.steps, worth.best, strict=True)}
    assert by_name["voltage_min_v", True] is worth.base
    assert by_name["voltage_min_v", False] is not worth.base


def test_steps_go_both_ways_over_every_dimension_and_limit(space):
    names = [(step.name, np.sign(step.change)) for step in steps(space.brief)]
    expected = [f"stem {way}" for way in ("length", "width", "height")]
    expected += ["voltage_max_v", "voltage_min_v", "battery_current_a", "peak_power_w_min", "pack_mass_kg_max"]
    assert names == [(name, sign) for name in expected for sign in (-1, 1)]
    with pytest.raises(ValueError, match="above 0"):
        steps(space.brief, step_mm=0.0)


def test_what_tightens():
    kinds = {
        ("cost_max", -1.0): True, ("cost_max", 1.0): False, ("range_km_min", 1.0): True, ("range_km_min", -1.0): False,
        ("voltage_max_v", -1.0): True, ("voltage_min_v", 1.0): True, ("battery_current_a", -1.0): False,
        ("stem height", -2.0): False,
    }  # fmt: skip
    assert {key: Step(*key, text="", brief=None).tightens for key in kinds} == kinds


def test_a_box_is_stretched_at_its_middle_and_its_fittings_go_along(space):
    room = space.brief.compartment[0]
    longer = stretched(room, axis="x", change_mm=4.0)
    assert isinstance(longer, BoxCompartment)
    assert longer.length_mm == 113.0
    assert longer.keep_out[0].origin_mm == (108.0, 0.0, 0.0) and longer.keep_out[0].length_mm == 5.0
    wider = stretched(room, axis="y", change_mm=4.0)
    assert wider.width_mm == 65.2 and wider.keep_out[0].width_mm == 65.2 and wider.keep_out[0].origin_mm[1] == 0.0
    assert stretched(room, axis="x", change_mm=-109.0) is None


def test_a_prism_keeps_its_slants():
    room = load_brief(builtin_catalogs() / "briefs" / "cargo-scooter.toml").compartment[0]
    assert isinstance(room, PrismCompartment)
    shelf = BoxKeepOut(shape="box", origin_mm=(340, 0, 58), length_mm=80, width_mm=118, height_mm=20)
    room = room.model_copy(update={"keep_out": (shelf,)})
    longer = stretched(room, axis="x", change_mm=6.0)
    assert longer.profile_mm == ((0, 0), (426, 0), (414, 80), (12, 80))
    higher = stretched(room, axis="z", change_mm=-2.0)
    assert higher.profile_mm == ((0, 0), (420, 0), (408, 78), (12, 78))
    assert higher.keep_out[0].origin_mm == (340.0, 0.0, 56.0)
    assert stretched(room, axis="y", change_mm=2.0).depth_mm == 128.5


def test_a_larger_room_never_holds_less_than_before(space):
    """Free placement in little time may do worse in a larger room by chance; here it finds nothing at all."""
    longer = stretched(space.brief.compartment[0], axis="x", change_mm=2)
    brief = space.brief.model_copy(update={"compartment": (longer,)})

    class Blind(Space):
        def _find_layouts(self, room, size, stand):
            return []

    new = changed_space(space, brief)
    assert isinstance(new.offer, Roomier)
    blind = Blind(new.inputs, new.context, offer=new.offer)
    assert places(blind) == places(space)
    for task in space.tasks():
        held = [fill.groups for fill in blind.room_fills(0, task)]
        assert held and max(held) >= max(fill.groups for fill in space.room_fills(0, task))


SITUATIONS = """
range_km_min_cold = 8.0
[[situation]]
name = "cold"
temp_c = -5.0
headwind_kmh = 8.0
[objectives]
use = ["range_km", "range_km_cold"]
[vary]
"""


def test_the_limit_that_binds_is_named_and_figures_are_told_by_situation(tmp_path):
    """Second way: a whole search of each changed brief; what binds is what a step of it betters, and nothing else."""
    path = tmp_path / "cold.toml"
    path.write_text(HEAD + BODY.replace("[vary]\n", SITUATIONS))
    space = api.load(path)
    asked = [step for step in steps(space.brief) if step.name in ("range_km_min_cold", "pack_mass_kg_max")]
    worth = vary(space, changes=asked[1:3])
    assert worth.figures == (*FIGURES, "range_km_cold") and worth.situations == ("cold",)
    for found, brief in zip((worth.base, *worth.best), (space.brief, *(s.brief for s in worth.steps)), strict=True):
        inputs = type(space.inputs)(**{**vars(space.inputs), "brief": brief})
        wide = with_brief(make_space(inputs), objectives=worth.figures)
        frame = api.front(wide, search(wide))
        expected = {name: frame[name].max() if OBJECTIVES[name] else frame[name].min() for name in worth.figures}
        assert {name: found.value(name) for name in expected} == pytest.approx(expected, rel=1e-6)
    binding = worth.binding()
    assert {name: set(limits) for name, limits in binding.items() if limits} == {
        "pack_mass_kg": {"range_km_min_cold"}, "cost": {"range_km_min_cold"},
    }  # fmt: skip
    table = worth.table()
    loose = table[(table["parameter"] == "range_km_min_cold") & (table["change"] < 0)].iloc[0]
    assert "cost" in loose["binds"] and loose["cost_change"] < 0
    assert loose["best_range_pack_km_cold"] == pytest.approx(worth.base.rows["range_km"]["range_km_cold"])
    text = vary_text(worth, currency="EUR")
    assert "What binds" in text and "best cost: range_km_min_cold (" in text and "cold" in text.splitlines()[8]


def test_words_and_table(worth):
    text = vary_text(worth, currency="EUR")
    assert max(map(len, text.splitlines())) <= 100
    table = worth.table()
    assert len(table) == len(worth.steps) == 16
    wider = table[(table["parameter"] == "stem width") & (table["change"] > 0)].iloc[0]
    assert wider["cells_change"] > 0 and wider["cells_change_most"] >= wider["cells_change"]
    assert wider["range_km_change"] > 0


def test_parameters_are_ordered_by_their_largest_effect():
    table = pd.DataFrame(
        {"parameter": ["a", "a", "b", "b", "c"], "change": [-1, 1, -1, 1, 1], "x_change": [1.0, -4.0, 0.5, 8.0, np.nan]}
    )
    assert order_by_effect(table, figures=["x"]) == ["b", "c", "a"], "nothing left counts as the largest"


def test_command_writes_table_and_bars_and_says_the_same_as_json(brief, tmp_path):
    out = tmp_path / "out"
    command = ["vary", str(brief), "--only", "width", "--out", str(out)]
    done = CliRunner().invoke(main, [*command, "--json", "--quiet"])
    assert done.exit_code == 0, done.output
    record = json.loads(done.stdout)
    assert [step["change"] for step in record["steps"]] == [-2.0, 2.0]
    frame = pd.read_csv(out / "vary.csv")
    assert frame["range_km_change"].tolist() == pytest.approx([s["range_km_change"] for s in record["steps"]])
    assert (out / "vary.png").stat().st_size > 10_000 and "<svg" in (out / "vary.svg").read_text()
    told = read_varied(out, inputs=record["inputs"])
    assert told["steps"] == record["steps"] and told["sentences"] == record["sentences"]
    with pytest.raises(BadInput, match=r"was made for another brief.*changed: cells"):
        read_varied(out, inputs=record["inputs"] | {"cells": "0" * 64})
    with pytest.raises(BadInput, match="holds no table of steps"):
        read_varied(tmp_path, inputs={})
    again = CliRunner().invoke(main, command)
    assert again.exit_code == 2 and "--force" in again.output
    wrong = CliRunner().invoke(main, ["vary", str(brief), "--only", "colour", "--out", str(tmp_path / "no")])
    assert wrong.exit_code == 2 and "stem width" in wrong.output and not (tmp_path / "no").exists()
