"""Ways of wires, links between compartments and bundles: closed forms by hand, and what must hold of any way.

Grade: closed form; second implementation (points along a way held against walls and cells).
"""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from optimizer.fit.placement.place import place
from optimizer.fit.region.compartment import Compartment, box
from optimizer.fit.region.layout import CellSize, Clearance, Layout
from optimizer.pack.wiring.around import around
from optimizer.pack.wiring.bundles import most_wire_mm2
from optimizer.pack.wiring.harness import Places
from optimizer.pack.wiring.lightest import harness_block
from optimizer.pack.wiring.passages import Passage, covers, links_of, room_mm2
from optimizer.pack.wiring.ways import Ways, inside, outside_mm, wall_point

CELL = CellSize("cylinder", 60.0, 20.0)
ELL = Compartment("ell", ((0, 0), (200, 0), (200, 60), (60, 60), (60, 200), (0, 200)), 2, 66.0)


def rows(room, xs, ys):
    """Upright cells on a grid, as far as they lie inside."""
    centres = np.array([(x, y, 33.0) for x in xs for y in ys])
    corners = centres[:, None, :2] + np.array([(-11, -11), (-11, 11), (11, -11), (11, 11)])
    flat = np.concatenate([corners, np.full((*corners.shape[:2], 1), 33.0)], axis=2)
    good = inside(room, flat.reshape(-1, 3)).reshape(corners.shape[:2]).all(axis=1)
    n = int(good.sum())
    return Layout(
        compartment=room.name, size=CELL, way="tray", placement="square", axis=2, centres_mm=centres[good],
        extents_mm=np.tile([20.0, 20.0, 60.0], (n, 1)), layer=np.zeros(n, int), module=np.zeros(n, int), name="rows",
    )  # fmt: skip


def ends(layout):
    """Upper and lower ends of all cells."""
    up = np.array([0.0, 0.0, 30.0])
    return np.concatenate([layout.centres_mm + up, layout.centres_mm - up])


def test_ways_by_hand():
    # A row of five cells along x in a box of 110 × 22 × 66 mm; the hub in the middle of the wall y = 0.
    room = box("row", length_mm=110.0, width_mm=24.0, height_mm=66.0)
    layout, hub = rows(room, 12.0 + 21.0 * np.arange(5), [12.0]), np.array([54.0, 0.0, 33.0])
    ways = Ways(room, layout, targets_mm=hub[None])
    for x in (12.0, 54.0):
        # In the plane of the ends to the wall beside the hub, then 30 mm along it.
        want = np.hypot(x - 54.0, 12.0) + 30.0
        assert ways.lengths(np.array([[x, 12.0, 63.0]]), hub)[0] == pytest.approx(want)
    path = ways.path(np.array([12.0, 12.0, 63.0]), hub)
    assert path.tolist() == [[12.0, 12.0, 63.0], [54.0, 0.0, 63.0], [54.0, 0.0, 33.0]]
    # From one end of a cell to the other: 11 mm to the wall 1 mm off it, 60 along, 11 back.
    assert ways.lengths(np.array([[12.0, 12.0, 63.0]]), np.array([12.0, 12.0, 3.0]))[0] == pytest.approx(82.0, abs=1.5)


@pytest.mark.parametrize("room", [box("box", length_mm=200.0, width_mm=120.0, height_mm=66.0), ELL])
def test_a_way_is_as_long_as_it_says_and_meets_neither_wall_nor_cell(room):
    layout = rows(room, 13.0 + 22.0 * np.arange(9), 13.0 + 22.0 * np.arange(9))
    hub = np.array(wall_point(room))
    ways, points = Ways(room, layout, targets_mm=hub[None]), ends(layout)
    lengths = ways.lengths(points, hub)
    for point, length in zip(points, lengths, strict=True):
        path = ways.path(point, hub)
        steps = np.linalg.norm(np.diff(path, axis=0), axis=1)
        assert steps.sum() == pytest.approx(length)
        assert length >= np.linalg.norm(point - hub) - 1e-9
        along = np.concatenate([a + np.linspace(0, 1, 40)[:, None] * (b - a) for a, b in pairwise(path)])
        assert inside(room, along, slack_mm=0.02).all()
        between = np.abs(along[:, None, 2] - layout.centres_mm[:, 2]) < 30.0 - 0.01
        apart = np.linalg.norm(along[:, None, :2] - layout.centres_mm[:, :2], axis=2)
        assert not (between & (apart < 10.0 - 0.01)).any()


def test_no_way_along_the_cells_where_no_line_stays_inside():
    wedge = Compartment("wedge", ((0, 0), (200, 0), (100, 80)), 1, 50.0)
    layout = replace(rows(box("row", length_mm=100.0, width_mm=50.0, height_mm=66.0), [50.0], [25.0]), axis=0)
    ways = Ways(wedge, layout, targets_mm=np.array([[0.0, 25.0, 0.0]]))
    with np.errstate(all="raise"):
        assert ways._section(0.0, 200.0).area < 1e-3 and ways._section(0.0, 230.0).area < 1e-3
        assert not ways._is_free(np.array([25.0, 40.0]), 0.0, 200.0)
        assert ways._is_free(np.array([25.0, 40.0]), 95.0, 105.0)


