"""The cell catalog: read, checked across its columns, and joined with the OCV curves it needs."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from optimizer.base.arrays import Floats
from optimizer.base.constants import M5_NUT_MM, M5_WASHER_MM
from optimizer.base.problems import BadInput
from optimizer.catalog.cell_model import CellModelFile, read_cell_model
from optimizer.catalog.charge_limits import charge_limits
from optimizer.catalog.columns import Bools, Columns, check_order, check_ratio, read_columns
from optimizer.catalog.ocv import OcvCurve, ocv_curve, read_ocv
from optimizer.catalog.tables import parse_number, short
from optimizer.catalog.types import CELL_COLUMNS, Cells, build


def read_cells(path: Path, *, ocv_folder: Path | None = None, sizes_only: bool = False) -> Cells:
    """Read the cell catalog, with the OCV curve of each cell.

    Parameters
    ----------
    path : Path
        CSV or Parquet.
    ocv_folder : Path, optional
        Chemistry curves of the user, before the built-in ones.
    sizes_only : bool
        For the fit, which knows no electricity: no curves are read, and no check sets a cell's energy or
        currents against its size and mass. Each column is checked by itself all the same.

    Raises
    ------
    BadInput
        With every problem of the table and of the curves it names.
    """
    parsed = read_columns(path, CELL_COLUMNS)
    # A spreadsheet turns the text 18650 into a number and may write it with decimals.
    parsed.values["format"] = np.array([re.sub(r"\.0+$", "", name) for name in parsed.texts("format")])
    _check_cells(parsed)
    quantity, price = _price_breaks(parsed)
    from_c, c_rate = charge_limits(parsed)
    curves: tuple[OcvCurve, ...] = ()
    curve, own = np.full(len(parsed.table.rows), -1), np.zeros(len(parsed.table.rows), dtype=bool)
    fitted: tuple[tuple[CellModelFile, str], ...] = ()
    fit = np.full(len(parsed.table.rows), -1)
    if not sizes_only:
        _check_format(parsed)
        _check_ratios(parsed)
        curves, curve, own = _curves(parsed, path.parent, ocv_folder)
        fitted, fit = _fitted(parsed, path.parent)
        if not parsed.problems:
            _check_curves(parsed, curves, curve)
    parsed.finish()
    return build(
        Cells, parsed, break_quantity=quantity, break_price=price, charge_from_c=from_c, charge_c_rate=c_rate,
        curves=curves, curve=curve, own_curve=own, fitted=fitted, fit=fit,
    )  # fmt: skip


def _check_cells(parsed: Columns) -> None:
    _check_dimensions(parsed)
    _check_terminals(parsed)
    check_order(parsed, "capacity_min_ah", "capacity_ah", code="capacity-order")
    check_order(parsed, "voltage_min_v", "voltage_max_v", code="voltage-order", equal=False)
    check_order(parsed, "voltage_min_v", "voltage_nominal_v", code="voltage-order", equal=False)
    check_order(parsed, "voltage_nominal_v", "voltage_max_v", code="voltage-order", equal=False)
    check_order(parsed, "current_continuous_a", "current_pulse_a", code="current-order")
    check_order(parsed, "temp_min_c", "temp_max_c", code="temp-order", equal=False)


def _check_dimensions(parsed: Columns) -> None:
    shapes = parsed.texts("shape")
    round_, flat = shapes == "cylinder", np.isin(shapes, ("prismatic", "pouch"))
    for name, needed, other in (
        ("diameter_mm", round_, flat),
        ("width_mm", flat, round_),
        ("thickness_mm", flat, round_),
    ):
        if name not in parsed.table.headers:
            continue
        texts = parsed.table.column(name)
        filled = np.array([bool(text) for text in texts])
        for row in np.flatnonzero(needed & ~filled):
            parsed.complain(
                "shape-dimension", int(row), name, "an empty cell", f"is needed for a {shapes[row]}"
            )
        for row in np.flatnonzero(other & filled):
            expected = f"does not apply to a {shapes[row]}; leave it empty"
            parsed.complain("shape-dimension", int(row), name, texts[row], expected)


def _check_terminals(parsed: Columns) -> None:
    """Columns of terminals that do not apply to a shape, and terminals that stand out over the cell's end."""
    shapes = parsed.texts("shape")
    for name, apart in (("positive_diameter_mm", False), ("terminal_mm", True), ("terminal_spacing_mm", True)):
        values = parsed.numbers(name)
        for row in np.flatnonzero(np.isfinite(values) & ((shapes == "cylinder") == apart)):
            expected = f"does not apply to a {shapes[row]}; leave it empty"
            parsed.complain("shape-dimension", int(row), name, f"{values[row]:g}", expected)
    for row in np.flatnonzero((shapes == "cylinder") & (parsed.texts("terminal_layout") == "same_end")):
        expected = "does not apply to a cylinder, which has a terminal at each end"
        parsed.complain("shape-dimension", int(row), "terminal_layout", "same_end", expected)
    _check_studs(parsed, shapes)
    width, thick = parsed.numbers("width_mm"), parsed.numbers("thickness_mm")
    across, spacing = parsed.numbers("terminal_mm"), parsed.numbers("terminal_spacing_mm")
    for name, values, most in (("terminal_mm", across, thick), ("terminal_spacing_mm", spacing, width)):
        for row in np.flatnonzero(values > most):
            parsed.complain("shape-dimension", int(row), name, f"{values[row]:g}", f"must be within {most[row]:g} mm")
    for row in np.flatnonzero(parsed.numbers("positive_diameter_mm") > 0.8 * parsed.numbers("diameter_mm")):
        value = parsed.numbers("positive_diameter_mm")[row]
        expected = "must be well under diameter_mm"
        parsed.complain("shape-dimension", int(row), "positive_diameter_mm", f"{value:g}", expected)


