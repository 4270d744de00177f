"""Printable cases of a design: body and cover of every layer or module, as closed solids.

The body is a wall around the cells with a ring of half the cell gap around each, joined by ribs; both its
ends are open for welding and each is closed by a cover. That is the case whose mass the bill counts.
Needs manifold3d (the optional extra "cad").
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import shapely
from scipy.sparse.csgraph import minimum_spanning_tree
from shapely.geometry import LineString, Polygon

from optimizer.base.files import write_bytes
from optimizer.pack.case import END_STACK_MM
from optimizer.review.sheets import views
from optimizer.review.sheets.views import View

if TYPE_CHECKING:
    from optimizer.design.model import Design, Station

# Rings of touching cells meet in a line; grown by this they overlap and print as one.
JOIN_MM = 0.15
RIB_MM = 1.2
GRID_MM = 0.001
# One line of a common nozzle: thinner walls between bores do not print.
LEAST_WALL_MM = 0.4
BORE_SEGMENTS = 12


@dataclass(frozen=True, eq=False)
class Part:
    """One printed part.

    Parameters
    ----------
    name : str
        File name without ending, such as "deck_layer1_body".
    copies : int
        How many to print.
    triangles : ndarray of float32, shape (n, 3, 3)
        Corners of the surface's triangles, seen from outside in turn to the left; lying on its end, cell axis
        up, lowest corner at the origin [mm].
    volume_mm3 : float
        Of one copy [mm³].
    """

    name: str
    copies: int
    triangles: npt.NDArray[np.float32]
    volume_mm3: float


def bores(station: Station, *, index: views.Ints, clearance_mm: float) -> shapely.Geometry:
    """Openings for some cells, grown by a clearance all round, in the two axes across the cells.

    Parameters
    ----------
    station : Station
    index : ndarray of int
        Positions of the layout.
    clearance_mm : float
        Between cell and bore, on every side [mm].

    Returns
    -------
    shapely geometry
        [mm]
    """
    axis = station.layout.axis
    natural = View(axis, views.NATURAL_SIDE[axis])
    if station.layout.size.shape != "cylinder":
        shapes = views.cell_shapes(station, view=natural, index=index)
        return shapely.union_all([shape.buffer(clearance_mm, join_style="mitre") for shape in shapes])
    # A polygon around the circle, not in it: a bore is never tighter than its cell.
    radius = (station.layout.size.diameter_mm / 2.0 + clearance_mm) / np.cos(np.pi / (4 * BORE_SEGMENTS))
    flat = views.project(station.layout.centres_mm[index], view=natural)
    return shapely.union_all(shapely.buffer(shapely.points(flat), radius, quad_segs=BORE_SEGMENTS))


def webs(station: Station, *, index: views.Ints, pairs: views.Ints, cell_gap_mm: float) -> shapely.Geometry:
    """Rings around the cells and ribs between neighbours, bores not yet taken out.

    Parameters
    ----------
    station : Station
    index : ndarray of int
        Positions of the layout.
    pairs : ndarray of int, shape (m, 2)
        Neighbours, as `views.touching` gives them.
    cell_gap_mm : float
        Free distance between neighbouring cells [mm].

    Returns
    -------
    shapely geometry
        [mm]
    """
    natural = View(station.layout.axis, views.NATURAL_SIDE[station.layout.axis])
    flat = views.project(station.layout.centres_mm, view=natural)
    rings = bores(station, index=index, clearance_mm=cell_gap_mm / 2.0 + JOIN_MM)
    own = pairs[np.isin(pairs, index).all(axis=1)]
    ribs = [
        LineString(flat[pair]).buffer(RIB_MM / 2.0, cap_style="flat")
        for pair in (*own, *index[_tree(flat[index])])
    ]
    return shapely.union_all([rings, *ribs])


def _tree(flat_mm: views.Floats) -> views.Ints:
    """Pairs that tie all points together by the shortest way, so that no ring of a loose layout floats."""
    between = np.hypot(*(flat_mm[:, None, :] - flat_mm[None, :, :]).transpose(2, 0, 1))
    found = minimum_spanning_tree(between).tocoo()
    return np.column_stack([found.row, found.col]).astype(np.int64)


def _raised(shape: shapely.Geometry, *, height_mm: float, lift_mm: float = 0.0) -> Any:
    """A plane shape as a solid that stands on `lift_mm`, its corners on a grid of a micrometre."""
    import manifold3d

    clean = shapely.set_precision(shape, GRID_MM)
    rings = [
        np.asarray(ring.coords)[:-1, :2]
        for part in shapely.get_parts(shapely.orient_polygons(clean))
        if isinstance(part, Polygon)
        for ring in (part.exterior, *part.interiors)
    ]
    flat = manifold3d.CrossSection(rings, manifold3d.FillRule.Positive)
    # Trust no fill rule with a part that somebody prints: the area must be that of the shape.
    if abs(flat.area() - shape.area) > 1e-3 * shape.area:
        raise ValueError(f"a section of {shape.area:.1f} mm² came out with {flat.area():.1f} mm²")
    return manifold3d.Manifold.extrude(flat, height_mm).translate((0.0, 0.0, lift_mm))


def _body(
    outer: shapely.Geometry,
    inner: shapely.Geometry,
    web: shapely.Geometry,
    bore: shapely.Geometry,
    *,
    sizes: Sizes,
) -> Any:
    """Wall over the height between the covers, webs over the cells' length, as one closed solid."""
    wall = outer.difference(inner)
    middle = wall.union(web.intersection(inner)).difference(bore)
    rim = _raised(wall.difference(bore), height_mm=sizes.wall_mm)
    return rim + _raised(middle, height_mm=sizes.cell_mm, lift_mm=sizes.rim_mm)


