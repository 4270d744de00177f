"""How pictures of a design are arranged on a sheet: which ones, at which scale, in which rows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import shapely
from shapely.geometry import Polygon

from optimizer.fit.region.section import cross_axes
from optimizer.review.sheets import views
from optimizer.review.sheets.legend import EDGE_MM, foot_height
from optimizer.review.sheets.views import View

if TYPE_CHECKING:
    from optimizer.design.model import Design, Station

SHEETS_MM = (297.0, 420.0, 594.0)
# Scales of ISO 5455, largest first; below 1:2 numbers get small, so only wide boxes get it.
SCALES = ((1.0, "1:1"), (0.5, "1:2"), (0.2, "1:5"), (0.1, "1:10"))
CAPTION_MM = 47.0
HEADING_MM = 11.0
TALLEST_AT_FULL_MM = 297.0


@dataclass(frozen=True)
class Room:
    """Paper that a picture takes around its outline, and the empty edge of the sheet [mm]."""

    left: float = 13.0
    right: float = 7.0
    below: float = 11.0
    above: float = 11.0
    edge: float = EDGE_MM


SHEET = Room()
# On a printed page: closer together, up to its edges.
PAGE = Room(left=9.0, right=1.0, below=7.5, above=9.5, edge=0.0)
# Width of an A4 page within its margins; what is free under a design's figures and under its tables, and on a page of
# its own [mm]; a scale below which such pages are better.
PAGE_MM = 188.0
PAGE_HEIGHTS_MM = (165.0, 95.0)
WHOLE_PAGE_MM = 262.0
PAGE_LEAST = 1.0 / 8.0
PAGE_SCALES = (1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0, 4.5, 5.0, 6.0, 7.0, 8.0, 10.0, 12.0, 15.0, 20.0)


@dataclass(frozen=True)
class Panel:
    """One picture: "chain" (groups, way of the current), "face" (cell ends, plates) or "side" of a station.
    """

    station: int
    kind: str
    view: View
    layer: int
    caption: str


@dataclass(frozen=True)
class PlacedPanel:
    """A panel with its place: where the lower left of its outline lies on the sheet [mm of paper]."""

    panel: Panel
    x: float
    y: float


def panels_of(design: Design, *, station: int) -> list[Panel]:
    """Pictures that a compartment, counted from 0, needs: per layer chain and both faces, one look from the side."""
    it = design.stations[station]
    axis = it.layout.axis
    natural = views.NATURAL_SIDE[axis]
    layers = [int(k) for k in np.unique(views.levels(it)[it.used])]
    found = []
    for number, layer in enumerate(layers, start=1):
        which = f"layer {number} of {len(layers)}, " if len(layers) > 1 else ""
        for kind, side in (("chain", natural), ("face", natural), ("face", -natural)):
            view = View(axis, side)
            what = "groups and chain" if kind == "chain" else f"plates on the {view.name[-2:]} face"
            turn = ", mirrored" if view.mirrored else ""
            found.append(Panel(station, kind, view, layer, f"{what}\n{which}{view.name}{turn}"))
    side_axis = _side_axis(it)
    view = View(side_axis, views.NATURAL_SIDE[side_axis])
    found.append(Panel(station, "side", view, -1, f"cells in the box\n{view.name}"))
    return found


def _side_axis(station: Station) -> int:
    """Axis across the cells along which one looks: the one that shows the profile, or most of the box."""
    extrude = station.compartment.extrude
    square = shapely.box(*Polygon(station.compartment.profile_mm).bounds)
    tapered = square.area - Polygon(station.compartment.profile_mm).area > 1e-6 * square.area
    if tapered and extrude != station.layout.axis:
        return extrude
    reach = station.compartment.extent_mm
    return min(cross_axes(station.layout.axis), key=lambda a: reach[a][1] - reach[a][0])


def box_of(design: Design, panel: Panel) -> tuple[float, float, float, float]:
    """Left, low, right and high of what a panel shows, in its view [mm]."""
    station = design.stations[panel.station]
    shape = views.silhouette(station.compartment, view=panel.view)
    x0, y0, x1, y1 = shape.bounds
    return float(x0), float(y0), float(x1), float(y1)


@dataclass(frozen=True)
class PanelRow:
    """Panels side by side: each with the left of its outline; `height` is what the row takes [mm of paper]."""

    station: int
    panels: tuple[tuple[Panel, float], ...]
    height: float


def rows_of(
    design: Design, stations: Sequence[int], *, scale: float, sheet_mm: float, room: Room = SHEET
) -> list[PanelRow]:
    """The panels in rows, compartment after compartment.

    Parameters
    ----------
    design : Design
    stations : sequence of int
    scale : float
        Paper length over real length [-].
    sheet_mm : float
        Width of the sheet [mm].
    room : Room

    Raises
    ------
    ValueError
        If a panel is wider than the sheet at this scale.
    """
    rows: list[PanelRow] = []
    for station in stations:
        held: list[tuple[Panel, float]] = []
        x, row_height = room.edge, 0.0
        for panel in panels_of(design, station=station):
            x0, y0, x1, y1 = box_of(design, panel)
            width = max((x1 - x0) * scale, CAPTION_MM) + room.left + room.right
            height = (y1 - y0) * scale + room.below + room.above
            if width > sheet_mm - 2 * room.edge:
                raise ValueError(f"a panel of {width:.0f} mm does not fit the sheet at scale {scale:g}")
            if x + width > sheet_mm - room.edge + 1e-6:
                rows.append(PanelRow(station, tuple(held), row_height))
                x, held, row_height = room.edge, [], 0.0
            held.append((panel, x + room.left))
            x, row_height = x + width, max(row_height, height)
        rows.append(PanelRow(station, tuple(held), row_height))
    return rows


def stacked(
    design: Design, rows: Sequence[PanelRow], *, scale: float, room: Room = SHEET
) -> tuple[list[PlacedPanel], dict[int, float], float]:
    """Rows under each other, a heading over the first of each compartment.

    Returns
    -------
    placed : list of PlacedPanel
        With y counted downwards from the top of the sheet.
    headings : dict of station to distance from the top [mm]
    height_mm : float
        What all rows need.
    """
    placed: list[PlacedPanel] = []
    headings: dict[int, float] = {}
    top = room.edge
    for row in rows:
        if row.station not in headings:
            headings[row.station] = top
            top += HEADING_MM
        for panel, x in row.panels:
            _, y0, _, y1 = box_of(design, panel)
            placed.append(PlacedPanel(panel, x, top + room.above + (y1 - y0) * scale))
        top += row.height
    return placed, headings, top


def arrange(
    design: Design, stations: Sequence[int], *, scale: float, sheet_mm: float
) -> tuple[list[PlacedPanel], dict[int, float], float]:
    """All panels on one sheet: `rows_of`, `stacked`."""
    return stacked(design, rows_of(design, stations, scale=scale, sheet_mm=sheet_mm), scale=scale)


def choose_sheet(design: Design, stations: Sequence[int]) -> tuple[float, str, float, float]:
    """Largest scale of ISO 5455 at which the panels fit, on the sheet that leaves least paper empty.

    Full size only where everything stays on one A3.

    Parameters
    ----------
    design : Design
    stations : sequence of int

    Returns
    -------
    scale : float
        Paper length over real length [-].
    name : str
        Such as "1:2".
    width_mm, height_mm : float
        Sheet [mm].

    Raises
    ------
    ValueError
        If even the smallest scale is too large.
    """
    for scale, name in SCALES:
        found = []
        for width in SHEETS_MM:
            try:
                height = arrange(design, stations, scale=scale, sheet_mm=width)[2] + foot_height(width)
            except ValueError:
                continue
            if scale < 1.0 or height <= TALLEST_AT_FULL_MM:
                found.append((width * height, width, height))
        if found:
            return scale, name, *min(found)[1:]
    raise ValueError(f"no scale down to {SCALES[-1][1]} brings the compartments onto a sheet")


def page_tiles(design: Design, stations: Sequence[int]) -> tuple[float, str, list[list[PanelRow]]]:
    """Rows for the pages of a design, at the largest scale of PAGE_SCALES at which they fit.

    They stand under its figures and under its tables, or, if that asks for less than PAGE_LEAST, under its figures and
    on pages of their own.

    Returns
    -------
    scale : float
    name : str
    tiles : list of list of PanelRow

    Raises
    ------
    ValueError
        If even the smallest scale is too large.
    """
    for heights, least in ((PAGE_HEIGHTS_MM, PAGE_LEAST), ((PAGE_HEIGHTS_MM[0], *[WHOLE_PAGE_MM] * 20), 0.0)):
        for times in PAGE_SCALES:
            if 1.0 / times < least:
                break
            try:
                rows = rows_of(design, stations, scale=1.0 / times, sheet_mm=PAGE_MM, room=PAGE)
            except ValueError:
                continue
            tiles = _tiled(rows, heights)
            if tiles is not None:
                return 1.0 / times, f"1:{times:g}", tiles
    raise ValueError(f"no scale down to 1:{PAGE_SCALES[-1]:g} brings the compartments onto a page")


def _tiled(rows: Sequence[PanelRow], heights_mm: Sequence[float]) -> list[list[PanelRow]] | None:
    """Rows put onto pages with so much room, the last one with a foot; None where they don't fit."""
    tiles: list[list[PanelRow]] = [[]]
    used = foot_height(PAGE_MM)
    for row in rows:
        head = HEADING_MM if not tiles[-1] or tiles[-1][-1].station != row.station else 0.0
        if used + head + row.height > heights_mm[len(tiles) - 1]:
            if len(tiles) == len(heights_mm) or not tiles[-1]:
                return None
            tiles.append([])
            used, head = foot_height(PAGE_MM), HEADING_MM
            if used + head + row.height > heights_mm[len(tiles) - 1]:
                return None
        tiles[-1].append(row)
        used += head + row.height
    return tiles
