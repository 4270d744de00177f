"""A pack as a STEP assembly of named and coloured solids, by Open CASCADE (the optional extra "step")."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from OCP.BRep import BRep_Builder
from OCP.BRepBuilderAPI import (
    BRepBuilderAPI_MakeEdge,
    BRepBuilderAPI_MakeFace,
    BRepBuilderAPI_MakePolygon,
    BRepBuilderAPI_MakeSolid,
    BRepBuilderAPI_MakeWire,
    BRepBuilderAPI_RoundCorner,
    BRepBuilderAPI_Sewing,
)
from OCP.BRepCheck import BRepCheck_Analyzer
from OCP.BRepGProp import BRepGProp
from OCP.BRepOffsetAPI import BRepOffsetAPI_MakePipeShell
from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder
from OCP.gp import gp_Ax2, gp_Circ, gp_Dir, gp_Pln, gp_Pnt, gp_Trsf
from OCP.GProp import GProp_GProps
from OCP.IFSelect import IFSelect_RetDone
from OCP.Interface import Interface_Static
from OCP.Message import Message, Message_PrinterOStream
from OCP.Quantity import Quantity_Color, Quantity_TOC_sRGB
from OCP.STEPCAFControl import STEPCAFControl_Writer
from OCP.STEPControl import STEPControl_AsIs
from OCP.TCollection import TCollection_ExtendedString
from OCP.TDataStd import TDataStd_Name
from OCP.TDocStd import TDocStd_Document
from OCP.TopAbs import TopAbs_SHELL
from OCP.TopExp import TopExp_Explorer
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS, TopoDS_Compound
from OCP.XCAFDoc import XCAFDoc_ColorType, XCAFDoc_DocumentTool

from optimizer.base.arrays import Floats, Ints
from optimizer.base.files import write_bytes
from optimizer.review.cad.model import COLOURS, Thing

#: Faces of neighbouring triangles are one where their planes agree to this.
FLAT = 1e-6
#: Edges nearer than this are sewn [mm].
SEWN_MM = 1e-3


def write_step(path: Path, found: Sequence[Thing]) -> None:
    """Write things as a STEP assembly in millimetres, in the vehicle's axes; things that are alike share a shape.

    Raises
    ------
    ValueError
        If a solid can't be made or written.
    """
    # The kernel reports on itself to the standard output.
    Message.DefaultMessenger_s().RemovePrinters(Message_PrinterOStream.get_type_descriptor_s())
    document = TDocStd_Document(TCollection_ExtendedString("XmlXCAF"))
    shapes = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    colours = XCAFDoc_DocumentTool.ColorTool_s(document.Main())
    top = shapes.NewShape()
    TDataStd_Name.Set_s(top, TCollection_ExtendedString("pack"))
    known: dict[int, Any] = {}
    for thing in found:
        if id(thing.solid) not in known:
            label = shapes.AddShape(solid_of(thing), False)
            TDataStd_Name.Set_s(label, TCollection_ExtendedString(thing.name))
            red, green, blue, _ = (part / 255.0 for part in COLOURS[thing.kind])
            paint = Quantity_Color(red, green, blue, Quantity_TOC_sRGB)
            colours.SetColor(label, paint, XCAFDoc_ColorType.XCAFDoc_ColorSurf)
            known[id(thing.solid)] = label
        part = shapes.AddComponent(top, known[id(thing.solid)], _place(thing.place))
        TDataStd_Name.Set_s(part, TCollection_ExtendedString(thing.name))
    shapes.UpdateAssemblies()
    writer = STEPCAFControl_Writer()
    Interface_Static.SetCVal_s("write.step.unit", "MM")
    # Curves on flat faces are known from their edges: without them the file is half as long.
    Interface_Static.SetIVal_s("write.surfacecurve.mode", 0)
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "pack.step"
        if not writer.Transfer(document, STEPControl_AsIs) or writer.Write(str(file)) != IFSelect_RetDone:
            raise ValueError("the STEP assembly could not be written")
        write_bytes(path, file.read_bytes())


def _place(place: Floats) -> TopLoc_Location:
    move = gp_Trsf()
    move.SetValues(*(float(x) for x in place.ravel()))
    return TopLoc_Location(move)


def solid_of(thing: Thing) -> Any:
    """A thing as an exact solid: cells as cylinders and blocks, wires swept along their paths, all else by flat faces.

    Raises
    ------
    ValueError
        If the faces do not close to the thing's volume.
    """
    if thing.extent_mm is not None:
        return _cell(np.asarray(thing.extent_mm), thing.axis, thing.round_cell)
    if thing.path_mm is not None:
        return _swept(thing.path_mm, thing.radius_mm, thing.name)
    lots = thing.solid.decompose()
    # Some kernels read a solid of two shells beside each other as two, others as one: each lot is a solid of its own.
    # The surface of a hollow inside has a volume below 0: such a thing stays whole.
    whole = len(lots) < 2 or min(lot.volume() for lot in lots) <= 0.0
    made = [_faced(lot, thing.name) for lot in ([thing.solid] if whole else lots)]
    return made[0] if len(made) == 1 else _together(made)


def _faced(body: Any, name: str) -> Any:
    """A body as a solid of flat faces.

    Beside curved walls, which are many small faces, edges can be shorter than what sewing tells apart: such corners are
    drawn together then, as far as that changes the volume by less than 1 in 1000.
    """
    volume = float(body.volume())
    for drawn in (body, body.simplify(SEWN_MM)):
        mesh, own = drawn.to_mesh64(), float(drawn.volume())
        corners = np.asarray(mesh.vert_properties, dtype=float)[:, :3]
        sides = np.asarray(mesh.tri_verts, dtype=np.int64)
        for loops in (_facets(corners, sides), [[side] for side in sides]):
            made = _sewn(corners, loops)
            if made is not None and abs(_volume(made) - own) < 1e-4 * own and abs(own - volume) < 1e-3 * volume:
                return made
    raise ValueError(f"{name} did not come out as a solid")


def _together(solids: Sequence[Any]) -> Any:
    """Solids as one shape."""
    found, builder = TopoDS_Compound(), BRep_Builder()
    builder.MakeCompound(found)
    for solid in solids:
        builder.Add(found, solid)
    return found


def _cell(extent: Floats, axis: int, round_cell: bool) -> Any:
    if not round_cell:
        low = gp_Pnt(*(float(-x / 2.0) for x in extent))
        return BRepPrimAPI_MakeBox(low, *(float(x) for x in extent)).Solid()
    way, low = np.zeros(3), np.zeros(3)
    way[axis], low[axis] = 1.0, -extent[axis] / 2.0
    frame = gp_Ax2(gp_Pnt(*map(float, low)), gp_Dir(*map(float, way)))
    return BRepPrimAPI_MakeCylinder(frame, float(extent[(axis + 1) % 3] / 2.0), float(extent[axis])).Solid()


def _swept(path: Floats, radius: float, name: str) -> Any:
    """A round solid along a path, round at its corners."""
    line = BRepBuilderAPI_MakePolygon()
    for point in path:
        line.Add(gp_Pnt(*map(float, point)))
    start = gp_Ax2(gp_Pnt(*map(float, path[0])), gp_Dir(*map(float, path[1] - path[0])))
    profile = BRepBuilderAPI_MakeWire(BRepBuilderAPI_MakeEdge(gp_Circ(start, radius)).Edge()).Wire()
    pipe = BRepOffsetAPI_MakePipeShell(line.Wire())
    pipe.SetTransitionMode(BRepBuilderAPI_RoundCorner)
    pipe.Add(profile, False, False)
    pipe.Build()
    if not pipe.MakeSolid() or not BRepCheck_Analyzer(pipe.Shape()).IsValid():
        raise ValueError(f"{name} did not come out as a solid")
    return pipe.Shape()


def _volume(shape: Any) -> float:
    found = GProp_GProps()
    BRepGProp.VolumeProperties_s(shape, found)
    return abs(float(found.Mass()))


def _facets(corners: Floats, sides: Ints) -> list[list[Ints]]:
    """Neighbouring triangles of one plane as one face: its outline and its holes, each a loop of corners.

    Returns list of list of ndarray of int: outline first. A face whose outline meets itself is left as triangles.
    """
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    a, b, c = corners[sides[:, 0]], corners[sides[:, 1]], corners[sides[:, 2]]
    normal = np.cross(b - a, c - a)
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-300)
    edges = np.sort(sides[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    order = np.lexsort(edges.T)
    owner = np.repeat(np.arange(len(sides)), 3)[order].reshape(-1, 2)
    one, other = owner.T
    flat = np.einsum("ij,ij->i", normal[one], normal[other]) > 1.0 - FLAT
    graph = coo_matrix((np.ones(flat.sum()), (one[flat], other[flat])), shape=(len(sides),) * 2)
    _, face = connected_components(graph, directed=False)
    found: list[list[Ints]] = []
    by_face = np.argsort(face, kind="stable")
    for lot in np.split(by_face, np.flatnonzero(np.diff(face[by_face])) + 1):
        loops = _loops(sides[lot])
        if loops is None:
            found += [[side] for side in sides[lot]]
        else:
            found.append(sorted(loops, key=lambda loop: -_girth(corners[loop])))
    return found


def _girth(points: Floats) -> float:
    """Diagonal of the box around a loop: the outline's is the largest."""
    return float(np.linalg.norm(np.ptp(points, axis=0)))


