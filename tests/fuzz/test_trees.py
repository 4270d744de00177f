"""Briefs, design files and run folders mutated: taken as written, with sane figures, or named; nothing is written."""

import copy
import json
import math
import re
import shutil
import tomllib
from functools import partial

import mutate
import pytest
import targets
import trial

from optimizer.brief import open_brief
from optimizer.catalog import builtin_catalogs
from optimizer.design.rescore import design_record, read_design, score_row
from optimizer.design.runs import read_run
from optimizer.score.inputs import read_inputs
from optimizer.search.space.setup import load_space
from optimizer.workflows.compare import compare_job
from optimizer.workflows.how import How
from optimizer.workflows.search import run_job

BRIEFS = builtin_catalogs() / "briefs"
TABLES = {
    "cells": "cells.csv", "strips": "strips.csv", "wires": "wires.csv", "bms": "bms.csv", "fuses": "fuses.csv",
    "chargers": "chargers.csv",
}  # fmt: skip
SMALL = {name: next(t.content for t in targets.TARGETS if t.file == file) for name, file in TABLES.items()}
# Bands by hand for the numbers of a brief, by the end of their key (no published source).
ENDS = (
    ("_soc", 0, 1), ("efficiency", 0, 1), ("fraction", 0, 1), ("_c", -80, 120), ("_c_max", 0, 130), ("_pct", -60, 60),
    ("_kmh", -200, 250), ("_kmh_min", -200, 250), ("_v", 0.5, 2000), ("_a", 0, 6000), ("_kg", 0, 6000),
    ("_kg_max", 0, 6000), ("crr", 0, 0.3), ("cda_m2", 0, 12), ("_deg", -360, 360), ("_kg_m3", 40, 25000),
    ("_mm", -21000, 21000), ("_mm_max", 0, 21000), ("seconds", 0, 1e5), ("_km", 0, 6000), ("_km_min", 0, 6000),
    ("_factor", 1, 11), ("_mohm", 0, 6000), ("_g", 0, 3000), ("_g_per_cell", 0, 200), ("_w", 0, 1e6),
    ("_m", -600, 7000), ("_w_min", 0, 2e6), ("_wh_min", 0, 2e6),
)  # fmt: skip


def brief_folder(folder):
    """Small catalogs, the rides, and the demo briefs that refer to them."""
    (folder / "briefs").mkdir(parents=True)
    for name in ("rides", "ocv"):
        shutil.copytree(builtin_catalogs() / name, folder / name)
    for name, content in SMALL.items():
        (folder / TABLES[name]).write_bytes(content)
    (folder / "own.csv").write_text(targets.OWN)
    return folder / "briefs" / "brief.toml"


def spoilt_brief(rng):
    text = (BRIEFS / mutate.one_of(rng, ["cargo-scooter.toml"] * 3 + ["open-box.toml", "quick-36v.toml"])).read_bytes()
    # The small catalogs know some of the cells only.
    text = re.sub(rb'cells = \["amber.*', b'cells = ["*"]', text)
    text = text.replace(b'strips = ["nickel', b'#strips = ["nickel')
    kind = rng.random()
    if kind < 0.35:
        return mutate.one_of(rng, mutate.BYTES)(rng, text)
    if kind < 0.40:
        return mutate.saved(rng, text)
    return mutate.toml(mutate.tree(rng, tomllib.loads(text.decode())))


def odd_numbers(value, key=""):
    """Numbers of a brief that nobody would take for sane, with their keys."""
    if isinstance(value, dict):
        return [odd for name, inner in value.items() for odd in odd_numbers(inner, name)]
    if isinstance(value, list | tuple):
        return [odd for inner in value for odd in odd_numbers(inner, key)]
    if not isinstance(value, int | float) or isinstance(value, bool):
        return []
    if not math.isfinite(value):
        return [f"{key} = {value}"]
    return [f"{key} = {value}" for end, low, high in ENDS if key.endswith(end) and not low <= value <= high][:1]


