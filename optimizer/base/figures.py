"""Every figure of a pack, told once: unit, label, sense, bands, digits, where it comes from, what it means.

Schema, score, front, tables, terminal and page read this table. A new objective or constraint is a function that
computes it (`score`) and a row here; its order is the order in which figures are shown.

A figure in a situation of the brief has the situation's name behind its own, `range_km_winter`, and the worst over the
brief's own conditions and all situations is `range_km_any`. Both tables know such names: FIGURES["range_km_winter"] is
the row of range_km under that name. A constraint on it is `range_km_min_winter`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TypeVar

Band = tuple[float, float]
T = TypeVar("T")

# What the question is put in when a value lies outside its band.
WORDS = {
    "km": "kilometres",
    "W": "watts",
    "kg": "kilograms",
    "": "whole units of the currency",
    "Wh": "watt-hours",
    "Wh/km": "watt-hours per kilometre",
    "km/h": "kilometres per hour",
    "degC": "degrees Celsius",
    "min": "minutes",
    "A": "amperes",
    "years": "years",
    "1": "a number",
}
# How people write a unit; the others are written as they are named.
SIGNS = {"degC": "°C", "mohm": "mΩ", "1": ""}


@dataclass(frozen=True, kw_only=True)
class Figure:
    """One figure of a pack.

    Parameters
    ----------
    name : str
        Column of the front, with its unit at the end.
    unit : str
        As Parquet's metadata say it; "1" for counts, "" for money, whose unit the brief names.
    label : str
        What people read.
    decimals : int
        Digits behind the point that people read.
    part : str
        Which part of the score makes it: "statics", "powers", "ride", "heat", "speed", "charge", "use"; "band" and
        "safety" where the table adds it, "row" where only a finished row has it.
    more_is_better : bool, optional
        Sense of an objective; None for a figure that can't be one.
    limit : (float, float), optional
        Plausible band of a constraint on it; None where no constraint can name it. The constraint is a least
        value where more is better, a most value where less is.
    below_zero : bool
        Whether a constraint may be zero or negative.
    step : (float, float), optional
        Plausible band of an objective's resolution.
    unproven : str
        Why a front that trades the figure off may lack rows; "" where pruning is proven.
    views : str
        Where it is shown: "t" the page's table, "f" the page's facts, "s" side by side in the terminal.
    meaning : str
        One sentence.
    """

    name: str
    unit: str
    label: str
    decimals: int
    part: str
    more_is_better: bool | None = None
    limit: Band | None = None
    below_zero: bool = False
    step: Band | None = None
    unproven: str = ""
    views: str = ""
    meaning: str

    @property
    def sign(self) -> str:
        """The unit as people write it."""
        return SIGNS.get(self.unit, self.unit)

    @property
    def constraint(self) -> str:
        """Key of the brief's constraint on it, such as "range_km_min"; "" where there is none."""
        if self.limit is None:
            return ""
        base, situation = split_name(self.name)
        return in_situation(f"{base}_{'min' if self.more_is_better else 'max'}", situation)

    @property
    def varies(self) -> bool:
        """Whether it has a value of its own in every situation: objectives that conditions change."""
        moved = self.part in ("powers", "ride", "heat", "speed", "charge") or self.name == "energy_wh"
        return self.more_is_better is not None and moved


class _Table(dict[str, T]):
    """A table by figure that knows the names of its figures in a situation, too."""

    def __contains__(self, name: object) -> bool:
        return isinstance(name, str) and (dict.__contains__(self, name) or bool(split_name(name)[1]))


class _Figures(_Table[Figure]):
    """Rows by name; a figure in a situation has the figure's row under that name."""

    def __missing__(self, name: str) -> Figure:
        base, situation = split_name(name)
        if not situation:
            raise KeyError(name)
        row, worst = self[base], situation == ANY
        words = "worst" if worst else situation.replace("_", " ")
        meaning = f"{row.meaning}, {'the worst of all situations' if worst else f'in {situation}'}"
        return replace(row, name=name, label=f"{row.label}, {words}", meaning=meaning)


class _Senses(_Table[bool]):
    """Whether more is better, by objective."""

    def __missing__(self, name: str) -> bool:
        base, situation = split_name(name)
        if not situation:
            raise KeyError(name)
        return self[base]


# Stands in a name for the worst over the brief's own conditions and all situations.
ANY = "any"


_POWER: Band = (5.0, 1e6)
_POWER_STEP: Band = (1e-4, 1e5)

