"""Conductors against published tables; sources beside each check."""

from __future__ import annotations

import pytest

from optimizer.base.materials import MATERIALS, resistance_factor, resistivity
from optimizer.pack.wiring.wire import (
    IEC_60228_CLASS_5,
    SQUARE_MM_PER_CIRCULAR_MIL,
    awg_area_mm2,
    awg_diameter_mm,
    flexible_resistance_ohm_per_km,
    wire_resistance_ohm_per_km,
)

# Diameter [mm], area [mm²], resistance [ohm/km] at 20 °C of solid annealed copper, from the ASTM B258
# equation and 1.7241e-8 ohm m; agrees with NBS Handbook 100 (from memory: 10: 3.277, 18: 20.95, 24: 84.22).
AWG = {
    8: (3.2636, 8.3656, 2.061), 10: (2.5882, 5.2612, 3.277), 12: (2.0525, 3.3088, 5.211),
    14: (1.6277, 2.0809, 8.285), 16: (1.2908, 1.3087, 13.174), 18: (1.0237, 0.8230, 20.948),
    20: (0.8118, 0.5176, 33.308), 22: (0.6438, 0.3255, 52.962), 24: (0.5106, 0.2047, 84.213),
}  # fmt: skip

# Ohm/km from a printed wire table (a secondary reproduction, seen; ASTM B258 sizes).
PRINTED = {8: 2.0605, 10: 3.2764, 12: 5.2086, 14: 8.282}


@pytest.mark.parametrize("gauge", AWG)
def test_awg_table(gauge):
    diameter, area, resistance = AWG[gauge]
    assert awg_diameter_mm(gauge) == pytest.approx(diameter, abs=5e-5)
    assert awg_area_mm2(gauge) == pytest.approx(area, abs=5.1e-5)
    assert wire_resistance_ohm_per_km(awg_area_mm2(gauge)) == pytest.approx(resistance, abs=5.1e-4)


@pytest.mark.parametrize("gauge", PRINTED)
def test_printed_wire_table(gauge):
    """Published; the table's copper differs in the fourth digit, so 1e-3."""
    assert wire_resistance_ohm_per_km(awg_area_mm2(gauge)) == pytest.approx(PRINTED[gauge], rel=1e-3)


def test_awg_ends_of_the_scale_and_steps():
    """ASTM B258 (from memory): 36 is 0.005 in, 4/0 is 0.46 in; ratio per gauge 92^(1/39) = 1.122932."""
    assert awg_diameter_mm(36) == pytest.approx(0.005 * 25.4, rel=1e-12)
    assert awg_diameter_mm(-3) == pytest.approx(0.46 * 25.4, rel=1e-12)
    for gauge in range(-3, 40):
        ratio = awg_diameter_mm(gauge) / awg_diameter_mm(gauge + 1)
        assert ratio == pytest.approx(1.122932, abs=5e-7)
    assert awg_diameter_mm(10) / awg_diameter_mm(16) == pytest.approx(2.00503, abs=5e-6)


def test_circular_mil():
    """Definition: the area of a circle of 0.001 in; AWG 10 has 10380 of them (printed wire tables)."""
    area_mm2 = SQUARE_MM_PER_CIRCULAR_MIL
    assert area_mm2 == pytest.approx(5.067e-4, rel=1e-4)
    assert awg_area_mm2(10) / SQUARE_MM_PER_CIRCULAR_MIL == pytest.approx(10380, abs=5)


def test_copper_is_one_hundred_percent_iacs():
    """IEC 60028 (from memory): 1/58 ohm mm²/m, coefficient 0.00393, 0.15328 ohm g/m² as mass resistivity."""
    copper = MATERIALS["copper"]
    assert copper.resistivity_ohm_m == pytest.approx(1e-6 / 58, rel=5e-5)
    # Product of two rounded values: half of the last digit of the density 8.89 is 0.06 %.
    assert copper.resistivity_ohm_m * copper.density_kg_m3 * 1e3 == pytest.approx(0.15328, rel=6e-4)


def test_copper_at_sixty_degrees():
    """Closed form from IEC 60028: 1 + 0.00393 · 40 = 1.1572; zero at -234.45 °C (handbooks print -234.5)."""
    factor = MATERIALS["copper"].temperature_coefficient_per_k
    assert resistivity("copper", temp_c=60.0) / resistivity("copper") == pytest.approx(1.1572, rel=1e-12)
    assert resistance_factor(-234.45, temperature_coefficient_per_k=factor) == pytest.approx(0.0, abs=2e-5)


def test_aluminium_against_copper():
    """IEC 60889 / ASTM B233 (from memory): 61 % IACS, so 1.639 times the area."""
    ratio = MATERIALS["aluminium"].resistivity_ohm_m / MATERIALS["copper"].resistivity_ohm_m
    assert ratio == pytest.approx(1 / 0.61, rel=5e-4)
    assert ratio == pytest.approx(1.639, abs=5e-4)


@pytest.mark.parametrize(
    ("material", "low", "high"),
    [
        ("copper", 1.67e-8, 1.75e-8),  # CRC Handbook, pure, to annealed commercial (from memory)
        ("nickel", 9.0e-8, 9.6e-8),  # UNS N02200 and N02201 strip, makers' bulletins (from memory)
        ("nickel_plated_steel", 1.0e-7, 1.8e-7),  # low-carbon steels, ASM Handbook vol. 1 (from memory)
        ("aluminium", 2.6e-8, 2.9e-8),  # CRC Handbook, pure, to electrical grade (from memory)
    ],
)
def test_resistivities_lie_in_the_handbooks_bands(material, low, high):
    assert low <= MATERIALS[material].resistivity_ohm_m <= high


def test_plated_steel_is_several_times_worse_than_nickel_and_eight_times_worse_than_copper():
    """Common practice, no published source: steel sold as nickel shows by half as much again, or by twice against pure
    nickel, whose 6.99e-8 the CRC Handbook has (from memory)."""
    steel = MATERIALS["nickel_plated_steel"].resistivity_ohm_m
    assert 1.4 <= steel / MATERIALS["nickel"].resistivity_ohm_m <= 8.0 and steel / 6.99e-8 > 2.0
    assert 7.5 <= steel / MATERIALS["copper"].resistivity_ohm_m <= 9.0


@pytest.mark.parametrize(
    ("area_mm2", "printed"),
    [(0.5, 39.0), (0.75, 26.0), (1.0, 19.5), (1.5, 13.3), (2.5, 7.98), (4.0, 4.95), (6.0, 3.30), (10.0, 1.91),
     (16.0, 1.21)],
)  # fmt: skip
def test_flexible_conductors(area_mm2, printed):
    """Published: IEC 60228, class 5, plain copper (a reproduction of its table, seen)."""
    assert flexible_resistance_ohm_per_km(area_mm2) == printed


def test_nominal_area_is_a_label():
    """Closed form on the published table: 1.10 to 1.16 times the resistance of that much solid copper."""
    for area, resistance in IEC_60228_CLASS_5.items():
        assert 1.10 <= resistance / wire_resistance_ohm_per_km(area) <= 1.16
