"""Strips, wires, BMS, fuses and chargers, read and checked across their columns.

Each reader takes the path of a CSV or Parquet file, and raises BadInput with every problem of its table.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.base.materials import MATERIALS
from optimizer.catalog.columns import Bools, Columns, check_order, check_ratio, read_columns
from optimizer.catalog.fuse_curves import curves
from optimizer.catalog.types import (
    BMS_COLUMNS,
    CHARGER_COLUMNS,
    FUSE_COLUMNS,
    STRIP_COLUMNS,
    WIRE_COLUMNS,
    Bms,
    Chargers,
    Fuses,
    Strips,
    Wires,
    build,
)


def read_strips(path: Path) -> Strips:
    """Read the strips; resistivity and density default to the material's (see MATERIALS)."""
    parsed = read_columns(path, STRIP_COLUMNS)
    for name in ("resistivity_ohm_m", "density_kg_m3"):
        usual = np.array([getattr(MATERIALS.get(str(key)), name, np.nan) for key in parsed.texts("material")])
        given = parsed.numbers(name)
        parsed.values[name] = np.where(np.isnan(given), usual, given)
    _check_second(parsed)
    metal = parsed.texts("collector_material")
    parsed.values["collector_material"] = np.where(metal == "", "copper", metal)
    parsed.finish()
    return build(Strips, parsed)


def _check_second(parsed: Columns) -> None:
    """Columns of tabs, collectors and cutting that say nothing of their row: nothing that was filled in is left out.

    A `collector_mm` of 0 says that there is none, whatever stands beside it; an empty one leaves that open.
    """
    form, tabbed = parsed.texts("form"), parsed.texts("form") == "tabbed"
    for row in np.flatnonzero((parsed.numbers("collector_mm") > 0) & tabbed):
        expected = "0: on sheet with tabs there is no room for a collector"
        parsed.complain("no-collector", int(row), "collector_mm", f"{parsed.numbers('collector_mm')[row]:g}", expected)
    said = _filled(parsed, "collector_mm") | tabbed
    silent = "does not apply without collector_mm; fill that in, or 0 for none"
    checked = (
        ("collector_", said, silent), ("tab_", tabbed, "applies to form tabbed alone; leave it empty"),
        ("price_cut_per_m", tabbed | (form == "sheet"), "applies to sheet alone; leave it empty"),
    )  # fmt: skip
    for column in STRIP_COLUMNS:
        for start, applies, expected in checked:
            if column.name.startswith(start):
                wrong = _filled(parsed, column.name) & ~applies
                # What stands for an empty cell is in a design's own file.
                if column.kind == "number":
                    wrong &= parsed.numbers(column.name) != column.default
                texts = parsed.table.column(column.name) if wrong.any() else []
                parsed.complain_where(wrong, "half-filled", column.name, texts, expected)


def _filled(parsed: Columns, name: str) -> Bools:
    """Which rows have something in a column, shape (n,)."""
    if name not in parsed.table.headers:
        return np.zeros(len(parsed.table.rows), dtype=bool)
    return np.array([bool(text) for text in parsed.table.column(name)])


def usual_outer_mm(area_mm2: Floats) -> Floats:
    """Outer diameter of flexible single-core wire with silicone or similar insulation.

    d = 1.8 √A + 0.9

    Parameters
    ----------
    area_mm2 : ndarray
        Nominal area, above 0 [mm²].

    Returns
    -------
    ndarray
        [mm]

    References
    ----------
    Common practice, no published source.

    Examples
    --------
    >>> usual_outer_mm(np.array([1.0, 6.0])).round(1).tolist()
    [2.7, 5.3]
    """
    return np.asarray(1.8 * np.sqrt(area_mm2) + 0.9)


