"""Round wire by gauge (AWG) and flexible wire by nominal area (IEC 60228)."""

from __future__ import annotations

import math

from optimizer.base.materials import MATERIALS

SQUARE_MM_PER_CIRCULAR_MIL = math.pi / 4.0 * 0.0254**2

# Largest resistance of flexible (class 5) plain copper conductors at 20 °C [ohm/km] by nominal area [mm²].
IEC_60228_CLASS_5 = {
    0.5: 39.0, 0.75: 26.0, 1.0: 19.5, 1.5: 13.3, 2.5: 7.98, 4.0: 4.95, 6.0: 3.30, 10.0: 1.91, 16.0: 1.21,
}  # fmt: skip


def awg_diameter_mm(gauge: int) -> float:
    """Diameter of a solid round wire of an American wire gauge.

    d = 0.127 mm · 92^((36 - n) / 39)

    Parameters
    ----------
    gauge : int
        n, from -3 (written 4/0) to 40.

    Returns
    -------
    float
        [mm]

    Raises
    ------
    ValueError
        If the gauge is outside the range.

    Source: ASTM B258.

    Examples
    --------
    >>> round(awg_diameter_mm(10), 4)
    2.5882
    """
    if not -3 <= gauge <= 40:
        raise ValueError(f"gauge must be from -3 (4/0) to 40, found {gauge}")
    return float(0.127 * 92.0 ** ((36 - gauge) / 39.0))


def awg_area_mm2(gauge: int) -> float:
    """Cross-section of a solid round wire of an American wire gauge.

    A = π d² / 4

    Parameters
    ----------
    gauge : int
        See `awg_diameter_mm`.

    Returns
    -------
    float
        [mm²]
    """
    return math.pi / 4.0 * awg_diameter_mm(gauge) ** 2


def outer_diameter_mm(area_mm2: float) -> float:
    """Outer diameter of flexible single-core wire with silicone or similar insulation.

    d = 1.8 √A + 0.9

    Parameters
    ----------
    area_mm2 : float
        Nominal area, above 0 [mm²].

    Returns
    -------
    float
        [mm]

    Source: common practice, no published source.

    Examples
    --------
    >>> round(outer_diameter_mm(6.0), 1)
    5.3
    """
    return 1.8 * math.sqrt(area_mm2) + 0.9


#: Least bend radius of a wire that is laid once, over its outer diameter (common practice, no published source).
BEND = 4.0


def bend_mm(area_mm2: float) -> float:
    """Least radius in which a wire may be bent [mm], to its inner side, by its nominal area [mm²]."""
    return BEND * outer_diameter_mm(area_mm2)


def wire_resistance_ohm_per_km(area_mm2: float, *, resistivity_ohm_m: float | None = None) -> float:
    """Resistance of a kilometre of wire from its metal area.

    R = ρ L / A

    Parameters
    ----------
    area_mm2 : float
        Area of metal, above 0 [mm²].
    resistivity_ohm_m : float or None
        ρ; None for annealed copper at 20 °C [ohm m].

    Returns
    -------
    float
        [ohm/km]

    Raises
    ------
    ValueError
        If the area is not above 0.
    """
    if not area_mm2 > 0:
        raise ValueError(f"area_mm2 must be above 0, found {area_mm2}")
    rho = MATERIALS["copper"].resistivity_ohm_m if resistivity_ohm_m is None else resistivity_ohm_m
    return rho * 1e3 / (area_mm2 * 1e-6)


def flexible_resistance_ohm_per_km(area_mm2: float) -> float:
    """Largest resistance of a flexible copper conductor of a nominal area, at 20 °C.

    The nominal area is a label: the metal in such a wire is 10 to 16 % less.

    Parameters
    ----------
    area_mm2 : float
        One of the nominal areas of the table [mm²].

    Returns
    -------
    float
        [ohm/km]

    Raises
    ------
    ValueError
        If the area is none of the nominal ones: no neighbour's value is taken.

    Source: IEC 60228, class 5, plain copper.
    """
    if area_mm2 not in IEC_60228_CLASS_5:
        raise ValueError(
            f"area_mm2 must be one of {', '.join(map(str, IEC_60228_CLASS_5))}, found {area_mm2}"
        )
    return IEC_60228_CLASS_5[area_mm2]
