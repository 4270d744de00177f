"""Projections: the right way round from every side, polarity and plates on the face where they are."""

from dataclasses import replace

import numpy as np
import pytest
import shapely

from optimizer.fit.region.compartment import Compartment, KeepOut, keep_out_box
from optimizer.review.sheets import views
from optimizer.review.sheets.views import (
    View,
    case_outline,
    directions,
    levels,
    metal_on_face,
    pack_groups,
    project,
    silhouette,
)

CORNERS = np.array([[x, y, z] for x in (0.0, 2.0) for y in (0.0, 3.0) for z in (0.0, 5.0)])


@pytest.mark.parametrize("axis", [0, 1, 2])
@pytest.mark.parametrize("side", [1, -1])
def test_views_are_right_handed(axis, side):
    # Closed form: what runs right, what runs up and what points at the eye form a right-handed frame.
    unit = np.eye(3)
    flat = project(np.vstack([np.zeros(3), unit]), view=View(axis, side))
    right = np.array([flat[k + 1][0] - flat[0][0] for k in range(3)])
    up = np.array([flat[k + 1][1] - flat[0][1] for k in range(3)])
    assert np.cross(right, up) == pytest.approx(side * unit[axis])


def test_silhouette_of_a_prism_from_its_three_sides():
    prism = Compartment("p", ((0.0, 0.0), (10.0, 0.0), (8.0, 4.0), (1.0, 4.0)), 1, 6.0)
    assert silhouette(prism, view=View(1, -1)).area == pytest.approx((10 + 7) / 2 * 4)
    assert silhouette(prism, view=View(0, 1)).bounds == (0.0, 0.0, 6.0, 4.0)
    assert silhouette(prism, view=View(2, 1)).bounds == (0.0, 0.0, 10.0, 6.0)
    assert silhouette(prism, view=View(1, 1)).bounds == (-10.0, 0.0, 0.0, 4.0)


def test_keep_out_stands_at_its_origin():
    keep = keep_out_box("k", origin_mm=(1.0, 2.0, 3.0), length_mm=4.0, width_mm=5.0, height_mm=6.0)
    assert silhouette(keep, view=View(2, 1)).bounds == (1.0, 2.0, 5.0, 7.0)
    assert silhouette(keep, view=View(1, -1)).bounds == (1.0, 3.0, 5.0, 9.0)
    assert silhouette(keep, view=View(0, 1)).bounds == (2.0, 3.0, 7.0, 9.0)


def on_face(design, station, side):
    return [conductor for conductor, _ in metal_on_face(design, station, layer=0, side=side)]


def test_every_used_cell_has_one_plate_at_each_end(design):
    for station in design.stations:
        both = on_face(design, station, 1) + on_face(design, station, -1)
        joined = sorted(t["cell"] for conductor in both for t in conductor["terminals"])
        assert joined == sorted(np.flatnonzero(station.used).tolist() * 2)


def test_plates_are_numbered_through_the_pack_and_alternate(design):
    deck, stem = design.stations
    up, down = ({c["from_group"] for c in on_face(design, deck, side)} for side in (1, -1))
    assert up == set(range(1, 15, 2))
    assert down == set(range(0, 15, 2))
    # The stem's first plate is at the potential of the deck's last: the harness joins them.
    assert min(c["from_group"] for side in (1, -1) for c in on_face(design, stem, side)) == 14


def test_outlines_are_seen_from_their_side(design):
    deck = design.stations[0]
    for side in (1, -1):
        view = View(1, side)
        for conductor, shapes in metal_on_face(design, deck, layer=0, side=side):
            welds = project(np.array([t["centre_mm"] for t in conductor["terminals"]]), view=view)
            whole = shapely.union_all(shapes)
            assert all(whole.covers(shapely.Point(weld)) for weld in welds)


def test_a_plate_joins_positive_ends_of_one_group_to_negative_ends_of_the_next(design):
    deck = design.stations[0]
    group, way = pack_groups(deck), directions(deck)
    for side in (1, -1):
        for conductor in on_face(design, deck, side):
            members = np.array([t["cell"] for t in conductor["terminals"]])
            assert set(group[members][way[members] == side]) <= {conductor["from_group"]}
            assert set(group[members][way[members] == -side]) <= {conductor["to_group"]}


def test_levels_follow_heights_not_the_layers_within_cases(design):
    deck = design.stations[0]
    lift = np.where(np.arange(deck.layout.cells) % 3 == 0, 90.0, np.arange(deck.layout.cells) * 0.1)
    centres = deck.layout.centres_mm + np.outer(lift, [0.0, 1.0, 0.0])
    moved = replace(deck, layout=replace(deck.layout, centres_mm=centres))
    assert np.array_equal(levels(moved), (lift == 90.0).astype(int))
    assert set(levels(deck)) == {0}


def test_case_holds_the_used_cells_with_its_wall(design):
    deck = design.stations[0]
    outer, inner = case_outline(deck, axis=1, layer=0, clearance=design.clearance)
    wall = design.clearance.case_mm
    assert outer.contains(inner)
    assert inner.bounds[0] - outer.bounds[0] == pytest.approx(wall, abs=0.02)
    # Case wall around a convex outline: A(outer) − A(inner) = U t + π t² (Steiner's formula, closed form).
    assert outer.area - inner.area == pytest.approx(inner.length * wall + np.pi * wall**2, rel=0.002)


def test_case_keeps_clear_of_a_keep_out(design, make):
    outer, _ = case_outline(design.stations[0], axis=1, layer=0, clearance=design.clearance)
    keep = silhouette(design.stations[0].compartment.keep_outs[0], view=View(1, -1))
    assert outer.distance(keep) >= design.clearance.wall_mm - 0.02


def test_groups_that_touch_have_different_colours(design):
    for station in design.stations:
        pairs = views.touching(station, cell_gap_mm=design.clearance.cell_gap_mm)
        group, colours = views.pack_groups(station), views.group_colours(station, pairs=pairs, count=6)
        assert set(colours) == set(group[group > 0].tolist()) and max(colours.values()) < 6
        apart = [(int(a), int(b)) for a, b in group[pairs] if a != b and a > 0 and b > 0]
        assert apart and all(colours[a] != colours[b] for a, b in apart)


def test_a_keep_out_lies_at_the_depth_of_cells_or_at_another(design):
    """Closed form: a box of keep-out across the whole of the first layer, and one above all cells."""
    station = design.stations[0]
    axis, layout = station.layout.axis, station.layout
    top = float((layout.centres_mm[:, axis] + layout.extents_mm[:, axis] / 2.0).max())
    across = views.cross_axes(axis)

    def block(low, high):
        corner = [0.0, 0.0, 0.0]
        corner[axis] = low
        return KeepOut("block", ((0.0, 0.0), (50.0, 0.0), (50.0, 30.0), (0.0, 30.0)), axis, high - low, tuple(corner))

    assert len(across) == 2
    for low, high, here in ((0.0, top, True), (top, top + 9.0, False), (top - 1.0, top + 9.0, True)):
        assert views.at_depth(station, block(low, high), axis=axis, layer=-1) == here
