"""Round wire: its size over the insulation, and how tightly it bends."""

from __future__ import annotations

import math


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

    References
    ----------
    Common practice, no published source.

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
