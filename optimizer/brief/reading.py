"""The brief: read from TOML, validated, with its defaults told and its needs for a search named."""

from __future__ import annotations

import copy
import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ValidationError

from optimizer.base.figures import split_name
from optimizer.base.problems import BadInput, Problem
from optimizer.base.texts import unseen
from optimizer.brief.faults import Loc, key_lines, line_of, schema_problems, show
from optimizer.brief.profile import with_profiles
from optimizer.brief.ranges import FreeDimension, Ranges, find_ranges, place_in_words, with_ranges
from optimizer.brief.rules import RuleChecks, file_problems
from optimizer.brief.schema import Brief
from optimizer.brief.vehicle import RidePlan
from optimizer.catalog.tables import cap, file_sha256, read_bounded

# A brief with twenty boxes of five hundred points each is a tenth of this.
MOST_BYTES = 2**20


def load_brief(path: Path | str) -> Brief:
    """Read and validate a brief in which every dimension is one number.

    BadInput has every problem: in the file, in keys and values, between values, in paths. A range is one, code
    free-dimension: what works on one box can't choose it.
    """
    brief = open_brief(path)
    if brief.free:
        raise BadInput([brief.complaint(item) for item in brief.free])
    return brief.fixed({})


@dataclass(frozen=True, eq=False)
class OpenBrief:
    """A brief that may have ranges in the place of dimensions.

    Parameters
    ----------
    path : Path
    data : mapping
        As parsed.
    text : str
    ranges : Ranges
    """

    path: Path
    data: Mapping[str, Any]
    text: str
    ranges: Ranges

    @property
    def free(self) -> tuple[FreeDimension, ...]:
        """The dimensions to be chosen."""
        return self.ranges.free

    def complaint(self, item: FreeDimension) -> Problem:
        """What to say of a range where one number is needed."""
        expected = "must be one number here; `cellstow search` chooses it, or write the number"
        found = f"the range {item.low_mm:g} to {item.high_mm:g}"
        place = line_of(key_lines(self.text), item.loc)
        return Problem(
            "free-dimension", str(self.path), place, place_in_words(item.loc, self.data), found, expected
        )

    def fixed(self, values_mm: Mapping[str, float]) -> Brief:
        """The brief with a number for every free dimension.

        Parameters
        ----------
        values_mm : mapping of name to value
            Every dimension [mm].

        Returns
        -------
        Brief
            [box] compartments are named in it, so that it bills the same box as the open brief.

        Raises
        ------
        BadInput
            With every problem of the brief at these dimensions.
        """
        data = self.ranges.put(self.data, values_mm)
        if self.free:
            data.setdefault("search", {})  # in use, so that its defaults are told
        brief = _validated(data, path=self.path, text=self.text)
        locs = [item.loc for item in self.free] + [item.loc for item in self.ranges.followers]
        rooms = {loc[1] for loc in locs if _is_wall(loc)}
        if brief.box is None or brief.box.compartments or not rooms:
            return brief
        named = tuple(item.name for at, item in enumerate(brief.compartment) if at in rooms)
        whole = brief.model_copy(update={"box": brief.box.model_copy(update={"compartments": named})})
        whole._path = brief.path
        return whole


def _is_wall(loc: Loc) -> bool:
    """Whether a place is a size or a profile of a compartment: what the box is made to."""
    return len(loc) > 2 and loc[0] == "compartment" and loc[2] not in ("keep_out", "position_mm")


def open_brief(path: Path | str) -> OpenBrief:
    """Read a brief that may have free dimensions and validate it with all of them least, and all most.

    BadInput has every problem.
    """
    path = Path(path)
    text = _read_text(path)
    if _runs_deep(text):
        raise BadInput([_bad_toml(path, RecursionError())])
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise BadInput([_bad_toml(path, error)]) from None
    return _opened(data, path=path, text=text)


