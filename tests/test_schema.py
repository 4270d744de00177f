"""The printed JSON Schema against the briefs that the program reads, by another library's validator.

The schema follows the draft 2020-12 of JSON Schema; jsonschema's validator is the second implementation.
"""

import copy
import json
import tomllib

import pytest
from click.testing import CliRunner
from jsonschema import Draft202012Validator

from optimizer.base.problems import BadInput
from optimizer.brief import Brief, load_brief, open_brief
from optimizer.catalog import builtin_catalogs
from optimizer.cli import main
from optimizer.workflows.new import starter_files

QUICK = builtin_catalogs() / "briefs" / "quick-36v.toml"
DEMOS = sorted(path.name for path in (builtin_catalogs() / "briefs").glob("*.toml"))


@pytest.fixture(scope="module")
def schema():
    done = CliRunner().invoke(main, ["schema"])
    assert done.exit_code == 0
    return json.loads(done.stdout)


def faults(schema, text):
    return [error.message for error in Draft202012Validator(schema).iter_errors(tomllib.loads(text))]


def test_the_schema_is_one(schema):
    Draft202012Validator.check_schema(schema)
    assert schema["$schema"].endswith("2020-12/schema")


@pytest.mark.parametrize("name", DEMOS)
def test_demo_briefs_pass(schema, name):
    assert faults(schema, (builtin_catalogs() / "briefs" / name).read_text()) == []


def test_the_starter_passes(schema):
    assert faults(schema, starter_files()["brief.toml"]) == []


def keys(node, defs):
    """Every key that a schema node knows, its references followed once each."""
    found, todo, seen = set(), [node], set()
    while todo:
        part = todo.pop()
        if isinstance(part, list):
            todo += part
        elif isinstance(part, dict):
            found |= set(part.get("properties", {}))
            name = str(part.get("$ref", "")).removeprefix("#/$defs/")
            if name and name not in seen:
                seen.add(name)
                todo.append(defs[name])
            todo += [value for key, value in part.items() if key not in ("$defs", "default", "enum")]
    return found


def fields(model):
    """Every key of the pydantic model and of the sections below it."""
    found, todo, seen = set(), [model], set()
    while todo:
        one = todo.pop()
        if hasattr(one, "model_fields"):
            if one not in seen:
                seen.add(one)
                for name, field in one.model_fields.items():
                    found.add(field.alias or name)
                    todo.append(field.annotation)
        else:
            todo += list(getattr(one, "__args__", ()))
    return found


def test_each_key_of_the_model_is_in_the_schema(schema):
    wanted = fields(Brief)
    assert {"range_km_min", "groups_per_module", "origin_mm", "share_balance_leads", "capacity_fraction"} <= wanted
    assert wanted <= keys(schema, schema["$defs"])


def undescribed(node, place="brief"):
    """Keys and tables at any depth of a schema whose description is missing or shorter than three words."""
    found = []
    if isinstance(node, list):
        for item in node:
            found += undescribed(item, place)
    elif isinstance(node, dict):
        table = "properties" in node
        if table and len(node.get("description", "").split()) < 3 and not place.startswith("Range"):
            found.append(place)
        for key, part in node.get("properties", {}).items():
            if len(part.get("description", "").split()) < 3:
                found.append(f"{place}.{key}")
        for name, part in node.get("$defs", {}).items():
            if len(part.get("description", "").split()) < 3:
                found.append(name)
            found += undescribed(part, name)
        for key, part in node.items():
            if key not in ("$defs", "default", "enum"):
                found += undescribed(list(part.values()) if key == "properties" else part, place)
    return found


def test_each_key_and_table_says_what_it_is(schema):
    assert undescribed(schema) == []
    for name, key in (("BoxKeepOut", "width_mm"), ("Pin", "fuse"), ("SpreadSection", "dcir")):
        bare = copy.deepcopy(schema)
        bare["$defs"][name]["properties"][key]["description"] = "too short"
        assert undescribed(bare) == [f"{name}.{key}"]


def test_a_number_with_a_unit_in_its_name_has_it_in_its_description(schema):
    units = {"_mm": "[mm]", "_kg": "[kg]", "_v": "[V]", "_a": "[A]", "_w": "[W]", "_c": "[°C]", "_km": "[km]",
             "_kmh": "[km/h]", "_pct": "[%]", "_mohm": "[mΩ]", "_deg": "[degrees]", "_g": "[g]"}  # fmt: skip
    told = 0
    for name, table in schema["$defs"].items():
        for key, part in table.get("properties", {}).items():
            stem = key.removesuffix("_min").removesuffix("_max")
            unit = units.get("_" + stem.split("_")[-1]) if "_" in stem and "_per_" not in stem else None
            if unit and name != "Range":
                told += 1
                assert unit in part["description"], f"{name}.{key}"
    assert told > 50


WRONG = {
    "an unknown key": ("cda_m2 = 0.65", "cda_m2 = 0.65\ncdaa_m2 = 0.65"),
    "a text for a number": ("length_mm = 240.0", 'length_mm = "240"'),
    "a length below 0": ("length_mm = 240.0", "length_mm = -1.0"),
    "an unknown way": ('ways = ["tray"]', 'ways = ["heap"]'),
    "an unknown section": ("[fit]", "[fitt]"),
    "a missing key": ("crr = 0.014\n", ""),
}


@pytest.mark.parametrize("what", WRONG)
def test_schema_and_program_refuse_the_same(schema, tmp_path, what):
    before, after = WRONG[what]
    text = QUICK.read_text().replace('"../', f'"{builtin_catalogs().as_posix()}/')
    path = tmp_path / "brief.toml"
    path.write_text(text)
    load_brief(path)
    assert before in text and faults(schema, text) == []
    path.write_text(text.replace(before, after))
    with pytest.raises(BadInput):
        load_brief(path)
    assert faults(schema, path.read_text())


def test_ranges_are_for_open_briefs(schema, tmp_path):
    text = QUICK.read_text().replace("length_mm = 240.0", "length_mm = { min = 200, max = 240, step = 5 }")
    path = tmp_path / "open.toml"
    path.write_text(text.replace('"../', f'"{builtin_catalogs().as_posix()}/'))
    assert faults(schema, text) == []
    assert len(open_brief(path).free) == 1


def test_written_to_a_file(tmp_path, schema):
    done = CliRunner().invoke(main, ["schema", "--out", str(tmp_path / "brief.schema.json"), "--quiet"])
    assert (done.exit_code, done.output) == (0, "")
    assert json.loads((tmp_path / "brief.schema.json").read_text()) == schema
