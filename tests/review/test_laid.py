"""Wires as bodies of true thickness, read back from the files by other code: clear of all else, from box to box."""

import io
import itertools
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import shapely
import trimesh
from packs import barrel
from scipy.spatial import cKDTree

from optimizer import api
from optimizer.analysis.obstacles import refusals
from optimizer.catalog import builtin_catalogs
from optimizer.fit.region.compartment import box
from optimizer.pack.wiring.clear import Clear, Net, Upright
from optimizer.pack.wiring.reach import LUG_MM, Reach
from optimizer.pack.wiring.roomy import RoomyWays
from optimizer.review.cad.bodies import case_parts
from optimizer.review.cad.laid import UNPLACED, all_things, laid_wires, room_words
from optimizer.review.cad.model import glb_bytes
from optimizer.review.sheets.buildsheet import build_markdown
from optimizer.search.space.space import BUNDLES

manifold3d = pytest.importorskip("manifold3d")

# Invented: two roomy boxes, the board in the first, an opening of 30 mm between them.
BRIEF = """
[catalog]
cells = "{folder}/cells.csv"
strips = "{folder}/strips.csv"
wires = "{folder}/wires.csv"
fuses = "{folder}/fuses.csv"
bms = "{folder}/bms.csv"
[fit]
ways = ["tray"]
placements = ["square"]
[[compartment]]
name = "rear"
shape = "box"
length_mm = 120
width_mm = 90
height_mm = 100
axes = ["z"]
[[compartment]]
name = "front"
shape = "box"
length_mm = 90
width_mm = 90
height_mm = 100
position_mm = [160, 0, 0]
axes = ["z"]
[[part]]
name = "BMS"
kind = "BMS"
within = ["rear"]
free_mm = 12.0
[[passage]]
name = "door"
from = "rear"
to = "front"
from_mm = [120, 45, 90]
to_mm = [160, 45, 90]
bore_mm = 30.0
[electrical]
voltage_max_v = 42.0
voltage_min_v = 20.0
battery_current_a = 12.0
[vehicle]
mass_kg = 15.0
rider_kg = 75.0
cda_m2 = 0.6
crr = 0.015
drivetrain_efficiency = 0.8
[ride]
speed_kmh = 20.0
[protection]
fuse_protects = false
fuse_breaks = false
[vary]
cells = ["amber-18650-e35"]
series = [10, 10]
parallel = [3, 3]
strips = ["nickel-8x0.15"]
wires = ["silicone-4", "silicone-6"]
bms = ["warden-10s-40a"]
[objectives]
use = ["pack_mass_kg", "cost"]
"""


@pytest.fixture(scope="module")
def packed(tmp_path_factory):
    path = tmp_path_factory.mktemp("laid") / "brief.toml"
    path.write_text(BRIEF.format(folder=builtin_catalogs().as_posix()))
    space = api.load(path)
    front = api.front(space, api.search(space))
    design = api.unfold(space, front.iloc[0])
    return design, laid_wires(design)


def read_back(data):
    """Bodies of a GLB as trimesh reads it [mm]."""
    scene, bodies = trimesh.load(io.BytesIO(data), file_type="glb"), {}
    for name in scene.graph.nodes_geometry:
        place, shape = scene.graph[name]
        mesh = scene.geometry[shape].copy()
        mesh.apply_transform(place)
        mesh.apply_scale(1000.0)
        mesh.merge_vertices()
        assert mesh.is_watertight, name
        corners, faces = np.asarray(mesh.vertices, float), np.asarray(mesh.faces, np.uint64)
        bodies[name] = manifold3d.Manifold(manifold3d.Mesh64(corners, faces))
    return bodies


def meeting(bodies):
    """Pairs of a wire and something else that share more than a hair [mm³]."""
    boxes = {name: np.array(body.bounding_box()) for name, body in bodies.items()}
    found = []
    for one, other in itertools.product(bodies, bodies):
        if one.startswith("wire") and not other.startswith("wire"):
            a, b = boxes[one], boxes[other]
            if (a[:3] < b[3:]).all() and (b[:3] < a[3:]).all() and (bodies[one] ^ bodies[other]).volume() > 0.05:
                found.append((one, other))
    return found


