"""Where covers are held to a printed case: room for pegs or screws along its wall, clear of bores."""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from optimizer.pack.case.outline import BoreSeats, CaseRules, rings

#: Fasteners of one cover on one piece of a body (common practice).
FASTENERS = 4
#: A boss with its hole, their height and depth [mm] (common practice: an insert for a screw of 3 mm).
BOSS_MM, HOLE_MM, BOSS_HIGH_MM, HOLE_DEEP_MM = 2.9, 1.7, 8.0, 6.0

#: Two printed lines stay between a hole and a bore.
LINES = 2.0


def boss_room(outer: shapely.Geometry, seats: BoreSeats, rules: CaseRules) -> shapely.Geometry:
    """Where the middle of a boss may lie: along the wall, its hole clear of bores [mm]."""
    band = outer.buffer(-BOSS_MM).difference(outer.buffer(-(BOSS_MM + 0.7 * max(rules.case_mm, rules.rib_mm))))
    away = rules.tie_mm + rules.play_mm + HOLE_MM + LINES * rules.nozzle_mm
    return band.difference(rings(seats, play_mm=away))


def spread(room: shapely.Geometry, *, most: int = FASTENERS) -> NDArray[np.float64]:
    """Points of a region that lie far from each other, the outermost first, shape (n, 2) [mm]."""
    spots = [part.representative_point() for part in shapely.get_parts(room) if part.area > 1e-3]
    corners = shapely.get_coordinates(shapely.simplify(room, 0.05))
    points = np.concatenate([np.array([[p.x, p.y] for p in spots]).reshape(-1, 2), corners])
    if not len(spots):
        return np.zeros((0, 2))
    chosen = [int(np.argmax(np.linalg.norm(points - points.mean(axis=0), axis=1)))]
    while len(chosen) < most:
        near = np.linalg.norm(points[:, None] - points[chosen], axis=2).min(axis=1)
        if near.max() < 2.5 * BOSS_MM:
            break
        chosen.append(int(near.argmax()))
    return np.asarray(points[chosen])
