"""Heat formulas against handbooks and closed forms."""

from __future__ import annotations

import pytest

from optimizer.pack.thermal import convection, heat


def test_holman_simplified_equations() -> None:
    # From memory: Holman, Heat Transfer, table 7-2; 20 K and 0.1 m, printed coefficients to three digits.
    kinds = (convection.SIDE, convection.TOP, convection.UNDERSIDE)
    got = [convection.face_convection(20.0, size_m=0.1, kind=kind) for kind in kinds]
    assert got == pytest.approx([5.34, 4.96, 2.22], abs=0.006)


@pytest.mark.parametrize(("emissivity", "printed"), [(0.82, 5.448), (0.09, 0.598)])
def test_radiation_coefficient(emissivity: float, printed: float) -> None:
    # Closed form, Stefan–Boltzmann: 45 °C surface, 25 °C room.
    got = convection.radiation_coefficient(emissivity, surface_c=45.0, ambient_c=25.0)
    assert got == pytest.approx(printed, abs=0.0006)


def test_coefficient_of_a_small_closed_box_is_in_the_handbook_range() -> None:
    # From memory: free convection 2–25 W/(m² K) (Incropera table 1.1), with radiation small boxes see 6–12.
    box = heat.Box(length_mm=420.0, width_mm=118.0, height_mm=78.0)
    sides, top, _ = box.faces()
    for rise in (5.0, 20.0):
        got = heat.box_conductance(box, rise_k=rise, air_c=25.0) / (sides + 2 * top)
        assert 6.0 < got < 12.0
