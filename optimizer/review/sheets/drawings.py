"""To-scale drawings of a design: every compartment end-on, both faces with their plates, and the side.

Sheets are as wide as A3 upright, A3 across or A2 across, whichever leaves least paper empty, and as high as
they need to be; every length on them is the real one times the scale written in the title block. The same goes on
parts of A4 pages at a smaller scale, with lettering as large.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from shapely.geometry import Polygon

from optimizer.fit.region.section import cross_axes
from optimizer.review.colours import TINTS
from optimizer.review.sheets import primitives as strokes
from optimizer.review.sheets import style as look
from optimizer.review.sheets import views
from optimizer.review.sheets.arranging import (
    PAGE,
    PAGE_MM,
    SHEET,
    Panel,
    PanelRow,
    Room,
    box_of,
    choose_sheet,
    page_tiles,
    rows_of,
    stacked,
)
from optimizer.review.sheets.joinsteps import barred
from optimizer.review.sheets.legend import blocked_word, foot_height, legend, title_block
from optimizer.review.sheets.views import View

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from optimizer.design.model import Design, Station

Point = tuple[float, float]
Put = Callable[[shapely.Geometry], shapely.Geometry]

ARROW = "-|>,head_width=0.16,head_length=0.32"
WELD_MM = 3.0
CLEAR_MM = 0.3


def draw(design: Design, *, stations: Sequence[int] | None = None) -> Figure:
    """The sheet of some or all compartments of a design.

    Parameters
    ----------
    design : Design
    stations : sequence of int, or None
        Which compartments, in this order; None for all that hold cells.

    Returns
    -------
    Figure
        Save it with `look.save`; sizes are to scale in print when printed at 100 %.

    Raises
    ------
    ValueError
        If there is nothing to draw, or a compartment is too large for every scale.
    """
    stations = _filled(design) if stations is None else stations
    if not stations:
        raise ValueError("the design has no compartment with cells to draw")
    scale, name, width, height = choose_sheet(design, stations)
    rows = rows_of(design, stations, scale=scale, sheet_mm=width)
    figure, axes = _drawn(design, rows, scale=scale, size_mm=(width, height), room=SHEET)
    with look.own_look():
        legend(axes, scale=scale, sheet_mm=width, **_marks(design))
        title_block(axes, design, scale_name=name, sheet_mm=width)
    return figure


def draw_for_pages(design: Design) -> tuple[list[Figure], str]:
    """The same in parts for A4 pages, each with what the marks mean, and their scale, such as "1:2.5".

    Raises
    ------
    ValueError
        As `draw`.
    """
    stations = _filled(design)
    if not stations:
        raise ValueError("the design has no compartment with cells to draw")
    scale, name, tiles = page_tiles(design, stations)
    figures = []
    for rows in tiles:
        height = stacked(design, rows, scale=scale, room=PAGE)[2] + foot_height(PAGE_MM)
        figure, axes = _drawn(design, rows, scale=scale, size_mm=(PAGE_MM, height), room=PAGE)
        with look.own_look():
            legend(axes, scale=scale, sheet_mm=PAGE_MM, **_marks(design))
        figures.append(figure)
    return figures, name


def _filled(design: Design) -> list[int]:
    return [k for k, it in enumerate(design.stations) if it.groups > 0]


def _tied(design: Design) -> bool:
    return any(station.layout.size.tie_mm for station in design.stations if station.groups)


def _marks(design: Design) -> dict[str, Any]:
    """What the legend tells of."""
    return {"ties": _tied(design), "folds": _folded(design), "bars": barred(design), "blocked": blocked_word(design)}


def _folded(design: Design) -> bool:
    return any(one["way"] == "fold" for one in design.conductors)


def _drawn(
    design: Design, rows: Sequence[PanelRow], *, scale: float, size_mm: tuple[float, float], room: Room
) -> tuple[Figure, Axes]:
    """A sheet with its panels, its foot still empty."""
    width, height = size_mm
    placed, headings, _ = stacked(design, rows, scale=scale, room=room)
    with look.own_look():
        figure, axes = look.sheet(width_mm=width, height_mm=height)
        for station, top in headings.items():
            _heading(axes, design, station, y=height - top, ends=(room.edge, width - room.edge))
        for item in placed:
            _panel(axes, design, item.panel, x=item.x, y=height - item.y, scale=scale)
    return figure, axes


def _heading(axes: Axes, design: Design, station: int, *, y: float, ends: tuple[float, float]) -> None:
    it = design.stations[station]
    groups = f"groups {it.first_group + 1} to {it.first_group + it.groups}"
    over = int(it.layout.cells - it.used.sum())
    spare = "" if not over else f"; {over} position{'s' if over > 1 else ''} left over"
    axes.plot(ends, [y - 1.5, y - 1.5], color=look.INK, linewidth=0.9)
    style = {"ha": "left", "va": "top"}
    strokes.text(axes, (ends[0], y - 3.0), it.compartment.name, fontsize=11, fontweight="bold", **style)
    words = f"{groups}, {int(it.used.sum())} cells{spare}; {it.layout.name}"
    strokes.text(axes, (ends[1], y - 3.4), words, fontsize=7.5, color=look.SOFT, ha="right", va="top")


def _panel(axes: Axes, design: Design, panel: Panel, *, x: float, y: float, scale: float) -> None:
    """Draw one panel with the lower left of its outline at x, y."""
    station = design.stations[panel.station]
    x0, y0, x1, y1 = box_of(design, panel)

    def put(shape: shapely.Geometry) -> shapely.Geometry:
        return shapely.transform(shape, lambda p: (p - np.array([x0, y0])) * scale + np.array([x, y]))

    box = put(views.silhouette(station.compartment, view=panel.view))
    strokes.fill(axes, box, facecolor="#ffffff", edgecolor=look.INK, linewidth=1.3, zorder=1)
    for keep_out in station.compartment.keep_outs:
        seen = put(views.silhouette(keep_out, view=panel.view)).intersection(box)
        here = views.at_depth(station, keep_out, axis=panel.view.axis, layer=panel.layer)
        _keep_out(axes, seen, keep_out.name, here=here)
    if panel.kind == "side":
        _side(axes, station, panel, put, design.clearance.cell_gap_mm)
        for shape in views.folded_shapes(design.conductors, station, view=panel.view):
            strokes.fill(axes, put(shape), facecolor=look.INK, edgecolor=look.INK, linewidth=0.6, zorder=7)
    else:
        _end_on(axes, design, panel, put)
        if panel.kind == "chain":
            _chain(axes, design, panel, put, scale)
        else:
            _face(axes, design, panel, put, scale)
    _dimensions(axes, box, real=(x1 - x0, y1 - y0), profile=panel.view.axis == station.compartment.extrude)
    top = box.bounds[3]
    what, where = panel.caption.replace("-", "−").split("\n", 1)
    strokes.text(axes, (x, top + 6.0), what, ha="left", fontsize=7.0, fontweight="bold")
    strokes.text(axes, (x, top + 2.6), where, ha="left", fontsize=6.2, color=look.SOFT)


def _keep_out(axes: Axes, shape: shapely.Geometry, name: str, *, here: bool) -> None:
    """A keep-out where the panel's cells are; one at another depth as a dashed outline over them."""
    if shape.is_empty:
        return
    if not here:
        dashed = {"linewidth": 0.7, "linestyle": (0, (4, 2))}
        strokes.fill(axes, shape, facecolor="none", edgecolor=look.SOFT, zorder=5.8, **dashed)
        # Inside its outline, since captions stand over the box; on ground of its own, since cells lie under it.
        ground = {"facecolor": "#ffffff", "edgecolor": "none", "pad": 0.5}
        x0, y0, *_ = shape.bounds
        strokes.text(axes, (x0 + 2.0, y0 + 1.0), f"{name}, at another depth", fontsize=4.2, color=look.INK, ha="left",
                     va="bottom", bbox=ground, zorder=8)  # fmt: skip
        return
    strokes.fill(axes, shape, facecolor=look.BLOCKED, edgecolor=look.SOFT, linewidth=0.7, hatch="////", zorder=2)
    x0, _, x1, _ = shape.bounds
    size = float(np.clip((x1 - x0) * 2.0 / max(len(name), 1), 3.5, 6.0))
    ground = {"facecolor": look.BLOCKED, "edgecolor": "none", "pad": 0.6}
    place = shape.representative_point()
    strokes.text(axes, (place.x, place.y), name, fontsize=size, color=look.INK, bbox=ground, zorder=3)


