"""Faults of a brief in words: errors of the schema become problems with line numbers."""

from __future__ import annotations

import re
import reprlib
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from pydantic import BaseModel

from optimizer.base.problems import Problem, nearest

Loc = tuple[str | int, ...]

SHORT = reprlib.Repr()
SHORT.maxstring = SHORT.maxother = SHORT.maxlong = 60

MOST = 200  # faults told one by one; a file with more of them is another kind of file

UNITS = (
    ("_rpm_per_v", "revolutions per minute and volt"),
    ("_kg_m3", "kilograms per cubic metre"),
    ("price_per_kg", "the currency per kilogram"),
    ("_g_per_cell", "grams per cell"),
    ("_w_m_k", "watts per metre and kelvin"),
    ("_w_m2", "watts per square metre"),
    ("_mohm", "milliohms"),
    ("_kmh", "kilometres per hour"),
    ("_pct", "percent"),
    ("_deg", "degrees"),
    ("_m2", "square metres"),
    ("_mm", "millimetres"),
    ("_km", "kilometres"),
    ("_kg", "kilograms"),
    ("_wh", "watt-hours"),
    ("_soc", "state of charge, 0 to 1"),
    ("_a", "amperes"),
    ("_c", "degrees Celsius"),
    ("_g", "grams"),
    ("_h", "hours"),
    ("_m", "metres"),
    ("_v", "volts"),
    ("_w", "watts"),
    ("_min", "minutes"),
    ("seconds", "seconds"),
)
# Pydantic's kind of fault → our code and what is expected; {…} is filled from its context.
KINDS = {
    "missing": ("missing-key", "is missing"),
    "extra_forbidden": ("unknown-key", "is no known key"),
    "finite_number": ("not-finite", "must be a finite number"),
    "greater_than_equal": ("out-of-range", "must be ≥ {ge:g}"),
    "less_than_equal": ("out-of-range", "must be ≤ {le:g}"),
    "float_type": ("wrong-type", "must be a number"),
    "int_type": ("wrong-type", "must be a whole number"),
    "int_from_float": ("wrong-type", "must be a whole number"),
    "bool_type": ("wrong-type", "must be true or false"),
    "string_type": ("wrong-type", "must be a text in quotes"),
    "string_too_short": ("empty-text", "must not be empty"),
    "tuple_type": ("wrong-type", "must be a list"),
    "dict_type": ("wrong-type", "must be a table"),
    "model_type": ("wrong-type", "must be a table"),
    "model_attributes_type": ("wrong-type", "must be a table"),
    "literal_error": ("unknown-value", "must be one of {expected}"),
    "union_tag_invalid": ("unknown-value", "must be 'box' or 'prism'"),
    "string_pattern_mismatch": ("bad-name", "must be letters, digits, spaces and . _ + ( ) -"),
    "control_character": ("control-character", "must hold visible signs only"),
    "string_too_long": ("bad-name", "must have at most {max_length} characters"),
    "union_tag_not_found": ("missing-key", "is missing: box or prism"),
}


def unit_of(key: str) -> str:
    """Unit that a key's name carries, in words, or ""."""
    bare = re.sub(r"_(min|max)$", "", key)
    return next((words for ending, words in UNITS if bare.endswith(ending)), "")


def schema_problems(
    errors: Iterable[Mapping[str, Any]],
    data: Mapping[str, Any],
    *,
    file: str,
    text: str,
    model: type[BaseModel],
) -> list[Problem]:
    """Problems from pydantic's errors of parsed data; text is the file's, for lines, model the schema, for keys."""
    lines = key_lines(text)
    kept = [error for error in errors if not _echo(error)]
    problems = [_problem(error, data, file=file, lines=lines, model=model) for error in kept[:MOST]]
    if len(kept) > MOST:
        problems.append(Problem("more", file, expected=f"… and {len(kept) - MOST} more faults"))
    return problems


def _echo(error: Mapping[str, Any]) -> bool:
    """Pydantic calls a list too short when its items are faulty: those are reported already."""
    given = error["input"]
    return (
        error["type"] == "too_short" and isinstance(given, list) and len(given) >= error["ctx"]["min_length"]
    )


