"""Solids from files: STL and 3MF by trimesh, STEP by Open CASCADE; what is wrong with one is said with its place."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from functools import lru_cache
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from optimizer.base.arrays import Floats, Ints
from optimizer.base.problems import BadInput, Problem
from optimizer.fit.region.solid import Solid

#: Millimetres in a unit, by the words of a brief and of 3MF.
UNITS = {
    "mm": 1.0, "millimeter": 1.0, "cm": 10.0, "centimeter": 10.0, "m": 1000.0, "meter": 1000.0, "inch": 25.4,
    "foot": 304.8, "micron": 1e-3,
}  # fmt: skip
SHORT = {"millimeter": "mm", "centimeter": "cm", "meter": "m"}

#: A larger file, or more triangles, is no box for cells.
MOST_BYTES = 256 * 2**20
MOST_FACES = 1_000_000

#: Sides of a compartment or keep-out that are plausible [mm]; a keep-out may be a tenth.
LEAST_MM, MOST_MM = 30.0, 20_000.0

#: Corners nearer than this are one [mm]; STL holds seven digits.
GRID_MM = 1e-4

#: How far triangles may lie off the curved faces of a STEP file [mm].
DEFLECTION_MM = 0.02

ENDINGS = (".stl", ".3mf", ".step", ".stp")


class _Bad(Exception):
    """One fault of a solid: code, what was found, what is expected."""


def read_solid(
    path: Path, *, units: str = "", least_mm: float = LEAST_MM, origin_mm: Sequence[float] = (0, 0, 0)
) -> Solid:
    """Read a closed solid.

    Parameters
    ----------
    path : Path
        STL, 3MF or STEP, by its ending.
    units : str
        Key of UNITS; empty: what the file says, or millimetres.
    least_mm : float
        Least plausible size of its longest side [mm].
    origin_mm : sequence of float
        By how much it is moved [mm].

    Raises
    ------
    BadInput
        With one problem: code bad-solid, open-solid, several-solids, crossing-solid, wrong-scale, conflict or
        missing-extra.
    """
    try:
        vertices, faces, slack = _read(path, units)
        vertices = np.round(vertices / GRID_MM) * GRID_MM
        vertices, faces = _merged(vertices, faces)
        _check_scale(vertices, least_mm)
        faces = _check_closed(vertices, faces)
        _check_crossings(vertices, faces)
    except _Bad as bad:
        code, found, expected = bad.args
        raise BadInput([Problem(code, str(path), "", "", found, expected)]) from None
    vertices = vertices + np.asarray(origin_mm, dtype=float)
    digest = hashlib.sha256(vertices.tobytes() + faces.tobytes() + repr(slack).encode()).hexdigest()
    x, y, z = map(float, origin_mm)
    return Solid(vertices, faces, digest, slack, (x, y, z))


@lru_cache(maxsize=64)
def known_solid(path: Path, stamp: tuple[int, int], units: str, least_mm: float, origin_mm: tuple[float, ...]) -> Solid:
    """`read_solid`, once for each state of a file; `stamp` is its time and size."""
    return read_solid(path, units=units, least_mm=least_mm, origin_mm=origin_mm)


def solid_of(
    path: Path, *, units: str = "", least_mm: float = LEAST_MM, origin_mm: Sequence[float] = (0, 0, 0)
) -> Solid:
    """`read_solid`, remembered while the file does not change."""
    try:
        state = path.stat()
    except OSError as wrong:
        raise BadInput([Problem("missing-file", str(path), expected=f"can't be read: {wrong.strerror}")]) from None
    stamp = (state.st_mtime_ns, state.st_size)
    return known_solid(path, stamp, units, least_mm, tuple(map(float, origin_mm)))


def _read(path: Path, units: str) -> tuple[Floats, Ints, float]:
    """Corners [mm] and triangles as the file has them, and how far the true surface may be off [mm]."""
    ending = path.suffix.lower()
    if ending not in ENDINGS:
        raise _Bad("bad-solid", path.suffix, "must be an STL, 3MF or STEP file, by its ending")
    if path.stat().st_size > MOST_BYTES:
        raise _Bad("bad-solid", f"{path.stat().st_size / 2**20:.0f} MiB", f"must be at most {MOST_BYTES // 2**20} MiB")
    if ending in (".step", ".stp"):
        return (*_read_step(path), DEFLECTION_MM)
    meshes, said = _read_mesh(path)
    if said and units and UNITS[said] != UNITS[units]:
        raise _Bad("conflict", f'units = "{units}"', f"and the file says {SHORT.get(said, said)}: leave units out")
    if len(meshes) > 1:
        places = "; ".join(_place(mesh.bounds.mean(axis=0)) for mesh in meshes[:2])
        raise _Bad("several-solids", f"{len(meshes)} bodies", f"must be one closed body; their middles: {places}")
    scale = UNITS[units or said or "mm"]
    return np.asarray(meshes[0].vertices, float) * scale, np.asarray(meshes[0].faces, np.int64), 0.0


def _read_mesh(path: Path) -> tuple[list[Any], str]:
    """Meshes of a file with any, and the unit it states."""
    trimesh = import_module("trimesh")
    try:
        scene = trimesh.load_scene(path, file_type=path.suffix[1:].lower())
        meshes = [mesh for mesh in scene.dump() if isinstance(mesh, trimesh.Trimesh) and len(mesh.faces)]
    except Exception as wrong:  # a reader of foreign files fails in any way; the reader's own word is told
        raise _Bad("bad-solid", type(wrong).__name__, f"can't be read as {path.suffix[1:].upper()}: {wrong}") from None
    if not meshes or not all(np.isfinite(mesh.vertices).all() for mesh in meshes):
        raise _Bad("bad-solid", "", "holds no triangles that can be read")
    if sum(len(mesh.faces) for mesh in meshes) > MOST_FACES:
        raise _Bad("bad-solid", f"more than {MOST_FACES} triangles", "must be coarser: no printer or mill sees as fine")
    said = str(scene.units or "") if path.suffix.lower() == ".3mf" else ""
    return meshes, said if said in UNITS else ""


def _read_step(path: Path) -> tuple[Floats, Ints]:
    """Triangles of the one solid of a STEP file [mm]."""
    try:
        from optimizer.fit.region.step import read_step
    except ImportError:
        text = "needs the optional extra: pip install 'cellstow[step]'; or save the solid as STL or 3MF"
        raise _Bad("missing-extra", path.suffix, text) from None
    try:
        return read_step(path, deflection_mm=DEFLECTION_MM)
    except ValueError as wrong:
        code = "several-solids" if "solids" in str(wrong) else "bad-solid"
        raise _Bad(code, "", str(wrong)) from None


def _merged(vertices: Floats, faces: Ints) -> tuple[Floats, Ints]:
    """Equal corners made one, triangles without area left out."""
    unique, index = np.unique(vertices, axis=0, return_inverse=True)
    faces = index.reshape(-1)[faces]
    flat = (faces == np.roll(faces, 1, axis=1)).any(axis=1)
    return unique + 0.0, np.ascontiguousarray(faces[~flat], dtype=np.int64)


def _place(point: Floats) -> str:
    return "x {:.1f}, y {:.1f}, z {:.1f} mm".format(*point)


def _check_scale(vertices: Floats, least_mm: float) -> None:
    sides = np.ptp(vertices, axis=0)
    found = " × ".join(f"{side:.4g}" for side in sides)
    if not least_mm <= sides.max() <= MOST_MM:
        expected = f'is this in millimetres? its longest side is expected to be {least_mm:g} to {MOST_MM:g} mm; '
        raise _Bad("wrong-scale", found, expected + 'say units = "inch", "cm" or "m" where it is not')
    if sides.min() <= 1e-3:
        raise _Bad("zero-volume", found, "must be a body, and has no thickness")


def _check_closed(vertices: Floats, faces: Ints) -> Ints:
    """Triangles of one closed body, all turned the same way, outside out."""
    edges = np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    pairs, index, count = np.unique(edges, axis=0, return_inverse=True, return_counts=True)
    if (count == 1).any():
        spot = vertices[pairs[count == 1]].mean(axis=1)
        raise _Bad("open-solid", f"{int((count == 1).sum())} open edges",
                   f"must be closed; it has a hole at {_place(spot[0])}")  # fmt: skip
    if (count != 2).any():
        spot, most = vertices[pairs[count != 2][0]].mean(axis=0), int(count[count != 2][0])
        text = f"must have two faces at each edge; it has {most} at {_place(spot)}"
        raise _Bad("crossing-solid", "an edge of more than two faces", text)
    faces, bodies = _oriented(faces, index.reshape(-1), len(pairs))
    if bodies.max() > 0:
        spots = [vertices[faces[bodies == k]].reshape(-1, 3).mean(axis=0) for k in (0, 1)]
        text = "; ".join(map(_place, spots))
        count_text = f"{int(bodies.max()) + 1} bodies"
        raise _Bad("several-solids", count_text, f"must be one closed body; their middles: {text}")
    a, b, c = np.moveaxis(vertices[faces] - vertices.mean(axis=0), 1, 0)
    volume = np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6.0
    if abs(volume) < 1.0:
        raise _Bad("zero-volume", f"{abs(volume):.3g} mm³", "must be a body, and encloses no volume")
    return np.ascontiguousarray(faces if volume > 0 else faces[:, ::-1])


def _oriented(faces: Ints, edge_of: Ints, edges: int) -> tuple[Ints, Ints]:
    """Triangles turned alike from neighbour to neighbour, and the body of each."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import breadth_first_order, connected_components

    owner = np.repeat(np.arange(len(faces)), 3)
    order = np.argsort(edge_of, kind="stable")
    pairs = owner[order].reshape(-1, 2)
    # Neighbours that run along their edge the same way are turned against each other.
    forward = (faces[:, [0, 1, 2]] < faces[:, [1, 2, 0]]).reshape(-1)[order].reshape(-1, 2)
    against = forward[:, 0] == forward[:, 1]
    graph = coo_matrix((np.ones(len(pairs)), pairs.T), shape=(len(faces),) * 2).tocsr()
    count, bodies = connected_components(graph, directed=False)
    turned = {tuple(sorted(pair)): bool(flag) for pair, flag in zip(pairs.tolist(), against, strict=True)}
    if not any(turned.values()):
        return faces, bodies
    flip = np.zeros(len(faces), dtype=bool)
    for k in range(count):
        nodes, before = breadth_first_order(graph, int(np.argmax(bodies == k)), directed=False)
        for node in nodes[1:]:
            last = int(before[node])
            flip[node] = flip[last] ^ turned[(min(last, int(node)), max(last, int(node)))]
    faces = np.where(flip[:, None], faces[:, ::-1], faces)
    return faces, bodies


