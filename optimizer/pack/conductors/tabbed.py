"""Tabs on sheet: a sheet carries the current and has a window over each terminal, a thin tab across it is welded.

The tabs are joined to the sheet before it comes near a cell; what is welded to the cell is the tab alone.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely

from optimizer.base.arrays import Floats
from optimizer.pack.conductors.field import WELD_MM
from optimizer.pack.conductors.laid import CUT_STEP_MM, directions
from optimizer.pack.conductors.pieces import CannotLay, Metal, Piece
from optimizer.pack.conductors.sites import Site

# Around a weld the sheet stands off by so much, which leaves room for electrodes; on either side of its window a tab
# laps the sheet by so much, as wide as itself; sheet left around a window (common practice, no published source) [mm].
CLEAR_MM, LAP_MM, RIM_MM = 1.5, 3.0, 0.7
SIDES = 24
WINDOW_MM = WELD_MM + 2 * CLEAR_MM


def window(centre_mm: Floats) -> Floats:
    """Contour of the window over a weld, around the circle wanted, shape (SIDES, 2) [mm]."""
    turn = 2.0 * np.pi * np.arange(SIDES) / SIDES
    radius = WINDOW_MM / 2 / np.cos(np.pi / SIDES)
    return np.asarray(centre_mm + radius * np.column_stack([np.cos(turn), np.sin(turn)]))


def with_tabs(metal: Metal, site: Site, *, width_mm: float, conduct: float) -> Metal:
    """A cut sheet with a window and a tab for each weld.

    Parameters
    ----------
    metal : Metal
        Of one piece of sheet.
    width_mm : float
        Of the tabs [mm].
    conduct : float
        Conductance of a square of tab over that of one of the sheet [-].

    Raises
    ------
    CannotLay
        If the sheet is too narrow for a window with its rim, or for both laps of a tab.
    """
    (sheet,) = metal.pieces
    whole = shapely.Polygon(sheet.outline_mm)
    windows = [window(weld) for weld in metal.weld_mm]
    rims = shapely.buffer(shapely.polygons(np.array(windows)), RIM_MM)
    if not shapely.covers(whole, rims).all():
        raise CannotLay("the sheet is too narrow for a window over each weld")
    left = whole.difference(shapely.union_all(shapely.polygons(np.array(windows))))
    tabs = []
    for k, weld in enumerate(metal.weld_mm):
        lie = [one for way in _ways(site) if _laps(one := _tab(weld, way, width_mm), left)]
        if not lie:
            raise CannotLay(f"a tab of {width_mm:g} mm finds no sheet on both sides of its window")
        # What stands out over the edge of the sheet comes nearer to other plates.
        tab = min(lie, key=lambda one: round(shapely.Polygon(one).difference(whole).area, 3))
        tabs.append(Piece(tab, 1, width_mm, LENGTH_MM, np.array([k]), conduct=conduct))
    open_ = replace(sheet, welds=np.zeros(0, dtype=np.int64), windows_mm=tuple(windows))
    beside = _beside(whole, metal.weld_mm, site)
    return replace(metal, pieces=(open_, *tabs), sections=(*metal.sections, *beside), like=None)


LENGTH_MM = float(np.ceil((WINDOW_MM + 2 * LAP_MM) / CUT_STEP_MM - 1e-6) * CUT_STEP_MM)


def _ways(site: Site) -> list[Floats]:
    """Directions in which tabs may lie: along the rows before the ties."""
    found = np.radians(directions(site)[::-1])
    return [np.array([np.cos(angle), np.sin(angle)]) for angle in found]


def _tab(weld: Floats, way: Floats, width_mm: float) -> Floats:
    """Contour of a tab with its weld in the middle [mm]."""
    along, across = way * LENGTH_MM / 2, np.array([-way[1], way[0]]) * width_mm / 2
    return np.array([weld - along - across, weld + along - across, weld + along + across, weld - along + across])


def _laps(tab: Floats, left: shapely.Geometry) -> bool:
    """Whether the tab lies on the sheet at both ends, over the whole length of the laps."""
    (a, b, c, d), share = tab, LAP_MM / LENGTH_MM
    ends = ((a, a + share * (b - a), d + share * (c - d), d), (b, b + share * (a - b), c + share * (d - c), c))
    return all(shapely.area(shapely.intersection(left, shapely.Polygon(end))) > 0.85 * shapely.Polygon(end).area
               for end in ends)  # fmt: skip


def _beside(whole: shapely.Polygon, welds: Floats, site: Site) -> list[Floats]:
    """Cuts through the sheet beside each window, along rows and ties, where it is narrowest."""
    found, far = [], 2.0 * float(np.hypot(*np.ptp(np.asarray(whole.exterior.coords), axis=0)))
    for weld in welds:
        hole = shapely.Polygon(window(weld))
        for way in _ways(site):
            cut = shapely.intersection(shapely.LineString([weld - far * way, weld + far * way]), whole)
            parts = [part for part in shapely.get_parts(cut.difference(hole)) if part.length > RIM_MM]
            near = [part for part in parts if part.distance(hole) < 1e-6]
            found += [shapely.get_coordinates(part)[[0, -1]] for part in near]
    return found