FIGURES: dict[str, Figure] = _Figures({
    figure.name: figure
    for figure in (
        Figure(
            name="range_km", unit="km", label="range", decimals=1, part="ride", more_is_better=True,
            limit=(0.05, 5000), step=(1e-6, 500), views="tfs",
            meaning="range of the ride, repeated from the start's state of charge until something ends it",
        ),
        *(
            Figure(
                name=f"range_km_{end}", unit="km", label=f"range, {words}", decimals=1, part="band", views="fs",
                meaning=f"range that one pack in ten stays {side}, by [spread] and the cell model's error",
            )
            for end, words, side in (("p10", "one in ten below", "under"), ("p90", "one in ten above", "over"))
        ),
        Figure(
            name="peak_power_w", unit="W", label="peak power", decimals=0, part="powers", more_is_better=True,
            limit=_POWER, step=_POWER_STEP, views="tfs",
            meaning="peak power at the reference state of charge",
        ),
        Figure(
            name="peak_low_w", unit="W", label="peak power, low SoC", decimals=0, part="powers", more_is_better=True,
            limit=_POWER, step=_POWER_STEP, views="ts",
            meaning="peak power at low state of charge",
        ),
        Figure(
            name="continuous_power_w", unit="W", label="continuous power", decimals=0, part="powers",
            more_is_better=True, limit=_POWER, step=_POWER_STEP, views="tfs",
            meaning="power that cells, strip, wire, fuse and BMS bear without end",
        ),
        Figure(
            name="pack_mass_kg", unit="kg", label="pack mass", decimals=2, part="statics", more_is_better=False,
            limit=(0.05, 2000), step=(1e-6, 100), views="tfs",
            meaning="mass of the whole pack",
        ),
        Figure(
            name="cost", unit="", label="cost", decimals=2, part="statics", more_is_better=False,
            limit=(0.01, 1e9), step=(1e-6, 1e7), views="tfs",
            meaning="cost of the whole pack",
        ),
        Figure(
            name="energy_wh", unit="Wh", label="energy", decimals=0, part="statics", more_is_better=True,
            limit=(1, 1e6), step=(1e-4, 1e5), views="tfs",
            meaning="energy of the pack from full to empty",
        ),
        Figure(
            name="consumption_wh_per_km", unit="Wh/km", label="consumption", decimals=1, part="ride",
            more_is_better=False, step=(1e-6, 100), views="ts",
            unproven="a pack that stops early, or brakes into more resistance, may use less per kilometre",
            meaning="energy that the pack gives for each kilometre of the ride",
        ),
        Figure(
            name="voltage_full_v", unit="V", label="full voltage", decimals=1, part="statics", views="tfs",
            meaning="voltage of the full pack at rest",
        ),
        Figure(
            name="voltage_nominal_v", unit="V", label="nominal voltage", decimals=1, part="statics", views="f",
            meaning="the cells' nominal voltage in series",
        ),
        Figure(
            name="voltage_empty_v", unit="V", label="empty voltage", decimals=1, part="statics",
            meaning="voltage of the pack with its cells at their cut-off",
        ),
        Figure(
            name="resistance_mohm", unit="mohm", label="resistance", decimals=1, part="statics", views="tfs",
            meaning="resistance of the pack in a peak at the reference state of charge",
        ),
        Figure(
            name="peak_current_a", unit="A", label="peak current", decimals=1, part="powers",
            meaning="battery current at peak power",
        ),
        Figure(
            name="continuous_current_a", unit="A", label="continuous current", decimals=1, part="powers",
            meaning="battery current at continuous power",
        ),
        Figure(
            name="hot_cell_end_c", unit="degC", label="hottest cell, ride's end", decimals=1, part="heat",
            more_is_better=False, limit=(-20, 110), below_zero=True, step=(1e-4, 50), views="tfs",
            meaning="temperature of the hottest cell when the ride has used the charge down to the reserve",
        ),
        Figure(
            name="hot_cell_endless_c", unit="degC", label="hottest cell, endless ride", decimals=1, part="heat",
            more_is_better=False, limit=(20, 110), below_zero=True, step=(1e-4, 50), views="tfs",
            meaning="temperature of the hottest cell in a ride that is repeated without end",
        ),
        Figure(
            name="speed_headroom_kmh", unit="km/h", label="speed headroom", decimals=1, part="speed",
            more_is_better=True, limit=(-100, 200), below_zero=True, step=(1e-4, 50), views="tfs",
            meaning="headroom in speed under load at low state of charge",
        ),
        Figure(
            name="speed_full_kmh", unit="km/h", label="speed full", decimals=1, part="speed",
            meaning="speed at which the full pack runs out of voltage under the ride's load",
        ),
        Figure(
            name="speed_reference_kmh", unit="km/h", label="speed reference", decimals=1, part="speed",
            meaning="the same at the reference state of charge",
        ),
        Figure(
            name="speed_reserve_kmh", unit="km/h", label="speed reserve", decimals=1, part="speed",
            meaning="the same at the reserve",
        ),
        Figure(
            name="charge_80_min", unit="min", label="charge 80", decimals=0, part="charge",
            meaning="time for a charge from the reserve to 80 %, at charge_temp_c",
        ),
        Figure(
            name="charge_min", unit="min", label="charge time", decimals=0, part="charge", more_is_better=False,
            limit=(3, 6000), step=(1e-4, 1000), views="tfs",
            meaning="time for a full charge, at charge_temp_c",
        ),
        Figure(
            name="hot_cell_charge_c", unit="degC", label="hottest cell, charge", decimals=1, part="charge",
            more_is_better=False, limit=(25, 110), step=(1e-4, 50), views="tfs",
            meaning="temperature that the hottest cell reaches in a charge from the reserve at charge_temp_c, by the "
            "strongest charger that its cells bear, its current kept to the end",
        ),
        Figure(
            name="regen_limit_a", unit="A", label="most regeneration", decimals=1, part="powers", more_is_better=True,
            limit=(0.1, 5000), step=(1e-4, 500), views="tfs",
            meaning="most that braking may return: as asked, or what cells in the cold, BMS, fuse and wires bear",
        ),
        Figure(
            name="regen_free_soc", unit="1", label="full braking is free below", decimals=2, part="safety",
            meaning="highest state of charge at which the cells take that without passing their full voltage",
        ),
        Figure(
            name="fault_current_a", unit="A", label="current of a short circuit", decimals=0, part="safety",
            meaning="current of the full pack through a short circuit at the controller",
        ),
        Figure(
            name="fuse_opens_s", unit="s", label="fuse opens a short within", decimals=3, part="safety",
            meaning="longest time until the fuse opens that short circuit",
        ),
        Figure(
            name="life_years", unit="years", label="life to 80 %", decimals=1, part="use", more_is_better=True,
            limit=(0.05, 30), step=(1e-4, 10), views="tfs",
            meaning="years until 80 % of the capacity is left, by [use] and the middle of published cells; 30 at most, "
            "beyond which no cell is trusted",
        ),
        Figure(
            name="life_years_least", unit="years", label="life, harshest published cell", decimals=1, part="use",
            views="f", meaning="the same by the published cell that fades most",
        ),
        Figure(
            name="life_years_most", unit="years", label="life, mildest published cell", decimals=1, part="use",
            views="f", meaning="the same by the published cell that fades least",
        ),
        Figure(
            name="life_km", unit="km", label="distance to 80 %", decimals=0, part="use", more_is_better=True,
            limit=(1, 1e7), step=(1e-3, 1e6), views="tfs",
            meaning="distance ridden until 80 % of the capacity is left",
        ),
        Figure(
            name="life_range_years", unit="years", label="life to the least range", decimals=1, part="use", views="tfs",
            meaning="years until the range is under range_km_min, by [use] and the middle of published cells; 30 at "
            "most, beyond which no cell is trusted",
        ),
        Figure(
            name="life_range_km", unit="km", label="distance to the least range", decimals=0, part="use", views="fs",
            meaning="distance ridden until the range is under range_km_min",
        ),
        Figure(
            name="cost_per_1000_km", unit="", label="cost per 1,000 km", decimals=2, part="use", more_is_better=False,
            limit=(0.01, 1e8), step=(1e-6, 1e6), views="tfs",
            meaning="pack and energy for each 1,000 km until 80 % of the capacity is left",
        ),
        *(
            Figure(
                name=name, unit=unit, label=label, decimals=decimals, part="statics", more_is_better=False, limit=limit,
                below_zero=name == "folds", step=(1e-3, 1e4), views="tfs", meaning=meaning,
            )
            for name, unit, label, decimals, limit, meaning in (
                ("pieces", "1", "pieces of metal", 0, (1, 1e5), "pieces of metal that join the cells, layers counted"),
                ("distinct_pieces", "1", "distinct pieces", 0, (1, 1e4),
                 "shapes of pieces that differ, compartment by compartment"),
                ("distinct_plates", "1", "distinct plates", 0, (1, 1e4),
                 "shapes of plates that differ, compartment by compartment"),
                ("welds", "1", "welds", 0, (1, 1e6), "places where metal is joined to a cell, layers counted"),
                ("folds", "1", "folds", 0, (1, 1e4), "folds in joints between layers"),
                ("build_min", "min", "building time", 0, (1, 1e6),
                 "time for welds, pieces, folds, leads and cases, by the times of [joining]"),
            )
        ),
        Figure(
            name="cell_count", unit="1", label="cells", decimals=0, part="row",
            meaning="number of cells in the pack",
        ),
        Figure(
            name="crossing_conductors", unit="1", label="wires between boxes", decimals=0, part="row", views="s",
            meaning="number of wires that run from one compartment to another",
        ),
        Figure(
            name="margin_controller_full_v", unit="V", label="margin, controller window, full", decimals=1, part="row",
            meaning="how far the full pack lies below the controller's highest voltage",
        ),
        Figure(
            name="margin_controller_empty_v", unit="V", label="margin, controller window, empty", decimals=1,
            part="row", meaning="how far the empty pack lies above the controller's lowest voltage",
        ),
        Figure(
            name="margin_bms_full_v", unit="V", label="margin, BMS, full", decimals=1, part="row",
            meaning="how far the full pack lies below the highest voltage of its BMS",
        ),
    )
})  # fmt: skip

