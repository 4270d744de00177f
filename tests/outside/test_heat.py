"""Heat formulas against handbooks and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

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


def test_gap_between_cells_against_quadrature_and_shape_factor() -> None:
    # Closed form against its integral; Incropera table 4.1, two cylinders in an infinite medium, is above it.
    d, s, length, k = 18.5, 19.3, 65.2, 0.25
    across, _ = quad(lambda y: 1.0 / (s - np.sqrt(d * d - 4.0 * y * y)), -d / 2, d / 2)
    got = convection.cell_to_cell(d, gap_mm=s - d, length_mm=length, conductivity_w_per_m_k=k)
    assert got == pytest.approx(k * length * 1e-3 * across, rel=1e-7)
    infinite = 2.0 * np.pi / np.arccosh((4 * s * s - 2 * d * d) / (2 * d * d))
    assert 0.7 * infinite < across < infinite


def test_cell_to_wall_against_quadrature() -> None:
    # Second implementation: the integral across the gap to a plane.
    r, gap, length = 9.25, 0.2, 65.2
    across, _ = quad(lambda y: 1.0 / (gap + r - np.sqrt(r * r - y * y)), -r, r, limit=200)
    got = convection.cell_to_wall(2 * r, gap_mm=gap, length_mm=length, conductivity_w_per_m_k=0.0267)
    assert got == pytest.approx(0.0267 * length * 1e-3 * across, rel=1e-6)


def test_coefficient_of_a_small_closed_box_is_in_the_handbook_range() -> None:
    # From memory: free convection 2–25 W/(m² K) (Incropera table 1.1), with radiation small boxes see 6–12.
    box = heat.Box(length_mm=420.0, width_mm=118.0, height_mm=78.0)
    sides, top, _ = box.faces()
    for rise in (5.0, 20.0):
        got = heat.box_conductance(box, rise_k=rise, air_c=25.0) / (sides + 2 * top)
        assert 6.0 < got < 12.0
