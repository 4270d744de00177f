"""Conductors as solids: pieces as high as their layers on what lies under them, joints folded round the edge."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import shapely

from optimizer.base.arrays import Floats
from optimizer.fit.chain.adjacency import lateral_axes
from optimizer.review.cad.solids import joined, raised

#: Pieces that share no more than this lie beside each other [mm²].
TOUCH_MM2 = 1e-3


def conductor_solid(record: Mapping[str, Any], axis: int, *, grown_mm: float = 0.0) -> Any:
    """A conductor's metal in the axes across the cells and along them [mm].

    Parameters
    ----------
    record : mapping
        Of design.conductors.
    axis : int
        Along which the cells lie.
    grown_mm : float
        Larger on every side, for what has to make room for it [mm].
    """
    axes, thick = list(lateral_axes(axis)), float(record["thickness_mm"])
    outward = 1.0 if record["face"][0] == "+" else -1.0
    outlines = [np.array(piece["outline_mm"], dtype=float) for piece in record["pieces"]]
    layers = [int(piece["layers"]) for piece in record["pieces"]]
    if record["way"] == "fold":
        ends = 1.0 if record["ends_on"][0] == "+" else -1.0
        solids = [
            solid
            for outline, count in zip(outlines, layers, strict=True)
            for solid in _folded(outline, axes, axis, count * thick, (outward, ends), grown_mm)
        ]
        return joined(solids)
    base = outlines[0][0, axis] + outward * float(record["insulator_mm"])
    windows = [[np.array(w, dtype=float)[:, axes] for w in piece.get("windows_mm", ())] for piece in record["pieces"]]
    shapes = [shapely.Polygon(o[:, axes], holes) for o, holes in zip(outlines, windows, strict=True)]
    each = [float(piece.get("thickness_mm", thick)) for piece in record["pieces"]]
    solids = []
    for shape, count, under, own in zip(shapes, layers, levels(shapes, layers), each, strict=True):
        foot = base + outward * under * thick
        low, high = sorted((foot, foot + outward * count * own))
        wide = shape.buffer(grown_mm) if grown_mm else shape
        solids.append(raised(wide, low_mm=low - grown_mm, high_mm=high + grown_mm))
    return joined(solids)


def levels(shapes: Sequence[shapely.Geometry], layers: Sequence[int]) -> list[int]:
    """How many layers lie under each piece: as few as leave it clear of the pieces before it that it crosses.

    >>> levels([shapely.box(0, 0, 9, 2), shapely.box(0, 0, 2, 9), shapely.box(7, 0, 9, 9)], [1, 2, 1])
    [0, 1, 1]
    """
    found: list[int] = []
    for k, shape in enumerate(shapes):
        taken = sorted(
            (found[j], found[j] + layers[j])
            for j in range(k)
            if shapely.intersection(shape, shapes[j]).area > TOUCH_MM2
        )
        low = 0
        for start, stop in taken:
            if start >= low + layers[k]:
                break
            low = max(low, stop)
        found.append(low)
    return found


def _folded(
    outline: Floats, axes: Sequence[int], axis: int, thick: float, outward: tuple[float, float], grown: float
) -> list[Any]:
    """Stretches of a folded piece, each as thick as its layers, outside what it is led round."""
    half = len(outline) // 2
    edge, back = outline[:half], outline[half:][::-1]
    solids, sign, inside = [], outward[0], None
    for k in range(half - 1):
        quad = np.array([edge[k], edge[k + 1], back[k + 1], back[k]])
        flat, heights = quad[:, axes], quad[:, axis]
        if np.ptp(heights) < 1e-6:
            low, high = sorted((heights[0], heights[0] + sign * thick))
            shape = shapely.MultiPoint(flat).convex_hull
            inside = flat.mean(axis=0)
        else:
            line = np.array([edge[k, axes], back[k, axes]])
            across = np.array([line[0, 1] - line[1, 1], line[1, 0] - line[0, 0]])
            away = line.mean(axis=0) - (inside if inside is not None else line.mean(axis=0))
            across *= thick * (1.0 if across @ away >= 0 else -1.0) / np.linalg.norm(across)
            shape = shapely.MultiPoint(np.concatenate([line, line + across])).convex_hull
            # Along both flats' ends, so that it holds on to them.
            ends = heights[0], heights[0] + outward[0] * thick, heights[1], heights[1] + outward[1] * thick
            low, high, sign = min(ends), max(ends), outward[1]
        if grown:
            shape = shape.buffer(grown, join_style="mitre")
        solids.append(raised(shape, low_mm=low - grown, high_mm=high + grown))
    return solids


def plan_shapes(record: Mapping[str, Any], axis: int) -> list[shapely.Geometry]:
    """A conductor's pieces seen along the cells [mm]."""
    axes = list(lateral_axes(axis))
    if record["way"] == "fold":
        return [shapely.MultiPoint(np.array(piece["outline_mm"])[:, axes]).convex_hull for piece in record["pieces"]]
    return [shapely.Polygon(np.array(piece["outline_mm"])[:, axes]) for piece in record["pieces"]]
