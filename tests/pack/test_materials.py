"""Conductor materials: the table is whole and misuse is refused; values are checked in tests/outside."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.base.materials import MATERIALS, resistance_factor, resistivity


@pytest.mark.parametrize("name", MATERIALS)
def test_every_material_says_where_its_values_come_from(name):
    assert MATERIALS[name].name == name
    assert len(MATERIALS[name].source) > 10


def test_factor_is_one_at_the_reference_and_takes_arrays():
    temps = np.array([-20.0, 20.0, 80.0])
    factors = resistance_factor(temps, temperature_coefficient_per_k=0.004)
    assert factors == pytest.approx([0.84, 1.0, 1.24], rel=1e-12)
    assert resistivity("nickel", temp_c=20.0) == MATERIALS["nickel"].resistivity_ohm_m


def test_unknown_material_is_refused():
    with pytest.raises(ValueError, match="material must be one of copper, nickel"):
        resistivity("silver")