def test_wires_of_true_thickness_meet_nothing_by_the_file(packed):
    design, wires = packed
    things = all_things(design, case_parts(design), wires)
    bodies = read_back(glb_bytes(things))
    rows = design.harness.to_dict("records")
    assert len(wires) == len(rows) and sum(station.groups > 0 for station in design.stations) == 2
    there = {name for name in bodies if name.startswith("wire")}
    assert there == {wire.name for wire in wires if not wire.fault} and len(there) >= len(rows) - 2
    assert meeting(bodies) == []
    # The check sees a wire that is pushed by its thickness into what it runs along.
    name = next(wire.name for wire in wires if not wire.fault)
    moved = [(bodies | {name: bodies[name].translate(tuple(way))}) for way in 4.0 * np.vstack([np.eye(3), -np.eye(3)])]
    assert any(meeting(each) for each in moved)
    for wire, row in zip(wires, rows, strict=True):
        if wire.fault:
            continue
        # An octagon's sides lie within the wire: 0.90 of its section, over all of its way and no less.
        run = np.linalg.norm(np.diff(np.concatenate(wire.legs_mm), axis=0), axis=1).sum()
        thick = row["outer_mm"]
        assert bodies[wire.name].volume() > 0.85 * np.pi / 4 * thick**2 * run
        # From near its tap to the board's connectors, or near the other tap.
        ends = np.array([row["from_mm"].split(), row["to_mm"].split()], dtype=float)
        assert np.linalg.norm(wire.legs_mm[0][0] - ends[0]) <= LUG_MM + thick
        assert np.linalg.norm(wire.legs_mm[-1][-1] - ends[1]) <= LUG_MM + thick
        if row["through"]:
            assert len(wire.legs_mm) == 2
            mouths = np.array([[120, 45, 90], [160, 45, 90]], dtype=float)
            met = np.array([wire.legs_mm[0][-1], wire.legs_mm[1][0]])
            assert met == pytest.approx(mouths) or met[::-1] == pytest.approx(mouths)


def test_wires_in_step_are_solids_of_their_volume(packed, tmp_path):
    pytest.importorskip("OCP", reason="the optional extra step")
    from OCP.STEPControl import STEPControl_Reader
    from OCP.TopAbs import TopAbs_SOLID

    from optimizer.fit.region.step import _of
    from optimizer.review.cad.step import _volume, write_step

    found = [thing for thing in all_things(packed[0], [], packed[1]) if thing.kind in ("wire", "box")]
    write_step(tmp_path / "pack.step", found)
    reader = STEPControl_Reader()
    reader.ReadFile(str(tmp_path / "pack.step"))
    reader.TransferRoots()
    wires = [wire for wire in packed[1] if not wire.fault]
    # A round section times the way, less what overlaps inside of corners: at most the cube of the thickness at each.
    runs = [np.linalg.norm(np.diff(np.concatenate(wire.legs_mm), axis=0), axis=1).sum() for wire in wires]
    rods = [(np.pi * wire.radius_mm**2 * run, wire) for wire, run in zip(wires, runs, strict=True)]
    walls = sorted(thing.solid.volume() for thing in found if thing.kind == "box")
    volumes = sorted(map(_volume, _of(reader.OneShape(), TopAbs_SOLID)))
    assert len(wires) > 15 and len(volumes) == len(wires) + len(walls)
    assert volumes[-len(walls) :] == pytest.approx(walls, rel=1e-4)
    for volume, (rod, wire) in zip(volumes, sorted(rods, key=lambda each: each[0]), strict=False):
        assert 0.9 * rod < volume < rod + 2.0 * (2.0 * wire.radius_mm) ** 3
    text = (tmp_path / "pack.step").read_text(encoding="ascii", errors="replace")
    assert all(f"'{' '.join(wire.name.split()[:2])} " in text for wire in wires)


