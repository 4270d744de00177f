"""Pinned packs: scored beside the front and drawn, whatever else the search finds."""

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import second_protection
import second_wires
from click.testing import CliRunner

from optimizer.base.figures import OBJECTIVES
from optimizer.base.problems import BadInput
from optimizer.brief import load_brief
from optimizer.catalog import builtin_catalogs
from optimizer.cli import main
from optimizer.design.pinned import pinned_packs
from optimizer.design.protection import broken, turned_off
from optimizer.design.rescore import design_record, scored
from optimizer.design.select import choose
from optimizer.design.subspace import restricted_space
from optimizer.design.unfold import unfold
from optimizer.review.sheets.drawings import draw
from optimizer.search.running.run import search
from optimizer.search.space.setup import load_space

TWO_BOXES = """
title = "equal cases over two unequal boxes"
[catalog]
{tables}
[fit]
ways = ["modules"]
placements = ["square"]
[[compartment]]
name = "front"
shape = "box"
length_mm = 130.0
width_mm = 64.0
height_mm = 74.0
[[compartment]]
name = "rear"
shape = "box"
length_mm = 90.0
width_mm = 64.0
height_mm = 74.0
position_mm = [200.0, 0.0, 0.0]
[electrical]
voltage_max_v = 26.0
voltage_min_v = 12.0
battery_current_a = 40.0
[vehicle]
mass_kg = 12.0
rider_kg = 70.0
cda_m2 = 0.6
crr = 0.014
drivetrain_efficiency = 0.8
[ride]
speed_kmh = 16.0
[vary]
cells = ["amber-18650-*"]
series = [5, 6]
parallel = [2, 3]
bms = ["*"]
[pin]
cell = "amber-18650-e32"
series = 5
parallel = 3
split = {{ front = 3, rear = 2 }}
groups_per_module = 1
strip = "nickel-8x0.15"
"""


@pytest.fixture(scope="module")
def space(tmp_path_factory):
    folder = builtin_catalogs().as_posix()
    tables = "\n".join(f'{name} = "{folder}/{name}.csv"' for name in ("cells", "strips", "wires", "fuses"))
    path = tmp_path_factory.mktemp("pin") / "two-boxes.toml"
    path.with_name("bms.csv").write_text(
        "id,series_min,series_max,chemistries,current_continuous_a,current_peak_a,peak_s,current_charge_a,voltage_max_v,"
        "resistance_mohm,balance_ma,mass_g,length_mm,width_mm,height_mm,price\nsix,4,8,NMC;NCA,30,45,12,10,36,2.5,60,40,"
        "60,50,8,15\n"
    )
    path.write_text(TWO_BOXES.format(tables=tables + '\nbms = "bms.csv"'))
    assert load_brief(path).pin is not None
    return load_space(path)


def test_a_pack_of_equal_modules_over_two_unequal_boxes_is_scored_as_pinned(space):
    (pack,) = pinned_packs(space).values()
    one = pack.frame.iloc[0]
    assert one["design_id"] == "pinned"
    assert (one["cell_id"], one["series"], one["parallel"]) == ("amber-18650-e32", 5, 3)
    assert one["split"] == "front:3 rear:2"
    assert one["strip"] == "nickel-8x0.15"
    assert one["layout"].count("of 1 group of 3") + one["layout"].count("of 1 groups of 3") == 2
    assert np.isfinite(one[["range_km", "peak_power_w", "pack_mass_kg", "cost"]].to_numpy(dtype=float)).all()


def test_it_is_drawn_with_its_modules(space):
    pack = pinned_packs(space)["pinned"]
    design = unfold(pack.space, pack.row)
    used = [len(set(station.layout.module[station.used].tolist())) for station in design.stations]
    assert sorted(used) == [2, 3]  # one group in each case
    assert all(station.proof.ok for station in design.stations)
    assert len(draw(design).axes) > 0
    balance = design.harness[design.harness["purpose"] == "balance"]
    assert len(balance) == 5 * 2  # common practice, no published source: n + 1 leads for a module of n groups
    # Cut list, harness and drawings count groups through the pack, across compartments and cases.
    ends = ["P0-", *(f"P{group}{sign}" for group in range(1, 5) for sign in "+-"), "P5+"]
    assert [each["name"] for each in design.conductors] == ends
    assert sorted(set(" ".join(design.plates["plate"]).split())) == sorted(ends)
    # What is billed is what is cut, lengths of pieces to 0.1 mm.
    metres = float(design.bill["quantity"][design.bill["item"] == "strip"].iloc[0])
    cut_mm = (design.plates["pieces"] * design.plates["length_mm"]).sum()
    assert abs(1000.0 * metres - cut_mm) <= 0.051 * design.plates["pieces"].sum()
    taps = [name.split("group ")[1] for name in balance["from"]]
    assert taps == [f"{group} {pole}" for group in range(1, 6) for pole in "−+"]


