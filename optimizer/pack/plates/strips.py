"""Strip: what it is made of, how it is laid, and what a piece of it has as resistance."""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.base.materials import MATERIALS, FloatOrArray, resistance_factor


@dataclass(frozen=True)
class StripBuild:
    """One strip and the layers in which it is laid.

    Parameters
    ----------
    material : str
        Key of `optimizer.base.materials.MATERIALS`.
    thickness_mm, width_mm : float
        Above 0 [mm].
    layers_series : int
        Layers of the pieces that go from group to group and carry the pack current, at least 1.
    layers_across : int
        Layers of the pieces inside a group, at least 1.
    layers_terminal : int or None
        Layers of the plates at the ends of a chain, where current gathers at the lead; None: as series.
    taps : int
        Cells over which the lead at each end of a chain is split in equal parts, at least 1.
    weld_ohm : float
        Resistance of the welds of one cell terminal, at least 0 [ohm].
    resistivity_ohm_m : float or None
        At 20 °C; None: the material's [ohm m].
    temp_c : float
        Strip temperature [°C].

    Raises
    ------
    ValueError
        If a value is out of its range or the material unknown.
    """

    material: str
    thickness_mm: float
    width_mm: float
    layers_series: int = 1
    layers_across: int = 1
    layers_terminal: int | None = None
    taps: int = 1
    weld_ohm: float = 0.0
    resistivity_ohm_m: float | None = None
    temp_c: float = 20.0

    def __post_init__(self) -> None:
        if self.material not in MATERIALS:
            raise ValueError(f"material must be one of {', '.join(MATERIALS)}, found {self.material!r}")
        if not (self.thickness_mm > 0 and self.width_mm > 0):
            raise ValueError(f"strip must have a section, found {self.thickness_mm} mm × {self.width_mm} mm")
        if min(self.layers_series, self.layers_across, self.end_layers, self.taps) < 1:
            raise ValueError("layers and taps must be at least 1")
        if self.weld_ohm < 0 or (self.resistivity_ohm_m is not None and self.resistivity_ohm_m <= 0):
            raise ValueError("weld_ohm must be at least 0 and resistivity_ohm_m above 0")

    @property
    def end_layers(self) -> int:
        """Layers of the plates at the ends of a chain."""
        return self.layers_series if self.layers_terminal is None else self.layers_terminal

    @property
    def section_mm2(self) -> float:
        """Cross-section of one layer [mm²]."""
        return self.thickness_mm * self.width_mm

    @property
    def ohm_per_mm(self) -> float:
        """Resistance of 1 mm of one layer at the strip temperature [ohm/mm]."""
        material = MATERIALS[self.material]
        rho = material.resistivity_ohm_m if self.resistivity_ohm_m is None else self.resistivity_ohm_m
        rise = resistance_factor(
            self.temp_c, temperature_coefficient_per_k=material.temperature_coefficient_per_k
        )
        return rho * float(rise) * 1e3 / self.section_mm2


def strip_resistance_ohm(
    length_mm: FloatOrArray,
    *,
    resistivity_ohm_m: FloatOrArray,
    thickness_mm: FloatOrArray,
    width_mm: FloatOrArray,
    layers: FloatOrArray = 1,
) -> FloatOrArray:
    """Resistance of a strip along its length.

    R = ρ l / (t w n)

    Parameters
    ----------
    length_mm : float or ndarray
        Between weld centres [mm].
    resistivity_ohm_m : float or ndarray
        [ohm m]
    thickness_mm, width_mm : float or ndarray
        Of one layer, above 0 [mm].
    layers : int or ndarray
        n, at least 1 [-].

    Returns
    -------
    float or ndarray
        [ohm]

    Examples
    --------
    >>> 1e3 * round(
    ...     strip_resistance_ohm(100.0, resistivity_ohm_m=6.99e-8, thickness_mm=0.15, width_mm=8.0), 6
    ... )
    5.825
    """
    return resistivity_ohm_m * 1e3 * length_mm / (thickness_mm * width_mm * layers)


def boundary_resistance_ohm(
    length_mm: FloatOrArray,
    *,
    pairs: FloatOrArray,
    resistivity_ohm_m: FloatOrArray,
    thickness_mm: FloatOrArray,
    width_mm: FloatOrArray,
    layers: FloatOrArray = 1,
    weld_ohm: FloatOrArray = 0.0,
) -> FloatOrArray:
    """Resistance of a series boundary of equal strips side by side: the first, closed form of a plate.

    R = (ρ l / (t w n) + 2 r_weld) / pairs

    Parameters
    ----------
    length_mm : float or ndarray
        Between the terminals of neighbouring groups [mm].
    pairs : int or ndarray
        Strips in parallel, at least 1 [-].
    resistivity_ohm_m, thickness_mm, width_mm, layers : float or ndarray
        See `strip_resistance_ohm`.
    weld_ohm : float or ndarray
        Welds of one cell terminal [ohm].

    Returns
    -------
    float or ndarray
        [ohm]
    """
    one = strip_resistance_ohm(
        length_mm,
        resistivity_ohm_m=resistivity_ohm_m,
        thickness_mm=thickness_mm,
        width_mm=width_mm,
        layers=layers,
    )
    return (one + 2.0 * weld_ohm) / pairs