def test_a_board_without_a_body_sits_in_the_middle_of_the_nearest_wall():
    assert wall_point(box("deck", length_mm=420.0, width_mm=118.0, height_mm=78.0)) == (210.0, 59.0, 0.0)
    prism = Compartment("deck", ((0, 0), (420, 0), (408, 78), (12, 78)), 1, 50.0)
    assert wall_point(prism) == (210.0, 0.0, 39.0)
    assert outside_mm(prism, np.array([425.0, 25.0, 0.0])) == pytest.approx(5.0)


def two_boxes():
    a = box("a", length_mm=100.0, width_mm=60.0, height_mm=70.0)
    return a, replace(a, name="b", position_mm=(150.0, 0.0, 0.0))


def test_links_by_hand():
    a, b = two_boxes()
    # Middles of the walls y = 0: 150 mm apart, straight.
    plain = links_of([a, b])
    assert plain.length_mm.tolist() == [[0.0, 150.0], [150.0, 0.0]]
    assert plain.through[0, 1] == ("straight",)
    # Mouths at (100, 30, 35) and (150, 30, 35): hubs are there, 50 mm apart.
    door = Passage("door", (0, 1), ((100.0, 30.0, 35.0), (150.0, 30.0, 35.0)), 12.0)
    links = links_of([a, b], [door])
    assert links.length_mm[0, 1] == 50.0 and links.through[0, 1] == ("door",)
    # The board's connectors at (10, 30, 5) of a: along the axes 90 + 30, then the passage.
    placed = links_of([a, b], [door], board=(0, (10.0, 30.0, 5.0)))
    assert placed.length_mm[0, 1] == 170.0
    assert placed.hubs_mm[0].tolist() == [10.0, 30.0, 5.0]


def test_links_go_round_parts_by_hand():
    """A board whose connectors look away from the passage, from wall to wall across and 20 mm under the lid."""
    a, b = two_boxes()
    door = Passage("door", (0, 1), ((100.0, 30.0, 35.0), (150.0, 30.0, 35.0)), 12.0)
    board = np.array([20.0, 0.0, 0.0]), np.array([80.0, 60.0, 50.0])
    plug = np.array([20.0, 30.0, 25.0])
    # Along the axes 80 + 10 mm, and over the board: 25 mm up and 15 mm down where 10 mm are between.
    way = around(plug, np.array([100.0, 30.0, 35.0]), [board], a.extent_mm)
    assert np.abs(np.diff(way, axis=0)).sum() == pytest.approx(80.0 + 25.0 + 15.0)
    assert pieces_in(way, [board]) == 0
    links = links_of([a, b], [door], (0, tuple(plug)), [[board], []])
    assert links.length_mm[0, 1] == 80.0 + 25.0 + 15.0 + 50.0
    assert links_of([a, b], [door], (0, tuple(plug))).length_mm[0, 1] == 80.0 + 10.0 + 50.0
    corners = np.concatenate([piece.corners_mm for piece in links.pieces[1, 0]])
    assert pieces_in(corners, [board]) == 0
    assert around(plug, np.array([100.0, 30.0, 35.0]), [(board[0], np.array([80.0, 60.0, 70.0]))], a.extent_mm) is None


def test_a_part_at_a_mouth_shuts_the_passage_by_hand():
    """Boards 5 mm and 7 mm before a mouth of 12 mm, and one behind it, beside the way from mouth to mouth."""
    a, b = two_boxes()
    door = Passage("door", (0, 1), ((100.0, 30.0, 35.0), (150.0, 30.0, 35.0)), 12.0)
    for gap, shut in ((5.0, True), (7.0, False)):
        board = np.array([60.0, 10.0, 10.0]), np.array([100.0 - gap, 50.0, 60.0])
        assert covers(door, [a, b], 0, board) == shut
        links = links_of([a, b], [door], (0, (60.0, 30.0, 35.0)), [[board], []])
        assert links.shut == shut and (links.through[0, 1] == ("straight",)) == shut
    # The passage ends 20 mm inside of b, past a part there.
    deep = replace(door, mouths_mm=((100.0, 30.0, 35.0), (170.0, 30.0, 35.0)))
    for off, shut in ((5.9, True), (6.1, False)):
        assert covers(deep, [a, b], 1, (np.array([2.0, 30.0 + off, 0.0]), np.array([10.0, 60.0, 70.0]))) == shut
    # Two passages: a shut one is gone round where the other joins the same compartments.
    side = Passage("hatch", (0, 1), ((100.0, 5.0, 5.0), (150.0, 5.0, 5.0)), 6.0)
    board = np.array([60.0, 10.0, 10.0]), np.array([95.0, 50.0, 60.0])
    links = links_of([a, b], [door, side], (0, (60.0, 30.0, 35.0)), [[board], []])
    assert not links.shut and links.through[0, 1] == ("hatch",)


