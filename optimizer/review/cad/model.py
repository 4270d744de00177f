"""A pack in three dimensions: every cell, printed body and placed part by name, in the vehicle's axes, as GLB."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from optimizer.base.arrays import Floats
from optimizer.base.files import write_bytes
from optimizer.design.ties import stacks_of
from optimizer.fit.region.geometry import rotation
from optimizer.fit.region.solid import whole as body_of
from optimizer.review.cad.metal import conductor_solid
from optimizer.review.cad.solids import moved, raised, to_axes
from optimizer.review.colours import TINTS

if TYPE_CHECKING:
    from optimizer.design.model import Design, Station
    from optimizer.fit.region.compartment import Compartment
    from optimizer.review.cad.bodies import PrintedPart


#: glTF 2.0 measures in metres (Khronos specification, 3.4).
METRES_PER_MM = 1e-3

#: Sides of a cell's prism; the prism has the cell's volume.
CELL_SIDES = 32

#: Walls of a compartment in the picture, outside its free volume [mm].
BOX_WALL_MM = 1.0

#: Printed surfaces are thinned out by no more than this [mm].
THIN_MM = 0.02

#: Colour by function: red, green, blue, opacity.
COLOURS = {
    "cell": (66, 122, 166, 255), "case": (222, 196, 140, 255), "box": (150, 150, 150, 40),
    "conductor": (196, 118, 60, 255), "part": (52, 110, 70, 255), "wire": (170, 40, 40, 255),
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Thing:
    """One thing in the pack.

    Parameters
    ----------
    name : str
        Unique; cells begin with "cell", printed bodies with "case", compartments with "box", plates and joints with
        "conductor".
    kind : str
        Key of COLOURS.
    solid : manifold3d.Manifold
        In its own axes [mm]; things that are alike share one.
    place : ndarray, shape (3, 4)
        From there to the vehicle's axes [mm].
    extent_mm, axis, round_cell
        Of a cell: its size along its own axes [mm], the axis along which it lies, whether it is a cylinder.
    path_mm, radius_mm
        Of a wire: corners of its middle, shape (k, 3), and its radius [mm].
    colour : tuple of int, optional
        In the GLB, in place of that of its kind: cells of neighbouring groups have different ones.
    """

    name: str
    kind: str
    solid: Any
    place: Floats
    extent_mm: tuple[float, float, float] | None = None
    axis: int = 2
    round_cell: bool = False
    path_mm: Floats | None = None
    radius_mm: float = 0.0
    colour: tuple[int, int, int, int] | None = None


def things(design: Design, parts: Sequence[PrintedPart]) -> Iterator[Thing]:
    """Everything that a design places, in the vehicle's axes.

    Parameters
    ----------
    parts : sequence of PrintedPart
        Its printed parts.

    Yields
    ------
    Thing
    """
    import manifold3d

    walled: set[object] = set()
    for station in design.stations:
        home, room = home_of(station.compartment), station.compartment
        # Zones of a compartment stand in the same walls.
        walls = room.position_mm, room.rotation_deg, room.extent_mm
        if walls not in walled:
            yield Thing(f"box {room.name}", "box", box_walls(room), home)
        walled.add(walls)
        yield from _cells(station, home)
        mine = [one for one in design.conductors if one["compartment"] == station.compartment.name]
        for record in mine:
            name = f"conductor {station.compartment.name} {record['name']}"
            solid = conductor_solid(record, station.layout.axis)
            yield Thing(name, "conductor", to_axes(solid, station.layout.axis), home)
        boxes = [box for stack in stacks_of(station, design.clearance) for box in stack.plates]
        for k, (low, high) in enumerate(boxes, start=1):
            block, place = manifold3d.Manifold.cube(tuple(high - low)), np.column_stack([np.eye(3), low])
            yield Thing(f"tie plate {station.compartment.name} {k}", "part", block, moved(home, place))
        for part in parts:
            if part.compartment == station.compartment.name and not part.is_trial:
                for k, place in enumerate(part.places):
                    more = f" {k + 1}" if part.copies > 1 else ""
                    yield Thing(f"case {part.name}{more}", "case", part.solid, moved(home, place))
    yield from _placed(design)


def _placed(design: Design) -> Iterator[Thing]:
    """Parts other than cells, by their own names."""
    import manifold3d

    homes = {room.name: home_of(room) for room in design.rooms}
    for part in design.placed:
        block = manifold3d.Manifold.cube(part.extents_mm)
        place = np.column_stack([np.eye(3), np.array(part.corner_mm)])
        yield Thing(part.name, "part", block, moved(homes[part.compartment], place))


def _cells(station: Station, home: Floats) -> Iterator[Thing]:
    layout = station.layout
    shapes: dict[tuple[bytes, str], Any] = {}
    for k in np.flatnonzero(station.used):
        extent = layout.extents_mm[k]
        x, y, z = map(float, extent)
        round_cell = layout.size.shape == "cylinder"
        tint = TINTS[int(station.chain.group[k] + station.first_group) % len(TINTS)]
        solid = shapes.setdefault((extent.tobytes(), tint), cell_solid(extent, layout.axis, round_cell))
        red, green, blue = bytes.fromhex(tint.removeprefix("#"))
        paint = (red, green, blue, 255)
        place = np.column_stack([np.eye(3), layout.centres_mm[k]])
        name = f"cell {station.compartment.name} {k + 1}"
        yield Thing(name, "cell", solid, moved(home, place), (x, y, z), layout.axis, round_cell, colour=paint)


def home_of(room: Compartment) -> Floats:
    """From a compartment's axes to the vehicle's, shape (3, 4) [mm]."""
    return np.column_stack([rotation(room.rotation_deg), np.asarray(room.position_mm, dtype=float)])


def cell_solid(extent_mm: Floats, axis: int, round_cell: bool) -> Any:
    """A cell with its middle at the origin: a block, or a prism of the cylinder's volume [mm]."""
    import manifold3d

    if not round_cell:
        return manifold3d.Manifold.cube(tuple(float(side) for side in extent_mm), True)
    across = float(extent_mm[(axis + 1) % 3]) / 2.0
    radius = across * np.sqrt(2.0 * np.pi / CELL_SIDES / np.sin(2.0 * np.pi / CELL_SIDES))
    upright = manifold3d.Manifold.cylinder(float(extent_mm[axis]), radius, radius, CELL_SIDES, True)
    turn = {0: (0.0, 90.0, 0.0), 1: (90.0, 0.0, 0.0), 2: (0.0, 0.0, 0.0)}[axis]
    return upright.rotate(turn)


