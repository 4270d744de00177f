"""Constants of nature and of standards, each defined once. Materials are in materials.py."""

from __future__ import annotations

GAS_CONSTANT_J_MOL_K = 8.314462618
"""Molar gas constant, exact: SI Brochure, 9th edition (2019), k · N_A."""

FARADAY_C_MOL = 96485.33212
"""Faraday constant, exact: SI Brochure, 9th edition (2019), e · N_A."""

STEFAN_BOLTZMANN_W_M2_K4 = 5.670374419e-8
"""CODATA 2018, exact."""

CELSIUS_K = 273.15
"""Zero of the Celsius scale: SI Brochure, 9th edition (2019)."""

GRAVITY_M_S2 = 9.80665
"""Standard gravity, CGPM 1901."""

EARTH_RADIUS_M = 6_356_766.0
"""Nominal radius that turns geometric into geopotential height, ISO 2533."""

GAS_CONSTANT_AIR_J_KG_K = 287.05287
"""Specific gas constant of dry air, ISO 2533."""

STANDARD_PRESSURE_PA = 101325.0
"""Standard atmosphere, ISO 2533."""

SUN_ABSORPTIVITY = {"white": 0.26, "light": 0.45, "dark": 0.90, "black": 0.98}
"""Share of sunlight that a painted surface takes up: acrylic white and black paint from Incropera & DeWitt, table A.12;
light and dark surfaces from the ASHRAE Handbook, Fundamentals, where 0.45 and 0.90 go with sol-air temperatures (all
from memory)."""

M5_NUT_MM, M5_WASHER_MM = 4.7, 1.0
"""Height of a hexagon nut M5 at most, ISO 4032, and of a plain washer M5, ISO 7089 [mm]."""
