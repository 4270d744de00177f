"""A solid from a STEP file, by Open CASCADE (the optional extra "step")."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from OCP.BRep import BRep_Tool
from OCP.BRepMesh import BRepMesh_IncrementalMesh
from OCP.IFSelect import IFSelect_RetDone
from OCP.STEPControl import STEPControl_Reader
from OCP.TopAbs import TopAbs_FACE, TopAbs_REVERSED, TopAbs_SOLID
from OCP.TopExp import TopExp_Explorer
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS


def read_step(path: Path, *, deflection_mm: float) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Triangles of the one solid that a STEP file holds; the kernel turns its units into millimetres.

    Parameters
    ----------
    deflection_mm : float
        How far a triangle may lie off a curved face [mm].

    Returns
    -------
    vertices_mm : ndarray, shape (n, 3)
        Those of each face by themselves.
    faces : ndarray of int, shape (m, 3)

    Raises
    ------
    ValueError
        If it can't be read, or holds no solid or several.
    """
    reader = STEPControl_Reader()
    if reader.ReadFile(str(path)) != IFSelect_RetDone or not reader.TransferRoots():
        raise ValueError("can't be read as STEP")
    shape = reader.OneShape()
    solids = _of(shape, TopAbs_SOLID)
    if len(solids) != 1:
        raise ValueError(f"must hold one solid; it holds {len(solids)} solids")
    BRepMesh_IncrementalMesh(shape, deflection_mm, False, 0.2, False)
    corners: list[NDArray[np.float64]] = []
    faces: list[NDArray[np.int64]] = []
    start = 0
    for item in _of(shape, TopAbs_FACE):
        face = TopoDS.Face(item)
        place = TopLoc_Location()
        mesh = BRep_Tool.Triangulation_s(face, place)
        if mesh is None:
            continue
        move = place.Transformation()
        points = [mesh.Node(k).Transformed(move) for k in range(1, mesh.NbNodes() + 1)]
        sides = np.array([mesh.Triangle(k).Get() for k in range(1, mesh.NbTriangles() + 1)], dtype=np.int64) - 1
        corners.append(np.array([[p.X(), p.Y(), p.Z()] for p in points]))
        faces.append((sides[:, ::-1] if face.Orientation() == TopAbs_REVERSED else sides) + start)
        start += len(points)
    return np.concatenate(corners), np.concatenate(faces)


def _of(shape: object, kind: object) -> list[object]:
    """All parts of a kind."""
    found, explorer = [], TopExp_Explorer(shape, kind)
    while explorer.More():
        found.append(explorer.Current())
        explorer.Next()
    return found
