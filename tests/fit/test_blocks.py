"""Prismatic and pouch cells in compartments: counts by hand, and every gap measured."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import Polygon
from shapely.geometry import box as rectangle

from optimizer.fit.placement.blocks import block_layouts
from optimizer.fit.placement.place import place
from optimizer.fit.placement.proof import prove
from optimizer.fit.region.compartment import Compartment, box, keep_out_box
from optimizer.fit.region.layout import CellSize, Clearance, Layout

CLOSE = 1e-6
CELL = CellSize("block", length_mm=70.0, width_mm=38.0, thickness_mm=18.0)
GAPS = Clearance(wall_mm=1.0, case_mm=1.6, cell_gap_mm=0.8, end_mm=2.5)
NONE = Clearance(0.0, 0.0, 0.0, 0.0, 0.0)
DECK = Compartment("deck", ((0, 0), (420, 0), (408, 78), (12, 78)), 1, 118.0)
KEEP_OUT = keep_out_box("controller", origin_mm=(100, 0, 50), length_mm=60, width_mm=118, height_mm=28)


def least_separation(layout: Layout) -> np.ndarray:
    """For each pair of cells, its gap along each axis less the gap required there: (pairs, 3)."""
    need = np.full(3, GAPS.cell_gap_mm)
    need[layout.axis] = 2 * GAPS.end_mm
    first, second = np.triu_indices(layout.cells, 1)
    apart = np.abs(layout.centres_mm[first] - layout.centres_mm[second])
    return apart - (layout.extents_mm[first] + layout.extents_mm[second]) / 2 - need


def assert_sound(layout: Layout, compartment: Compartment) -> None:
    """Cells of the right size, apart, inside the prism and clear of the keep-outs."""
    assert prove(layout, compartment, GAPS).ok
    if layout.cells > 1:
        assert np.all(least_separation(layout).max(axis=1) >= -CLOSE)
    sizes = [layout.size.length_mm, layout.size.width_mm, layout.size.thickness_mm]
    np.testing.assert_allclose(np.sort(layout.extents_mm, axis=1), [sorted(sizes)] * layout.cells)
    np.testing.assert_allclose(layout.extents_mm[:, layout.axis], layout.size.length_mm)
    margin = np.full(3, GAPS.wall_mm + GAPS.case_mm)
    margin[layout.axis] = GAPS.wall_mm + GAPS.end_mm
    low = layout.centres_mm - layout.extents_mm / 2 - margin
    high = layout.centres_mm + layout.extents_mm / 2 + margin
    cross = [axis for axis in range(3) if axis != compartment.extrude]
    profile = Polygon(compartment.profile_mm).buffer(2 * CLOSE, join_style="mitre")
    for lowest, highest in zip(low, high, strict=True):
        assert profile.contains(rectangle(*lowest[cross], *highest[cross]))
        assert lowest[compartment.extrude] >= -CLOSE
        assert highest[compartment.extrude] <= compartment.depth_mm + CLOSE
    for solid in compartment.keep_outs:
        near = np.array(solid.origin_mm)
        far = near + np.array([*np.ptp(np.array(solid.profile_mm), axis=0), solid.depth_mm])
        assert np.all(np.any((high <= near + CLOSE) | (low >= far - CLOSE), axis=1))


def test_a_box_that_fits_exactly_holds_its_grid() -> None:
    # closed form: 2 layers of 3 × 4 along z, with all gaps
    room = box(
        "room",
        length_mm=3 * 38 + 2 * 0.8 + 2 * 2.6,
        width_mm=4 * 18 + 3 * 0.8 + 2 * 2.6,
        height_mm=2 * 70 + 2 * 2.5 + 2 * 3.5,
    )
    layouts = block_layouts(replace(room, axes=(2,)), CELL, GAPS)
    assert layouts[0].cells == 24
    assert set(layouts[0].layer) == {0, 1}
    assert layouts[0].axis == 2
    assert_sound(layouts[0], room)
    tight = replace(room, depth_mm=room.depth_mm - 0.001)
    assert block_layouts(replace(tight, axes=(2,)), CELL, GAPS)[0].cells == 12


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_all_axes_and_both_turns_are_tried(axis: int) -> None:
    for width, thickness in [(38.0, 18.0), (18.0, 38.0)]:
        sides = [width, thickness]
        sides.insert(axis, 70.0)
        room = box("room", length_mm=sides[0], width_mm=sides[1], height_mm=sides[2])
        found = block_layouts(room, CELL, NONE)
        assert [(layout.cells, layout.axis) for layout in found] == [(1, axis)]
        others = tuple(k for k in range(3) if k != axis)
        assert place(replace(room, axes=others), CELL, NONE, cache=False) == []
        assert [layout.axis for layout in place(replace(room, axes=(axis,)), CELL, NONE, cache=False)] == [axis]


def test_layers_gain_from_turned_cells() -> None:
    # 5 × 3 in 22 × 16 holds 23 (area bound 23.5), a plain grid 20 or 21
    room = box("room", length_mm=22.0, width_mm=16.0, height_mm=10.0)
    size = CellSize("block", length_mm=10.0, width_mm=5.0, thickness_mm=3.0)
    found = block_layouts(replace(room, axes=(2,)), size, NONE)
    assert [layout.cells for layout in found] == [23, 21]
    assert "turned" in found[0].name
    assert "turned" not in found[1].name


@pytest.mark.parametrize("compartment", [DECK, replace(DECK, keep_outs=(KEEP_OUT,))])
def test_tapered_deck_with_and_without_keep_out(compartment: Compartment) -> None:
    found = block_layouts(compartment, CELL, GAPS)
    assert {layout.axis for layout in found} == {0, 1, 2}
    for layout in found:
        assert_sound(layout, compartment)


def test_keep_outs_cost_cells_only_where_they_are() -> None:
    free = block_layouts(replace(DECK, axes=(2,)), CELL, GAPS)[0].cells
    less = block_layouts(replace(DECK, keep_outs=(KEEP_OUT,), axes=(2,)), CELL, GAPS)[0].cells
    # closed form: the keep-out takes 60 mm of 420, columns of 18.8 mm: at most 5 of 6 × 10 lost per row of 3
    assert free > less >= free - 5 * 3


@pytest.mark.slow
@given(
    length=st.floats(60, 260), width=st.floats(40, 150), height=st.floats(40, 150), taper=st.floats(0, 20),
    extrude=st.integers(0, 2), side=st.floats(8, 60), thin=st.floats(8, 30), long=st.floats(20, 100),
)  # fmt: skip
@settings(max_examples=40, deadline=None)
def test_random_compartments_get_sound_layouts(
    length: float,
    width: float,
    height: float,
    taper: float,
    extrude: int,
    side: float,
    thin: float,
    long: float,
) -> None:
    profile = ((0.0, 0.0), (length, 0.0), (length - taper, height), (taper / 2, height))
    block = keep_out_box("k", origin_mm=(10, 10, 0), length_mm=20, width_mm=15, height_mm=30)
    room = Compartment("room", profile, extrude, width, (block,))
    size = CellSize("block", length_mm=long, width_mm=side, thickness_mm=thin)
    for layout in block_layouts(room, size, GAPS):
        assert_sound(layout, room)


def test_nothing_fits_is_an_empty_list() -> None:
    assert block_layouts(box("b", length_mm=50, width_mm=30, height_mm=20), CELL, GAPS) == []


def test_misuse_is_refused() -> None:
    with pytest.raises(ValueError, match="shape block"):
        block_layouts(DECK, CellSize("cylinder", length_mm=65, diameter_mm=18), GAPS)
