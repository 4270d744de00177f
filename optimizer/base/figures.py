"""Every figure of a pack, told once: unit, label, sense, bands, digits, where it comes from, what it means.

Schema, score, front, tables, terminal and page read this table. A new objective or constraint is a function that
computes it (`score`) and a row here; its order is the order in which figures are shown.
"""

from __future__ import annotations

from dataclasses import dataclass

Band = tuple[float, float]

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
        Which part of the score makes it: "statics", "powers", "ride", "heat", "speed", "charge"; "safety" where the
        table adds it, "row" where only
        a finished row has it.
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
        return f"{self.name}_{'min' if self.more_is_better else 'max'}"


_POWER: Band = (5.0, 1e6)
_POWER_STEP: Band = (1e-4, 1e5)

FIGURES: dict[str, Figure] = {
    figure.name: figure
    for figure in (
        Figure(
            name="range_km", unit="km", label="range", decimals=1, part="ride", more_is_better=True,
            limit=(0.05, 5000), step=(1e-6, 500), views="tfs",
            meaning="range of the ride, repeated from the start's state of charge until something ends it",
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
            meaning="continuous power",
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
            name="hot_cell_c", unit="degC", label="hottest cell, endless ride", decimals=1, part="heat",
            more_is_better=False, limit=(20, 110), below_zero=True, step=(1e-4, 50), views="tfs",
            meaning="temperature of the hottest cell in a ride that goes on and on",
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
            meaning="time for a charge from the reserve to 80 %",
        ),
        Figure(
            name="charge_min", unit="min", label="charge time", decimals=0, part="charge", more_is_better=False,
            limit=(3, 6000), step=(1e-4, 1000), views="tfs",
            meaning="time for a full charge",
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
}  # fmt: skip

# Objectives that a brief may choose and whether more is better.
OBJECTIVES: dict[str, bool] = {
    figure.name: figure.more_is_better for figure in FIGURES.values() if figure.more_is_better is not None
}


def made_by(part: str) -> frozenset[str]:
    """Names of the figures that one part of the score makes."""
    return frozenset(figure.name for figure in FIGURES.values() if figure.part == part)


def shown_in(view: str) -> tuple[str, ...]:
    """Names of the figures that a view shows, in order; views are letters, see `Figure`."""
    return tuple(figure.name for figure in FIGURES.values() if view in figure.views)
