"""Blocks that ask for pressure: plates and bands have thickness, mass, cost and room, in every file alike."""

import json

import numpy as np
import pytest
from plain_ties import tie_plates
from test_bolted import row_of, space_of

from optimizer.analysis import obstacles
from optimizer.base.problems import BadInput
from optimizer.design.rescore import design_record, differences, read_design, score_row
from optimizer.design.unfold import unfold
from optimizer.fit.region.layout import CellSize, Layout
from optimizer.pack.ties import clash, tie_metrics, tied
from optimizer.review.cad.model import things
from optimizer.review.sheets.buildsheet import build_steps
from optimizer.review.sheets.dxf import drawing
from optimizer.review.terminal.overview import check_text
from optimizer.search.space.setup import load_space

SIZE = CellSize("block", 104.0, width_mm=34.0, thickness_mm=20.0, same_end=True, tie_mm=3.0, pressure_kpa=80.0)


def layout_of(places, turned=()):
    """Blocks along z by the middles of their ends; those named lie with their width along x."""
    extents = np.tile([20.0, 34.0, 104.0], (len(places), 1))
    extents[list(turned)] = [34.0, 20.0, 104.0]
    centres = np.column_stack([np.array(places, dtype=float), np.full(len(places), 60.0)])
    zeros = np.zeros(len(places), dtype=np.int64)
    return Layout("box", SIZE, "tray", "blocks", 2, centres, extents, zeros, zeros, "blocks")


def test_a_stack_by_hand():
    """Three blocks of 20 mm with gaps of 0.8 mm: a stack of 61.6 mm, 80 kPa on 34 × 104 mm press with 282.88 N."""
    (one,) = tied(layout_of([(20.0, 30.0), (40.8, 30.0), (61.6, 30.0)]), np.arange(3), cell_gap_mm=0.8)
    assert one.along == 0 and one.force_n == pytest.approx(282.88) and one.bands == 2
    (a, b), (c, d) = one.plates
    np.testing.assert_allclose([a, b, c, d], [[7, 13, 8], [10, 47, 112], [71.6, 13, 8], [74.6, 47, 112]])
    assert one.plate_mm3 == pytest.approx(2 * 3 * 34 * 104)
    assert one.band_mm(2) == pytest.approx(2 * (61.6 + 6 + 34))


def test_columns_that_begin_and_end_alike_share_plates_and_more_force_takes_more_bands():
    places = [(20.0 + 20.8 * k, y) for k in range(2) for y in (17.0, 51.8)]
    (one,) = tied(layout_of(places), np.arange(4), cell_gap_mm=0.8)
    assert one.force_n == pytest.approx(2 * 282.88)
    two = tied(layout_of([*places, (61.6, 17.0)]), np.arange(5), cell_gap_mm=0.8)
    assert [len(stack.cells) for stack in two] == [3, 2] or [len(stack.cells) for stack in two] == [2, 3]
    large = CellSize("block", 207.0, width_mm=174.0, thickness_mm=72.0, same_end=True, tie_mm=8.0, pressure_kpa=300.0)
    pressed = Layout("box", large, "tray", "blocks", 2, np.full((1, 3), 200.0), np.array([[72.0, 174.0, 207.0]]),
                     np.zeros(1, dtype=np.int64), np.zeros(1, dtype=np.int64), "one")  # fmt: skip
    (stack,) = tied(pressed, np.arange(1), cell_gap_mm=0.8)
    assert stack.force_n == pytest.approx(300e3 * 0.174 * 0.207) and stack.bands == 4  # 10.8 kN over 3 kN each


def test_a_turned_block_beside_a_stack_leaves_its_plate_no_room():
    layout = layout_of([(20.0, 30.0), (40.8, 30.0), (68.6, 30.0)], turned=(2,))
    assert "turned or too near" in clash(layout, tied(layout, np.arange(3), cell_gap_mm=0.8), np.arange(3))
    made = tie_metrics(layout, np.arange(3), 3, cell_gap_mm=0.8)
    assert np.isfinite(made[:2]).all() and np.isinf(made[2]).all()
    apart = layout_of([(20.0, 30.0), (40.8, 30.0), (80.0, 30.0)], turned=(2,))
    assert not clash(apart, tied(apart, np.arange(3), cell_gap_mm=0.8), np.arange(3))


