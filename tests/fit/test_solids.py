"""Boxes from files: what is free in a solid, the proof against its triangles, and what is refused with its place."""

import time
from pathlib import Path

import matplotlib.image
import numpy as np
import pytest
import shapely
import trimesh
from click.testing import CliRunner

from optimizer.base.problems import BadInput
from optimizer.catalog import builtin_catalogs
from optimizer.cli import main
from optimizer.fit.placement.place import place
from optimizer.fit.placement.proof import prove
from optimizer.fit.placement.proof_solid import gaps_to_surface, inside
from optimizer.fit.region.compartment import Compartment, KeepOut, box, keep_out_box
from optimizer.fit.region.layout import CellSize, Clearance
from optimizer.fit.region.mesh import read_solid
from optimizer.fit.region.section import free_section

SIZE = CellSize("cylinder", length_mm=70.2, diameter_mm=21.3)
BLOCK = CellSize("block", length_mm=95.0, width_mm=30.0, thickness_mm=12.0)
GAPS = Clearance()


def saved(mesh, folder, name="box.stl"):
    path = folder / name
    mesh.export(path)
    return path


def cuboid(x, y, z):
    mesh = trimesh.creation.box((x, y, z))
    mesh.apply_translation((x / 2, y / 2, z / 2))
    return mesh


def room_of(path, *, keep_outs=(), units=""):
    solid = read_solid(path, units=units)
    return Compartment("room", solid.outline_mm, 2, solid.depth_mm, keep_outs, solid=solid)


def barrel(half, *, faces=3):
    """A rounded body, closed form: |x/a|^4 + |y/b|^4 + |z/c|^4 = 1."""
    ball = trimesh.creation.icosphere(subdivisions=faces)
    corners = np.sign(ball.vertices) * np.abs(ball.vertices) ** 0.5 * np.asarray(half)
    return trimesh.Trimesh(corners, ball.faces)


def refused(path, **how):
    with pytest.raises(BadInput) as caught:
        read_solid(path, **how)
    (problem,) = caught.value.problems
    return problem


class TestABoxFromAFile:
    """The same box as numbers and as a file holds the same cells."""

    @pytest.mark.parametrize("ending", ["stl", "3mf"])
    @pytest.mark.parametrize("size", [SIZE, BLOCK])
    def test_same_cells(self, tmp_path, ending, size):
        path = saved(cuboid(310.0, 62.0, 84.3), tmp_path, f"box.{ending}")
        known = place(box("room", length_mm=310.0, width_mm=62.0, height_mm=84.3), size, GAPS, seconds=0.2, cache=False)
        found = place(room_of(path), size, GAPS, seconds=0.2, cache=False)
        assert found[0].cells == known[0].cells
        assert prove(found[0], room_of(path), GAPS).ok

    def test_a_cell_that_fits_exactly_fits(self, tmp_path):
        side = 21.3 + 2 * 2.6
        room = room_of(saved(cuboid(side, side, 70.2 + 2 * 3.5), tmp_path))
        assert [layout.cells for layout in place(room, SIZE, GAPS, seconds=0.1, cache=False)][:1] == [1]
        smaller = room_of(saved(cuboid(side - 0.001, side, 77.2), tmp_path, "less.stl"))
        assert not place(smaller, SIZE, GAPS, seconds=0.1, cache=False)

    def test_units(self, tmp_path):
        room = room_of(saved(cuboid(310.0 / 25.4, 62.0 / 25.4, 84.0 / 25.4), tmp_path), units="inch")
        assert room.volume_mm3 == pytest.approx(310.0 * 62.0 * 84.0, rel=1e-4)

    def test_volume_less_keep_outs(self, tmp_path):
        block = keep_out_box("block", origin_mm=(0, 0, 0), length_mm=50, width_mm=62, height_mm=84)
        path = saved(cuboid(310.0, 62.0, 84.0), tmp_path)
        assert room_of(path).volume_mm3 == pytest.approx(310 * 62 * 84)
        assert room_of(path, keep_outs=(block,)).volume_mm3 == pytest.approx(260 * 62 * 84)