def test_wires_run_from_taps_to_the_board_along_their_ways(space):
    """By design.json and harness.csv alone, in code of its own; and spoiled wires are found."""
    pack = pinned_packs(space)["pinned"]
    here, row = pack.space, pack.row
    design, record = unfold(here, row), json.loads(json.dumps(design_record(here, row)))
    wires = design.harness
    assert second_wires.faults(record, wires) == []
    metres = design.bill.set_index("item")["quantity"]
    assert 1000.0 * metres["power wire"] == pytest.approx(wires.length_mm[wires.purpose == "power"].sum())
    assert 1000.0 * metres["balance and sensor wire"] == pytest.approx(wires.length_mm[wires.purpose != "power"].sum())

    def spoiled(**change):
        return second_wires.faults(record, wires.assign(**change))

    assert any("does not begin at a tap" in text for text in spoiled(from_mm="1 1 1", way_mm="1 1 1; 65 0 37"))
    assert any("is not the sum" in text for text in spoiled(spare_mm=wires.spare_mm + 5.0))
    assert any("is cut to" in text for text in spoiled(length_mm=wires.length_mm - 60.0))
    assert any("shorter than the straight way" in text for text in spoiled(path_mm=1.0))
    crossed = wires.from_mm + "; 65 25 33; " + wires.to_mm
    assert any("passes through a cell" in text for text in spoiled(way_mm=crossed))


def test_parts_that_a_pin_leaves_open_keep_the_rules_and_are_the_shortlists_first(space):
    """Rules by the second implementation; the ranking by hand: Hwang and Yoon 1981, vector normalisation."""
    pack = pinned_packs(space)["pinned"]
    told = second_protection.faults(json.loads(json.dumps(design_record(pack.space, pack.row))))
    assert told and all(text.startswith("('strip'") for text in told)
    chosen = choose(pack.space, pack.row)
    others = [broken(pack.space, replace(chosen, wire=k)) for k in range(len(space.inputs.wires.id))]
    # Its strip of 9 A burns behind every fuse, which is said; wire and fuse keep the rules all the same.
    (said,), worse = broken(pack.space, chosen), max(others, key=len)
    assert "does not protect the plates" in said and len(worse) == 2 and "the power wire" in worse[0]
    assert not turned_off(pack.space)
    asked = space.brief.pins["pinned"].choice
    assert not len(search(restricted_space(space.inputs, asked, constraints=False), workers=1).found)
    part = restricted_space(space.inputs, asked, constraints=False, spared=["plates"])
    rows = scored(search(part, workers=1).found, space=part)
    assert len(rows) > 3
    values = rows[list(space.brief.objectives.use)].to_numpy(dtype=float)
    scaled = values / np.sqrt((values**2).sum(axis=0)) * [OBJECTIVES[n] * 2 - 1 for n in space.brief.objectives.use]
    far, near = (np.linalg.norm(scaled - end, axis=1) for end in (scaled.min(axis=0), scaled.max(axis=0)))
    first = rows.iloc[int(np.argmax(far / (far + near)))]
    parts = ["strip", "strip_layers", "wire", "bms", "fuse", "layout"]
    assert first[parts].tolist() == [pack.row[name] for name in parts]


def test_a_brief_without_pin_has_none():
    assert pinned_packs(load_space(builtin_catalogs() / "briefs" / "quick-36v.toml")) == {}


def several(space, names):
    """The brief's text with its pin under each name, the second one of two groups in series less."""
    head, pin = space.brief.path.read_text().split("[pin]\n")
    pins = [f"[[pin]]\n{f'name = {name!r}' if name else ''}\n{pin}" for name in names]
    return head + pins[0] + pins[1].replace("rear = 2", "rear = 3").replace("series = 5", "series = 6")


def test_several_packs_are_pinned_each_under_its_name(space, tmp_path):
    path = space.brief.path.with_name("several.toml")
    path.write_text(several(space, ["mine", ""]))
    packs = pinned_packs(load_space(path))
    assert list(packs) == ["mine", "pinned_2"]
    alone = pinned_packs(space)["pinned"].frame.assign(design_id="mine")
    pd.testing.assert_frame_equal(packs["mine"].frame, alone)
    other = packs["pinned_2"]
    assert other is None or (other.row["series"], other.row["split"]) == (6, "front:3 rear:3")


def test_faults_of_pins_are_named_all_at_once(space):
    path = space.brief.path.with_name("wrong.toml")
    text = several(space, ["mine", "mine"]).replace("front = 3, rear = 3", "fron = 3, rear = 3")
    path.write_text(text + "colour = 1\n")
    with pytest.raises(BadInput) as found:
        load_space(path)
    told = str(found.value)
    for words in ("pin[mine].name", "must be unique", "pin[mine].split.fron", "must be a compartment: front, rear",
                  "pin[mine].colour"):  # fmt: skip
        assert words in told, told


def test_parts_that_no_catalog_has_are_named_before_anything_is_searched(space, tmp_path):
    """`check` and `search` name all of them, each with its pin, and leave no folder behind."""
    path = space.brief.path.with_name("unknown.toml")
    text = several(space, ["mine", ""]).replace('strip = "nickel-8x0.15"', 'strip = "nickel-8x0.1"\nbms = "seven"', 1)
    text = text.replace("groups_per_module = 1", "groups_per_module = 20").replace("rear = 3", "rear = 4")
    path.write_text(text)
    for command in (["check", str(path)], ["search", str(path), "--out", str(tmp_path / "run")]):
        end = CliRunner().invoke(main, command)
        assert end.exit_code == 2 and "nothing was written" in end.output
        for words in ("pin[mine].strip is not in", "nearest: nickel-8x0.1", "pin[mine].bms", "found seven",
                      "pin[mine].groups_per_module must be at most the 5 groups", "pin[2].split must add up to the 6",
                      "pin[2].groups_per_module", "found 20"):  # fmt: skip
            assert words in end.output, end.output
    assert not (tmp_path / "run").exists()
