"""Names and figures as people read them: labels of columns, units, numbers with just enough digits.

`currency` is the label of prices.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

from optimizer.base.figures import FIGURES, bounded, sided, split_name

# Column of a front that is no figure: label, unit, decimals. Money has no unit of its own; the brief names it.
COLUMNS: dict[str, tuple[str, str, int]] = {
    "rank": ("rank", "", 0),
    "merit": ("merit", "", 3),
    "design_id": ("design", "", 0),
    "cell_id": ("cell", "", 0),
    "series": ("series", "", 0),
    "parallel": ("parallel", "", 0),
    "split": ("groups per box", "", 0),
    "layout": ("layout", "", 0),
    "strip": ("strip", "", 0),
    "wire": ("wire", "", 0),
    "bms": ("BMS", "", 0),
    "fuse": ("fuse", "", 0),
    "range_stop": ("range ends by", "", 0),
    "peak_limit": ("peak limited by", "", 0),
    "unit_price": ("unit price", "", 2),
    "controller_full_v": ("controller window, full", "V", 1),
    "controller_empty_v": ("controller window, empty", "V", 1),
    "bms_full_v": ("BMS, full", "V", 1),
} | {figure.name: (figure.label, figure.sign, figure.decimals) for figure in FIGURES.values()}

# Columns that a situation has beside its figures, with their label, unit and decimals; the longest first.
IN_SITUATION = {
    "range_p10_km": ("range, one in ten below", "km", 1), "range_p90_km": ("range, one in ten above", "km", 1),
    "range_least_km": ("range, harshest published cell", "km", 1),
    "range_most_km": ("range, mildest published cell", "km", 1),
    "range_stop": ("range ends by", "", 0), "peak_limit": ("peak limited by", "", 0),
    "capacity_left_least": ("capacity left, harshest published cell", "", 3),
    "capacity_left_most": ("capacity left, mildest published cell", "", 3), "capacity_left": ("capacity left", "", 3),
}  # fmt: skip

# What the accounts of a run call things, in words.
MEANING = {
    "voltage window": "full or empty voltage outside the controller's",
    "fails whatever the layout": "cells, board and fuse alone break a limit (counted with one split)",
    "does not fit": "not that many groups fit the compartments",
    "no BMS or fuse": "no BMS of this count and chemistry, or no fuse of this voltage",
    "fuse cannot break the fault current": "the cells drive more through a short circuit than the fuse can break",
    "fuse does not protect wire or plates": "wire or plates reach their limit temperature before the fuse opens",
    "wires do not pass": "wires too thick together for the bore of a passage",
    "wires have no room": "some wire has no clear way as thick as it is and as long as it is cut (wires_have_room)",
    "regen_holds": "the pack does not bear all of regen_current_a, and the rider balances on the motor",
    "stock": "not enough of the cell to be had",
    "parts that others beat": "a strip, wire, BMS, fuse or layout that another is no worse than in anything",
    "beaten by a pack found": "even its bound is no better than a pack found before",
    "scored and feasible": "scored, and no limit against it; those that none beats are the front",
}

# Ends of names, longest first, with the unit and decimals they stand for.
ENDINGS: tuple[tuple[str, str, int], ...] = (
    ("_wh_per_km", "Wh/km", 1),
    ("_a_mm2", "A/mm²", 1),
    ("_mohm", "mΩ", 2),
    ("_kmh", "km/h", 1),
    ("_min", "min", 0),
    ("_wh", "Wh", 0),
    ("_ah", "Ah", 2),
    ("_km", "km", 1),
    ("_kg", "kg", 2),
    ("_mm2", "mm²", 2),
    ("_mm", "mm", 1),
    ("_g", "g", 0),
    ("_v", "V", 1),
    ("_w", "W", 0),
    ("_a", "A", 1),
    ("_c", "°C", 1),
    ("_h", "h", 2),
    ("_s", "s", 0),
)


def describe(column: str, *, currency: str = "") -> tuple[str, str, int]:
    """Label, unit and decimals of a column of the front; of an unknown one its name's ending tells the unit."""
    if column in COLUMNS:
        label, unit, decimals = COLUMNS[column]
        money = column == "unit_price" or (column in FIGURES and not FIGURES[column].unit)
        return label, currency if money else unit, decimals
    if column in FIGURES and not bounded(column):
        row = FIGURES[column]
        return row.label, row.sign, row.decimals
    for text, (label, unit, decimals) in IN_SITUATION.items():
        if column.startswith(f"{text}_"):
            return f"{label}, {column.removeprefix(text)[1:].replace('_', ' ')}", unit, decimals
    stem = column.removeprefix("margin_")
    prefix = "margin, " if stem != column else ""
    if stem in COLUMNS or (stem in FIGURES and not bounded(stem)):
        label, unit, decimals = describe(stem, currency=currency)
        return prefix + label, unit, decimals
    # Limits are named with _max or _min after the unit: "pack_mass_kg_max".
    base = sided(stem)[0] if bounded(stem) else stem.removesuffix("_max").removesuffix("_min")
    if base != stem and (base in COLUMNS or base in FIGURES):
        label, unit, decimals = describe(base, currency=currency)
        return f"{prefix}{label}", unit, decimals
    for ending, unit, decimals in ENDINGS:
        if stem.endswith(ending):
            return prefix + stem.removesuffix(ending).replace("_", " "), unit, decimals
    return prefix + stem.replace("_", " "), "", 3


def of_situations(columns: Iterable[object], *, view: str) -> list[str]:
    """Columns of a front that tell of situations, as far as a view (`Figure.views`) shows their figures, in order."""
    names, beside = [str(name) for name in columns], tuple(f"{text}_" for text in IN_SITUATION)
    figures = [name for name in names if split_name(name)[1] and view in FIGURES[name].views]
    return figures + [name for name in names if name.startswith(beside)]


def axis_label(column: str, *, currency: str = "") -> str:
    """Label with its unit in brackets, such as "range [km]"."""
    label, unit, _ = describe(column, currency=currency)
    return f"{label} [{unit}]" if unit else label


def number(value: object, *, decimals: int) -> str:
    """A figure in plain digits, decimal point, no grouping; a dash where there is none, and text as it is."""
    if value is None:
        return "–"
    if isinstance(value, str):
        return value
    figure = float(value)  # type: ignore[arg-type]
    if math.isnan(figure):
        return "–"
    if math.isinf(figure):
        return "∞" if figure > 0 else "-∞"
    text = f"{figure:.{decimals}f}"
    return text.lstrip("-") if float(text) == 0.0 else text


def quantity(column: str, value: object, *, currency: str = "") -> str:
    """A figure with its unit, such as "31.4 km"."""
    _, unit, decimals = describe(column, currency=currency)
    text = number(value, decimals=decimals)
    return f"{text} {unit}" if unit and text != "–" else text


def meaning(reason: str) -> str:
    """What an account of a run stands for, such as "does not fit" or "cost_max"; empty where the name says it.
    """
    limit = f"fails the limit on {describe(sided(reason)[0])[0]}" if bounded(reason) else ""
    return MEANING.get(reason, limit)
