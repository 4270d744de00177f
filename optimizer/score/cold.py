"""What cells take when they are charged, by their temperature."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from optimizer.base.arrays import Floats
from optimizer.brief import Brief
from optimizer.catalog import Cells

# Part of the charge current that cells take, from a temperature on [°C]: 0.1C of 0.5C from 0 °C and 0.2C from 5 °C to
# 15 °C in a maker's specification of a cell with graphite; none below 0 °C (plating of lithium).
COLD_CHARGE = ((15.0, 1.0), (5.0, 0.4), (0.0, 0.2))
# Chemistries without graphite, which take their charge current down to their own least temperature.
NO_GRAPHITE = ("LTO", "Na-ion")


def coldest_c(brief: Brief) -> float:
    """Coldest temperature at which a brief's cells are braked into [°C]."""
    assert brief.ride is not None and brief.electrical is not None
    return min(brief.ride.temp_c, brief.electrical.temp_c)


def charge_part(cells: Cells, rows: npt.NDArray[np.int64], temp_c: float) -> Floats:
    """Part of their charge current that cells take at a temperature, shape (n,).

    By the cell's own charge_limits, its last step at or below the temperature, none below the first; without them by
    COLD_CHARGE, or all of it for chemistries without graphite. Nothing below charge_temp_min_c.
    """
    chemistry, own = cells.chemistry[rows], np.isfinite(cells.charge_from_c[rows, 0])
    usual = next((part for from_c, part in COLD_CHARGE if temp_c >= from_c), 0.0)
    part = np.where(np.isin(chemistry, NO_GRAPHITE), 1.0, usual)
    passed = (cells.charge_from_c[rows] <= temp_c).sum(axis=1)
    rate = np.take_along_axis(cells.charge_c_rate[rows], np.maximum(passed - 1, 0)[:, None], axis=1)[:, 0]
    stepped = np.where(passed > 0, rate * cells.capacity_ah[rows] / cells.current_charge_a[rows], 0.0)
    part = np.where(own, np.minimum(stepped, 1.0), part)
    return np.where(temp_c < cells.charge_temp_min_c[rows], 0.0, part)


def least_charge_c(cells: Cells, row: int) -> float:
    """Least temperature at which a cell takes any charge [°C]."""
    first = float(cells.charge_from_c[row, 0])
    if not np.isfinite(first):
        graphite = str(cells.chemistry[row]) not in NO_GRAPHITE
        first = COLD_CHARGE[-1][0] if graphite else float(cells.temp_min_c[row])
    return max(first, float(cells.charge_temp_min_c[row]))
