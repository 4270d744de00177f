"""The brief in sentences, so that a reader of the report knows what was asked."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from optimizer.base.figures import sided
from optimizer.review.words import describe, quantity

Section = Mapping[str, Any]

SIDES = ("length_mm", "width_mm", "height_mm", "depth_mm")


def joined(parts: Sequence[str]) -> str:
    """Words in a row: "a", "a and b", "a, b and c"."""
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} and {parts[-1]}"


def _compartment_words(compartment: Section) -> str:
    """A compartment with its size, such as "stem (box, 310 × 62 × 62 mm)"."""
    ranges = [f"{name} {low:g} to {high:g} mm" for name, low, high in free_words(compartment)]
    if ranges:
        fixed = [f"{name[:-3]} {value:g} mm" for name, value in compartment.items() if name in SIDES and _plain(value)]
        size = f"{compartment.get('shape', 'box')} to be chosen, {joined([*ranges, *fixed])}"
    elif compartment.get("shape") == "prism":
        profile = compartment["profile_mm"]
        wide = max(p[0] for p in profile) - min(p[0] for p in profile)
        high = max(p[1] for p in profile) - min(p[1] for p in profile)
        size = f"prism of {len(profile)} corners, {wide:g} × {high:g} mm, {compartment['depth_mm']:g} mm deep"
    elif compartment.get("shape") == "solid":
        size = f"solid of {compartment['solid']}"
    else:
        size = " × ".join(f"{compartment[k]:g}" for k in ("length_mm", "width_mm", "height_mm")) + " mm"
        size = f"box, {size}"
    out = len(compartment.get("keep_out") or ())
    less = f", less {out} keep-out{'s' if out != 1 else ''}" if out else ""
    return f"{compartment['name']} ({size}{less})"


def _plain(value: Any) -> bool:
    return isinstance(value, int | float)


def free_words(part: Any, *, key: str = "") -> list[tuple[str, float, float]]:
    """Name, least and largest value [mm] of every range in a part of a brief.

    >>> free_words({"length_mm": {"min": 80, "max": 120}, "width_mm": 60})
    [('length', 80, 120)]
    """
    if isinstance(part, Mapping):
        if {"min", "max"} <= set(part):
            name = str(part.get("name") or key).removesuffix("_mm").replace("_", " ")
            return [(name, part["min"], part["max"])]
        return [found for name, inner in part.items() for found in free_words(inner, key=str(name))]
    if isinstance(part, list | tuple):
        return [found for inner in part for found in free_words(inner, key=key)]
    return []


def _limit_words(name: str, value: Any, *, currency: str = "") -> str:
    """A limit by its key of the brief's constraints, such as "range at least 25.0 km"."""
    base, side = sided(name)
    base = {"peak_low_power_w": "peak_low_w"}.get(base, base)
    kind = "at least" if side == "min" else "at most"
    return f"{describe(base)[0]} {kind} {quantity(base, value, currency=currency)}"


def brief_sentences(brief: Section) -> list[str]:
    """What was asked, in words, of a brief as run.json keeps it; sections that it leaves out are left out here."""
    currency = str(brief.get("currency", ""))
    boxes = [_compartment_words(c) for c in brief.get("compartment") or ()]
    found = []
    if boxes:
        found.append(f"The battery must fit into {joined(boxes)}.")
    found += _electrical(brief.get("electrical"))
    found += _ride(brief.get("vehicle"), brief.get("ride"))
    found += [f"Situation {situation_words(each)}." for each in brief.get("situation") or ()]
    limits = {k: v for k, v in (brief.get("constraints") or {}).items() if v is not None}
    if limits:
        words = [_limit_words(k, v, currency=currency) for k, v in limits.items()]
        found.append(f"Limits: {joined(words)}.")
    use = (brief.get("objectives") or {}).get("use")
    if use:
        found.append(f"Wanted: the best trade-offs of {joined([describe(name)[0] for name in use])}.")
    return found


def both_sentences(briefs: Mapping[str, Section]) -> list[str]:
    """What one or two briefs ask, by label: what all do once, then what one alone does, such as "B: Situation …".

    >>> one, other = {"objectives": {"use": ["cost"]}}, {"objectives": {"use": ["range_km"]}}
    >>> both_sentences({"A": one, "B": one}), both_sentences({"A": one, "B": other})[1]
    (['Wanted: the best trade-offs of cost.'], 'B: Wanted: the best trade-offs of range.')
    """
    told = {label: brief_sentences(brief) for label, brief in briefs.items()}
    common = [text for text in next(iter(told.values())) if all(text in each for each in told.values())]
    own = [f"{label}: {text}" for label, each in told.items() for text in each if text not in common]
    return common + own


def situation_words(situation: Section) -> str:
    """A situation in words, such as "winter (a frosty morning): air −5 °C, 3 years old"."""
    says = {
        "temp_c": "air {} °C", "start_temp_c": "cells {} °C", "trace": "the ride in {}",
        "speed_kmh": "a steady {} km/h", "grade_pct": "{} % grade", "headwind_kmh": "{} km/h of headwind",
        "rider_kg": "rider {} kg", "payload_kg": "load {} kg", "start_soc": "from {:.0%} of charge",
        "reserve_soc": "down to {:.0%} of charge",
    }  # fmt: skip
    given = {key: value for key, value in situation.items() if value is not None}
    words = [
        text.format(short(given[key]) if "{}" in text else given[key]) for key, text in says.items() if key in given
    ]
    words += [f"{situation['years']:g} years old"] if situation.get("years") else []
    title = f" ({situation['title']})" if situation.get("title") else ""
    return f"{situation['name']}{title}: {', '.join(words) or 'as the brief'}"


def short(value: object) -> str:
    """A figure in few digits with a true minus sign; a text as it is.

    >>> short(-5.0), short("hills.csv")
    ('−5', 'hills.csv')
    """
    return value if isinstance(value, str) else f"{value:g}".replace("-", "−")


def _electrical(section: Section | None) -> list[str]:
    if not section:
        return []
    regen = section.get("regen_current_a") or 0.0
    back = f" and takes back {regen:g} A" if regen else ""
    return [
        f"The pack must stay between {section['voltage_min_v']:g} V when empty and "
        f"{section['voltage_max_v']:g} V when full; the controller draws up to "
        f"{section['battery_current_a']:g} A{back}."
    ]


def _ride(vehicle: Section | None, ride: Section | None) -> list[str]:
    if not vehicle or not ride:
        return []
    mass = float(vehicle["mass_kg"]) + float(vehicle["rider_kg"]) + float(vehicle.get("payload_kg") or 0.0)
    if ride.get("trace"):
        way = f"the ride in {ride['trace']}, repeated"
    else:
        way = f"a steady {ride['speed_kmh']:g} km/h at {short(ride.get('grade_pct') or 0.0)} % grade"
    start, reserve = float(ride.get("start_soc", 1.0)), float(ride.get("reserve_soc", 0.1))
    return [
        f"Vehicle, rider and load weigh {mass:g} kg without the pack. Range is counted on {way}, from "
        f"{start:.0%} to {reserve:.0%} of charge at {short(ride.get('temp_c', 25.0))} °C."
    ]
