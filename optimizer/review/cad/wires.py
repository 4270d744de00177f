"""Ways of wires as bodies for the picture that turns: as thick as their copper, lifted over the metal on cells' ends.

They show where wires run. Insulation and bends are left out, so that nothing is to be measured or made by them.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.fit.region.geometry import rotation
from optimizer.pack.wiring.table import corners_of
from optimizer.review.cad.model import Thing
from optimizer.review.cad.solids import joined

if TYPE_CHECKING:
    from optimizer.design.model import Design

#: Sides of a wire.
SIDES = 8

#: Corners of a way are written to a tenth of this [mm].
NEAR_MM = 0.02


def wire_things(design: Design) -> Iterator[Thing]:
    """Each wire of the harness along its way, in the vehicle's axes.

    Yields
    ------
    Thing
    """
    still = np.column_stack([np.eye(3), np.zeros(3)])
    for k, wire in enumerate(design.harness.to_dict("records"), start=1):
        radius = float(np.sqrt(wire["area_mm2"] / np.pi))
        corners = lifted(design, corners_of(str(wire["way_mm"])), radius)
        if len(corners) > 1:
            yield Thing(f"wire {k} {wire['from']} to {wire['to']}", "wire", tube(corners, radius), still)


def lifted(design: Design, corners_mm: Floats, radius_mm: float) -> Floats:
    """Corners of a way, those on the ends of cells moved outwards over the metal there, shape (k, 3) [mm].

    Parameters
    ----------
    corners_mm : ndarray, shape (k, 3)
        In the vehicle's axes [mm].
    radius_mm : float
        Of the wire [mm].
    """
    out = np.array(corners_mm, dtype=float)
    for station in design.stations:
        room, axis = station.compartment, station.layout.axis
        turn = rotation(room.rotation_deg)
        local = (corners_mm - np.asarray(room.position_mm, dtype=float)) @ turn
        low, high = np.array(room.extent_mm).T
        here = ((local > low - 1.0) & (local < high + 1.0)).all(axis=1)
        half = station.layout.extents_mm[:, axis] / 2.0
        for sign in (-1.0, 1.0):
            ends = np.unique(np.round(station.layout.centres_mm[:, axis] + sign * half, 3))
            on = here & (np.abs(local[:, axis, None] - ends).min(axis=1) < NEAR_MM)
            out[on] += sign * (metal_mm(design, room.name) + radius_mm) * turn[:, axis]
    return out


def metal_mm(design: Design, room: str) -> float:
    """How high rings and metal lie on the ends of the cells of a compartment [mm]."""
    found = [
        float(one["insulator_mm"]) + float(one["thickness_mm"]) * max(int(piece["layers"]) for piece in one["pieces"])
        for one in design.conductors
        if one["compartment"] == room
    ]
    return max(found, default=0.0)


def tube(corners_mm: Floats, radius_mm: float) -> Any:
    """Straight round pieces from corner to corner, balls where they meet [mm]."""
    import manifold3d

    parts = [manifold3d.Manifold.sphere(radius_mm, SIDES).translate(tuple(map(float, at))) for at in corners_mm]
    for start, end in pairwise(corners_mm):
        long = float(np.linalg.norm(end - start))
        if long < 1e-6:
            continue
        way = (end - start) / long
        side = np.eye(3)[int(np.argmin(np.abs(way)))]
        first = np.cross(side, way) / np.linalg.norm(np.cross(side, way))
        frame = np.column_stack([first, np.cross(way, first), way, start])
        parts.append(manifold3d.Manifold.cylinder(long, radius_mm, radius_mm, SIDES).transform(frame))
    return joined(parts)
