"""Free dimensions of a brief: ranges in the place of numbers, taken out before the schema sees them.

A range is a table `{ min = 60.0, max = 90.0, step = 1.0 }`; another place follows it with
`{ same_as = "deck_height_mm", plus = 0.0, times = 1.0 }`. Without a step a dimension counts in hundredths.
"""

from __future__ import annotations

import copy
import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from optimizer.base.problems import Problem, nearest
from optimizer.brief.faults import Loc, dotted, key_lines, line_of, show

# A dimension without a step is made and measured to this [mm].
FINEST_MM = 0.01

# More points than this along one dimension are no dimension of a box.
MOST_POINTS = 10_000_000

RANGE_KEYS = ("min", "max", "step", "name")
FOLLOW_KEYS = ("same_as", "plus", "times")
KEY_MEANS = {
    "min": "Least value of the dimension [mm].",
    "max": "Most value of the dimension [mm].",
    "step": f"Distance between neighbouring values [mm]; left out: {FINEST_MM:g}.",
    "name": "Name of the dimension, ending in _mm; left out: made from its place.",
    "same_as": "Name of the dimension that this place follows.",
    "plus": "What is added to the dimension [mm]; left out: 0.",
    "times": "What the dimension is multiplied by, before plus; left out: 1.",
}
SIZES = ("length_mm", "width_mm", "height_mm", "depth_mm")


@dataclass(frozen=True)
class FreeDimension:
    """One number of a box that the search is to choose.

    Parameters
    ----------
    name : str
        Ends in _mm; the front's column is dim_<name>.
    loc : tuple
        Place in the brief.
    low_mm, high_mm, step_mm : float
        Values are low, low + step … and at most high [mm].
    """

    name: str
    loc: Loc
    low_mm: float
    high_mm: float
    step_mm: float

    @property
    def points(self) -> int:
        """How many values there are."""
        return math.floor((self.high_mm - self.low_mm) / self.step_mm + 1e-9) + 1

    @property
    def column(self) -> str:
        """Column of the front."""
        return f"dim_{self.name}"

    def value(self, index: int) -> float:
        """The value with a number, from 0 [mm]."""
        return round(self.low_mm + index * self.step_mm, 6)

    def index(self, value_mm: float) -> int:
        """Number of the value nearest to one given."""
        return min(max(round((value_mm - self.low_mm) / self.step_mm), 0), self.points - 1)


@dataclass(frozen=True)
class Follower:
    """A place whose number is plus + times · dimension."""

    loc: Loc
    name: str
    plus: float
    times: float


@dataclass(frozen=True)
class Ranges:
    """All free dimensions of a brief, in its order, and the places that follow them."""

    free: tuple[FreeDimension, ...] = ()
    followers: tuple[Follower, ...] = ()

    def put(self, data: Mapping[str, Any], values_mm: Mapping[str, float]) -> dict[str, Any]:
        """The brief as parsed with a number in the place of every range, by name [mm]."""
        out = copy.deepcopy(dict(data))
        for item in self.free:
            _place(out, item.loc, float(values_mm[item.name]))
        for follower in self.followers:
            _place(out, follower.loc, round(follower.plus + follower.times * values_mm[follower.name], 6))
        return out


def _place(data: Any, loc: Loc, value: float) -> None:
    for part in loc[:-1]:
        data = data[part]
    data[loc[-1]] = value


def allowed(loc: Loc) -> bool:
    """Whether a range may stand at a place of the brief."""
    words = [part for part in loc if isinstance(part, str)]
    if words in (["clearance", "wall_mm"], ["box", "wall_mm"]):
        return True
    if not words or words[0] != "compartment":
        return False
    rest = words[1:]
    if rest[:1] == ["keep_out"]:
        return len(rest) == 2 and rest[1] in (*SIZES, "profile_mm", "origin_mm")
    return len(rest) == 1 and rest[0] in (*SIZES, "profile_mm", "position_mm")


