"""Wires of the picture that turns, read back from its GLB: one for each row of the harness, as long as its way."""

import io

import numpy as np
import pytest
import trimesh

from optimizer.review.cad.model import glb_bytes
from optimizer.review.cad.wires import lifted, metal_mm, wire_things

# An octagon in a circle holds 2√2/π of it (closed form).
OCTAGON = 2.0 * np.sqrt(2.0) / np.pi


@pytest.fixture(scope="module")
def scene(design):
    return trimesh.load(io.BytesIO(glb_bytes(list(wire_things(design)))), file_type="glb")


def test_there_is_a_closed_body_for_each_wire_as_long_as_its_way(design, scene):
    names = sorted(scene.graph.nodes_geometry, key=lambda name: int(name.split()[1]))
    rows = design.harness.to_dict("records")
    assert len(names) == len(rows)
    for name, row in zip(names, rows, strict=True):
        mesh = scene.geometry[scene.graph[name][1]]
        mesh.merge_vertices()
        assert mesh.is_watertight and name.endswith(f"{row['from']} to {row['to']}")
        # Volume over section is the length, but for a radius at either end and the corner.
        length = mesh.volume * 1e9 / (OCTAGON * row["area_mm2"])
        assert length == pytest.approx(row["path_mm"], abs=3.0 * np.sqrt(row["area_mm2"] / np.pi) + 0.5)


def test_corners_on_ends_of_cells_are_lifted_over_the_metal_and_others_stay(design):
    station = design.stations[0]
    room, axis = station.compartment, station.layout.axis
    assert not any(room.rotation_deg)
    on = station.layout.centres_mm[3] + np.array(room.position_mm)
    on[axis] += station.layout.extents_mm[3, axis] / 2.0
    beside = on - np.eye(3)[axis] * 5.0
    moved = lifted(design, np.array([on, beside]), 1.5) - [on, beside]
    up = metal_mm(design, room.name)
    assert up > 0.0
    assert moved == pytest.approx(np.array([np.eye(3)[axis] * (up + 1.5), np.zeros(3)]))