def _dimensions(axes: Axes, box: Polygon, *, real: tuple[float, float], profile: bool) -> None:
    x0, y0, x1, y1 = box.bounds
    strokes.dimension(axes, (x0, y0), (x1, y0), away=4.5, length_mm=real[0])
    strokes.dimension(axes, (x0, y1), (x0, y0), away=5.5, length_mm=real[1])
    corners = np.asarray(box.exterior.coords)[:-1]
    if not profile or len(corners) > 12:
        return
    # A tapered or stepped outline needs its edges at the top and the bottom too, inside it.
    for level in (y1, y0):
        edge = corners[np.isclose(corners[:, 1], level)]
        left, right = float(edge[:, 0].min()), float(edge[:, 0].max())
        if 0.0 < right - left < (x1 - x0) * 0.999:
            start, end = ((left, y0), (right, y0)) if level == y0 else ((right, y1), (left, y1))
            length = (right - left) * real[0] / (x1 - x0)
            strokes.dimension(axes, start, end, away=-3.2, length_mm=length)


def _end_on(axes: Axes, design: Design, panel: Panel, put: Put) -> None:
    """Case, and seats that no cell of the pack uses."""
    station = design.stations[panel.station]
    case, _ = views.case_outline(station, axis=panel.view.axis, layer=panel.layer, clearance=design.clearance)
    case = views.mirrored(case) if panel.view.mirrored else case
    strokes.fill(axes, put(case), facecolor="#e7eeec", edgecolor=look.CASE, linewidth=0.9, zorder=2.5)
    for plate in views.tie_shapes(station, view=panel.view, layer=panel.layer, clearance=design.clearance):
        strokes.fill(axes, put(plate), facecolor=look.SOFT, edgecolor=look.INK, linewidth=0.4, zorder=4.2)
    empty = np.flatnonzero((views.levels(station) == panel.layer) & ~station.used)
    for shape in views.cell_shapes(station, view=panel.view, index=empty):
        strokes.cell(axes, put(shape), round_cell=_round(station), **strokes.EMPTY)