def read_wires(path: Path) -> Wires:
    """Read the wires; resistance, area and outer diameter must agree. Where none is given, it is the usual one."""
    parsed = read_columns(path, WIRE_COLUMNS)
    resistance, area = parsed.numbers("resistance_ohm_per_km"), parsed.numbers("area_mm2")
    # Annealed copper has 17.241 ohm mm2/km; stranding adds up to 20 %, aluminium has 1.64 times as much.
    ratio = resistance * area / 17.241
    for row in np.flatnonzero((ratio < 0.9) | (ratio > 2.4)):
        expected = (
            f"is this in ohms per kilometre? copper of {area[row]:g} mm2 has about {17.241 / area[row]:.3g}"
        )
        parsed.complain("wrong-scale", int(row), "resistance_ohm_per_km", f"{resistance[row]:g}", expected)
    # Bare aluminium has 2.7 g per metre and mm2; thick insulation on a thin wire makes ten times that of copper.
    mass, current = parsed.numbers("mass_g_per_m"), parsed.numbers("current_a")
    check_ratio(parsed, "mass_g_per_m", mass / area, low=2.5, high=100, unit="g per metre and mm2")
    check_ratio(parsed, "current_a", current / area, low=0.5, high=100, unit="A/mm2")
    # A solid conductor alone is 1.13 √A thick; a strand of 0.05 mm2 in thick insulation 6 √A.
    outer = parsed.numbers("outer_mm")
    check_ratio(parsed, "outer_mm", outer / np.sqrt(area), low=1.15, high=8, unit="mm per square root of mm2")
    parsed.finish()
    return build(Wires, parsed, outer_mm=np.where(np.isnan(outer), usual_outer_mm(area), outer))


def read_bms(path: Path) -> Bms:
    """Read the battery management systems."""
    parsed = read_columns(path, BMS_COLUMNS)
    check_order(parsed, "series_min", "series_max", code="series-order")
    check_order(parsed, "current_continuous_a", "current_peak_a", code="current-order")
    volume = parsed.numbers("length_mm") * parsed.numbers("width_mm") * parsed.numbers("height_mm") * 1e-3
    check_ratio(parsed, "mass_g", parsed.numbers("mass_g") / volume, low=0.05, high=8, unit="g/cm3")
    parsed.finish()
    names = tuple(
        frozenset(filter(None, (name.strip() for name in str(text).split(";"))))
        for text in parsed.texts("chemistries")
    )
    for name, usual in (("path", "common"), ("precharge", "no")):
        parsed.values[name] = np.where(parsed.texts(name) == "", usual, parsed.texts(name))
    counts = {key: parsed.numbers(key).astype(np.int64) for key in ("series_min", "series_max")}
    return build(Bms, parsed, chemistries=names, **counts)


def read_fuses(path: Path) -> Fuses:
    """Read the fuses; opening times default to what the standard of the kind asks for."""
    parsed = read_columns(path, FUSE_COLUMNS)
    drop = parsed.numbers("resistance_mohm") * parsed.numbers("current_a")
    check_ratio(parsed, "resistance_mohm", drop, low=5, high=2000, unit="mV at the rated current")
    sides = ("length_mm", "width_mm", "height_mm")
    known = np.isfinite([parsed.numbers(side) for side in sides])
    for row in np.flatnonzero(known.any(axis=0) & ~known.all(axis=0)):
        missing = next(side for side, is_known in zip(sides, known[:, row], strict=True) if not is_known)
        parsed.complain("empty-cell", int(row), missing, "an empty cell", "must have a number where another side has")
    least, most = curves(parsed)
    parsed.finish()
    return build(Fuses, parsed, opens_least=least, opens_most=most)


def read_chargers(path: Path) -> Chargers:
    """Read the chargers."""
    parsed = read_columns(path, CHARGER_COLUMNS)
    power = parsed.numbers("voltage_v") * parsed.numbers("current_a")
    check_ratio(parsed, "mass_g", power / parsed.numbers("mass_g"), low=0.01, high=10, unit="W/g")
    check_order(parsed, "taper_a", "current_a", code="current-order")
    parsed.finish()
    return build(Chargers, parsed)
