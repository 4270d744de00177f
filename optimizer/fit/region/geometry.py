"""From a brief's words to the fit's: compartments, clearances, and the distinct sizes of the cells."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from optimizer.brief import schema, spaces
from optimizer.catalog import Cells
from optimizer.fit.region.compartment import Compartment, KeepOut, box, keep_out_box
from optimizer.fit.region.layout import AXES, END_STACK_MM, CellSize, Clearance
from optimizer.fit.region.mesh import LEAST_MM, solid_of


def compartments(brief: schema.Brief) -> tuple[Compartment, ...]:
    """The brief's compartments, in its order."""
    return tuple(compartment(brief, item) for item in brief.compartment)


def compartment(brief: schema.Brief, item: spaces.Compartment) -> Compartment:
    """One of a brief's compartments.

    Raises
    ------
    BadInput
        If a solid that it names can't be read or is none.
    """
    return _compartment(item, brief.path.parent)


def _compartment(item: spaces.Compartment, folder: Path) -> Compartment:
    keep_outs = tuple(_keep_out(part, folder) for part in item.keep_out)
    axes = tuple(AXES.index(axis) for axis in item.axes)
    if isinstance(item, spaces.BoxCompartment):
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
    if isinstance(item, spaces.SolidCompartment):
        solid = solid_of(folder / item.solid, units=item.units or "")
        return Compartment(
            item.name, solid.outline_mm, 2, solid.depth_mm, keep_outs, item.position_mm, item.rotation_deg, axes, solid
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


def _keep_out(part: spaces.KeepOut, folder: Path) -> KeepOut:
    if isinstance(part, spaces.SolidKeepOut):
        path = folder / part.solid
        solid = solid_of(path, units=part.units or "", least_mm=LEAST_MM / 10.0, origin_mm=part.origin_mm)
        return KeepOut(part.name, solid.outline_mm, 2, solid.depth_mm, (0.0, 0.0, solid.base_mm), solid)
    if isinstance(part, spaces.BoxKeepOut):
        return keep_out_box(
            part.name,
            origin_mm=part.origin_mm,
            length_mm=part.length_mm,
            width_mm=part.width_mm,
            height_mm=part.height_mm,
        )
    return KeepOut(part.name, part.profile_mm, AXES.index(part.extrude), part.depth_mm, part.origin_mm)


def clearance(brief: schema.Brief, size: CellSize | None = None) -> Clearance:
    """The brief's free distances; around cells of a size with room for what stands over their metal, and tie plates."""
    asked = Clearance(**brief.clearance.model_dump())
    if size is None:
        return asked
    return replace(asked, end_mm=asked.end_mm + size.over_mm, case_mm=asked.case_mm + size.tie_mm)


def height_over_mm(cells: Cells, row: int, *, lug_mm: float, stack_mm: float = END_STACK_MM) -> float:
    """What stands at each end of a block over the room for metal, where that is bolted [mm].

    over = max(lug + washer and nut or head, stud − room for metal)

    Both ends get it, since the covers of a case are alike; where both terminals are on one end, leads have the other.

    Parameters
    ----------
    lug_mm : float
        Of a ring lug between metal and washer [mm].
    stack_mm : float
        Room for metal [mm].
    """
    stud = float(cells.stud_mm[row]) - stack_mm
    return max(lug_mm + float(cells.fastener_mm[row]), stud)


# Pressure on the wide sides where a table is silent, and plates of aluminium that spread it: papers of large LFP cells
# ask for about 300 kgf on 174 × 207 mm, those of pouch cells for 5 to 7 psi (both from memory) [kPa], [mm].
PRESSURE_KPA = {"prismatic": 80.0, "pouch": 40.0}
TIE_PLATE_MM = 3.0


def tied_by(cells: Cells, row: int) -> dict[str, Any]:
    """Pressure that a block asks for and thickness of its tie plates, as fields of CellSize; both 0 without."""
    asked, plate = float(cells.pressure_kpa[row]), float(cells.tie_plate_mm[row])
    pressure = asked if np.isfinite(asked) else PRESSURE_KPA[str(cells.shape[row])]
    tie = (plate if np.isfinite(plate) else TIE_PLATE_MM) if pressure > 0 else 0.0
    return {"tie_mm": tie, "pressure_kpa": pressure}


def cell_size(
    cells: Cells, row: int, *, step_mm: float = 0.0, lug_mm: float | None = None, stack_mm: float = END_STACK_MM
) -> CellSize:
    """Outer size of one cell of the catalog, rounded up to whole steps; with `lug_mm` blocks are bolted.

    `stack_mm` is the room for metal under a cover.
    """

    def up(value: float) -> float:
        # What is a whole number of steps but for the last bits stays so.
        return float(np.round(np.ceil(value / step_mm - 1e-6) * step_mm, 6)) if step_mm > 0 else float(value)

    if cells.shape[row] == "cylinder":
        positive = float(np.nan_to_num(cells.positive_diameter_mm[row]))
        return CellSize("cylinder", length_mm=up(cells.length_mm[row]), diameter_mm=up(cells.diameter_mm[row]),
                        positive_mm=positive)  # fmt: skip
    return CellSize(
        "block", length_mm=up(cells.length_mm[row]), width_mm=up(cells.width_mm[row]),
        thickness_mm=up(cells.thickness_mm[row]), **terminals_of(cells, row),
        over_mm=0.0 if lug_mm is None else height_over_mm(cells, row, lug_mm=lug_mm, stack_mm=stack_mm),
        **tied_by(cells, row),
    )  # fmt: skip


def terminals_of(cells: Cells, row: int) -> dict[str, Any]:
    """Terminals of a prismatic or pouch cell, as fields of CellSize.

    What the catalog leaves open is as usual (common practice, no published source): both terminals on one end, 0.55
    of the width apart; studs of 0.6 of the thickness, at most 0.3 of the width, tabs that are folded over of 0.9; a
    vent between the studs of half the thickness, at most a quarter of the width, none on a pouch.
    """
    width, thick = float(cells.width_mm[row]), float(cells.thickness_mm[row])
    pouch = cells.shape[row] == "pouch"
    if str(cells.terminal_layout[row]) == "ends":
        return {}
    across, apart = float(cells.terminal_mm[row]), float(cells.terminal_spacing_mm[row])
    vent = str(cells.vent_end[row]) or ("none" if pouch else "terminals")
    return {
        "same_end": True,
        "spacing_mm": apart if np.isfinite(apart) else round(0.55 * width, 2),
        "terminal_mm": across if np.isfinite(across) else round(min((0.9 if pouch else 0.6) * thick, 0.3 * width), 2),
        "vent_mm": round(min(0.5 * thick, 0.25 * width), 2) if vent == "terminals" else 0.0,
    }


def distinct_sizes(
    cells: Cells, rows: npt.NDArray[np.int64], *, step_mm: float = 0.0, lug_mm: float | None = None,
    stack_mm: float = END_STACK_MM,
) -> tuple[list[CellSize], npt.NDArray[np.int64]]:
    """Distinct sizes of the chosen cells, largest last, and the number of each cell's, see `cell_size` [mm]."""
    each = [cell_size(cells, int(row), step_mm=step_mm, lug_mm=lug_mm, stack_mm=stack_mm) for row in rows]
    sizes = sorted(set(each), key=lambda z: (z.shape, z.diameter_mm, astuple(z)))
    index = {size: k for k, size in enumerate(sizes)}
    return sizes, np.array([index[size] for size in each], dtype=np.int64)


def sizes_of(
    brief: schema.Brief, cells: Cells, rows: npt.NDArray[np.int64]
) -> tuple[list[CellSize], npt.NDArray[np.int64]]:
    """As `distinct_sizes`, with the brief's steps and with room for bolts where it keeps that."""
    lug_mm = brief.joining.lug_mm if brief.joining.bolt_room else None
    return distinct_sizes(
        cells, rows, step_mm=brief.fit.size_step_mm, lug_mm=lug_mm, stack_mm=brief.clearance.stack_mm
    )


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
    """Points of a compartment's own axes, shape (…, 3), in the vehicle's [mm]."""
    turned: npt.NDArray[np.float64] = np.asarray(points_mm, float) @ rotation(room.rotation_deg).T
    out: npt.NDArray[np.float64] = turned + np.asarray(room.position_mm, float)
    return out


def wall_volume_mm3(room: Compartment, *, wall_mm: float) -> float:
    """Wall of a closed box around a compartment, for a box that is still to be made.

    V = A(profile grown by t, corners kept sharp) · (depth + 2 t) − A(profile) · depth

    Parameters
    ----------
    room : Compartment
        Its own size is the inside.
    wall_mm : float
        t [mm].

    Returns
    -------
    float
        [mm³]
    """
    if room.solid is not None:
        # A wall along a curved surface, to first order: area times thickness.
        a, b, c = np.moveaxis(room.solid.triangles, 1, 0)
        return float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum() / 2.0 * wall_mm)
    inside = shapely.Polygon(room.profile_mm)
    outside = inside.buffer(wall_mm, join_style="mitre", mitre_limit=10.0)
    return float(outside.area * (room.depth_mm + 2.0 * wall_mm) - inside.area * room.depth_mm)