def _round(station: Station) -> bool:
    return station.layout.size.shape == "cylinder"


def _chain(axes: Axes, design: Design, panel: Panel, put: Put, scale: float) -> None:
    """Tinted series groups with their numbers, and the way of the chain through them."""
    station, gap = design.stations[panel.station], design.clearance.cell_gap_mm
    pairs = views.touching(station, cell_gap_mm=gap)
    group = np.where(views.levels(station) == panel.layer, views.pack_groups(station), 0)
    middles, colours = [], views.group_colours(station, pairs=pairs, count=len(TINTS))
    for number in np.unique(group[group > 0]):
        members = np.flatnonzero(group == number)
        tint = TINTS[colours[int(number)]]
        around = views.ribbon(station, view=panel.view, members=members, pairs=pairs, margin_mm=gap * 0.3)
        strokes.fill(axes, put(around), facecolor=tint, edgecolor=look.INK, linewidth=0.5, zorder=3.5)
        for shape in views.cell_shapes(station, view=panel.view, index=members):
            strokes.cell(
                axes, put(shape), round_cell=_round(station), facecolor="none", edgecolor=look.SOFT, zorder=4
            )
        flat = views.project(station.layout.centres_mm[members], view=panel.view)
        middles.append((int(number), put(shapely.MultiPoint(flat)).centroid))
    for (number, a), (following, b) in pairwise(middles):
        if following == number + 1:
            arrow = {"arrowstyle": ARROW, "color": look.INK, "linewidth": 0.8, "shrinkA": 0, "shrinkB": 5.2}
            axes.annotate("", (b.x, b.y), (a.x, a.y), arrowprops=arrow, zorder=6)
    for number, place in middles:
        strokes.pill(axes, (place.x, place.y), str(number), size=6.5 if scale >= 0.4 else 4.5)


