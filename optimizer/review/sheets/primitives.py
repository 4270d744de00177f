"""Single marks on a sheet: shapes, cell ends, strips, dimension lines.

Axes count in millimetres of paper, and so do all shapes, places and sizes here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from matplotlib.collections import LineCollection, PatchCollection
from matplotlib.patches import Circle, PathPatch
from matplotlib.patches import Polygon as PolygonPatch
from matplotlib.path import Path
from shapely.geometry import Polygon

from optimizer.review.sheets import style as look
from optimizer.review.sheets.views import strip_outline

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.patches import Patch

Point = tuple[float, float]
# Between the letters of a pill and its edge [em].
PILL_PAD = 0.22
EMPTY: dict[str, Any] = {
    "facecolor": look.PAPER,
    "edgecolor": look.SOFT,
    "linewidth": 0.7,
    "linestyle": (0, (2, 2)),
    "zorder": 4,
}


def _shape_path(shape: shapely.Geometry) -> Path:
    """A plane shape with its holes as a drawing path.

    shape: polygons; other parts are left out.
    """
    corners: list[Any] = []
    codes: list[int] = []
    for part in shapely.get_parts(shape):
        if not isinstance(part, Polygon) or part.is_empty:
            continue
        for ring in (part.exterior, *part.interiors):
            points = np.asarray(ring.coords)[:, :2]
            corners.extend(points)
            codes.extend([int(Path.MOVETO)] + [int(Path.LINETO)] * (len(points) - 2) + [int(Path.CLOSEPOLY)])
    return Path(np.reshape(corners, (-1, 2)), codes)


def fill(axes: Axes, shape: shapely.Geometry, **style: Any) -> None:
    """Put a plane shape on the sheet; style as matplotlib's patches take it."""
    if not shape.is_empty:
        axes.add_artist(PathPatch(_shape_path(shape), **style))


def cell(axes: Axes, shape: Polygon, *, round_cell: bool, **style: Any) -> None:
    """Outline of a cell; a round one is written as a true circle; style as matplotlib's patches take it."""
    if round_cell:
        x0, y0, x1, y1 = shape.bounds
        axes.add_artist(Circle(((x0 + x1) / 2, (y0 + y1) / 2), (x1 - x0) / 2, **({"linewidth": 0.5} | style)))
    else:
        fill(axes, shape, **({"linewidth": 0.5} | style))


def text(axes: Axes, place: Point, words: str, **style: Any) -> None:
    """Put words on the sheet, never smaller than look.LEAST_PT; formulas are off: a "$" in a name stays a "$"."""
    given: dict[str, Any] = {"ha": "center", "va": "center", "parse_math": False} | style
    given["fontsize"] = max(given.get("fontsize", look.LEAST_PT), look.LEAST_PT)
    axes.text(place[0], place[1], words, **given)


def block_end(axes: Axes, shape: Polygon, poles: Sequence[tuple[Polygon, bool]]) -> None:
    """A block seen on its end, with the terminals that are there: a plus of ticks or a bar on each [mm of paper]."""
    cell(axes, shape, round_cell=False, facecolor=look.CAN, edgecolor=look.INK, zorder=4)
    for pole, plus in poles:
        x0, y0, x1, y1 = pole.bounds
        cell(axes, pole, round_cell=False, facecolor=look.PLUS if plus else look.MINUS, edgecolor=look.INK, zorder=4.5)
        angles = (0, 90, 180, 270) if plus else (0, 180)
        _spokes(axes, ((x0 + x1) / 2, (y0 + y1) / 2), 0.0, 0.35 * (x1 - x0), angles=angles, colour="#ffffff")


def cell_end(axes: Axes, shape: Polygon, *, positive: bool, round_cell: bool, words: str = "") -> None:
    """One cell seen on its end: button and a plus of ticks where positive, flat with a bar where negative."""
    x0, y0, x1, y1 = shape.bounds
    middle = ((x0 + x1) / 2, (y0 + y1) / 2)
    radius = min(x1 - x0, y1 - y0) / 2
    colour = look.PLUS if positive else look.MINUS
    ground = look.CAN if positive else colour
    cell(axes, shape, round_cell=round_cell, facecolor=ground, edgecolor=look.INK, zorder=4)
    if positive:
        if round_cell:
            axes.add_artist(Circle(middle, 0.96 * radius, fill=False, edgecolor=colour, linewidth=1.2, zorder=5))
        axes.add_artist(Circle(middle, 0.46 * radius, facecolor=colour, linewidth=0, zorder=5))
        _spokes(axes, middle, 0.56 * radius, 0.84 * radius, angles=(0, 90, 180, 270), colour=colour)
    else:
        _spokes(axes, middle, 0.56 * radius, 0.84 * radius, angles=(0, 180), colour="#ffffff")
    if words:
        size = min(7.0, 2.1 * radius)
        text(axes, middle, words, color="#ffffff", fontsize=size, fontweight="bold", zorder=9)


def _spokes(axes: Axes, middle: Point, near: float, far: float, *, angles: Iterable[float], colour: str) -> None:
    turn = np.radians(np.asarray(list(angles), dtype=float))
    way = np.column_stack([np.cos(turn), np.sin(turn)])
    lines = np.stack([np.asarray(middle) + near * way, np.asarray(middle) + far * way], axis=1)
    axes.add_artist(LineCollection(list(lines), colors=colour, linewidths=1.6, zorder=5))


