"""What catalogs hold: the columns of each table with their plausible ranges, and the frozen tables read."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import Annotated, Any, TypeVar, get_type_hints

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from optimizer.base.arrays import Floats
from optimizer.base.constants import M5_NUT_MM, M5_WASHER_MM
from optimizer.base.materials import MATERIALS
from optimizer.catalog.cell_model import CellModelFile
from optimizer.catalog.columns import Bools, Column, Columns
from optimizer.catalog.fuse_curves import GATES, USUAL_BREAKING_A
from optimizer.catalog.ocv import OcvCurve

Texts = NDArray[np.str_]

# What runs through a board: discharge and charge by one path; the charge port by itself; charge only, discharge
# going past it. The first is taken where a table says nothing.
BMS_PATHS = ("common", "separate", "charge only")


@dataclass(frozen=True, eq=False)
class Catalog:
    """What all catalogs share: the frame as read, the file, its hash, and columns that nobody reads.

    A field with a Column is read from the file's column of its name, or of the name that the Column has.
    """

    frame: pd.DataFrame
    file: str
    sha256: str
    ignored_columns: tuple[str, ...]
    id: Annotated[Texts, Column(kind="text", label=True)]

    def __len__(self) -> int:
        return len(self.id)


@dataclass(frozen=True, eq=False)
class Cells(Catalog):
    """The cell catalog: one array per column, shape (n,), NaN where a dimension does not apply.

    stock is inf where none is given. break_quantity and break_price, shape (n, k), hold the price from a
    quantity on; the first is (1, price), the unused ones are (inf, last price). charge_from_c and charge_c_rate, shape
    (n, k), are the steps of charge_limits [°C], [1/h]. curves are the distinct
    OCV curves; curve tells the index of each cell's, and own_curve whether it is the cell's own. fitted are the
    distinct model files with their hashes; fit tells the index of each cell's, -1 where it has none.
    """

    format: Annotated[Texts, Column(kind="text", label=True)]
    shape: Annotated[Texts, Column(kind="text", choices=("cylinder", "prismatic", "pouch"))]
    diameter_mm: Annotated[Floats, Column(filled=False, low=0.5, high=90, ask="millimetres")]
    length_mm: Annotated[Floats, Column(low=0.5, high=700, ask="millimetres")]
    width_mm: Annotated[Floats, Column(filled=False, low=0.5, high=700, ask="millimetres")]
    thickness_mm: Annotated[Floats, Column(filled=False, low=0.3, high=150, ask="millimetres")]
    chemistry: Annotated[Texts, Column(kind="text", label=True)]
    capacity_ah: Annotated[Floats, Column(low=0.1, high=500, ask="ampere-hours")]
    capacity_min_ah: Annotated[Floats, Column(low=0.1, high=500, ask="ampere-hours")]
    voltage_nominal_v: Annotated[Floats, Column(low=1, high=5, ask="volts")]
    voltage_max_v: Annotated[Floats, Column(low=1, high=5, ask="volts")]
    voltage_min_v: Annotated[Floats, Column(low=0.8, high=5, ask="volts")]
    dcir_mohm: Annotated[Floats, Column(low=0.05, high=500, ask="milliohms")]
    current_continuous_a: Annotated[Floats, Column(low=0.1, high=3000, ask="amperes")]
    current_pulse_a: Annotated[Floats, Column(low=0.1, high=6000, ask="amperes")]
    pulse_s: Annotated[Floats, Column(low=0.1, high=180, ask="seconds")]
    current_charge_a: Annotated[Floats, Column(low=0.05, high=3000, ask="amperes")]
    mass_g: Annotated[Floats, Column(low=5, high=20000, ask="grams")]
    price: Annotated[Floats, Column(zero=True, low=0.001, high=1e6, ask="whole units of the currency")]
    break_quantity: Annotated[Floats, Column("price_breaks", "text", needed=False, filled=False)]
    stock: Annotated[
        Floats, Column(needed=False, filled=False, zero=True, whole=True, high=1e9, ask="cells", default=np.inf)
    ]
    temp_min_c: Annotated[Floats, Column(signed=True, low=-80, high=40, ask="degrees Celsius")]
    temp_max_c: Annotated[Floats, Column(signed=True, low=15, high=110, ask="degrees Celsius")]
    curve: Annotated[NDArray[np.int64], Column("ocv", "text", needed=False, filled=False)]
    fit: Annotated[NDArray[np.int64], Column("model", "text", needed=False, filled=False)]
    tolerance_mm: Annotated[
        Floats, Column(needed=False, filled=False, zero=True, low=0.005, high=5, ask="millimetres", default=0.0)
    ]
    # Below it a cell takes no charge; left out, the chemistry's own limits stand.
    charge_temp_min_c: Annotated[
        Floats, Column(needed=False, filled=False, signed=True, low=-80, high=40, ask="degrees Celsius", default=-80.0)
    ]
    # "0:0.1;10:0.5": from 0 °C on at most 0.1C, from 10 °C on 0.5C, below none; the first is NaN where a row has none,
    # others are padded with infinity.
    charge_from_c: Annotated[Floats, Column("charge_limits", "text", needed=False, filled=False)]
    # Terminals; left out, those usual for the shape (fit.region.geometry.terminals_of).
    terminal_layout: Annotated[Texts, Column(kind="text", needed=False, filled=False, choices=("ends", "same_end"))]
    positive_diameter_mm: Annotated[Floats, Column(needed=False, filled=False, low=1, high=60, ask="millimetres")]
    terminal_mm: Annotated[Floats, Column(needed=False, filled=False, low=2, high=80, ask="millimetres")]
    terminal_spacing_mm: Annotated[Floats, Column(needed=False, filled=False, low=3, high=600, ask="millimetres")]
    vent_end: Annotated[Texts, Column(kind="text", needed=False, filled=False, choices=("terminals", "other", "none"))]
    # What stands over the metal where it is bolted (fit.region.geometry.height_over_mm): the stud over the face that
    # metal lies on, 0 for a threaded hole; washer with nut or screw head.
    stud_mm: Annotated[
        Floats, Column(needed=False, filled=False, zero=True, low=1, high=60, ask="millimetres", default=0.0)
    ]
    fastener_mm: Annotated[
        Floats, Column(needed=False, filled=False, low=0.5, high=40, ask="millimetres",
                       default=M5_NUT_MM + M5_WASHER_MM),
    ]
    # Pressure on the wide sides of a block, 0 for none, and the plates that spread it (fit.region.geometry.tied_by).
    pressure_kpa: Annotated[
        Floats, Column(needed=False, filled=False, zero=True, low=1, high=3000, ask="kilopascals")
    ]
    tie_plate_mm: Annotated[Floats, Column(needed=False, filled=False, low=0.3, high=40, ask="millimetres")]
    break_price: Floats
    charge_c_rate: Floats
    curves: tuple[OcvCurve, ...]
    own_curve: Bools
    fitted: tuple[tuple[CellModelFile, str], ...]

    def ocv_v(self, soc: Floats) -> Floats:
        """Open-circuit voltage of every cell at the given states of charge [V], shape (n, len(soc)).

        A chemistry's curve is moved so that its mean is the cell's nominal voltage: the datasheet knows the cell.
        """
        return self._by_curve(lambda curve: curve.at(soc))

    def entropy_v_per_k(self, soc: Floats) -> Floats:
        """Rise of every cell's voltage with temperature at the given states of charge [V/K], shape (n, len(soc))."""
        return self._by_curve(lambda curve: curve.entropy_v_per_k(soc))

    def _by_curve(self, values: Callable[[OcvCurve], Floats]) -> Floats:
        """Values of every cell's curve; cells that share one have it worked out once."""
        kinds = self._kinds()
        rows = {kind: row for row, kind in enumerate(kinds)}
        known = {kind: values(self.curve_of(row)) for kind, row in rows.items()}
        return np.array([known[kind] for kind in kinds])

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

    material: Annotated[Texts, Column(kind="text", choices=tuple(MATERIALS))]
    thickness_mm: Annotated[Floats, Column(low=0.03, high=5, ask="millimetres")]
    width_mm: Annotated[Floats, Column(low=1, high=1500, ask="millimetres")]
    resistivity_ohm_m: Annotated[Floats, Column(needed=False, filled=False, low=1e-8, high=1e-6, ask="ohm metres")]
    density_kg_m3: Annotated[
        Floats, Column(needed=False, filled=False, low=1000, high=25000, ask="kilograms per cubic metre")
    ]
    current_density_a_mm2: Annotated[Floats, Column(low=0.5, high=100, ask="amperes per square millimetre")]
    price_per_m: Annotated[Floats, Column(zero=True, low=0.001, high=1e5, ask="whole units of the currency")]
    form: Annotated[
        Texts, Column(kind="text", needed=False, filled=False, choices=("strip", "sheet", "busbar", "tabbed"))
    ]
    price_cut_per_m: Annotated[
        Floats, Column(needed=False, filled=False, zero=True, low=0.001, high=1e4, ask="whole units of the currency",
                       default=0.0),
    ]
    joined_by: Annotated[Texts, Column(kind="text", needed=False, filled=False)]
    # Of form "tabbed": tabs of nickel that are welded to the cells, on a sheet that carries (common practice, no
    # published source).
    tab_mm: Annotated[Floats, Column(needed=False, filled=False, low=0.03, high=1, ask="millimetres", default=0.15)]
    tab_width_mm: Annotated[Floats, Column(needed=False, filled=False, low=4, high=50, ask="millimetres", default=6.0)]
    tab_price_per_m: Annotated[
        Floats, Column(needed=False, filled=False, zero=True, low=0.001, high=1e4, ask="whole units of the currency",
                       default=1.0),
    ]
    tab_density_a_mm2: Annotated[
        Floats, Column(needed=False, filled=False, low=0.5, high=100, ask="amperes per square millimetre", default=5.0)
    ]
    # A bar over the plates at ends, joined to them between all cells; 0: none (common practice, no published source).
    collector_mm: Annotated[
        Floats, Column(needed=False, filled=False, zero=True, low=0.1, high=10, ask="millimetres", default=0.0)
    ]
    collector_width_mm: Annotated[
        Floats, Column(needed=False, filled=False, low=4, high=50, ask="millimetres", default=10.0)
    ]
    collector_material: Annotated[Texts, Column(kind="text", needed=False, filled=False, choices=tuple(MATERIALS))]
    collector_price_per_m: Annotated[
        Floats, Column(needed=False, filled=False, zero=True, low=0.001, high=1e4, ask="whole units of the currency",
                       default=3.0),
    ]
    collector_density_a_mm2: Annotated[
        Floats, Column(needed=False, filled=False, low=0.5, high=100, ask="amperes per square millimetre", default=12.0)
    ]


