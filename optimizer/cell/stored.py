"""A fitted model as it stands in its file, and back again."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np

from optimizer.catalog.cell_model import CellModelFile
from optimizer.cell.ageing import aged
from optimizer.cell.laws import Laws, lowest_bend
from optimizer.cell.model import CellModel, pulse_resistance_ohm

# Every so many points of a fit's tables are stored.
EVERY = 5
TABLES = ("ocv_v", "ocv_fast_v", "exchange_a", "exchange_fast_a", "r1_ohm", "r2_ohm", "entropic_v_k")
NUMBERS = (
    "capacity_ah", "r_ohmic_ohm", "tau1_s", "tau2_s", "diffusion_slow_s", "diffusion_fast_s", "current_limit_a",
    "reference_current_a", "current_fitted_a", "follow", "limit_slope", "depletion", "drying", "pore_share",
    "slow_steep", "fast_steep",
)  # fmt: skip


def stored(model: CellModel) -> bytes:
    """A fitted model as the bytes of its file.

    Parameters
    ----------
    model : CellModel
        Every number finite but early_rate.

    Returns
    -------
    bytes
        JSON.
    """
    record: dict[str, Any] = {name: float(f"{getattr(model, name):.9g}") for name in NUMBERS}
    record |= {
        name: [float(f"{value:.7g}") for value in getattr(model, name)[::EVERY]]
        for name in TABLES
        if getattr(model, name) is not None
    }
    record["early_rate"] = float(model.early_rate) if np.isfinite(model.early_rate) else None
    record |= {"energy_j_mol": list(model.laws.energy_j_mol), "bend": list(model.laws.bend)}
    return (json.dumps(record, indent=0) + "\n").encode()


def from_stored(
    record: CellModelFile, *, chemistry: str, capacity_ah: float, dcir_ohm: float, voltage_min_v: float,
    voltage_max_v: float, name: str = "cell",
) -> CellModel:  # fmt: skip
    """The model of a catalog row that names a file: the file's, scaled to the row's capacity and DCIR.

    Parameters
    ----------
    capacity_ah, dcir_ohm : float
        Of the row, above 0: a measured cell differs from the one that was fitted [Ah], [ohm].
    voltage_min_v, voltage_max_v : float
        [V]
    """
    known: dict[str, Any] = {key: np.array(getattr(record, key)) for key in TABLES if getattr(record, key) is not None}
    known |= {key: getattr(record, key) for key in NUMBERS}
    energy = np.array(record.energy_j_mol)
    bend = np.maximum(record.bend, lowest_bend(energy))
    fitted = CellModel(
        name=name,
        chemistry=chemistry,
        source="fitted",
        soc=np.linspace(0.0, 1.0, len(record.ocv_v)),
        voltage_max_v=voltage_max_v,
        voltage_min_v=voltage_min_v,
        early_rate=np.inf if record.early_rate is None else record.early_rate,
        laws=Laws(tuple(energy.tolist()), tuple(bend.tolist())),
        **known,
    )
    part = capacity_ah / record.capacity_ah
    held = replace(aged(fitted, capacity_fraction=part), current_limit_a=record.current_limit_a * part)
    own_ohm = float(np.interp(0.5, held.soc, pulse_resistance_ohm(held)))
    return aged(held, resistance_factor=dcir_ohm / own_ohm)