class TestCurvedSolids:
    """Sections and proof against closed forms and against sampling."""

    def test_free_section_of_a_ball(self, tmp_path):
        # Closed form: a line of half length h stays in a ball of radius R within sqrt(R² − h²) of its axis.
        ball = trimesh.creation.icosphere(subdivisions=4, radius=60.0)
        room = room_of(saved(ball, tmp_path))
        for axis in range(3):
            free = free_section(room, axis=axis, low_mm=-35.0, high_mm=35.0)
            radius = np.sqrt(60.0**2 - 35.0**2)
            assert free.area == pytest.approx(np.pi * radius**2, rel=0.02)
            assert free.hausdorff_distance(shapely.Point(0, 0).buffer(radius)) < 0.6

    def test_cells_in_a_barrel(self, tmp_path):
        half = np.array([120.0, 48.0, 45.0])
        room = room_of(saved(barrel(half), tmp_path))
        layouts = place(room, SIZE, GAPS, seconds=0.2, cache=False)
        assert layouts[0].cells >= 9
        # Second implementation: points on each grown cell's rims lie inside the body by its own equation.
        angle = np.linspace(0, 2 * np.pi, 90)
        for layout in layouts:
            across = [k for k in range(3) if k != layout.axis]
            rim = np.zeros((180, 3))
            rim[:, across[0]], rim[:, across[1]] = np.tile(np.cos(angle), 2), np.tile(np.sin(angle), 2)
            rim *= 21.3 / 2 + 2.6
            rim[:, layout.axis] = np.repeat([-1, 1], 90) * (35.1 + 3.5)
            points = layout.centres_mm[:, None] + rim
            # Triangles of the mesh lie inside the round body.
            assert ((np.abs(points / half) ** 4).sum(axis=2) < 1.0).all()

    def test_proof_sees_a_cell_that_is_moved(self, tmp_path):
        room = room_of(saved(barrel((120.0, 48.0, 45.0)), tmp_path))
        layout = place(room, SIZE, GAPS, seconds=0.2, cache=False)[0]
        assert prove(layout, room, GAPS).ok
        for shift in (0.3, 30.0, 300.0):
            moved = layout.centres_mm.copy()
            # The outermost cell goes further out along the first axis across.
            across = next(k for k in range(3) if k != layout.axis)
            moved[moved[:, across].argmax(), across] += shift
            wrong = type(layout)(**{**layout.__dict__, "centres_mm": moved})
            assert not prove(wrong, room, GAPS).ok, shift

    def test_distance_against_sampling(self, tmp_path):
        solid = read_solid(saved(barrel((120.0, 48.0, 45.0)), tmp_path))
        centre = np.array([[10.0, 28.0, -4.0], [60.0, -12.0, 24.0]])
        half = np.full((2, 3), 10.65)
        half[:, 0] = 35.1
        got = gaps_to_surface(
            solid, centres_mm=centre, half_mm=half, axis=np.zeros(2, int), along_mm=np.full(2, 3.5), round_cells=True
        )
        mesh = trimesh.Trimesh(solid.vertices_mm, solid.faces)
        spots, _ = trimesh.sample.sample_surface(mesh, 400_000, seed=1)
        for k in range(2):
            near = np.abs(spots[:, 0] - centre[k, 0]) <= 38.6
            sampled = np.hypot(*(spots[near][:, 1:] - centre[k, 1:]).T).min() - 10.65
            assert got[k] <= sampled + 1e-9
            assert got[k] == pytest.approx(sampled, abs=0.05)

    def test_inside(self, tmp_path):
        half = np.array([120.0, 48.0, 45.0])
        solid = read_solid(saved(barrel(half, faces=4), tmp_path))
        points = np.random.default_rng(3).uniform(-1.1, 1.1, (300, 3)) * half
        level = (np.abs(points / half) ** 4).sum(axis=1)
        clear = np.abs(level - 1.0) > 0.05
        assert (inside(solid, points)[clear] == (level < 1.0)[clear]).all()

    def test_a_keep_out_of_any_shape(self, tmp_path):
        ball = trimesh.creation.icosphere(subdivisions=3, radius=25.0)
        solid = read_solid(saved(ball, tmp_path), least_mm=3.0, origin_mm=(150.0, 31.0, 42.0))
        keep = KeepOut("ball", solid.outline_mm, 2, solid.depth_mm, (0.0, 0.0, solid.base_mm), solid)
        room = box("room", length_mm=310.0, width_mm=62.0, height_mm=84.0, keep_outs=(keep,))
        assert room.volume_mm3 == pytest.approx(310 * 62 * 84 - solid.volume_mm3)
        layouts = place(room, SIZE, GAPS, seconds=0.2, cache=False)
        free = place(box("room", length_mm=310, width_mm=62, height_mm=84), SIZE, GAPS, seconds=0.2, cache=False)
        assert 0 < layouts[0].cells < free[0].cells
        for layout in layouts:
            # Second implementation: the middle of the ball is far enough from each cell's axis within its length.
            offset = np.abs(layout.centres_mm - [150.0, 31.0, 42.0])
            along = np.maximum(offset[:, layout.axis] - 35.1 - 3.5, 0.0)
            across = np.hypot(*np.delete(offset, layout.axis, axis=1).T) - 10.65 - 2.6
            assert (np.hypot(np.maximum(across, 0), along) >= 25.0 * 0.98).all()
        assert not prove(free[0], room, GAPS).ok


