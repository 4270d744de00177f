"""No design on a front has a short, a loose end or a bare weld: checked from its design.json by other code.

Grade: second implementation (second_check.py reads the file and nothing else).
"""

import json
from dataclasses import replace

import ezdxf
import numpy as np
import pandas as pd
import pytest
import second_protection
from random_briefs import brief_text
from second_check import faults
from shapely.geometry import Point, Polygon

from optimizer.catalog import builtin_catalogs
from optimizer.design.protection import broken
from optimizer.design.rescore import design_record, differences, read_design, score_row, scored
from optimizer.design.select import choose
from optimizer.design.unfold import unfold
from optimizer.review.sheets.buildsheet import build_steps
from optimizer.review.sheets.plate_dxf import write_plates
from optimizer.search.running.run import search
from optimizer.search.space import space as rules
from optimizer.search.space.setup import load_space, make_space

BRIEFS = builtin_catalogs() / "briefs"
WIDE = """
title = "20 groups of nine, wide copper"
[catalog]
cells = "cells.csv"
strips = "strips.csv"
wires = "{folder}/wires.csv"
bms = "{folder}/bms.csv"
fuses = "{folder}/fuses.csv"
[clearance]
cell_gap_mm = 0.8
[fit]
ways = ["tray"]
placements = ["square"]
seconds = 0.1
[[compartment]]
name = "box"
shape = "box"
length_mm = 455.0
width_mm = 208.0
height_mm = 79.0
axes = ["z"]
[electrical]
voltage_max_v = 84.0
voltage_min_v = 40.0
battery_current_a = 60.0
[vehicle]
mass_kg = 30.0
rider_kg = 80.0
cda_m2 = 0.7
crr = 0.015
drivetrain_efficiency = 0.8
[ride]
speed_kmh = 25.0
[vary]
series = [20, 20]
parallel = [9, 9]
wires = ["silicone-6"]
[protection]
fuse_breaks = false
"""


def records(space, found, most):
    """design.json of some of the designs found, as written and read."""
    pick = np.unique(np.linspace(0, len(found) - 1, most).astype(int))
    for _, row in scored(found.take(pick), space=space).iterrows():
        yield json.loads(json.dumps(design_record(space, row.to_dict()), default=float))


def wide_space(tmp_path, strips, *, small=False, more=""):
    """The brief of nine cells of 21.5 mm in parallel, a pitch of 22.3 mm; small: 10S4P of them; more: columns."""
    head, *rows = [line for line in (builtin_catalogs() / "cells.csv").read_text().splitlines() if line[:1] != "#"]
    at = {name: k for k, name in enumerate(head.split(","))}
    row = next(r for r in rows if r.startswith("amber-21700-e50")).split(",")
    row[at["diameter_mm"]] = "21.5"
    row[at["ocv"]] = ""
    (tmp_path / "cells.csv").write_text("\n".join([head, ",".join(row)]) + "\n")
    top = f"id,material,thickness_mm,width_mm,current_density_a_mm2,price_per_m,form,price_cut_per_m{more}\n"
    (tmp_path / "strips.csv").write_text(top + strips)
    text = WIDE.format(folder=builtin_catalogs().as_posix())
    fewer = (
        ("[20, 20]", "[10, 10]"), ("[9, 9]", "[4, 4]"), ("455.0", "235.0"), ("208.0", "100.0"),
        ("voltage_min_v = 40.0", "voltage_min_v = 20.0"), ("current_a = 60.0", "current_a = 30.0"),
    )  # fmt: skip
    for old, new in fewer if small else ():
        text = text.replace(old, new)
    (tmp_path / "wide.toml").write_text(text)
    return load_space(tmp_path / "wide.toml")


def test_wide_strip_is_laid_along_two_rows_and_trimmed_at_the_ends(tmp_path):
    """Copper 25 × 0.3 at a pitch of 22.3 mm: laid square to the rows it would be a dead short."""
    space = wide_space(tmp_path, "copper-25,copper,0.3,25,14,3.2,strip,\n")
    outcome = search(space)
    assert outcome.tally.raw == outcome.tally.scored + sum(outcome.tally.pruned.values())
    assert len(outcome.found)
    for record in records(space, outcome.found, 6):
        assert faults(record) == []
        widths = {piece["width_mm"] for c in record["conductors"] for piece in c["pieces"]}
        assert max(widths) == 25.0 and min(widths) < 2 * (22.3 - 21.5 / 2 - 2.0)


