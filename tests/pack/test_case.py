"""Cases: volumes against shapes computed by shapely, growth with the groups, pieces that a bed takes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import MultiPoint, unary_union

from optimizer.fit.region.layout import CellSize, Layout
from optimizer.pack.case import outline, volume
from optimizer.pack.case.outline import CaseRules

D, L = 18.5, 65.2
PLAIN = CaseRules(lid="none", hold="none", chamfer_mm=0.0, mark_mm=0.0, slot_mm=0.0)
RULES = CaseRules()


def layout_of(across, *, axis=2, way="tray", layer=None, module=None, size=None):
    size = size or CellSize("cylinder", length_mm=L, diameter_mm=D)
    wide = (D, D) if size.shape == "cylinder" else (size.width_mm, size.thickness_mm)
    n = len(across)
    zeros = np.zeros(n, dtype=np.int64)
    layer = zeros if layer is None else np.asarray(layer)
    module = zeros if module is None else np.asarray(module)
    centres, extents = np.zeros((n, 3)), np.zeros((n, 3))
    others = [k for k in range(3) if k != axis]
    centres[:, others], centres[:, axis] = across, 40.0 + layer * (size.length_mm + 5.0)
    extents[:, others], extents[:, axis] = wide, size.length_mm
    return Layout("box", size, way, "square", axis, centres, extents, layer, module, "by hand")


def rows(columns, lines, pitch=D + 0.8):
    i, j = np.meshgrid(np.arange(columns), np.arange(lines), indexing="ij")
    return np.column_stack([i.ravel(), j.ravel()]) * pitch


def section(across, rules):
    """Second implementation: the body's section by shapely alone, from the rule in words."""
    cells = [MultiPoint([p]) for p in across]
    hull = MultiPoint(across).convex_hull.buffer(D / 2, quad_segs=90)
    wall = hull.buffer(rules.case_mm, quad_segs=90).difference(hull)
    rings = unary_union([c.buffer(D / 2 + rules.bore_clearance_mm / 2 + rules.rib_mm, quad_segs=90) for c in cells])
    bores = unary_union([c.buffer(D / 2 + rules.bore_clearance_mm / 2, quad_segs=90) for c in cells])
    return hull, wall, wall.union(rings.intersection(hull)).difference(bores)


@pytest.mark.parametrize("columns", [2, 4, 9])
def test_tray_against_shapely(columns: int) -> None:
    across = rows(columns, 3)
    got = volume.case_volume(layout_of(across), group=np.repeat(np.arange(columns), 3), rules=PLAIN)
    for last in range(columns):
        hull, wall, body = section(across[: 3 * last + 3], PLAIN)
        outer = hull.buffer(PLAIN.case_mm, quad_segs=90)
        expected = body.area * L + wall.area * 2 * 1.5 + outer.area * 2 * 1.0
        # Polygons of 48 sides in place of circles.
        assert got.volume_mm3[last] == pytest.approx(expected, rel=6e-3)


def test_one_cell_is_a_tube_with_two_covers() -> None:
    # Closed form; a bore of 48 sides stands 0.14 % over its circle.
    got = volume.case_volume(layout_of(np.zeros((1, 2))), group=[0], rules=PLAIN)
    outer = np.pi * (D / 2 + 1.6) ** 2
    tube = outer - np.pi * (D / 2 + 0.15) ** 2
    wall = outer - np.pi * (D / 2) ** 2
    assert got.volume_mm3[0] == pytest.approx(tube * L + wall * 3.0 + outer * 2.0, rel=6e-3)


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_mass_never_falls_with_the_groups(data: st.DataObject) -> None:
    n = data.draw(st.integers(1, 30))
    spots = rows(6, 5)
    across = spots[data.draw(st.permutations(range(30)))[:n]]
    group = np.array(data.draw(st.lists(st.integers(-1, 6), min_size=n, max_size=n)))
    group[0] = 0
    layer = np.array(data.draw(st.lists(st.integers(0, 2), min_size=n, max_size=n)))
    mass = volume.case_volume(layout_of(across, layer=layer), group=group, rules=RULES).mass_kg(1270.0)
    assert len(mass) == group.max() + 1
    assert (np.diff(mass) >= -1e-9).all()
    assert np.isfinite(mass).all()