@pytest.mark.parametrize("seed", range(6))
def test_metrics_are_those_of_plain_loops(seed):
    rng = np.random.default_rng([5, seed])
    rows, columns = int(rng.integers(1, 4)), int(rng.integers(1, 6))
    places = [(20.0 + 20.8 * k, 20.0 + 34.8 * j) for j in range(rows) for k in range(columns)]
    layout, group = layout_of(places), rng.permutation(np.arange(len(places)))
    made = tie_metrics(layout, group, len(places), cell_gap_mm=0.8)
    for g in range(len(places)):
        if np.isfinite(made[g]).all():
            assert made[g, :2] == pytest.approx(tie_plates(layout, group, g + 1, 0.8))


def test_plates_take_room_and_stand_in_bill_file_drawings_and_build_sheet(tmp_path):
    """By hand: cells of 34 mm across with plates of 3 mm, walls of 1.6 mm and gaps of 1 mm take 45.2 mm."""
    space = space_of(tmp_path)
    text = (tmp_path / "brief.toml").read_text()
    for width, fits in ((45.1, False), (45.3, True)):
        (tmp_path / "narrow.toml").write_text(text.replace("width_mm = 60.0", f"width_mm = {width}"))
        assert bool(load_space(tmp_path / "narrow.toml").tasks()) == fits
    design = unfold(space, row_of(space))
    bill = design.bill.set_index("item")
    records = design_record(space, row_of(space), design=design)["ties"]
    volume = sum(np.prod(np.subtract(p["high_mm"], p["low_mm"])) for one in records for p in one["plates"])
    assert bill.loc["tie plates", "mass_g"] == pytest.approx(volume * 2700.0 * 1e-6)
    band = sum(one["bands"] * one["band_mm"] for one in records)
    assert bill.loc["tie band", "mass_g"] == pytest.approx(band * 0.047)
    assert sorted(cell for one in records for cell in one["cells"]) == np.flatnonzero(design.stations[0].used).tolist()
    for one in records:
        for plate in one["plates"]:
            assert np.all(np.array(plate["low_mm"])[:2] >= 1.0 + 1.6 - 1e-6)
            assert np.all(np.array(plate["high_mm"])[:2] <= np.array([120.0, 60.0]) - 2.6 + 1e-6)
    assert design.bill["mass_g"].sum() / 1e3 == pytest.approx(row_of(space)["pack_mass_kg"])
    plates = sum(len(one["plates"]) for one in records)
    assert sum(thing.name.startswith("tie plate") for thing in things(design, [])) == plates
    assert sum(entity.dxf.layer == "TIE" for entity in drawing(design).modelspace()) == plates
    step = next(step for step in build_steps(design) if step.title == "Press the stacks")
    assert len(step.table[1]) == len(records) and "80 kPa" in " ".join(step.checks)
    assert "pressed with 80 kPa between plates of 3 mm" in check_text(space.inputs)
    assert not design.case.webbed and design.case.case_mm == 1.6
    (tmp_path / "design.json").write_text(json.dumps(design_record(space, row_of(space))))
    again, choices, figures = read_design(tmp_path / "design.json")
    assert not differences({**choices, **figures}, score_row(again, choices))


def test_the_table_says_how_hard_and_how_thick(tmp_path):
    none = space_of(tmp_path, cells={"pressure_kpa": 0})
    assert none.sizes[0].tie_mm == 0.0 and "tie plates" not in unfold(none, row_of(none)).bill["item"].tolist()
    own = space_of(tmp_path, cells={"pressure_kpa": 25, "tie_plate_mm": 5})
    assert (own.sizes[0].tie_mm, own.sizes[0].pressure_kpa) == (5.0, 25.0)
    short = space_of(tmp_path, cells={"pressure_kpa": 25, "tie_plate_mm": 15})
    assert "tie plates and bands take 15 mm" in obstacles._room(short)[0].text
    with pytest.raises(BadInput, match="pressure_kpa"):
        space_of(tmp_path, cells={"pressure_kpa": -3})
