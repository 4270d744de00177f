"""The proof catches every kind of cheat, and passes what is exactly tight."""

from dataclasses import replace

import numpy as np
import pytest

from optimizer.fit.placement.proof import prove
from optimizer.fit.region.compartment import Compartment, KeepOut, box, keep_out_box
from optimizer.fit.region.layout import CellSize, Clearance, Layout

GAPS = Clearance(wall_mm=1.0, case_mm=1.5, cell_gap_mm=0.8, end_mm=2.5, module_gap_mm=0.5)
CELL = CellSize("cylinder", length_mm=65.0, diameter_mm=18.0)
BLOCK = CellSize("block", length_mm=100.0, width_mm=50.0, thickness_mm=10.0)
ROOM = box("room", length_mm=200, width_mm=100, height_mm=150)
PITCH = 18.8


def layout(centres, *, axis=2, size=CELL, extents=None, module=None):
    centres = np.atleast_2d(np.asarray(centres, dtype=float))
    n = len(centres)
    if extents is None:
        extents = np.full(3, size.diameter_mm)
        extents[axis] = size.length_mm
    extents = np.tile(extents, (n, 1)).astype(float)
    modules = np.zeros(n, dtype=np.int64) if module is None else np.asarray(module)
    return Layout("room", size, "tray", "square", axis, centres, extents, np.zeros(n, np.int64), modules, "x")


def verdict(centres, room=ROOM, **how):
    return prove(layout(centres, **how), room, GAPS)


def test_exactly_tight_passes_and_reports_the_gaps():
    proof = verdict([(11.5, 11.5, 36.0), (11.5 + PITCH, 11.5, 36.0), (11.5, 11.5, 36.0 + 70.0)])
    assert proof.ok
    assert proof.faults == ()
    assert proof.least_gap_cell_mm == pytest.approx(0.8, abs=1e-9)
    assert proof.least_gap_wall_mm == pytest.approx(2.5, abs=1e-9)
    assert proof.least_gap_keep_out_mm == np.inf


HAIR = 2e-6


@pytest.mark.parametrize(
    "centres",
    [
        [(11.5, 50, 50), (11.5 + PITCH - HAIR, 50, 50)],  # neighbours across the axis
        [(50, 50, 36.0), (50, 50, 106.0 - HAIR)],  # layers
        [(50, 50, 36.0), (55, 50, 100)],  # layers that overlap a little, shifted
        [(50, 50, 50), (50, 50, 50)],  # the same cell twice
        [(11.5 - HAIR, 50, 50)],  # side wall
        [(200 - 11.5 + HAIR, 50, 50)],
        [(50, 11.5 - HAIR, 50)],
        [(50, 50, 36.0 - HAIR)],  # floor and lid
        [(50, 50, 150 - 36.0 + HAIR)],
        [(500, 50, 50)],  # far outside
    ],
)
def test_a_hair_too_close_is_caught(centres):
    proof = verdict(centres)
    assert not proof.ok
    assert proof.faults


def test_cells_of_the_wrong_size_are_caught():
    small = layout([(50, 50, 50)], extents=(17.0, 18.0, 65.0))
    assert not prove(small, ROOM, GAPS).ok
    lost = replace(layout([(50, 50, 50)]), centres_mm=np.array([[50, np.nan, 50]]))
    assert "not a number" in prove(lost, ROOM, GAPS).faults[0]
    short = replace(layout([(50, 50, 50), (90, 50, 50)]), layer=np.zeros(1, np.int64))
    assert not prove(short, ROOM, GAPS).ok


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_every_axis_is_measured_alike(axis):
    room = box("r", length_mm=100, width_mm=100, height_mm=100)
    other = (axis + 1) % 3
    one, two = np.full(3, 50.0), np.full(3, 50.0)
    one[other], two[other] = 30.0, 30.0 + PITCH
    assert prove(layout([one, two], axis=axis), room, GAPS).ok
    two[other] -= 1e-5
    assert not prove(layout([one, two], axis=axis), room, GAPS).ok


def test_a_lying_cell_in_a_wedge_is_checked_over_its_whole_length():
    wedge = Compartment("w", ((0, 0), (200, 0), (170, 60), (30, 60)), 1, 80.0)  # wall u = v/2
    top = 11.5 + 11.5  # highest point of cell and case, at its low end
    start = top / 2
    fits = layout([(start + 3.5 + 32.5, 40.0, 11.5)], axis=0)
    assert prove(fits, wedge, GAPS).ok
    assert not prove(layout([(start + 3.5 + 32.5 - 1e-4, 40.0, 11.5)], axis=0), wedge, GAPS).ok