def test_layers_have_cases_of_their_own() -> None:
    across = rows(4, 2)
    one = volume.case_volume(layout_of(across), group=np.zeros(8, int), rules=RULES)
    both = layout_of(np.vstack([across, across]), layer=np.repeat([0, 1], 8))
    assert volume.case_volume(both, group=np.zeros(16, int), rules=RULES).volume_mm3 == pytest.approx(
        2 * one.volume_mm3
    )
    grown = volume.case_volume(both, group=np.repeat([0, 1], 8), rules=RULES)
    assert grown.volume_mm3[1] == pytest.approx(2 * grown.volume_mm3[0])


def test_a_turned_tray_weighs_the_same() -> None:
    across, group = rows(3, 3), np.repeat(np.arange(3), 3)
    upright = volume.case_volume(layout_of(across), group=group, rules=RULES)
    lying = volume.case_volume(layout_of(across, axis=0), group=group, rules=RULES)
    assert lying.volume_mm3 == pytest.approx(upright.volume_mm3)


def test_modules_count_whole_from_their_first_group() -> None:
    across = np.vstack([rows(2, 2), rows(2, 2) + np.array([60.0, 0.0])])
    made = layout_of(across, way="modules", module=np.repeat([0, 1], 4))
    got = volume.case_volume(made, group=np.repeat(np.arange(4), 2), rules=PLAIN)
    assert got.volume_mm3 == pytest.approx(got.volume_mm3[0] * np.array([1, 1, 2, 2]))
    # Closed form for the covers: two rectangles of 2 × 18.5 + 0.8 + 2 × 1.6 mm, 1 mm thick.
    bare = volume.case_volume(made, group=np.repeat(np.arange(4), 2), rules=replace(PLAIN, end_mm=1.5))
    assert got.volume_mm3[0] - bare.volume_mm3[0] == pytest.approx(2 * 1.0 * 41.0**2)


def test_blocks_that_touch_stand_in_an_open_frame() -> None:
    # Closed form: one block 12 × 30, play 0.15: the frame is a rectangle less a rectangle over its whole height.
    size = CellSize("block", length_mm=100.0, width_mm=12.0, thickness_mm=30.0)
    made = layout_of(np.zeros((1, 2)), way="modules", size=size)
    got = volume.case_volume(made, group=[0], rules=replace(PLAIN, cell_gap_mm=0.0))
    outer, inner = 15.2 * 33.2, 12.3 * 30.3
    assert got.volume_mm3[0] == pytest.approx((outer - inner) * 103.0 + outer * 2.0, rel=1e-9)


def test_rings_that_stand_apart_are_tied() -> None:
    across = np.array([[0.0, 0.0], [40.0, 0.0], [20.0, 70.0]])
    seats = volume.seats_of(layout_of(across), np.arange(3))
    corners, later = outline.ties(seats, RULES)
    assert later.tolist() == [1, 2]
    bars = shapely.union_all([shapely.Polygon(c.reshape(4, 2)) for c in corners])
    whole = outline.rings(seats, play_mm=RULES.ring_mm).union(bars)
    assert whole.geom_type == "Polygon"


def test_long_bodies_are_cut_between_groups() -> None:
    across, group = rows(20, 2), np.repeat(np.arange(10), 4)
    boxes = volume._boxes(volume.seats_of(layout_of(across), np.arange(40)), group)
    cut = outline.pieces(boxes, RULES)
    assert cut is not None
    assert cut.tolist() == [0] * 5 + [1] * 5
    for piece in np.unique(cut):
        own = boxes[cut == piece]
        assert own[:, 2].max() - own[:, 0].min() + 2 * 1.6 + RULES.lap_mm <= 220.0
    assert outline.pieces(boxes, replace(RULES, bed_mm=(60.0, 60.0, 90.0))) is not None
    assert outline.pieces(boxes, replace(RULES, bed_mm=(40.0, 60.0, 90.0))) is None
    got = volume.case_volume(layout_of(across), group=group, rules=replace(RULES, bed_mm=(40.0, 60.0, 90.0)))
    assert not got.printable.any()
    assert volume.case_volume(layout_of(across), group=group, rules=RULES).bodies[-1] == 2


def test_screws_are_counted_for_each_cover_of_each_piece() -> None:
    across, group = rows(20, 2), np.repeat(np.arange(10), 4)
    got = volume.case_volume(layout_of(across), group=group, rules=replace(RULES, lid="screws"))
    assert got.fasteners.tolist() == [8.0] * 5 + [16.0] * 5
    assert not volume.case_volume(layout_of(across), group=group, rules=RULES).fasteners.any()


def test_no_group_is_refused() -> None:
    with pytest.raises(ValueError, match="no group"):
        volume.case_volume(layout_of(np.zeros((1, 2))), group=[-1], rules=RULES)
