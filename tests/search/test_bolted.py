"""Cells whose metal is bolted: what holds it is weighed and billed, and the build sheet welds nothing."""

import json
import re
from dataclasses import replace

import numpy as np
import pytest
import shapely
from second_check import faults

from optimizer.analysis import obstacles
from optimizer.analysis.unlaid import unlaid
from optimizer.base.problems import BadInput
from optimizer.catalog import builtin_catalogs
from optimizer.design.metal_gaps import gap_records
from optimizer.design.rescore import design_record, differences, read_design, score_row, scored
from optimizer.design.unfold import unfold
from optimizer.fit.region.layout import Layout
from optimizer.pack import joining
from optimizer.pack.conductors.joints import under
from optimizer.pack.conductors.walls import MetalPrism
from optimizer.review.cad.solids import Heights
from optimizer.review.sheets.buildsheet import build_steps
from optimizer.review.sheets.joinsteps import METHODS
from optimizer.review.terminal.overview import check_text
from optimizer.search.running.run import search
from optimizer.search.space.setup import load_space, make_space

BRIEF = """
title = "blocks with studs"
[catalog]
cells = "{folder}/cells.csv"
strips = "strips.csv"
wires = "{folder}/wires.csv"
bms = "bms.csv"
fuses = "{folder}/fuses.csv"
[clearance]
end_mm = {end}
[fit]
ways = ["tray"]
placements = ["square"]
seconds = 0.1
[[compartment]]
name = "box"
shape = "box"
length_mm = 120.0
width_mm = 60.0
height_mm = {high}
axes = ["z"]
[electrical]
voltage_max_v = 15.0
voltage_min_v = 9.0
battery_current_a = 20.0
[vehicle]
mass_kg = 12.0
rider_kg = 70.0
cda_m2 = 0.6
crr = 0.014
drivetrain_efficiency = 0.8
[ride]
speed_kmh = 10.0
[joining]
methods = {methods}
[protection]
fuse_protects = false
fuse_breaks = false
[vary]
cells = ["grove-prismatic-e55"]
series = [4, 4]
parallel = [1, 1]
wires = ["silicone-6"]
fuses = ["bolt-60v-50a"]
"""
BOARD = (
    "id,series_min,series_max,chemistries,current_continuous_a,current_peak_a,peak_s,current_charge_a,voltage_max_v,"
    "resistance_mohm,balance_ma,mass_g,length_mm,width_mm,height_mm,price\n"
    "four,4,4,LFP,30,45,12,10,36,2.5,60,40,60,50,8,15\n"
)


def space_of(folder, *, thick=0.2, end=6.0, methods='["bolt"]', high=145.0, cells=None, more=""):
    (folder / "bms.csv").write_text(BOARD)
    (folder / "strips.csv").write_text(
        "id,material,thickness_mm,width_mm,current_density_a_mm2,price_per_m,form\n"
        f"bar,copper,{thick},10,14,9.0,busbar\n"
    )
    (folder / "brief.toml").write_text(
        BRIEF.format(folder=builtin_catalogs().as_posix(), end=end, methods=methods + more, high=high)
    )
    if cells is not None:
        text = (builtin_catalogs() / "cells.csv").read_text().splitlines()
        head = next(line for line in text if line.startswith("id,"))
        row = next(line for line in text if line.startswith("grove-prismatic-e55,"))
        (folder / "cells.csv").write_text(f"{head},{','.join(cells)}\n{row},{','.join(map(str, cells.values()))}\n")
        brief = (folder / "brief.toml").read_text()
        (folder / "brief.toml").write_text(re.sub(r'cells = "[^"]*/cells.csv"', 'cells = "cells.csv"', brief))
    return load_space(folder / "brief.toml")


def row_of(space):
    front = scored(search(space, workers=1).found, space=space)
    return front.iloc[0].to_dict()


def test_fasteners_and_lugs_are_weighed_by_the_search_and_stand_in_the_bill(tmp_path):
    """By hand: two terminals a cell; lugs on 5 balance leads and on both ends of one case's chain."""
    space = space_of(tmp_path)
    other = space_of(tmp_path, methods='["ultrasonic"]')
    welded = unfold(other, row_of(other)).bill.set_index("item").drop("case")
    space = space_of(tmp_path)
    row, rules = row_of(space), space.brief.joining
    design = unfold(space, row)
    more = design.bill.set_index("item")[["mass_g", "cost"]].drop([*welded.index, "case"]).sum()
    assert more["mass_g"] == pytest.approx(8 * rules.fastener_g + 7 * rules.lug_g)
    assert more["cost"] == pytest.approx(8 * rules.fastener_price + 7 * rules.lug_price)
    quantity = design.bill.set_index("item")["quantity"]
    assert (quantity["terminal fastener"], quantity["ring lug"]) == (8, 7)
    assert design.bill["mass_g"].sum() / 1e3 == pytest.approx(row["pack_mass_kg"])
    assert design.bill["cost"].sum() == pytest.approx(row["cost"])
    steps = build_steps(design)
    told = {step.title: " ".join(step.checks) for step in steps}
    assert "Trial joints" in told and "8 terminal fasteners and 7 ring lugs" in told["Bolt the plates"]
    assert "the torque that the maker of the cell states" in told["Bolt the plates"]
    assert "weld" not in " ".join((*told, *told.values())).lower()


