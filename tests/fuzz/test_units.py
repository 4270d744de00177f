"""A column or a key in another unit is asked about: every numeric one of every table, and of the brief."""

import dataclasses
import tomllib
import types
import typing

import mutate
import pytest
import targets
from pydantic import BaseModel
from test_trees import BRIEFS, brief_folder

from optimizer.base.problems import BadInput
from optimizer.brief import Brief, open_brief
from optimizer.brief.plausible import PLAUSIBLE
from optimizer.catalog import read_ride
from optimizer.catalog import types as tables
from optimizer.review.terminal.overview import ride_words

# What people write instead, by the end of a name: the unit and the factor that it brings.
SLIPS = {
    "_mm": {"metres": 1e-3, "micrometres": 1e3},
    "_ah": {"milliampere-hours": 1e3},
    "_v": {"millivolts": 1e3},
    "_mohm": {"ohms": 1e-3, "microhms": 1e3},
    "_a": {"milliamperes": 1e3},
    "_g": {"kilograms": 1e-3},
    "_kg": {"grams": 1e3},
    "_c": {"kelvin": None},
    "_s": {"milliseconds": 1e3},
    "_ma": {"amperes": 1e-3},
    "efficiency": {"percent": 100.0},
    "soc": {"percent": 100.0},
    "_pct": {"permille": 10.0},
    "_mm2": {"square metres": 1e-6},
    "_g_per_m": {"kilograms per metre": 1e-3},
    "_ohm_per_km": {"ohms per metre": 1e-3},
    "_ohm_m": {"microhm metres": 1e6, "microhm centimetres": 1e8},
    "_kg_m3": {"grams per cubic centimetre": 1e-3},
    "_a_mm2": {"amperes per square metre": 1e6, "amperes per square centimetre": 1e2},
    "_kmh": {"millimetres per second": 1e6 / 3600},
    "_w": {"milliwatts": 1e6},
}
# Slips that no table can tell from a sound one: a fine-grained tolerance, a pulse of minutes …
UNTOLD = {("ride", "speed_kmh", "metres per second"), ("ride", "grade_pct", "permille")}


def slips_of(name):
    ends = [end for end in SLIPS if name.endswith(end)]
    return SLIPS[max(ends, key=len)] if ends else {}


def cases():
    for target in targets.TARGETS:
        header, *rows = mutate.parse(target.content)
        for at, name in enumerate(header):
            if any(row[at] for row in rows):
                for unit, factor in slips_of(name).items():
                    if (target.name, name, unit) not in UNTOLD:
                        yield pytest.param(target, at, unit, factor, id=f"{target.name} {name} in {unit}")


@pytest.mark.parametrize(("target", "at", "unit", "factor"), list(cases()))
def test_a_column_in_another_unit_is_asked_about(target, at, unit, factor, tmp_path):
    rows = mutate.parse(target.content)
    for row in rows[1:]:
        if row[at]:
            row[at] = repr(float(row[at]) + 273.15 if factor is None else float(row[at]) * factor)
    for name, text in (target.beside or {}).items():
        (tmp_path / name).write_text(text)
    path = tmp_path / target.file
    path.write_bytes(mutate.render(rows))
    with pytest.raises(BadInput) as caught:
        target.read(path)
    words = " ".join(problem.expected for problem in caught.value.problems)
    assert "is this" in words or "units" in words or "must be" in words or "agree" in words, words


@pytest.mark.parametrize(("cell", "question"), [("0.0186", "millimetres"), ("5000", "ampere-hours")])
def test_the_questions_are_put_in_words(cell, question, tmp_path):
    rows = mutate.parse(targets.TARGETS[0].content)
    column = "diameter_mm" if question == "millimetres" else "capacity_ah"
    rows[1][rows[0].index(column)] = cell
    (tmp_path / "own.csv").write_text(targets.OWN)
    (tmp_path / "cells.csv").write_bytes(mutate.render(rows))
    with pytest.raises(BadInput, match=f"{column} is this in {question}"):
        targets.TARGETS[0].read(tmp_path / "cells.csv")


def test_what_no_rule_can_tell_is_shown_by_check(tmp_path):
    """The demo's lap as its own notes state it: 4.59 km, 719 s, mean 23.0, top 43.5 km/h, 7.2 %."""
    line = ride_words(read_ride(BRIEFS.parent / "rides" / "urban-hills.csv"))
    assert line == "4.59 km in 719 s, mean 23.0 km/h, top 43.5 km/h, steepest 7.2 %"


def test_every_number_column_has_a_band():
    kinds = {name: value for name, value in vars(tables).items() if name.endswith("_COLUMNS")}
    bare = [
        column.name
        for columns in kinds.values()
        for column in columns
        if column.kind == "number" and (not column.ask or column.high == float("inf"))
    ]
    assert len(kinds) == 6
    assert bare == []


def numbers(model, loc=()):
    """Dotted keys of a schema's numbers, with whether the schema bounds them above."""
    for name, field in model.model_fields.items():
        yield from _inside(field.annotation, (*loc, name), field.metadata)


