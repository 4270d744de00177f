"""Packs whose parts take room: the engine against plain enumeration, and what is handed over against its own file."""

import json
from itertools import combinations, product
from unittest import mock

import numpy as np
import pandas as pd
import pytest
import second_wires
from brute import objectives
from small import small_bms

from optimizer.base.problems import BadInput
from optimizer.brief.spaces import PartSection
from optimizer.catalog import builtin_catalogs
from optimizer.design.placed import placed_record
from optimizer.design.rescore import design_record, differences, read_design, score_row
from optimizer.design.unfold import unfold
from optimizer.fit.placement.bodies import with_parts
from optimizer.fit.placement.stacks import row_count
from optimizer.fit.region.geometry import clearance, compartments, to_vehicle
from optimizer.review.cad.model import things
from optimizer.review.sheets import style as look
from optimizer.review.sheets.vehicle import draw_vehicle
from optimizer.review.terminal.overview import check_text
from optimizer.score.inputs import load_inputs
from optimizer.search.exact import rows
from optimizer.search.running.run import search
from optimizer.search.space.seats import Seats
from optimizer.search.space.setup import load_space, make_space

BRIEF = """
[catalog]
cells = "{folder}/cells.csv"
strips = "{folder}/strips.csv"
wires = "{folder}/wires.csv"
fuses = "{folder}/fuses.csv"
bms = "{bms}"
[fit]
ways = ["tray"]
placements = ["square", "staggered"]
[[compartment]]
name = "rear"
shape = "prism"
profile_mm = [[0, 0], [150, 0], [142, 78], [8, 78]]
extrude = "y"
depth_mm = 90
axes = ["z"]
[[compartment]]
name = "front"
shape = "box"
length_mm = 100
width_mm = 60
height_mm = 78
position_mm = [300, 0, 0]
axes = ["z"]
{parts}
[electrical]
voltage_max_v = 30.0
voltage_min_v = 6.0
battery_current_a = 20.0
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
[vary]
cells = ["amber-18650-e35"]
series = [6, 7]
parallel = [2, 3]
strips = ["nickel-8x0.15"]
wires = ["silicone-4", "silicone-6"]
fuses = ["blade-60v-25a", "blade-60v-30a"]
bms = {boards}
[objectives]
use = ["range_km", "pack_mass_kg", "cost"]
"""
BOARD = """
[[part]]
name = "BMS"
kind = "BMS"
gap_mm = 1.0
free_mm = 6.0
"""
SWITCH = """
[[part]]
name = "switch"
size_mm = [30.0, 20.0, 18.0]
mass_g = 40.0
price = 12.0
within = ["rear"]
"""


def space_of(tmp_path, *, parts=BOARD, boards='["*"]', fuses=None):
    bms = small_bms(tmp_path)
    path = tmp_path / "brief.toml"
    folder = builtin_catalogs().as_posix()
    text = BRIEF.format(folder=folder, bms=bms.as_posix(), parts=parts, boards=boards)
    if fuses is not None:
        text = text.replace(f"{folder}/fuses.csv", fuses.as_posix())
    path.write_text(text)
    return load_space(path)


@pytest.fixture(scope="module")
def searched(tmp_path_factory):
    space = space_of(tmp_path_factory.mktemp("parts"), parts=BOARD + SWITCH)
    outcome = search(space)
    found, figures = rows.rescored(outcome.found, space=space)
    return space, outcome, rows.table(found, figures, space=space)


def test_front_with_placed_parts_equals_plain_enumeration(searched):
    space, outcome, _ = searched
    want, count = objectives(space)
    assert count > 0 and len({task.stand for task in space.tasks()}) > 1
    found = outcome.found.objectives
    for one, other in ((found, want), (want, found)):
        near = np.isclose(one[:, None], other[None], rtol=1e-9, atol=1e-12).all(axis=2).any(axis=1)
        assert near.all()


def boxes_of(record):
    return [(part["name"], part["compartment"], np.array(part["corner_mm"]), np.array(part["extents_mm"]))
            for part in record["placed"]]  # fmt: skip


def inside_wall(room, low, high):
    """Slanted ends of the rear by closed form, a box else."""
    if room == "front":
        return np.all(low >= -1e-4) and np.all(high <= np.array([100, 60, 78]) + 1e-4)
    lean = 8 * high[2] / 78
    along = low[0] >= lean - 1e-4 and high[0] <= 150 - lean + 1e-4
    return along and min(low[1:]) >= -1e-4 and high[1] <= 90.0001 and high[2] <= 78.0001