def _check_studs(parsed: Columns, shapes: NDArray[np.str_]) -> None:
    """Columns of studs and pressure on round cells, and studs too short for their nut."""
    # What stands for an empty cell is in a design's own file.
    usual = {"stud_mm": 0.0, "fastener_mm": M5_NUT_MM + M5_WASHER_MM, "pressure_kpa": np.nan, "tie_plate_mm": np.nan}
    for name, default in usual.items():
        if name in parsed.table.headers:
            texts, values = parsed.table.column(name), parsed.numbers(name)
            given = np.array([bool(text) for text in texts]) & (values != default)
            for row in np.flatnonzero((shapes == "cylinder") & given):
                expected = "does not apply to a cylinder; leave it empty"
                parsed.complain("shape-dimension", int(row), name, texts[row], expected)
    stud, nut = parsed.numbers("stud_mm"), parsed.numbers("fastener_mm")
    for row in np.flatnonzero((stud > 0) & (stud < nut)):
        expected = f"must be at least fastener_mm, {nut[row]:g}: a nut with its washer finds no thread above"
        parsed.complain("shape-dimension", int(row), "stud_mm", f"{stud[row]:g}", expected)


def _check_format(parsed: Columns) -> None:
    """A five-digit format names diameter and length; the size given must be near it (a board adds length)."""
    diameter, length = parsed.numbers("diameter_mm"), parsed.numbers("length_mm")
    for row, name in enumerate(parsed.texts("format")):
        if not re.fullmatch(r"\d{5}", name) or parsed.texts("shape")[row] != "cylinder":
            continue
        for field, value, nominal, more in (
            ("diameter_mm", diameter[row], float(name[:2]), 2.0),
            ("length_mm", length[row], float(name[2:]) / 10, 6.0),
        ):
            if value < nominal - 1.5 or value > nominal + more:
                expected = f"does not agree with format {name}: expected about {nominal:g}"
                parsed.complain("format-size", row, field, f"{value:g}", expected)
                parsed.numbers(field)[row] = np.nan  # blamed enough


# Energy per mass and volume, C-rates and DCIR · capacity outside of which some unit must be wrong:
# column blamed, least, most, unit.
RATIOS = (
    ("mass_g", 15.0, 450.0, "Wh/kg"),
    ("capacity_ah", 20.0, 1300.0, "Wh per litre"),
    ("current_continuous_a", 0.05, 150.0, "C"),
    ("current_charge_a", 0.02, 60.0, "C"),
    ("dcir_mohm", 4.0, 1500.0, "mohm Ah"),
)


def _check_ratios(parsed: Columns) -> None:
    capacity = parsed.numbers("capacity_ah")
    energy = capacity * parsed.numbers("voltage_nominal_v")
    flat = parsed.numbers("width_mm") * parsed.numbers("thickness_mm")
    round_ = np.pi / 4 * parsed.numbers("diameter_mm") ** 2
    face = np.where(parsed.texts("shape") == "cylinder", round_, flat)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        ratios = (
            energy / (parsed.numbers("mass_g") / 1000),
            energy / (face * parsed.numbers("length_mm") * 1e-6),
            parsed.numbers("current_continuous_a") / capacity,
            parsed.numbers("current_charge_a") / capacity,
            parsed.numbers("dcir_mohm") * capacity,
        )
    for (field, low, high, unit), value in zip(RATIOS, ratios, strict=True):
        check_ratio(parsed, field, value, low=low, high=high, unit=unit)


def _price_breaks(parsed: Columns) -> tuple[Floats, Floats]:
    """Prices from a quantity on, padded to one width; the first is the plain price from one cell on."""
    prices = parsed.numbers("price")
    rows, plain = [], []
    for row, text in enumerate(parsed.texts("price_breaks").tolist()):
        pairs = [(1.0, float(prices[row])), *_parse_breaks(parsed, row, text)]
        for (last, dear), (quantity, price) in pairwise(pairs):
            if quantity <= last:
                parsed.complain(
                    "price-break", row, "price_breaks", short(text), "must have rising quantities over 1"
                )
            elif price > dear:
                parsed.complain(
                    "price-break", row, "price_breaks", short(text), "must not get dearer with quantity"
                )
        rows.append(pairs)
        plain.append(";".join(f"{quantity:.0f}:{price!r}" for quantity, price in pairs[1:]))
    # As a design.json has it, whatever the table's decimal mark.
    parsed.values["price_breaks"] = np.array(plain)
    width = max(len(pairs) for pairs in rows)
    padded = [pairs + [(np.inf, pairs[-1][1])] * (width - len(pairs)) for pairs in rows]
    both = np.array(padded, dtype=np.float64)
    return both[:, :, 0], both[:, :, 1]