def brief_of(data: Mapping[str, Any], *, folder: Path) -> OpenBrief:
    """A brief out of plain dicts and lists, as TOML would give them; relative paths are relative to the folder.

    BadInput has every problem; the file is called "brief".
    """
    return _opened(copy.deepcopy(dict(data)), path=folder / "brief", text="")


def _opened(data: dict[str, Any], *, path: Path, text: str) -> OpenBrief:
    """The data of a brief, checked at the least and at the most of its free dimensions."""
    data, drawn = with_profiles(data, folder=path.parent, file=str(path), text=text)
    ranges, problems = find_ranges(data, file=str(path), text=text)
    problems = drawn + problems
    if problems:
        raise BadInput(cap(problems))
    brief = OpenBrief(path, data, text, ranges)
    zones = data["fit"].get("zones", 1) if isinstance(data.get("fit"), dict) else 1
    if brief.free and zones != 1:
        expected = "must be 1 where the brief has free dimensions: planes would have to be found for every box"
        place = line_of(key_lines(text), ("fit", "zones"))
        problems.append(Problem("conflict", str(path), place, "fit.zones", show(zones), expected))
    ends = [{item.name: end(item) for item in brief.free} for end in (_least, _most)]
    for values in ends if brief.free else ends[:1]:
        try:
            brief.fixed(values)
        except BadInput as bad:
            problems += [problem for problem in bad.problems if problem not in problems]
    if problems:
        raise BadInput(cap(problems))
    return brief


def _least(item: FreeDimension) -> float:
    return item.value(0)


def _most(item: FreeDimension) -> float:
    return item.value(item.points - 1)


def _validated(data: Mapping[str, Any], *, path: Path, text: str) -> Brief:
    """The brief out of parsed data without ranges."""
    problems = file_problems(data, folder=path.parent, file=str(path), text=text)
    problems += RuleChecks(data, file=str(path), text=text).run()
    try:
        brief = Brief.model_validate(data)
    except ValidationError as error:
        schema = schema_problems(
            error.errors(include_url=False), data, file=str(path), text=text, model=Brief
        )
        blamed = {problem.field for problem in schema}
        problems = [problem for problem in problems if problem.code != "wrong-scale" or problem.field not in blamed]
        raise BadInput(cap(schema + problems)) from None
    if problems:
        raise BadInput(cap(problems))
    brief._path = path
    return brief


def _read_text(path: Path) -> str:
    sign = unseen(str(path))
    if sign:
        expected = "must have a name of visible signs: the run is named after it"
        raise BadInput([Problem("control-character", str(path), found=sign, expected=expected)])
    try:
        return read_bounded(path, most=MOST_BYTES).decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        problem = Problem(
            "encoding", str(path), f"byte {error.start}", expected="is no UTF-8 text, as TOML must be"
        )
    raise BadInput([problem])


def _runs_deep(text: str) -> bool:
    """Dotted keys of a hundred parts: no brief has them, and reading them takes quadratic time."""
    code = (line.partition("#")[0] for line in text.splitlines())
    return any(run.count(".") > 100 for line in code for run in re.findall(r"[\w.\- \t\"']+", line))


def _bad_toml(path: Path, error: Exception) -> Problem:
    if isinstance(error, RecursionError):
        return Problem("bad-toml", str(path), expected="is nested too deeply")
    place = re.search(r" \(at line (\d+), column (\d+)\)$", str(error))
    if place is None:
        return Problem("bad-toml", str(path), expected=f"is no valid TOML: {error}")
    text = f"is no valid TOML at column {place[2]}: {str(error)[: place.start()]}"
    return Problem("bad-toml", str(path), f"line {place[1]}", expected=text)


def defaults_in_use(brief: Brief) -> list[tuple[str, Any]]:
    """Every value that the brief leaves to its default, by dotted key; those for "none asked for" are left out."""
    return list(_defaults(brief, ""))