def test_the_build_sheet_says_which_wires_have_room(packed):
    design, wires = packed
    told = room_words(wires)
    short = [str(k) for k, wire in enumerate(wires, start=1) if wire.fault]
    assert told[0].startswith(f"{len(wires) - len(short)} of {len(wires)} wires have a clear way")
    longer = [wire for wire in wires if wire.short_mm > 0]
    assert len(told) == 1 + len({wire.fault for wire in wires if wire.fault}) + bool(longer)
    assert all(any(f" {number}" in text.split(":")[0] for text in told[1:]) for number in short)
    # Cut to half, no wire is long enough for its way; cut to a metre, each is.
    few = design.harness.iloc[:3]
    half = replace(design, harness=few.assign(length_mm=few["path_mm"] / 2.0))
    laid = laid_wires(half)
    assert all(wire.short_mm > 0 for wire in laid if not wire.fault)
    assert room_words(laid)[-1].startswith("Cut longer than harness.csv says")
    whole = laid_wires(replace(design, harness=few.assign(length_mm=1000.0)))
    assert not any(wire.short_mm for wire in whole)
    assert all(text in build_markdown(design, room=told) for text in told)
    # Thicker wire than any gap: none has room, and the sheet says how much there is.
    thick = replace(design, harness=few.assign(outer_mm=36.9))
    assert {wire.fault.split(" mm")[0] for wire in laid_wires(thick)} == {"36.9"}
    # Where nobody says where the board lies, that is the reason.
    (told,) = room_words(laid_wires(replace(thick, placed=())))
    assert UNPLACED in told


def test_a_bore_just_too_small_for_its_bundle_asks_for_another_pack(tmp_path, packed):
    """NFPA 70, chapter 9, table 1: more than two wires fill 40 % of a conduit (from memory); to 0.02 % of its bore."""
    harness = packed[0].harness
    wires = harness[harness["through"] == "door"]
    bore_mm = np.sqrt((wires["outer_mm"] ** 2).sum() / 0.4)
    assert len(wires) > 6
    for part, passes in ((1.0002, True), (0.9998, False)):
        path = tmp_path / "brief.toml"
        brief = BRIEF.format(folder=builtin_catalogs().as_posix())
        path.write_text(brief.replace("bore_mm = 30.0", f"bore_mm = {part * bore_mm:.6f}"))
        space = api.load(path)
        row = api.front(space, api.search(space)).iloc[0]
        found = api.unfold(space, row).harness
        filled = (found.loc[found["through"] == "door", "outer_mm"] ** 2).sum()
        assert 0.0 < filled <= 0.4 * (part * bore_mm) ** 2
        assert (row["split"] == packed[0].row["split"]) == passes


@pytest.mark.nightly
def test_room_kept_over_the_ends_gives_every_wire_its_way(tmp_path, packed):
    """The same brief with wire_mm: what had no room over its tap has it, and bodies meet nothing still."""
    assert any("its tap" in wire.fault for wire in packed[1])
    path = tmp_path / "brief.toml"
    path.write_text(BRIEF.format(folder=builtin_catalogs().as_posix()) + "[clearance]\nwire_mm = 1.4\n")
    space = api.load(path)
    design = api.unfold(space, api.front(space, api.search(space)).iloc[0])
    wires = laid_wires(design)
    assert [wire.fault for wire in wires] == [""] * len(design.harness)
    assert meeting(read_back(glb_bytes(all_things(design, case_parts(design), wires)))) == []


@pytest.mark.nightly
def test_every_wire_of_the_demo_is_cut_long_enough_for_its_clear_way():
    """By a way on a grid of 3 mm round the cells in use, wherever that of the harness is not clear as it stands."""
    space = api.load(builtin_catalogs() / "briefs" / "cargo-scooter.toml")
    front = pd.read_parquet(Path(__file__).parents[2] / "results" / "demo" / "front.parquet")
    assert space.brief.harness.wires_have_room and len(front) > 20
    for row in front.iloc[::5].to_dict("records"):
        design = api.unfold(space, row)
        wires = laid_wires(design)
        read_back(glb_bytes([thing for thing in all_things(design, [], wires) if thing.kind == "wire"]))
        assert [(wire.fault, wire.short_mm) for wire in wires] == [("", 0.0)] * len(wires), row["design_id"]


