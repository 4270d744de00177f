"""Blocks with both terminals on one end: where they are, what joins them, and what a catalog may say of them.

Grade: hand cases, drawn on paper; second implementation (second_check.py) of what is laid.
"""

import numpy as np
import pytest
from second_check import faults
from test_laid_anywhere import claim

from optimizer.base.problems import BadInput
from optimizer.catalog import builtin_catalogs, read_cells
from optimizer.fit.chain.groups import chain
from optimizer.fit.placement.place import place
from optimizer.fit.region.compartment import box
from optimizer.fit.region.geometry import cell_size
from optimizer.fit.region.layout import CellSize, Clearance
from optimizer.pack.conductors.chained import chain_metal
from optimizer.pack.conductors.making import Way

GAPS = Clearance()
# A block of 96 × 65 × 27 mm with studs 35.75 mm apart, 16.2 mm across.
BLOCK = CellSize(
    "block", 96.0, width_mm=65.0, thickness_mm=27.0, same_end=True, spacing_mm=35.75, terminal_mm=16.2, vent_mm=13.5
)
# Pouches with tabs on one end, and on both.
POUCH = CellSize("block", 110.0, width_mm=42.0, thickness_mm=7.5, same_end=True, spacing_mm=23.1, terminal_mm=6.75)
LONG_POUCH = CellSize("block", 110.0, width_mm=42.0, thickness_mm=7.5)
STOCKS = {"bar": Way("busbar", 10.0, 1), "strip": Way("strip", 10.0, 1), "sheet": Way("sheet", 0.0, 1),
          "narrow strip": Way("strip", 5.0, 1)}  # fmt: skip


def laid(rows, parallel, way, size=BLOCK):
    """A row of eight blocks, wide sides facing, or two beside each other, and their conductors."""
    sides = {
        "length_mm": 8 * (size.thickness_mm + 0.8) + 8, "width_mm": rows * (size.width_mm + 0.8) + 8,
        "height_mm": size.length_mm + 8,
    }  # fmt: skip
    room = box("room", **sides, axes=(2,))
    layout = place(room, size, GAPS, placements=("square",), seconds=0.1, cache=False)[0]
    links = chain(layout, parallel=parallel, cell_gap_mm=GAPS.cell_gap_mm, seconds=0.1)
    item = {"name": "room", "shape": "box", **sides}
    return room, item, layout, links, chain_metal(layout, links, STOCKS[way], gaps=GAPS, room=room)


@pytest.mark.parametrize(("size", "way"), [(POUCH, "sheet"), (LONG_POUCH, "sheet"), (LONG_POUCH, "narrow strip")])
def test_a_pouch_alone_has_its_lead_beside_its_tab_along_the_width(size, way):
    """Its thickness of 7.5 mm has no room for a weld and a lead beside each other; its width has."""
    room, item, layout, links, made = laid(1, 1, way, size)
    assert links.groups == 8 and made.faults_at(8) == []
    assert faults(claim(room, item, GAPS, layout, links, made, 1, 0.3, 8)) == []
    ends = [m for m, s in zip(made.metals, made.sites, strict=True) if s.first <= 8 <= s.last and s.end]
    assert len(ends) == 2
    for end in ends:
        apart = end.tap_mm[0] - end.weld_mm[0]
        assert abs(apart[0]) < 1e-6 and 4.0 < abs(apart[1]) <= 8.0


@pytest.mark.parametrize("way", ["bar", "strip", "sheet"])
@pytest.mark.parametrize(("rows", "parallel"), [(1, 1), (1, 2), (1, 4), (2, 1), (2, 2), (2, 4)])
def test_every_group_of_a_stud_pack_is_joined_on_one_face(rows, parallel, way):
    room, item, layout, links, made = laid(rows, parallel, way)
    assert links.groups == 8 * rows // parallel
    assert made.faults_at(links.groups) == []
    record = claim(room, item, GAPS, layout, links, made, 1, 0.3, links.groups)
    assert faults(record) == []
    assert {one["face"] for one in record["conductors"]} == {"+z"}
    for group in range(links.groups):
        # The cells of a group stand in one line, turned the same way.
        cells = np.flatnonzero(links.group == group)
        assert np.ptp(layout.centres_mm[cells, 1]) < 1e-6
        assert len(set(links.polarity[cells].tolist())) == 1


def test_bars_go_straight_over_all_terminals_in_a_line():
    """Four blocks in a row, two groups of two: one bar over four studs, 3 pitches of 27.8 mm and both overhangs."""
    *_, made = laid(1, 2, "bar")
    bars = [m for m, s in zip(made.metals, made.sites, strict=True) if s.kind == "series" and len(s.cells) == 4]
    assert bars and all(len(metal.pieces) == 1 for metal in bars)
    assert bars[0].pieces[0].length_mm == pytest.approx(3 * 27.8 + 6.0, abs=0.5)


def test_a_bar_over_a_terminal_of_the_other_pole_is_refused():
    *_, layout, links, _ = laid(1, 1, "bar")
    wrong = type(links)(
        links.group, links.groups, 1, links.boundary_pairs, np.abs(links.polarity), links.links, links.method
    )
    assert len(chain_metal(layout, wrong, STOCKS["bar"], gaps=GAPS).faults_at(8)) >= 7


def test_a_bar_over_a_vent_is_refused():
    """Studs 35.75 mm apart, a vent of 13.5 mm between them: a bar of 20 mm on the studs ends 7.9 mm from the middle.

    One of 24 mm ends 5.9 mm from it, over the vent.
    """
    _, _, layout, links, _ = laid(1, 1, "bar")
    told = {}
    for width in (20.0, 24.0):
        made = chain_metal(layout, links, Way("busbar", width, 1), gaps=GAPS)
        told[width] = [fault.text for fault in made.faults_at(links.groups) if "covers the vent" in fault.text]
    assert not told[20.0] and len(told[24.0]) >= links.groups - 1


def catalog(tmp_path, **changes):
    head, *rows = [line for line in (builtin_catalogs() / "cells.csv").read_text().splitlines() if line[:1] != "#"]
    chosen = next(line for line in rows if line.startswith("slate-prismatic-e82"))
    row = dict(zip(head.split(","), chosen.split(","), strict=True))
    row |= {"ocv": ""} | {name: str(value) for name, value in changes.items()}
    (tmp_path / "cells.csv").write_text(",".join(row) + "\n" + ",".join(row.values()) + "\n")
    return read_cells(tmp_path / "cells.csv")


def test_terminals_are_those_of_the_table_or_usual_ones(tmp_path):
    usual = cell_size(catalog(tmp_path), 0)
    assert (usual.same_end, usual.spacing_mm, usual.terminal_mm, usual.vent_mm) == (True, 18.7, 10.2, 8.5)
    own = cell_size(catalog(tmp_path, terminal_spacing_mm=20, terminal_mm=8, vent_end="none"), 0)
    assert (own.spacing_mm, own.terminal_mm, own.vent_mm) == (20.0, 8.0, 0.0)
    assert not cell_size(catalog(tmp_path, terminal_layout="ends"), 0).same_end


@pytest.mark.parametrize(
    ("column", "value"), [("positive_diameter_mm", 8), ("terminal_mm", 25), ("terminal_spacing_mm", 60)]
)
def test_terminals_that_a_block_cannot_have_are_named(tmp_path, column, value):
    with pytest.raises(BadInput, match=column):
        catalog(tmp_path, **{column: value})