class TestBadSolids:
    """One message each, with the place."""

    def test_a_hole(self, tmp_path):
        mesh = cuboid(310.0, 62.0, 62.0)
        mesh.update_faces(np.arange(len(mesh.faces)) != 3)
        problem = refused(saved(mesh, tmp_path))
        assert problem.code == "open-solid"
        assert "hole at x " in problem.expected

    def test_two_bodies(self, tmp_path):
        other = cuboid(100.0, 50.0, 50.0)
        other.apply_translation((400.0, 0.0, 0.0))
        problem = refused(saved(trimesh.util.concatenate([cuboid(310.0, 62.0, 62.0), other]), tmp_path))
        assert problem.code == "several-solids"
        assert "x 450.0" in problem.expected

    def test_crossing_faces(self, tmp_path):
        # A body whose one corner is pulled through the opposite wall.
        mesh = trimesh.creation.icosphere(subdivisions=2, radius=60.0)
        corners = mesh.vertices.copy()
        corners[0] = -1.6 * corners[0]
        problem = refused(saved(trimesh.Trimesh(corners, mesh.faces), tmp_path))
        assert problem.code == "crossing-solid"
        assert "two faces meet at x " in problem.expected

    def test_inches(self, tmp_path):
        problem = refused(saved(cuboid(12.2, 2.4, 2.4), tmp_path))
        assert problem.code == "wrong-scale"
        assert problem.found == "12.2 × 2.4 × 2.4"
        assert "inch" in problem.expected

    def test_units_that_contradict_the_file(self, tmp_path):
        mesh = cuboid(310.0, 62.0, 62.0)
        mesh.units = "millimeter"
        path = saved(mesh, tmp_path, "box.3mf")
        assert refused(path, units="inch").code == "conflict"

    @pytest.mark.parametrize("content", [b"", b"solid nothing\nendsolid", b"\x00" * 90, b"PK\x03\x04 no archive"])
    @pytest.mark.parametrize("ending", ["stl", "3mf"])
    def test_rubbish(self, tmp_path, content, ending):
        path = tmp_path / f"box.{ending}"
        path.write_bytes(content)
        assert refused(path).code == "bad-solid"

    def test_another_ending(self, tmp_path):
        path = tmp_path / "box.iges"
        path.write_text("x")
        assert refused(path).code == "bad-solid"

    def test_faces_turned_against_each_other_are_turned_back(self, tmp_path):
        mesh = cuboid(310.0, 62.0, 62.0)
        faces = mesh.faces.copy()
        faces[::3] = faces[::3, ::-1]
        solid = read_solid(saved(trimesh.Trimesh(mesh.vertices, faces, process=False), tmp_path))
        assert solid.volume_mm3 == pytest.approx(310 * 62 * 62)