def test_a_way_round_a_block_by_closed_form():
    """A block from wall to wall across, 30 mm high: over it, a radius off its edges; none where the gap is too low."""
    room = box("box", length_mm=200.0, width_mm=40.0, height_mm=50.0)
    clear = Clear(room, (Upright(2, shapely.box(80.0, 0.0, 120.0, 40.0), 0.0, 30.0),))
    points = np.array([[40.0, 20.0, 10.0], [77.0, 20.0, 34.0], [100.0, 20.0, 10.0], [100.0, 20.0, 42.0]])
    assert clear.mm(points) == pytest.approx([10.0, 5.0, -10.0, 8.0])
    start, goal = np.array([40.0, 20.0, 10.0]), np.array([160.0, 20.0, 10.0])
    way = Net(clear, 3.0, goal[None]).way(start)
    on_lines = Net(clear, 3.0, goal[None]).on_lines(start)
    step = np.diff(on_lines, axis=0)
    run = np.linalg.norm(np.diff(way, axis=0), axis=1).sum()
    # At right angles 120 mm along, 23 up and 23 down; its ends may be reached straight.
    assert (np.count_nonzero(np.abs(step) > 1e-6, axis=1) == 1)[1:-1].all()
    assert run < np.linalg.norm(step, axis=1).sum() < 166.0 == pytest.approx(np.abs(step).sum())
    # Round the corners of the block grown by the radius, as a box: 2 · √(37² + 23²) + 46.
    assert run == pytest.approx(2.0 * np.hypot(37.0, 23.0) + 46.0, abs=0.5)
    assert Net(clear, 9.9, goal[None]).way(start) is not None
    assert Net(clear, 10.1, goal[None]).way(start) is None


def test_distances_in_a_curved_box_are_never_too_large(tmp_path):
    room = barrel(tmp_path)
    rng = np.random.default_rng(3)
    low, high = np.array(room.extent_mm).T
    points = low + rng.random((400, 3)) * (high - low)
    mesh = trimesh.load(tmp_path / "barrel.stl")
    # Second implementation: an unrelated sample of the surface, its nearest point within 1 mm.
    surface = trimesh.sample.sample_surface(mesh, 300_000, seed=1)[0]
    apart = cKDTree(surface).query(points)[0]
    found = Clear(room).mm(points)
    inside = found > 0
    assert 50 < inside.sum() < 350
    assert (found <= apart + 1e-6).all() and (found[inside] >= apart[inside] - 2.4).all()


def test_a_way_through_that_is_longer_than_the_wire_is_cut_is_none():
    """Over the same block, from a passage to the board: 120 mm are counted, the way takes up to 46 mm more."""
    room = box("box", length_mm=200.0, width_mm=40.0, height_mm=50.0)
    reach = Reach(Clear(room, (Upright(2, shapely.box(80.0, 0.0, 120.0, 40.0), 0.0, 30.0),)))
    bare, hub, mouth = SimpleNamespace(parts=(), room=room), np.array([160.0, 20.0, 10.0]), np.array([40.0, 20.0, 10.0])
    for spare_mm, thick_mm in ((30.0, 0.0), (46.0, 6.0)):
        assert RoomyWays(bare, reach, hub, (1.0, 6.0), spare_mm=spare_mm).passing_mm([mouth]) == thick_mm


def test_a_bore_that_no_pack_s_wires_pass_is_the_reason(tmp_path):
    """NFPA 70, chapter 9, table 1, as above: room for two power wires and two leads, not for the leads of a box."""
    path = tmp_path / "brief.toml"
    brief = BRIEF.format(folder=builtin_catalogs().as_posix())
    path.write_text(brief.replace("bore_mm = 30.0", "bore_mm = 10.5"))
    space = api.load(path)
    assert not len(api.search(space).found)
    assert [reason.rule for reason in refusals(space)] == [BUNDLES]
