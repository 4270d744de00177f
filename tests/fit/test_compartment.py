"""Compartments: sections, offsets, layers, volume and faults. Expected values are closed forms."""

import numpy as np
import pytest
import shapely
from shapely.geometry import MultiPolygon, Polygon

from optimizer.fit.region.compartment import (
    Compartment,
    KeepOut,
    box,
    centre_region,
    centre_regions,
    faults,
    keep_out_box,
)
from optimizer.fit.region.layout import CellSize, Clearance
from optimizer.fit.region.section import erode, free_section, shadow

NONE = Clearance(wall_mm=0, case_mm=0, cell_gap_mm=0, end_mm=0, module_gap_mm=0)
CELL = CellSize("cylinder", length_mm=65.0, diameter_mm=18.0)
WEDGE = Compartment("wedge", ((0, 0), (200, 0), (180, 60), (20, 60)), 1, 70.0)


def test_centre_region_of_a_box_loses_radius_case_and_wall_on_every_side():
    room = box("a", length_mm=200, width_mm=100, height_mm=80)
    gaps = Clearance(wall_mm=1.0, case_mm=1.5, cell_gap_mm=0.8, end_mm=2.5)
    region = centre_region(room, size=CELL, clearance=gaps, axis=2, low_mm=3.5)
    assert np.allclose(region.bounds, (11.5, 11.5, 188.5, 88.5), atol=1e-6)
    assert region.area == pytest.approx(177.0 * 77.0, abs=1e-3)


def test_offset_of_a_slanted_wall_is_perpendicular_to_it():
    region = centre_region(WEDGE, size=CELL, clearance=NONE, axis=1, low_mm=0.0)
    wall = Polygon(WEDGE.profile_mm).exterior
    corners = shapely.points(np.asarray(region.geoms[0].exterior.coords))
    assert shapely.distance(wall, corners).min() == pytest.approx(9.0, abs=1e-6)


def test_offset_around_an_inner_corner_keeps_the_radius_and_wastes_little():
    ell = Polygon([(0, 0), (60, 0), (60, 20), (20, 20), (20, 60), (0, 60)])
    region = erode(ell, radius_mm=5.0)
    edge = shapely.points(shapely.get_coordinates(shapely.segmentize(region, 0.05)))
    assert shapely.distance(ell.exterior, edge).min() >= 5.0 - 1e-9
    exact = 10 * 50 + 40 * 10 + (25 - np.pi * 25 / 4)  # two arms, and the corner outside a quarter circle
    assert region.area <= exact + 1e-9
    assert region.area == pytest.approx(exact, rel=1e-4)


def test_erosion_by_nothing_returns_the_section():
    assert erode(Polygon([(0, 0), (4, 0), (0, 4)]), radius_mm=0.0).area == 8.0


def test_across_the_extrusion_only_heights_free_over_the_whole_cell_count():
    # At u from 5 to 70 the slanted wall u = v/3 leaves v up to 15.
    section = free_section(WEDGE, axis=0, low_mm=5.0, high_mm=70.0)
    assert np.allclose(section.bounds, (0, 0, 70, 15), atol=1e-5)  # (y, z) plane


def test_layers_across_a_wedge_start_where_they_hold_most():
    layers = centre_regions(WEDGE, CELL, NONE, axis=0)
    assert len(layers) == 2  # three layers of 65 need 195 mm, which only heights under 7.5 mm have
    assert layers[1].low_mm - layers[0].low_mm >= 65.0 - 1e-6
    assert all(layer.high_mm == layer.low_mm + 65.0 for layer in layers)


def test_layers_stand_two_end_stacks_apart():
    room = box("a", length_mm=40, width_mm=40, height_mm=2 * 65 + 4 * 2.5 + 2 * 1.0)
    layers = centre_regions(room, CELL, Clearance(wall_mm=1.0, end_mm=2.5), axis=2)
    assert [round(layer.low_mm, 6) for layer in layers] == [3.5, 73.5]