def _problem(
    error: Mapping[str, Any],
    data: Mapping[str, Any],
    *,
    file: str,
    lines: Mapping[Loc, int],
    model: type[BaseModel],
) -> Problem:
    loc = plain_loc(error["loc"], data)
    kind, context = str(error["type"]), dict(error.get("ctx", {}))
    if kind.startswith("union_tag"):
        loc = (*loc, "shape")
    code, expected = _words(kind, context, loc)
    if kind == "extra_forbidden":
        expected += _known_key_hint(model, data, loc)
    value = context.get("tag") if kind == "union_tag_invalid" else error["input"]
    if kind == "literal_error" and isinstance(value, str):
        near = nearest(value, re.findall(r"'([^']*)'", str(context["expected"])))
        expected += f'; is "{near}" meant?' if near else ""
    nameless = code == "missing-key" or (code == "unknown-key" and isinstance(value, dict | list))
    found = "" if nameless else show(value)
    return Problem(code, file, line_of(lines, loc), dotted(loc, data), found, expected)


def _words(kind: str, context: dict[str, Any], loc: Loc) -> tuple[str, str]:
    if kind == "greater_than":
        return "not-positive", f"must be > {context['gt']:g}"
    if kind == "greater_than_equal" and context["ge"] == 0:
        return "negative", "must be ≥ 0"
    if kind == "string_pattern_mismatch" and " " not in str(context["pattern"]):
        return "bad-name", "must be letters, digits and underscores"
    if kind in ("too_short", "too_long"):
        least, most = context.get("min_length"), context.get("max_length")
        bound = f"at least {least}" if kind == "too_short" else f"at most {most}"
        return "wrong-length", f"must have {bound} {_items(loc)}"
    code, expected = KINDS.get(kind, ("bad-value", f"is not accepted ({kind})"))
    expected = expected.format(**context)
    if kind == "less_than_equal" and context["le"] == 1:
        expected += "; is this a fraction?"
    key = next((part for part in reversed(loc) if isinstance(part, str)), "")
    unit = unit_of(key)
    if unit and kind in ("float_type", "missing"):
        expected += f" of {unit}" if kind == "float_type" else f" (a number of {unit})"
    return code, expected


def _items(loc: Loc) -> str:
    return "points" if loc and loc[-1] == "profile_mm" else "items"


def _known_key_hint(model: type[BaseModel], data: Mapping[str, Any], loc: Loc) -> str:
    known = known_keys(model, data, loc[:-1])
    shape = _other_shape(str(loc[-1]), known)
    if shape:
        return f' of this shape; it belongs to shape = "{shape}"'
    near = nearest(str(loc[-1]), known)
    return f'; is "{near}" meant?' if near else f"; known here: {', '.join(known)}"


def _other_shape(key: str, known: Sequence[str]) -> str:
    """The shape whose key this is, when it stands in an item of the other shape."""
    if "shape" not in known:
        return ""
    if key in ("length_mm", "width_mm", "height_mm"):
        return "box"
    return "prism" if key in ("profile_mm", "extrude", "depth_mm") else ""


def known_keys(model: type[BaseModel], data: Mapping[str, Any], loc: Sequence[str | int]) -> list[str]:
    """Keys that the schema knows at a place of the brief."""
    current: type[BaseModel] = model
    here: Any = data
    for part in loc:
        here = _step(here, part)
        if isinstance(part, str):
            candidates = _models(current.model_fields[part].annotation)
            current = _by_shape(candidates, here) if candidates else current
        elif isinstance(here, Mapping) and "shape" in current.model_fields:
            current = _by_shape(_siblings(current), here)
    return [field.alias or name for name, field in current.model_fields.items()]


def _step(value: Any, part: str | int) -> Any:
    if isinstance(part, str):
        return value.get(part) if isinstance(value, Mapping) else None
    return value[part] if isinstance(value, Sequence) and part < len(value) else None