def test_check_shows_what_it_read_and_writes_nothing_of_a_bad_solid(tmp_path):
    brief, picture = tmp_path / "brief.toml", tmp_path / "rooms.png"
    text = (builtin_catalogs() / "briefs" / "quick-36v.toml").read_text(encoding="utf-8")
    text = text.replace('"../', f'"{builtin_catalogs().as_posix()}/')
    sides = 'shape = "box"\nlength_mm = 240.0\nwidth_mm = 80.0\nheight_mm = 80.0\n'
    assert sides in text
    brief.write_text(text.replace(sides, 'shape = "solid"\nsolid = "box.stl"\n'), encoding="utf-8")
    saved(cuboid(310.0, 62.0, 84.0), tmp_path)
    done = CliRunner().invoke(main, ["check", str(brief), "--picture", str(picture)])
    assert done.exit_code == 0, done.output
    assert "box (solid from box.stl, 12 triangles): 310 × 62 × 84 mm, 1.614 l free" in done.output
    ink = matplotlib.image.imread(picture)[..., :3].mean(axis=2)
    assert 0.02 < (ink < 0.97).mean() < 0.9
    picture.unlink()
    mesh = cuboid(310.0, 62.0, 84.0)
    mesh.update_faces(np.arange(len(mesh.faces)) != 3)
    saved(mesh, tmp_path)
    before = sorted(tmp_path.iterdir())
    done = CliRunner().invoke(main, ["check", str(brief), "--picture", str(picture)])
    assert done.exit_code == 2 and "hole at x" in done.output and done.output.count("box.stl") == 1
    assert sorted(tmp_path.iterdir()) == before


@pytest.mark.nightly
def test_fifty_thousand_triangles(tmp_path):
    path = saved(barrel((200.0, 70.0, 60.0), faces=6), tmp_path)
    start = time.process_time()
    room = room_of(path)
    assert len(room.solid.faces) > 50_000
    layouts = place(room, SIZE, GAPS, seconds=0.5, cache=False)
    assert layouts and all(prove(layout, room, GAPS).ok for layout in layouts)
    assert time.process_time() - start < 30.0


def test_step_files(tmp_path):
    pytest.importorskip("OCP", reason="the optional extra step")
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder
    from OCP.STEPControl import STEPControl_AsIs, STEPControl_Writer

    def written(name, *shapes):
        writer = STEPControl_Writer()
        for shape in shapes:
            writer.Transfer(shape, STEPControl_AsIs)
        writer.Write(str(tmp_path / name))
        return tmp_path / name

    solid = read_solid(written("box.step", BRepPrimAPI_MakeBox(310.0, 62.0, 62.0).Shape()))
    assert solid.volume_mm3 == pytest.approx(310 * 62 * 62, rel=1e-9)
    tube = read_solid(written("tube.stp", BRepPrimAPI_MakeCylinder(40.0, 200.0).Shape()))
    assert tube.volume_mm3 == pytest.approx(np.pi * 40**2 * 200, rel=5e-3)
    assert tube.slack_mm > 0
    shapes = BRepPrimAPI_MakeBox(310.0, 62.0, 62.0).Shape(), BRepPrimAPI_MakeCylinder(40.0, 200.0).Shape()
    two = written("two.step", *shapes)
    assert refused(two).code == "several-solids"
    (tmp_path / "bad.step").write_text("no step")
    assert refused(Path(tmp_path / "bad.step")).code == "bad-solid"