def test_strip_that_cannot_be_laid_is_no_candidate_and_why_is_counted(tmp_path):
    space = wide_space(tmp_path, "copper-46,copper,0.3,46,14,3.2,strip,\n")
    outcome = search(space)
    assert not len(outcome.found)
    assert outcome.tally.pruned[rules.CONDUCTORS] > 0


def test_sheet_stands_beside_strip(tmp_path):
    space = wide_space(tmp_path, "nickel-8,nickel,0.2,8,5,1.15,strip,\nnickel-sheet,nickel,0.2,300,5,42,sheet,1.4\n")
    found = search(space).found
    ways = set()
    for record in records(space, found, 8):
        assert faults(record) == []
        ways |= {c["way"] for c in record["conductors"]}
    assert "sheet" in ways


def test_tops_of_welds_through_copper_are_weighed_and_billed(tmp_path):
    """By hand: 10S4P of welds through tops, two for each cell, 80 of 0.06 g at 0.02."""
    space = wide_space(tmp_path, "copper-8,copper,0.1,8,16,0.7,strip,\n", small=True)
    row = scored(search(space).found, space=space).iloc[0].to_dict()
    design = unfold(space, row)
    top = design.bill.set_index("item").loc["weld top"]
    assert (top["quantity"], top["mass_g"], top["cost"]) == pytest.approx((80, 4.8, 1.6))
    assert design.bill["mass_g"].sum() / 1e3 == pytest.approx(row["pack_mass_kg"])
    assert design.bill["cost"].sum() == pytest.approx(row["cost"])


def test_tabs_are_welded_where_a_sheet_carries_that_no_welder_joins(tmp_path):
    """Copper of 0.2 mm takes no weld of a small spot welder; tabs of nickel over windows do (common practice)."""
    table = "plain,copper,0.2,300,14,50,sheet,1.6\ntabs,copper,0.2,300,14,50,tabbed,1.6\n"
    table += "nickel-8,nickel,0.2,8,5,1.15,strip,\n"
    space = wide_space(tmp_path, table, small=True)
    joining = space.brief.joining.model_copy(update={"methods": ("spot",), "spot_energy": "small"})
    space = make_space(replace(space.inputs, brief=space.brief.model_copy(update={"joining": joining})))
    found = search(space).found
    front = scored(found, space=space)
    assert set(front["strip"]) == {"tabs", "nickel-8"}
    row = front[front["strip"] == "tabs"].iloc[0].to_dict()
    design = unfold(space, row)
    record = json.loads(json.dumps(design_record(space, row, design=design), default=float))
    assert faults(record) == [] and second_protection.faults(record, ride=False) == []
    told = {each["name"] for each in record["parts_after_peak"]}
    assert {f"{one['name']} tabs" for one in record["conductors"]} <= told
    length = 0.0
    for one in record["conductors"]:
        (sheet,) = [piece for piece in one["pieces"] if "material" not in piece]
        tabs = [piece for piece in one["pieces"] if "material" in piece]
        copper = Polygon([p[:2] for p in sheet["outline_mm"]], [[p[:2] for p in w] for w in sheet["windows_mm"]])
        assert len(tabs) == len(one["terminals"]) and copper.is_valid and len(copper.interiors) == len(tabs)
        for piece, terminal in zip(tabs, one["terminals"], strict=True):
            weld = Point(terminal["centre_mm"][:2])
            # Copper stays 1.5 mm off the weld, the tab covers it and laps the copper on both sides.
            assert copper.distance(weld) >= 1.5 + 1.5 - 1e-3
            tab = Polygon([p[:2] for p in piece["outline_mm"]])
            assert tab.covers(weld.buffer(1.5)) and tab.intersection(copper).area > 2 * 0.8 * 3.0 * piece["width_mm"]
            assert (piece["material"], piece["thickness_mm"]) == ("nickel", 0.15)
            length += piece["length_mm"] * piece["layers"]
    bill = design.bill.set_index("item")
    assert bill.loc["tabs", "quantity"] == pytest.approx(length / 1000.0)
    assert bill.loc["tabs", "mass_g"] == pytest.approx(length * 6.0 * 0.15 * 8890.0 * 1e-6)
    metal_g = bill.loc[["sheet", "tabs"], "mass_g"].sum()
    assert metal_g == pytest.approx(sum(one["mass_g"] for one in record["conductors"]))
    assert design.bill["cost"].sum() == pytest.approx(row["cost"])
    assert "tab" in set(design.plates["direction"]) and "nickel" in set(design.plates["material"])
    steps = str(build_steps(design))
    assert "welded to a cell" in steps and "on scrap: nickel 0.15 × 6 mm" in steps and "× 300 mm" not in steps
    (tmp_path / "design.json").write_text(json.dumps(record))
    again, choices, figures = read_design(tmp_path / "design.json")
    assert not differences({**choices, **figures}, score_row(again, choices))
    (path, *_) = write_plates(tmp_path, design)
    layers = {entity.dxf.layer: 0 for entity in ezdxf.readfile(path).modelspace()}
    assert "TABS" in layers


