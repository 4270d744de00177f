"""Ten packs of all kinds: printed as billed, and read back from GLB without interference."""

import io
import itertools

import numpy as np
import pytest
import trimesh
from packs import kinds, solids_of

from optimizer.pack.case.room import room_for
from optimizer.pack.case.volume import case_volume
from optimizer.review.cad.bodies import case_parts
from optimizer.review.cad.model import glb_bytes, things

manifold3d = pytest.importorskip("manifold3d")

NAMES = ["tray", "long tray", "free tray", "part of a tray", "modules", "two compartments", "three compartments",
         "blocks", "blocks that touch", "curved box"]  # fmt: skip
QUICK, SLOW = ("three compartments", "blocks that touch"), ("tray", "modules", "curved box")


def params():
    marks = {**dict.fromkeys(QUICK, ()), **dict.fromkeys(SLOW, pytest.mark.slow)}
    return [pytest.param(name, marks=marks.get(name, pytest.mark.nightly)) for name in NAMES]


@pytest.fixture(scope="module", params=params())
def made(request, design, tmp_path_factory):
    found = kinds(tmp_path_factory.mktemp("packs"))
    assert list(found) == NAMES
    one = found[request.param](design)
    assert all(station.proof.ok for station in one.stations)
    return one, case_parts(one)


def test_parts_lie_on_the_bed_and_weigh_what_is_billed(made):
    design, parts = made
    for part in parts:
        size = np.array(part.size_mm)
        assert (size <= np.array(design.case.bed_mm) + 1e-6).all(), part.name
        assert trimesh.Trimesh(**trimesh.triangles.to_kwargs(part.triangles())).is_volume, part.name
    for station in design.stations:
        free = room_for(station.compartment, axis=station.layout.axis, rules=design.case)
        group = np.where(station.used, station.chain.group, -1)
        billed = case_volume(station.layout, group=group, rules=design.case, free=free)
        own = [part for part in parts if part.compartment == station.compartment.name]
        assert billed.printable[-1]
        assert sum(p.volume_mm3 * p.copies for p in own) == pytest.approx(billed.volume_mm3[-1], rel=0.015)


def test_glb_reads_back_without_interference(made):
    # Second path: the file as trimesh reads it, in metres, and boolean work on its meshes.
    design, parts = made
    scene = trimesh.load(io.BytesIO(glb_bytes(list(things(design, parts)))), file_type="glb")
    assert scene.units == "meters"
    bodies = {}
    for name in scene.graph.nodes_geometry:
        place, shape = scene.graph[name]
        mesh = scene.geometry[shape].copy()
        mesh.apply_transform(place)
        mesh.apply_scale(1000.0)
        mesh.merge_vertices()
        assert mesh.is_watertight, name
        bodies[name] = manifold3d.Manifold(
            manifold3d.Mesh64(np.asarray(mesh.vertices, float), np.asarray(mesh.faces, np.uint64))
        )
    cells = [name for name in bodies if name.startswith("cell")]
    assert len(cells) == sum(int(station.used.sum()) for station in design.stations)
    copies = sum(part.copies for part in parts if not part.is_trial)
    assert sum(name.startswith("case") for name in bodies) == copies
    metal = {f"conductor {one['compartment']} {one['name']}": one for one in design.conductors}
    assert {name for name in bodies if name.startswith("conductor")} == set(metal)
    for name, one in metal.items():
        near = 0.04 if one["way"] == "fold" else 1e-3
        assert bodies[name].volume() * 8.9e-3 == pytest.approx(one["mass_g"], rel=near), name
    extent = design.stations[0].layout.extents_mm[0]
    volume = np.prod(extent) * (np.pi / 4 if design.stations[0].layout.size.shape == "cylinder" else 1)
    assert bodies[cells[0]].volume() == pytest.approx(volume, rel=1e-3)
    boxes = {name: np.array(body.bounding_box()) for name, body in bodies.items()}
    for one, other in itertools.combinations(bodies, 2):
        a, b = boxes[one], boxes[other]
        if (a[:3] < b[3:]).all() and (b[:3] < a[3:]).all():
            assert (bodies[one] ^ bodies[other]).volume() < 1.0, (one, other)


@pytest.mark.nightly
def test_step_reads_back_with_the_same_solids(design, tmp_path):
    pytest.importorskip("OCP", reason="the optional extra step")
    from OCP.STEPControl import STEPControl_Reader
    from OCP.TopAbs import TopAbs_SOLID

    from optimizer.fit.region.step import _of
    from optimizer.review.cad.step import _volume, write_step

    one = kinds(tmp_path)["three compartments"](design)
    found = list(things(one, case_parts(one)))
    write_step(tmp_path / "pack.step", found)
    reader = STEPControl_Reader()
    reader.ReadFile(str(tmp_path / "pack.step"))
    reader.TransferRoots()
    solids = _of(reader.OneShape(), TopAbs_SOLID)
    volumes = [volume for thing in found for volume in solids_of(thing)]
    assert sorted(map(_volume, solids)) == pytest.approx(sorted(volumes), rel=1e-5)
    text = (tmp_path / "pack.step").read_text(encoding="ascii", errors="replace")
    assert all(f"'{thing.name}'" in text for thing in found)
