"""Conductors of small packs by hand: strips and bars as resistors between welds, joints between layers by their ways.

Grade: closed form. A weld is a disc of 3 mm, into which current spreads, so that a strip from weld to weld is not just
its length over its width: 10 % on resistance, 3 % on a cell's share.
"""

from dataclasses import replace

import numpy as np
import pytest
from shapely.geometry import LineString
from test_metal_fields import CELL_OHM, GAPS, SQUARE_OHM

from optimizer.fit.chain.groups import chain
from optimizer.fit.region.layout import CellSize, Layout
from optimizer.pack.conductors import joints as joints_module
from optimizer.pack.conductors.chained import chain_metal
from optimizer.pack.conductors.joints import Around
from optimizer.pack.conductors.making import Way
from optimizer.pack.conductors.solved import field_of, figures, shares

ROUND = CellSize("cylinder", 70.4, diameter_mm=21.3)
STUDS = CellSize("block", 100.0, width_mm=70.0, thickness_mm=27.0, same_end=True, spacing_mm=40.0, terminal_mm=12.0)
PITCH = 22.1


def stacked(columns, layers):
    """Rows of round cells along x, standing on each other."""
    places = np.array([(k * PITCH, 20.0, 50.0 + 75.4 * level) for level in range(layers) for k in range(columns)])
    level = np.repeat(np.arange(layers), columns)
    extents = np.tile([21.3, 21.3, 70.4], (len(places), 1))
    return Layout("deck", ROUND, "tray", "square", 2, places, extents, level, np.zeros_like(level), "row")


def metal_of(layout, parallel, way):
    links = chain(layout, parallel=parallel, cell_gap_mm=GAPS.cell_gap_mm, seconds=0.05)
    return chain_metal(layout, links, way, gaps=GAPS)


def test_a_row_of_four_with_one_tap():
    """Two segments to either side of the tap: a quarter of the current over a pitch, a half over half a pitch."""
    made = metal_of(stacked(4, 1), 4, Way("strip", 8.0, 1))
    site, metal = next((s, m) for s, m in zip(made.sites, made.metals, strict=True) if s.kind == "exit")
    want = 2 * (0.25**2 * PITCH / 8.0 + 0.5**2 * PITCH / 2 / 8.0)
    assert figures(metal, site.positive).squares == pytest.approx(want, rel=0.10)
    # An outer cell has a segment more than an inner one, which the tap joins alike: i (r + R) = (1/2 - i) r.
    segment = PITCH / 8.0 * SQUARE_OHM
    outer = 0.5 * CELL_OHM / (2 * CELL_OHM + segment)
    got = shares(field_of(metal).impedance * SQUARE_OHM, site.positive, 1, cell_ohm=CELL_OHM)[:4]
    assert got.max() == pytest.approx(0.5 - outer, rel=0.03) and got.min() == pytest.approx(outer, rel=0.03)


def test_the_lead_beside_a_cell_alone_draws_all_current_through_the_sheet_between():
    """By Kirchhoff: 1 A crosses the sheet half way from the weld to the lead, over the width that it has there."""
    made = metal_of(stacked(3, 1), 1, Way("sheet", 0.0, 1))
    ends = [(s, m) for s, m in zip(made.sites, made.metals, strict=True) if s.kind != "series"]
    assert ends
    for site, metal in ends:
        weld, lead = metal.weld_mm[0], metal.tap_mm[0]
        square, middle = np.array([[0.0, -1.0], [1.0, 0.0]]) @ (lead - weld) * 20.0, (weld + lead) / 2
        (sheet,) = metal.pieces
        cut = sheet.shape.intersection(LineString([middle - square, middle + square]))
        assert figures(metal, site.positive).dense_per_mm == pytest.approx(1.0 / cut.length / sheet.layers, rel=0.05)


def test_bars_over_the_studs_of_iron_phosphate_blocks():
    """Four blocks of 27 mm in series, bars of 14 mm from stud to stud: as long as a block is thick, with its gap."""
    pitch = 27.8
    places = np.array([(40.0, 20.0 + k * pitch, 60.0) for k in range(4)])
    extents, none = np.tile([70.0, 27.0, 100.0], (4, 1)), np.zeros(4, dtype=np.int64)
    layout = Layout("deck", STUDS, "tray", "blocks", 2, places, extents, none, none, "stack")
    made = metal_of(layout, 1, Way("busbar", 14.0, 1))
    bars = [(s, m) for s, m in zip(made.sites, made.metals, strict=True) if s.kind == "series"]
    assert not made.faults_at(4) and len(bars) == 3
    for site, metal in bars:
        apart = float(np.hypot(*(metal.weld_mm[1] - metal.weld_mm[0])))
        assert apart == pytest.approx(pitch)
        # Source and sink of radius a in the middle of an endless strip of width w: ln(w / 2πa) / π squares more.
        want = pitch / 14.0 + np.log(14.0 / (2.0 * np.pi * 1.5)) / np.pi
        assert figures(metal, site.positive).squares == pytest.approx(want, rel=0.03)


