"""Plates: batch against one at a time, first order against the whole network, and what a builder expects."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.fit.chain.groups import Chain, chain
from optimizer.fit.region.layout import CellSize, Layout
from optimizer.pack.plates.cutlist import cut_list
from optimizer.pack.plates.plates import chain_plates, plates_of, solve_chain, solve_plate
from optimizer.pack.plates.strips import StripBuild, boundary_resistance_ohm

D, GAP, LENGTH, END = 21.0, 0.8, 70.0, 2.5
PITCH = D + GAP


def layout_of(xy, *, layers=1, placement="square", modules=None):
    xy = np.asarray(xy, dtype=float)
    n = len(xy)
    layer = np.repeat(np.arange(layers), n)
    centres = np.column_stack([np.tile(xy, (layers, 1)), 40.0 + layer * (LENGTH + 2 * END)])
    extents = np.tile([D, D, LENGTH], (n * layers, 1))
    module = np.zeros(n * layers, dtype=int) if modules is None else np.asarray(modules)
    size = CellSize("cylinder", LENGTH, D)
    return Layout("box", size, "tray", placement, 2, centres, extents, layer, module, "by hand")


def square(rows, columns, x=0.0):
    return [(x + i * PITCH, j * PITCH) for i in range(rows) for j in range(columns)]


def staggered(rows, columns):
    return [
        ((i + 0.5 * (j % 2)) * PITCH, j * PITCH * np.sqrt(0.75)) for j in range(columns) for i in range(rows)
    ]


def shaken(rows, columns):
    rng = np.random.default_rng(3)
    return np.array(staggered(rows, columns)) * 1.08 + rng.uniform(-0.8, 0.8, (rows * columns, 2))


CASES = {
    "rows of P": (layout_of(square(6, 4)), 4),
    "blocks of 2 x 2": (layout_of(square(8, 2)), 4),
    "odd": (layout_of(square(5, 4)), 3),
    "staggered": (layout_of(staggered(8, 5), placement="staggered"), 5),
    "irregular": (layout_of(shaken(7, 5), placement="free"), 4),
    "layers": (layout_of(square(4, 3), layers=3), 3),
    "two modules": (layout_of(square(4, 3) + square(4, 3, x=150.0), modules=[0] * 12 + [1] * 12), 3),
    "one cell per group": (layout_of(square(4, 3)), 1),
    "one group": (layout_of(square(2, 2)), 4),
}
BUILDS = {
    "one layer": StripBuild("nickel", 0.15, 8.0, weld_ohm=1e-4),
    "two in series": StripBuild("copper", 0.2, 10.0, layers_series=2, layers_across=1),
    "all different": StripBuild(
        "nickel_plated_steel",
        0.2,
        8.0,
        layers_series=2,
        layers_across=3,
        layers_terminal=4,
        taps=2,
        temp_c=60.0,
    ),
}


def made(name):
    layout, parallel = CASES[name]
    return layout, chain(layout, parallel=parallel, cell_gap_mm=GAP, seconds=0.05)


def factors_for(layout, links, build):
    return chain_plates(
        layout,
        links,
        cell_gap_mm=GAP,
        layers_series=build.layers_series,
        layers_across=build.layers_across,
        layers_end=build.layers_terminal,
        taps=build.taps,
    )


def first_groups(links, g):
    return Chain(
        group=np.where(links.group < g, links.group, -1),
        groups=g,
        parallel=links.parallel,
        boundary_pairs=links.boundary_pairs[: g - 1],
        polarity=np.where(links.group < g, links.polarity, 0),
        links=links.links[links.links < g - 1],
        method=links.method,
    )


@pytest.mark.parametrize("build", BUILDS.values(), ids=BUILDS)
@pytest.mark.parametrize("name", CASES)
def test_batch_equals_one_plate_at_a_time_for_every_first_g_groups(name, build):
    """Second implementation: dense batch per geometry against sparse solve per plate and material."""
    layout, links = made(name)
    factors = factors_for(layout, links, build)
    for g in range(1, links.groups + 1):
        part = first_groups(links, g)
        results = [
            solve_plate(plate, build) for plate in plates_of(layout, part, cell_gap_mm=GAP, taps=build.taps)
        ]
        resistance = build.ohm_per_mm * factors.length_mm[g - 1] + build.weld_ohm * factors.welds[g - 1]
        assert resistance == pytest.approx(sum(r.resistance_ohm for r in results), rel=1e-9)
        hottest = factors.segment[g - 1] / build.section_mm2
        assert hottest == pytest.approx(max(r.hottest_a_mm2 for r in results), rel=1e-9, abs=1e-15)


@pytest.mark.parametrize("name", CASES)
def test_spread_is_the_limit_of_the_whole_network_and_never_below_it(name):
    """Second implementation: all cells and plates as one network."""
    layout, links = made(name)
    build = BUILDS["one layer"]
    factors = factors_for(layout, links, build)
    for cell_ohm, close in ((0.02, 0.02), (2.0, 2e-5)):
        whole = solve_chain(layout, links, build, cell_gap_mm=GAP, cell_resistance_ohm=cell_ohm)
        branch = cell_ohm + 2.0 * build.weld_ohm
        first_order = 1.0 + build.ohm_per_mm * factors.spread_mm[-1] / branch
        assert whole.share.max() <= first_order + 1e-9
        assert whole.share.max() == pytest.approx(first_order, abs=close)
    plates = build.ohm_per_mm * factors.length_mm[-1] + build.weld_ohm * factors.welds[-1]
    assert whole.plates_ohm == pytest.approx(plates, rel=2e-3)
    assert whole.resistance_ohm == pytest.approx(2.0 * links.groups / links.parallel + plates, rel=1e-4)


def test_every_group_carries_the_pack_current():
    layout, links = made("irregular")
    whole = solve_chain(layout, links, BUILDS["one layer"], cell_gap_mm=GAP, cell_resistance_ohm=0.02)
    for g in range(links.groups):
        assert whole.share[links.group == g].sum() == pytest.approx(links.parallel, rel=1e-9)
    assert np.all(whole.share[links.group < 0] == 0)


def test_straight_boundary_is_the_closed_form():
    """Closed form: P equal strips side by side, two welds each."""
    layout, links = made("rows of P")
    build = StripBuild("nickel", 0.15, 8.0, layers_series=2, weld_ohm=2e-4)
    plate = next(p for p in plates_of(layout, links, cell_gap_mm=GAP) if p.label == "2-3")
    wanted = boundary_resistance_ohm(
        PITCH, pairs=4, resistivity_ohm_m=9.5e-8, thickness_mm=0.15, width_mm=8.0, layers=2, weld_ohm=2e-4
    )
    solved = solve_plate(plate, build, current_a=40.0)
    assert solved.resistance_ohm == pytest.approx(wanted, rel=1e-12)
    assert solved.loss_w == pytest.approx(1600.0 * wanted, rel=1e-12)
    assert solved.hottest_a == pytest.approx(5.0, rel=1e-12)
    assert solved.hottest_a_mm2 == pytest.approx(5.0 / 1.2, rel=1e-12)


def test_two_by_two_groups_need_their_inner_strips():
    """Closed form: two pairs carry all, fed over two inner strips on each side: l (1/2 + 4/16)."""
    layout, links = made("blocks of 2 x 2")
    assert links.boundary_pairs.tolist() == [2, 2, 2]
    plate = plates_of(layout, links, cell_gap_mm=GAP)[1]
    build = StripBuild("nickel", 0.15, 8.0)
    solved = solve_plate(plate, build)
    assert solved.resistance_ohm == pytest.approx(build.ohm_per_mm * PITCH * (0.5 + 2 * 2 / 16), rel=1e-12)


def test_thickness_belongs_in_the_series_direction():
    """Common practice, no published source; P-wide rows: layers inside a group change nothing."""
    layout, links = made("rows of P")
    plate = plates_of(layout, links, cell_gap_mm=GAP)[2]
    plain = solve_plate(plate, StripBuild("nickel", 0.15, 8.0)).resistance_ohm
    across = solve_plate(plate, StripBuild("nickel", 0.15, 8.0, layers_across=4)).resistance_ohm
    series = solve_plate(plate, StripBuild("nickel", 0.15, 8.0, layers_series=4)).resistance_ohm
    assert across == pytest.approx(plain, rel=1e-12)
    assert series == pytest.approx(plain / 4, rel=1e-12)


def test_strips_inside_a_group_carry_next_to_nothing():
    """Common practice, no published source: under 1 % of the group current when P wide, equal cells."""
    layout, links = made("rows of P")
    for plate in plates_of(layout, links, cell_gap_mm=GAP)[1:-1]:
        for cell_ohm in (None, 0.02):
            solved = solve_plate(plate, BUILDS["one layer"], cell_resistance_ohm=cell_ohm)
            assert np.abs(solved.segment_current_a[~plate.series]).max() < 0.01


def test_strips_inside_a_staggered_group_carry_little():
    """Regression only: zigzag columns have uneven numbers of series pieces, so a few per cent flow."""
    layout, links = made("staggered")
    for plate in plates_of(layout, links, cell_gap_mm=GAP)[1:-1]:
        solved = solve_plate(plate, BUILDS["one layer"])
        assert 0.01 < np.abs(solved.segment_current_a[~plate.series]).max() < 0.07


def test_shares_even_out_as_cells_resist_more():
    layout, links = made("blocks of 2 x 2")
    plate = plates_of(layout, links, cell_gap_mm=GAP)[1]
    build = StripBuild("nickel_plated_steel", 0.1, 5.0)
    spans = [np.ptp(solve_plate(plate, build, cell_resistance_ohm=r).share) for r in (0.005, 0.02, 0.1, 10.0)]
    assert spans == sorted(spans, reverse=True)
    assert spans[0] > 0.1
    assert spans[-1] < 1e-3


def test_taps_and_layers_relieve_the_end_plates():
    layout, links = made("rows of P")
    lengths = [chain_plates(layout, links, cell_gap_mm=GAP, taps=t).length_mm[-1] for t in (1, 2, 4, 9)]
    assert lengths[0] > lengths[1] > lengths[2] == lengths[3]
    assert lengths[2] == pytest.approx(
        5 * PITCH / 4
    )  # a lead on every cell: only the five boundaries are left
    thick = chain_plates(layout, links, cell_gap_mm=GAP, layers_end=2).length_mm[-1]
    assert thick - lengths[2] == pytest.approx((lengths[0] - lengths[2]) / 2)


def test_layers_meet_over_short_or_long_bends():
    """Closed form: out to the rim, over the gap, back; a cell length more where ends do not face."""
    layout, links = made("layers")
    steps = np.flatnonzero(np.diff([layout.layer[links.group == g][0] for g in range(links.groups)]))
    facing = [links.polarity[links.group == k][0] == links.polarity[links.group == k + 1][0] for k in steps]
    plates = plates_of(layout, links, cell_gap_mm=GAP)
    for k, short in zip(steps, facing, strict=True):
        plate = plates[k + 1]
        wanted = D + 2 * END + (0.0 if short else LENGTH)
        assert plate.length_mm[plate.series] == pytest.approx(wanted)
    assert any(facing)


@pytest.mark.parametrize("name", CASES)
def test_cut_list_holds_the_strip_that_the_factors_count(name):
    layout, links = made(name)
    build = BUILDS["all different"]
    factors = factors_for(layout, links, build)
    lines = cut_list(layout, links, build, cell_gap_mm=GAP)
    for way, layers, length, pieces in (
        ("series", 2, factors.series_mm, factors.series_pieces),
        ("across", 3, factors.across_mm, factors.across_pieces),
        ("end", 4, factors.end_mm, factors.end_pieces),
    ):
        own = [line for line in lines if line.direction == way]
        assert sum(line.pieces for line in own) == layers * pieces[-1]
        assert sum(line.pieces * line.length_mm for line in own) == pytest.approx(
            layers * (length[-1] + build.width_mm * pieces[-1]), abs=0.05 * layers * max(pieces[-1], 1)
        )


def test_rows_of_p_are_cut_as_one_strip_inside_each_group():
    layout, links = made("rows of P")
    lines = cut_list(layout, links, StripBuild("nickel", 0.15, 8.0), cell_gap_mm=GAP)
    middle = {line.direction: line for line in lines if line.plate == "3-4"}
    assert (middle["series"].pieces, middle["series"].length_mm) == (4, pytest.approx(PITCH + 8.0))
    assert (middle["across"].pieces, middle["across"].length_mm) == (2, pytest.approx(3 * PITCH + 8.0))


def test_equal_plates_are_equal_networks():
    """Translated plates have the same factor: what solving each distinct one once rests on."""
    layout, links = made("rows of P")
    lengths = np.diff(chain_plates(layout, links, cell_gap_mm=GAP).length_mm)
    assert lengths == pytest.approx(PITCH / 4, rel=1e-12)


def test_misuse_is_refused():
    layout, links = made("odd")
    with pytest.raises(ValueError, match="layers and taps"):
        chain_plates(layout, links, cell_gap_mm=GAP, layers_series=0)
    other = layout_of(square(3, 3))
    with pytest.raises(ValueError, match="a chain of this layout"):
        plates_of(other, links, cell_gap_mm=GAP)
    empty = chain(layout_of(square(1, 2)), parallel=3, cell_gap_mm=GAP)
    with pytest.raises(ValueError, match="at least one group"):
        chain_plates(layout_of(square(1, 2)), empty, cell_gap_mm=GAP)
