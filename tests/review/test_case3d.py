"""Printed cases: closed, of the right size, with bores for the cells, and as heavy as the bill says."""

from dataclasses import replace

import numpy as np
import pytest
import shapely

from optimizer.pack.case import tray_case

trimesh = pytest.importorskip("trimesh", reason="trimesh is in the optional extra cad")
pytest.importorskip("manifold3d", reason="manifold3d is in the optional extra cad")

from optimizer.review.sheets.case3d import case_parts, sizes_of, write_cases  # noqa: E402


@pytest.fixture(scope="module")
def parts(design):
    return {part.name: part for part in case_parts(design)}


def solid_of(part):
    """Second implementation: trimesh's own reading of the triangles."""
    return trimesh.Trimesh(**trimesh.triangles.to_kwargs(part.triangles))


def test_each_layer_has_a_body_and_two_covers(parts):
    assert {name: part.copies for name, part in parts.items()} == {
        "deck_layer1_body": 1, "deck_layer1_cover": 2, "stem_layer1_body": 1, "stem_layer1_cover": 2,
    }  # fmt: skip


def test_parts_are_closed_solids_in_one_piece(parts):
    for part in parts.values():
        solid = solid_of(part)
        assert solid.is_watertight
        assert solid.is_winding_consistent
        assert solid.is_volume
        assert solid.body_count == 1, part.name
        assert solid.bounds[0] == pytest.approx([0, 0, 0])
        assert solid.volume == pytest.approx(part.volume_mm3, rel=1e-4)


def test_heights_add_up_to_the_room_that_the_fit_kept(design, parts):
    # Closed form: body and two covers together are the cell's length and both end gaps.
    body = solid_of(parts["deck_layer1_body"]).extents[2]
    cover = solid_of(parts["deck_layer1_cover"]).extents[2]
    assert body + 2 * cover == pytest.approx(70.6 + 2 * design.clearance.end_mm)
    assert sizes_of(design, design.stations[0]).rim_mm == pytest.approx(0.5)


def test_bores_are_free_for_the_cells(design, parts):
    # Second implementation: cut the solid at mid-height and look for the holes.
    solid = solid_of(parts["deck_layer1_body"])
    cut = solid.section(plane_origin=[0, 0, 35.0], plane_normal=[0, 0, 1])
    loops = [shapely.Polygon(loop[:, :2]) for loop in cut.discrete]
    wide = [loop for loop in loops if 300.0 < loop.area < 500.0]
    assert len(wide) == 42
    for hole in wide:
        assert hole.area == pytest.approx(np.pi * 10.8**2, rel=0.01)
        # No wall stands nearer to the bore's middle than the cell's radius.
        assert hole.exterior.distance(hole.centroid) >= 10.8 - 0.002


def test_clearance_widens_the_bores(design, parts):
    # Closed form: on the cell's length the body loses at most 42 rings of the clearance's width.
    before = parts["deck_layer1_body"].volume_mm3
    for clearance in (0.05, 0.1, 0.2):
        looser = {part.name: part for part in case_parts(design, clearance_mm=clearance)}
        lost = before - looser["deck_layer1_body"].volume_mm3
        most = 42 * np.pi * ((10.85 + clearance) ** 2 - 10.85**2) * 71.6
        assert 0.5 * most < lost < most, clearance
    with pytest.raises(ValueError, match="clearance_mm"):
        case_parts(design, clearance_mm=0.6)


@pytest.mark.parametrize(("place", "name"), [(0, "deck"), (1, "stem")])
def test_volume_is_near_the_bills(design, parts, place, name):
    # Second implementation: the bill's closed form counts rings and walls without ribs; ribs, overlap of
    # rings and polygons instead of circles may differ by 15 %.
    station = design.stations[place]
    printed = parts[f"{name}_layer1_body"].volume_mm3 + 2 * parts[f"{name}_layer1_cover"].volume_mm3
    layout, clearance = station.layout, design.clearance
    billed = tray_case(
        layout.centres_mm, extents_mm=layout.extents_mm, round_cells=True, axis=layout.axis,
        layer=layout.layer, group=np.where(station.used, station.chain.group, -1), case_mm=clearance.case_mm,
        cell_gap_mm=clearance.cell_gap_mm, end_mm=clearance.end_mm,
    )  # fmt: skip
    total = float(billed.shell_mm3[-1] + billed.web_mm3[-1])
    assert printed == pytest.approx(total, rel=0.15)


def test_files_read_back_closed(design, tmp_path):
    paths = write_cases(tmp_path, design)
    assert sorted(p.name for p in paths) == [
        "case_deck_layer1_body.stl", "case_deck_layer1_cover_x2.stl",
        "case_stem_layer1_body.stl", "case_stem_layer1_cover_x2.stl",
    ]  # fmt: skip
    for path in paths:
        assert trimesh.load(path).is_volume


def test_modules_that_are_alike_are_printed_from_one_file(design):
    deck = design.stations[0]
    # Two equal cases of seven groups, the second 200 mm further; the groups of columns 0 to 6 and 7 to 13.
    module = np.where(deck.chain.group >= 7, 1, 0)
    shift = np.where(deck.chain.group >= 7, 200.0, 0.0)
    layout = replace(
        deck.layout, way="modules", module=module, centres_mm=deck.layout.centres_mm + np.outer(shift, [1, 0, 0])
    )
    index = np.flatnonzero(deck.chain.group >= 0)
    layout = replace(
        layout,
        centres_mm=layout.centres_mm[index], extents_mm=layout.extents_mm[index], layer=layout.layer[index],
        module=layout.module[index],
    )  # fmt: skip
    chain = replace(deck.chain, group=deck.chain.group[index], polarity=deck.chain.polarity[index])
    two = replace(design, stations=(replace(deck, layout=layout, chain=chain),))
    found = {part.name: part.copies for part in case_parts(two)}
    assert found == {"deck_module1_layer1_body": 2, "deck_module1_layer1_cover": 4}
