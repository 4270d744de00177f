"""Cases: volumes against polygons computed by shapely, and growth with the groups."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import MultiPoint, box, unary_union

from optimizer.pack import case

D, L, GAP, WALL, END = 18.5, 65.2, 0.8, 1.6, 2.5
GAPS = {"case_mm": WALL, "cell_gap_mm": GAP, "end_mm": END}


def tray(across: np.ndarray, group: np.ndarray, **change: object) -> case.CaseVolume:
    n = len(across)
    given_ = {
        "extents_mm": np.tile([D, D, L], (n, 1)),
        "round_cells": True,
        "axis": 2,
        "layer": np.zeros(n, int),
        "group": group,
        **GAPS,
    }
    return case.tray_case(np.column_stack([across, np.full(n, 40.0)]), **{**given_, **change})


def rows(columns: int, lines: int) -> np.ndarray:
    i, j = np.meshgrid(np.arange(columns), np.arange(lines), indexing="ij")
    return np.column_stack([i.ravel(), j.ravel()]) * (D + GAP)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_tray_shell_against_shapely(seed: int) -> None:
    """Second implementation: convex hull of discs by shapely, at four groups of three cells."""
    across = np.random.default_rng(seed).uniform(0.0, 150.0, (12, 2))
    group = np.repeat(np.arange(4), 3)
    got = tray(across, group)
    for last in range(4):
        hull = MultiPoint(across[group <= last]).convex_hull.buffer(D / 2, quad_segs=90)
        outer = hull.buffer(WALL, quad_segs=90)
        height = L + 2 * END
        shell = outer.area * height - hull.area * (height - 2 * (END - case.END_STACK_MM))
        assert got.shell_mm3[last] == pytest.approx(shell, rel=6e-3)
        assert got.shell_mm3[last] > shell * (1 - 1e-4)
        assert got.surface_mm2[last] == pytest.approx(outer.length * height + 2 * outer.area, rel=6e-3)


def test_webs_against_shapely() -> None:
    """Second implementation: grown discs inside the outline of a 4 × 2 tray, less the cells."""
    across = rows(4, 2)
    discs = [MultiPoint([p]).buffer(D / 2, quad_segs=90) for p in across]
    grown = unary_union([MultiPoint([p]).buffer((D + GAP) / 2, quad_segs=90) for p in across])
    hull = MultiPoint(across).convex_hull.buffer(D / 2, quad_segs=90)
    webs = grown.intersection(hull).area - unary_union(discs).area
    got = tray(across, np.zeros(8, int))
    # Straight walls cut a little more off the rings than the count of rings says.
    assert webs * L < got.web_mm3[0] < 1.1 * webs * L


def test_one_cell_has_no_web() -> None:
    assert tray(np.zeros((1, 2)), np.zeros(1, int)).web_mm3.tolist() == [0.0]


def test_outline_of_a_rectangle_is_exact() -> None:
    angle = 2 * np.pi * np.arange(180) / 180
    around, area = case.outline(30 * abs(np.cos(angle)) + 10 * abs(np.sin(angle)))
    assert around == pytest.approx(160.0, rel=1e-12)
    assert area == pytest.approx(1200.0, rel=1e-12)


@settings(max_examples=50, deadline=None)
@given(st.data())
def test_mass_never_falls_with_the_groups(data: st.DataObject) -> None:
    n = data.draw(st.integers(1, 30))
    point = st.tuples(st.floats(0, 300), st.floats(0, 100))
    across = np.array(data.draw(st.lists(point, min_size=n, max_size=n)))
    group = np.array(data.draw(st.lists(st.integers(-1, 6), min_size=n, max_size=n)))
    group[0] = 0
    layer = np.array(data.draw(st.lists(st.integers(0, 2), min_size=n, max_size=n)))
    mass = tray(across, group, layer=layer).mass_kg(1270.0)
    assert len(mass) == group.max() + 1
    assert (np.diff(mass) >= -1e-12).all()
    assert np.isfinite(mass).all()


def test_layers_have_shells_of_their_own() -> None:
    across = rows(4, 2)
    one = tray(across, np.zeros(8, int))
    both = tray(np.vstack([across, across]), np.zeros(16, int), layer=np.repeat([0, 1], 8))
    assert both.shell_mm3 == pytest.approx(2 * one.shell_mm3)
    assert both.web_mm3 == pytest.approx(2 * one.web_mm3)


def test_a_layer_counts_from_its_first_cell() -> None:
    across = np.vstack([rows(4, 2), rows(4, 2)])
    grown = tray(across, np.repeat([0, 1], 8), layer=np.repeat([0, 1], 8))
    assert grown.shell_mm3[1] == pytest.approx(2 * grown.shell_mm3[0])
    left_out = tray(across, np.repeat([0, -1], 8), layer=np.repeat([0, 1], 8))
    assert left_out.shell_mm3 == pytest.approx(grown.shell_mm3[:1])


def test_a_turned_tray_weighs_the_same() -> None:
    across = np.random.default_rng(4).uniform(0.0, 150.0, (9, 2))
    group = np.repeat(np.arange(3), 3)
    lying = case.tray_case(
        np.column_stack([np.zeros(9), across]),
        extents_mm=np.tile([L, D, D], (9, 1)),
        round_cells=True,
        axis=0,
        layer=np.zeros(9, int),
        group=group,
        **GAPS,
    )
    assert lying.mass_kg(1270.0) == pytest.approx(tray(across, group).mass_kg(1270.0))


def test_module_case_against_shapely() -> None:
    """Second implementation: rectangles by shapely; two modules of two groups of two."""
    across = np.vstack([rows(2, 2), rows(2, 2) + np.array([60.0, 0.0])])
    got = case.module_case(
        np.column_stack([across, np.zeros(8)]),
        extents_mm=np.tile([D, D, L], (8, 1)),
        round_cells=True,
        axis=2,
        module=np.repeat([0, 1], 4),
        group=np.repeat(np.arange(4), 2),
        **GAPS,
    )
    inner = box(0, 0, 2 * D + GAP, 2 * D + GAP)
    outer = inner.buffer(WALL, join_style="mitre")
    height = L + 2 * END
    shell = outer.area * height - inner.area * (height - 2 * 2.0)
    assert got.shell_mm3 == pytest.approx([shell, shell, 2 * shell, 2 * shell], rel=1e-12)
    assert got.surface_mm2[0] == pytest.approx(outer.length * height + 2 * outer.area, rel=1e-12)


def test_block_cells() -> None:
    # Closed form: one block 12 × 30 in section, wall 1.6, height 105, cover 2: shell of a rectangle.
    got = case.module_case(
        np.zeros((1, 3)),
        extents_mm=np.array([[12.0, 30.0, 100.0]]),
        round_cells=False,
        axis=2,
        module=[0],
        group=[0],
        **GAPS,
    )
    assert got.shell_mm3[0] == pytest.approx(15.2 * 33.2 * 105.0 - 360.0 * 101.0, rel=1e-12)
    flat = case.tray_case(
        np.zeros((1, 3)),
        extents_mm=np.array([[12.0, 30.0, 100.0]]),
        round_cells=False,
        axis=2,
        layer=[0],
        group=[0],
        **GAPS,
    )
    # Around a rectangle the wall of a tray has rounded corners: a little less than the box.
    assert flat.shell_mm3[0] == pytest.approx(got.shell_mm3[0], rel=0.02)
    assert flat.shell_mm3[0] < got.shell_mm3[0]


def test_no_group_is_refused() -> None:
    with pytest.raises(ValueError, match="no group"):
        tray(np.zeros((1, 2)), np.array([-1]))