def _check_crossings(vertices: Floats, faces: Ints) -> None:
    """No edge of a triangle runs through another triangle."""
    corners = vertices[faces]
    low, high = corners.min(axis=1), corners.max(axis=1)
    tree = shapely.STRtree(shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1]))
    block = 20_000
    for start in range(0, len(faces), block):
        stop = min(start + block, len(faces))
        one, other = tree.query(tree.geometries[start:stop], predicate=None)
        one = one + start
        near = (one < other) & (low[one, 2] <= high[other, 2]) & (low[other, 2] <= high[one, 2])
        one, other = one[near], other[near]
        apart = ~(faces[one][:, :, None] == faces[other][:, None, :]).any(axis=(1, 2))
        one, other = one[apart], other[apart]
        for a, b in ((one, other), (other, one)):
            hit = _pierced(corners[a], corners[b])
            if hit is not None:
                text = f"must not cross itself; two faces meet at {_place(hit)}"
                raise _Bad("crossing-solid", "faces that cross", text)


def _pierced(edges_of: Floats, through: Floats) -> Floats | None:
    """A point where an edge of one triangle runs through the inside of another, pair by pair, or None.

    References
    ----------
    Möller and Trumbore, Fast, Minimum Storage Ray/Triangle Intersection, 1997.
    """
    for k in range(3):
        start, way = edges_of[:, k], edges_of[:, (k + 1) % 3] - edges_of[:, k]
        first, second = through[:, 1] - through[:, 0], through[:, 2] - through[:, 0]
        across = np.cross(way, second)
        size = np.einsum("ij,ij->i", first, across)
        with np.errstate(divide="ignore", invalid="ignore"):
            from_corner = start - through[:, 0]
            u = np.einsum("ij,ij->i", from_corner, across) / size
            over = np.cross(from_corner, first)
            v = np.einsum("ij,ij->i", way, over) / size
            t = np.einsum("ij,ij->i", second, over) / size
            tiny = 1e-6
            hit = (np.abs(size) > 1e-9) & (u > tiny) & (v > tiny) & (u + v < 1 - tiny) & (t > tiny) & (t < 1 - tiny)
        if hit.any():
            spot = int(np.argmax(hit))
            return np.asarray(start[spot] + t[spot] * way[spot])
    return None