def _defaults(model: BaseModel, prefix: str) -> list[tuple[str, Any]]:
    found: list[tuple[str, Any]] = []
    unused = ("grade_pct", "length_km") if isinstance(model, RidePlan) and model.trace else ()
    for key in type(model).model_fields:
        if key in unused or (key == "search" and key not in model.model_fields_set):
            continue
        value = getattr(model, key)
        place = f"{prefix}{key}"
        if isinstance(value, BaseModel):
            found += _defaults(value, f"{place}.")
        elif isinstance(value, tuple) and value and isinstance(value[0], BaseModel):
            for number, item in enumerate(value, start=1):
                found += _defaults(item, f"{place}[{getattr(item, 'name', number)}].")
        elif key not in model.model_fields_set and value is not None and value not in ((), "", {}):
            found.append((place, value))
    return found


def require_for_search(brief: Brief) -> list[Problem]:
    """What a search needs and the brief leaves out (`fit` does without): code missing-section or missing-key."""
    file = str(brief.path)
    problems = [
        Problem("missing-section", file, "", f"[{name}]", "", "is missing: the search needs it")
        for name in ("electrical", "vehicle", "ride")
        if getattr(brief, name) is None
    ]
    needed = ["strips", "wires", "bms", "fuses"]
    asked = {split_name(name)[0] for name in brief.figures_asked()}
    if asked & {"charge_min", "hot_cell_charge_c"}:
        needed.append("chargers")
    for key in needed:
        if getattr(brief.catalog, key) is None:
            problems.append(
                Problem("missing-key", file, "", f"catalog.{key}", "", "is missing: the search needs it")
            )
    headroom = "speed_headroom_kmh" in asked
    if headroom and brief.vehicle is not None and brief.vehicle.motor_speed_constant_rpm_per_v is None:
        expected = "is missing: speed_headroom_kmh needs the motor's data"
        problems.append(
            Problem("missing-key", file, "", "vehicle.motor_speed_constant_rpm_per_v", "", expected)
        )
    return problems


def series_problems(
    brief: Brief, *, voltage_max_v: NDArray[np.float64], voltage_min_v: NDArray[np.float64]
) -> list[Problem]:
    """A range of series counts that the voltage window allows for no cell, though another range would do.

    Count S fits a cell when S · voltage_max_v ≤ the window's top and S · voltage_min_v ≥ its bottom.

    Parameters
    ----------
    brief : Brief
        With [electrical].
    voltage_max_v, voltage_min_v : ndarray, shape (n,)
        Window of each cell that may be chosen [V].

    Returns
    -------
    list of Problem
        Code series-window, or nothing.
    """
    if brief.electrical is None or not len(voltage_max_v):
        return []
    # A hair of tolerance: 15 · 4.0 V counts as 60 V whatever binary fractions make of it.
    most = np.floor(brief.electrical.voltage_max_v / voltage_max_v + 1e-9)
    least = np.maximum(np.ceil(brief.electrical.voltage_min_v / voltage_min_v - 1e-9), 1)
    possible = least <= most
    low, high = brief.vary.series
    if not possible.any() or (possible & (least <= high) & (most >= low)).any():
        return []
    expected = (
        f"allows no voltage: the cells need between {least[possible].min():g} and {most[possible].max():g}"
    )
    return [Problem("series-window", str(brief.path), "", "vary.series", f"[{low}, {high}]", expected)]


def input_hashes(brief: Brief, extra: Mapping[str, str] | None = None) -> dict[str, str]:
    """Content hash (SHA-256) of the brief ("brief") and of every file it names, by dotted key, and more of them."""
    files: Sequence[tuple[str, Path]] = [("brief", brief.path), *sorted(brief.files().items())]
    return {key: file_sha256(path) for key, path in files if path.is_file()} | dict(extra or {})


def brief_json_schema() -> dict[str, Any]:
    """JSON Schema of the brief, so that editors complete and check it."""
    schema: dict[str, Any] = json.loads(json.dumps(Brief.model_json_schema()))
    head = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "Brief of cellstow"}
    return with_ranges({**head, **{key: value for key, value in schema.items() if key not in head}})