def same(a, b):
    """Whether two trees say the same: lists and tuples alike, 1 and 1.0 alike."""
    if isinstance(a, dict) and isinstance(b, dict):
        return a.keys() == b.keys() and all(same(a[k], b[k]) for k in a)
    if isinstance(a, list | tuple) and isinstance(b, list | tuple):
        return len(a) == len(b) and all(map(same, a, b))
    return a == b and isinstance(a, bool) == isinstance(b, bool)


def check_brief(path):
    """Read a brief as a search does; its own numbers must be those of the file, and sane."""
    found = open_brief(path)
    brief = found.fixed({item.name: item.value(item.points // 2) for item in found.free})
    written = tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    if not found.free:
        taken = brief.model_dump(exclude_unset=True)
        assert same(taken, written), f"{taken} is not {written}"
    assert not odd_numbers(brief.model_dump()), odd_numbers(brief.model_dump())
    read_inputs(brief)
    return True


def run_briefs(folder, *, nightly, first=0):
    path, tally, number = brief_folder(folder), trial.Tally(), trial.count(0.3, nightly=nightly)
    for k in range(first, first + number):
        path.write_bytes(spoilt_brief(mutate.rng_of("brief", k)))
        with trial.Watched(folder):
            trial.attempt(partial(check_brief, path), tally, about=f"brief {k}")
    print(f"briefs: {tally}")
    assert tally.taken > 0.03 * number
    assert tally.named > 0.3 * number


def test_any_brief_is_taken_as_written_or_named(tmp_path):
    run_briefs(tmp_path / "a", nightly=False)


@pytest.mark.nightly
@pytest.mark.parametrize("part", range(4))
def test_many_briefs(part, tmp_path):
    quarter = trial.count(0.3, nightly=True) // 4
    path, tally = brief_folder(tmp_path / "a"), trial.Tally()
    for k in range(100_000 + part * quarter, 100_000 + (part + 1) * quarter):
        path.write_bytes(spoilt_brief(mutate.rng_of("brief", k)))
        with trial.Watched(tmp_path / "a"):
            trial.attempt(partial(check_brief, path), tally, about=f"brief {k}")
    print(f"briefs: {tally}")


@pytest.mark.parametrize("name", ["cargo-scooter.toml", "open-box.toml", "quick-36v.toml"])
def test_sound_briefs_are_taken(name, tmp_path):
    """The twin of the fuzzing: with their own catalogs, and after a way through the mutators' own TOML."""
    shutil.copytree(builtin_catalogs(), tmp_path / "catalogs")
    path = tmp_path / "catalogs" / "briefs" / name
    assert check_brief(path)
    path.write_bytes(mutate.toml(tomllib.loads(path.read_text())))
    assert check_brief(path)


TINY = """
title = "tiny"
[catalog]
cells = "../cells.csv"
strips = "../strips.csv"
wires = "../wires.csv"
bms = "../bms.csv"
fuses = "../fuses.csv"
[fit]
ways = ["tray"]
placements = ["square"]
[[compartment]]
name = "box"
shape = "box"
length_mm = 120
width_mm = 105
height_mm = 76
axes = ["z"]
[electrical]
voltage_max_v = 42
voltage_min_v = 20
battery_current_a = 10
[vehicle]
mass_kg = 15
rider_kg = 75
cda_m2 = 0.6
crr = 0.015
drivetrain_efficiency = 0.8
[ride]
trace = "../rides/steady-25.csv"
[vary]
cells = ["amber-18650-e29"]
series = [10, 10]
parallel = [1, 2]
strips = ["copper-10x0.15"]
wires = ["silicone-1.5", "silicone-4"]
fuses = ["blade-60v-15a"]
"""


@pytest.fixture(scope="module")
def tiny(tmp_path_factory):
    """A run of a tiny brief, and the design.json of one of its packs."""
    folder = tmp_path_factory.mktemp("tiny")
    brief = brief_folder(folder / "c")
    brief.write_text(TINY)
    out = folder / "c" / "run"
    run_job(brief, folder=out, how=How(workers=1))
    front = read_run(out).front
    record = design_record(load_space(brief), dict(front.iloc[0]))
    return folder, json.loads(json.dumps(record))


def rescore(path):
    space, choices, _ = read_design(path)
    return score_row(space, choices)


def check_row(row, about):
    for name in ("pack_mass_kg", "cost", "energy_wh", "range_km", "peak_power_w", "resistance_mohm", "voltage_full_v"):
        assert math.isfinite(row[name]) and row[name] >= 0, f"{about}: {name} = {row[name]}"
    assert 0.05 < row["pack_mass_kg"] < 1000, about
    assert row["range_km"] < 20000, about


def spoilt_design(rng, record):
    if rng.random() < 0.15:
        data = json.dumps(record).encode()
        return mutate.one_of(rng, mutate.BYTES)(rng, data)
    spoilt = copy.deepcopy(record)
    part = mutate.one_of(rng, ["", "brief", "catalog", "choices", "ocv_curve", "ride_trace"])
    mutate.tree(rng, spoilt[part] if part else spoilt)
    return json.dumps(spoilt).encode()


def run_designs(folder, record, *, nightly, first=0):
    path, tally = folder / "design.json", trial.Tally()
    folder.mkdir()
    for k in range(first, first + trial.count(0.03, nightly=nightly)):
        path.write_bytes(spoilt_design(mutate.rng_of("design", k), record))
        with trial.Watched(folder):
            row = trial.attempt(partial(rescore, path), tally, file="design.json", about=f"design {k}")
        if row is not None:
            check_row(row, f"design {k}")
    print(f"designs: {tally}")


def test_a_sound_design_file_is_scored(tiny, tmp_path):
    """The twin of the fuzzing; the figures are those it was written with."""
    path = tmp_path / "design.json"
    path.write_text(json.dumps(tiny[1]))
    row = rescore(path)
    check_row(row, "sound")
    assert row["range_km"] == pytest.approx(tiny[1]["figures"]["range_km"], rel=1e-6)


def test_any_design_file_is_scored_or_named(tiny, tmp_path):
    run_designs(tmp_path / "a", tiny[1], nightly=False)


@pytest.mark.nightly
def test_many_design_files(tiny, tmp_path):
    run_designs(tmp_path / "a", tiny[1], nightly=True, first=100_000)


def read_back(folder, other):
    run = read_run(folder)
    compare_job(str(folder), str(other)).text()
    return run


def run_folders(tiny, folder, *, nightly, first=0):
    source, tally = tiny[0] / "c" / "run", trial.Tally()
    place = folder / "run"
    shutil.copytree(source, place)
    (folder / "briefs").mkdir()
    record, parquet = json.loads((source / "run.json").read_text()), (source / "front.parquet").read_bytes()
    for k in range(first, first + trial.count(0.05, nightly=nightly)):
        rng = mutate.rng_of("run", k)
        spoilt = copy.deepcopy(record)
        if rng.random() < 0.3:
            spoilt["front"].pop("sha256", None)  # of a version that wrote none
            (place / "front.parquet").write_bytes(mutate.one_of(rng, mutate.BYTES)(rng, parquet))
        else:
            (place / "front.parquet").write_bytes(parquet)
        data = json.dumps(mutate.tree(rng, spoilt)).encode()
        (place / "run.json").write_bytes(mutate.one_of(rng, mutate.BYTES)(rng, data) if rng.random() < 0.2 else data)
        with trial.Watched(folder):
            trial.attempt(partial(read_back, place, source), tally, about=f"run {k}")
    print(f"runs: {tally}")


def test_any_run_folder_is_read_or_named(tiny, tmp_path):
    run_folders(tiny, tmp_path / "a", nightly=False)


@pytest.mark.nightly
def test_many_run_folders(tiny, tmp_path):
    run_folders(tiny, tmp_path / "a", nightly=True, first=100_000)
