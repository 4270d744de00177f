"""The brief: every fault is named once, with its code, key and line, and nothing is guessed in silence."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.base.problems import BadInput, Problem
from optimizer.brief import (
    Brief,
    brief_json_schema,
    defaults_in_use,
    input_hashes,
    load_brief,
    require_for_search,
    series_problems,
)
from optimizer.brief.faults import key_lines, unit_of
from optimizer.catalog import builtin_catalogs

BRIEFS = builtin_catalogs() / "briefs"
FULL = (BRIEFS / "cargo-scooter.toml").read_text(encoding="utf-8").replace('"../', f'"{builtin_catalogs()}/')
SMALL = """
[catalog]
cells = "cells.csv"
[clearance]
wall_mm = 1.5
[[compartment]]
name = "box"
shape = "box"
length_mm = 300
width_mm = 80
height_mm = 80
"""


def write(folder: Path, text: str) -> Path:
    (folder / "cells.csv").write_text("id\n", encoding="utf-8")
    path = folder / "brief.toml"
    path.write_text(text, encoding="utf-8")
    return path


def faults(folder: Path, text: str) -> list[Problem]:
    with pytest.raises(BadInput) as caught:
        load_brief(write(folder, text))
    return caught.value.problems


def changed(old: str, new: str) -> str:
    assert FULL.count(old) >= 1, old
    return FULL.replace(old, new, 1)


class TestGoodBrief:
    def test_fit_needs_only_three_sections(self, tmp_path: Path) -> None:
        brief = load_brief(write(tmp_path, SMALL))
        assert brief.electrical is None
        assert brief.vehicle is None
        assert brief.ride is None
        assert brief.clearance.wall_mm == 1.5
        assert brief.name == "brief"
        assert brief.files() == {"catalog.cells": tmp_path / "cells.csv"}

    def test_what_a_search_needs_is_named(self, tmp_path: Path) -> None:
        missing = require_for_search(load_brief(write(tmp_path, SMALL)))
        assert {problem.field for problem in missing} == {
            "[electrical]", "[vehicle]", "[ride]",
            "catalog.strips", "catalog.wires", "catalog.bms", "catalog.fuses",
        }  # fmt: skip

    def test_charge_time_needs_chargers_and_headroom_a_motor(self, tmp_path: Path) -> None:
        text = SMALL + "[constraints]\ncharge_min_max = 240\nspeed_headroom_kmh_min = 5\n"
        text += (
            "[vehicle]\nmass_kg = 20\nrider_kg = 80\ncda_m2 = 0.6\ncrr = 0.01\ndrivetrain_efficiency = 0.8\n"
        )
        fields = {problem.field for problem in require_for_search(load_brief(write(tmp_path, text)))}
        assert {"catalog.chargers", "vehicle.motor_speed_constant_rpm_per_v"} <= fields

    def test_defaults_are_told_and_given_values_are_not(self, tmp_path: Path) -> None:
        told = dict(defaults_in_use(load_brief(write(tmp_path, SMALL))))
        assert told["clearance.case_mm"] == 1.6
        assert told["compartment[box].position_mm"] == (0.0, 0.0, 0.0)
        assert told["parts.case_density_kg_m3"] == 1270.0
        assert "clearance.wall_mm" not in told
        assert "constraints.range_km_min" not in told

    def test_the_demo_leaves_little_to_defaults(self) -> None:
        brief = load_brief(BRIEFS / "cargo-scooter.toml")
        assert {key.split(".")[0] for key, _ in defaults_in_use(brief) if key != "ride.headwind_kmh"} <= {
            "compartment[stem]",
            "fit",
            "ageing",
            "clearance",
            "joining",
            "part[BMS]",
            "situation[winter]",
            "spread",
            "thermal",
        }
        assert require_for_search(brief) == []

    def test_models_are_frozen(self) -> None:
        brief = load_brief(BRIEFS / "quick-36v.toml")
        with pytest.raises(ValueError, match="frozen"):
            brief.title = "other"  # type: ignore[misc]

    def test_hashes_name_every_input(self) -> None:
        brief = load_brief(BRIEFS / "cargo-scooter.toml")
        hashes = input_hashes(brief)
        assert set(hashes) == {
            "brief", "catalog.cells", "catalog.strips", "catalog.wires", "catalog.bms", "catalog.fuses",
            "catalog.chargers", "ride.trace",
        }  # fmt: skip
        assert all(len(value) == 64 for value in hashes.values())

    def test_windows_line_ends_and_byte_order_mark(self, tmp_path: Path) -> None:
        path = write(tmp_path, "")
        path.write_bytes(b"\xef\xbb\xbf" + SMALL.replace("\n", "\r\n").encode())
        assert load_brief(path).compartment[0].name == "box"


def beside_stem(name: str) -> str:
    """A further compartment in front of the stem, which wires of the demo lead to."""
    more = "length_mm = 50.0\nwidth_mm = 50.0\nheight_mm = 50.0\nposition_mm = [900.0, 0.0, 0.0]"
    return f'name = "{name}"\nshape = "box"\n{more}\n\n[[compartment]]\nname = "stem"'


# Text of the demo to replace, its replacement, and the code and key that must be reported, alone.
SINGLE = [
    ("wall_mm = 1.0", "wal_mm = 1.0", "unknown-key", "clearance.wal_mm"),
    ("[fit] ", "[fti] ", "unknown-key", "fti"),
    ("free_mm = 8.0", "fre_mm = 8.0", "unknown-key", "part[BMS].fre_mm"),
    ("length_mm = 310.0", 'length_mm = "310 mm"', "wrong-type", "compartment[stem].length_mm"),
    ("length_mm = 310.0", "length_mm = -310.0", "not-positive", "compartment[stem].length_mm"),
    ("length_mm = 310.0", "length_mm = 0", "not-positive", "compartment[stem].length_mm"),
    ("length_mm = 310.0", "length_mm = nan", "not-finite", "compartment[stem].length_mm"),
    ("length_mm = 310.0", "length_mm = inf", "not-finite", "compartment[stem].length_mm"),
    ("length_mm = 310.0", "length_mm = true", "wrong-type", "compartment[stem].length_mm"),
    ("length_mm = 310.0", "length_mm = 0.31", "wrong-scale", "compartment[stem].length_mm"),
    ("length_mm = 310.0", "", "missing-key", "compartment[stem].length_mm"),
    ("depth_mm = 126.5", "", "missing-key", "compartment[deck].depth_mm"),
    ("wall_mm = 1.0", "wall_mm = -1.0", "negative", "clearance.wall_mm"),
    ("wall_mm = 1.0", "wall_mm = 100.0", "wrong-scale", "clearance.wall_mm"),
    ('extrude = "y"', 'extrude = "w"', "unknown-value", "compartment[deck].extrude"),
    ('shape = "prism"', 'shape = "tube"', "unknown-value", "compartment[deck].shape"),
    ('shape = "prism"', "", "missing-key", "compartment[deck].shape"),
    ('name = "stem"', beside_stem("deck"), "duplicate-name", "compartment[deck].name"),
    ('name = "stem"', beside_stem("../stem"), "bad-name", "compartment[../stem].name"),
    ("[12, 80]]", "[12, nan]]", "not-finite", "compartment[deck].profile_mm[4][2]"),
    ("[408, 80], [12, 80]]", "]", "wrong-length", "compartment[deck].profile_mm"),
    ("[420, 0], [408, 80], [12, 80]]", "[0.4, 0], [0, 0.1]]", "wrong-scale", "compartment[deck].profile_mm"),
    ("voltage_min_v = 42.0", "voltage_min_v = 84.0", "voltage-order", "electrical.voltage_min_v"),
    ("voltage_max_v = 84.0", "voltage_max_v = 84000.0", "wrong-scale", "electrical.voltage_max_v"),
    ("peak_seconds = 10.0", "peak_seconds = 3600", "out-of-range", "electrical.peak_seconds"),
    ("low_soc = 0.2 ", "low_soc = 0.9 ", "soc-order", "electrical.low_soc"),
    ("regen_current_a = 30.0", "", "missing-key", "electrical.regen_current_a"),
    ("_efficiency = 0.80", "_efficiency = 80", "out-of-range", "vehicle.drivetrain_efficiency"),
    ("_efficiency = 0.80", "_efficiency = 0", "not-positive", "vehicle.drivetrain_efficiency"),
    ("rider_kg = 80.0", "rider_kg = 80000.0", "wrong-scale", "vehicle.rider_kg"),
    ("motor_resistance_mohm = 90.0", "", "missing-key", "vehicle.motor_resistance_mohm"),
    ("reserve_soc = 0.10", "reserve_soc = 1.0", "soc-order", "ride.reserve_soc"),
    ("start_soc = 1.0", "start_soc = 1.2", "out-of-range", "ride.start_soc"),
    ("urban-hills.csv", "urban-hils.csv", "missing-file", "ride.trace"),
    ("start_soc = 1.0", "start_soc = 1.0\nspeed_kmh = 25.0", "conflict", "ride.trace"),
    ('"pack_mass_kg", "cost"]', '"pack_mass", "cost"]', "unknown-value", "objectives.use[3]"),
    ('"pack_mass_kg", "cost"]', '"cost", "cost"]', "duplicate-value", "objectives.use"),
    ("series = [17, 31]", "series = [31, 17]", "range-order", "vary.series"),
    ("series = [17, 31]", "series = [17, 1000000000]", "out-of-range", "vary.series[2]"),
    ("series = [17, 31]", "series = [17.5, 31]", "wrong-type", "vary.series[1]"),
    ('bms_in = ""', 'bms_in = "dek"', "unknown-value", "harness.bms_in"),
    ("seed = 1 ", 'seed = "one" ', "wrong-type", "seed"),
    ("strip_layers = [1, 2]", "strip_layers = []", "wrong-length", "vary.strip_layers"),
]  # fmt: skip


class TestBadBrief:
    @pytest.mark.parametrize(("old", "new", "code", "field"), SINGLE)
    def test_one_fault_is_named_alone(
        self, tmp_path: Path, old: str, new: str, code: str, field: str
    ) -> None:
        found = [(problem.code, problem.field) for problem in faults(tmp_path, changed(old, new))]
        assert found == [(code, field)]

    @pytest.mark.parametrize(("old", "new", "code", "field"), [row for row in SINGLE if row[1]])
    def test_the_line_is_that_of_the_fault(
        self, tmp_path: Path, old: str, new: str, code: str, field: str
    ) -> None:
        problem = faults(tmp_path, changed(old, new))[0]
        here = FULL[: FULL.index(old)].count("\n") + 1
        named = int(problem.where.removeprefix("line "))
        # A conflict points at the key that is already there, a misspelt table at its header.
        assert abs(named - here) <= 3

    def test_all_faults_at_once(self, tmp_path: Path) -> None:
        text = FULL
        for old, new, _, _ in (
            SINGLE[0],
            SINGLE[3],
            SINGLE[13],
            SINGLE[22],
            SINGLE[33],
            SINGLE[35],
            SINGLE[37],
        ):
            text = text.replace(old, new, 1)
        codes = {problem.code for problem in faults(tmp_path, text)}
        assert codes == {
            "unknown-key", "wrong-type", "unknown-value", "voltage-order", "missing-file", "range-order",
        }  # fmt: skip

    def test_near_names_are_offered(self, tmp_path: Path) -> None:
        assert 'is "wall_mm" meant?' in faults(tmp_path, changed("wall_mm = 1.0", "wal_mm = 1.0"))[0].expected
        assert (
            'is "pack_mass_kg" meant?'
            in faults(tmp_path, changed('"pack_mass_kg"', '"pack_mas_kg"'))[0].expected
        )

    def test_a_key_of_the_other_shape_is_told_so(self, tmp_path: Path) -> None:
        problem = faults(tmp_path, changed("depth_mm = 126.5", "depth_mm = 126.5\nheight_mm = 50.0"))[0]
        assert 'belongs to shape = "box"' in problem.expected

    def test_units_are_named_in_type_faults(self, tmp_path: Path) -> None:
        problem = faults(tmp_path, changed("length_mm = 310.0", 'length_mm = "310 mm"'))[0]
        assert problem.expected == "must be a number of millimetres"
        assert problem.found == "'310 mm'"

    @pytest.mark.parametrize(
        ("text", "code"),
        [
            ("a = [", "bad-toml"),
            ("a = 1\na = 2", "bad-toml"),
            ("a = " + "9" * 5000, "bad-toml"),
            ("a = " + "[" * 5000, "bad-toml"),
            ("", "missing-key"),
            (".".join("a" * 50) + " = 1", "unknown-key"),
            (".".join("a" * 100_000) + " = 1", "bad-toml"),
            ("x = {" + ".".join("a" * 100_000) + " = 1}", "bad-toml"),
            ("[" + " " * 100_000 + "x]", "unknown-key"),
            ("\n".join(f"k{n} = 1" for n in range(1000)), "more"),
        ],
    )
    def test_broken_files(self, tmp_path: Path, text: str, code: str) -> None:
        assert code in {problem.code for problem in faults(tmp_path, text)}

    def test_a_broken_file_names_its_line(self, tmp_path: Path) -> None:
        assert faults(tmp_path, "title = 'a'\nfoo bar\n")[0].where == "line 2"

    def test_missing_brief(self, tmp_path: Path) -> None:
        with pytest.raises(BadInput, match="missing-file"):
            load_brief(tmp_path / "none.toml")
        with pytest.raises(BadInput, match="unreadable-file"):
            load_brief(tmp_path)

    def test_utf16_is_named(self, tmp_path: Path) -> None:
        path = write(tmp_path, "")
        path.write_bytes(SMALL.encode("utf-16"))
        with pytest.raises(BadInput, match="encoding"):
            load_brief(path)


class TestSeriesWindow:
    NMC = (np.array([4.2]), np.array([2.5]))

    def problems(self, folder: Path, series: str, window: tuple[float, float]) -> list[Problem]:
        text = SMALL + f"[vary]\nseries = {series}\n[electrical]\nbattery_current_a = 40\n"
        text += f"voltage_max_v = {window[1]}\nvoltage_min_v = {window[0]}\n"
        highest, lowest = self.NMC
        brief = load_brief(write(folder, text))
        return series_problems(brief, voltage_max_v=highest, voltage_min_v=lowest)

    def test_a_window_off_the_voltage_is_named(self, tmp_path: Path) -> None:
        (problem,) = self.problems(tmp_path, "[30, 40]", (42.0, 84.0))
        assert problem.code == "series-window"
        assert "between 17 and 20" in problem.expected

    def test_touching_is_enough(self, tmp_path: Path) -> None:
        assert self.problems(tmp_path, "[20, 40]", (42.0, 84.0)) == []
        assert self.problems(tmp_path, "[1, 17]", (42.0, 84.0)) == []

    def test_no_count_at_all_is_left_to_the_search(self, tmp_path: Path) -> None:
        assert self.problems(tmp_path, "[1, 100]", (83.0, 84.0)) == []

    def test_sixty_volts_hold_fifteen_sodium_cells(self, tmp_path: Path) -> None:
        """15 × 4.0 V = 60.0 V is at the limit, not over it (closed form)."""
        text = SMALL + "[vary]\nseries = [15, 15]\n[electrical]\nbattery_current_a = 40\n"
        brief = load_brief(write(tmp_path, text + "voltage_max_v = 60.0\nvoltage_min_v = 30.0\n"))
        assert series_problems(brief, voltage_max_v=np.array([4.0]), voltage_min_v=np.array([2.0])) == []


class TestJsonSchema:
    def test_it_knows_every_section_and_is_json(self) -> None:
        schema = brief_json_schema()
        assert set(schema["properties"]) == set(Brief.model_fields)
        assert schema["additionalProperties"] is False
        json.dumps(schema)


class TestLines:
    def test_keys_after_multi_line_values(self) -> None:
        text = 'a = """\n[x]\nb = 1\n"""\nc = [\n  [5],\n  [6]]\n[[t]]\nd = 1\n[[t.u]]\ne = 2\n[[t]]\nd = 3\n'
        lines = key_lines(text)
        assert tomllib.loads(text)["t"][1]["d"] == 3
        assert lines[("a",)] == 1
        assert lines[("c",)] == 5
        assert lines[("t", 0, "d")] == 9
        assert lines[("t", 0, "u", 0, "e")] == 11
        assert lines[("t", 1, "d")] == 13
        assert ("x",) not in lines


VALUES = st.one_of(
    st.floats(), st.integers(), st.booleans(), st.text(max_size=5), st.none(),
    st.lists(st.floats(), max_size=3), st.dictionaries(st.text("abc", min_size=1), st.integers(), max_size=2),
)  # fmt: skip


def toml_value(value: object) -> str:
    """TOML text of a plain value; None becomes text that is no TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {toml_value(item)}" for key, item in value.items()) + "}"
    return json.dumps(value) if isinstance(value, str) else repr(value).replace("infinity", "inf")


