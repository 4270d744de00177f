"""Conductors against published tables; sources beside each check."""

from __future__ import annotations

import pytest

from optimizer.base.materials import MATERIALS


def test_copper_is_one_hundred_percent_iacs():
    """IEC 60028 (from memory): 1/58 ohm mm²/m, coefficient 0.00393, 0.15328 ohm g/m² as mass resistivity."""
    copper = MATERIALS["copper"]
    assert copper.resistivity_ohm_m == pytest.approx(1e-6 / 58, rel=5e-5)
    # Product of two rounded values: half of the last digit of the density 8.89 is 0.06 %.
    assert copper.resistivity_ohm_m * copper.density_kg_m3 * 1e3 == pytest.approx(0.15328, rel=6e-4)


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