def outer_size_mm(room: Compartment, *, wall_mm: float) -> tuple[float, ...]:
    """Size of a compartment with walls along its own axes [mm]."""
    return tuple(high - low + 2.0 * wall_mm for low, high in room.extent_mm)


def box_walls(brief: schema.Brief, rooms: Sequence[Compartment]) -> dict[str, float]:
    """Mass of the walls of each compartment that is billed as a box, by name [kg]; none without [box]."""
    box = brief.box
    if box is None:
        return {}
    return {
        room.name: wall_volume_mm3(room, wall_mm=box.wall_mm) * 1e-9 * box.density_kg_m3
        for room in rooms
        if room.name in box.compartments
    }


def room_margins(brief: schema.Brief, rooms: Sequence[Compartment]) -> dict[str, float]:
    """How far inside the vehicle's outer limits the compartments with their walls lie [mm]; below 0 they are too large.

    By words such as "deck: outer size along z" and "envelope: height"; walls count for compartments that [box] names.
    """
    out: dict[str, float] = {}
    corners = []
    for item, room in zip(brief.compartment, rooms, strict=True):
        billed = brief.box is not None and room.name in brief.box.compartments
        wall = brief.box.wall_mm if brief.box is not None and billed else 0.0
        sides = outer_size_mm(room, wall_mm=wall)
        for axis, side, most in zip(AXES, sides, item.outer_max_mm or (), strict=False):
            out[f"{room.name}: outer size along {axis}"] = most - side
        corners.append(to_vehicle(room, _grown_points(room, wall)))
    spread = np.ptp(np.concatenate(corners), axis=0)
    for key, side in zip(("length", "width", "height"), spread, strict=True):
        most = getattr(brief.envelope, f"{key}_mm_max")
        if most is not None:
            out[f"envelope: {key}"] = most - float(side)
    return out


def _grown_points(room: Compartment, wall_mm: float) -> npt.NDArray[np.float64]:
    """Corners of a compartment with walls, in its own axes, shape (n, 3)."""
    if room.solid is not None:
        block = np.array(np.meshgrid(*room.extent_mm, indexing="ij")).reshape(3, -1).T
        return np.asarray(block + wall_mm * np.sign(block - block.mean(axis=0)))
    outline = shapely.Polygon(room.profile_mm)
    if wall_mm > 0:
        outline = outline.buffer(wall_mm, join_style="mitre", mitre_limit=10.0)
    points = shapely.get_coordinates(outline)
    across = [axis for axis in range(3) if axis != room.extrude]
    ends = []
    for end in (-wall_mm, room.depth_mm + wall_mm):
        here = np.zeros((len(points), 3))
        here[:, across], here[:, room.extrude] = points, end
        ends.append(here)
    return np.concatenate(ends)
