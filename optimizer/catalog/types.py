"""What catalogs hold: the columns of each table with their plausible ranges, and the frozen tables read."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from optimizer.base.materials import MATERIALS
from optimizer.catalog.cell_model import CellModelFile
from optimizer.catalog.columns import Bools, Column, Columns, Floats
from optimizer.catalog.fuse_curves import GATES, USUAL_BREAKING_A
from optimizer.catalog.ocv import OcvCurve

Texts = NDArray[np.str_]

# What runs through a board: discharge and charge by one path; the charge port by itself; charge only, discharge
# going past it. The first is taken where a table says nothing.
BMS_PATHS = ("common", "separate", "charge only")

CELL_COLUMNS = (
    Column("id", "text", label=True),
    Column("format", "text", label=True),
    Column("shape", "text", choices=("cylinder", "prismatic", "pouch")),
    Column("diameter_mm", filled=False, low=0.5, high=90, ask="millimetres"),
    Column("length_mm", low=0.5, high=700, ask="millimetres"),
    Column("width_mm", filled=False, low=0.5, high=700, ask="millimetres"),
    Column("thickness_mm", filled=False, low=0.3, high=150, ask="millimetres"),
    Column("chemistry", "text", label=True),
    Column("capacity_ah", low=0.1, high=500, ask="ampere-hours"),
    Column("capacity_min_ah", low=0.1, high=500, ask="ampere-hours"),
    Column("voltage_nominal_v", low=1, high=5, ask="volts"),
    Column("voltage_max_v", low=1, high=5, ask="volts"),
    Column("voltage_min_v", low=0.8, high=5, ask="volts"),
    Column("dcir_mohm", low=0.05, high=500, ask="milliohms"),
    Column("current_continuous_a", low=0.1, high=3000, ask="amperes"),
    Column("current_pulse_a", low=0.1, high=6000, ask="amperes"),
    Column("pulse_s", low=0.1, high=180, ask="seconds"),
    Column("current_charge_a", low=0.05, high=3000, ask="amperes"),
    Column("mass_g", low=5, high=20000, ask="grams"),
    Column("price", zero=True, low=0.001, high=1e6, ask="whole units of the currency"),
    Column("price_breaks", "text", needed=False, filled=False),
    Column("stock", needed=False, filled=False, zero=True, whole=True, high=1e9, ask="cells", default=np.inf),
    Column("temp_min_c", signed=True, low=-80, high=40, ask="degrees Celsius"),
    Column("temp_max_c", signed=True, low=15, high=110, ask="degrees Celsius"),
    Column("ocv", "text", needed=False, filled=False),
    Column("model", "text", needed=False, filled=False),
    Column("tolerance_mm", needed=False, filled=False, zero=True, low=0.005, high=5, ask="millimetres", default=0.0),
    # Below it a cell takes no charge; left out, the chemistry's own limits stand.
    Column("charge_temp_min_c", needed=False, filled=False, signed=True, low=-80, high=40, ask="degrees Celsius",
           default=-80.0),
    # Terminals; left out, those usual for the shape (fit.region.geometry.terminals_of).
    Column("terminal_layout", "text", needed=False, filled=False, choices=("ends", "same_end")),
    Column("positive_diameter_mm", needed=False, filled=False, low=1, high=60, ask="millimetres"),
    Column("terminal_mm", needed=False, filled=False, low=2, high=80, ask="millimetres"),
    Column("terminal_spacing_mm", needed=False, filled=False, low=3, high=600, ask="millimetres"),
    Column("vent_end", "text", needed=False, filled=False, choices=("terminals", "other", "none")),
)
STRIP_COLUMNS = (
    Column("id", "text", label=True),
    Column("material", "text", choices=tuple(MATERIALS)),
    Column("thickness_mm", low=0.03, high=5, ask="millimetres"),
    Column("width_mm", low=1, high=1500, ask="millimetres"),
    Column("resistivity_ohm_m", needed=False, filled=False, low=1e-8, high=1e-6, ask="ohm metres"),
    Column(
        "density_kg_m3", needed=False, filled=False, low=1000, high=25000, ask="kilograms per cubic metre"
    ),
    Column("current_density_a_mm2", low=0.5, high=100, ask="amperes per square millimetre"),
    Column("price_per_m", zero=True, low=0.001, high=1e5, ask="whole units of the currency"),
    Column("form", "text", needed=False, filled=False, choices=("strip", "sheet", "busbar")),
    Column(
        "price_cut_per_m", needed=False, filled=False, zero=True, low=0.001, high=1e4, default=0.0,
        ask="whole units of the currency",
    ),
    Column("joined_by", "text", needed=False, filled=False),
)
WIRE_COLUMNS = (
    Column("id", "text", label=True),
    Column("area_mm2", low=0.02, high=400, ask="square millimetres"),
    Column("resistance_ohm_per_km", low=0.03, high=2000, ask="ohms per kilometre"),
    Column("current_a", low=0.1, high=1000, ask="amperes"),
    Column("mass_g_per_m", low=0.2, high=6000, ask="grams per metre"),
    Column("price_per_m", zero=True, low=0.001, high=1e5, ask="whole units of the currency"),
    Column("insulation_temp_c", low=50, high=300, ask="degrees Celsius"),
)
BMS_COLUMNS = (
    Column("id", "text", label=True),
    Column("series_min", whole=True, high=500, ask="cells in series"),
    Column("series_max", whole=True, high=500, ask="cells in series"),
    Column("chemistries", "text"),
    Column("current_continuous_a", low=0.5, high=2000, ask="amperes"),
    Column("current_peak_a", low=0.5, high=5000, ask="amperes"),
    Column("peak_s", low=0.001, high=300, ask="seconds"),
    Column("current_charge_a", low=0.1, high=2000, ask="amperes"),
    Column("voltage_max_v", low=2, high=1500, ask="volts"),
    Column("resistance_mohm", low=0.01, high=200, ask="milliohms"),
    Column("balance_ma", zero=True, low=5, high=20000, ask="milliamperes"),
    Column("mass_g", low=1, high=20000, ask="grams"),
    Column("length_mm", low=5, high=1000, ask="millimetres"),
    Column("width_mm", low=5, high=1000, ask="millimetres"),
    Column("height_mm", low=1, high=300, ask="millimetres"),
    Column("price", zero=True, low=0.001, high=1e6, ask="whole units of the currency"),
    Column("path", "text", needed=False, filled=False, choices=BMS_PATHS),
    Column("precharge", "text", needed=False, filled=False, choices=("yes", "no")),
)
FUSE_COLUMNS = (
    Column("id", "text", label=True),
    Column("current_a", low=0.5, high=3000, ask="amperes"),
    Column("voltage_dc_v", low=5, high=1500, ask="volts"),
    Column("resistance_mohm", low=0.005, high=200, ask="milliohms"),
    Column("mass_g", low=0.2, high=5000, ask="grams"),
    Column("price", zero=True, low=0.001, high=1e6, ask="whole units of the currency"),
    Column("kind", "text", needed=False, filled=False, choices=tuple(GATES)),
    Column("points", "text", needed=False, filled=False),
    Column("breaking_a", needed=False, filled=False, low=20, high=1e6, ask="amperes", default=USUAL_BREAKING_A),
)
CHARGER_COLUMNS = (
    Column("id", "text", label=True),
    Column("voltage_v", low=2, high=1500, ask="volts"),
    Column("current_a", low=0.1, high=500, ask="amperes"),
    Column("efficiency", low=0.3, high=1, ask="a fraction"),
    Column("mass_g", low=10, high=50000, ask="grams"),
    Column("price", zero=True, low=0.001, high=1e6, ask="whole units of the currency"),
)


@dataclass(frozen=True, eq=False)
class Catalog:
    """What all catalogs share: the frame as read, the file, its hash, and columns that nobody reads."""

    frame: pd.DataFrame
    file: str
    sha256: str
    ignored_columns: tuple[str, ...]
    id: Texts

    def __len__(self) -> int:
        return len(self.id)


@dataclass(frozen=True, eq=False)
class Cells(Catalog):
    """The cell catalog: one array per column, shape (n,), NaN where a dimension does not apply.

    stock is inf where none is given. break_quantity and break_price, shape (n, k), hold the price from a
    quantity on; the first is (1, price), the unused ones are (inf, last price). curves are the distinct
    OCV curves; curve tells the index of each cell's, and own_curve whether it is the cell's own. fitted are the
    distinct model files with their hashes; fit tells the index of each cell's, -1 where it has none.
    """

    format: Texts
    shape: Texts
    diameter_mm: Floats
    length_mm: Floats
    width_mm: Floats
    thickness_mm: Floats
    tolerance_mm: Floats
    chemistry: Texts
    capacity_ah: Floats
    capacity_min_ah: Floats
    voltage_nominal_v: Floats
    voltage_max_v: Floats
    voltage_min_v: Floats
    dcir_mohm: Floats
    current_continuous_a: Floats
    current_pulse_a: Floats
    pulse_s: Floats
    current_charge_a: Floats
    mass_g: Floats
    price: Floats
    stock: Floats
    temp_min_c: Floats
    temp_max_c: Floats
    charge_temp_min_c: Floats
    terminal_layout: Texts
    positive_diameter_mm: Floats
    terminal_mm: Floats
    terminal_spacing_mm: Floats
    vent_end: Texts
    break_quantity: Floats
    break_price: Floats
    curves: tuple[OcvCurve, ...]
    curve: NDArray[np.int64]
    own_curve: Bools
    fitted: tuple[tuple[CellModelFile, str], ...]
    fit: NDArray[np.int64]

    def ocv_v(self, soc: Floats) -> Floats:
        """Open-circuit voltage of every cell at the given states of charge [V], shape (n, len(soc)).

        A chemistry's curve is moved so that its mean is the cell's nominal voltage: the datasheet knows the cell.
        """
        known: dict[tuple[int, float | None], Floats] = {}
        for row, key in enumerate(self._kinds()):
            if key not in known:
                known[key] = self.curve_of(row).at(soc)
        return np.array([known[key] for key in self._kinds()])

    def fitted_of(self, row: int) -> CellModelFile | None:
        """The fitted model of a cell, if its row names one."""
        return self.fitted[self.fit[row]][0] if self.fit[row] >= 0 else None

    def curve_of(self, row: int) -> OcvCurve:
        """The curve that a cell is reckoned with: its own, or its chemistry's moved to its nominal voltage."""
        k, mean = self._kinds()[row]
        return self.curves[k] if mean is None else self.curves[k].with_mean(mean)

    def _kinds(self) -> list[tuple[int, float | None]]:
        """Index of each cell's curve, and the mean that it is moved to; None for a curve of the cell's own."""
        means = [None if own else float(v) for own, v in zip(self.own_curve, self.voltage_nominal_v, strict=True)]
        return [(int(k), mean) for k, mean in zip(self.curve, means, strict=True)]

    def moved_v(self) -> Floats:
        """By how much each cell's curve was moved in the mean, 0 for its own [V], shape (n,)."""
        mean = np.array([curve.mean_v for curve in self.curves])[self.curve]
        return np.where(self.own_curve, 0.0, self.voltage_nominal_v - mean)

