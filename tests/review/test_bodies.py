"""Printed cases: closed, clear of cells and of each other, on the bed, and as heavy as the bill says."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
import shapely
import trimesh

from optimizer.pack.case.room import room_for
from optimizer.pack.case.volume import case_volume
from optimizer.review.cad.bodies import case_parts
from optimizer.review.cad.files import title_of, write_cases

manifold3d = pytest.importorskip("manifold3d")


@pytest.fixture(scope="module")
def parts(design):
    return case_parts(design)


def cells_of(station):
    """Second implementation: cylinders by the boolean library itself, where the layout says."""
    layout = station.layout
    turn = {0: (0, 90, 0), 1: (90, 0, 0), 2: (0, 0, 0)}[layout.axis]
    one = manifold3d.Manifold.cylinder(layout.size.length_mm, layout.size.diameter_mm / 2, -1, 180, True).rotate(turn)
    solids = [one.translate(tuple(c)) for c in layout.centres_mm[station.used]]
    return manifold3d.Manifold.batch_boolean(solids, manifold3d.OpType.Add)


def own(parts, station):
    return [part for part in parts if part.compartment == station.compartment.name]


def test_each_layer_has_bodies_and_covers_that_the_bed_takes(design, parts):
    assert {title_of(part) for part in parts} == {
        *(f"case_deck_layer1_{name}_{end}_x1" for name in ("body", "cover_low", "cover_high") for end in "ab"),
        *(f"case_stem_layer1_{name}_x1" for name in ("body", "cover_low", "cover_high")), "case_test_ring_x1",
    }  # fmt: skip
    for part in parts:
        size = np.asarray(part.printed.bounding_box())
        assert size[:3] == pytest.approx([0, 0, 0], abs=1e-9)
        assert (size[3:] <= np.array(design.case.bed_mm) + 1e-6).all()


def test_parts_are_closed_solids_in_one_piece(parts):
    for part in parts:
        solid = trimesh.Trimesh(**trimesh.triangles.to_kwargs(part.triangles()))
        assert solid.is_watertight
        assert solid.is_volume
        assert solid.body_count == 1, part.name
        assert solid.volume == pytest.approx(part.volume_mm3, rel=1e-4)


def test_nothing_overlaps(design, parts):
    for station in design.stations:
        cells = cells_of(station)
        for part in own(parts, station):
            assert (part.solid ^ cells).volume() < 1e-6, part.name
        for one, other in itertools.combinations(own(parts, station), 2):
            assert (one.solid ^ other.solid).volume() < 1e-6, (one.name, other.name)


def test_parts_stay_in_their_compartment(design, parts):
    for station in design.stations:
        room = station.compartment
        across = [k for k in range(3) if k != room.extrude]
        profile = shapely.Polygon(room.profile_mm)
        for part in own(parts, station):
            corners = np.asarray(part.solid.to_mesh().vert_properties, dtype=float)[:, :3]
            assert (corners[:, room.extrude] >= 0).all()
            assert (corners[:, room.extrude] <= room.depth_mm).all()
            spots = shapely.points(corners[:, across])
            assert shapely.covers(profile, spots).all()
            # A foot keeps 0.2 mm, all else 1 mm.
            assert shapely.distance(profile.exterior, spots).min() >= 0.199


def test_bores_hold_the_cells_with_their_play(design, parts):
    # Second implementation: cut the printed body at mid-height and measure its holes.
    body = next(part for part in parts if part.name == "stem_layer1_body")
    solid = trimesh.Trimesh(**trimesh.triangles.to_kwargs(body.triangles()))
    cut = solid.section(plane_origin=[0, 0, 35.0], plane_normal=[0, 0, 1])
    loops = [shapely.Polygon(loop[:, :2]) for loop in cut.discrete]
    wide = [loop for loop in loops if 300.0 < loop.area < 500.0]
    assert len(wide) == 12
    for hole in wide:
        assert hole.exterior.distance(hole.centroid) == pytest.approx(10.8 + 0.15, abs=0.002)


def test_mass_is_the_bills(design, parts):
    for station in design.stations:
        free = room_for(station.compartment, axis=station.layout.axis, rules=design.case)
        group = np.where(station.used, station.chain.group, -1)
        billed = case_volume(station.layout, group=group, rules=design.case, free=free).volume_mm3[-1]
        printed = sum(part.volume_mm3 * part.copies for part in own(parts, station))
        assert printed == pytest.approx(billed, rel=0.01)


def test_pieces_of_a_body_go_together(design, parts):
    # Both halves reach over the cut, which runs to and fro between staggered cells.
    a, b = (next(p for p in parts if p.name == f"deck_layer1_body_{end}") for end in "ab")
    one, other = np.asarray(a.solid.bounding_box()), np.asarray(b.solid.bounding_box())
    assert one[3] - other[0] > design.case.lap_mm - design.case.joint_mm


def test_files_read_back_closed(design, parts, tmp_path):
    paths = write_cases(tmp_path, design, parts=parts)
    assert {p.name for p in paths} == {f"{title_of(part)}.stl" for part in parts} | {"cases.3mf"}
    for path in paths[:-1]:
        assert trimesh.load(path).is_volume
    whole = trimesh.load(tmp_path / "cases.3mf")
    assert whole.units == "millimeter"
    assert set(whole.geometry) == {title_of(part) for part in parts}
    volumes = {name: mesh.volume for name, mesh in whole.geometry.items()}
    for part in parts:
        assert volumes[title_of(part)] == pytest.approx(part.volume_mm3, rel=1e-4)


def test_covers_carry_polarity_group_numbers_and_name_on_both_faces(design, parts):
    """Cut at half the depth of the marks: a bar at each negative end, a cross at each positive one, digits, letters."""
    station, depth = design.stations[1], design.case.mark_mm
    axis, layout = station.layout.axis, station.layout
    across = [k for k in range(3) if k != axis]
    for end, sign in (("low", -1.0), ("high", 1.0)):
        part = next(part for part in parts if part.name == f"stem_layer1_cover_{end}")
        mesh = trimesh.Trimesh(**trimesh.triangles.to_kwargs(part.triangles()))
        mesh.apply_transform(np.linalg.inv(np.vstack([part.to_bed, [0, 0, 0, 1]])))
        outside = mesh.bounds[int(sign > 0), axis]
        normal = np.eye(3)[axis]
        cut = mesh.section(plane_origin=normal * (outside - sign * depth / 2), plane_normal=normal)
        rings = [shapely.Polygon(loop[:, across]) for loop in cut.discrete]
        plate = max(rings, key=lambda ring: ring.area)
        carved = [ring for ring in rings if ring is not plate]
        bars = dict.fromkeys((-1, 1), 0)
        for k in np.flatnonzero(station.used):
            mark = next(ring for ring in carved if ring.covers(shapely.Point(layout.centres_mm[k, across])))
            x0, y0, x1, y1 = mark.bounds
            crossed = abs((x1 - x0) - (y1 - y0)) < 0.1
            pole = int(station.chain.polarity[k] * sign)
            assert crossed == (pole > 0)
            bars[pole] += 1
        assert min(bars.values()) > 0
        # Groups 15 to 18 are two digits each; "stem layer1 cover low" and "… high" are 18 and 19 letters and digits,
        # an i of two pieces; the insides of letters stand, and are rings, too.
        letters = 18 if end == "low" else 19 + 1
        holes = [ring for ring in carved if any(other is not ring and other.covers(ring) for other in carved)]
        assert len(carved) - len(holes) == station.used.sum() + 4 * 2 + letters


def test_screws_go_through_covers_into_bosses(design):
    screwed = replace(design, case=replace(design.case, lid="screws"), stations=design.stations[1:])
    made = {part.name: part for part in case_parts(screwed)}
    low, body = made["stem_layer1_cover_low"], made["stem_layer1_body"]
    assert low.solid.genus() == 4
    assert low.volume_mm3 < 47.8 * 200.8 * 2.0
    assert (low.solid ^ body.solid).volume() < 1e-6


def test_a_group_larger_than_the_bed_is_refused(design):
    small = replace(design, case=replace(design.case, bed_mm=(40.0, 40.0, 100.0)))
    with pytest.raises(ValueError, match="larger than the print bed"):
        case_parts(small)
    low = replace(design, case=replace(design.case, bed_mm=(220.0, 220.0, 60.0)))
    with pytest.raises(ValueError, match="the printer takes 60"):
        case_parts(low)


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
    polarity = np.where(np.isin(deck.chain.group[index] % 7, (0, 2, 4, 6)), 1, -1)
    chain = replace(deck.chain, group=deck.chain.group[index], polarity=polarity)
    two = replace(design, stations=(replace(deck, layout=layout, chain=chain),))
    found = {part.name: part.copies for part in case_parts(two)}
    names = {f"deck_module1_layer1_{name}" for name in ("body", "cover_low", "cover_high")}
    assert found == {**dict.fromkeys(names, 2), "test_ring": 1}
