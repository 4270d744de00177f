"""[[situation]]: sets of conditions in which every pack is judged beside the brief's own."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Annotated, Any, Protocol

from pydantic import ConfigDict, Field

from optimizer.base.figures import ANY, BOUNDS, VARYING, bounded, in_situation, made_by, sided, split_name
from optimizer.base.problems import nearest
from optimizer.brief.faults import Loc, show
from optimizer.brief.kinds import Efficiency, Fraction, Name, NotNegative, Number, Positive, Section, Text, Title

if TYPE_CHECKING:
    from optimizer.brief.schema import Brief


# Figures that need [use].
USE_FIGURES = made_by("use")

SITUATION_NAME = r"^[A-Za-z0-9_]+$"


class Use(Section):
    """[use]: how a pack is used over years, for fade, life and cost; fade is that of published cells."""

    rides_per_week: Annotated[Number, Field(gt=0, le=200)]
    """Number of rides in a week; the pack is charged after each."""
    ride_km: Positive | None = None
    """Length of one ride [km]; left out: the trace, or length_km of a steady cruise."""
    charge_to_soc: Annotated[Number, Field(ge=0.2, le=1)] = 1.0
    """State of charge to which it is charged and at which it rests, 0 to 1; 1: full."""
    storage_temp_c: Number = 20.0
    """Mean temperature of the cells over the year [°C]."""
    energy_price_per_kwh: NotNegative = 0.3
    """Price of energy from the socket [currency/kWh]."""
    charger_efficiency: Efficiency = 0.88
    """Share of the socket's energy that arrives in the pack, 0 to 1; default: common practice for small chargers."""


class Situation(Section):
    """[[situation]]: conditions that differ from the brief's own; what is left out is the brief's own."""

    name: Annotated[Text, Field(pattern=SITUATION_NAME, max_length=40)]
    """Ending of the situation's figures, letters, digits and underscores, such as "winter" for range_km_winter."""
    title: Title = ""
    """Name for people; empty: the name."""
    temp_c: Number | None = None
    """Temperature of the air, and of the cells unless start_temp_c is given [°C]; left out: the brief's own."""
    start_temp_c: Number | None = None
    """Temperature of the cells when the ride starts and for peak and continuous power, as out of a shed [°C]; braking
    is bounded by the colder of it and the air; left out: temp_c."""
    trace: Name | None = None
    """Table of another ride, its path relative to the brief; left out: the brief's own ride."""
    speed_kmh: Positive | None = None
    """Speed of a steady cruise in place of the brief's ride [km/h]; left out: the brief's own ride."""
    grade_pct: Number | None = None
    """Slope of a steady cruise [%]; left out: the brief's own."""
    rider_kg: NotNegative | None = None
    """Mass of the rider with clothes [kg]; left out: the brief's own."""
    payload_kg: NotNegative | None = None
    """Mass of what is carried besides [kg]; left out: the brief's own."""
    headwind_kmh: NotNegative | None = None
    """Wind against the ride [km/h]; left out: the brief's own."""
    charge_temp_c: Number | None = None
    """Temperature of the air, and of the cells when a charge begins [°C]; left out: the brief's own."""
    sun_w_m2: NotNegative | None = None
    """Sunlight on a surface that faces it [W/m²]; left out: the brief's own."""
    start_soc: Fraction | None = None
    """State of charge at the start, 0 to 1; left out: the brief's own."""
    reserve_soc: Fraction | None = None
    """State of charge at which the range ends, 0 to 1; left out: the brief's own."""
    years: Annotated[Number, Field(ge=0, le=30)] = 0.0
    """Age of the pack, used as [use] says [years]; 0: new."""


# Keys of a situation by the section of the brief that they stand for.
OVERRIDES = {
    "vehicle": ("rider_kg", "payload_kg"),
    "electrical": ("charge_temp_c",),
    "thermal": ("sun_w_m2",),
    "ride": ("temp_c", "trace", "speed_kmh", "grade_pct", "headwind_kmh", "start_soc", "reserve_soc"),
}


def brief_in(brief: Brief, situation: Situation) -> Brief:
    """The brief with a situation's conditions in the place of its own, and no situations."""
    update: dict[str, Any] = {"situation": ()}
    for section, keys in OVERRIDES.items():
        given = {key: getattr(situation, key) for key in keys if getattr(situation, key) is not None}
        if "trace" in given:
            given["speed_kmh"] = None
        elif "speed_kmh" in given:
            given["trace"] = None
        update[section] = getattr(brief, section).model_copy(update=given)
    cells_c = situation.temp_c if situation.start_temp_c is None else situation.start_temp_c
    if cells_c is not None:
        assert brief.electrical is not None
        update["electrical"] = update["electrical"].model_copy(update={"temp_c": cells_c})
    return brief.model_copy(update=update)


class Complain(Protocol):
    """Takes note of a problem at a place of the brief."""

    def __call__(self, code: str, loc: Loc, expected: str, found: str = "") -> None:
        """As RuleChecks.complain."""