def _face(axes: Axes, design: Design, panel: Panel, put: Put, scale: float) -> None:
    """Cell ends with polarity, and the conductors on this face with their welds, leads and names."""
    station, way = design.stations[panel.station], views.directions(design.stations[panel.station])
    here = np.flatnonzero((views.levels(station) == panel.layer) & station.used)
    for place, shape in zip(here, views.cell_shapes(station, view=panel.view, index=here), strict=True):
        if station.layout.size.same_end:
            strokes.block_end(axes, put(shape), _poles(station, int(place), panel.view, put))
            continue
        strokes.cell_end(
            axes, put(shape), positive=bool(way[place] == panel.view.side), round_cell=_round(station)
        )
    taken: list[shapely.Geometry] = []
    paper = put(views.silhouette(station.compartment, view=panel.view))
    for conductor, shapes in views.metal_on_face(design, station, layer=panel.layer, side=panel.view.side):
        strokes.metal(axes, [put(shape) for shape in shapes], conductor)
        spots = {key: _spots(conductor, key, panel.view, put) for key in ("terminals", "taps")}
        strokes.welds(axes, spots["terminals"], size=WELD_MM * scale)
        size = 5.6 if scale >= 0.4 else 4.0
        name = str(conductor["name"])
        if conductor["level"] == 0 and spots["terminals"]:
            name, ring = name.replace("-", "−"), 2.0 * WELD_MM * scale
            spot = _beside(spots, shapely.union_all([put(shape) for shape in shapes]), ring=ring,
                           half=strokes.pill_half(name, size=size))  # fmt: skip
            strokes.pill(axes, spot, name, size=size, dark=False)
            strokes.leads(axes, spots["taps"], size=ring)
            taken += [_around(spot, strokes.pill_half(name, size=size)), *(_around(s, ring / 2) for s in spots["taps"])]
        elif conductor["level"]:
            half = strokes.pill_half(name, size=size)
            spot = _free(shapely.union_all([put(shape) for shape in shapes]), taken, half, paper)
            strokes.pill(axes, spot, name, size=size, dark=False)
            taken.append(_around(spot, half))


def _around(middle: Point, half: Point | float) -> shapely.Geometry:
    """Rectangle around a point [mm of paper]."""
    wide, high = half if isinstance(half, tuple) else (half, half)
    return shapely.box(middle[0] - wide, middle[1] - high, middle[0] + wide, middle[1] + high)


def _free(
    metal: shapely.Geometry, taken: Sequence[shapely.Geometry], half: Point, within: shapely.Geometry
) -> Point:
    """Where the name of a joint stands: beside its metal, within an outline, over as little as can be of the rest."""
    (x0, y0, x1, y1), (wide, high) = metal.bounds, (half[0] + CLEAR_MM, half[1] + CLEAR_MM)
    x, y = (x0 + x1) / 2, (y0 + y1) / 2
    places = [(x1 + wide, y), (x0 - wide, y), (x, y0 - high), (x, y1 + high), (x, y)]
    boxes = [_around(place, half) for place in places]
    hidden = [box.difference(within).area + sum(box.intersection(one).area for one in (*taken, metal))
              for box in boxes]  # fmt: skip
    return places[int(np.argmin(np.round(hidden, 3)))]


