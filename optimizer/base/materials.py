"""Conductor materials: resistivity and its rise with temperature, density, and where the values come from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatOrArray = float | NDArray[np.float64]

REFERENCE_C = 20.0


@dataclass(frozen=True)
class Material:
    """A strip or wire material at 20 °C.

    Parameters
    ----------
    name : str
    resistivity_ohm_m : float
        [ohm m]
    temperature_coefficient_per_k : float
        Of resistivity, at 20 °C [1/K].
    density_kg_m3 : float
        [kg/m³]
    source : str
        Where the values are printed.
    """

    name: str
    resistivity_ohm_m: float
    temperature_coefficient_per_k: float
    density_kg_m3: float
    source: str


MATERIALS = {
    material.name: material
    for material in (
        Material(
            "copper",
            1.7241e-8,
            0.00393,
            8890.0,
            "annealed, 100 % IACS: IEC 60028; NBS Handbook 100 (from memory)",
        ),
        Material(
            "nickel",
            6.99e-8,
            0.006,
            8900.0,
            "pure: resistivity tables quoting the CRC Handbook; density: Incropera & DeWitt, table A.1 (from "
            "memory). Commercial nickel 200/201 has 9.0e-8 to 9.6e-8: give the strip's own value if known.",
        ),
        Material(
            "nickel_plated_steel",
            1.43e-7,
            0.0045,
            7832.0,
            "its core, low-carbon steel AISI 1010: resistivity tables; coefficient: middle of 0.003 to 0.006 "
            "in ASM Handbook vol. 1; density: Incropera & DeWitt, table A.1 (from memory); plating neglected",
        ),
        Material(
            "aluminium",
            2.8264e-8,
            0.00403,
            2703.0,
            "electrical grade, 61 % IACS: IEC 60889; ASTM B233 (from memory)",
        ),
    )
}


def resistance_factor(temp_c: FloatOrArray, *, temperature_coefficient_per_k: float) -> FloatOrArray:
    """Resistance at a temperature over that at 20 °C.

    R(T) / R(20) = 1 + α (T - 20)

    Parameters
    ----------
    temp_c : float or ndarray
        Conductor temperature, -40 to 150 [°C].
    temperature_coefficient_per_k : float
        α at 20 °C [1/K].

    Returns
    -------
    float or ndarray
        [-]

    Source: IEC 60028.

    Examples
    --------
    >>> round(resistance_factor(60.0, temperature_coefficient_per_k=0.00393), 4)
    1.1572
    """
    return 1.0 + temperature_coefficient_per_k * (temp_c - REFERENCE_C)


def resistivity(material: str, *, temp_c: float = REFERENCE_C) -> float:
    """Resistivity of a material at a temperature.

    Parameters
    ----------
    material : str
        Key of MATERIALS.
    temp_c : float
        [°C]

    Returns
    -------
    float
        [ohm m]

    Raises
    ------
    ValueError
        If the material is unknown.
    """
    if material not in MATERIALS:
        raise ValueError(f"material must be one of {', '.join(MATERIALS)}, found {material!r}")
    entry = MATERIALS[material]
    factor = resistance_factor(temp_c, temperature_coefficient_per_k=entry.temperature_coefficient_per_k)
    return entry.resistivity_ohm_m * float(factor)