def test_a_stack_of_three_layers_is_joined_by_two_folds_round_the_edge():
    """Two cells a layer, two in parallel: each joint goes out from its lead, along what lies between, and back."""
    made = metal_of(stacked(2, 3), 2, Way("strip", 8.0, 1))
    assert len(made.joints) == 2
    for joint in made.joints:
        one, two = joint.exit, joint.entry
        assert {one.layer, two.layer} in ({0, 1}, {1, 2}) and abs(one.layer - two.layer) == 1
        # Nearest edges lie across the row, 0.3 mm beside the cells; leads lie in the middle of the row.
        out = 21.3 / 2 + 0.3
        # Exit and entry are on the same side of both layers, or between, as the cells are turned.
        heights = [50.0 + 75.4 * site.layer + site.side * (35.2 + 1.1) for site in (one, two)]
        assert joint.length_mm == pytest.approx(2 * out + abs(heights[1] - heights[0]), abs=0.15)
        assert joint.folds == 2


def test_a_joint_between_layers_is_one_piece_with_its_folds_where_its_width_covers_both_leads():
    """Leads are 4 mm apart along the row, since negative ends are welded off their centre: 10 mm cover both, 8 do not.

    Folded flat: 3 mm of overhang, out to the side, fold, along what lies between, fold, back and 3 mm more.
    """
    (stubbed,) = metal_of(stacked(3, 2), 3, Way("strip", 8.0, 1)).joints
    (joint,) = metal_of(stacked(3, 2), 3, Way("strip", 10.0, 1)).joints
    # 0.4 of the radius, at least 3 mm: where negative ends are welded.
    assert abs(joint.ends_mm[0][0] - joint.ends_mm[1][0]) == pytest.approx(0.4 * 21.3 / 2)
    assert len(stubbed.lengths_mm) == 2
    assert len(joint.lengths_mm) == len(joint.outlines_mm) == 1
    along = joint.round_[0]
    out = [abs(joint.slot_mm[along] - end[along]) for end in joint.ends_mm]
    step = abs(joint.ends_mm[0][2] - joint.ends_mm[1][2])
    assert joint.folds_mm == pytest.approx((3.0 + out[0], 3.0 + out[0] + step))
    assert joint.lengths_mm[0] == pytest.approx(np.ceil((6.0 + sum(out) + step) * 2) / 2)
    for end in joint.ends_mm:
        low, high = joint.outlines_mm[0].min(axis=0), joint.outlines_mm[0].max(axis=0)
        # Discs of 3 mm lie wholly on the joint's metal.
        assert np.all(end[:2] - 1.5 >= low[:2]) and np.all(end[:2] + 1.5 <= high[:2])


def test_joints_between_faces_that_look_at_each_other_go_round_one_edge():
    """Layers that lie open while both ends are joined close like a book, which has one back (common practice)."""
    made = metal_of(stacked(2, 2), 2, Way("strip", 8.0, 1))
    (joint,) = made.joints
    facing = joint.exit.layer + joint.exit.side * 0.5 == joint.entry.layer + joint.entry.side * 0.5
    assert bool(joint.inside) == facing
    layout, around = stacked(2, 2), Around(np.array([0, 0, 1, 1]), 2.0)
    low, high = (replace(joint.exit, layer=k, side=1 - 2 * k) for k in (0, 1))
    between = replace(joint, exit=low, entry=replace(high, first=2))
    assert between.inside == frozenset((0, 1))
    turned = replace(between, round_=(between.round_[0], -between.round_[1]))
    laid, other = ((one, joints_module.bodies(one, layout)) for one in (between, turned))
    told = [fault.text for fault in joints_module._faults(layout, laid, [other], around)]
    assert any("close round one edge alone" in text for text in told)
    told = [fault.text for fault in joints_module._faults(layout, laid, [laid], around)]
    assert not any("close round one edge alone" in text for text in told)
