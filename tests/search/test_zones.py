"""Packs whose compartments are cut into zones: the engine against plain enumeration, and files against other code."""

import json
from dataclasses import replace
from unittest import mock

import numpy as np
import pytest
import second_check
import second_meeting
import second_wires
from brute import objectives
from small import small_bms
from test_parts import BRIEF

from optimizer.base.problems import BadInput
from optimizer.brief.pins import Pin, pin_faults, split_names
from optimizer.catalog import builtin_catalogs
from optimizer.design.pinned import pinned_packs
from optimizer.design.rescore import design_record, differences, read_design, score_row
from optimizer.design.unfold import unfold
from optimizer.fit.placement.zones import zone_name
from optimizer.search.exact import rows
from optimizer.search.running.run import search
from optimizer.search.space.setup import load_space, make_space

TRUNK = """[[compartment]]
name = "trunk"
shape = "prism"
profile_mm = [[0, 0], [125, 0], [113, 105], [12, 105]]
extrude = "y"
depth_mm = 72
"""


def space_of(folder, *, zones, rooms=TRUNK, parts="", changes=(), bms=None):
    """The brief of test_parts with other compartments; `bms` in the place of boards for 3 to 8 cells in series."""
    bms = (bms or small_bms(folder)).as_posix()
    text = BRIEF.format(folder=builtin_catalogs().as_posix(), bms=bms, parts="", boards='["*"]')
    text = text[: text.index("[[compartment]]")] + rooms + parts + text[text.index("[electrical]") :]
    for old, new in (("[fit]\n", f"[fit]\nzones = {zones}\n"), ("series = [6, 7]", "series = [5, 7]"), *changes):
        assert old in text
        text = text.replace(old, new)
    path = folder / "brief.toml"
    path.write_text(text)
    return load_space(path)


def table_of(space):
    outcome = search(space)
    found, figures = rows.rescored(outcome.found, space=space)
    return outcome, rows.table(found, figures, space=space)


@pytest.fixture(scope="module")
def searched(tmp_path_factory):
    space = space_of(tmp_path_factory.mktemp("zones"), zones=2)
    return space, *table_of(space)


def test_front_with_zones_equals_plain_enumeration(searched):
    space, outcome, _ = searched
    want, count = objectives(space)
    assert count > 0 and any(space.stands[task.stand].cuts for task in space.tasks())
    found = outcome.found.objectives
    for one, other in ((found, want), (want, found)):
        near = np.isclose(one[:, None], other[None], rtol=1e-9, atol=1e-12).all(axis=2).any(axis=1)
        assert near.all()


def test_a_tapered_box_makes_a_pack_that_it_holds_in_no_single_way(searched, tmp_path):
    _, _, front = searched
    _, plain = table_of(space_of(tmp_path, zones=1))
    assert "placed" not in plain
    assert plain["cell_count"].max() == 15 and front["cell_count"].max() == 18
    assert front["range_km"].max() > plain["range_km"].max()
    whole = front["placed"] == "no compartment cut"
    assert whole.any() and not whole.all()
    assert set(front.loc[~whole, "split"]) == {"trunk:1 trunk zone 2:5", "trunk zone 2:5"}
    # Wires from zone to zone stay in their box.
    assert (front["crossing_conductors"] == 0).all()


def test_files_of_zoned_packs_hold_by_other_code(searched, tmp_path):
    space, _, front = searched
    zoned = front[front["placed"] != "no compartment cut"]
    for row in zoned.iloc[:: max(len(zoned) // 4, 1)].to_dict("records"):
        design = unfold(space, row)
        record = json.loads(json.dumps(design_record(space, row, design=design)))
        assert [zone["compartment"] for zone in record["zones"]] == ["trunk", "trunk zone 2"]
        assert second_wires.faults(record, design.harness) == []
        assert second_check.faults(record) == []
        assert second_meeting.faults(record) == []
        assert not differences(row, score_row(space, row))
        path = tmp_path / "design.json"
        path.write_text(json.dumps(record))
        own, choices, figures = read_design(path)
        again = score_row(own, choices)
        assert not differences({name: value for name, value in row.items() if name in figures}, again)
        assert again["placed"] == row["placed"]


def test_a_pin_names_zones_as_the_front_does(searched):
    """The split of a row names its zones: a pin with it is such a pack, and shared out the other way there is none."""
    space, _, front = searched
    row = front[front["split"] == "trunk:1 trunk zone 2:5"].iloc[0]
    kept = {"cell": row["cell_id"], "series": 6, "parallel": int(row["parallel"])}
    brief = space.brief
    for split, found in (({"trunk": 1, "trunk zone 2": 5}, True), ({"trunk": 5, "trunk zone 2": 1}, False)):
        pinned = brief.model_copy(update={"pin": Pin(**kept, split=split)})
        (pack,) = pinned_packs(make_space(replace(space.inputs, brief=pinned))).values()
        assert (pack is not None) == found
        assert not found or pack.row["split"] == row["split"]
    for name, zones, told in (("trunk zone 2", 2, []), ("trunk zone 2", 1, ["split"]), ("trunk zone 3", 2, ["split"])):
        complain = mock.Mock()
        pin_faults({"split": {name: 6}}, ["trunk"], zones, complain)
        assert [call.args[1][1] for call in complain.call_args_list] == told
    assert split_names(["trunk"], 3) == [zone_name("trunk", k) for k in range(3)]


@pytest.mark.parametrize(("change", "said"), [
    (lambda zones: zones[0]["high_mm"].__setitem__(0, 60.0), "share no room"),
    (lambda zones: zones[1].update(compartment="trunk zone 3"), "is none of trunk"),
    (lambda zones: zones.pop(), "two or three"),
    (lambda zones: zones[0].update(of="stem"), "is none of stem"),
    (lambda zones: zones[0]["high_mm"].__setitem__(0, -1.0), "has no room"),
    (lambda zones: [z[end].__setitem__(0, 48.0) for z, end in zip(zones, ("high_mm", "low_mm"), strict=True)],
     "too close"),
])  # fmt: skip
def test_a_file_whose_zones_do_not_hold_is_refused(searched, tmp_path, change, said):
    space, _, front = searched
    record = json.loads(json.dumps(design_record(space, front.iloc[0].to_dict())))
    change(record["zones"])
    path = tmp_path / "design.json"
    path.write_text(json.dumps(record))
    with pytest.raises(BadInput, match=said):
        read_design(path)


@pytest.mark.parametrize(("change", "code", "field"), [
    (("depth_mm = 72", "depth_mm = { min = 72.0, max = 80.0, step = 4.0 }"), "conflict", "fit.zones"),
    (("zones = 2", "zones = 4"), "out-of-range", "fit.zones"),
    (("[electrical]", TRUNK.replace('"trunk"', '"trunk zone 2"') + "[electrical]"), "duplicate-name",
     "compartment[trunk zone 2].name"),
    (("[electrical]", "".join(TRUNK.replace('"trunk"', f'"trunk {k}"') for k in range(5)) + "[electrical]"),
     "too-many-compartments", "compartment"),
])  # fmt: skip
def test_zones_that_cannot_be_are_told(tmp_path, change, code, field):
    space_of(tmp_path, zones=2)
    path = tmp_path / "brief.toml"
    path.write_text(path.read_text().replace(*change))
    with pytest.raises(BadInput) as bad:
        load_space(path)
    assert (code, field) in [(problem.code, problem.field) for problem in bad.value.problems]