def _models(annotation: Any) -> list[type[BaseModel]]:
    """Models inside a type such as tuple[A | B, ...] or A | None."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    inner = getattr(annotation, "__args__", ())
    return [model for part in inner for model in _models(part)]


def _siblings(model: type[BaseModel]) -> list[type[BaseModel]]:
    base: type[BaseModel] = model.__mro__[1]
    kind = model.__name__.removeprefix("Box").removeprefix("Prism")
    return [other for other in base.__subclasses__() if other.__name__ in (f"Box{kind}", f"Prism{kind}")]


def _by_shape(models: list[type[BaseModel]], here: Any) -> type[BaseModel]:
    shape = here.get("shape") if isinstance(here, Mapping) else None
    return next((model for model in models if model.__name__.lower().startswith(str(shape))), models[0])


def plain_loc(loc: Sequence[str | int], data: Mapping[str, Any]) -> Loc:
    """Pydantic's place without the tags that it puts in for "box" and "prism", and for one pin or several."""
    plain: list[str | int] = []
    for part in loc:
        if part == "[key]" or (part in ("box", "prism") and plain and isinstance(plain[-1], int)):
            continue
        if plain == ["pin"] and part in ("one", "several"):
            continue
        plain.append(part)
    return tuple(plain)


def dotted(loc: Loc, data: Mapping[str, Any]) -> str:
    """Such as compartment[deck].profile_mm[3]: names where there are names, else numbers from 1."""
    words = ""
    here: Any = data
    for part in loc:
        here = _step(here, part)
        if isinstance(part, str):
            words += f".{part}" if words else part
        else:
            name = here.get("name") if isinstance(here, Mapping) else None
            words += f"[{name if isinstance(name, str) and name else part + 1}]"
    return words


def show(value: Any) -> str:
    """A value as it may stand in a brief, cut when long or deep."""
    if isinstance(value, bool):
        return "true" if value else "false"
    text = SHORT.repr(value)
    return text if len(text) <= 60 else text[:57] + "..."


def line_of(lines: Mapping[Loc, int], loc: Loc) -> str:
    """ "line 12" for the key itself or the nearest table around it, "" when none is known."""
    for end in range(len(loc), 0, -1):
        if loc[:end] in lines:
            return f"line {lines[loc[:end]]}"
    return ""


def key_lines(text: str) -> dict[Loc, int]:
    """Line of each key and table header of a TOML text, numbered from 1.

    The text is valid TOML already; this only looks for places, so rare spellings may go unfound.
    """
    lines: dict[Loc, int] = {}
    counts: dict[Loc, int] = {}
    table: Loc = ()
    depth, quotes = 0, ""
    for number, raw in enumerate(text.splitlines(), start=1):
        line, quotes, inside = _without_strings(raw, quotes)
        free = depth == 0 and not inside
        header = line.strip()
        is_header = free and header.startswith("[") and header.endswith("]")
        name, equals, _ = line.partition("=")
        if is_header:
            table = _table(_parts(header.strip("[]")), header[:2], counts)
            lines.setdefault(table, number)
            if isinstance(table[-1], int):
                lines.setdefault(table[:-1], number)
        elif free and equals:
            lines.setdefault((*table, *_parts(name)), number)
        if not is_header:
            depth = max(0, depth + line.count("[") + line.count("{") - line.count("]") - line.count("}"))
    return lines


def _parts(key: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in key.split("."))


def _table(names: tuple[str, ...], bracket: str, counts: dict[Loc, int]) -> Loc:
    """Place of a header, with the number of the array items it lies in."""
    loc: Loc = ()
    for name in names[:-1]:
        loc = (*loc, name)
        if loc in counts:
            loc = (*loc, counts[loc])
    loc = (*loc, names[-1])
    if bracket == "[[":
        counts[loc] = counts.get(loc, -1) + 1
        loc = (*loc, counts[loc])
    return loc


def _without_strings(line: str, quotes: str) -> tuple[str, str, bool]:
    """A line without strings and comments; the kind of multi-line string still open; whether one was."""
    inside = bool(quotes)
    if quotes:
        end = line.find(quotes)
        if end < 0:
            return "", quotes, inside
        line = line[end + 3 :]
    line = re.sub(r'"""(.*?)"""' + r"|'''(.*?)'''", '""', line)
    opened = re.search(r'"""' + r"|'''", line)
    if opened:
        return line[: opened.start()], opened[0], inside
    line = re.sub(r'"(\\.|[^"\\])*"' + r"|'[^']*'", '""', line)
    return line.partition("#")[0], "", inside