def test_no_part_meets_cell_conductor_wall_or_part_by_the_file_alone(searched):
    space, _, front = searched
    assert len(front) > 2
    for _, row in front.iloc[:: max(len(front) // 6, 1)].iterrows():
        record = json.loads(json.dumps(design_record(space, row.to_dict())))
        assert second_wires.faults(record, unfold(space, row.to_dict()).harness) == []
        placed = boxes_of(record)
        assert [name for name, *_ in placed] == ["BMS", "switch"]
        assert sorted(placed[0][3]) == sorted(
            record["catalog"]["bms"][0][f"{side}_mm"] for side in ("length", "width", "height")
        )
        for _, room, corner, size in placed:
            assert inside_wall(room, corner - 1.0, corner + size + 1.0)
        for (_, one, a, b), (_, other, c, d) in combinations(placed, 2):
            assert one != other or max(np.maximum(c - a - b, a - c - d)) >= 1.0 - 1e-4
        for (_, room, corner, size), layout in product(placed, record["layouts"]):
            if layout["compartment"] == room:
                centre, half = np.array(layout["centres_mm"]), np.array(layout["extents_mm"]) / 2
                apart = np.maximum(corner - centre - half, centre - half - corner - size)
                # Cells stand upright here: round across z, so the distance from the axis counts there.
                across = np.hypot(*np.maximum(np.maximum(corner - centre, centre - corner - size), 0)[:, :2].T)
                assert np.all((across - half[:, 0] >= 2.6 - 1e-4) | (apart[:, 2] >= 3.5 - 1e-4))
        for (_, room, corner, size), metal in product(placed, record["conductors"]):
            if metal["compartment"] == room:
                for piece in metal["pieces"]:
                    points = np.array(piece["outline_mm"])
                    low, high = points.min(axis=0), points.max(axis=0)
                    assert max(np.maximum(corner - high, low - corner - size)) > 0


def test_a_row_is_found_again_and_scored_alike_from_its_file(searched, tmp_path):
    space, _, front = searched
    row = front.iloc[len(front) // 2].to_dict()
    assert not differences(row, score_row(space, row))
    path = tmp_path / "design.json"
    record = design_record(space, row)
    path.write_text(json.dumps(record))
    own, choices, figures = read_design(path)
    again = score_row(own, choices)
    assert not differences({k: v for k, v in row.items() if k in figures}, again)
    assert again["placed"] == row["placed"]
    record = json.loads(path.read_text())
    record["placed"][0]["corner_mm"][2] = 0.2
    path.write_text(json.dumps(record))
    with pytest.raises(BadInput, match="too close"):
        read_design(path)


def test_bodies_are_drawn_and_named_in_the_model(searched, tmp_path):
    space, _, front = searched
    design = unfold(space, front.iloc[0].to_dict())
    for part in (thing for thing in things(design, []) if thing.kind == "part"):
        one = next(p for p in design.placed if p.name == part.name)
        room = next(room for room in space.rooms if room.name == one.compartment)
        corners = np.array(list(product(*([0, side] for side in one.extents_mm))))
        want = to_vehicle(room, corners + one.corner_mm)
        found = np.array(part.solid.transform(part.place).bounding_box()).reshape(2, 3)
        assert np.allclose(found, [want.min(axis=0), want.max(axis=0)], atol=1e-3)
    names = {thing.name for thing in things(design, [])}
    assert {"BMS", "switch"} <= names
    shown = {text.get_text() for text in draw_vehicle(design).axes[0].texts}
    assert {"rear", "front", "BMS", "switch"} <= shown
    assert look.to_bytes(draw_vehicle(design), kind="svg") == look.to_bytes(draw_vehicle(design), kind="svg")


def test_parts_of_ones_own_are_weighed_and_billed(tmp_path, searched):
    whole, _, _ = searched
    bare = space_of(tmp_path, parts=BOARD + "[[part]]\nname = 'switch'\noutside = true\nmass_g = 40.0\nprice = 12.0\n")
    assert bare.box == (0.04, 12.0) == whole.box
    assert "switch" not in json.dumps(placed_record(bare.placed(0, 0)))


def test_a_larger_board_leaves_room_for_no_more_cells(searched):
    space, _, _ = searched
    boards = [str(name) for name in space.inputs.bms.id]
    small, large = boards.index("warden-14s-30a"), boards.index("sentinel-24s-150a")
    for size, parallel in product(range(len(space.sizes)), (2, 3)):
        held = {}
        for task in (t for t in space.tasks() if (t.size, t.parallel) == (size, parallel)):
            groups = sum(max((fill.groups for fill in each), default=0) for each in space.fills(task))
            for row in space.boards(task):
                held[int(row)] = max(held.get(int(row), 0), groups)
        assert held.get(large, 0) < held[small]


def test_every_cell_size_has_the_best_of_all_places():
    """Beside the largest board in a tapered deck, 21700 and 26650: as many in rows as in any place found by either."""
    inputs = load_inputs(builtin_catalogs() / "briefs" / "cargo-scooter.toml")
    outline = ((0.0, 0.0), (420.0, 0.0), (408.0, 78.0), (12.0, 78.0))
    sides = {"profile_mm": outline, "depth_mm": 118.0, "keep_out": ()}
    deck = inputs.brief.compartment[0].model_copy(update=sides)
    board = PartSection(name="BMS", kind="BMS", within=("deck",), gap_mm=1.0, free_mm=8.0)
    gaps = inputs.brief.clearance.model_copy(update={"wire_mm": 0.0})
    brief = inputs.brief.model_copy(
        update={"compartment": (deck,), "part": (board,), "passage": (), "clearance": gaps}
    )
    seats = Seats(brief, compartments(brief), inputs.cells, inputs.bms)
    seats.__dict__["_boards"] = [inputs.bms.id.tolist().index("sentinel-24s-150a")]
    small, large = (next(s for s in seats._sized if round(s.diameter_mm, 1) == mm) for mm in (21.3, 26.3))
    seats.__dict__["_telling"] = [large, small]
    assert len(seats.stands) == 2
    for size in (small, large):
        rules = clearance(brief, size)
        held = [
            row_count(with_parts(seats.rooms[0], stand.placed, wall_mm=rules.wall_mm), size, rules)
            for stand in seats.stands
        ]
        (chosen,) = seats._best_places(size)
        assert held[chosen] == max(held)
        # The place by the larger size costs the smaller one six cells in rows.
        assert (max(held) > held[0]) == (size is small)
        assert list(seats.classes(size, 3)) == [chosen]


def test_own_places_of_boards_only_better_the_front(searched):
    """Against one common place: each of its packs is met or beaten, and small boards win packs that it doesn't hold."""
    own, outcome, _ = searched
    with mock.patch.object(Seats, "_row_counts", return_value=(0, 0)):
        common = make_space(own.inputs)
        assert len({task.stand for task in common.tasks()}) < len({task.stand for task in own.tasks()})
        theirs = search(common).found.objectives
    mine = outcome.found.objectives
    met, won = (
        (some[None] <= others[:, None] + 1e-9 * abs(others[:, None])).all(axis=2).any(axis=1)
        for some, others in ((mine, theirs), (theirs, mine))
    )
    assert met.all() and not won.all()


def test_a_small_board_has_a_place_of_its_own_where_one_compartment_gains(tmp_path):
    """All groups in one compartment need no wires between two: a gain where both together hold no more groups."""
    seats = space_of(tmp_path)._seats
    boards = {stand.placed[0].extents_mm: k for k, stand in enumerate(seats._bare) if stand.room == "rear"}
    large, (dims, small) = min(boards.values()), max(boards.items(), key=lambda each: each[1])
    (size,) = seats._sized
    (row,) = (r for r in seats._boards if sorted(seats.board_mm(r)) == sorted(dims))
    for common, own, apart in (
        ((6, 8), (12, 0), True), ((12, 0), (6, 8), True), ((12, 8), (13, 8), False), ((30, 8), (60, 8), False),
    ):  # fmt: skip
        held = {large: common, small: own}
        with mock.patch.object(Seats, "_row_counts", lambda _, k, size, held=held: held.get(k, (0, 0))):
            found = seats._classes(size, 2)
        assert row in found[large] and (row in found.get(small, ())) == apart


def test_bad_parts_are_told_and_nothing_else(tmp_path):
    def told(parts):
        with pytest.raises(BadInput) as bad:
            search(space_of(tmp_path, parts=parts))
        return [(problem.code, problem.field, problem.expected) for problem in bad.value.problems]

    big = "[[part]]\nname = 'brick'\nsize_mm = [200.0, 20.0, 20.0]\n"
    assert [(code, field) for code, field, _ in told(big)] == [("part-fits-nowhere", "brick")]
    thick = SWITCH.replace("18.0]", "18.0]\ngap_mm = 60.0")
    assert told(thick)[0][0] == "part-fits-nowhere" and "60 mm around it" in told(thick)[0][2]
    assert told(SWITCH + SWITCH)[0][0] == "duplicate-name"
    assert told(SWITCH.replace('"rear"', '"reer"'))[0][0] == "unknown-value"
    assert told(BOARD.replace('"BMS"\nkind', '"board"\nkind'))[0][:2] == ("unknown-value", "part[board].name")
    assert told(BOARD + BOARD.replace('name = "BMS"', 'name = "BMS 2"'))[0][0] == "duplicate-value"
    assert told("[[part]]\nname = 'switch'\n")[0][0] == "missing-key"


def test_bad_parts_and_passages_are_told_at_once(tmp_path):
    """Together with another fault of the brief; two compartments, each fault once."""
    big = "[[part]]\nname = 'brick'\nsize_mm = [200.0, 20.0, 20.0]\n"
    door = "[[passage]]\nname = '{}'\nfrom = '{}'\nto = '{}'\n{}\nbore_mm = {}\n"
    far, good = "position_mm = [9000, 0, 0]", "from_mm = [148, 45, 10]\nto_mm = [301, 30, 30]"

    def told(text):
        with pytest.raises(BadInput) as bad:
            space_of(tmp_path, parts=text)
        return sorted((problem.code, problem.field) for problem in bad.value.problems)

    rooms = [room.name for room in space_of(tmp_path, parts="").rooms]
    found = told(big + door.format("far", *rooms, far, 20) + door.format("thin", *rooms, good, 4))
    assert found == [("part-fits-nowhere", "brick"), ("passage-outside", "far"), ("passage-small", "thin")]
    metres = SWITCH.replace("[30.0, 20.0, 18.0]", "[0.03, 0.02, 0.018]")
    assert told(metres) == [("wrong-scale", "part[switch].size_mm")]
    found = told(door.format("one", "rear", "reer", good, 20) + door.format("one", "rear", "rear", good, 20))
    assert [code for code, _ in found] == ["duplicate-name", "duplicate-value", "unknown-value"]


def test_a_board_that_fits_nowhere_is_told_as_the_brief_is_read(tmp_path):
    with pytest.raises(BadInput, match=r"BMS fits nowhere in front, .*found 70 × 48 × 9 mm, the smallest of 14 boards"):
        space_of(tmp_path, parts=BOARD.replace("gap_mm = 1.0", 'gap_mm = 30.0\nwithin = ["front"]'))


FUSE = "[[part]]\nname = 'main fuse'\nkind = 'fuse'\nwithin = ['front']\n"


def sized_fuses(tmp_path, sizes):
    """The demo's fuses with columns for their sizes: an empty cell but for those named."""
    table = pd.read_csv(builtin_catalogs() / "fuses.csv", comment="#")
    for k, side in enumerate(("length_mm", "width_mm", "height_mm")):
        table[side] = [sizes.get(name, (None,) * 3)[k] for name in table["id"]]
    table.to_csv(tmp_path / "sized.csv", index=False)
    return tmp_path / "sized.csv"


def test_a_fuse_with_sizes_in_its_table_is_a_body(tmp_path):
    """Room for the largest of [vary], along each side; billed as the fuse that is chosen, nothing beside it."""
    small, large = {"blade-60v-25a": (30.0, 22.0, 20.0)}, {"blade-60v-30a": (60.0, 20.0, 50.0)}
    bare, held = space_of(tmp_path, parts=""), []
    unasked = {"bolt-60v-80a": (99.0, 90.0, 70.0)}
    cases = ((small, [20, 22, 30]), (small | large, [22, 50, 60]), (small | unasked, [20, 22, 30]))
    for sizes, extents in cases:
        space = space_of(tmp_path, parts=FUSE, fuses=sized_fuses(tmp_path, sizes))
        (part,) = space.stands[0].placed
        assert (part.name, part.compartment, sorted(part.extents_mm)) == ("main fuse", "front", extents)
        assert space.box == bare.box
        held.append(sum(space.held_cells(0, 0)))
    # Cells give way to it, and to the largest of [vary] alone.
    assert sum(bare.held_cells(0, 0)) >= held[0] == held[2] > held[1]
    outcome = search(space)
    found, figures = rows.rescored(outcome.found, space=space)
    row = rows.table(found, figures, space=space).iloc[0].to_dict()
    record = design_record(space, row)
    assert [one["name"] for one in record["placed"]] == ["main fuse"]
    (tmp_path / "design.json").write_text(json.dumps(record))
    own, choices, _ = read_design(tmp_path / "design.json")
    assert not differences(row, score_row(own, choices))
    design = unfold(space, row)
    assert "main fuse" in {thing.name for thing in things(design, [])}
    assert "main fuse" in {text.get_text() for text in draw_vehicle(design).axes[0].texts}


def test_bad_fuses_are_told_once(tmp_path):
    def told(parts, sizes):
        with pytest.raises(BadInput) as bad:
            space_of(tmp_path, parts=parts, fuses=sized_fuses(tmp_path, sizes))
        return [(problem.code, problem.field, problem.where) for problem in bad.value.problems]

    assert told(FUSE, {}) == [("missing-key", "size_mm", "[[part]] 1")]
    assert told(FUSE, {"blade-60v-25a": (30.0, None, 20.0)})[0][:2] == ("empty-cell", "width_mm")
    huge = {"blade-60v-30a": (140.0, 130.0, 120.0)}
    assert told(FUSE, huge) == [("part-fits-nowhere", "main fuse", "[[part]] 1")]
    small = {"blade-60v-25a": (30.0, 22.0, 20.0)}
    assert [code for code, *_ in told(FUSE + FUSE.replace("main", "other"), small)] == ["duplicate-value"]
    assert [code for code, *_ in told(FUSE + "outside = true\nmass_g = 5.0\n", small)] == [
        "conflict", "unknown-value", "unknown-value"]  # fmt: skip


def test_outside_and_within_are_one_message(tmp_path):
    with pytest.raises(BadInput, match=r"within.*does not go with outside = true: such a part lies in no comp") as bad:
        space_of(tmp_path, parts="[[part]]\nname = 'plug'\noutside = true\nwithin = ['rear']\n")
    (problem,) = bad.value.problems
    assert problem.code == "conflict" and problem.where.startswith("line")


def test_check_says_which_parts_take_room(tmp_path):
    parts = BOARD + SWITCH + "[[part]]\nname = 'plug'\noutside = true\n"
    told = check_text(space_of(tmp_path, parts=parts).inputs)
    for words in ("BMS: placed in any compartment", "switch: placed in rear", "plug: outside", "  fuse, switch, conn"):
        assert words in told
    bare = check_text(space_of(tmp_path, parts="").inputs)
    assert "parts         BMS, fuse, switch, connectors and sensors without" in bare


DOOR = """
[[passage]]
name = "door"
from = "rear"
to = "front"
from_mm = [{}, {}, {}]
to_mm = [300.0, 30.0, 39.0]
bore_mm = 30.0
"""


def test_parts_keep_off_the_mouths_of_passages(tmp_path):
    """Where a switch lies of itself becomes a mouth: it lies elsewhere, half a bore beside the wires."""
    (part,) = space_of(tmp_path, parts=SWITCH).stands[0].placed
    mouth = np.array(part.corner_mm) + np.array(part.extents_mm) / 2.0
    space = space_of(tmp_path, parts=SWITCH + DOOR.format(*mouth))
    (moved,) = space.stands[0].placed
    way = mouth + np.linspace(0.0, 1.0, 999)[:, None] * (np.array([300.0, 30.0, 39.0]) - mouth)
    low = np.array(moved.corner_mm)
    assert np.linalg.norm(way - np.clip(way, low, low + moved.extents_mm), axis=1).min() >= 15.0 - 1e-6
    links = space.links(0)
    assert moved.compartment == part.compartment == "rear" and not links.shut and links.through[0, 1] == ("door",)


def test_a_part_that_fits_before_a_mouth_alone_is_told(tmp_path):
    thin = SWITCH.replace("[30.0, 20.0, 18.0]", "[130.0, 80.0, 20.0]").replace('["rear"]', '["rear"]\nup = ["z"]')
    assert space_of(tmp_path, parts=thin).stands[0].placed
    door = DOOR.format(75.0, 45.0, 39.0).replace("bore_mm = 30.0", "bore_mm = 78.0")
    with pytest.raises(BadInput, match="half their bore free at their mouths"):
        _ = space_of(tmp_path, parts=thin + door).stands


def test_a_brief_without_parts_has_one_stand_and_no_column(tmp_path):
    space = space_of(tmp_path, parts="")
    assert len(space.stands) == 1 and not space.stands[0].placed
    assert {task.stand for task in space.tasks()} == {0}
    table = pd.DataFrame(placed_record(space.placed(0, 0)))
    assert table.empty
