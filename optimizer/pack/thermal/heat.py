"""Temperature of a pack: one network per compartment, each cell a node.

cells — case — box — air. The nodes are at the skin of the cells, where a datasheet's limit is measured (common
practice). Cells pass heat to their neighbours through the printed webs, and to the box through the case beside and
before them: no heat flows along the case, whose print conducts little. The box has one temperature. From it to the air
go convection, natural or by as much of the ride's wind as the brief lets reach it, and radiation; the sun warms it.
Heat of plates and welds arises in the cells that they join, that of wires, BMS and fuse in the box.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg import cho_solve_banded, cholesky_banded

from optimizer.base.arrays import Floats, Ints, same_kind
from optimizer.pack.thermal import convection

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
    forced_w_m2_k : float or ndarray, shape (n,)
        Convection by wind, which counts where it is more than the natural one; 0 in still air [W/(m² K)].
    """

    length_mm: ArrayLike
    width_mm: ArrayLike
    height_mm: ArrayLike
    wall_mm: ArrayLike = 2.0
    emissivity: ArrayLike = 0.9
    forced_w_m2_k: ArrayLike = 0.0

    def faces(self) -> tuple[Floats, Floats, Floats]:
        """Area of all four sides, area of the top, mean of length and width: [m²], [m²], [m]."""
        length, width, height = (
            np.asarray(side, float) * 1e-3 for side in (self.length_mm, self.width_mm, self.height_mm)
        )
        return 2.0 * (length + width) * height, length * width, (length + width) / 2.0


def box_conductance(box: Box, *, rise_k: ArrayLike, air_c: ArrayLike) -> Floats:
    """Conductance from a box to the air around it, convection and radiation.

    At each face the larger of natural and forced convection: together they carry off more (Nu³ = Nu_forced³ +
    Nu_natural³ for flow across, Incropera & DeWitt, section 9.9).

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

    References
    ----------
    Holman's simplified equations for each face; Stefan–Boltzmann.
    """
    sides, top, across = box.faces()
    height = np.asarray(box.height_mm, float) * 1e-3
    air = np.asarray(air_c, float)
    convected = sum(
        np.maximum(convection.face_convection(rise_k, size_m=size, kind=kind), box.forced_w_m2_k) * area
        for size, kind, area in (
            (height, convection.SIDE, sides), (across, convection.TOP, top), (across, convection.UNDERSIDE, top)
        )
    )  # fmt: skip
    surface = air + np.asarray(rise_k, float)
    radiation = convection.radiation_coefficient(box.emissivity, surface_c=surface, ambient_c=air)
    return same_kind(convected + radiation * (sides + 2.0 * top))


def sun_rise_k(box: Box, *, sun_w_m2: float, absorptivity: float, air_c: float) -> float:
    """How much the sun warms an empty box over the air.

    rise · G(rise) = α · sun · √(A_x² + A_y² + A_z²)

    The root is the largest shadow that a box of these faces can cast: the sun stands where it warms most.

    Parameters
    ----------
    box : Box
        Of numbers.
    sun_w_m2 : float
        On a surface that faces the sun, at least 0 [W/m²].
    absorptivity : float
        Of sunlight, 0 to 1 [-].
    air_c : float
        [°C]

    Returns
    -------
    float
        [K]
    """
    watt = sun_w(box, sun_w_m2=sun_w_m2, absorptivity=absorptivity)
    low, high = 0.0, MOST_SUN_K
    for _ in range(60 if watt > 0.0 else 0):
        rise = (low + high) / 2.0
        low, high = (low, rise) if rise * box_conductance(box, rise_k=rise, air_c=air_c) > watt else (rise, high)
    return low


def sun_w(box: Box, *, sun_w_m2: float, absorptivity: float) -> float:
    """What a box takes up of the sun, where that is most, see `sun_rise_k` [W]."""
    length, width, height = (float(np.asarray(side)) * 1e-3 for side in (box.length_mm, box.width_mm, box.height_mm))
    return absorptivity * sun_w_m2 * float(np.linalg.norm([width * height, length * height, length * width]))


#: No sun warms a box by more [K].
MOST_SUN_K = 200.0
#: No cell is shut in more than this [W/K]: where no way out is counted.
LEAST_OUT_W_K = 1e-6
#: Cells whose rises differ by no more than this part are equally hot.
ALIKE = 1e-9


def over_box(pairs: Ints, between_w_k: Floats, out_w_k: Floats) -> tuple[Floats, Floats]:
    """Steady rise of each cell over the box, one watt in every one; and of the hottest by a watt in each.

    (L + diag(G)) T = 1, L the Laplacian of the conductances between cells. The matrix is symmetric: what a watt in a
    cell adds to the hottest is what a watt in the hottest adds to that cell.

    Parameters
    ----------
    pairs : ndarray of int, shape (m, 2)
        Neighbours, each once; the nearer their numbers, the quicker.
    between_w_k, out_w_k : ndarray, shape (m,), (n,)
        Between neighbours, and from each cell to the box [W/K].

    Returns
    -------
    ndarray, ndarray, shape (n,)
        [K/W], [K/W]
    """
    low, high = pairs.min(axis=1), pairs.max(axis=1)
    wide = int((high - low).max(initial=0))
    bands = np.zeros((wide + 1, len(out_w_k)))
    bands[0] = np.maximum(out_w_k, LEAST_OUT_W_K)
    np.add.at(bands[0], low, between_w_k)
    np.add.at(bands[0], high, between_w_k)
    bands[high - low, low] = -between_w_k
    solved = cholesky_banded(bands, lower=True, check_finite=False), True
    rise = np.asarray(cho_solve_banded(solved, np.ones(len(out_w_k)), check_finite=False))
    # Of cells that are as hot by symmetry the mean: rounding shall not choose among them.
    hottest = rise >= rise.max() * (1.0 - ALIKE)
    return rise, np.asarray(cho_solve_banded(solved, hottest / hottest.sum(), check_finite=False))


def cell_heat_at_limit(
    over_k_per_w: ArrayLike, *, cells: ArrayLike, box: Box, limit_c: ArrayLike, air_c: ArrayLike, sun_w: ArrayLike = 0.0
) -> Floats:
    """Steady heat of every cell at which the hottest one reaches a limit, both it and the sun's warming the box.

    The rise over the box is linear in the heat, that of the box over the air is not: bisection.

    Parameters
    ----------
    over_k_per_w : float or ndarray, shape (n,)
        Rise of the hottest cell over the box for one watt in every cell, above 0 [K/W].
    cells : int or ndarray, shape (n,)
        In the box, at least 1.
    box : Box
    limit_c, air_c : float or ndarray, shape (n,)
        Highest cell temperature and the air's [°C].
    sun_w : float or ndarray, shape (n,)
        What the box takes up of the sun [W].

    Returns
    -------
    ndarray, shape (n,)
        [W]; 0 where the air, or the box in the sun, is as hot as the limit.
    """
    air, inside, number = (np.asarray(each, float) for each in (air_c, over_k_per_w, cells))
    room = np.maximum(np.asarray(limit_c, float) - air, 0.0)
    # The box's rise is sought, so that no inner iteration is needed: heat follows from it.
    low, high = np.zeros_like(room + inside), room + 0.0 * inside
    for _ in range(45):
        rise = (low + high) / 2.0
        heat = (rise * box_conductance(box, rise_k=rise, air_c=air) - sun_w) / number
        hot = rise + heat * inside > room
        low, high = np.where(hot, low, rise), np.where(hot, rise, high)
    left = low * box_conductance(box, rise_k=low, air_c=air) - sun_w
    return same_kind(np.maximum(left, 0.0) / number)
