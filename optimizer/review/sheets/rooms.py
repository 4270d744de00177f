"""Compartments and keep-outs as they were read: seen from three sides, with their sizes."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import shapely

from optimizer.review.sheets import primitives, style
from optimizer.review.sheets.views import AXIS_NAMES, NATURAL_SIDE, View, silhouette

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from optimizer.fit.region.compartment import Compartment


def _draw_rooms(rooms: Sequence[Compartment]) -> Figure:
    """Each compartment in a row, seen along x, y and z."""
    from matplotlib.figure import Figure

    sheet = Figure(figsize=(10.0, 3.1 * len(rooms)), layout="constrained")
    grid: Any = sheet.subplots(len(rooms), 3, squeeze=False)
    for row, room in zip(grid, rooms, strict=True):
        for axis, axes in enumerate(row):
            _view(axes, room, View(axis, NATURAL_SIDE[axis]))
        row[0].set_ylabel(room.name, fontsize=11)
    return sheet


def _view(axes: Any, room: Compartment, view: View) -> None:
    """One compartment from one side: outline in full, keep-outs hatched."""
    outline = silhouette(room, view=view)
    primitives.fill(axes, outline, facecolor="#eef3f7", edgecolor=style.INK, linewidth=1.0)
    for keep_out in room.keep_outs:
        shape = silhouette(keep_out, view=view).intersection(outline)
        primitives.fill(axes, shape, facecolor="#f3dcd2", edgecolor=style.INK, linewidth=0.6, hatch="///", alpha=0.8)
        if not shape.is_empty:
            spot = shape.representative_point()
            axes.annotate(keep_out.name, (spot.x, spot.y), ha="center", va="center", fontsize=7)
    x0, y0, x1, y1 = shapely.bounds(outline)
    first, second = (name for k, name in enumerate(AXIS_NAMES) if k != view.axis)
    axes.set_title(f"{view.name}: {x1 - x0:.1f} × {y1 - y0:.1f} mm", fontsize=9, loc="right")
    axes.set_xlabel(f"{first} [mm]", fontsize=8)
    axes.annotate(f"{second} [mm]", (0, 1.01), xycoords="axes fraction", fontsize=8)
    axes.tick_params(labelsize=7)
    pad = 0.04 * max(x1 - x0, y1 - y0)
    axes.set_xlim(x0 - pad, x1 + pad)
    axes.set_ylim(y0 - pad, y1 + pad)
    axes.set_aspect("equal")


def write_rooms(path: Path, rooms: Sequence[Compartment]) -> None:
    """Write the picture as PNG or SVG, by the ending."""
    style.save(_draw_rooms(rooms), path)
