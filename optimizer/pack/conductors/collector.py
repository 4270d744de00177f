"""Collectors: a straight bar over the plate at an end, joined to it between all cells of the lead's row.

The bar has a window over each weld. It is joined to the plate before that comes near a cell, as a lead is; the plate is
welded to the cells through the windows.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import shapely

from optimizer.fit.region.layout import CellSize
from optimizer.pack.conductors.cut import sheet_sections
from optimizer.pack.conductors.field import WELD_MM, Field
from optimizer.pack.conductors.laid import COVER_MM, CUT_STEP_MM, directions, strip_sections, tap_points
from optimizer.pack.conductors.pieces import CannotLay, Collector, Metal, Piece, TooShort
from optimizer.pack.conductors.sites import Site
from optimizer.pack.conductors.tabbed import RIM_MM, WINDOW_MM, window


def with_collector(
    metal: Metal, site: Site, size: CellSize, *, width_mm: float, conduct: float, dense: float, cut: bool
) -> Metal:
    """The metal of an end with a collector over the row of its lead, which is joined to the bar at one place.

    Parameters
    ----------
    site : Site
        An end.
    width_mm : float
        Of the bar [mm].
    conduct, dense : float
        See Piece and Collector [-].
    cut : bool
        Whether the plate is cut from sheet.

    Raises
    ------
    TooShort
        If the row has too few cells.
    CannotLay
        If the bar or the plate is too narrow for its joints or the windows.
    """
    turn = np.radians(directions(site)[1])
    along, square = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    lead = metal.tap_mm[len(metal.tap_mm) // 2]
    places = tap_points(site, size, metal.weld_mm, taps=max(len(site.inside), 2))
    joints = places[np.abs((places - lead) @ square) <= width_mm / 2 - COVER_MM]
    joints = joints[np.argsort(joints @ along, kind="stable")]
    if len(site.cells) < 2 or len(joints) < 2:
        raise TooShort("a collector asks for three cells in the row of the lead")
    height, spots = float(np.mean(joints @ square)), joints @ along
    length = float(np.ceil((spots[-1] - spots[0] + 2 * COVER_MM) / CUT_STEP_MM - 1e-6) * CUT_STEP_MM)
    start, half = (spots[0] + spots[-1] - length) / 2, square * width_mm / 2
    a, b = (along * s + square * height for s in (start, start + length))
    outline = np.array([a - half, b - half, b + half, a + half])
    whole = shapely.Polygon(outline)
    under = [weld for weld in metal.weld_mm if whole.intersects(shapely.Polygon(window(weld)))]
    piece = Piece(
        outline, 1, width_mm, length, np.zeros(0, dtype=np.int64), tuple(window(weld) for weld in under), conduct
    )
    rims = [shapely.Polygon(hole).buffer(RIM_MM) for hole in piece.windows_mm]
    if not all(whole.covers(rim) for rim in rims):
        raise CannotLay(f"a collector of {width_mm:g} mm has no room for a window of {WINDOW_MM:g} mm over each weld")
    discs = shapely.buffer(shapely.points(joints), WELD_MM / 2)
    plate = shapely.union_all([one.shape for one in metal.pieces])
    if not (shapely.covers(plate, discs).all() and shapely.covers(piece.shape, discs).all()):
        raise CannotLay("a collector cannot be joined to its plate between all cells of the row")
    cuts = [
        np.array([weld + sign * square * WINDOW_MM / 2, weld + square * (height - weld @ square) + sign * half])
        for weld in under for sign in (-1.0, 1.0)
    ]  # fmt: skip
    first = int(np.argmin(np.hypot(*(joints - lead).T)))
    sheet = shapely.Polygon(metal.pieces[0].outline_mm)
    beside = sheet_sections(site, sheet, joints) if cut else strip_sections(metal.pieces, metal.weld_mm, joints)
    bar = Collector(piece, joints, first, dense, tuple(cuts))
    return replace(metal, tap_mm=lead[None], sections=tuple(beside), bar=bar, like=None)


def joined(plate: Field, bar: Field, *, welds: int, lead: int, conduct: float) -> tuple[Field, Field]:
    """A plate and its collector as one conductor, fed at the plate's welds; the lead is where potentials begin.

    At each joint the potentials of both are one, but for a constant: Z_ws a − Z_ss j = (Z_bar (j − e Σa)) / c + φ0, and
    Σ j = Σ a.

    Parameters
    ----------
    plate : Field
        Of welds, then joints of the bar.
    bar : Field
        Of the joints, at conductance 1.
    lead : int
        Joint at which the current leaves.
    conduct : float
        Of a square of the bar over one of a layer of the plate [-].

    Returns
    -------
    plate, bar : Field
        Their joints are the welds, then the lead; of the bar `potential` is that at conductance 1, so that its slope is
        the current per width.
    """
    count = len(bar.impedance)
    a, out = np.eye(welds + 1)[:welds], np.zeros((count, welds + 1))
    out[lead, :welds] = 1.0
    matrix = np.ones((count + 1, count + 1))
    matrix[:count, :count] = plate.impedance[welds:, welds:] + bar.impedance / conduct
    matrix[count, count] = 0.0
    right = np.vstack([plate.impedance[welds:, :welds] @ a + bar.impedance @ out / conduct, a.sum(axis=0)])
    solved = np.linalg.solve(matrix, right)
    into, zero = solved[:count], solved[count:]
    on_bar = bar.potential @ (into - out)
    at_lead = (bar.impedance[lead] @ (into - out)) / conduct
    at_nodes = plate.potential @ np.vstack([a, -into]) - zero - at_lead
    impedance = np.zeros((welds + 1, welds + 1))
    impedance[:welds] = plate.impedance[:welds] @ np.vstack([a, -into]) - zero - at_lead
    return replace(plate, potential=at_nodes, impedance=impedance), replace(bar, potential=on_bar)