@dataclass(frozen=True, eq=False)
class Strips(Catalog):
    """Strips: one array per column; resistivity and density are the material's where the table has none."""

    material: Texts
    thickness_mm: Floats
    width_mm: Floats
    resistivity_ohm_m: Floats
    density_kg_m3: Floats
    current_density_a_mm2: Floats
    price_per_m: Floats
    form: Texts
    price_cut_per_m: Floats
    joined_by: Texts


@dataclass(frozen=True, eq=False)
class Wires(Catalog):
    """Wires: one array per column."""

    area_mm2: Floats
    resistance_ohm_per_km: Floats
    current_a: Floats
    mass_g_per_m: Floats
    price_per_m: Floats
    insulation_temp_c: Floats


@dataclass(frozen=True, eq=False)
class Bms(Catalog):
    """Battery management systems: one array per column; chemistries is one frozen set per row.

    path is one of BMS_PATHS, precharge "yes" or "no"; an empty cell is "common", and "no".
    """

    series_min: NDArray[np.int64]
    series_max: NDArray[np.int64]
    chemistries: tuple[frozenset[str], ...]
    current_continuous_a: Floats
    current_peak_a: Floats
    peak_s: Floats
    current_charge_a: Floats
    voltage_max_v: Floats
    resistance_mohm: Floats
    balance_ma: Floats
    mass_g: Floats
    length_mm: Floats
    width_mm: Floats
    height_mm: Floats
    price: Floats
    path: Texts
    precharge: Texts

    @property
    def bypassed(self) -> Bools:
        """Which of them the discharge goes past, shape (n,)."""
        return np.asarray(self.path == "charge only")

    def suits(self, series: int, chemistry: str) -> Bools:
        """Which of them manage this many cells in series of this chemistry, shape (n,)."""
        knows = np.array([chemistry in names for names in self.chemistries], dtype=bool)
        counts: Bools = (self.series_min <= series) & (series <= self.series_max)
        both: Bools = counts & knows
        return both