@dataclass(frozen=True)
class Sizes:
    """Heights of a case along the cells: cell, wall between the covers, rim at each end, cover [mm]."""

    cell_mm: float
    wall_mm: float
    rim_mm: float
    cover_mm: float


def sizes_of(design: Design, station: Station) -> Sizes:
    """Heights of a station's cases.

    Parameters
    ----------
    design : Design
    station : Station

    Returns
    -------
    Sizes
        [mm]
    """
    cell = float(station.layout.extents_mm[0, station.layout.axis])
    cover = max(design.clearance.end_mm - END_STACK_MM, 0.0)
    rim = design.clearance.end_mm - cover
    return Sizes(cell, cell + 2.0 * rim, rim, cover)


def case_parts(design: Design, *, clearance_mm: float = 0.0) -> list[Part]:
    """Bodies and covers of all cases of a design.

    Parameters
    ----------
    design : Design
    clearance_mm : float
        Between cell and bore, on every side [mm]. 0 prints bores of the catalog's largest diameter.

    Returns
    -------
    list of Part

    Raises
    ------
    ValueError
        If the clearance leaves no wall between the bores, or a part does not come out as a solid.
    """
    most = max((design.clearance.cell_gap_mm - LEAST_WALL_MM) / 2.0, 0.0)
    if not 0.0 <= clearance_mm <= most + 1e-9:
        raise ValueError(
            f"clearance_mm must be 0 to {most:g}, so that {LEAST_WALL_MM:g} mm of wall stay between the bores, "
            f"found {clearance_mm:g}"
        )
    parts: list[Part] = []
    taken: set[str] = set()
    for number, station in enumerate(design.stations, start=1):
        for case in _cases(station):
            parts += _one_case(design, station, case, clearance_mm=clearance_mm)
        mine = {part.name for part in parts} - taken
        if len(mine) + len(taken) < len(parts):
            # Names that differ only in signs that file systems don't take: one file would replace the other.
            parts[len(taken) :] = [replace(part, name=f"{part.name}_box{number}") for part in parts[len(taken) :]]
        taken = {part.name for part in parts}
    return parts


@dataclass(frozen=True, eq=False)
class _Case:
    """One case to print: its name, how many are alike, its level along the axis, positions with bores."""

    name: str
    copies: int
    level: int
    index: views.Ints


def _cases(station: Station) -> list[_Case]:
    """Cases of a station. A module's case holds all its seats; modules that are alike are listed once."""
    layout, label, level = station.layout, _file_name(station.compartment.name), views.levels(station)
    used = station.used
    if layout.way != "modules":
        return [
            _Case(f"{label}_layer{k + 1}", 1, int(k), np.flatnonzero((level == k) & used))
            for k in np.unique(level[used])
        ]
    alike: dict[bytes, list[_Case]] = {}
    for module in np.unique(layout.module[used]):
        for k in np.unique(level[layout.module == module]):
            index = np.flatnonzero((layout.module == module) & (level == k))
            here = layout.centres_mm[index] - layout.centres_mm[index].min(axis=0)
            here = np.round(here[np.lexsort(here.T)], 3) + 0.0
            found = _Case(f"{label}_module{int(module) + 1}", 1, int(k), index)
            alike.setdefault(here.tobytes(), []).append(found)
    return [
        _Case(f"{cases[0].name}_layer{cases[0].level + 1}", len(cases), cases[0].level, cases[0].index)
        for cases in alike.values()
    ]


