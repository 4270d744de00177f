"""Modules: whole groups, equal cases, every distance measured, and nothing worse offered beside better."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.fit.placement.cases import case_size, inner_centres, module_kinds
from optimizer.fit.placement.modules import kind_of, module_boxes, module_layouts
from optimizer.fit.placement.proof import prove
from optimizer.fit.region.compartment import Compartment, box, keep_out_box
from optimizer.fit.region.layout import CellSize, Clearance, Layout

CLOSE = 1e-6
ROUND = CellSize("cylinder", length_mm=65.2, diameter_mm=18.6)
BLOCK = CellSize("block", length_mm=70.0, width_mm=38.0, thickness_mm=18.0)
GAPS = Clearance(wall_mm=1.0, case_mm=1.6, cell_gap_mm=0.8, end_mm=2.5, module_gap_mm=0.5)
DECK = Compartment("deck", ((0, 0), (420, 0), (408, 78), (12, 78)), 1, 118.0)
KEEP_OUT = keep_out_box("controller", origin_mm=(100, 0, 50), length_mm=60, width_mm=118, height_mm=28)
STEM = box("stem", length_mm=310.0, width_mm=62.0, height_mm=62.0)


def assert_cases_apart(layout: Layout, clearance: Clearance) -> None:
    """Cases keep the module gap along one axis at least, and all are equal."""
    corner, extent = module_boxes(layout, clearance)
    assert len(np.unique(np.sort(extent, axis=1).round(6), axis=0)) == 1
    first, second = np.triu_indices(len(corner), 1)
    gap = np.maximum(corner[first] - (corner + extent)[second], corner[second] - (corner + extent)[first])
    assert np.all(gap.max(axis=1, initial=-np.inf) >= clearance.module_gap_mm - CLOSE)


def assert_cells_apart(layout: Layout, clearance: Clearance) -> None:
    """Cells of one case keep the cell gap, round cells between their axes."""
    for module in np.unique(layout.module):
        own = layout.module == module
        first, second = np.triu_indices(int(own.sum()), 1)
        centres, extents = layout.centres_mm[own], layout.extents_mm[own]
        apart = np.abs(centres[first] - centres[second])
        free = apart - (extents[first] + extents[second]) / 2
        along = free[:, layout.axis] >= 2 * clearance.end_mm - CLOSE
        cross = [axis for axis in range(3) if axis != layout.axis]
        if layout.size.shape == "cylinder":
            across = np.hypot(*apart[:, cross].T) - layout.size.diameter_mm >= clearance.cell_gap_mm - CLOSE
        else:
            across = free[:, cross].max(axis=1) >= clearance.cell_gap_mm - CLOSE
        assert np.all(along | across)


def assert_sound(layout: Layout, compartment: Compartment, clearance: Clearance, parallel: int) -> None:
    """Distances, whole groups, and the kind recovered from the cells."""
    proof = prove(layout, compartment, clearance)
    assert proof.ok, proof.faults
    assert_cases_apart(layout, clearance)
    assert_cells_apart(layout, clearance)
    kind = kind_of(layout, clearance, parallel=parallel)
    assert np.all(np.bincount(layout.module) == kind.groups * parallel)
    assert kind.text() in layout.name
    assert layout.way == "modules"


def test_outer_box_by_hand() -> None:
    # closed form: 2 × 4 cells square
    size = case_size(ROUND, GAPS, rows=2, columns=4, layers=1, staggered=False, turned=False)
    assert size == pytest.approx((65.2 + 5, 4 * 18.6 + 3 * 0.8 + 3.2, 2 * 18.6 + 0.8 + 3.2))
    # closed form: staggered rows of 3 and 3, pitch 19.4, two layers
    size = case_size(ROUND, GAPS, rows=2, columns=3, layers=2, staggered=True, turned=False)
    assert size == pytest.approx((2 * 70.2, 2.5 * 19.4 + 18.6 + 3.2, 19.4 * np.sqrt(3) / 2 + 18.6 + 3.2))


@pytest.mark.parametrize("size", [ROUND, BLOCK])
def test_cells_fill_the_outer_box_exactly(size: CellSize) -> None:
    for kind in module_kinds(size, GAPS, groups=4, parallel=3):
        centres = inner_centres(kind, size, GAPS)
        assert len(centres) == kind.cells == 12
        middle = (centres.min(axis=0) + centres.max(axis=0)) / 2
        np.testing.assert_allclose(middle, np.array([kind.length_mm, kind.width_mm, kind.thickness_mm]) / 2)


def test_stripes_come_first_and_no_group_lies_in_two_layers() -> None:
    kinds = module_kinds(ROUND, GAPS, groups=4, parallel=3)
    assert kinds[0].boundary_pairs == 3
    assert {kind.layers for kind in kinds} == {1, 2}
    assert {kind.layers for kind in module_kinds(ROUND, GAPS, groups=3, parallel=4)} == {1}


def test_a_box_made_for_six_cases_of_eight_holds_six() -> None:
    # closed form: 3 × 2 cases of 4 groups of 2, 2 × 4 square, with gaps and walls
    length, width, thickness = case_size(
        ROUND, GAPS, rows=2, columns=4, layers=1, staggered=False, turned=False
    )
    room = box(
        "room", length_mm=3 * width + 2 * 0.5 + 2, width_mm=2 * thickness + 0.5 + 2, height_mm=length + 2
    )
    found = module_layouts(room, ROUND, GAPS, parallel=2, groups_per_module=(4,))
    assert found[0].cells == 6 * 8
    assert_sound(found[0], room, GAPS, 2)
    tight = replace(room, depth_mm=room.depth_mm - 0.001)
    assert all(
        layout.cells < 6 * 8
        for layout in module_layouts(tight, ROUND, GAPS, parallel=2, groups_per_module=(4,))
    )


@pytest.mark.parametrize("turns", [(0, 1, 2), (0, 2, 1), (1, 0, 2), (1, 2, 0), (2, 0, 1), (2, 1, 0)])
def test_all_six_orientations(turns: tuple[int, int, int]) -> None:
    case = case_size(ROUND, GAPS, rows=2, columns=3, layers=1, staggered=True, turned=False)
    sides = np.array(case)[list(turns)] + 2 * GAPS.wall_mm
    room = box("room", length_mm=sides[0], width_mm=sides[1], height_mm=sides[2])
    found = module_layouts(room, ROUND, GAPS, parallel=2, groups_per_module=(3,))
    assert [layout.cells for layout in found] == [6]
    assert found[0].axis == turns.index(0)


def test_cases_of_a_layer_lie_both_ways() -> None:
    # 5 × 3 cases in 22 × 16: 23, see tests/outside/test_pallet_optima.py; one block cell without gaps a case
    none = Clearance(0.0, 0.0, 0.0, 0.0, 0.0)
    size = CellSize("block", length_mm=10.0, width_mm=5.0, thickness_mm=3.0)
    room = box("room", length_mm=22.0, width_mm=16.0, height_mm=10.0)
    found = module_layouts(room, size, none, parallel=1, groups_per_module=(1,), axes=(2,))
    assert found[0].cells == 23
    assert_sound(found[0], room, none, 1)


@pytest.mark.slow
@pytest.mark.parametrize("size", [ROUND, BLOCK])
@pytest.mark.parametrize("compartment", [STEM, DECK, replace(DECK, keep_outs=(KEEP_OUT,))])
def test_every_layout_offered_is_sound_and_none_beats_another(
    compartment: Compartment, size: CellSize
) -> None:
    found = module_layouts(compartment, size, GAPS, parallel=2, groups_per_module=(2, 3, 4, 5, 6))
    assert 1 <= len(found) <= 12
    marks = []
    for layout in found:
        assert_sound(layout, compartment, GAPS, 2)
        kind = kind_of(layout, GAPS, parallel=2)
        marks.append((layout.cells // 2, kind.groups, kind.boundary_pairs))
    for k, mark in enumerate(marks):
        assert not any(np.all(np.array(other) >= mark) for j, other in enumerate(marks) if j != k)


def test_free_choice_holds_at_least_as_much_as_any_fixed_one() -> None:
    most = module_layouts(STEM, ROUND, GAPS, parallel=2)[0].cells
    for groups in (1, 2, 3, 4):
        fixed = module_layouts(STEM, ROUND, GAPS, parallel=2, groups_per_module=(groups,))
        assert all(layout.cells <= most for layout in fixed)


def test_the_same_question_gets_the_same_answer() -> None:
    first, second = (
        module_layouts(DECK, ROUND, GAPS, parallel=4, groups_per_module=(2, 3)) for _ in range(2)
    )
    assert [layout.name for layout in first] == [layout.name for layout in second]
    for one, other in zip(first, second, strict=True):
        np.testing.assert_array_equal(one.centres_mm, other.centres_mm)


@pytest.mark.slow
@given(
    length=st.floats(60, 300), width=st.floats(60, 160), height=st.floats(40, 120), taper=st.floats(0, 20),
    extrude=st.integers(0, 2), parallel=st.integers(1, 4), groups=st.integers(1, 4), blocks=st.booleans(),
)  # fmt: skip
@settings(max_examples=25, deadline=None)
def test_random_compartments_get_sound_layouts(
    length: float,
    width: float,
    height: float,
    taper: float,
    extrude: int,
    parallel: int,
    groups: int,
    blocks: bool,
) -> None:
    profile = ((0.0, 0.0), (length, 0.0), (length - taper, height), (taper / 2, height))
    room = Compartment("room", profile, extrude, width, (keep_out_box(
        "k", origin_mm=(10, 10, 0), length_mm=20, width_mm=15, height_mm=30),))  # fmt: skip
    for layout in module_layouts(
        room, BLOCK if blocks else ROUND, GAPS, parallel=parallel, groups_per_module=(groups,), seconds=2.0
    ):
        assert_sound(layout, room, GAPS, parallel)


def test_nothing_fits_is_an_empty_list() -> None:
    assert module_layouts(STEM, ROUND, GAPS, parallel=200, groups_per_module=(3,)) == []


def test_misuse_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 1"):
        module_layouts(STEM, ROUND, GAPS, parallel=0)
    with pytest.raises(ValueError, match="at least 1"):
        module_kinds(ROUND, GAPS, groups=0, parallel=1)
    layout = module_layouts(STEM, ROUND, GAPS, parallel=2, groups_per_module=(2,))[0]
    with pytest.raises(ValueError, match="whole groups of 3"):
        kind_of(layout, GAPS, parallel=3)