def situation_faults(data: Mapping[str, Any], complain: Complain) -> None:
    """What is wrong with situations, and with constraints and objectives that name them, in a parsed brief."""
    names = _names(data, complain)
    _years(data, complain)
    _constraints(_table(data.get("constraints")), [*names, ANY] if names else [], complain)
    aims = _table(data.get("objectives"))
    use = aims.get("use")
    for key, used in (("use", use if isinstance(use, list) else []), ("resolution", _table(aims.get("resolution")))):
        for name in used:
            situation = split_name(name)[1] if isinstance(name, str) else ""
            if situation and situation not in ([*names, ANY] if names else ()):
                complain("unknown-situation", ("objectives", key), _known(situation, names), show(name))
    ride = _table(data.get("ride"))
    for at, item in enumerate(_items(data.get("situation"))):
        if "trace" in item and ("speed_kmh" in item or "grade_pct" in item):
            expected = "and speed_kmh, grade_pct exclude each other: a trace, or a steady cruise"
            complain("conflict", ("situation", at, "trace"), expected)
        if "grade_pct" in item and "speed_kmh" not in item and "trace" in ride:
            expected = "needs speed_kmh: the brief rides a trace"
            complain("conflict", ("situation", at, "grade_pct"), expected)
        low = item.get("reserve_soc", ride.get("reserve_soc", 0.1))
        high = item.get("start_soc", ride.get("start_soc", 1.0))
        given = next((key for key in ("reserve_soc", "start_soc") if key in item), "")
        if given and all(isinstance(each, int | float) for each in (low, high)) and low >= high:
            expected = f"leaves nothing to ride: from {high:g} down to {low:g}"
            complain("soc-order", ("situation", at, given), expected, show(item[given]))


def _names(data: Mapping[str, Any], complain: Complain) -> list[str]:
    names: list[str] = []
    for at, item in enumerate(_items(data.get("situation"))):
        name = item.get("name")
        if not isinstance(name, str):
            continue
        if name in names:
            complain("duplicate-name", ("situation", at, "name"), "must be unique", show(name))
        if name == ANY or name.split("_")[0] in ("min", "max"):
            expected = f"must be another name: {ANY} stands for the worst of all situations, min and max begin limits"
            complain("bad-name", ("situation", at, "name"), expected, show(name))
        names.append(name)
    return names


def _years(data: Mapping[str, Any], complain: Complain) -> None:
    """Years and figures of use need [use], and exclude factors set by hand."""
    ages = [at for at, item in enumerate(_items(data.get("situation"))) if item.get("years")]
    if "use" not in data:
        for at in ages:
            complain("missing-section", ("situation", at, "years"), "needs [use]: how the pack is used over the years")
        aims = _table(data.get("objectives")).get("use")
        for name in [*(aims if isinstance(aims, list) else []), *_table(data.get("constraints"))]:
            if isinstance(name, str) and (name in USE_FIGURES or sided(name)[0] in USE_FIGURES):
                complain("missing-section", ("use",), f"is missing: {name} needs [use]")
    elif ages and any(value != 1.0 for value in _table(data.get("ageing")).values()):
        expected = "and [ageing] exclude each other: fade by published cells, or factors of your own"
        complain("conflict", ("situation", ages[0], "years"), expected)


def _constraints(section: Mapping[str, Any], names: list[str], complain: Complain) -> None:
    """Keys that the schema leaves to us: constraints in a situation."""
    for key, value in section.items():
        loc: Loc = ("constraints", key)
        figure = bounded(key)
        if key in BOUNDS:
            continue
        if figure is None:
            known = [*BOUNDS, *(f"{bound}_{name}" for bound, row in BOUNDS.items() if row.varies for name in names)]
            same = next((bound for bound in BOUNDS for name in names if key == f"{bound}_{name}"), "")
            near = same or nearest(key, known)
            hint = f'; is "{near}" meant?' if near else f"; known here: {', '.join(BOUNDS)}"
            hint += " It is the same in all situations" if same else ""
            found = "" if isinstance(value, dict | list) else show(value)
            complain("unknown-key", loc, f"is no known key{hint}", found)
            continue
        situation = split_name(sided(key)[0])[1]
        if situation not in names:
            complain("unknown-situation", loc, _known(situation, names[:-1]), show(value))
        elif isinstance(value, bool) or not isinstance(value, int | float):
            complain("wrong-type", loc, "must be a number", show(value))
        elif value != value or abs(value) == float("inf"):
            complain("not-finite", loc, "must be a finite number", show(value))
        elif not figure.below_zero and value <= 0:
            complain("not-positive", loc, "must be > 0", show(value))


def _known(situation: str, names: list[str]) -> str:
    if not names:
        return f"names a situation, {situation}, and the brief has no [[situation]]"
    near = nearest(situation, [*names, ANY])
    hint = f'; is "{near}" meant?' if near else ""
    there = ", ".join(dict.fromkeys(names))
    return f"names no situation of the brief{hint}; there are {there}, and {ANY} for the worst of all"


def extra_constraints() -> dict[str, Any]:
    """What JSON Schema says of constraints in situations: their names by pattern."""
    patterns: dict[str, Any] = {}
    for figure in BOUNDS.values():
        if figure.name in VARYING:
            least = {} if figure.below_zero else {"exclusiveMinimum": 0}
            text = f"The same in a situation of the brief, by its name, or in the worst of all ({ANY})."
            pattern = f"^{in_situation(figure.constraint, '[A-Za-z0-9_]+')}$"
            patterns[pattern] = {"type": "number", **least, "description": text}
    return {"additionalProperties": False, "patternProperties": patterns}


class ConstraintsOfAll(Section):
    """Constraints in situations are keys beside those of the schema, which `situation_faults` checks."""

    model_config = ConfigDict(extra="allow", json_schema_extra=extra_constraints())


def _table(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, dict) else {}


def _items(value: Any) -> list[Mapping[str, Any]]:
    return [item if isinstance(item, dict) else {} for item in value] if isinstance(value, list) else []
