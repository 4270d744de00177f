"""Second opinion on cells in solids: distances to the triangles as they were read, without boolean work.

A cell grown by its clearances is a cylinder or a block along its axis. Each triangle is cut to the slab between
the grown cell's ends and laid flat across the axis; the cell is clear when no such piece comes near its outline.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from optimizer.base.arrays import Flags, Floats
from optimizer.fit.region.solid import Solid

#: Corners of a solid lie on a grid of 1e-4 mm, as files hold them; distances are proven to that [mm].
TOLERANCE_MM = 1.1e-4

#: Surface farther beside a cell than this is not looked at; a cell that keeps so much is clear [mm].
REACH_MM = 15.0


def gaps_to_surface(
    solid: Solid, *, centres_mm: Floats, half_mm: Floats, axis: NDArray[np.int64], along_mm: Floats, round_cells: bool
) -> Floats:
    """Distance across its axis from each cell to the surface beside it, shape (n,) [mm].

    Parameters
    ----------
    centres_mm, half_mm : ndarray, shape (n, 3)
        Middles and half sizes of the cells [mm].
    axis : ndarray of int, shape (n,)
        Axis of each cell.
    along_mm : ndarray, shape (n,)
        By how much the slab reaches past each end of a cell [mm].

    Returns
    -------
    ndarray
        0 where the surface runs through the cell; infinite where nothing of it is in the slab.
    """
    triangles = solid.triangles
    low, high = triangles.min(axis=1), triangles.max(axis=1)
    found = np.full(len(centres_mm), np.inf)
    for k, (centre, half) in enumerate(zip(centres_mm, half_mm, strict=True)):
        a = int(axis[k])
        u, v = (c for c in range(3) if c != a)
        bottom, top = centre[a] - half[a] - along_mm[k], centre[a] + half[a] + along_mm[k]
        # Faces that only touch the slab's ends are beside the ends, not beside the cell.
        near = (low[:, a] < top - TOLERANCE_MM) & (high[:, a] > bottom + TOLERANCE_MM)
        for c in (u, v):
            near &= (low[:, c] <= centre[c] + half[c] + REACH_MM) & (high[:, c] >= centre[c] - half[c] - REACH_MM)
        lines, pierced = _flattened(
            triangles[near] - centre, (u, v, a), bottom - centre[a] + TOLERANCE_MM, top - centre[a] - TOLERANCE_MM
        )
        if pierced:
            found[k] = 0.0
        elif len(lines) and round_cells:
            found[k] = max(float(_from_origin(lines).min()) - half[u], 0.0)
        elif len(lines):
            outline = shapely.box(-half[u], -half[v], half[u], half[v])
            found[k] = float(shapely.distance(outline, shapely.linestrings(lines)).min())
    return found


def _from_origin(lines: Floats) -> Floats:
    """Distance of line segments from the origin, shape (n,)."""
    start, way = lines[:, 0], lines[:, 1] - lines[:, 0]
    size = np.maximum((way**2).sum(axis=1), 1e-300)
    share = np.clip(-(start * way).sum(axis=1) / size, 0.0, 1.0)
    return np.asarray(np.linalg.norm(start + share[:, None] * way, axis=1))


def _flattened(triangles: Floats, axes: tuple[int, int, int], bottom: float, top: float) -> tuple[Floats, bool]:
    """Edges of triangles cut to a slab, seen along its axis, shape (n, 2, 2); and whether one crosses the axis.

    They are what of the triangles' own edges lies in the slab, and the lines in which triangles cross its ends.
    """
    u, v, a = axes
    start, end = triangles.reshape(-1, 3), np.roll(triangles, -1, axis=1).reshape(-1, 3)
    rise = end[:, a] - start[:, a]
    with np.errstate(divide="ignore", invalid="ignore"):
        ts = np.sort(np.stack([(bottom - start[:, a]) / rise, (top - start[:, a]) / rise]), axis=0)
    level = np.abs(rise) < 1e-12
    within = level & (start[:, a] >= bottom) & (start[:, a] <= top)
    first = np.where(level, np.where(within, 0.0, 1.0), np.clip(ts[0], 0.0, 1.0))
    last = np.where(level, np.where(within, 1.0, 0.0), np.clip(ts[1], 0.0, 1.0))
    kept = (last > first) | (within & (last >= first))
    one, other = start[kept][:, [u, v]], end[kept][:, [u, v]]
    way = other - one
    lines = [np.stack([one + first[kept, None] * way, one + last[kept, None] * way], axis=1)]
    for height in (bottom, top):
        lines.append(_crossing(triangles, (u, v, a), height))
    flat = triangles[:, :, [u, v]]
    sides = [flat[:, k, 0] * flat[:, (k + 1) % 3, 1] - flat[:, k, 1] * flat[:, (k + 1) % 3, 0] for k in range(3)]
    over = ((np.array(sides) > 0).all(axis=0)) | ((np.array(sides) < 0).all(axis=0))
    weight = np.stack([sides[1], sides[2], sides[0]], axis=1)[over]
    heights = (weight * triangles[over][:, :, a]).sum(axis=1) / weight.sum(axis=1)
    return np.concatenate(lines), bool(((heights > bottom) & (heights < top)).any())


def _crossing(triangles: Floats, axes: tuple[int, int, int], height: float) -> Floats:
    """Lines in which triangles cross a level, seen along its axis, shape (n, 2, 2)."""
    u, v, a = axes
    above = triangles[:, :, a] > height
    cut = triangles[above.any(axis=1) & ~above.all(axis=1)]
    if not len(cut):
        return np.zeros((0, 2, 2))
    # The corner that is alone on its side comes first.
    above = cut[:, :, a] > height
    alone = np.where(above.sum(axis=1) == 1, above.argmax(axis=1), (~above).argmax(axis=1))
    tip = cut[np.arange(len(cut)), alone]
    ends = []
    for step in (1, 2):
        far = cut[np.arange(len(cut)), (alone + step) % 3]
        share = (height - tip[:, a]) / (far[:, a] - tip[:, a])
        ends.append((tip + share[:, None] * (far - tip))[:, [u, v]])
    return np.stack(ends, axis=1)


def inside(solid: Solid, points_mm: Floats) -> Flags:
    """Which points (n, 3) lie in a solid: a line along x from each meets its surface an odd number of times."""
    whole = solid.triangles
    low, high = whole[:, :, 1:].min(axis=1).T.copy(), whole[:, :, 1:].max(axis=1).T.copy()
    found = np.zeros(len(points_mm), dtype=bool)
    # Off any corner and edge that lies on a round figure.
    nudge = np.array([0.0, 3.1e-5, 4.7e-5])
    for k, point in enumerate(points_mm + nudge):
        y, z = point[1:]
        triangles = whole[(low[0] <= y) & (high[0] >= y) & (low[1] <= z) & (high[1] >= z)]
        flat = triangles[:, :, 1:] - point[1:]
        a, b, c = flat[:, 0], flat[:, 1], flat[:, 2]
        sides = [p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0] for p, q in ((a, b), (b, c), (c, a))]
        hit = ((sides[0] > 0) & (sides[1] > 0) & (sides[2] > 0)) | ((sides[0] < 0) & (sides[1] < 0) & (sides[2] < 0))
        weight = np.stack([sides[1][hit], sides[2][hit], sides[0][hit]], axis=1)
        x = (weight * triangles[hit][:, :, 0]).sum(axis=1) / weight.sum(axis=1)
        found[k] = bool(np.count_nonzero(x > point[0]) % 2)
    return found
