"""Files of a characterized cell: catalog row, OCV curve and plot, written whole or not at all."""

from __future__ import annotations

import csv
import io
import os
import shutil
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from optimizer.base.problems import BadInput, Problem
from optimizer.cell.characterize import Characterized
from optimizer.cell.fit_record import dcir_ohm
from optimizer.cell.model import CellModel
from optimizer.cell.stored import stored

ROW_COLUMNS = (
    "id", "format", "shape", "diameter_mm", "length_mm", "width_mm", "thickness_mm", "chemistry", "capacity_ah",
    "capacity_min_ah", "voltage_nominal_v", "voltage_max_v", "voltage_min_v", "dcir_mohm", "current_continuous_a",
    "current_pulse_a", "pulse_s", "current_charge_a", "mass_g", "price", "price_breaks", "stock", "temp_min_c",
    "temp_max_c", "ocv", "model")  # fmt: skip


def catalog_row(model: CellModel, *, ocv_name: str) -> dict[str, str]:
    """The catalog row by column that the fit can fill; size, mass, price and rated currents stay empty."""
    row = dict.fromkeys(ROW_COLUMNS, "")
    row |= {
        "id": model.name, "chemistry": model.chemistry, "capacity_ah": f"{model.capacity_ah:.4g}",
        "voltage_nominal_v": f"{np.mean(model.ocv_v):.3f}", "voltage_max_v": f"{model.voltage_max_v:.3f}",
        "voltage_min_v": f"{model.voltage_min_v:.3f}", "dcir_mohm": f"{1000 * dcir_ohm(model):.4g}",
        "ocv": ocv_name, "model": "model.json"}  # fmt: skip
    return row


def _csv_bytes(header: Sequence[str], rows: Sequence[Sequence[str]]) -> bytes:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return text.getvalue().encode()


def output_files(result: Characterized) -> dict[str, bytes]:
    """Every file of the output folder by name."""
    from optimizer.review.sheets.cell_plot import fit_png

    model = result.fit.model
    row = catalog_row(model, ocv_name="ocv.csv")
    thin = slice(None, None, 5)
    return {
        "cell.csv": _csv_bytes(ROW_COLUMNS, [[row[c] for c in ROW_COLUMNS]]),
        "ocv.csv": _csv_bytes(
            ("soc", "ocv_v"),
            [(f"{s:.4f}", f"{v:.5f}") for s, v in zip(model.soc[thin], model.ocv_v[thin], strict=True)],
        ),
        "model.json": stored(model),
        "fit.png": fit_png(result),
    }


def check_folder(folder: Path, *, force: bool) -> None:
    """Refuse an output folder that is no folder, or taken while nothing may be replaced, before any work is done."""
    if folder.exists() and (not force or not folder.is_dir()):
        expected = "must not be there yet (or give --force)" if folder.is_dir() else "must be a folder"
        raise BadInput([Problem("output-exists", str(folder), "", "--out", "", expected)])


def write_folder(folder: Path, files: dict[str, bytes]) -> None:
    """Write the files, all or none where the folder is new, each in one move where not; BadInput if it cannot be."""
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        part = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
        try:
            part.chmod(0o755)
            for name, content in files.items():
                (part / name).write_bytes(content)
            if folder.exists():
                for name in files:
                    os.replace(part / name, folder / name)
            else:
                part.rename(folder)
        finally:
            shutil.rmtree(part, ignore_errors=True)
    except OSError as error:
        raise BadInput(
            [Problem("unwritable", str(folder), "", "--out", error.strerror or "", "must be writable")]
        ) from error
