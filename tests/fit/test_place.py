"""Layouts of a compartment: every one proved, named, ordered, cached; random compartments never fail."""

import time
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from optimizer.fit.placement.place import candidates, pack_layouts, place, unpack_layouts
from optimizer.fit.placement.proof import prove
from optimizer.fit.region.compartment import Compartment, box, faults, keep_out_box
from optimizer.fit.region.layout import CellSize, Clearance

NONE = Clearance(wall_mm=0, case_mm=0, cell_gap_mm=0, end_mm=0, module_gap_mm=0)
CELL = CellSize("cylinder", length_mm=65.0, diameter_mm=18.5)
TAPER = Compartment("deck", ((0, 0), (420, 0), (408, 78), (12, 78)), 1, 118.0)


@pytest.fixture(autouse=True)
def store(tmp_path, monkeypatch):
    monkeypatch.setenv("CELLSTOW_CACHE", str(tmp_path))


def rows_only(room, size=CELL, gaps=NONE, **how):
    return place(room, size, gaps, placements=("square", "staggered"), **how)


def test_four_cells_of_twenty_fit_in_eighty():
    room = box("a", length_mm=80, width_mm=20, height_mm=65, axes=(2,))
    for cell, expected in ((20.0, 4), (20.0001, 0)):
        found = rows_only(room, CellSize("cylinder", length_mm=65.0, diameter_mm=cell))
        assert max((x.cells for x in found), default=0) == expected


def test_layouts_are_ordered_named_and_proved():
    found = place(TAPER, CELL, Clearance(), seconds=0.3)
    assert [x.cells for x in found] == sorted((x.cells for x in found), reverse=True)
    assert {x.axis for x in found} == {0, 1, 2}
    assert {x.placement for x in found} == {"square", "staggered", "free"}
    assert len({x.name for x in found}) == len(found)
    assert all(prove(x, TAPER, Clearance()).ok for x in found)
    assert "cells along z, 1 layer" in next(x.name for x in found if x.axis == 2)


def test_free_is_never_fewer_than_rows_on_the_same_axis():
    found = place(TAPER, CELL, Clearance(), seconds=0.2)
    for axis in (0, 1, 2):
        free = [x.cells for x in found if x.axis == axis and x.placement == "free"]
        rows = [x.cells for x in found if x.axis == axis and x.placement != "free"]
        assert max(free) >= max(rows)


def test_layers_of_the_same_shape_hold_cells_at_the_same_places():
    room = box("a", length_mm=100, width_mm=63, height_mm=145, axes=(2,))
    layout = place(room, CELL, Clearance(), seconds=0.2)[0]
    low, high = (layout.centres_mm[layout.layer == k] for k in (0, 1))
    assert np.array_equal(low[:, :2], high[:, :2])
    assert np.allclose(high[:, 2] - low[:, 2], 70.0)


def test_axes_and_placements_can_be_chosen():
    room = box("a", length_mm=100, width_mm=80, height_mm=70, axes=(0,))
    found = place(room, CELL, Clearance(), placements=("square",))
    assert {(x.axis, x.placement) for x in found} == {(0, "square")}
    with pytest.raises(ValueError, match="placements"):
        place(room, CELL, Clearance(), placements=("heap",))


def test_nothing_fits_in_a_box_that_is_too_small():
    tiny = box("a", length_mm=10, width_mm=10, height_mm=10)
    assert place(tiny, CELL, Clearance()) == []


def test_a_second_search_is_instant_and_the_same():
    first = place(TAPER, CELL, Clearance(), seconds=0.3)
    start = time.perf_counter()
    second = place(TAPER, CELL, Clearance(), seconds=0.3)
    assert time.perf_counter() - start < 0.2
    for a, b in zip(first, second, strict=True):
        assert a.name == b.name
        assert np.array_equal(a.centres_mm, b.centres_mm)