# Objectives that a brief may choose and whether more is better.
OBJECTIVES: dict[str, bool] = _Senses({
    figure.name: figure.more_is_better for figure in FIGURES.values() if figure.more_is_better is not None
})  # fmt: skip


def made_by(part: str) -> frozenset[str]:
    """Names of the figures that one part of the score makes."""
    return frozenset(figure.name for figure in FIGURES.values() if figure.part == part)


def shown_in(view: str) -> tuple[str, ...]:
    """Names of the figures that a view shows, in order; views are letters, see `Figure`."""
    return tuple(figure.name for figure in FIGURES.values() if view in figure.views)


@lru_cache(maxsize=4096)
def split_name(name: str) -> tuple[str, str]:
    """A figure's name and the situation in it; "" for the brief's own conditions.

    >>> split_name("range_km_winter"), split_name("range_km"), split_name("cost_winter")
    (('range_km', 'winter'), ('range_km', ''), ('cost_winter', ''))
    """
    if not dict.__contains__(FIGURES, name):
        for base in VARYING:
            if name.startswith(f"{base}_") and len(name) > len(base) + 1:
                return base, name[len(base) + 1 :]
    return name, ""


def in_situation(name: str, situation: str) -> str:
    """The name of a figure or constraint in a situation; as it is where that is ""."""
    return f"{name}_{situation}" if situation else name