def strips(axes: Axes, lines: Iterable[tuple[Point, Point]], *, width: float, strong: bool) -> None:
    """Strip pieces between middles of cells, to scale in width; strong: they carry the pack current, and are darker."""
    bands: list[Patch] = []
    for ends in lines:
        bands.append(PolygonPatch(np.asarray(strip_outline(np.asarray(ends), width_mm=width).exterior.coords)))
    colour, level = (look.STRIP, 7) if strong else ("#c3c4c2", 6)
    axes.add_artist(
        PatchCollection(
            bands, facecolor=colour, edgecolor=look.STRIP_EDGE, linewidth=0.35, alpha=0.92, zorder=level
        )
    )


def metal(axes: Axes, shapes: Iterable[shapely.Geometry], conductor: Mapping[str, Any]) -> None:
    """Pieces of a conductor with their true outlines: more layers are darker, what lies on others is hatched.

    The conductor has `level` and `pieces`, as many as shapes where all lie on one face.
    """
    above = int(conductor["level"])
    for shape, piece in zip(shapes, conductor["pieces"], strict=False):
        deep = int(piece["layers"])
        colour = look.STRIP if deep > 1 or conductor["way"] in ("sheet", "tabbed") else "#b4b6b9"
        style: dict[str, Any] = {"hatch": "////"} if above or "joints_mm" in piece else {}
        edge, wide = (look.INK, 0.9) if above else (look.STRIP_EDGE, 0.45)
        fill(axes, shape, facecolor=colour, edgecolor=edge, linewidth=wide, alpha=0.86,
             zorder=6 + above + 0.1 * deep + ("joints_mm" in piece), **style)  # fmt: skip


def welds(axes: Axes, places: Iterable[Point], *, size: float) -> None:
    """Discs of fused metal, to scale; size is their diameter."""
    for place in places:
        axes.add_artist(Circle(place, size / 2, facecolor=look.PAPER, edgecolor=look.INK, linewidth=0.4, zorder=8))


def leads(axes: Axes, places: Iterable[Point], *, size: float) -> None:
    """Where a lead is joined: a ring with a cross; size is its diameter."""
    for x, y in places:
        half = size / 2
        axes.add_artist(Circle((x, y), half, facecolor="#ffffff", edgecolor=look.INK, linewidth=1.0, zorder=8.5))
        arms = [[(x - half, y), (x + half, y)], [(x, y - half), (x, y + half)]]
        axes.add_artist(LineCollection(arms, colors=look.INK, linewidths=0.8, zorder=8.6))


def pill(axes: Axes, place: Point, words: str, *, size: float = 6.0, dark: bool = True) -> None:
    """A short label on a rounded ground that stays readable on anything."""
    ground, ink = (look.INK, "#ffffff") if dark else ("#ffffff", look.INK)
    box = {"boxstyle": f"round,pad={PILL_PAD}", "facecolor": ground, "edgecolor": look.INK, "linewidth": 0.4}
    text(axes, place, words, color=ink, fontsize=size, fontweight="bold", bbox=box, zorder=10)


def pill_half(words: str, *, size: float) -> Point:
    """Half the width and height that `pill` takes at most [mm of paper]: bold letters are under 0.8 em wide."""
    em = max(size, look.LEAST_PT) * look.MM_PER_INCH / 72.0
    return (0.4 * len(words) + PILL_PAD) * em, (0.5 + PILL_PAD) * em


def dimension(axes: Axes, start: Point, end: Point, *, away: float, length_mm: float) -> None:
    """A dimension line beside an edge from start to end, with its length in millimetres of the real thing.

    It lies so far away to the right of that way.
    """
    way = np.subtract(end, start)
    way = way / max(float(np.hypot(*way)), 1e-9)
    out = np.array([way[1], -way[0]])
    a, b = np.add(start, out * away), np.add(end, out * away)
    ticks = [(np.add(p, out * 0.8), np.add(p, out * (away + 1.2))) for p in (start, end)]
    axes.add_artist(LineCollection([*ticks, (a, b)], colors=look.SOFT, linewidths=0.4, zorder=8))
    slant = (way + out) * 0.9
    marks = [(np.subtract(p, slant), np.add(p, slant)) for p in (a, b)]
    axes.add_artist(LineCollection(marks, colors=look.INK, linewidths=0.8, zorder=8))
    angle = float(np.degrees(np.arctan2(way[1], way[0])))
    middle = (a + b) / 2
    ground = {"facecolor": look.PAPER, "edgecolor": "none", "pad": 0.8}
    upright = angle - 180 if angle > 90 or angle <= -90 else angle
    text(axes, tuple(middle), f"{length_mm:.4g} mm", fontsize=6.2, rotation=upright, bbox=ground, zorder=8.1)


def scale_bar(axes: Axes, place: Point, *, scale: float, most_mm: float) -> None:
    """A bar of 50 mm (100 mm where the drawing is small) of the real thing, in five fields, from its left end on.

    Scale is paper length over real length; what would be longer than `most_mm` on paper is a bar of 20 mm.
    """
    real = 50.0 if scale >= 0.4 else 100.0
    real = real if real * scale <= most_mm else 20.0
    step = real / 5 * scale
    for k in range(5):
        ground = look.INK if k % 2 == 0 else look.PAPER
        x = place[0] + k * step
        corners = [(x, place[1]), (x + step, place[1]), (x + step, place[1] + 1.4), (x, place[1] + 1.4)]
        axes.add_artist(PolygonPatch(corners, facecolor=ground, edgecolor=look.INK, linewidth=0.5, zorder=3))
    for k in (0, 5):
        text(axes, (place[0] + k * step, place[1] + 3.4), f"{k * real / 5:.0f}", fontsize=5.8)
    text(axes, (place[0] + 5 * step + 6.5, place[1] + 0.7), "mm", fontsize=5.8)