def _beside(spots: Mapping[str, Sequence[Point]], metal: shapely.Geometry, *, ring: float, half: Point) -> Point:
    """Where the name stands: in the middle of the welds if it hides no lead and no weld there, else nearest to it.

    It never lies on the ring of a lead where there is another place, on a weld or off its metal if it must.
    ring: their diameter; half: of the pill's width and height [mm of paper].
    """
    welds, taps = np.asarray(spots["terminals"]), np.asarray(spots["taps"]).reshape(-1, 2)
    middle, away = welds.mean(axis=0), np.asarray(half) + ring / 2 + CLEAR_MM
    around = [tap + away * way for tap in taps for way in ((0, 1), (0, -1), (1, 0), (-1, 0))]
    between = (welds[:, None, :] + welds[None, :, :]).reshape(-1, 2) / 2
    places = np.vstack([middle[None], between, *(spot[None] for spot in around)])

    def hides(marks: np.ndarray, size: float) -> np.ndarray:
        far = np.maximum(np.abs(places[:, None, :] - marks[None]) - half, 0.0)
        hidden: np.ndarray = np.any(np.hypot(far[..., 0], far[..., 1]) < size / 2, axis=1)
        return hidden

    off = ~shapely.intersects(metal, shapely.points(places))
    off[0] = False
    best = np.lexsort([np.hypot(*(places - middle).T), off, hides(welds, ring / 2), hides(taps, ring)])[0]
    return float(places[best, 0]), float(places[best, 1])


def _poles(station: Station, cell: int, view: View, put: Put) -> list[tuple[Polygon, bool]]:
    """Terminals of a block on this face, and whether each is the positive one; none on the end without any."""
    if view.side < 0:
        return []
    return [(put(shape), plus) for shape, plus in views.pole_shapes(station, cell, view=view)]


def _spots(conductor: Mapping[str, Any], key: str, view: View, put: Put) -> list[tuple[float, float]]:
    """Middles of a conductor's welds or leads on the sheet."""
    at = "centre_mm" if key == "terminals" else "at_mm"
    points = np.array([item[at] for item in conductor[key]], dtype=float).reshape(-1, 3)
    flat = views.project(points, view=view)
    return [(p.x, p.y) for p in (put(shapely.Point(xy)) for xy in flat)]


def _side(axes: Axes, station: Station, panel: Panel, put: Put, gap_mm: float) -> None:
    """Cells from the side, far ones first, tinted by group, positive ends marked."""
    axis = panel.view.axis
    depth = station.layout.centres_mm[:, axis] * panel.view.side
    group, way = views.pack_groups(station), views.directions(station)
    order = np.argsort(depth, kind="stable")
    pairs = views.touching(station, cell_gap_mm=gap_mm)
    colours = views.group_colours(station, pairs=pairs, count=len(TINTS))
    shapes = views.cell_shapes(station, view=panel.view, index=order)
    for place, shape in zip(order, shapes, strict=True):
        used = group[place] > 0
        # A seat left empty shows what stands behind it.
        tint = TINTS[colours[int(group[place])]] if used else "none"
        line = "solid" if used else (0, (2, 2))
        zorder = (4 if used else 5.5) + 0.001 * int(np.searchsorted(depth[order], depth[place]))
        strokes.fill(
            axes,
            put(shape),
            facecolor=tint,
            edgecolor=look.SOFT,
            linewidth=0.5,
            linestyle=line,
            zorder=zorder,
        )
        # Terminals side by side on one end are told apart on the drawing of that end.
        if used and not station.layout.size.same_end:
            end = _positive_end(shape, station, panel, toward=int(way[place]))
            strokes.fill(axes, put(end), facecolor=look.PLUS, edgecolor="none", zorder=zorder + 0.0005)


def _positive_end(shape: Polygon, station: Station, panel: Panel, *, toward: int) -> Polygon:
    """The last 4 % of a cell's length at its positive end, as seen from the side."""
    x0, y0, x1, y1 = shape.bounds
    level = cross_axes(panel.view.axis).index(station.layout.axis) == 0
    ahead = toward > 0 if not (level and panel.view.mirrored) else toward < 0
    if level:
        step = 0.04 * (x1 - x0)
        return shapely.box(x1 - step, y0, x1, y1) if ahead else shapely.box(x0, y0, x0 + step, y1)
    step = 0.04 * (y1 - y0)
    return shapely.box(x0, y1 - step, x1, y1) if ahead else shapely.box(x0, y0, x1, y0 + step)
