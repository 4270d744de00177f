"""From a brief's words to the fit's: compartments, clearances, and the distinct sizes of the cells."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from optimizer.brief import schema
from optimizer.catalog import Cells
from optimizer.fit.compartment import Compartment, KeepOut, box, keep_out_box
from optimizer.fit.layout import AXES, CellSize, Clearance


def compartments(brief: schema.Brief) -> tuple[Compartment, ...]:
    """The brief's compartments, in its order."""
    return tuple(_compartment(item) for item in brief.compartment)


def _compartment(item: schema.BoxCompartment | schema.PrismCompartment) -> Compartment:
    keep_outs = tuple(_keep_out(part) for part in item.keep_out)
    axes = tuple(AXES.index(axis) for axis in item.axes)
    if isinstance(item, schema.BoxCompartment):
        return box(
            item.name,
            length_mm=item.length_mm,
            width_mm=item.width_mm,
            height_mm=item.height_mm,
            keep_outs=keep_outs,
            position_mm=item.position_mm,
            rotation_deg=item.rotation_deg,
            axes=axes,
        )
    extrude = AXES.index(item.extrude)
    return Compartment(
        item.name,
        item.profile_mm,
        extrude,
        item.depth_mm,
        keep_outs,
        item.position_mm,
        item.rotation_deg,
        axes,
    )


def _keep_out(part: schema.BoxKeepOut | schema.PrismKeepOut) -> KeepOut:
    if isinstance(part, schema.BoxKeepOut):
        return keep_out_box(
            part.name,
            origin_mm=part.origin_mm,
            length_mm=part.length_mm,
            width_mm=part.width_mm,
            height_mm=part.height_mm,
        )
    return KeepOut(part.name, part.profile_mm, AXES.index(part.extrude), part.depth_mm, part.origin_mm)


def clearance(brief: schema.Brief) -> Clearance:
    """The brief's free distances."""
    return Clearance(**brief.clearance.model_dump())


def cell_size(cells: Cells, row: int) -> CellSize:
    """Outer size of one cell of the catalog."""
    if cells.shape[row] == "cylinder":
        return CellSize(
            "cylinder", length_mm=float(cells.length_mm[row]), diameter_mm=float(cells.diameter_mm[row])
        )
    return CellSize(
        "block",
        length_mm=float(cells.length_mm[row]),
        width_mm=float(cells.width_mm[row]),
        thickness_mm=float(cells.thickness_mm[row]),
    )


def distinct_sizes(
    cells: Cells, rows: npt.NDArray[np.int64]
) -> tuple[list[CellSize], npt.NDArray[np.int64]]:
    """Distinct sizes of the chosen cells, largest last, and the size of each.

    Returns
    -------
    sizes : list of CellSize
    size : ndarray of int, shape (len(rows),)
        Index into sizes.
    """
    each = [cell_size(cells, int(row)) for row in rows]
    sizes = sorted(set(each), key=lambda z: (z.shape, z.diameter_mm, z.length_mm, z.width_mm, z.thickness_mm))
    index = {size: k for k, size in enumerate(sizes)}
    return sizes, np.array([index[size] for size in each], dtype=np.int64)


def rotation(degrees: tuple[float, float, float]) -> npt.NDArray[np.float64]:
    """Rotation about x, then y, then z of the vehicle, shape (3, 3)."""
    matrix = np.eye(3)
    for axis, angle in enumerate(np.radians(degrees)):
        i, j = (k for k in range(3) if k != axis)
        turn = np.eye(3)
        turn[i, i] = turn[j, j] = np.cos(angle)
        # y points the other way round in the pair (x, z).
        turn[j, i] = np.sin(angle) * (-1.0 if axis == 1 else 1.0)
        turn[i, j] = -turn[j, i]
        matrix = turn @ matrix
    return matrix


def to_vehicle(room: Compartment, points_mm: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Points of a compartment's own axes in the vehicle's.

    Parameters
    ----------
    room : Compartment
    points_mm : array-like, shape (…, 3)
        [mm]

    Returns
    -------
    ndarray, shape (…, 3)
        [mm]
    """
    turned: npt.NDArray[np.float64] = np.asarray(points_mm, float) @ rotation(room.rotation_deg).T
    out: npt.NDArray[np.float64] = turned + np.asarray(room.position_mm, float)
    return out


def centre_mm(room: Compartment) -> npt.NDArray[np.float64]:
    """Middle of a compartment's extent, in its own axes [mm], shape (3,)."""
    return np.asarray([(low + high) / 2.0 for low, high in room.extent_mm])