@dataclass(frozen=True, eq=False)
class Fuses(Catalog):
    """Fuses: one array per column.

    opens_least and opens_most, shape (n, k, 2), hold points (multiple of the rating, seconds) of the shortest and
    longest time until a fuse opens: the row's own, or those of its kind; the unused ones are infinite.
    """

    current_a: Floats
    voltage_dc_v: Floats
    resistance_mohm: Floats
    mass_g: Floats
    price: Floats
    kind: Texts
    breaking_a: Floats
    opens_least: Floats
    opens_most: Floats


@dataclass(frozen=True, eq=False)
class Chargers(Catalog):
    """Chargers: one array per column."""

    voltage_v: Floats
    current_a: Floats
    efficiency: Floats
    mass_g: Floats
    price: Floats


Kind = TypeVar("Kind", bound=Catalog)


def build(kind: type[Kind], parsed: Columns, **extra: Any) -> Kind:
    """A catalog of a kind from parsed columns; `extra` fills fields that are no columns, or replaces them."""
    table = parsed.table
    frame = pd.DataFrame({name: values for name, values in parsed.values.items() if name in table.headers})
    for name in parsed.ignored:
        frame[name] = table.column(name)
    shared: dict[str, Any] = {
        "frame": frame,
        "file": table.file,
        "sha256": parsed.sha256,
        "ignored_columns": parsed.ignored,
    }
    wanted = {item.name for item in fields(kind)} - set(shared) - set(extra)
    arguments: dict[str, Any] = {name: parsed.values[name] for name in wanted}
    return kind(**shared, **arguments, **extra)