def test_layouts_survive_the_cache_format():
    found = candidates(TAPER, CELL, Clearance(), placements=("square", "staggered"))
    back = unpack_layouts(pack_layouts(found), "deck", CELL)
    assert [(x.name, x.cells, x.axis) for x in back] == [(x.name, x.cells, x.axis) for x in found]
    assert unpack_layouts(pack_layouts([]), "deck", CELL) == []


def test_a_larger_box_never_holds_fewer_in_rows():
    last = 0
    for length in np.linspace(70, 330, 27):
        room = box("a", length_mm=length, width_mm=66, height_mm=80)
        now = max(x.cells for x in rows_only(room, gaps=Clearance()))
        assert now >= last
        last = now


@st.composite
def rooms(draw):
    size = st.floats(30, 220)
    length, width, height = draw(size), draw(size), draw(size)
    cut = [draw(st.floats(0, 0.4)) * length for _ in range(2)]
    extrude = draw(st.integers(0, 2))
    shape = draw(st.sampled_from(["box", "taper", "ell"]))
    if shape == "box":
        profile = ((0, 0), (length, 0), (length, width), (0, width))
    elif shape == "taper":
        profile = ((0, 0), (length, 0), (length - cut[0], width), (cut[1], width))
    else:
        a, b = length - cut[0] - 1, width * draw(st.floats(0.2, 0.8))
        profile = ((0, 0), (length, 0), (length, b), (a, b), (a, width), (0, width))
    blocks = []
    for k in range(draw(st.integers(0, 2))):
        origin = tuple(draw(st.floats(-10, 150)) for _ in range(3))
        a, b, c = (draw(st.floats(5, 60)) for _ in range(3))
        blocks.append(keep_out_box(f"k{k}", origin_mm=origin, length_mm=a, width_mm=b, height_mm=c))
    return Compartment("r", profile, extrude, height, tuple(blocks))


@pytest.mark.slow
@given(
    rooms(),
    st.builds(CellSize, st.just("cylinder"), length_mm=st.floats(30, 75), diameter_mm=st.floats(10, 34)),
    st.builds(
        Clearance,
        wall_mm=st.floats(0, 2),
        case_mm=st.floats(0, 3),
        cell_gap_mm=st.floats(0, 2),
        end_mm=st.floats(0, 4),
    ),
)
@settings(max_examples=30, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
def test_the_proof_never_rejects_what_the_placer_offers(room, size, gaps):
    if faults(room):
        return
    for layout in candidates(room, size, gaps, seconds=0.02):
        proof = prove(layout, room, gaps)
        assert proof.ok, (layout.name, proof.faults)


@pytest.mark.parametrize("size", [CellSize("cylinder", length_mm=65.2, diameter_mm=18.5),
                                  CellSize("block", length_mm=65.0, width_mm=34.0, thickness_mm=20.0)])  # fmt: skip
def test_room_for_wires_moves_cells_as_a_longer_end_would(size):
    """From the walls and from layer to layer; the proof sees what lacks it."""
    room = box("box", length_mm=90.0, width_mm=50.0, height_mm=160.0, axes=(2,))
    bare, wired = Clearance(), Clearance(wire_mm=2.2)
    moved = place(room, size, wired, placements=("square",), cache=False)
    longer = place(room, size, replace(bare, end_mm=bare.end_mm + 2.2), placements=("square",), cache=False)
    assert [one.centres_mm.tolist() for one in moved] == [one.centres_mm.tolist() for one in longer]
    two = next(one for one in moved if len(np.unique(one.centres_mm[:, 2])) == 2)
    heights = np.unique(two.centres_mm[:, 2])
    assert heights[0] - size.length_mm / 2 >= 1.0 + 2.5 + 2.2 - 1e-4
    assert heights[1] - heights[0] - size.length_mm >= 2 * (2.5 + 2.2) - 1e-4
    assert prove(two, room, wired).ok
    shifted = two.centres_mm - np.array([0.0, 0.0, 2.0]) * (two.centres_mm[:, 2:] > 80.0)
    assert prove(replace(two, centres_mm=shifted), room, bare).ok
    assert not prove(replace(two, centres_mm=shifted), room, wired).ok