class TestFuzz:
    LINES = tuple(number for number, line in enumerate(FULL.splitlines()) if " = " in line and line[0] != "#")

    @settings(max_examples=300, deadline=None)
    @given(at=st.sampled_from(LINES), value=VALUES)
    def test_any_value_is_taken_or_named(
        self, tmp_path_factory: pytest.TempPathFactory, at: int, value: object
    ) -> None:
        lines = FULL.splitlines()
        lines[at] = lines[at].split(" = ")[0] + " = " + toml_value(value)
        path = tmp_path_factory.getbasetemp() / "fuzz.toml"
        path.write_text("\n".join(lines), encoding="utf-8", errors="surrogatepass")
        problems: list[Problem] = []
        try:
            brief = load_brief(path)
        except BadInput as error:
            problems = error.problems
        if problems:
            assert all(problem.code and problem.text() for problem in problems)
        else:
            json.dumps(brief.model_dump(), allow_nan=False)


def test_a_bed_smaller_than_one_group_is_one_problem(tmp_path):
    from optimizer.score.inputs import load_inputs

    text = (BRIEFS / "quick-36v.toml").read_text(encoding="utf-8").replace('"../', f'"{builtin_catalogs()}/')
    path = tmp_path / "small.toml"
    path.write_text(text + "\n[case]\nbed_mm = [30.0, 30.0, 100.0]\n", encoding="utf-8")
    with pytest.raises(BadInput) as caught:
        load_inputs(path)
    assert [(p.code, p.field, p.found) for p in caught.value.problems] == [
        ("bed-too-small", "case.bed_mm", "30 × 30 × 100")
    ]


@pytest.mark.parametrize(("key", "unit"), [
    ("price_per_kg", "the currency per kilogram"), ("plate_price_per_kg", "the currency per kilogram"),
    ("pack_mass_kg_max", "kilograms"), ("sun_w_m2", "watts per square metre"), ("cda_m2", "square metres"),
    ("conductivity_w_m_k", "watts per metre and kelvin"),
])  # fmt: skip
def test_a_key_is_told_in_the_whole_of_its_unit(key, unit):
    assert unit_of(key) == unit