def test_a_standing_cell_keeps_its_distance_to_a_slanted_wall():
    wedge = Compartment("w", ((0, 0), (200, 0), (170, 60), (30, 60)), 1, 80.0)
    normal = np.array([2.0, -1.0]) / np.sqrt(5)
    at = np.array([15.0, 30.0]) + 11.5 * normal
    proof = prove(layout([(at[0], 40.0, at[1])], axis=1), wedge, GAPS)
    assert proof.ok
    assert proof.least_gap_wall_mm == pytest.approx(2.5, abs=1e-9)
    near = at - 1e-5 * normal
    assert not prove(layout([(near[0], 40.0, near[1])], axis=1), wedge, GAPS).ok


@pytest.mark.parametrize("axis", [0, 1, 2])
@pytest.mark.parametrize("extrude", [0, 1, 2])
def test_keep_outs_of_any_extrusion_are_kept_clear(axis, extrude):
    block = KeepOut("k", ((0, 0), (20, 0), (20, 20), (0, 20)), extrude, 20.0, (90.0, 90.0, 90.0))
    room = box("r", length_mm=200, width_mm=200, height_mm=200, keep_outs=(block,))
    beside, above = np.full(3, 100.0), np.full(3, 100.0)
    beside[(axis + 1) % 3] = 90.0 - 11.5
    above[axis] = 90.0 - 3.5 - 32.5
    proof = prove(layout([beside], axis=axis), room, GAPS)
    assert proof.ok
    assert proof.least_gap_keep_out_mm == pytest.approx(2.5, abs=1e-9)
    assert prove(layout([above], axis=axis), room, GAPS).ok
    beside[(axis + 1) % 3] += 1e-5
    above[axis] += 1e-5
    for spot in (beside, above):
        proof = prove(layout([spot], axis=axis), room, GAPS)
        assert not proof.ok
        assert "keep-out k" in proof.faults[0]


def test_a_round_cell_may_stand_at_the_corner_of_a_keep_out():
    room = box(
        "r",
        length_mm=100,
        width_mm=100,
        height_mm=100,
        keep_outs=(keep_out_box("k", origin_mm=(0, 0, 0), length_mm=50, width_mm=50, height_mm=100),),
    )
    step = 11.5 / np.sqrt(2)
    assert prove(layout([(50 + step, 50 + step, 50)]), room, GAPS).ok
    assert not prove(layout([(50 + step - 1e-5, 50 + step, 50)]), room, GAPS).ok


def test_modules_keep_both_cases_and_the_gap_between():
    pair = [(20, 50, 50), (20 + 18 + 2 * 1.5 + 0.5, 50, 50)]
    assert verdict(pair, module=[0, 1]).ok
    pair[1] = (pair[1][0] - 1e-5, 50, 50)
    assert not verdict(pair, module=[0, 1]).ok
    assert verdict(pair, module=[0, 0]).ok
    diagonal = [(20, 30, 50), (20 + 15.0, 30 + 15.0, 50)]  # round cells clear, square cases not
    assert verdict(diagonal, module=[0, 0]).ok
    assert not verdict(diagonal, module=[0, 1]).ok


def test_blocks_are_measured_as_boxes():
    extents = (50.0, 10.0, 100.0)
    pair = [(40, 20, 60), (40, 20 + 10.8, 60)]
    proof = verdict(pair, size=BLOCK, extents=extents)
    assert proof.ok
    assert proof.least_gap_cell_mm == pytest.approx(0.8, abs=1e-9)
    pair[1] = (40, 20 + 10.8 - 1e-5, 60)
    assert not verdict(pair, size=BLOCK, extents=extents).ok
    assert not verdict([(27.5 - 1e-5, 20, 60)], size=BLOCK, extents=extents).ok
    assert verdict([(27.5, 20, 53.5)], size=BLOCK, extents=extents).ok
    assert not verdict([(27.5, 20, 53.5 - 1e-5)], size=BLOCK, extents=extents).ok


def test_nothing_placed_breaks_no_rule():
    empty = layout(np.zeros((0, 3)))
    assert prove(empty, ROOM, GAPS).ok
