"""Wire formulas: refusals and limits; values are checked in tests/outside."""

from __future__ import annotations

import pytest

from optimizer.pack.wiring.wire import (
    awg_area_mm2,
    awg_diameter_mm,
    flexible_resistance_ohm_per_km,
    wire_resistance_ohm_per_km,
)


def test_thicker_gauge_has_more_metal():
    areas = [awg_area_mm2(n) for n in range(-3, 41)]
    assert areas == sorted(areas, reverse=True)


def test_resistance_falls_with_area_and_rises_with_resistivity():
    assert wire_resistance_ohm_per_km(2.0) == pytest.approx(wire_resistance_ohm_per_km(1.0) / 2, rel=1e-12)
    aluminium = wire_resistance_ohm_per_km(1.0, resistivity_ohm_m=2.8264e-8)
    assert aluminium == pytest.approx(28.264, rel=1e-12)


def test_misuse_is_refused():
    with pytest.raises(ValueError, match="gauge must be from -3"):
        awg_diameter_mm(50)
    with pytest.raises(ValueError, match="area_mm2 must be above 0"):
        wire_resistance_ohm_per_km(0.0)
    with pytest.raises(ValueError, match="area_mm2 must be one of"):
        flexible_resistance_ohm_per_km(2.0)