@dataclass(frozen=True, eq=False)
class Wires(Catalog):
    """Wires: one array per column."""

    area_mm2: Annotated[Floats, Column(low=0.02, high=400, ask="square millimetres")]
    resistance_ohm_per_km: Annotated[Floats, Column(low=0.03, high=2000, ask="ohms per kilometre")]
    current_a: Annotated[Floats, Column(low=0.1, high=1000, ask="amperes")]
    mass_g_per_m: Annotated[Floats, Column(low=0.2, high=6000, ask="grams per metre")]
    price_per_m: Annotated[Floats, Column(zero=True, low=0.001, high=1e5, ask="whole units of the currency")]
    insulation_temp_c: Annotated[Floats, Column(low=50, high=300, ask="degrees Celsius")]
    # Over the insulation; left out, what is usual, see parts.usual_outer_mm.
    outer_mm: Annotated[Floats, Column(needed=False, filled=False, low=0.2, high=60, ask="millimetres")]


@dataclass(frozen=True, eq=False)
class Bms(Catalog):
    """Battery management systems: one array per column; chemistries is one frozen set per row.

    path is one of BMS_PATHS, precharge "yes" or "no"; an empty cell is "common", and "no".
    """

    series_min: Annotated[NDArray[np.int64], Column(whole=True, high=500, ask="cells in series")]
    series_max: Annotated[NDArray[np.int64], Column(whole=True, high=500, ask="cells in series")]
    chemistries: Annotated[tuple[frozenset[str], ...], Column(kind="text")]
    current_continuous_a: Annotated[Floats, Column(low=0.5, high=2000, ask="amperes")]
    current_peak_a: Annotated[Floats, Column(low=0.5, high=5000, ask="amperes")]
    peak_s: Annotated[Floats, Column(low=0.001, high=300, ask="seconds")]
    current_charge_a: Annotated[Floats, Column(low=0.1, high=2000, ask="amperes")]
    voltage_max_v: Annotated[Floats, Column(low=2, high=1500, ask="volts")]
    resistance_mohm: Annotated[Floats, Column(low=0.01, high=200, ask="milliohms")]
    balance_ma: Annotated[Floats, Column(zero=True, low=5, high=20000, ask="milliamperes")]
    mass_g: Annotated[Floats, Column(low=1, high=20000, ask="grams")]
    length_mm: Annotated[Floats, Column(low=5, high=1000, ask="millimetres")]
    width_mm: Annotated[Floats, Column(low=5, high=1000, ask="millimetres")]
    height_mm: Annotated[Floats, Column(low=1, high=300, ask="millimetres")]
    price: Annotated[Floats, Column(zero=True, low=0.001, high=1e6, ask="whole units of the currency")]
    path: Annotated[Texts, Column(kind="text", needed=False, filled=False, choices=BMS_PATHS)]
    precharge: Annotated[Texts, Column(kind="text", needed=False, filled=False, choices=("yes", "no"))]

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

    current_a: Annotated[Floats, Column(low=0.5, high=3000, ask="amperes")]
    voltage_dc_v: Annotated[Floats, Column(low=5, high=1500, ask="volts")]
    resistance_mohm: Annotated[Floats, Column(low=0.005, high=200, ask="milliohms")]
    mass_g: Annotated[Floats, Column(low=0.2, high=5000, ask="grams")]
    price: Annotated[Floats, Column(zero=True, low=0.001, high=1e6, ask="whole units of the currency")]
    kind: Annotated[Texts, Column(kind="text", needed=False, filled=False, choices=tuple(GATES))]
    opens_least: Annotated[Floats, Column("points", "text", needed=False, filled=False)]
    breaking_a: Annotated[
        Floats, Column(needed=False, filled=False, low=20, high=1e6, ask="amperes", default=USUAL_BREAKING_A)
    ]
    # With its holder and terminals; left out, nothing is known of its size.
    length_mm: Annotated[Floats, Column(needed=False, filled=False, low=3, high=500, ask="millimetres")]
    width_mm: Annotated[Floats, Column(needed=False, filled=False, low=2, high=300, ask="millimetres")]
    height_mm: Annotated[Floats, Column(needed=False, filled=False, low=2, high=300, ask="millimetres")]
    opens_most: Floats


