"""Rules of a brief that depend on several values, or on what is plausible.

They look at the brief as parsed, not at the model, so that every problem shows at once even when the
schema found others. A value of the wrong type is the schema's business and passes here in silence.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from optimizer.base.problems import Problem
from optimizer.brief.faults import Loc, dotted, key_lines, line_of, show
from optimizer.brief.pins import pin_faults
from optimizer.brief.plausible import LEAST_SIDE_MM, LISTS, MOST_MM, PLAUSIBLE, SIGNED, band_of
from optimizer.brief.situations import situation_faults
from optimizer.catalog.columns import asked


class RuleChecks:
    """Runs the rules over one parsed brief and collects what they find."""

    def __init__(self, data: Mapping[str, Any], *, file: str, text: str) -> None:
        self.data = data
        self.file = file
        self.lines = key_lines(text)
        self.problems: list[Problem] = []

    def run(self) -> list[Problem]:
        """Every problem that a rule finds."""
        self._plausible()
        self._names()
        self._windows()
        self._ride()
        self._places()
        self._counts()
        situation_faults(self.data, self.complain)
        return self.problems

    def complain(self, code: str, loc: Loc, expected: str, found: str = "") -> None:
        """Note a problem at a place of the brief."""
        place = line_of(self.lines, loc)
        self.problems.append(Problem(code, self.file, place, dotted(loc, self.data), found, expected))

    def number(self, *loc: str | int) -> float | None:
        """The finite number at a place, or None when there is none."""
        here: Any = self.data
        for part in loc:
            try:
                here = here[part]
            except (KeyError, IndexError, TypeError):
                return None
        return _finite(here)

    def _plausible(self) -> None:
        for loc, value in leaves(self.data):
            words = [part for part in loc if isinstance(part, str)]
            bounds = band_of(*words[-2:]) if len(words) > 1 else None
            number = _finite(value)
            if bounds is None or number is None or not isinstance(loc[-1], str):
                continue
            low, high, unit = bounds
            checked = number > 0 or words[-1].endswith(SIGNED)
            if checked and not low <= number <= high:
                expected = f"{asked(unit)} expected {low:g} to {high:g}"
                self.complain("wrong-scale", loc, expected, show(value))
        self._lists()
        self._profiles()
        self._powers()

    def _lists(self) -> None:
        """Points, sizes and angles: no plausible least, since each may be 0, but a most."""
        for key, (most, unit) in LISTS.items():
            for loc, values in leaves(self.data, stop=key):
                numbers = [_finite(value) for value in values] if isinstance(values, list) else []
                if any(number is not None and abs(number) > most for number in numbers):
                    expected = f"{asked(unit)} expected {-most:g} to {most:g}"
                    self.complain("wrong-scale", loc, expected, show(values))
        for loc, values in leaves(self.data, stop="size_mm"):
            sides = [_finite(value) for value in values] if isinstance(values, list) else []
            if any(side is not None and 0 < side < LEAST_SIDE_MM for side in sides):
                expected = f"{asked('millimetres')} expected sides of at least {LEAST_SIDE_MM:g}"
                self.complain("wrong-scale", loc, expected, show(values))

    def _powers(self) -> None:
        """Powers asked of the pack against what the controller may draw: kilowatts show there."""
        volt, amp = self.number("electrical", "voltage_max_v"), self.number("electrical", "battery_current_a")
        limits = (("voltage_max_v", volt), ("battery_current_a", amp))
        if volt is None or amp is None or not all(_in_band(f"electrical.{name}", value) for name, value in limits):
            return
        for key in ("peak_power_w_min", "continuous_power_w_min", "peak_low_w_min"):
            asked_w = self.number("constraints", key)
            if asked_w is not None and _in_band(f"constraints.{key}", asked_w) and asked_w < 0.005 * volt * amp:
                expected = f"is this in watts? the controller may draw {volt * amp:.0f} W"
                self.complain("wrong-scale", ("constraints", key), expected, f"{asked_w:g}")

    def _profiles(self) -> None:
        for loc, profile in list(leaves(self.data, stop="profile_mm")):
            points = (
                [p for p in profile if isinstance(p, list) and len(p) == 2]
                if isinstance(profile, list)
                else []
            )
            sides, far = [], 0.0
            for axis in (0, 1):
                values = [value for value in (_finite(point[axis]) for point in points) if value is not None]
                sides.append(max(values) - min(values) if values else 0.0)
                far = max([far, *map(abs, values)])
            least = 0.9 if len([part for part in loc if isinstance(part, str)]) == 2 else 0.1
            if len(points) >= 3 and (0 < max(sides) < least or max([far, *sides]) > MOST_MM):
                found = f"{sides[0]:g} × {sides[1]:g}"
                expected = f"is this in millimetres? expected {least:g} to {MOST_MM:g}"
                self.complain("wrong-scale", loc, expected, found)

    def _names(self) -> None:
        seen: dict[str, int] = {}
        for at, item in enumerate(_items(self.data.get("compartment"))):
            self._unique(("compartment", at, "name"), item.get("name"), seen)
            self._once(("compartment", at, "axes"), item.get("axes"), "names an axis twice")
        self._zone_names(seen)
        self._once(("objectives", "use"), _table(self.data.get("objectives")).get("use"), "names an objective twice")
        place = _table(self.data.get("harness")).get("bms_in")
        self._room(("harness", "bms_in"), place or None, seen)
        self._parts(seen)
        self._fillers()
        self._passages(seen)
        for name in _names_in(_table(self.data.get("box")).get("compartments")):
            self._room(("box", "compartments"), name, seen, several=True)
        zones = _table(self.data.get("fit")).get("zones")
        pin_faults(self.data.get("pin"), seen, zones if zones in (2, 3) else 1, self.complain)

    def _zone_names(self, rooms: Mapping[str, int]) -> None:
        """Compartments that are called as zones of others are."""
        if _table(self.data.get("fit")).get("zones", 1) == 1:
            return
        for name, at in rooms.items():
            home, word, number = name.rpartition(" zone ")
            if word and home in rooms and number in ("2", "3"):
                expected = f"is what a zone of {home} is called with [fit] zones over 1"
                self.complain("duplicate-name", ("compartment", at, "name"), expected, show(name))

    def _unique(self, loc: Loc, name: object, seen: dict[str, int]) -> None:
        """A name that none before had; it joins them."""
        if isinstance(name, str) and name in seen:
            self.complain("duplicate-name", loc, "must be unique", show(name))
        if isinstance(name, str):
            seen.setdefault(name, len(seen))

    def _once(self, loc: Loc, values: object, expected: str) -> None:
        if isinstance(values, list) and len(set(map(str, values))) < len(values):
            self.complain("duplicate-value", loc, expected, show(values))

    def _room(self, loc: Loc, name: object, rooms: Mapping[str, int], *, several: bool = False) -> None:
        """A name that must be one of the compartments'."""
        if isinstance(name, str) and name not in rooms:
            what = "compartments" if several else "a compartment"
            self.complain("unknown-value", loc, f"must be {what}: {', '.join(rooms)}", show(name))

    def _parts(self, rooms: Mapping[str, int]) -> None:
        """Parts with one name, in no compartment, two boards; a size where the catalog has it, or none at all."""
        seen: dict[str, int] = {}
        boards = fuses = 0
        for at, item in enumerate(_items(self.data.get("part"))):
            name, board, fuse = item.get("name"), item.get("kind") == "BMS", item.get("kind") == "fuse"
            self._unique(("part", at, "name"), name, seen)
            for room in _names_in(item.get("within")):
                self._room(("part", at, "within"), room, rooms, several=True)
            if item.get("outside") is True and item.get("within"):
                expected = "does not go with outside = true: such a part lies in no compartment"
                self.complain("conflict", ("part", at, "within"), expected, show(item["within"]))
            boards += board
            fuses += fuse
            if fuse and fuses > 1:
                self.complain("duplicate-value", ("part", at, "kind"), "is there already: a pack has one fuse", "fuse")
            if board and boards > 1:
                self.complain("duplicate-value", ("part", at, "kind"), "is there already: a pack has one BMS", "BMS")
            if board and isinstance(name, str) and "BMS" not in name:
                self.complain("unknown-value", ("part", at, "name"), 'must hold "BMS"', show(name))
            if (board or fuse) and item.get("outside"):
                expected = f"does not apply: a {item['kind']} that takes no room has no [[part]]"
                self.complain("unknown-value", ("part", at, "outside"), expected, "true")
            for key in ("size_mm", "mass_g", "price"):
                if (board or (fuse and key != "size_mm")) and item.get(key):
                    expected = f"does not apply: the catalog of {'BMS' if board else 'fuses'} has it"
                    self.complain("unknown-value", ("part", at, key), expected, show(item[key]))
            if not board and not fuse and "size_mm" not in item and not item.get("outside"):
                self.complain("missing-key", ("part", at, "size_mm"), "is missing: length, width, height [mm]")

    def _fillers(self) -> None:
        """Fillers with one name, and rules for fillers where there is none."""
        seen: dict[str, int] = {}
        thermal = _table(self.data.get("thermal"))
        for at, item in enumerate(_items(thermal.get("filler"))):
            self._unique(("thermal", "filler", at, "name"), item.get("name"), seen)
        if thermal.get("always_filled") is True and not seen:
            expected = "needs a [[thermal.filler]]"
            self.complain("conflict", ("thermal", "always_filled"), expected, "true")

    def _passages(self, rooms: Mapping[str, int]) -> None:
        """Passages with one name, of no compartment, from one to itself, or without a place."""
        seen: dict[str, int] = {}
        for at, item in enumerate(_items(self.data.get("passage"))):
            ends = [item.get(key) for key in ("from", "to")]
            self._unique(("passage", at, "name"), item.get("name"), seen)
            for key, room in zip(("from", "to"), ends, strict=True):
                self._room(("passage", at, key), room, rooms)
            if isinstance(ends[0], str) and ends[0] == ends[1]:
                self.complain("duplicate-value", ("passage", at, "to"), "must be another compartment", show(ends[1]))
            mouths = [key for key in ("from_mm", "to_mm") if key in item]
            if "position_mm" not in item and len(mouths) < 2:
                expected = "is missing: one place for both mouths, or from_mm and to_mm"
                self.complain("missing-key", ("passage", at, "position_mm"), expected)
            if "position_mm" in item and mouths:
                expected = f"and {', '.join(mouths)} exclude each other: one place for both mouths, or one for each"
                self.complain("conflict", ("passage", at, "position_mm"), expected)

    def _windows(self) -> None:
        low = self.number("electrical", "voltage_min_v")
        high = self.number("electrical", "voltage_max_v")
        if low is not None and high is not None and low >= high:
            expected = f"must be under voltage_max_v ({high:g})"
            self.complain("voltage-order", ("electrical", "voltage_min_v"), expected, f"{low:g}")
        self._socs("electrical", "low_soc", 0.2, "reference_soc", 0.5, equal=True)
        self._socs("ride", "reserve_soc", 0.1, "start_soc", 1.0, equal=False)
        regen = self.number("vehicle", "regen_efficiency")
        electrical = _table(self.data.get("electrical"))
        if regen and electrical and "regen_current_a" not in electrical:
            expected = (
                "is missing: regen_efficiency is over 0, so say how much current the controller may return"
            )
            self.complain("missing-key", ("electrical", "regen_current_a"), expected)

    def _socs(
        self, table: str, low: str, low_default: float, high: str, high_default: float, *, equal: bool
    ) -> None:
        if not isinstance(self.data.get(table), dict):
            return
        least = self.number(table, low) if low in self.data[table] else low_default
        most = self.number(table, high) if high in self.data[table] else high_default
        if least is None or most is None or least < most or (least == most and equal):
            return
        if low in self.data[table]:
            expected = f"must be {'at most' if equal else 'under'} {high} ({most:g})"
            self.complain("soc-order", (table, low), expected, f"{least:g}")
        else:
            expected = f"must be {'at least' if equal else 'over'} {low} ({least:g})"
            self.complain("soc-order", (table, high), expected, f"{most:g}")

    def _ride(self) -> None:
        ride = self.data.get("ride")
        if not isinstance(ride, dict):
            return
        steady = [key for key in ("speed_kmh", "grade_pct", "length_km") if key in ride]
        if "trace" in ride and steady:
            expected = f"and {', '.join(steady)} exclude each other: a trace, or a steady cruise"
            self.complain("conflict", ("ride", "trace"), expected)
        if "trace" not in ride and "speed_kmh" not in ride:
            self.complain(
                "missing-key", ("ride", "trace"), "is missing: give a trace, or speed_kmh of a steady cruise"
            )

    def _places(self) -> None:
        """Motor data belong together."""
        vehicle = _table(self.data.get("vehicle"))
        motor = ("wheel_diameter_mm", "motor_speed_constant_rpm_per_v", "motor_resistance_mohm")
        given = [key for key in motor if key in vehicle]
        if given and len(given) < len(motor):
            for key in motor:
                if key not in vehicle:
                    self.complain(
                        "missing-key", ("vehicle", key), f"is missing: needed beside {', '.join(given)}"
                    )
        if vehicle.get("balances_on_motor") is True and not given:
            expected = f"needs {', '.join(motor)}, for the headroom in speed"
            self.complain("missing-key", ("vehicle", "balances_on_motor"), expected)

    def _counts(self) -> None:
        for key in ("series", "parallel"):
            pair = _table(self.data.get("vary")).get(key)
            if not isinstance(pair, list) or len(pair) != 2 or None in map(_finite, pair):
                continue
            if pair[0] > pair[1]:
                self.complain("range-order", ("vary", key), "must be [least, most]", show(pair))


