"""Temperature of a pack: one lumped network per compartment, for many candidates at once.

inner cells — outer cells — case — box — air. The nodes are at the skin of the cells, where a datasheet's
limit is measured (common practice). Inner cells
lose heat to outer ones and through their ends, outer ones to the case wall too. From the box to the air
go natural convection and radiation: no wind of the ride is counted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from optimizer.base.arrays import Floats, same_kind
from optimizer.pack.thermal import convection
from optimizer.pack.thermal.neighbours import Contents

#: Of cylindrical lithium-ion cells; 800–1100 in the literature (Bryden et al. 2018; from memory).
CELL_J_PER_KG_K = 950.0
#: Of printed PETG, from resin data sheets (from memory).
CASE_J_PER_KG_K = 1200.0
#: Of aluminium (Incropera & DeWitt, table A.1; from memory).
BOX_J_PER_KG_K, BOX_KG_PER_M3 = 900.0, 2700.0
#: Plastic (0.9) facing bare metal (0.1) exchanges little: 1/(1/0.9 + 1/0.1 − 1).
GAP_EMISSIVITY = 0.099


@dataclass(frozen=True, eq=False)
class Box:
    """Outer size of a compartment, air all around it.

    Parameters
    ----------
    length_mm, width_mm, height_mm : float or ndarray, shape (n,)
        [mm]
    wall_mm : float or ndarray, shape (n,)
        Thickness of its aluminium wall, for its heat capacity [mm].
    emissivity : float or ndarray, shape (n,)
        Outside; 0.9 for paint and anodised metal about 0.8 (Incropera & DeWitt, table A.11; from memory) [-].
    """

    length_mm: ArrayLike
    width_mm: ArrayLike
    height_mm: ArrayLike
    wall_mm: ArrayLike = 2.0
    emissivity: ArrayLike = 0.9

    def faces(self) -> tuple[Floats, Floats, Floats]:
        """Area of all four sides, area of the top, mean of length and width: [m²], [m²], [m]."""
        length, width, height = (
            np.asarray(side, float) * 1e-3 for side in (self.length_mm, self.width_mm, self.height_mm)
        )
        return 2.0 * (length + width) * height, length * width, (length + width) / 2.0


@dataclass(frozen=True, eq=False)
class Network:
    """Cells and conductances of one compartment; every array has shape (n,).

    Parameters
    ----------
    inner, outer : ndarray
        Cells [-].
    inner_outer, inner_case, outer_case, case_box : ndarray
        [W/K]
    box : Box
    """

    inner: Floats
    outer: Floats
    inner_outer: Floats
    inner_case: Floats
    outer_case: Floats
    case_box: Floats
    box: Box


def build(
    contents: Contents,
    *,
    diameter_mm: ArrayLike,
    length_mm: ArrayLike,
    cell_gap_mm: ArrayLike,
    end_mm: ArrayLike,
    case_gap_mm: ArrayLike,
    case_area_m2: ArrayLike,
    box: Box,
    holder_fraction: ArrayLike = 1.0,
    holder_w_per_m_k: ArrayLike = 0.25,
    contact_gap_mm: ArrayLike = 0.2,
) -> Network:
    """Network of a compartment from the counts of its cells.

    Neighbours: holder wall over a part of the length, air over the rest. Outer cell to case: an air gap of
    contact_gap_mm. Cell end to cover: an air layer of end_mm. Case to box: gap_coefficient over the case.

    Parameters
    ----------
    contents : Contents
        From optimizer.pack.thermal.neighbours.
    diameter_mm, length_mm : float or ndarray, shape (n,)
        Of the cell; for a block, the diameter of equal circumference [mm].
    cell_gap_mm, end_mm, case_gap_mm : float or ndarray, shape (n,)
        Between cells, at each end of a cell, between case and box [mm].
    case_area_m2 : float or ndarray, shape (n,)
        Outer surface of the case or cases [m²].
    box : Box
        The compartment.
    holder_fraction : float or ndarray, shape (n,)
        Part of the cells' length with holder wall in the gap [-].
    holder_w_per_m_k : float or ndarray, shape (n,)
        PETG 0.2 to 0.29, from resin data sheets (from memory) [W/(m K)].
    contact_gap_mm : float or ndarray, shape (n,)
        Air left between an outer cell and the case wall that holds it [mm].

    Raises
    ------
    ValueError
        If a gap is not positive.
    """
    part = np.asarray(holder_fraction, float)
    filling = part * np.asarray(holder_w_per_m_k, float) + (1.0 - part) * convection.AIR_W_PER_M_K
    between = convection.cell_to_cell(
        diameter_mm, gap_mm=cell_gap_mm, length_mm=length_mm, conductivity_w_per_m_k=filling
    )
    side = convection.cell_to_wall(
        diameter_mm, gap_mm=contact_gap_mm, length_mm=length_mm,
        conductivity_w_per_m_k=convection.AIR_W_PER_M_K,
    )  # fmt: skip
    end_area = np.pi / 4.0 * (np.asarray(diameter_mm, float) * 1e-3) ** 2
    end = convection.AIR_W_PER_M_K / (np.asarray(end_mm, float) * 1e-3) * end_area
    height = np.asarray(box.height_mm, float) * 1e-3
    across = convection.gap_coefficient(case_gap_mm, height_m=height, emissivity=GAP_EMISSIVITY)
    return Network(
        inner=np.asarray(contents.inner, float),
        outer=np.asarray(contents.outer, float),
        inner_outer=_floats(contents.inner_outer * between),
        inner_case=_floats(contents.inner_ends * end + contents.inner_walls * side),
        outer_case=_floats(contents.outer_ends * end + contents.outer_walls * side),
        case_box=_floats(across * np.asarray(case_area_m2, float)),
        box=box,
    )


def _floats(values: ArrayLike) -> Floats:
    return np.asarray(values, dtype=float)


def box_conductance(box: Box, *, rise_k: ArrayLike, air_c: ArrayLike) -> Floats:
    """Conductance from a box to the air around it, natural convection and radiation.

    Parameters
    ----------
    box : Box
    rise_k : float or ndarray, shape (n,)
        Box over air [K].
    air_c : float or ndarray, shape (n,)
        [°C]

    Returns
    -------
    ndarray, shape (n,)
        [W/K]

    Source: Holman's simplified equations for each face; Stefan–Boltzmann.
    """
    sides, top, across = box.faces()
    height = np.asarray(box.height_mm, float) * 1e-3
    air = np.asarray(air_c, float)
    free = (
        convection.face_convection(rise_k, size_m=height, kind=convection.SIDE) * sides
        + convection.face_convection(rise_k, size_m=across, kind=convection.TOP) * top
        + convection.face_convection(rise_k, size_m=across, kind=convection.UNDERSIDE) * top
    )
    surface = air + np.asarray(rise_k, float)
    radiation = convection.radiation_coefficient(box.emissivity, surface_c=surface, ambient_c=air)
    return same_kind(free + radiation * (sides + 2.0 * top))


def rises_over_box(network: Network, *, inner_w: ArrayLike, outer_w: ArrayLike) -> Floats:
    """Steady rise of inner cells, outer cells and case over the box, in closed form.

    Parameters
    ----------
    network : Network
    inner_w, outer_w : float or ndarray, shape (n,)
        Heat of all inner and of all outer cells [W].

    Returns
    -------
    ndarray, shape (n, 3)
        Inner, outer, case [K]. Without inner cells the first equals the second.
    """
    inside, outside = np.broadcast_arrays(np.asarray(inner_w, float), np.asarray(outer_w, float))
    io, ic, oc = network.inner_outer, network.inner_case, network.outer_case
    case = (inside + outside) / network.case_box
    # Two nodes against the case: (io + ic) a − io b = inside; −io a + (io + oc) b = outside.
    alone = network.inner == 0
    determinant = np.where(alone, 1.0, io * ic + io * oc + ic * oc)
    a = ((io + oc) * inside + io * outside) / determinant
    b = (io * inside + (io + ic) * outside) / determinant
    b = np.where(alone, outside / np.where(oc > 0, oc, np.inf), b)
    a = np.where(alone, b, a)
    return np.stack(np.broadcast_arrays(a + case, b + case, case), axis=-1)


def cell_heat_at_limit(network: Network, *, limit_c: ArrayLike, air_c: ArrayLike) -> Floats:
    """Steady heat of every cell at which the hottest one reaches a limit.

    The rise over the box is linear in the heat, that of the box over the air is not: bisection.

    Parameters
    ----------
    network : Network
    limit_c, air_c : float or ndarray, shape (n,)
        Highest cell temperature and the air's [°C].

    Returns
    -------
    ndarray, shape (n,)
        [W]; 0 where the air is as hot as the limit, without bound where there is no cell.
    """
    air = np.asarray(air_c, float)
    room = np.maximum(np.asarray(limit_c, float) - air, 0.0)
    over = rises_over_box(network, inner_w=network.inner, outer_w=network.outer)
    inside = np.max(over[..., :2], axis=-1)
    cells = np.maximum(network.inner + network.outer, 1e-300)
    # The box's rise is sought, so that no inner iteration is needed: heat follows from it.
    low, high = np.zeros_like(room + inside), room + 0.0 * inside
    for _ in range(45):
        rise = (low + high) / 2.0
        heat = rise * box_conductance(network.box, rise_k=rise, air_c=air) / cells
        hot = rise + heat * inside > room
        low, high = np.where(hot, low, rise), np.where(hot, rise, high)
    return same_kind(low * box_conductance(network.box, rise_k=low, air_c=air) / cells)
