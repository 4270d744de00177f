"""Compartments cut into zones: the planes that are tried, what they bring, and what keeps zones apart."""

from itertools import combinations, pairwise, product

import numpy as np
import pytest

from optimizer.fit.placement.bodies import Placed, with_parts
from optimizer.fit.placement.place import place
from optimizer.fit.placement.proof import prove
from optimizer.fit.placement.stacks import most_in_rows
from optimizer.fit.placement.zones import apart, best_cut, cuts, planes, whole, zone_bodies, zone_name, zone_room
from optimizer.fit.region.compartment import Compartment, box
from optimizer.fit.region.layout import CellSize, Clearance

CELL, GAPS = CellSize("cylinder", length_mm=65.2, diameter_mm=18.5), Clearance()
TRUNK = Compartment("trunk", ((0.0, 0.0), (125.0, 0.0), (113.0, 105.0), (12.0, 105.0)), 1, 72.0)
ROWS = ("square", "staggered")


def fullest(room, zone):
    inside = zone_room(room, zone)
    found = place(inside, CELL, GAPS, placements=ROWS, cache=False)
    return inside, found[0] if found else None


def test_a_tapered_box_holds_more_in_two_zones_and_other_code_proves_them_apart():
    one_way = place(TRUNK, CELL, GAPS, placements=ROWS, cache=False)[0].cells
    base, found = cuts(TRUNK, CELL, GAPS, zones=2)
    cut, groups = best_cut(base, found, 3)
    assert base == one_way == 16 and groups == 6 > one_way // 3
    layouts = [fullest(TRUNK, zone) for zone in cut]
    assert sum(layout.cells for _, layout in layouts) > one_way
    assert all(prove(layout, inside, GAPS).ok for inside, layout in layouts)
    assert len({layout.axis for _, layout in layouts}) == 2
    # By boxes around the cells: each zone keeps from the plane what it keeps from a wall.
    for (_, a), (_, b) in combinations(layouts, 2):
        off = np.abs(a.centres_mm[:, None] - b.centres_mm[None]) - (a.extents_mm[:, None] + b.extents_mm[None]) / 2
        assert off.max(axis=2).min() >= 2 * (GAPS.case_mm + GAPS.wall_mm) - 1e-6


@pytest.mark.parametrize("room", [
    TRUNK, box("box", length_mm=150.0, width_mm=62.0, height_mm=92.0),
    Compartment("wedge", ((0.0, 0.0), (140.0, 0.0), (140.0, 28.0), (60.0, 82.0), (0.0, 82.0)), 1, 70.0),
])  # fmt: skip
def test_planes_that_are_passed_over_hold_no_more(room):
    """Against every plane of the stated set, each side counted in rows."""
    low, high = (np.array(end) for end in whole(room))
    most = 0
    for axis in range(3):
        for at in planes(room, CELL, GAPS, axis):
            one, two = high.copy(), low.copy()
            one[axis] = two[axis] = at
            sides = [(tuple(low), tuple(one)), (tuple(two), tuple(high))]
            held = [most_in_rows(zone_room(room, side), CELL, GAPS) for side in sides]
            most = max(most, sum(held)) if min(held) else most
    base, found = cuts(room, CELL, GAPS, zones=2)
    assert max((sum(counts) for _, counts in found), default=0) == (most if most > base else 0)


def test_planes_end_rows_and_layers_from_both_ends():
    """By hand: gap to the wall, case, a cell, case, gap to the plane; a layer has end stacks in the cases' place."""
    room = box("box", length_mm=300.0, width_mm=80.0, height_mm=80.0)
    row, layer = 1.0 + 1.6 + 18.5 + 1.6 + 1.0, 1.0 + 2.5 + 65.2 + 2.5 + 1.0
    found = planes(room, CELL, GAPS, 0)
    for want in (row, row + 19.3, 300 - row, layer, layer + 70.2, 300 - layer):
        assert np.abs(np.array(found) - want).min() < 2e-4
    assert all(0 < at < 300 for at in found) and all(a < b for a, b in pairwise(found))


def test_three_zones_are_two_of_which_one_is_cut_again():
    room = box("cube", length_mm=150.0, width_mm=150.0, height_mm=100.0)
    large = CellSize("cylinder", length_mm=70.2, diameter_mm=21.3)
    _, two = cuts(room, large, GAPS, zones=2)
    base, three = cuts(room, large, GAPS, zones=3)
    assert max(sum(n) for _, n in three) > max(sum(n) for _, n in two) > base
    for cut, counts in three:
        assert len(cut) == len(counts) <= 3 and sum(counts) > base
        assert all(apart(a, b) for a, b in combinations(cut, 2))
        volume = sum(np.prod(np.array(high) - low) for low, high in cut)
        assert volume == pytest.approx(150.0 * 150.0 * 100.0)


def test_a_cut_is_kept_as_it_was_found(tmp_path, monkeypatch):
    monkeypatch.setenv("CELLSTOW_CACHE", str(tmp_path))
    first = cuts(TRUNK, CELL, GAPS, zones=3)
    assert cuts(TRUNK, CELL, GAPS, zones=3) == first and first[1]


def test_wires_go_round_blocks_that_hold_every_cell_and_no_part():
    part = Placed("BMS", "trunk", (20.0, 10.0, 1.0), (60.0, 30.0, 12.0), 0, True, 1.0, 8.0)
    room = with_parts(TRUNK, (part,), wall_mm=GAPS.wall_mm)
    zone = ((0.0, 0.0, 0.0), (90.0, 72.0, 105.0))
    blocks = [(np.array(low), np.array(high)) for low, high in zone_bodies(TRUNK, zone, (part,), GAPS)]
    assert len(blocks) > 1
    for layout in place(zone_room(room, zone), CELL, GAPS, placements=ROWS, cache=False):
        for centre, extent in zip(layout.centres_mm, layout.extents_mm, strict=True):
            steps = np.array(list(product(np.linspace(-0.5, 0.5, 9), repeat=3)))
            points = centre + steps * extent
            across = [k for k in range(3) if k != layout.axis]
            points = points[np.hypot(*(points - centre)[:, across].T) <= extent[across[0]] / 2]
            inside = [((points >= low - 1e-6) & (points <= high + 1e-6)).all(axis=1) for low, high in blocks]
            assert np.any(inside, axis=0).all()
    low, high = part.room_mm()
    assert all(np.any((high <= a) | (low >= b)) for a, b in blocks)


def test_names_and_ties():
    assert [zone_name("deck", k) for k in range(3)] == ["deck", "deck zone 2", "deck zone 3"]
    a, b, c = (((k, 0.0, 0.0), (k + 1.0, 1.0, 1.0)) for k in (0.0, 1.0, 2.0))
    found = [((a, b, c), (3, 3, 3)), ((a, b), (5, 4)), ((b, c), (6, 4))]
    # Of 3 cells two cuts hold three groups, that in two zones counts; of 2 one cut holds the most, of 4 none gains.
    assert best_cut(8, found, 3) == ((b, c), 3)
    assert best_cut(8, found, 2) == ((b, c), 5)
    assert best_cut(8, found, 4) is None
