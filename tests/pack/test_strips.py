"""Strip builds: sections, resistances, refusals."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.pack.plates.strips import StripBuild, boundary_resistance_ohm, strip_resistance_ohm


def test_strip_of_a_metre_by_hand():
    """Closed form: 9.5e-8 · 1 / (0.2e-3 · 10e-3) = 47.5 mohm; two layers half of it."""
    build = StripBuild("nickel", 0.2, 10.0)
    assert build.ohm_per_mm * 1000.0 == pytest.approx(0.0475, rel=1e-12)
    half = strip_resistance_ohm(1000.0, resistivity_ohm_m=6.99e-8, thickness_mm=0.2, width_mm=10.0, layers=2)
    assert half == pytest.approx(0.017475, rel=1e-12)


def test_warm_strip_resists_more():
    """Closed form: 1 + 0.00393 · 40 for copper at 60 °C."""
    warm, cool = (StripBuild("copper", 0.2, 10.0, temp_c=t).ohm_per_mm for t in (60.0, 20.0))
    assert warm / cool == pytest.approx(1.1572, rel=1e-12)


def test_own_resistivity_overrides_the_material():
    assert StripBuild("nickel", 0.1, 10.0, resistivity_ohm_m=9.5e-8).ohm_per_mm == pytest.approx(
        9.5e-5, rel=1e-12
    )


def test_arrays_equal_a_loop_of_numbers():
    lengths = np.array([10.0, 20.0, 50.0])
    given = {"resistivity_ohm_m": 6.99e-8, "thickness_mm": 0.15, "width_mm": 8.0, "layers": 2}
    together = boundary_resistance_ohm(lengths, pairs=4, weld_ohm=1e-4, **given)
    alone = [boundary_resistance_ohm(x, pairs=4, weld_ohm=1e-4, **given) for x in lengths]
    assert together == pytest.approx(alone, rel=1e-15)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"material": "tin"}, "material must be one of"),
        ({"width_mm": 0.0}, "must have a section"),
        ({"layers_across": 0}, "at least 1"),
        ({"taps": 0}, "at least 1"),
        ({"weld_ohm": -1.0}, "weld_ohm"),
        ({"resistivity_ohm_m": 0.0}, "resistivity_ohm_m above 0"),
    ],
)
def test_misuse_is_refused(change, message):
    with pytest.raises(ValueError, match=message):
        StripBuild(**{"material": "nickel", "thickness_mm": 0.15, "width_mm": 8.0, **change})