@dataclass(frozen=True, eq=False)
class Chargers(Catalog):
    """Chargers: one array per column."""

    voltage_v: Annotated[Floats, Column(low=2, high=1500, ask="volts")]
    current_a: Annotated[Floats, Column(low=0.1, high=500, ask="amperes")]
    efficiency: Annotated[Floats, Column(low=0.3, high=1, ask="a fraction")]
    mass_g: Annotated[Floats, Column(low=10, high=50000, ask="grams")]
    price: Annotated[Floats, Column(zero=True, low=0.001, high=1e6, ask="whole units of the currency")]
    # At which it ends a charge; left out, the cells do at C/20.
    taper_a: Annotated[Floats, Column(needed=False, filled=False, low=0.005, high=250, ask="amperes")]


Kind = TypeVar("Kind", bound=Catalog)


def columns_of(kind: type[Catalog]) -> tuple[Column, ...]:
    """Columns of a kind's table, in the order of its fields."""
    hints = get_type_hints(kind, include_extras=True)
    said = {item.name: getattr(hints[item.name], "__metadata__", ()) for item in fields(kind)}
    return tuple(
        replace(each, name=each.name or name) for name, found in said.items() for each in found
        if isinstance(each, Column)
    )  # fmt: skip


CELL_COLUMNS, STRIP_COLUMNS, WIRE_COLUMNS, BMS_COLUMNS, FUSE_COLUMNS, CHARGER_COLUMNS = (
    columns_of(kind) for kind in (Cells, Strips, Wires, Bms, Fuses, Chargers)
)


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
