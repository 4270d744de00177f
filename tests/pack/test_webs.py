"""Heat around a cell in its printed case: against finite elements of the section, and sums in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from section import beside, between

from optimizer.pack.case.outline import CaseRules
from optimizer.pack.thermal.webs import Webs


@pytest.mark.parametrize(
    ("size", "gap", "clearance", "printed"),
    [((18.5, 65.2), 0.8, 0.3, 0.0408), ((21.7, 70.2), 0.8, 0.3, 0.0476), ((18.5, 65.2), 2.0, 0.3, 0.0202),
     ((18.5, 65.2), 1.2, 0.1, 0.0498), ((18.5, 65.2), 0.8, 0.6, 0.0156)],
)  # fmt: skip
def test_webs_conduct_as_drawn(size, gap, clearance, printed) -> None:
    """No more than finite elements of rings, play and pockets say, and no less than nine tenths.

    A gap all of print, as was counted before, has 0.14 W/K of the first. The last is an open frame: no ring is printed.
    """
    case = CaseRules(cell_gap_mm=gap, bore_clearance_mm=clearance)
    rib = case.rib_mm if case.webbed else 0.0
    full = between(size[0], gap, size[1], play=case.play_mm, rib=rib)
    assert full == pytest.approx(printed, rel=0.02)
    assert 0.88 < float(Webs(*size, case).between_w_k(gap)) / full <= 1.0


@pytest.mark.parametrize("outside", [27.0, 4.0])
def test_the_wall_beside_a_cell(outside) -> None:
    case = CaseRules()
    full = beside(18.5, 0.8, 65.2, play=0.15, rib=0.8, wall=1.6, outside=outside)
    assert 0.80 < float(Webs(18.5, 65.2, case).side_w_k(outside)) / full <= 1.0


def test_ways_without_print_are_closed_forms() -> None:
    """An open frame: k L [2 s/√(s² − d²) · atan √((s + d)/(s − d)) − π/2], two cylinders, straight across."""
    d, gap, length = 18.5, 0.8, 65.2
    s = d + gap
    shape = 2.0 * s / np.sqrt(s**2 - d**2) * np.arctan(np.sqrt((s + d) / (s - d))) - np.pi / 2.0
    open_frame = Webs(d, length, CaseRules(bore_clearance_mm=0.6))
    assert float(open_frame.between_w_k(gap)) == pytest.approx(0.0267 * length * 1e-3 * shape, rel=1e-3)
    # What is poured in conducts in place of the air; air and covers of an end lie one behind the other.
    poured = Webs(d, length, CaseRules(bore_clearance_mm=0.6), fill_w_per_m_k=0.267)
    assert float(poured.between_w_k(gap)) == pytest.approx(0.267 * length * 1e-3 * shape, rel=1e-3)
    layers = 1.5e-3 / 0.0267 + 1.0e-3 / 0.25 + 1.0 / 27.0
    assert float(open_frame.end_w_k(27.0, area_mm2=200.0)) == pytest.approx(200e-6 / layers)


def test_more_between_conducts_less() -> None:
    web = Webs(18.5, 65.2, CaseRules())
    # A tie begins where rings part: there conduction may step up.
    assert np.all(np.diff(web.between_w_k(np.linspace(1.6, 8.0, 50))) < 0)
    assert np.all(np.diff(web.between_w_k(np.linspace(0.8, 1.4, 20))) < 0)
    assert np.all(np.diff(web.across_w_k(np.linspace(0.2, 8.0, 50))) < 0)
    assert np.all(np.diff(web.side_w_k(np.linspace(2.0, 40.0, 50))) > 0)