def find_ranges(data: Mapping[str, Any], *, file: str, text: str) -> tuple[Ranges, list[Problem]]:
    """Ranges of a parsed brief, with what is wrong with them.

    Tables at places where no range may stand are left to the schema.
    """
    reader = _RangeReader(data, file=file, text=text)
    return reader.read(), reader.problems


class _RangeReader:
    """Reads ranges one by one and collects faults."""

    def __init__(self, data: Mapping[str, Any], *, file: str, text: str) -> None:
        self.data, self.file, self.lines = data, file, key_lines(text)
        self.problems: list[Problem] = []

    def complain(self, code: str, loc: Loc, expected: str, found: str = "") -> None:
        field = place_in_words(loc, self.data)
        self.problems.append(Problem(code, self.file, line_of(self.lines, loc), field, found, expected))

    def read(self) -> Ranges:
        found = [(loc, table) for loc, table in _tables(self.data) if allowed(loc)]
        free = [self._range(loc, table) for loc, table in found if "same_as" not in table]
        known = [item for item in free if item is not None]
        names: set[str] = set()
        for item in known:
            if item.name in names:
                self.complain("duplicate-name", item.loc, "has the name of another range", show(item.name))
            names.add(item.name)
        # A faulty range has a name too: whoever follows it is not at fault.
        names |= {str(t.get("name", _automatic_name(at, self.data))) for at, t in found if "same_as" not in t}
        followers = [self._follower(loc, table, names) for loc, table in found if "same_as" in table]
        return Ranges(tuple(known), tuple(item for item in followers if item is not None))

    def _range(self, loc: Loc, table: Mapping[str, Any]) -> FreeDimension | None:
        before = len(self.problems)
        self._keys(loc, table, RANGE_KEYS)
        low, high = self._number(loc, table, "min"), self._number(loc, table, "max")
        step = self._number(loc, table, "step", default=FINEST_MM)
        if low is not None and high is not None and low >= high:
            self.complain("range-order", loc, "must have min under max", show(dict(table)))
        elif low is not None and high is not None and step is not None:
            if not 0 < step <= high - low:
                self.complain("range-step", loc, f"must have a step over 0 and up to {high - low:g}", f"{step:g}")
            elif (high - low) / step > MOST_POINTS:
                self.complain("range-step", loc, f"must have at most {MOST_POINTS:,} values", f"{step:g}")
        name = table.get("name", _automatic_name(loc, self.data))
        if not isinstance(name, str) or not re.fullmatch(r"[a-z][a-z0-9_]{0,50}_mm", name):
            self.complain("bad-name", loc, "must have a name of a to z, 0 to 9 and _ that ends in _mm", show(name))
        if len(self.problems) > before or low is None or high is None or step is None:
            return None
        return FreeDimension(name, loc, low, high, step)

    def _follower(self, loc: Loc, table: Mapping[str, Any], names: set[str]) -> Follower | None:
        self._keys(loc, table, FOLLOW_KEYS)
        name = table["same_as"]
        plus, times = self._number(loc, table, "plus", default=0.0), self._number(loc, table, "times", default=1.0)
        if not isinstance(name, str) or name not in names:
            near = nearest(str(name), names)
            expected = f"must name a range: {', '.join(sorted(names)) or 'there is none'}"
            self.complain("unknown-value", loc, expected + (f'; is "{near}" meant?' if near else ""), show(name))
            return None
        return None if plus is None or times is None else Follower(loc, str(name), plus, times)

    def _keys(self, loc: Loc, table: Mapping[str, Any], known: tuple[str, ...]) -> None:
        for key in table:
            if key not in known:
                near = nearest(str(key), known)
                hint = f'; is "{near}" meant?' if near else f"; known here: {', '.join(known)}"
                self.complain("unknown-key", loc, f'has "{key}", which is no known key of a range{hint}')

    def _number(
        self, loc: Loc, table: Mapping[str, Any], key: str, *, default: float | None = None
    ) -> float | None:
        if key not in table:
            if default is None:
                self.complain("missing-key", loc, f"is a range without {key} (a number of millimetres)")
            return default
        value = table[key]
        good = isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= 1e6
        if not good or not math.isfinite(value):
            self.complain("wrong-type", loc, f"must have a finite number as {key}", show(value))
            return None
        return float(value)


