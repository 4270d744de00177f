"""Same inputs, same front: whatever the number of processes, the order of rows, the hash seed; run.json repeats a run.

Grade: regression only (a run against itself).
"""

import json
import os
import subprocess
import sys
from dataclasses import fields
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from optimizer.catalog import (
    builtin_catalogs,
    read_bms,
    read_cells,
    read_chargers,
    read_fuses,
    read_strips,
    read_wires,
)
from optimizer.score.inputs import by_id, load_inputs
from optimizer.workflows.how import How
from optimizer.workflows.search import run_job

TABLES = ("cells", "strips", "wires", "bms", "fuses", "chargers")

BRIEF = """
title = "twins"
seed = 11
[catalog]
{tables}
[fit]
ways = ["tray"]
placements = ["square", "free"]
seconds = 0.1
[[compartment]]
name = "rear"
shape = "box"
length_mm = 104.0
width_mm = 66.0
height_mm = 78.0
axes = ["z"]
[[compartment]]
name = "front"
shape = "box"
length_mm = 120.0
width_mm = 62.0
height_mm = 78.0
position_mm = [300.0, 0.0, 0.0]
axes = ["z"]
[electrical]
voltage_max_v = 44.0
voltage_min_v = 20.0
battery_current_a = 35.0
[vehicle]
mass_kg = 15.0
rider_kg = 75.0
cda_m2 = 0.6
crr = 0.015
drivetrain_efficiency = 0.8
[ride]
speed_kmh = 18.0
grade_pct = 0.2
[constraints]
cost_max = 400.0
[protection]
fuse_protects = false
[objectives]
use = ["range_km", "peak_power_w", "pack_mass_kg", "cost"]
resolution = {{ range_km = 0.2, peak_power_w = 20.0, pack_mass_kg = 0.05, cost = 2.0 }}
[vary]
cells = ["amber-18650-*", "birch-18650-*", "zz-*"]
series = [10, 10]
parallel = [1, 3]
strips = ["nickel-8x0.15", "copper-8x0.10", "zz-*"]
wires = ["silicone-2.5", "silicone-4", "zz-*"]
bms = ["*"]
fuses = ["bolt-*", "zz-*"]
"""

# In every table a second row that is the first in all but its id: ties that only the id can break.
TWINS = {"cells": "amber-18650-e32", "strips": "copper-8x0.10", "wires": "silicone-4", "fuses": "bolt-100v-40a",
         "bms": "warden-10s-40a", "chargers": "dock-42.0v-2a"}  # fmt: skip


def written(folder, *, order=None):
    """The brief with tables of its own, their rows in the order of a generator, or as they stand."""
    folder.mkdir()
    for name in TABLES:
        frame = pd.read_csv(builtin_catalogs() / f"{name}.csv", comment="#", dtype=str, keep_default_na=False)
        twin = frame[frame["id"] == TWINS[name]].assign(id=f"zz-{name}")
        frame = pd.concat([frame, twin], ignore_index=True)
        if order is not None:
            frame = frame.iloc[order.permutation(len(frame))]
        frame.to_csv(folder / f"{name}.csv", index=False)
    tables = "".join(f'{name} = "{name}.csv"\n' for name in TABLES)
    (folder / "twins.toml").write_text(BRIEF.format(tables=tables))
    return folder / "twins.toml"


@pytest.fixture(scope="module")
def first(tmp_path_factory):
    """A run of one process: brief, folder."""
    folder = tmp_path_factory.mktemp("first")
    brief = written(folder / "in")
    result = run_job(brief, folder=folder / "run")
    assert len(result.front) > 10 and result.run["space"]["complete"]
    return brief, folder / "run"


def front(folder):
    return (folder / "front.csv").read_bytes()


def test_two_processes_find_the_same_bytes(first, tmp_path):
    brief, folder = first
    run_job(brief, folder=tmp_path / "two", how=How(workers=2))
    assert front(tmp_path / "two") == front(folder)


@pytest.mark.parametrize("key", [1, pytest.param(2, marks=pytest.mark.nightly)])
def test_the_order_of_catalog_rows_changes_no_byte(first, tmp_path, key):
    _, folder = first
    brief = written(tmp_path / "in", order=np.random.default_rng(key))
    run_job(brief, folder=tmp_path / "shuffled")
    assert front(tmp_path / "shuffled") == front(folder)


def test_twins_are_told_apart_by_id_alone(first):
    """Of equal parts the one whose id comes first is named, though it stands last in the table."""
    _, folder = first
    table = pd.read_csv(folder / "front.csv")
    for column in ("cell_id", "strip", "wire", "fuse", "bms", "charger"):
        assert not table[column].astype(str).str.startswith("zz-").any(), column
    assert (table["cell_id"] == TWINS["cells"]).any() and (table["wire"] == TWINS["wires"]).any()


