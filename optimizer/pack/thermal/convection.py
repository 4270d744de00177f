"""How heat leaves a surface and crosses a gap: coefficients from handbooks, for arrays."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from optimizer.base.arrays import Floats, same_kind
from optimizer.base.constants import (
    CELSIUS_K,
    STEFAN_BOLTZMANN_W_M2_K4,
)

#: Conductivity of still air at 35 °C, the mean of a warm pack and a summer day [W/(m K)].
AIR_W_PER_M_K = 0.0267

#: Kinematic viscosity [m²/s] and Prandtl number [-] of the same air (Incropera & DeWitt, table A.4, between 300 and
#: 350 K; from memory).
AIR_M2_S, AIR_PRANDTL = 16.7e-6, 0.706
#: Reynolds numbers at which a flow along a plate turns turbulent, and up to which the mixed mean holds.
TURBULENT_RE, MOST_RE = 5e5, 1e8

#: Simplified laminar air equations h = C (ΔT/L)^¼: side, top and underside of a warm body.
SIDE, TOP, UNDERSIDE = 1.42, 1.32, 0.59


def face_convection(rise_k: ArrayLike, *, size_m: ArrayLike, kind: float) -> Floats:
    """Natural convection at one face of a box in air, laminar.

    h = C (ΔT/L)^¼

    Parameters
    ----------
    rise_k : float or ndarray, shape (n,)
        Surface over air [K].
    size_m : float or ndarray, shape (n,)
        Height of a side; mean of length and width of a level face [m].
    kind : float
        SIDE, TOP or UNDERSIDE.

    Returns
    -------
    ndarray, shape (n,)
        [W/(m² K)]

    References
    ----------
    Holman, Heat Transfer, table of simplified equations for free convection in air.
    """
    rise = np.maximum(np.asarray(rise_k, float), 0.0)
    return same_kind(kind * (rise / np.asarray(size_m, float)) ** 0.25)


def plate_nusselt(reynolds: ArrayLike, *, prandtl: ArrayLike = AIR_PRANDTL) -> Floats:
    """Mean Nusselt number of a flow along a plate.

    Nu = 0.664 Re^½ Pr^⅓ while laminar, (0.037 Re^⅘ − 871) Pr^⅓ from Re = 5·10⁵ on

    Parameters
    ----------
    reynolds : float or ndarray, shape (n,)
        By the length of the plate, 0 to 10⁸ [-].
    prandtl : float or ndarray, shape (n,)
        At least 0.6, at most 60 [-].

    Returns
    -------
    ndarray, shape (n,)
        [-]; above 10⁸ that of 10⁸.

    References
    ----------
    Incropera & DeWitt, equations 7.30 and 7.38 (7.31 and 7.41 in older editions).
    """
    reach = np.minimum(np.asarray(reynolds, float), MOST_RE)
    mixed = 0.037 * np.maximum(reach, TURBULENT_RE) ** 0.8 - 871.0
    return same_kind(np.where(reach < TURBULENT_RE, 0.664 * np.sqrt(reach), mixed) * np.cbrt(prandtl))


def wind_coefficient(speed_m_s: ArrayLike, *, length_m: ArrayLike) -> Floats:
    """Forced convection at a box in wind: that of a plate as long as the box.

    h = Nu k / L

    Air of 35 °C; in colder air it is a little more. Edges and wakes of a box stir the air further (common
    practice), so that a plate's is on the low side.

    Parameters
    ----------
    speed_m_s : float or ndarray, shape (n,)
        At least 0 [m/s].
    length_m : float or ndarray, shape (n,)
        Longest side, positive [m].

    Returns
    -------
    ndarray, shape (n,)
        [W/(m² K)]
    """
    length = np.asarray(length_m, float)
    reynolds = np.asarray(speed_m_s, float) * length / AIR_M2_S
    return same_kind(plate_nusselt(reynolds) * AIR_W_PER_M_K / length)


def radiation_coefficient(emissivity: ArrayLike, *, surface_c: ArrayLike, ambient_c: ArrayLike) -> Floats:
    """Radiation between a small warm body and its surroundings, as a coefficient.

    h = ε σ (T₁² + T₂²)(T₁ + T₂)

    Parameters
    ----------
    emissivity : float or ndarray, shape (n,)
        [-]
    surface_c, ambient_c : float or ndarray, shape (n,)
        [°C]

    Returns
    -------
    ndarray, shape (n,)
        [W/(m² K)]

    References
    ----------
    Stefan–Boltzmann law, constant from CODATA.
    """
    one = np.asarray(surface_c, float) + CELSIUS_K
    two = np.asarray(ambient_c, float) + CELSIUS_K
    return same_kind(np.asarray(emissivity, float) * STEFAN_BOLTZMANN_W_M2_K4 * (one**2 + two**2) * (one + two))


def gap_coefficient(gap_mm: ArrayLike, *, height_m: ArrayLike, emissivity: ArrayLike) -> Floats:
    """Heat across an air gap between two walls.

    h = max(k/gap, h_free) + ε σ 4 T³

    A narrow gap conducts. A wide one carries heat by two layers of free convection in series, each with
    half the difference: that is the least. Taken at 35 °C and 10 K between the walls.

    Parameters
    ----------
    gap_mm : float or ndarray, shape (n,)
        Positive [mm].
    height_m : float or ndarray, shape (n,)
        Of the walls [m].
    emissivity : float or ndarray, shape (n,)
        Of the pair, 1/(1/ε₁ + 1/ε₂ − 1) [-].

    Returns
    -------
    ndarray, shape (n,)
        [W/(m² K)]

    Raises
    ------
    ValueError
        If a gap is not positive.

    References
    ----------
    Conduction limit Nu = 1 of enclosures, Incropera & DeWitt chapter 9; layers from Holman's simplified equations.
    """
    gap = np.asarray(gap_mm, float)
    if np.any(gap <= 0):
        raise ValueError("gap_mm must be positive")
    free = face_convection(5.0, size_m=height_m, kind=SIDE) / 2.0
    radiation = radiation_coefficient(emissivity, surface_c=40.0, ambient_c=30.0)
    return same_kind(np.maximum(AIR_W_PER_M_K / (gap * 1e-3), free) + radiation)
