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
# A sheet that is narrower is a part of a page.
PAPER_MM = 200.0


def foot_height(sheet_mm: float) -> float:
    """Room that the foot takes: on a narrow sheet the title block stands below the legend, a page has none [mm]."""
    if sheet_mm < PAPER_MM:
        return 17.0
    return EDGE_MM + TITLE_MM[1] + (28.0 if sheet_mm < NARROW_MM else 6.0)


def blocked_word(design: Design) -> str:
    """What is hatched on the drawings of a design: parts that are placed, keep-outs, or both."""
    parts = [part.name for part in design.placed]
    names = {keep_out.name for station in design.stations for keep_out in station.compartment.keep_outs}
    if not parts:
        return "keep-out"
    return "part or\nkeep-out" if names - set(parts) else parts[0][:9] if len(parts) == 1 else "part"


def legend(
    axes: Axes, *, scale: float, sheet_mm: float, ties: bool = False, folds: bool = False, bars: bool = False,
    blocked: str = "keep-out",
) -> None:  # fmt: skip
    """What each mark means, and a scale bar, at the lower left of the sheet.

    `ties` tells of tie plates in cases, `folds` of joints between layers, `bars` of collectors; `blocked` says what is
    hatched.
    """
    y, x, close = EDGE_MM + (28.0 if sheet_mm < NARROW_MM else 5.0), EDGE_MM + 6.0, 0.88
    if sheet_mm < PAPER_MM:
        y, x, close = 5.5, 8.0, 0.73
    shifts = (0.0, 21.0, 41.0, 60.0, 79.0, 101.0, 125.0, 150.5, 175.0, 194.0 if bars else 196.0, 207.0)
    spots = [x + close * shift for shift in shifts]
    disc = shapely.Point(0, y + 6.5).buffer(4.0, quad_segs=16)

    def at(spot: float) -> shapely.Geometry:
        return shapely.transform(disc, lambda p: p + np.array([spot, 0.0]))

    strokes.cell_end(axes, at(spots[0]), positive=True, round_cell=True)
    strokes.cell_end(axes, at(spots[1]), positive=False, round_cell=True)
    strokes.cell(axes, at(spots[2]), round_cell=True, **strokes.EMPTY)
    hatched, case = (shapely.box(spot - 4, y + 3, spot + 4, y + 10) for spot in spots[3:5])
    strokes.fill(axes, hatched, facecolor=look.BLOCKED, edgecolor=look.SOFT, hatch="////")
    strokes.fill(axes, case, facecolor="#e7eeec", edgecolor=look.CASE)
    if ties:
        plate = shapely.box(spots[4] - 3, y + 8.2, spots[4] + 3, y + 9.2)
        strokes.fill(axes, plate, facecolor=look.SOFT, edgecolor=look.INK)
    for level, strong in ((y + 8.6, True), (y + 5.6, False)) if folds else ((y + 8.2, True), (y + 4.4, False)):
        strokes.strips(axes, [((spots[5] - 5.5, level), (spots[5] + 5.5, level))], width=2.6, strong=strong)
    if folds:
        joint = shapely.box(spots[5] - 5.5, y + 2.0, spots[5] + 5.5, y + 3.7)
        strokes.metal(axes, [joint], {"level": 1, "way": "fold", "pieces": [{"layers": 1}]})
    strokes.pill(axes, (spots[6], y + 6.5), "7")
    strokes.pill(axes, (spots[7], y + 6.5), "P7", dark=False)
    strokes.leads(axes, [(spots[8], y + 6.5)], size=6.0)
    if bars:
        end, bar = (shapely.box(spots[9] - 5, y + 6.5 - half, spots[9] + 5, y + 6.5 + half) for half in (3.2, 1.4))
        pieces: list[dict[str, Any]] = [{"layers": 1}, {"layers": 1, "joints_mm": []}]
        strokes.metal(axes, [end, bar], {"level": 0, "way": "strip", "pieces": pieces})
    strip = "strip: series, in\ngroup, to a layer" if folds else "strip: series,\nwithin group"
    words = ("positive end", "negative end", "empty seat", blocked, "case, with\ntie plate" if ties else "case",
             strip, "series group,\n1 at pack −",
             "plate: group 7 +\nto group 8 −", "power lead\njoined here",
             *(["collector\non an end"] if bars else []))  # fmt: skip
    for word, spot in zip(words, spots, strict=False):
        strokes.text(axes, (spot, y + 0.2), word, fontsize=5.6, va="top", linespacing=1.25)
    most_mm = (24.0 if sheet_mm < PAPER_MM else 60.0) - 8.0 * bars
    strokes.scale_bar(axes, (spots[9 + bars], y + 4.0), scale=scale, most_mm=most_mm)


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
