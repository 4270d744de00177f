"""Conductor materials, the one table of them: resistivity and its rise with temperature, density, heat, and sources."""

from __future__ import annotations

from dataclasses import dataclass

REFERENCE_C = 20.0


@dataclass(frozen=True)
class Material:
    """A strip or wire material at 20 °C.

    Parameters
    ----------
    resistivity_ohm_m : float
        [ohm m]
    temperature_coefficient_per_k : float
        Of resistivity, at 20 °C [1/K].
    density_kg_m3 : float
        [kg/m³]
    heat_j_per_k_mm3 : float
        Heat capacity per volume [J/(K·mm³)].
    conduction_w_m_k : float
        Of heat, 20 to 100 °C [W/(m·K)].
    source : str
        Where the values are printed.
    """

    name: str
    resistivity_ohm_m: float
    temperature_coefficient_per_k: float
    density_kg_m3: float
    heat_j_per_k_mm3: float
    conduction_w_m_k: float
    source: str

    @property
    def vanishing_c(self) -> float:
        """Degrees below 0 °C at which the resistance would vanish, β = 1/α − 20 [°C]."""
        return 1.0 / self.temperature_coefficient_per_k - REFERENCE_C


MATERIALS = {
    material.name: material
    for material in (
        Material(
            "copper", 1.7241e-8, 0.00393, 8890.0, 3.45e-3, 390.0,
            "annealed, 100 % IACS: IEC 60028; NBS Handbook 100; heat per volume: IEC 60949; conduction: Incropera & "
            "DeWitt, table A.1 (from memory)",
        ),
        Material(
            "nickel", 9.5e-8, 0.005, 8890.0, 4.054e-3, 70.0,
            "commercial nickel 200/201, which strip is made of: makers' bulletins for UNS N02200 and N02201, 9.0e-8 to "
            "9.6e-8 (from memory); pure nickel has 6.99e-8 and 0.006: CRC Handbook. Give the strip's own value if you "
            "know it.",
        ),
        Material(
            "nickel_plated_steel", 1.43e-7, 0.0045, 7832.0, 3.8e-3, 50.0,
            "its core, low-carbon steel AISI 1010: resistivity tables; coefficient: middle of 0.003 to 0.006 in ASM "
            "Handbook vol. 1; density: Incropera & DeWitt, table A.1; heat per volume: IEC 60949 (from memory); "
            "plating neglected",
        ),
        Material(
            "aluminium", 2.8264e-8, 0.00403, 2703.0, 2.5e-3, 220.0,
            "electrical grade, 61 % IACS: IEC 60889; ASTM B233; heat per volume: IEC 60949; conduction: Incropera & "
            "DeWitt, table A.1 (from memory)",
        ),
    )
}
