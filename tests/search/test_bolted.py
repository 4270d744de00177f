"""Cells whose metal is bolted: what holds it is weighed and billed, and the build sheet welds nothing."""

from dataclasses import replace

import pytest

from optimizer.analysis.unlaid import unlaid
from optimizer.catalog import builtin_catalogs
from optimizer.design.rescore import scored
from optimizer.design.unfold import unfold
from optimizer.review.sheets.buildsheet import build_steps
from optimizer.review.sheets.joinsteps import METHODS
from optimizer.search.running.run import search
from optimizer.search.space import joining
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
height_mm = 130.0
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


def space_of(folder, *, thick=0.2, end=6.0, methods='["bolt"]'):
    (folder / "bms.csv").write_text(BOARD)
    (folder / "strips.csv").write_text(
        "id,material,thickness_mm,width_mm,current_density_a_mm2,price_per_m,form\n"
        f"bar,copper,{thick},10,14,9.0,busbar\n"
    )
    (folder / "brief.toml").write_text(
        BRIEF.format(folder=builtin_catalogs().as_posix(), end=end, methods=methods)
    )
    return load_space(folder / "brief.toml")


def row_of(space):
    front = scored(search(space, workers=1).found, space=space)
    return front.iloc[0].to_dict()


def test_fasteners_and_lugs_are_weighed_by_the_search_and_stand_in_the_bill(tmp_path):
    """By hand: two terminals a cell; lugs on 5 balance leads and on both ends of one case's chain."""
    space = space_of(tmp_path)
    welded = row_of(space_of(tmp_path, methods='["ultrasonic"]'))
    row = row_of(space)
    rules = space.brief.joining
    assert 1e3 * (row["pack_mass_kg"] - welded["pack_mass_kg"]) == pytest.approx(8 * rules.fastener_g + 7 * rules.lug_g)
    assert row["cost"] - welded["cost"] == pytest.approx(8 * rules.fastener_price + 7 * rules.lug_price)
    design = unfold(space, row)
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
    assert METHODS.keys() == joining.METHODS.keys()
    space = space_of(tmp_path)
    design = unfold(space, row_of(space))
    for method, how in METHODS.items():
        steps = build_steps(replace(design, strip=design.strip | {"method": method}))
        told = {step.title: " ".join(step.checks) for step in steps}
        assert how.trial in told and how.checks[-1] in told[how.title]
        assert ("torque" in told[how.title]) == (method == "bolt")
        assert ("Peel" in told[how.trial]) == (method != "bolt")


@pytest.mark.parametrize(
    ("thick", "end", "words"),
    [(2.0, 6.0, "no end_mm gives more than 1.3 mm"), (0.8, 1.2, "[clearance] end_mm 1.2 limits it up to 1.9")],
)
def test_metal_too_thick_for_the_cover_is_told_with_the_key(tmp_path, thick, end, words):
    """END_STACK_MM is 1.5 mm, the ring under metal 0.2 mm, the least cover 0.4 mm."""
    space = make_space(space_of(tmp_path, thick=thick, end=end).inputs)
    (said,) = unlaid(space, space.tasks())
    assert words in said[1] and ("thinner metal" in said[1]) == (thick > 1.3)