def _loops(sides: Ints) -> list[Ints] | None:
    """Loops of the edges that only one of some triangles has; None where one meets itself."""
    if len(sides) == 1:
        return [sides[0]]
    edges = sides[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    back = {(int(b), int(a)) for a, b in edges}
    rim = [(int(a), int(b)) for a, b in edges if (int(a), int(b)) not in back]
    after = dict(rim)
    if len(after) != len(rim):
        return None
    loops = []
    while after:
        start, here = after.popitem()
        loop = [start]
        while here != start:
            loop.append(here)
            here = after.pop(here)
        loops.append(np.array(loop, dtype=np.int64))
    return loops


def _sewn(corners: Floats, faces: list[list[Ints]]) -> Any:
    """A solid of flat faces, or None where they do not close."""
    sewing = BRepBuilderAPI_Sewing(SEWN_MM)
    for loops in faces:
        face = _face(corners, loops)
        if face is None:
            return None
        sewing.Add(face)
    sewing.Perform()
    shells = TopExp_Explorer(sewing.SewedShape(), TopAbs_SHELL)
    made, count = BRepBuilderAPI_MakeSolid(), 0
    while shells.More():
        made.Add(TopoDS.Shell(shells.Current()))
        count += 1
        shells.Next()
    return made.Solid() if count else None


def _face(corners: Floats, loops: list[Ints]) -> Any:
    points = corners[loops[0]]
    # Newell's sum: the normal of a closed loop, whatever corners lie in line.
    normal = np.cross(points, np.roll(points, -1, axis=0)).sum(axis=0)
    if np.linalg.norm(normal) < 1e-12:
        return None
    plane = gp_Pln(gp_Pnt(*map(float, points[0])), gp_Dir(*map(float, normal)))
    made = BRepBuilderAPI_MakeFace(plane, _wire(corners[loops[0]]), True)
    for loop in loops[1:]:
        made.Add(_wire(corners[loop]))
    return made.Face() if made.IsDone() else None


def _wire(points: Floats) -> Any:
    made = BRepBuilderAPI_MakePolygon()
    for point in points:
        made.Add(gp_Pnt(*map(float, point)))
    made.Close()
    return made.Wire()