def test_every_method_has_its_own_steps(tmp_path):
    # Solder joins collectors alone, away from the cells.
    assert METHODS.keys() == joining.METHODS.keys() - {"solder"}
    space = space_of(tmp_path)
    design = unfold(space, row_of(space))
    for method, how in METHODS.items():
        steps = build_steps(replace(design, strip=design.strip | {"method": method}))
        told = {step.title: " ".join(step.checks) for step in steps}
        assert how.trial in told and how.checks[-1] in told[how.title]
        assert ("torque" in told[how.title]) == (method == "bolt")
        assert ("Peel" in told[how.trial]) == (method != "bolt")
        assert ("ring lug" in told["Balance leads"]) == (method == "bolt") != ("tab of strip" in told["Balance leads"])


@pytest.mark.parametrize(
    ("thick", "end", "words"),
    [
        (2.0, 6.0, "[clearance] stack_mm 2.2 with end_mm 2.6 has room for it once, and cells give way"),
        (0.8, 1.2, "[clearance] end_mm 1.2 limits it up to 1.9"),
    ],
)
def test_metal_too_thick_for_the_cover_is_told_with_the_key(tmp_path, thick, end, words):
    """END_STACK_MM is 1.5 mm, the ring under metal 0.2 mm, the least cover 0.4 mm."""
    space = make_space(space_of(tmp_path, thick=thick, end=end).inputs)
    (said,) = unlaid(space, space.tasks())
    assert words in said[1] and ("thinner metal" in said[1]) == (thick > 1.3)


def test_thick_metal_has_the_room_that_the_brief_gives_it_and_cells_give_way(tmp_path):
    """By hand: ring 0.2 and bar 2.0 make 2.2 mm; bolts stand 6.7 mm over it, as over the usual 1.5 mm.

    With a cover of 4.5 mm both ends take 2.2 + 4.5 + 6.7, so that 104 mm of cell between walls of 1 mm need 132.8 mm.
    """
    end = "6.7\nstack_mm = 2.2"
    assert not space_of(tmp_path, thick=2.0, end=end, high=132.7).tasks()
    space = space_of(tmp_path, thick=2.0, end=end, high=132.9)
    design, top = top_of(space)
    assert top == pytest.approx(0.2 + 2.0 + 6.7) and design.case.cover_mm == pytest.approx(4.5)
    layout = design.stations[0].layout
    z = Heights.of(layout.centres_mm[0, 2], layout.extents_mm[0, 2], design.case)
    assert top <= z.body_high - z.cell_high + 1e-9 and z.high <= 132.9 - 1.0 + 1e-9
    (gaps,) = gap_records(design.stations, design.conductors, design.clearance)
    assert gaps["cover_mm"] == pytest.approx(0.0, abs=1e-9)
    record = json.loads(json.dumps(design_record(space, row_of(space), design=design)))
    assert faults(record) == []
    record["brief"]["clearance"]["stack_mm"] = 1.5
    assert "1.5 mm are there" in " ".join(faults(record))


def top_of(space):
    (design,) = [unfold(space, row_of(space))]
    return design, max(one["top_mm"] for one in design.conductors)


def test_lugs_and_fasteners_have_room_under_the_cover(tmp_path):
    """ISO 4032 has a nut M5 of 4.7 mm at most, ISO 7089 a washer M5 of 1.0 mm; a lug of 1 mm: common practice.

    By hand: ring 0.2, bar 0.2, lug 1.0, washer and nut 5.7 make 7.1 mm; metal has room of 1.5 mm of the end gap, so
    that each end grows by 6.7 mm: two of them on 104 mm of cell, with ends of 6 mm and walls of 1 mm, make 131.4 mm.
    """
    assert not space_of(tmp_path, high=131.3).tasks()
    assert space_of(tmp_path, high=131.3, methods='["ultrasonic"]').tasks()
    space = space_of(tmp_path, high=131.5)
    design, top = top_of(space)
    assert top == pytest.approx(0.2 + 0.2 + 1.0 + 5.7)
    assert design.clearance.end_mm == pytest.approx(6.0 + 6.7) and design.case.cover_mm == pytest.approx(4.5)
    layout = design.stations[0].layout
    z = Heights.of(layout.centres_mm[0, 2], layout.extents_mm[0, 2], design.case)
    assert top <= z.body_high - z.cell_high == pytest.approx(1.5 + 6.7)
    assert z.high <= 131.5 - 1.0 + 1e-9
    (gaps,) = gap_records(design.stations, design.conductors, design.clearance)
    assert gaps["cover_mm"] == pytest.approx(8.2 - top)
    assert "what holds it to the cover 1.10 mm" in str(build_steps(design))
    record = json.loads(json.dumps(design_record(space, row_of(space), design=design)))
    assert faults(record) == []
    # The check sees what stands too high: a longer fastener, a lower ceiling.
    for change in (record["catalog"]["cells"][0], record["brief"]["compartment"][0]):
        kept = dict(change)
        change.update({"fastener_mm": 9.0} if "id" in change else {"height_mm": 125.0})
        assert "fastener" in " ".join(faults(record)) or "with what holds it" in " ".join(faults(record))
        change.update(kept | ({} if "fastener_mm" in kept else {"fastener_mm": None}))
    assert "grove-prismatic-e55: 6.7 mm more at each end" in check_text(space.inputs)


