"""Electrical models of catalog cells, side by side for the ride."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from optimizer.brief import Ageing
from optimizer.catalog import Cells
from optimizer.ride.cells import CellArrays


def cell_arrays(cells: Cells, rows: npt.NDArray[np.int64], *, ageing: Ageing) -> CellArrays:
    """TEMPORARY until optimizer.cell is there."""
    soc = np.linspace(0, 1, 101)
    n = len(rows)
    dcir = cells.dcir_mohm[rows][:, None] * 1e-3 * ageing.resistance_factor
    shape = 1 + 0.6 * np.exp(-soc / 0.08)[None, :]
    one = np.ones(n)
    return CellArrays(
        ocv_v=cells.ocv_v(soc)[rows],
        r0_ohm=0.6 * dcir * shape,
        r1_ohm=0.4 * dcir * shape,
        r2_ohm=0.3 * dcir * shape,
        capacity_ah=cells.capacity_ah[rows] * ageing.capacity_fraction,
        tau1_s=3 * one,
        tau2_s=120 * one,
        lag_s=20 * one,
        lag_tau_s=60 * one,
        voltage_min_v=cells.voltage_min_v[rows],
        voltage_max_v=cells.voltage_max_v[rows],
        activation_k=2500 * one,
        reference_temp_c=25 * one,
    )