def test_bundles_by_hand():
    a, b = two_boxes()
    door = Passage("door", (0, 1), ((100.0, 30.0, 35.0), (150.0, 30.0, 35.0)), 12.0)
    links = links_of([a, b], [door])
    split, per_module = np.array([[3, 2], [5, 0]]), np.zeros((2, 2), dtype=np.int64)
    block = harness_block(split, places=Places(links.length_mm, (0, 0)), bms_in=0)
    most = most_wire_mm2(split, per_module, block, links=links, lead_mm2=4.0, sensors=2, shared=False)
    # Two groups behind the door: 3 leads, one sensor with 2 wires, a link and the far end's power wire.
    assert most.tolist() == [pytest.approx((0.4 * 144.0 - 5 * 4.0) / 2), np.inf]
    assert room_mm2(12.0) == pytest.approx(57.6)


def pieces_in(path, bodies):
    """Points every 0.1 mm of a way that lie more than 0.05 mm deep in a body."""
    along = np.concatenate([
        a + np.linspace(0, 1, int(10 * np.linalg.norm(b - a)) + 2)[:, None] * (b - a) for a, b in pairwise(path)
    ])  # fmt: skip
    return sum(int(((along > low + 0.05) & (along < high - 0.05)).all(axis=1).sum()) for low, high in bodies)


def test_a_way_goes_round_a_part_by_hand():
    """A part 40 mm long from one wall to 10 mm before the other; cells before it, the hub behind it."""
    room = box("deck", length_mm=200.0, width_mm=60.0, height_mm=66.0)
    layout = rows(room, [13.0, 35.0, 57.0], [13.0, 35.0])
    part = np.array([100.0, 0.0, 20.0]), np.array([140.0, 50.0, 66.0])
    hub, start = np.array([160.0, 10.0, 63.0]), np.array([13.0, 13.0, 63.0])
    ways = Ways(room, layout, targets_mm=hub[None], bodies_mm=[part])
    corners = np.array([[13, 13], [99.5, 50.5], [140.5, 50.5], [160, 10]])
    want = np.linalg.norm(np.diff(corners, axis=0), axis=1).sum()
    assert ways.lengths(start[None], hub)[0] == pytest.approx(want)
    assert np.allclose(ways.path(start, hub)[:, :2], corners)
    # At 3 mm, the cells' lower ends, nothing stands: straight, and up to the hub behind the part.
    low = start - [0, 0, 60.0]
    assert ways.lengths(low[None], hub)[0] == pytest.approx(np.hypot(147.0, 3.0) + 60.0)
    # On the part's face, its own connectors: the way touches it.
    plug = np.array([140.0, 25.0, 43.0])
    assert pieces_in(Ways(room, layout, targets_mm=plug[None], bodies_mm=[part]).path(start, plug), [part]) == 0


def test_a_way_goes_over_a_part_from_wall_to_wall_or_is_none():
    room = box("deck", length_mm=200.0, width_mm=60.0, height_mm=66.0)
    layout = rows(room, [13.0, 35.0, 57.0], [13.0, 35.0])
    hub = np.array([170.0, 30.0, 3.0])
    low = np.array([100.0, 0.0, 0.0])
    for top in (40.0, 66.0):
        part = low, np.array([140.0, 60.0, top])
        ways, points = Ways(room, layout, targets_mm=hub[None], bodies_mm=[part]), ends(layout)
        lengths = ways.lengths(points, hub)
        if top == 66.0:
            assert np.isinf(lengths).all()
            continue
        for point, length in zip(points, lengths, strict=True):
            path = ways.path(point, hub)
            assert np.linalg.norm(np.diff(path, axis=0), axis=1).sum() == pytest.approx(length)
            assert pieces_in(path, [part]) == 0
            # Over the part: at least up to its upper face, or from over it, and down again.
            assert length >= np.linalg.norm(point - hub) + 1.0 and path[:, 2].max() >= top


def test_a_hub_on_an_inner_wall_is_reached_round_the_cells():
    """An ell whose hub is on the wall of its low leg, cells standing in the high one: no way runs through a cell."""
    profile = ((0.0, 0.0), (205.6, 0.0), (205.6, 64.9), (80.0, 64.9), (80.0, 124.9), (0.0, 124.9))
    room = replace(Compartment("ell", profile, 2, 76.3), axes=(1,))
    size = CellSize("cylinder", length_mm=65.4, diameter_mm=18.6)
    layout = place(room, size, Clearance(), placements=("staggered",), cache=False)[0]
    hub = np.array(wall_point(room))
    way = Ways(room, layout, targets_mm=hub[None])
    assert layout.axis == 1 and hub[1] == pytest.approx(64.9, abs=0.002)
    for centre, extent in zip(layout.centres_mm, layout.extents_mm, strict=True):
        for side in (-0.5, 0.5):
            tap = centre + side * extent * np.eye(3)[1]
            path = way.path(tap, hub)
            assert not way.crosses(path)
            run = np.linalg.norm(np.diff(path, axis=0), axis=1).sum()
            assert run == pytest.approx(way.lengths(tap[None], hub)[0], abs=1e-6)