@pytest.mark.parametrize("hash_seed", ["77", pytest.param("1", marks=pytest.mark.nightly)])
def test_the_hash_seed_changes_no_byte(first, tmp_path, hash_seed):
    """In a process of its own, with nothing cached."""
    brief, folder = first
    code = "import sys; from pathlib import Path; from optimizer.workflows.search import run_job; "
    code += "run_job(Path(sys.argv[1]), folder=Path(sys.argv[2]))"
    environment = {**os.environ, "PYTHONHASHSEED": hash_seed, "CELLSTOW_CACHE": "off"}
    subprocess.run([sys.executable, "-c", code, str(brief), str(tmp_path / "out")], env=environment, check=True)
    assert front(tmp_path / "out") == front(folder)


def test_run_json_is_enough_to_repeat_the_run(first, tmp_path):
    """From run.json alone and the files that it names, each with the hash that it states."""
    _, folder = first
    record = json.loads((folder / "run.json").read_text())
    original = (folder / record["brief_file"]).resolve()
    again = original.parent / "again.toml"
    again.write_text(toml(record["brief"]))
    hashes = load_inputs(again).hashes()
    assert {k: v for k, v in hashes.items() if k != "brief"} == {
        k: v for k, v in record["inputs"].items() if k != "brief"
    }
    assert record["inputs"]["brief"] == load_inputs(original).hashes()["brief"]
    result = run_job(again, folder=tmp_path / "again")
    assert front(tmp_path / "again") == front(folder)
    for name in ("brief", "objectives", "seed", "versions", "cellstow", "code", "space"):
        assert result.run[name] == record[name], name
    packages = {"python", "numpy", "pandas", "scipy", "shapely", "numba", "moocore", "optuna", "pyarrow", "pydantic"}
    assert packages <= set(record["versions"])


def test_another_input_has_another_hash(first):
    brief, folder = first
    record = json.loads((folder / "run.json").read_text())
    wires = brief.parent / "wires.csv"
    before = wires.read_text()
    wires.write_text(before.replace("1.60", "1.61"))
    try:
        hashes = load_inputs(brief).hashes()
    finally:
        wires.write_text(before)
    assert {name for name in hashes if hashes[name] != record["inputs"][name]} == {"catalog.wires"}


def toml(tables):
    """The brief as run.json holds it, as TOML: nothing but strings, numbers, lists and tables."""
    heads = [f"{key} = {value(item)}" for key, item in tables.items() if not nested(item)]
    rest = [line for key, item in tables.items() if nested(item) for line in section(key, item)]
    return "\n".join(heads + rest) + "\n"


def nested(item):
    return isinstance(item, dict) or (isinstance(item, list) and item and isinstance(item[0], dict))


def section(name, item):
    if isinstance(item, list):
        return [line for one in item for line in [f"[[{name}]]", *body(name, one)]]
    return [f"[{name}]", *body(name, item)]


def body(name, item):
    lines = [f"{key} = {value(one)}" for key, one in item.items() if not nested(one) and not isinstance(one, dict)]
    return lines + [line for key, one in item.items() if nested(one) for line in section(f"{name}.{key}", one)]


def value(item):
    return json.dumps(item) if not isinstance(item, float) else repr(item)


def test_constraints_file_pins_every_dependency():
    """Exact versions of all that a clean environment installs; no place to get them from."""
    root = Path(__file__).parents[1]
    if not (root / ".ci").is_dir():
        pytest.skip("not a checkout")
    lines = (root / ".ci" / "constraints.txt").read_text().splitlines()
    pins = dict(line.lower().split("==") for line in lines if line and not line.startswith("#"))
    assert all(not ({":", "/", "@"} & set(line)) for line in lines if not line.startswith("#"))
    for line in (root / "pyproject.toml").read_text().split("optional-dependencies]")[0].splitlines():
        if ">=" in line and line.startswith("    "):
            assert line.strip(' ",').split(">=")[0] in pins, line


def test_sorting_by_id_moves_whole_rows():
    """Every column of every table goes with its id, whatever kind of column it is."""
    for read in (read_cells, read_strips, read_wires, read_bms, read_fuses, read_chargers):
        kind = read.__name__.removeprefix("read_")
        table = read(builtin_catalogs() / f"{kind}.csv")
        ordered, n = by_id(table), len(table)
        assert list(ordered.id) == sorted(table.id)
        rows = [int(np.flatnonzero(table.id == name)[0]) for name in ordered.id]
        for item in fields(table):
            before, after = getattr(table, item.name), getattr(ordered, item.name)
            if isinstance(before, np.ndarray | tuple) and len(before) == n and item.name != "curves":
                assert all(np.array_equal(after[k], before[row], equal_nan=np.asarray(before[row]).dtype.kind == "f")
                           for k, row in enumerate(rows)), (kind, item.name)  # fmt: skip
        assert list(ordered.frame["id"]) == list(ordered.id)