def place_in_words(loc: Loc, data: Mapping[str, Any]) -> str:
    """Such as compartment[deck].profile_mm[3][1]; a range's own name is no name of its place."""
    if loc and isinstance(loc[-1], int):
        return f"{dotted(loc[:-1], data)}[{loc[-1] + 1}]"
    return dotted(loc, data)


def _tables(value: Any, loc: Loc = ()) -> Iterator[tuple[Loc, Mapping[str, Any]]]:
    """Tables that look like a range, with their places."""
    if len(loc) > 8:
        return
    if isinstance(value, dict):
        if value.keys() & {"min", "max", "same_as"}:
            yield loc, value
            return
        for key, inner in value.items():
            yield from _tables(inner, (*loc, key))
    elif isinstance(value, list):
        for at, inner in enumerate(value):
            yield from _tables(inner, (*loc, at))


def _automatic_name(loc: Loc, data: Mapping[str, Any]) -> str:
    """Name of a range that has none of its own, such as deck_height_mm or deck_point_3_z_mm.

    loc: its place, see `allowed`. data: the brief as parsed.
    """
    solid, rest, words = data, loc, []
    while len(rest) > 2 and rest[0] in ("compartment", "keep_out"):
        kind, at = str(rest[0]), rest[1]
        solid, rest = solid[kind][at], rest[2:]
        words.append(str(solid.get("name", f"{kind}_{int(at) + 1}")))
    key, places = str(rest[0]), rest[1:]
    if key == "profile_mm" and len(places) == 2:
        letters = "xyz".replace(str(solid.get("extrude", "z")), "")
        words += [f"point_{int(places[0]) + 1}", letters[int(places[1]) : int(places[1]) + 1]]
    elif key in ("origin_mm", "position_mm") and places:
        words += [key.removesuffix("_mm"), "xyz"[int(places[0]) : int(places[0]) + 1]]
    else:
        words += [str(part).removesuffix("_mm") for part in rest]
    return re.sub(r"[^a-z0-9]+", "_", " ".join(words).lower()).strip("_") + "_mm"


def with_ranges(schema: Mapping[str, Any]) -> dict[str, Any]:
    """The brief's JSON Schema, of numbers only, with ranges allowed where a dimension may be left open."""
    out = copy.deepcopy(dict(schema))
    tables = ((RANGE_KEYS, ["min", "max"]), (FOLLOW_KEYS, ["same_as"]))
    out["$defs"]["Range"] = {
        "description": "A dimension that the search is to choose, or a place that follows one.",
        "anyOf": [
            {
                "type": "object",
                "properties": {key: _described_key(key) for key in keys},
                "required": needed,
                "additionalProperties": False,
            }
            for keys, needed in tables
        ],
    }
    for model in ("BoxCompartment", "PrismCompartment", "BoxKeepOut", "PrismKeepOut", "ClearanceRules", "BoxWalls"):
        properties = out["$defs"][model]["properties"]
        for key in {*SIZES, "profile_mm", "origin_mm", "position_mm", "wall_mm"} & properties.keys():
            text = {"description": properties[key].pop("description")}
            properties[key] = _or_range(properties[key]) | text
    for model in ("PrismCompartment", "PrismKeepOut"):
        shape = out["$defs"][model]
        shape["required"] = [key for key in shape["required"] if key != "profile_mm"]
        shape["anyOf"] = [{"required": ["profile_mm"]}, {"required": ["profile"]}]
    return out


def _described_key(key: str) -> dict[str, str]:
    return {"type": "string" if key in ("name", "same_as") else "number", "description": KEY_MEANS[key]}


def _or_range(part: Any) -> Any:
    """Every number of a piece of schema, or a range in its place."""
    if isinstance(part, list):
        return [_or_range(item) for item in part]
    if not isinstance(part, dict):
        return part
    if part.get("type") == "number":
        return {"anyOf": [part, {"$ref": "#/$defs/Range"}]}
    return {key: _or_range(value) if key in ("items", "prefixItems") else value for key, value in part.items()}