def leaves(value: Any, loc: Loc = (), *, stop: str = "") -> Iterator[tuple[Loc, Any]]:
    """Every keyed value of the brief with its place; with `stop`, only the values of that key."""
    if len(loc) > 8:  # deeper than any brief: dotted keys can nest without end
        return
    if stop and loc and loc[-1] == stop:
        yield loc, value
    elif isinstance(value, dict):
        for key, inner in value.items():
            yield from leaves(inner, (*loc, key), stop=stop)
    elif isinstance(value, list):
        for at, inner in enumerate(value):
            if isinstance(inner, dict):  # items of plain lists have no key of their own
                yield from leaves(inner, (*loc, at), stop=stop)
    elif not stop:
        yield loc, value


def file_problems(data: Mapping[str, Any], *, folder: Path, file: str, text: str) -> list[Problem]:
    """Files that the brief names and that don't exist."""
    named: dict[Loc, Any] = {("catalog", key): value for key, value in _table(data.get("catalog")).items()}
    for key in ("solid", "profile"):
        named |= {loc: value for loc, value in leaves(data) if loc[0] == "compartment" and loc[-1] == key}
    named[("ride", "trace")] = _table(data.get("ride")).get("trace")
    named |= {("situation", at, "trace"): item.get("trace") for at, item in enumerate(_items(data.get("situation")))}
    lines = key_lines(text)
    problems = []
    for loc, value in named.items():
        if not isinstance(value, str) or not value:
            continue
        wants_folder = loc == ("catalog", "ocv")
        path = folder / value
        if not (_is_folder(path) if wants_folder else _is_file(path)):
            what = "a folder" if wants_folder else "a file"
            expected = f"must name {what} that exists (paths are relative to the brief)"
            problems.append(
                Problem("missing-file", file, line_of(lines, loc), dotted(loc, data), show(value), expected)
            )
    return problems


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except (OSError, ValueError):
        return False


def _in_band(key: str, value: float | None) -> bool:
    low, high, _ = PLAUSIBLE[key]
    return value is not None and low <= value <= high


def _finite(value: Any) -> float | None:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        return float(value) if math.isfinite(value) else None
    except OverflowError:
        return None


def _table(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, dict) else {}


def _names_in(value: Any) -> Sequence[str]:
    return [item for item in value if isinstance(item, str)] if isinstance(value, list) else []


def _items(value: Any) -> Sequence[Mapping[str, Any]]:
    return [item for item in value if isinstance(item, dict)] if isinstance(value, list) else []