def _one_case(design: Design, station: Station, case: _Case, *, clearance_mm: float) -> list[Part]:
    sizes, gap, index = sizes_of(design, station), design.clearance.cell_gap_mm, case.index
    outer, inner = views.case_outline(
        station, axis=station.layout.axis, layer=case.level, clearance=design.clearance
    )
    bore = bores(station, index=index, clearance_mm=clearance_mm)
    if station.layout.way == "modules":
        outer = _around(outer, bore)
        inner = _around(inner, bore)
    web = webs(station, index=index, pairs=views.touching(station, cell_gap_mm=gap), cell_gap_mm=gap)
    body = _body(outer, inner, web, bore, sizes=sizes)
    parts = [_part(f"{case.name}_body", case.copies, body)]
    if sizes.cover_mm > 0.0:
        parts.append(_part(f"{case.name}_cover", 2 * case.copies, _raised(outer, height_mm=sizes.cover_mm)))
    return parts


def _around(shape: shapely.Geometry, bore: shapely.Geometry) -> shapely.Geometry:
    """Of several outlines the one that holds these bores."""
    middle = bore.representative_point()
    return max(shapely.get_parts(shape), key=lambda part: -part.distance(middle))


def _part(name: str, copies: int, solid: Any) -> Part:
    """The solid with its lowest corner at the origin, so that it lies on the print bed."""
    volume = float(solid.volume())
    if solid.is_empty() or not volume > 0:
        raise ValueError(f"{name} did not come out as a solid; no case is written")
    if len(solid.decompose()) > 1:
        raise ValueError(f"{name} falls into {len(solid.decompose())} pieces; no case is written")
    mesh = solid.to_mesh()
    corners = np.asarray(mesh.vert_properties, dtype=np.float32)[:, :3]
    triangles = (corners - corners.min(axis=0))[np.asarray(mesh.tri_verts, dtype=np.int64)]
    # Corners that single precision makes equal leave triangles without area; readers would see holes there.
    flat = (triangles == np.roll(triangles, 1, axis=1)).all(axis=2).any(axis=1)
    return Part(name, copies, triangles[~flat], volume)


def stl_bytes(triangles: npt.NDArray[np.float32], *, header: str = "cellstow, millimetres") -> bytes:
    """Triangles as a binary STL file: 80 bytes of text, their number, then normal and corners of each.

    Parameters
    ----------
    triangles : ndarray of float32, shape (n, 3, 3)
        [mm]
    header : str
        At most 80 bytes are kept.

    Returns
    -------
    bytes

    Notes
    -----
    Source: the binary form of the stereolithography interface specification (1989), little-endian.
    """
    normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    record = np.zeros(len(triangles), dtype=[("v", "<f4", (4, 3)), ("attribute", "<u2")])
    record["v"][:, 0] = normal / np.where(length > 0, length, 1.0)
    record["v"][:, 1:] = triangles
    count = np.array([len(triangles)], dtype="<u4").tobytes()
    return header.encode("ascii", "replace")[:80].ljust(80, b" ") + count + record.tobytes()


def _file_name(name: str) -> str:
    """A name that any file system takes."""
    safe = "".join(sign if sign.isascii() and (sign.isalnum() or sign in "-_") else "_" for sign in name)
    return safe or "case"


def write_cases(folder: Path, design: Design, *, clearance_mm: float = 0.0) -> list[Path]:
    """Write each part as a binary STL in millimetres.

    Parameters
    ----------
    folder : Path
    design : Design
    clearance_mm : float
        Between cell and bore, on every side [mm].

    Returns
    -------
    list of Path
        "…_x2.stl" is to be printed twice.
    """
    paths = []
    for part in case_parts(design, clearance_mm=clearance_mm):
        path = folder / f"case_{part.name}{f'_x{part.copies}' if part.copies > 1 else ''}.stl"
        write_bytes(path, stl_bytes(part.triangles))
        paths.append(path)
    return paths
