"""Cases: volume of printed wall, covers and webs, from where the cells stand.

A case is a shell around its cells, closed by a cover at both ends, with a web of half the cell gap around
each cell. A tray has one shell per layer along the convex outline of the layer's cells; a module has a
rectangular one. Keep-outs inside the outline of a tray are not cut out of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.base.arrays import Floats, same_kind

#: Strip and insulating ring under a cover; what is left of the end gap is the cover (common practice).
END_STACK_MM = 0.5

#: Directions in which an outline is taken; a multiple of 12 meets square and staggered rows exactly.
_DIRECTIONS = 180


@dataclass(frozen=True, eq=False)
class CaseVolume:
    """Printed volume of the case or cases for the first 1, 2, … G groups; each array has shape (G,).

    Parameters
    ----------
    shell_mm3, web_mm3 : ndarray
        Wall and covers; webs between the cells [mm³].
    surface_mm2 : ndarray
        Outer surface, through which heat leaves [mm²].
    """

    shell_mm3: Floats
    web_mm3: Floats
    surface_mm2: Floats

    def mass_kg(self, density_kg_m3: float) -> Floats:
        """Mass at a density; PETG 1270 kg/m³ (resin data sheets; from memory)."""
        return (self.shell_mm3 + self.web_mm3) * 1e-9 * density_kg_m3


def outline(support_mm: Floats) -> tuple[Floats, Floats]:
    """Perimeter and area of the polygon around a convex outline with sides in evenly spaced directions.

    side_k = (h_{k+1} + h_{k−1} − 2 h_k cos δ) / sin δ; perimeter Σ side; area ½ Σ h side

    The polygon holds the outline: both are a little high (with 180 directions 0.01 % for a circle, up to
    0.6 % for long oblique edges, exact for edges along a direction) and grow whenever the outline does.

    Parameters
    ----------
    support_mm : ndarray, shape (n, k)
        Farthest reach of the outline in k directions evenly around the circle [mm].

    Returns
    -------
    perimeter_mm, area_mm2 : ndarray, shape (n,)
        [mm], [mm²]

    Source: support function of a convex set; Schneider, Convex Bodies: the Brunn–Minkowski Theory.
    """
    h = np.asarray(support_mm, float)
    delta = 2.0 * np.pi / h.shape[-1]
    side = (np.roll(h, 1, axis=-1) + np.roll(h, -1, axis=-1) - 2.0 * h * np.cos(delta)) / np.sin(delta)
    return side.sum(axis=-1), 0.5 * (h * side).sum(axis=-1)


def support_by_groups(across_mm: Floats, *, half_mm: Floats, round_cells: bool, group: ArrayLike) -> Floats:
    """Reach of the cells of the first 1, 2, … G groups in each direction.

    Parameters
    ----------
    across_mm : ndarray, shape (n, 2)
        Centres in the plane across the axis [mm].
    half_mm : ndarray, shape (n, 2)
        Half the extents in that plane [mm].
    round_cells : bool
        Cylinders seen from the end; blocks otherwise.
    group : ndarray of int, shape (n,)
        Place in the chain, from 0; −1 for a cell left out.

    Returns
    -------
    ndarray, shape (G, k)
        [mm]; −inf until the first cell comes.
    """
    place = np.asarray(group, int)
    angle = 2.0 * np.pi * np.arange(_DIRECTIONS) / _DIRECTIONS
    facing = np.stack([np.cos(angle), np.sin(angle)])
    reach = half_mm[:, :1] if round_cells else half_mm @ np.abs(facing)
    each = across_mm @ facing + reach
    support = np.full((int(place.max(initial=-1)) + 1, _DIRECTIONS), -np.inf)
    order = np.argsort(place, kind="stable")[int((place < 0).sum()) :]
    if len(order):
        present, first = np.unique(place[order], return_index=True)
        support[present] = np.maximum.reduceat(each[order], first, axis=0)
    return np.maximum.accumulate(support, axis=0)


def tray_case(
    centres_mm: Floats,
    *,
    extents_mm: Floats,
    round_cells: bool,
    axis: int,
    layer: ArrayLike,
    group: ArrayLike,
    case_mm: float,
    cell_gap_mm: float,
    end_mm: float,
    cover_mm: float | None = None,
) -> CaseVolume:
    """Tray for the first 1, 2, … G groups of a compartment, one shell per layer in use.

    shell = A(outline + wall) · H − A(outline) · (H − 2 cover), H = cell length + 2 end; web = (n − 1) rings
    of half the cell gap: the ring's share on the outline lies in the wall, and around a convex outline those
    shares add up to one ring. Where a straight wall cuts more off the rings, the webs are up to a tenth high.

    Parameters
    ----------
    centres_mm, extents_mm : ndarray, shape (n, 3)
        As in a layout [mm].
    round_cells : bool
        Cylinders; blocks otherwise.
    axis : int
        Axis along which the cells lie.
    layer, group : ndarray of int, shape (n,)
        Layer along the axis; place of the cell's group in the chain, from 0, −1 for a cell left out.
    case_mm, cell_gap_mm, end_mm : float
        Clearances as the fit keeps them [mm].
    cover_mm : float or None
        Thickness of a cover; end_mm less END_STACK_MM when None [mm].

    Returns
    -------
    CaseVolume
        Never falls from one group to the next.

    Raises
    ------
    ValueError
        If no group is used.
    """
    place, layers = np.asarray(group, int), np.asarray(layer, int)
    if place.size == 0 or place.max() < 0:
        raise ValueError("no group is used")
    across = [k for k in range(3) if k != axis]
    cover = _cover(end_mm, cover_mm)
    height = float(extents_mm[0, axis]) + 2.0 * end_mm
    web_one = _ring(extents_mm[0, across], round_cells, cell_gap_mm) * float(extents_mm[0, axis])
    parts = []
    for number in np.unique(layers[place >= 0]):
        own = layers == number
        support = support_by_groups(
            centres_mm[np.ix_(own, across)],
            half_mm=extents_mm[np.ix_(own, across)] / 2.0,
            round_cells=round_cells,
            group=np.where(own, place, -1)[own],
        )
        cells = np.cumsum(np.bincount(place[own & (place >= 0)], minlength=int(place.max()) + 1))
        parts.append(_layer_case(_extend(support, len(cells)), cells, case_mm, height, cover, web_one))
    shell, web, side, face = np.sum(parts, axis=0)
    face = np.max([part[3] for part in parts], axis=0)
    return CaseVolume(shell, web, side + 2.0 * face)


def _extend(support: Floats, groups: int) -> Floats:
    """The same reach for the groups that come after the layer is full."""
    missing = groups - len(support)
    return np.concatenate([support, np.repeat(support[-1:], missing, axis=0)])


def _layer_case(
    support: Floats,
    cells: NDArray[np.int64],
    wall_mm: float,
    height_mm: float,
    cover_mm: float,
    web_one: float,
) -> Floats:
    """Shell, webs, side surface and face of one layer, shape (4, G); 0 before its first cell."""
    begun = cells > 0
    inside = np.where(begun[:, None], support, 0.0)
    _, inner = outline(inside)
    around, outer = outline(inside + wall_mm)
    shell = outer * height_mm - inner * (height_mm - 2.0 * cover_mm)
    web = np.maximum(cells - 1, 0) * web_one
    return np.stack([shell, web, around * height_mm, outer]) * begun


def _cover(end_mm: float, cover_mm: float | None) -> float:
    return max(end_mm - END_STACK_MM, 0.0) if cover_mm is None else cover_mm


def _ring(extent_mm: Floats, round_cells: bool, gap_mm: float) -> float:
    """Area between a cell and the same cell grown by half the gap [mm²]."""
    one, two = float(extent_mm[0]), float(extent_mm[1])
    grown = (one + gap_mm) * (two + gap_mm) - one * two
    return grown * np.pi / 4.0 if round_cells else grown


def module_case(
    centres_mm: Floats,
    *,
    extents_mm: Floats,
    round_cells: bool,
    axis: int,
    module: ArrayLike,
    group: ArrayLike,
    case_mm: float,
    cell_gap_mm: float,
    end_mm: float,
    cover_mm: float | None = None,
) -> CaseVolume:
    """Module cases for the first 1, 2, … G groups: a module counts whole from its first group on.

    Parameters
    ----------
    centres_mm, extents_mm : ndarray, shape (n, 3)
        As in a layout [mm].
    round_cells : bool
        Cylinders; blocks otherwise.
    axis : int
        Axis along which the cells lie.
    module, group : ndarray of int, shape (n,)
        Case of the cell; place of the cell's group in the chain, from 0, −1 for a cell left out.
    case_mm, cell_gap_mm, end_mm : float
        Clearances as the fit keeps them [mm].
    cover_mm : float or None
        Thickness of a cover; end_mm less END_STACK_MM when None [mm].

    Returns
    -------
    CaseVolume
        The surface is that of all modules: those that touch still have a gap between them.

    Raises
    ------
    ValueError
        If no group is used.
    """
    place, case = np.asarray(group, int), np.asarray(module, int)
    if place.size == 0 or place.max() < 0:
        raise ValueError("no group is used")
    across = [k for k in range(3) if k != axis]
    totals = np.zeros((3, int(place.max()) + 1))
    for number in np.unique(case[place >= 0]):
        own = case == number
        sides = np.ptp(
            np.concatenate([centres_mm[own] - extents_mm[own] / 2, centres_mm[own] + extents_mm[own] / 2]),
            axis=0,
        )
        web = _ring(extents_mm[own][0, across], round_cells, cell_gap_mm) * float(extents_mm[own][0, axis])
        inner = (float(sides[across[0]]), float(sides[across[1]]), float(sides[axis]) + 2.0 * end_mm)
        one = _shell(inner, case_mm, _cover(end_mm, cover_mm))
        first = int(place[own & (place >= 0)].min())
        totals[:, first:] += np.array([[one[0]], [(int(own.sum()) - 1) * web], [one[1]]])
    return CaseVolume(*totals)


def _shell(sides_mm: tuple[float, float, float], wall_mm: float, cover_mm: float) -> tuple[float, float]:
    """Volume and outer surface of a rectangular shell; the height holds the covers."""
    a, b, height = sides_mm
    outer_a, outer_b = a + 2.0 * wall_mm, b + 2.0 * wall_mm
    volume = outer_a * outer_b * height - a * b * (height - 2.0 * cover_mm)
    return volume, 2.0 * (outer_a * outer_b + (outer_a + outer_b) * height)


def box_wall_volume(
    length_mm: ArrayLike, *, width_mm: ArrayLike, height_mm: ArrayLike, wall_mm: ArrayLike
) -> Floats:
    """Wall of a closed box around a free space, for a box that is still to be made.

    V = (l + 2t)(w + 2t)(h + 2t) − l w h

    Parameters
    ----------
    length_mm, width_mm, height_mm : float or ndarray, shape (n,)
        Inside [mm].
    wall_mm : float or ndarray, shape (n,)
        [mm]

    Returns
    -------
    ndarray, shape (n,)
        [mm³]

    >>> float(box_wall_volume(100.0, width_mm=50.0, height_mm=20.0, wall_mm=2.0))
    34784.0
    """
    inside = [np.asarray(side, float) for side in (length_mm, width_mm, height_mm)]
    wall = 2.0 * np.asarray(wall_mm, float)
    outer = (inside[0] + wall) * (inside[1] + wall) * (inside[2] + wall)
    return same_kind(outer - inside[0] * inside[1] * inside[2])
