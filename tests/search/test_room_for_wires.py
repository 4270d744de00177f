"""[harness] wires_have_room: each pack of the front has a way for every wire at its full thickness."""

import json

import pytest
from second_room import cut_short, without_room

from optimizer import api
from optimizer.analysis.obstacles import refusals
from optimizer.catalog import builtin_catalogs
from optimizer.design.rescore import design_record
from optimizer.search.space.space import CRAMPED

# Invented: one box with the board among the cells; wide enough or not for power wires beside them.
BRIEF = """
[catalog]
cells = "{folder}/cells.csv"
strips = "{folder}/strips.csv"
wires = "{folder}/wires.csv"
fuses = "{folder}/fuses.csv"
bms = "{folder}/bms.csv"
[fit]
ways = ["tray"]
placements = ["square"]
[[compartment]]
name = "box"
shape = "box"
length_mm = 210
width_mm = {width}
height_mm = 73
axes = ["z"]
[[part]]
name = "BMS"
kind = "BMS"
within = ["box"]
free_mm = 12.0
[electrical]
voltage_max_v = 42.0
voltage_min_v = 20.0
battery_current_a = 12.0
[vehicle]
mass_kg = 15.0
rider_kg = 75.0
cda_m2 = 0.6
crr = 0.015
drivetrain_efficiency = 0.8
[ride]
speed_kmh = 20.0
[protection]
fuse_protects = false
fuse_breaks = false
[vary]
cells = ["amber-18650-e35"]
series = [10, 10]
parallel = [2, 3]
strips = ["nickel-8x0.15"]
wires = ["silicone-2.5", "silicone-4", "silicone-6"]
bms = ["warden-10s-40a"]
[objectives]
use = ["peak_power_w", "cost"]
[harness]
wires_have_room = {rule}
"""


def searched(folder, **how):
    """Of a brief the wires without room by the files of a design, for each layout on its front; and its search.

    With the rule the lengths of wires are those of their ways at full thickness, by the same code.
    """
    path = folder / f"{how['width']}-{how['rule']}.toml"
    path.write_text(BRIEF.format(folder=builtin_catalogs().as_posix(), **how))
    space = api.load(path)
    outcome, found = api.search(space), []
    front = api.front(space, outcome).sort_values("wire", ascending=False)
    for row in front.drop_duplicates(["parallel", "layout"]).to_dict("records")[:2]:
        design = api.unfold(space, row)
        record = json.loads(json.dumps(design_record(space, row, design=design)))
        found.append(without_room(record, design.harness))
        # What is weighed and paid for is what is cut: cells give way to the board, and wires go round their case.
        cut_m = design.harness.groupby(design.harness["purpose"] == "power")["length_mm"].sum() / 1000.0
        bill = design.bill.set_index("item")["quantity"]
        assert cut_m[True] == pytest.approx(bill["power wire"])
        assert cut_m[False] == pytest.approx(bill["balance and sensor wire"])
        assert bool(cut_short(record, design.harness)) == (how["rule"] == "false")
    return found, outcome.tally.pruned


@pytest.mark.slow
def test_every_wire_of_the_front_has_room_by_other_code(tmp_path):
    roomy, pruned = searched(tmp_path, width=78, rule="true")
    assert roomy and not any(roomy) and pruned[CRAMPED] > 0
    cramped, pruned = searched(tmp_path, width=63, rule="false")
    assert any(cramped) and CRAMPED not in pruned
    kept, pruned = searched(tmp_path, width=63, rule="true")
    assert kept and not any(kept) and pruned[CRAMPED] > 0


def test_wires_that_no_layout_has_room_for_are_the_reason(tmp_path):
    """A table of one thick wire, leads of it too: said by `search`, which ends with 3, and by `why`."""
    head, *rows = [line for line in (builtin_catalogs() / "wires.csv").read_text().splitlines() if line[:1] != "#"]
    (row,) = [row for row in rows if row.startswith("silicone-16,")]
    (tmp_path / "one.csv").write_text(f"{head}\n{row}\n")
    text = BRIEF.format(folder=builtin_catalogs().as_posix(), width=63, rule="true")
    text = text.replace(f'"{builtin_catalogs().as_posix()}/wires.csv"', '"one.csv"')
    text = text.replace('wires = ["silicone-2.5", "silicone-4", "silicone-6"]\n', "")
    (tmp_path / "brief.toml").write_text(text)
    space = api.load(tmp_path / "brief.toml")
    assert not len(api.search(space).found)
    (reason,) = refusals(space)
    assert reason.rule == CRAMPED and "wires_have_room" in reason.text
