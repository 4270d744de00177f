"""Pinned packs: scored beside the front and drawn, whatever else the search finds."""

import numpy as np
import pytest

from optimizer.brief import load_brief
from optimizer.catalog import builtin_catalogs
from optimizer.design.pinned import pinned_row, pinned_space
from optimizer.design.unfold import unfold
from optimizer.review.sheets.drawings import draw
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
    row = pinned_row(space)
    assert row is not None
    assert len(row) == 1
    one = row.iloc[0]
    assert (one["cell_id"], one["series"], one["parallel"]) == ("amber-18650-e32", 5, 3)
    assert one["split"] == "front:3 rear:2"
    assert one["strip"] == "nickel-8x0.15"
    assert one["layout"].count("of 1 group of 3") + one["layout"].count("of 1 groups of 3") == 2
    assert np.isfinite(one[["range_km", "peak_power_w", "pack_mass_kg", "cost"]].to_numpy(dtype=float)).all()


def test_it_is_drawn_with_its_modules(space):
    row = pinned_row(space).iloc[0].to_dict()
    design = unfold(pinned_space(space), row)
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


def test_a_brief_without_pin_has_none():
    assert pinned_row(load_space(builtin_catalogs() / "briefs" / "quick-36v.toml")) is None