def box_walls(room: Compartment) -> Any:
    """Thin walls around a compartment, outside its free volume, in its own axes [mm].

    Around a solid they are cut from the block around it, grown by a thickness: what is left is solid material.
    """
    import manifold3d

    if room.solid is not None:
        low, high = (np.array(side) for side in zip(*room.extent_mm, strict=True))
        block = manifold3d.Manifold.cube(tuple(float(x) for x in high - low + 2.0 * BOX_WALL_MM))
        return block.translate(tuple(float(x) for x in low - BOX_WALL_MM)) - body_of(room)
    inside = shapely.Polygon(room.profile_mm)
    outside = inside.buffer(BOX_WALL_MM, join_style="mitre", mitre_limit=5.0)
    whole = raised(outside, low_mm=-BOX_WALL_MM, high_mm=room.depth_mm + BOX_WALL_MM)
    hollow = whole - raised(inside, low_mm=0.0, high_mm=room.depth_mm)
    return to_axes(hollow, room.extrude)


def glb_bytes(found: Sequence[Thing]) -> bytes:
    """Things as binary glTF 2.0: a node of its own name for each, shapes shared, metres, the vehicle's axes."""
    trimesh = _trimesh()
    scene = trimesh.Scene(metadata={"units": "m", "axes": "of the vehicle"})
    known: dict[int, str] = {}
    for thing in found:
        place = np.vstack([thing.place, [0.0, 0.0, 0.0, 1.0]])
        place[:3, 3] *= METRES_PER_MM
        if id(thing.solid) in known:
            scene.graph.update(frame_to=thing.name, matrix=place, geometry=known[id(thing.solid)])
            continue
        shape = f"shape {len(known) + 1}"
        known[id(thing.solid)] = shape
        scene.add_geometry(_mesh(thing), geom_name=shape, node_name=thing.name, transform=place)
    data: bytes = scene.export(file_type="glb", include_normals=False)
    return data


def _trimesh() -> Any:
    """The mesh library, which carries no types, loaded when it is first needed."""
    return import_module("trimesh")


def _mesh(thing: Thing) -> Any:
    trimesh = _trimesh()
    thin = thing.solid.simplify(THIN_MM) if thing.kind == "case" else thing.solid
    mesh = thin.to_mesh()
    corners = np.asarray(mesh.vert_properties, dtype=float)[:, :3] * METRES_PER_MM
    # Corners that the file's single precision makes one are one, and triangles without area left out with them.
    _, first, same = np.unique(corners.astype(np.float32), axis=0, return_index=True, return_inverse=True)
    faces = first[same.reshape(-1)][np.asarray(mesh.tri_verts, dtype=np.int64)]
    faces = faces[(faces != np.roll(faces, 1, axis=1)).all(axis=1)]
    # So are the two sides of a sheet without thickness.
    _, kind, many = np.unique(np.sort(faces, axis=1), axis=0, return_inverse=True, return_counts=True)
    shape = trimesh.Trimesh(corners, faces[many[kind.reshape(-1)] == 1], process=False)
    colour = thing.colour or COLOURS[thing.kind]
    shape.visual = trimesh.visual.TextureVisuals(
        material=trimesh.visual.material.PBRMaterial(
            name=thing.kind, baseColorFactor=colour, metallicFactor=0.1, roughnessFactor=0.7,
            alphaMode="BLEND" if colour[3] < 255 else "OPAQUE", doubleSided=colour[3] < 255,
        )
    )  # fmt: skip
    return shape


def write_glb(path: Path, found: Sequence[Thing]) -> None:
    """Write things as GLB, see glb_bytes."""
    write_bytes(path, glb_bytes(found))
