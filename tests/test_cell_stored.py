"""A fitted model's file: what the catalog's column `model` names gives the fit's own figures again."""

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer.base.problems import BadInput
from optimizer.brief import Ageing
from optimizer.catalog import builtin_catalogs, read_cells
from optimizer.catalog.cell_model import CellModelFile, read_cell_model
from optimizer.cell.default import cell_models
from optimizer.cell.laws import USUAL
from optimizer.cell.model import CellModel, pulse_resistance_ohm, voltage
from optimizer.cell.stored import from_stored, stored

SOC = np.linspace(0.0, 1.0, 1001)


def model() -> CellModel:
    """A made-up cell with every part of the model."""
    ocv = 3.0 + 1.2 * SOC
    return CellModel(
        name="cell", chemistry="NMC", source="fitted", capacity_ah=5.0, soc=SOC, ocv_v=ocv, ocv_fast_v=0.3 * SOC,
        r_ohmic_ohm=0.006, exchange_a=3.0 + 2.0 * SOC, exchange_fast_a=6.0 + 0.0 * SOC, r1_ohm=0.002 + 0.001 * SOC,
        r2_ohm=0.004 - 0.001 * SOC, tau1_s=5.0, tau2_s=120.0, diffusion_slow_s=4000.0, diffusion_fast_s=600.0,
        current_limit_a=20.0, reference_current_a=5.0, current_fitted_a=5.0, voltage_max_v=4.2, voltage_min_v=2.5,
        laws=USUAL, follow=1.0, limit_slope=0.4, depletion=0.97, drying=0.3, early_rate=600.0, pore_share=0.85,
        slow_steep=0.5, fast_steep=-1.2,
        entropic_v_k=2e-4 * SOC,
    )  # fmt: skip


def test_a_stored_model_is_the_fitted_one():
    fitted = model()
    record = CellModelFile.model_validate(json.loads(stored(fitted)))
    at_half = float(np.interp(0.5, SOC, pulse_resistance_ohm(fitted)))
    back = from_stored(record, chemistry="NMC", capacity_ah=5.0, dcir_ohm=at_half, voltage_min_v=2.5, voltage_max_v=4.2)
    for temp_c in (-10.0, 25.0):
        asked = {"soc": np.linspace(0.05, 0.95, 7), "current_a": 8.0, "seconds": 10.0, "temp_c": temp_c}
        np.testing.assert_allclose(voltage(back, **asked), voltage(fitted, **asked), atol=2e-4)


def test_a_row_of_other_capacity_and_dcir_scales_it():
    record = CellModelFile.model_validate(json.loads(stored(model())))
    row = {"chemistry": "NMC", "voltage_min_v": 2.5, "voltage_max_v": 4.2}
    worn = from_stored(record, capacity_ah=4.0, dcir_ohm=0.03, **row)
    assert worn.capacity_ah == pytest.approx(4.0) and worn.current_limit_a == pytest.approx(16.0)
    # Exchange currents saturate, so the factor holds within some percent.
    assert np.interp(0.5, worn.soc, pulse_resistance_ohm(worn)) == pytest.approx(0.03, rel=0.05)


def catalog(folder: Path, text: str) -> Path:
    """A catalog of two cells, the first with a model file."""
    lines = (builtin_catalogs() / "cells.csv").read_text(encoding="utf-8").splitlines()
    rows = [line for line in lines if not line.startswith("#")][:3]
    (folder / "own.json").write_text(text, encoding="utf-8")
    path = folder / "cells.csv"
    path.write_text("\n".join([rows[0] + ",model", rows[1] + ",own.json", rows[2] + ","]), encoding="utf-8")
    return path


def test_the_row_of_a_catalog_means_the_model(tmp_path):
    cells = read_cells(catalog(tmp_path, stored(model()).decode()))
    first, second = cell_models(cells, np.arange(2), ageing=Ageing())
    assert (first.source, second.source) == ("fitted", "default for NMC")
    assert first.laws == replace(model()).laws
    assert np.interp(0.5, first.soc, pulse_resistance_ohm(first)) == pytest.approx(cells.dcir_mohm[0] / 1e3, rel=0.1)
    assert cells.fit.tolist() == [0, -1]


@pytest.mark.parametrize(
    ("change", "field"),
    [({"capacity_ah": -1}, "capacity_ah"), ({"ocv_v": [3.0] * 5}, "ocv_v"), ({"weight": 1.0}, "weight")],
)
def test_a_faulty_file_is_refused_with_its_field(tmp_path, change, field):
    text = json.dumps({**json.loads(stored(model())), **change})
    with pytest.raises(BadInput) as refused:
        read_cells(catalog(tmp_path, text))
    assert [p.field for p in refused.value.problems] == [field]
    assert all(p.file.endswith("own.json") for p in refused.value.problems)
    (tmp_path / "own.json").write_text("{", encoding="utf-8")
    with pytest.raises(BadInput, match="JSON"):
        read_cell_model(tmp_path / "own.json")