def test_a_keep_out_blocks_only_the_layers_that_reach_it():
    room = box(
        "a",
        length_mm=100,
        width_mm=40,
        height_mm=131,
        keep_outs=(keep_out_box("k", origin_mm=(0, 0, 0), length_mm=50, width_mm=40, height_mm=10),),
    )
    low, high = centre_regions(room, CELL, NONE, axis=2)
    assert low.region.bounds[0] == pytest.approx(59.0, abs=1e-6)
    assert high.region.bounds[0] == pytest.approx(9.0, abs=1e-6)


def test_layers_move_off_a_keep_out_when_that_holds_more():
    room = box(
        "a",
        length_mm=100,
        width_mm=40,
        height_mm=80,
        keep_outs=(keep_out_box("k", origin_mm=(0, 0, 0), length_mm=50, width_mm=40, height_mm=10),),
    )
    (layer,) = centre_regions(room, CELL, NONE, axis=2)
    assert layer.low_mm >= 10.0 - 1e-6
    assert layer.region.bounds[0] == pytest.approx(9.0, abs=1e-6)


@pytest.mark.parametrize(
    ("axis", "extrude", "expected"),
    [
        (2, 2, (10, 20, 30, 40)),  # along the extrusion: the profile
        (0, 2, (20, 5, 40, 12)),  # across it: profile span by depth, in (y, z)
        (1, 2, (10, 5, 30, 12)),
    ],
)
def test_shadow_of_a_keep_out(axis, extrude, expected):
    block = KeepOut("k", ((0, 0), (20, 0), (20, 20), (0, 20)), extrude, 7.0, (10.0, 20.0, 5.0))
    seen = shadow(block, axis=axis, low_mm=6.0, high_mm=25.0)
    assert np.allclose(seen.bounds, expected, atol=1e-5)
    assert shadow(block, axis=axis, low_mm=-50.0, high_mm=-40.0).is_empty


def test_volume_counts_overlapping_keep_outs_once():
    one = keep_out_box("a", origin_mm=(0, 0, 0), length_mm=20, width_mm=20, height_mm=20)
    two = keep_out_box("b", origin_mm=(10, 0, 0), length_mm=20, width_mm=20, height_mm=20)
    room = box("r", length_mm=100, width_mm=50, height_mm=40, keep_outs=(one, two))
    assert room.volume_mm3 == pytest.approx(100 * 50 * 40 - 30 * 20 * 20, rel=1e-6)
    assert WEDGE.volume_mm3 == pytest.approx((200 + 160) / 2 * 60 * 70, rel=1e-6)


def test_faults_are_named():
    cross = Compartment("bow", ((0, 0), (10, 10), (10, 0), (0, 10)), 2, 10.0)
    assert [code for code, _ in faults(cross)] == ["crossing-polygon"]
    flat = Compartment("flat", ((0, 0), (10, 0), (20, 0)), 2, 10.0)
    assert [code for code, _ in faults(flat)] == ["zero-volume"]
    assert [code for code, _ in faults(box("thin", length_mm=1, width_mm=1, height_mm=0))] == ["zero-volume"]
    lid = keep_out_box("lid", origin_mm=(-1, -1, -1), length_mm=99, width_mm=99, height_mm=99)
    full = box("full", length_mm=50, width_mm=50, height_mm=50, keep_outs=(lid,))
    assert [code for code, _ in faults(full)] == ["keep-out-covers-all"]
    small = box("small", length_mm=60, width_mm=60, height_mm=4)
    assert [code for code, _ in faults(small, clearance=Clearance())] == ["clearance-too-large"]
    short = box("short", length_mm=60, width_mm=60, height_mm=60)
    assert [code for code, _ in faults(short, sizes=(CELL,), clearance=Clearance())] == ["cell-too-large"]
    good = box("good", length_mm=60, width_mm=60, height_mm=80)
    assert faults(good, sizes=(CELL,), clearance=Clearance()) == []


def test_a_cell_longer_than_the_box_has_no_layer():
    room = box("a", length_mm=40, width_mm=40, height_mm=64.9)
    assert centre_regions(room, CELL, NONE, axis=2) == []
    assert isinstance(erode(MultiPolygon(), radius_mm=1.0), MultiPolygon)