def _parse_breaks(parsed: Columns, row: int, text: str) -> list[tuple[float, float]]:
    pairs = []
    for part in filter(None, (piece.strip() for piece in text.split(";"))):
        quantity, _, price = part.partition(":")
        count, code, _ = parse_number(quantity.strip())
        each, price_code, _ = parse_number(price.strip(), decimal=parsed.table.decimal)
        if code or price_code or count != round(count) or each < 0:
            expected = 'must look like "100:4.20;500:3.90" (quantity:price)'
            parsed.complain("price-break", row, "price_breaks", short(text), expected)
            return []
        pairs.append((count, each))
    return pairs


def _curves(
    parsed: Columns, folder: Path, ocv_folder: Path | None
) -> tuple[tuple[OcvCurve, ...], NDArray[np.int64], Bools]:
    """The distinct curves, the index of each cell's, and whether it is the cell's own."""
    curves: list[OcvCurve] = []
    index: dict[str, int] = {}
    curve = np.zeros(len(parsed.table.rows), dtype=np.int64)
    own = parsed.texts("ocv") != ""
    for row, (file, chemistry) in enumerate(zip(parsed.texts("ocv"), parsed.texts("chemistry"), strict=True)):
        key = f"file {file}" if file else f"chemistry {chemistry}"
        if key not in index and (file or chemistry):
            index[key] = len(curves)
            found = _curve(parsed, row, folder / str(file) if file else None, str(chemistry), ocv_folder)
            curves.extend([found] if found else [])
            if not found:
                index[key] = -1
        curve[row] = index.get(key, -1)
    return tuple(curves), curve, own


def _curve(
    parsed: Columns, row: int, file: Path | None, chemistry: str, ocv_folder: Path | None
) -> OcvCurve | None:
    try:
        return read_ocv(file) if file else ocv_curve(chemistry, folder=ocv_folder)
    except BadInput as error:
        for problem in error.problems:
            if problem.code == "unknown-chemistry":
                parsed.complain(problem.code, row, "chemistry", problem.found, problem.expected)
            elif problem.code == "missing-file":
                parsed.complain(problem.code, row, "ocv", problem.file, "must name a file that exists")
            else:
                parsed.problems.append(problem)
        return None


def _fitted(parsed: Columns, folder: Path) -> tuple[tuple[tuple[CellModelFile, str], ...], NDArray[np.int64]]:
    """The distinct model files, and the index of each cell's; -1 where a row names none."""
    found: dict[str, tuple[int, tuple[CellModelFile, str]]] = {}
    fit = np.full(len(parsed.table.rows), -1)
    for row, name in enumerate(parsed.texts("model").tolist()):
        if not name:
            continue
        try:
            if name not in found:
                found[name] = len(found), read_cell_model(folder / name)
            fit[row] = found[name][0]
        except BadInput as error:
            # A file that is not there may be a slip of this table.
            if any(problem.code == "missing-file" for problem in error.problems):
                parsed.complain("missing-file", row, "model", name, "does not exist")
            else:
                parsed.problems.extend(error.problems)
    return tuple(each for _, each in found.values()), fit


def _check_curves(parsed: Columns, curves: tuple[OcvCurve, ...], curve: NDArray[np.int64]) -> None:
    """The curve must belong to the cell: mean near the nominal voltage, ends near the window."""
    mean = np.array([item.mean_v for item in curves])[curve]
    top = np.array([item.ocv_v[-1] for item in curves])[curve]
    bottom = np.array([item.ocv_v[0] for item in curves])[curve]
    nominal = parsed.numbers("voltage_nominal_v")
    for row in np.flatnonzero(np.abs(mean / nominal - 1) > 0.08):
        expected = f"is far from the mean of its OCV curve ({mean[row]:.2f} V): wrong chemistry or curve?"
        parsed.complain("ocv-nominal", int(row), "voltage_nominal_v", f"{nominal[row]:g}", expected)
    highest = parsed.numbers("voltage_max_v")
    for row in np.flatnonzero((top > highest * 1.06) | (top < highest * 0.85)):
        expected = f"is far from the top of its OCV curve ({top[row]:.2f} V)"
        parsed.complain("ocv-window", int(row), "voltage_max_v", f"{highest[row]:g}", expected)
    lowest = parsed.numbers("voltage_min_v")
    for row in np.flatnonzero(bottom > nominal):
        expected = f"is served by an OCV curve that starts at {bottom[row]:.2f} V, over the nominal voltage"
        parsed.complain("ocv-window", int(row), "voltage_min_v", f"{lowest[row]:g}", expected)
