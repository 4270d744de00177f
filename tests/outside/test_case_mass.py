"""Printed cases against what builders weigh."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.fit.region.layout import CellSize, Layout
from optimizer.pack.case.outline import CaseRules
from optimizer.pack.case.volume import case_volume


@pytest.mark.parametrize("wall_mm", [1.2, 1.4, 1.6])
@pytest.mark.parametrize("columns", [2, 4])
def test_six_cases_for_eight_cells(wall_mm: float, columns: int) -> None:
    # Common practice, no published source: six printed cases with covers for eight 18650 cells each weigh
    # about 400 g together. Within 25 % at walls of 1.2 to 1.6 mm, PETG of 1270 kg/m³.
    pitch = 18.5 + 0.8
    i, j = np.meshgrid(np.arange(columns), np.arange(8 // columns), indexing="ij")
    centres = np.column_stack([i.ravel() * pitch, j.ravel() * pitch, np.zeros(8)])
    zeros = np.zeros(8, dtype=np.int64)
    size = CellSize("cylinder", length_mm=65.2, diameter_mm=18.5)
    layout = Layout(
        "box", size, "modules", "square", 2, centres, np.tile([18.5, 18.5, 65.2], (8, 1)), zeros, zeros, "by hand"
    )
    one = case_volume(layout, group=np.repeat(np.arange(4), 2), rules=CaseRules(case_mm=wall_mm))
    assert 6.0 * float(one.mass_kg(1270.0)[-1]) == pytest.approx(0.400, rel=0.25)
