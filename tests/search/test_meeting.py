"""Ten packs of other kinds: nothing meets in them, by design.json and harness.csv alone and by other code.

Wires against cells, parts and walls (second_wires), conductors against all else of their case (second_check), and
cells, metal and parts of whatever lies in one compartment, zones of it included (second_meeting).
"""

import json

import pandas as pd
import pytest
import second_check
import second_meeting
import second_wires
from test_parts import BOARD, SWITCH
from test_zones import TRUNK, space_of, table_of

from optimizer.catalog import builtin_catalogs
from optimizer.design.rescore import design_record
from optimizer.design.unfold import unfold


def box(name, length, width, height, *, at=0, axes='["x", "y", "z"]'):
    return (
        f'[[compartment]]\nname = "{name}"\nshape = "box"\nlength_mm = {length}\nwidth_mm = {width}\n'
        f"height_mm = {height}\nposition_mm = [{at}, 0, 0]\naxes = {axes}\n"
    )


def tube(one, other, start, end):
    ends = f"from_mm = {start}\nto_mm = {end}\nbore_mm = 20\n"
    return f"[[passage]]\nname = 'tube'\nfrom = '{one}'\nto = '{other}'\n{ends}"


def parallel(least, most):
    return "parallel = [2, 3]", f"parallel = [{least}, {most}]"


SMALL = 'bms = ["*"]', 'bms = ["warden-10s-20a"]'
MODULES, BOTH = (('ways = ["tray"]', f"ways = {ways}") for ways in ('["modules"]', '["tray", "modules"]'))
ROUND, STRIPS = 'cells = ["amber-18650-e35"]', ('strips = ["nickel-8x0.15"]', 'strips = ["*"]')
FUSES = 'fuses = ["blade-60v-25a", "blade-60v-30a"]', 'fuses = ["*"]'
FLAT = box("flat", 200, 120, 52)
LARGE = TRUNK.replace("[[0, 0], [125, 0], [113, 105], [12, 105]]", "[[0, 0], [160, 0], [148, 120], [12, 120]]")
HIGH = ("series = [5, 7]", "series = [21, 23]"), ("voltage_max_v = 30.0", "voltage_max_v = 100.0")

# Zones, compartments, parts and passages, what else differs.
PACKS = {
    "tray": (1, box("flat", 150, 90, 78, axes='["z"]'), "", ()),
    "modules": (1, box("flat", 170, 90, 78, axes='["z"]'), BOARD, (SMALL, MODULES)),
    "two compartments": (1, box("rear", 110, 90, 78) + box("front", 100, 60, 78, at=300),
                         BOARD + tube("rear", "front", [110, 45, 30], [300, 30, 30]), (SMALL,)),
    "three compartments": (
        1, box("rear", 80, 70, 78) + box("mid", 90, 60, 70, at=150) + box("front", 100, 40, 72, at=300),
        BOARD + SWITCH, (SMALL,),
    ),
    "prismatic": (1, box("flat", 260, 160, 140), BOARD,
                  (SMALL, (ROUND, 'cells = ["slate-prismatic-e82"]'), parallel(1, 1), STRIPS, FUSES)),
    "two zones": (2, TRUNK, "", ()),
    "zones in one of two compartments": (2, TRUNK + box("front", 40, 60, 78, at=300),
                                         tube("trunk", "front", [119, 36, 52], [300, 30, 30]), (parallel(3, 4),)),
    "zones beside a board": (2, FLAT, BOARD, (SMALL, parallel(4, 4))),
    "three zones": (3, LARGE.replace("depth_mm = 72", "depth_mm = 95"), "", (*HIGH, parallel(2, 2), FUSES)),
    "zones of trays or modules": (2, FLAT, BOARD, (SMALL, BOTH, parallel(4, 4))),
}  # fmt: skip
QUICK = ("modules", "zones in one of two compartments")


@pytest.mark.parametrize("name", [pytest.param(k, marks=[] if k in QUICK else pytest.mark.nightly) for k in PACKS])
def test_nothing_meets(name, tmp_path):
    zones, rooms, parts, changes = PACKS[name]
    bms = builtin_catalogs() / "bms.csv" if changes[:2] == HIGH else None
    space = space_of(tmp_path, zones=zones, rooms=rooms, parts=parts, changes=changes, bms=bms)
    _, front = table_of(space)
    # First and last row, and of ways to share groups out one each.
    some = pd.concat([front.iloc[[0, -1]], front.drop_duplicates(["split", "layout"]).head(4)])
    zoned = 0
    for row in some.drop_duplicates("design_id").to_dict("records"):
        design = unfold(space, row)
        record = json.loads(json.dumps(design_record(space, row, design=design)))
        zoned += len(record.get("zones", ()))
        for other in (second_meeting, second_check):
            assert other.faults(record) == [], (row["split"], row["layout"])
        assert second_wires.faults(record, design.harness) == [], (row["split"], row["layout"])
    assert (zoned > 0) == (zones > 1)