def test_the_quick_brief(tmp_path):
    space = load_space(BRIEFS / "quick-36v.toml")
    for record in records(space, search(space).found, 6):
        assert faults(record) == []


@pytest.mark.nightly
def test_every_row_of_the_reference_run(tmp_path):
    """All packs of the demo's committed front, as far as the rules of today still let them be made."""
    space, checked = load_space(BRIEFS / "cargo-scooter.toml"), 0
    rows = pd.read_csv(BRIEFS.parents[1] / "results" / "demo" / "front.csv").to_dict("records")
    for row in rows:
        if broken(space, choose(space, row)):
            continue
        record = json.loads(json.dumps(design_record(space, row), default=float))
        assert faults(record) == [], row["design_id"]
        checked += 1
    assert checked > 0.9 * len(rows)


# Rows of a front that are checked, all of most fronts; 300 fronts take about an hour.
MOST_ROWS = 60


@pytest.mark.parametrize("seed", [*range(3), *(pytest.param(k, marks=pytest.mark.nightly) for k in range(3, 300))])
def test_random_briefs(seed, tmp_path):
    path = tmp_path / "random.toml"
    path.write_text(brief_text(np.random.default_rng([31, seed]), tmp_path))
    space = load_space(path)
    found = search(space).found
    for record in records(space, found, 3 if seed < 3 else MOST_ROWS) if len(found) else ():
        assert faults(record) == [], record["choices"]


def test_the_check_sees_a_short_a_bare_weld_and_a_lost_end(tmp_path):
    """A check that finds nothing proves nothing: one fault of each kind is put into a sound design."""
    space = load_space(BRIEFS / "quick-36v.toml")
    sound = next(records(space, search(space).found, 1))
    assert faults(sound) == []

    def spoiled(change):
        broken = json.loads(json.dumps(sound))
        change(broken["conductors"])
        return " ".join(faults(broken))

    axis = sound["layouts"][0]["axis"]
    u = 0 if axis else 1

    def shift(conductors):
        for piece in conductors[1]["pieces"]:
            for point in piece["outline_mm"]:
                point[u] += 22.0

    assert "mm apart" in spoiled(shift) or "does not join" in spoiled(shift)
    assert "does not cover" in spoiled(shift)
    assert "ends are joined" in spoiled(lambda conductors: conductors[1]["terminals"].pop())
    assert "leads" in spoiled(lambda conductors: conductors[0]["taps"].clear())


def test_methods_at_hand_decide_what_is_joined(tmp_path):
    """Aluminium on steel cans takes a laser; a spot welder joins none of it (common practice)."""
    table = "alu-10,aluminium,0.3,10,9,0.65,strip,\nnickel-8,nickel,0.2,8,5,1.15,strip,\n"
    space = wide_space(tmp_path, table)
    for methods, counted in ((("spot",), True), (("laser", "spot"), False)):
        joining = space.brief.joining.model_copy(update={"methods": methods})
        other = type(space)(
            replace(space.inputs, brief=space.brief.model_copy(update={"joining": joining})), space.context
        )
        outcome = search(other)
        strips = {str(space.inputs.strips.id[k]) for k in outcome.found.names[:, 4]}
        assert (outcome.tally.pruned[rules.JOINING] > 0) == counted
        assert "alu-10" not in strips or not counted