def _inside(kind, loc, metadata):
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        yield from numbers(kind, loc)
    elif typing.get_origin(kind) is typing.Annotated:
        yield from _inside(kind.__origin__, loc, [*metadata, *kind.__metadata__])
    elif typing.get_origin(kind) in (typing.Union, types.UnionType):
        for part in typing.get_args(kind):
            yield from _inside(part, loc, metadata)
    elif typing.get_origin(kind) is tuple and any(
        (isinstance(p, type) and issubclass(p, BaseModel)) or typing.get_origin(p) is typing.Annotated
        for p in typing.get_args(kind)
    ):
        for part in {p for p in typing.get_args(kind) if p is not Ellipsis}:
            yield from _inside(part, loc, [])
    elif kind in (float, int):
        # Pydantic folds Field(...) inside Annotated into objects of its own.
        parts = [m for m in metadata if hasattr(m, "le")] + [
            m for f in metadata for m in getattr(f, "metadata", []) if hasattr(m, "le")
        ]
        yield ".".join(loc), any(part.le is not None for part in parts)


def test_every_number_of_the_brief_has_a_band_or_a_bound():
    found = dict.fromkeys(key for key, bounded in numbers(Brief) if not bounded)
    lists = ("position_mm", "origin_mm", "rotation_deg", "outer_max_mm", "profile_mm", "groups_per_module", "bed_mm",
             "part.size_mm", "passage.from_mm", "passage.to_mm")  # fmt: skip
    bare = [key for key in found if ".".join(key.split(".")[-2:]) not in PLAUSIBLE and not key.endswith(lists)]
    # Wholes that the program only counts with.
    assert [key for key in bare if key not in ("seed", "fit.seed", "pin.groups_per_module", "pin.split")] == []
    assert len(found) > 40


def brief_slips():
    data = tomllib.loads((BRIEFS / "cargo-scooter.toml").read_text())
    wanted = [(("electrical", key)) for key in ("voltage_max_v", "battery_current_a", "temp_c", "peak_seconds")]
    wanted += [("vehicle", key) for key in ("mass_kg", "rider_kg", "payload_kg", "wheel_diameter_mm")]
    wanted += [("ride", "temp_c"), ("parts", "case_density_kg_m3"), ("constraints", "hot_cell_endless_c_max")]
    wanted += [("compartment", 1, key) for key in ("length_mm", "width_mm", "height_mm")]
    for loc in wanted:
        value = mutate.holder(data, loc)[loc[-1]]
        for unit, factor in (slips_of(str(loc[-1]).removesuffix("_max")) or {"milliseconds": 1e3}).items():
            yield pytest.param(loc, value + 273.15 if factor is None else value * factor, id=f"{loc[-1]} in {unit}")
    more = [
        (("electrical", "reference_soc"), 50.0, "percent"),
        (("electrical", "low_soc"), 20.0, "percent"),
        (("ride", "reserve_soc"), 10.0, "percent"),
        (("ride", "start_soc"), 100.0, "percent"),
        (("vehicle", "drivetrain_efficiency"), 80.0, "percent"),
        (("vehicle", "drivetrain_efficiency"), 0.008, "half a percent"),
        (("vehicle", "crr"), 1.5, "percent"),
        (("vehicle", "cda_m2"), 7500.0, "square centimetres"),
        (("vehicle", "motor_resistance_mohm"), 0.09, "ohms"),
        (("vehicle", "wheel_diameter_mm"), 25.4, "centimetres"),
        (("vehicle", "wheel_diameter_mm"), 10.0, "inches"),
        (("constraints", "range_km_min"), 20000.0, "metres"),
        (("constraints", "peak_power_w_min"), 3.0, "kilowatts"),
        (("constraints", "peak_power_w_min"), 12.0, "kilowatts, 12"),
        (("constraints", "pack_mass_kg_max"), 9500.0, "grams"),
        (("parts", "weld_mohm"), 0.0001, "ohms"),
        (("parts", "spare_fraction"), 5.0, "percent"),
        (("parts", "connector_g"), 0.03, "kilograms"),
        (("harness", "slack_mm"), 0.05, "metres"),
        (("clearance", "wall_mm"), 0.001, "metres"),
        (("compartment", 0, "depth_mm"), 0.118, "metres"),
        (("compartment", 1, "rotation_deg"), [0.0, -1050.0, 0.0], "tenths"),
        (("compartment", 1, "position_mm"), [530000.0, 28.0, 90.0], "micrometres"),
        (("compartment", 0, "profile_mm"), [[0, 0], [0.42, 0], [0.408, 0.078], [0.012, 0.078]], "metres"),
    ]
    for loc, value, unit in more:
        yield pytest.param(loc, value, id=f"{loc[-1]} in {unit}")


@pytest.mark.parametrize(("loc", "value"), list(brief_slips()))
def test_a_key_in_another_unit_is_asked_about(loc, value, tmp_path):
    path = brief_folder(tmp_path / "a")
    data = tomllib.loads((BRIEFS / "cargo-scooter.toml").read_text())
    path.write_bytes(mutate.toml(data))
    open_brief(path)
    mutate.holder(data, loc)[loc[-1]] = value
    path.write_bytes(mutate.toml(data))
    with pytest.raises(BadInput) as caught:
        open_brief(path)
    assert any(str(loc[-1]) in problem.field for problem in caught.value.problems)
    words = " ".join(problem.expected for problem in caught.value.problems)
    assert "is this" in words or "must be ≤" in words, words


def test_the_targets_know_every_column():
    """Were a column added, its slips would be tested, too: the sound tables hold all that the readers know."""
    for kind, name in (("CELL", "cells"), ("STRIP", "strips"), ("WIRE", "wires"), ("BMS", "bms"), ("FUSE", "fuses")):
        header = mutate.parse(next(t.content for t in targets.TARGETS if t.name == name))[0]
        assert {c.name for c in getattr(tables, f"{kind}_COLUMNS")} == set(header)
    assert dataclasses.fields(targets.Target)