def test_why_names_the_room_that_fasteners_take(tmp_path):
    (found,) = obstacles._room(space_of(tmp_path, high=131.3))
    assert "fasteners or studs take 6.7 mm at each end" in found.text
    assert "fasteners" not in obstacles._room(space_of(tmp_path, high=115.0, methods='["ultrasonic"]'))[0].text


@pytest.mark.parametrize(("stud", "over"), [(6.0, 6.7), (14.0, 12.5)])
def test_studs_have_room_too(tmp_path, stud, over):
    """A stud of 14 mm ends 12.5 mm over the room for metal, a nut on one of 6 mm 6.7 mm."""
    space = space_of(tmp_path, cells={"stud_mm": stud}, high=160.0)
    assert space.sizes[0].over_mm == pytest.approx(over)
    design, top = top_of(space)
    assert top == pytest.approx(max(7.1, stud)) and top <= design.case.rim_mm + 1e-9


def test_a_stud_must_reach_through_its_nut(tmp_path):
    with pytest.raises(BadInput, match="a nut with its washer finds no thread"):
        space_of(tmp_path, cells={"stud_mm": 4.0})


def test_without_room_for_bolts_nothing_is_bolted(tmp_path):
    space = space_of(tmp_path, more="\nbolt_room = false")
    assert not any(space.joined_by(0)) and space.sizes[0].over_mm == 0.0
    assert "bolts have no room ([joining] bolt_room)" in unlaid(space, space.tasks())[0][1]


def test_a_design_keeps_its_room_whatever_stock_it_has(tmp_path):
    """A brief whose stocks are welded and bolted keeps room for bolts; so does a welded design of it, scored again."""
    space = space_of(tmp_path, thick=0.2, methods='["ultrasonic", "bolt"]')
    (tmp_path / "strips.csv").write_text(
        "id,material,thickness_mm,width_mm,current_density_a_mm2,price_per_m,form\n"
        "thin,copper,0.2,10,14,9.0,busbar\nthick,copper,1.0,10,14,9.0,busbar\n"
    )
    space = load_space(tmp_path / "brief.toml")
    assert space.bolted(0).tolist() == [True, False] and space.sizes[0].over_mm == pytest.approx(6.7)
    front = scored(search(space, workers=1).found, space=space)
    row = front[front["strip"] == "thin"].iloc[0].to_dict()
    (tmp_path / "design.json").write_text(json.dumps(design_record(space, row)))
    again, choices, figures = read_design(tmp_path / "design.json")
    assert not differences({**choices, **figures}, score_row(again, choices))
    assert not space.bolted(0)[1] and again.sizes[0].over_mm == pytest.approx(6.7)


def test_joints_between_layers_pass_over_no_fastener(tmp_path):
    """Two layers of two blocks: what goes straight over a block covers its fasteners and its vent."""
    size = space_of(tmp_path).sizes[0]
    z = 104.0 / 2 + np.repeat([10.0, 150.0], 2)
    centres = np.column_stack([[20.0, 41.0, 20.0, 41.0], np.full(4, 30.0), z])
    layout = Layout("box", size, "tray", "blocks", 2, centres, np.tile([20.0, 34.0, 104.0], (4, 1)),
                    np.repeat([0, 1], 2), np.zeros(4, dtype=np.int64), "two layers")  # fmt: skip
    path = MetalPrism(shapely.box(15.0, 0.0, 25.0, 60.0), 115.1, 115.1)
    assert under(layout, [path], 0, np.arange(4)) == ("a fastener", 0)
    beside = MetalPrism(shapely.box(29.0, 0.0, 32.0, 60.0), 115.1, 115.1)
    assert under(layout, [beside], 0, np.arange(4)) is None
    welded = replace(layout, size=replace(size, over_mm=0.0))
    assert under(welded, [path], 0, np.arange(4)) == ("the vent", 0)
    assert under(replace(layout, size=replace(size, over_mm=0.0, vent_mm=0.0)), [path], 0, np.arange(4)) is None


def test_plain_rows_of_blocks_are_searched_beside_those_with_turned_ones(tmp_path):
    """Turned blocks make room for one more of 57, but their tie plates would lie in the ninth: rows hold 56 groups."""
    space = space_of(tmp_path)
    brief = space.brief.model_copy(update={"compartment": (
        space.brief.compartment[0].model_copy(update={"length_mm": 300.0, "width_mm": 160.0, "height_mm": 150.0}),
    )})  # fmt: skip
    wide = make_space(replace(space.inputs, brief=brief))
    (task,) = wide.tasks()
    assert len(wide.layouts(0, task.size, task.stand)) == 2
    assert max(fill.groups for fill in wide.room_fills(0, task)) >= 50
