"""[harness] wires_have_room: each pack of the front has a way for every wire at its full thickness."""

import json

import pytest
from second_room import without_room

from optimizer import api
from optimizer.catalog import builtin_catalogs
from optimizer.design.rescore import design_record
from optimizer.search.space.space import CRAMPED

# Invented: one box with the board among the cells; high enough or not for wires over the cells' ends.
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
width_mm = 78
height_mm = {height}
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
    """For each row of a brief's front the wires without room, by the files of its design; and the search's outcome."""
    path = folder / f"{how['height']}-{how['rule']}.toml"
    path.write_text(BRIEF.format(folder=builtin_catalogs().as_posix(), **how))
    space = api.load(path)
    outcome = api.search(space)
    found = []
    for row in api.front(space, outcome).to_dict("records"):
        design = api.unfold(space, row)
        record = json.loads(json.dumps(design_record(space, row, design=design)))
        found.append(without_room(record, design.harness))
    return found, outcome


@pytest.mark.slow
def test_every_wire_of_the_front_has_room_by_other_code(tmp_path):
    cramped, before = searched(tmp_path, height=73, rule="false")
    assert any(cramped) and CRAMPED not in before.tally.pruned
    refused, outcome = searched(tmp_path, height=73, rule="true")
    assert outcome.tally.pruned[CRAMPED] > 0 and not any(refused)
    roomy, _ = searched(tmp_path, height=88, rule="true")
    assert roomy and not any(roomy)
