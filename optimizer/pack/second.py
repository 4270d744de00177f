"""The second metal of a stock: tabs on sheet, or a collector at ends."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.base.materials import MATERIALS
from optimizer.catalog.types import Strips
from optimizer.pack.conductors.making import TABBED
from optimizer.pack.joining import TAB


@dataclass(frozen=True)
class Second:
    """Second metal of a stock: tabs on sheet, or a collector at ends.

    Parameters
    ----------
    thickness_mm, width_mm : float
        [mm]
    density_a_mm2 : float
        Most current density [A/mm²].
    price_per_m : float
        [currency/m]
    """

    material: str
    thickness_mm: float
    width_mm: float
    density_a_mm2: float
    price_per_m: float

    @property
    def resistivity_ohm_m(self) -> float:
        """At 20 °C [ohm m]."""
        return MATERIALS[self.material].resistivity_ohm_m

    @property
    def section_mm2(self) -> float:
        """[mm²]"""
        return self.thickness_mm * self.width_mm

    @property
    def of_build(self) -> dict[str, float]:
        """As fields of Build."""
        return {
            "second_mm": self.thickness_mm,
            "second_kg_per_mm": MATERIALS[self.material].density_kg_m3 * self.section_mm2 * 1e-9,
            "second_cost_per_mm": self.price_per_m * 1e-3,
        }


def second_of(strips: Strips, row: int) -> Second | None:
    """Second metal of a stock; None without."""
    kind = "tab" if strips.form[row] == TABBED else "collector"
    thick, width, density, price = (
        float(getattr(strips, f"{kind}_{name}")[row]) for name in ("mm", "width_mm", "density_a_mm2", "price_per_m")
    )
    material = TAB if kind == "tab" else str(strips.collector_material[row])
    return Second(material, thick, width, density, price) if thick > 0 else None
