"""Heat formulas against handbooks and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad

from optimizer.pack.thermal import convection, heat
from optimizer.pack.thermal.transient import transient


def test_churchill_chu_vertical_plate() -> None:
    # Churchill & Chu 1975, as Incropera eq. 9.27 (from memory): 0.1 m plate, 20 K over air of 25 °C, film air
    # of the handbook's table gives 5.11 W/(m² K). 2 %: the air here is from another source.
    assert convection.plate_convection(20.0, height_m=0.1, air_c=25.0) == pytest.approx(5.11, rel=0.02)


def test_churchill_chu_against_simplified_equation() -> None:
    # Second implementation: Holman's simplified side equation; both are fits to the same data, within 10 %.
    for rise, height in ((10.0, 0.06), (20.0, 0.1), (40.0, 0.2)):
        full = convection.plate_convection(rise, height_m=height)
        short = convection.face_convection(rise, size_m=height, kind=convection.SIDE)
        assert short == pytest.approx(full, rel=0.10)


def test_holman_simplified_equations() -> None:
    # From memory: Holman, Heat Transfer, table 7-2; 20 K and 0.1 m, printed coefficients to three digits.
    kinds = (convection.SIDE, convection.TOP, convection.UNDERSIDE)
    got = [convection.face_convection(20.0, size_m=0.1, kind=kind) for kind in kinds]
    assert got == pytest.approx([5.34, 4.96, 2.22], abs=0.006)


def test_air_at_300_k() -> None:
    # From memory: Incropera table A.4 at 300 K: k 0.0263, ν 15.89e-6, α 22.5e-6, density 1.1614, so at 1 bar
    # while ours is at 1 atm: diffusivities × 1.01325. Two sources of air properties agree within 0.5 %.
    k, nu, alpha = convection.air_properties(26.85)
    assert [k, nu * 1.01325, alpha * 1.01325] == pytest.approx([0.0263, 15.89e-6, 22.5e-6], rel=0.005)


@pytest.mark.parametrize(("emissivity", "printed"), [(0.82, 5.448), (0.09, 0.598)])
def test_radiation_coefficient(emissivity: float, printed: float) -> None:
    # Closed form, Stefan–Boltzmann: 45 °C surface, 25 °C room.
    got = convection.radiation_coefficient(emissivity, surface_c=45.0, ambient_c=25.0)
    assert got == pytest.approx(printed, abs=0.0006)


@pytest.mark.parametrize(("length", "printed"), [(65.0, 6.121), (70.0, 5.684)])
def test_core_over_skin(length: float, printed: float) -> None:
    # Closed form: Incropera section 3.5, Q/(4πkL), 1 W and k 0.20 W/(m K).
    got = convection.core_rise(1.0, length_mm=length, conductivity_w_per_m_k=0.20)
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


def test_lumped_step_response() -> None:
    # Closed form (Incropera ch. 5, lumped capacitance with source): T = Ta + qR(1 − e^(−t/RC)); Ta 25,
    # q 10 W, R 2 K/W, C 1000 J/K. Four nodes tied together and one conductance out are that lump.
    box = heat.Box(length_mm=200.0, width_mm=200.0, height_mm=100.0)
    out = float(heat.box_conductance(box, rise_k=heat.box_rise(box, heat_w=10.0, air_c=25.0), air_c=25.0))
    tight, scale = np.array([1e7]), out / 0.5
    net = heat.Network(
        inner=np.array([1.0]), outer=np.array([1.0]), capacity_j_per_k=np.full((1, 4), 250.0 * scale),
        inner_outer=tight, inner_case=tight, outer_case=tight, case_box=tight, box=box,
    )  # fmt: skip
    times = np.array([0.0, 500.0, 1000.0, 2000.0, 4000.0, 10000.0])
    series = np.full((1, 5), 10.0)
    got = transient(
        net, inner_w=series / 2, outer_w=series / 2, seconds=np.diff(times), air_c=25.0, start_c=25.0
    )
    # The box's own conductance sets R = 1/out, so rises scale by out/0.5 at the same time constant.
    rises = (got[0, :, 0] - 25.0) * scale
    printed = np.array([25.0, 29.4240, 32.8694, 37.6424, 42.2933, 44.8653]) - 25.0
    assert rises == pytest.approx(printed, abs=1e-3)


def test_coefficient_of_a_small_closed_box_is_in_the_handbook_range() -> None:
    # From memory: free convection 2–25 W/(m² K) (Incropera table 1.1), with radiation small boxes see 6–12.
    box = heat.Box(length_mm=420.0, width_mm=118.0, height_mm=78.0)
    sides, top, _ = box.faces()
    for rise in (5.0, 20.0):
        got = heat.box_conductance(box, rise_k=rise, air_c=25.0) / (sides + 2 * top)
        assert 6.0 < got < 12.0