@lru_cache(maxsize=4096)
def bound_of(constraint: str) -> tuple[str, str] | None:
    """Figure that a constraint is on, and its side; None where no constraint has that name."""
    if constraint in BOUNDS:
        return BOUNDS[constraint].name, constraint.rsplit("_", 1)[1]
    for key, figure in BOUNDS.items():
        if figure.varies and constraint.startswith(f"{key}_") and len(constraint) > len(key) + 1:
            return f"{figure.name}{constraint[len(key) :]}", key.rsplit("_", 1)[1]
    return None


def sided(constraint: str) -> tuple[str, str]:
    """Figure that a constraint is on, and its side; of an unknown one by its last underscore.

    >>> sided("range_km_min"), sided("range_km_min_winter"), sided("charge_min_max_any")
    (('range_km', 'min'), ('range_km_winter', 'min'), ('charge_min_any', 'max'))
    """
    figure_name, _, side = constraint.rpartition("_")
    return bound_of(constraint) or (figure_name, side)


def bounded(constraint: str) -> Figure | None:
    """Row of the figure that a constraint is on; None where no constraint has that name."""
    found = bound_of(constraint)
    return None if found is None else FIGURES[found[0]]


# Figures that situations change, the longest name first, and constraints by key.
VARYING = sorted((figure.name for figure in FIGURES.values() if figure.varies), key=len, reverse=True)
BOUNDS = {figure.constraint: figure for figure in FIGURES.values() if figure.limit}
