"""The foot of a sheet: what the marks mean, how large things are, whose drawing it is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from optimizer.review.sheets import primitives as strokes
from optimizer.review.sheets import style as look

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from optimizer.design.model import Design

EDGE_MM = 12.0
TITLE_MM = (152.0, 21.0)
NARROW_MM = 400.0


def foot_height(sheet_mm: float) -> float:
    """Room that the foot takes: on a narrow sheet the title block stands below the legend [mm]."""
    return EDGE_MM + TITLE_MM[1] + (28.0 if sheet_mm < NARROW_MM else 6.0)


def legend(axes: Axes, *, scale: float, sheet_mm: float, ties: bool = False) -> None:
    """What each mark means, and a scale bar, at the lower left of the sheet; `ties` tells of tie plates in cases."""
    y, x = EDGE_MM + (28.0 if sheet_mm < NARROW_MM else 5.0), EDGE_MM + 6.0
    disc = shapely.Point(0, 0).buffer(4.0, quad_segs=16)

    def at(shift: float) -> shapely.Geometry:
        return shapely.transform(disc, lambda p: p + np.array([x + shift, y + 6.5]))

    strokes.cell_end(axes, at(0), positive=True, round_cell=True)
    strokes.cell_end(axes, at(21), positive=False, round_cell=True)
    strokes.cell(axes, at(42), round_cell=True, **strokes.EMPTY)
    strokes.fill(
        axes,
        shapely.box(x + 59, y + 3, x + 67, y + 10),
        facecolor=look.BLOCKED,
        edgecolor=look.SOFT,
        hatch="////",
    )
    strokes.fill(axes, shapely.box(x + 80, y + 3, x + 88, y + 10), facecolor="#e7eeec", edgecolor=look.CASE)
    if ties:
        strokes.fill(axes, shapely.box(x + 81, y + 8.2, x + 87, y + 9.2), facecolor=look.SOFT, edgecolor=look.INK)
    strokes.strips(axes, [((x + 100, y + 8.2), (x + 111, y + 8.2))], width=2.6, strong=True)
    strokes.strips(axes, [((x + 100, y + 4.4), (x + 111, y + 4.4))], width=2.6, strong=False)
    strokes.pill(axes, (x + 128, y + 6.5), "7")
    strokes.pill(axes, (x + 149, y + 6.5), "P7", dark=False)
    case = "case, with\ntie plate" if ties else "case"
    words = ("positive end", "negative end", "empty seat", "keep-out", case, "strip: series,\nwithin group")
    places = (0.0, 21.0, 42.0, 63.0, 84.0, 105.5)
    style: dict[str, Any] = {"fontsize": 5.6, "va": "top", "linespacing": 1.25}
    for word, shift in zip(words, places, strict=True):
        strokes.text(axes, (x + shift, y + 0.2), word, **style)
    strokes.text(axes, (x + 128, y + 0.2), "series group,\n1 at pack −", **style)
    strokes.text(axes, (x + 149, y + 0.2), "plate: + of group 7\nto − of group 8", **style)
    strokes.scale_bar(axes, (x + 172, y + 4.0), scale=scale)


def title_block(axes: Axes, design: Design, *, scale_name: str, sheet_mm: float) -> None:
    """Design, counts, scale and the request to check, at the lower right of the sheet."""
    width, high = TITLE_MM
    left, low = sheet_mm - EDGE_MM - width, EDGE_MM
    strokes.fill(
        axes,
        shapely.box(left, low, left + width, low + high),
        facecolor="#ffffff",
        edgecolor=look.INK,
        linewidth=0.9,
    )
    strokes.fill(axes, shapely.box(left, low, left + 3.0, low + high), facecolor=look.INK)
    row = design.row
    pack = f"{row['series']}S{row['parallel']}P of {row['cell_id']}, {row['cell_count']} cells"
    style: dict[str, Any] = {"ha": "left", "va": "center"}
    strokes.text(axes, (left + 6, low + 17), str(design.title)[:60], fontsize=8.5, fontweight="bold", **style)
    strokes.text(axes, (left + 6, low + 11.5), pack[:76], fontsize=7.0, **style)
    facts = f"design {row['design_id']}   ·   scale {scale_name} at 100 % print   ·   all dimensions in mm"
    strokes.text(axes, (left + 6, low + 7.2), facts, fontsize=6.2, color=look.SOFT, **style)
    strokes.text(
        axes,
        (left + 6, low + 3.2),
        "made by cellstow; check before use",
        fontsize=6.2,
        color=look.PLUS,
        **style,
    )
