"""The command line as a user meets it: exit codes, one message per fault, nothing written when the input is bad."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

import optimizer
from optimizer.analysis import widening
from optimizer.catalog import builtin_catalogs
from optimizer.cli import main
from optimizer.review.terminal.overview import remedy_lines

QUICK = builtin_catalogs() / "briefs" / "quick-36v.toml"


def run(*args):
    return CliRunner().invoke(main, [str(arg) for arg in args])


@pytest.fixture
def brief(tmp_path):
    """A copy of the quick brief with its catalogs, free to be spoilt; few choices, regular rows only."""
    shutil.copytree(builtin_catalogs(), tmp_path / "catalogs")
    path = tmp_path / "catalogs" / "briefs" / "quick-36v.toml"
    text = path.read_text()
    assert "[vary]" in text
    path.write_text(text)
    return path


def spoil(path, old, new):
    text = path.read_text()
    assert old in text, f"{old!r} is not in {path.name}"
    path.write_text(text.replace(old, new, 1))


def lines_of(table):
    return [line for line in table.read_text().splitlines() if not line.startswith("#")]


def swap_cell(brief, row, column, value):
    """Put a value into the cell catalog; row 0 is the first cell."""
    table = brief.parents[1] / "cells.csv"
    head, *rows = lines_of(table)
    fields = rows[row].split(",")
    fields[head.split(",").index(column)] = value
    rows[row] = ",".join(fields)
    table.write_text("\n".join([head, *rows]) + "\n")


def drop_column(brief, column):
    table = brief.parents[1] / "cells.csv"
    frame = pd.read_csv(table, comment="#", dtype=str, keep_default_na=False)
    frame.drop(columns=column).to_csv(table, index=False)


SPOILT = {
    "missing file": (lambda b: (b.parents[1] / "cells.csv").unlink(), ["catalog.cells", "missing-file"]),
    "bad TOML": (lambda b: spoil(b, "[catalog]", "[catalog"), ["bad-toml"]),
    "unknown key": (lambda b: spoil(b, "wall_mm", "wal_mm"), ["wal_mm", "wall_mm", "unknown-key"]),
    "text for a number": (lambda b: spoil(b, "wall_mm = 1.0", 'wall_mm = "1 mm"'), ["clearance.wall_mm", "1 mm"]),
    "negative dimension": (lambda b: spoil(b, "wall_mm = 1.0", "wall_mm = -1.0"), ["clearance.wall_mm", "-1"]),
    "S that no voltage allows": (lambda b: spoil(b, "series = [", "series = [90, 99] #"), ["series-window"]),
    "missing column": (lambda b: drop_column(b, "mass_g"), ["cells.csv", "mass_g", "missing-column"]),
    "duplicate id": (lambda b: swap_cell(b, 1, "id", lines_of(b.parents[1] / "cells.csv")[1].split(",")[0]), ["row"]),
    "no number": (lambda b: swap_cell(b, 0, "capacity_ah", "lots"), ["capacity_ah", "lots"]),
    "NaN": (lambda b: swap_cell(b, 0, "mass_g", "NaN"), ["mass_g", "NaN"]),
    "voltages the wrong way round": (lambda b: swap_cell(b, 0, "voltage_max_v", "2.0"), ["voltage_max_v"]),
    "empty catalog": (
        lambda b: (b.parents[1] / "cells.csv").write_text(lines_of(b.parents[1] / "cells.csv")[0] + "\n"),
        ["cells.csv", "empty"],
    ),
}  # fmt: skip


@pytest.mark.parametrize("fault", SPOILT)
@pytest.mark.parametrize("command", ["check", "search"])
def test_each_fault_gets_one_message_and_nothing_is_written(brief, tmp_path, fault, command):
    act, words = SPOILT[fault]
    act(brief)
    before = sorted(tmp_path.rglob("*"))
    args = [command, brief] + (["--out", tmp_path / "run"] if command == "search" else [])
    done = run(*args)
    assert done.exit_code == 2, done.output
    assert done.exception is None or isinstance(done.exception, SystemExit)
    assert "Traceback" not in done.output
    for word in words:
        assert word.lower() in done.output.lower()
    assert sorted(tmp_path.rglob("*")) == before


def test_all_faults_are_told_at_once(brief):
    spoil(brief, "wall_mm = 1.0", "wall_mm = -1.0")
    swap_cell(brief, 0, "capacity_ah", "lots")
    swap_cell(brief, 1, "mass_g", "-4")
    spoil(brief, "[catalog]", "[catalog]\n# spoilt")
    done = run("check", brief)
    assert done.exit_code == 2
    assert "wall_mm" in done.output


def test_ride_with_time_going_backwards(brief):
    ride = brief.parents[1] / "rides" / "back.csv"
    ride.write_text("time_s,speed_kmh,grade_pct\n0,0,0\n10,15,0\n5,10,0\n20,0,0\n")
    text = brief.read_text()
    head, tail = text.split("[ride]", 1)
    rest = tail[tail.index("\n[") :]
    brief.write_text(head + '[ride]\ntrace = "../rides/back.csv"\n' + rest)
    done = run("check", brief)
    assert done.exit_code == 2
    assert "back.csv" in done.output
    assert "time_s" in done.output


def test_check_prints_every_default_in_use(brief):
    done = run("check", brief)
    assert done.exit_code == 0
    assert "ageing.capacity_fraction = 1.0" in done.output
    record = json.loads(run("check", brief, "--json").output)
    assert record["defaults"]["ageing.capacity_fraction"] == 1.0


def test_a_brief_that_admits_nothing_ends_with_code_3_the_reasons_and_the_nearest_pack(brief, tmp_path, monkeypatch):
    monkeypatch.setattr(widening, "LOOK_S", 0.0)
    text = brief.read_text()
    if "[constraints]" in text:
        spoil(brief, "[constraints]", "[constraints]\nrange_km_min = 4000.0\n#")
    else:
        brief.write_text(text + "\n[constraints]\nrange_km_min = 4000.0\n")
    text = "\n".join(
        line for k, line in enumerate(brief.read_text().splitlines())
        if not line.startswith("range_km_min") or "4000" in line
    )  # fmt: skip
    brief.write_text(text)
    done = run("search", brief, "--out", tmp_path / "run", "--workers", 1)
    assert done.exit_code == 3, done.output
    assert "range_km_min" in done.output
    assert "One change that lets a pack through" in done.output and "km less" in done.output
    assert done.output.splitlines()[-1] == f"Next: cellstow why {tmp_path / 'run'} --cell ID"
    told = json.loads((tmp_path / "run" / "run.json").read_text())["remedies"]
    assert [each["constraint"] for each in told] == ["range_km_min"] and told[0]["pack"]["cell_id"] in done.output
    assert not (tmp_path / "run" / "front.csv").exists()


def test_fit_needs_only_cells_clearance_and_compartments(tmp_path):
    cells = builtin_catalogs() / "cells.csv"
    path = tmp_path / "fit.toml"
    path.write_text(
        f'[catalog]\ncells = "{cells.as_posix()}"\n[clearance]\nwall_mm = 1.0\n[fit]\nplacements = ["square"]\n'
        '[[compartment]]\nname = "tray"\nshape = "box"\nlength_mm = 100.0\nwidth_mm = 60.0\nheight_mm = 80.0\n'
    )
    done = run("fit", path, "--json")
    assert done.exit_code == 0, done.output
    rows = json.loads(done.stdout)
    assert {"compartment", "cell_ids", "cells", "layout", "least_gap_mm"} <= set(rows[0])
    assert len({tuple(row["cell_ids"]) for row in rows}) == len(rows)


def test_fit_names_a_broken_compartment_and_still_counts_the_others(tmp_path):
    cells = builtin_catalogs() / "cells.csv"
    path = tmp_path / "fit.toml"
    path.write_text(
        f'[catalog]\ncells = "{cells.as_posix()}"\n[clearance]\n[fit]\nplacements = ["square"]\n'
        '[[compartment]]\nname = "good"\nshape = "box"\nlength_mm = 100.0\nwidth_mm = 60.0\nheight_mm = 80.0\n'
        '[[compartment]]\nname = "bow"\nshape = "prism"\nprofile_mm = [[0, 0], [90, 60], [90, 0], [0, 60]]\n'
        'extrude = "y"\ndepth_mm = 80.0\n'
    )
    done = run("fit", path, "--json")
    assert done.exit_code == 2
    assert {row["compartment"] for row in json.loads(done.stdout)} == {"good"}
    assert "bow" in done.stderr
    assert "crosses" in done.stderr


def test_a_run_is_never_overwritten_without_force(brief, tmp_path):
    out = tmp_path / "run"
    out.mkdir()
    (out / "front.csv").write_text("precious")
    done = run("search", brief, "--out", out)
    assert done.exit_code == 2
    assert "run-exists" in done.output
    assert (out / "front.csv").read_text() == "precious"


def test_unknown_command_and_option_are_usage_errors():
    assert run("serch").exit_code == 2
    assert run("fit", "--jsn", Path("x")).exit_code == 2


def test_the_summary_of_a_search_names_the_best_and_the_cautions(brief, tmp_path):
    done = run("search", brief, "--out", tmp_path / "run", "--workers", 1)
    assert done.exit_code == 0, done.output
    told = ("most range", "least cost", "the pick", "Pick ", "Cautions:", "the cold", "licensed practice", "Next:")
    text = " ".join(done.stdout.split())  # lines are set to the terminal's width
    for words in told:
        assert words in text
    assert max(map(len, done.stdout.splitlines())) <= 130
    assert "searched" in done.stderr


def add(brief, text):
    brief.write_text(brief.read_text() + text)


def test_a_ride_faster_than_the_motor_is_named(brief):
    spoil(brief, "[vehicle]", "[vehicle]\nwheel_diameter_mm = 200.0\nmotor_resistance_mohm = 90.0\n"
          "motor_speed_constant_rpm_per_v = 5.0")
    done = run("check", brief)
    assert done.exit_code == 2
    assert "ride-too-fast" in done.output
    assert "ride.speed_kmh" in done.output
    assert "7.9 km/h" in done.output  # 42 V · 5 rpm/V · π · 0.2 m · 60 / 1000 by hand


def test_chargers_that_fit_no_series_count_are_named(brief):
    (brief.parents[1] / "few.csv").write_text(
        "id,voltage_v,current_a,efficiency,mass_g,price\nodd,30.0,3,0.9,300,20\neven,50.0,3,0.9,300,20\n"
    )
    spoil(brief, "[catalog]", '[catalog]\nchargers = "../few.csv"')
    done = run("check", brief)
    assert done.exit_code == 0, done.output
    assert "warning" in done.output and "no-charger" in done.output and "no charging time is given" in done.output
    assert "30, 50" in done.output
    done = run("search", brief, "--out", brief.parent / "run", "--workers", 1)
    assert done.exit_code == 0 and "no charging time is given" in done.stderr
    # Where the brief weighs the charging time there is no answer without one.
    spoil(brief, "[objectives]", "[constraints]\ncharge_min_max = 300.0\n[objectives]")
    done = run("check", brief)
    assert done.exit_code == 2 and "no-charger" in done.output


def test_a_mistyped_command_gets_the_nearest():
    done = run("serch", "x.toml")
    assert done.exit_code == 2 and "No such command 'serch'. Did you mean 'search'?" in done.output
    done = run("qqqqq")
    assert done.exit_code == 2 and "No such command 'qqqqq'." in done.output and "mean" not in done.output


def test_a_folder_in_place_of_a_brief_has_its_code_once(tmp_path):
    done = run("search", tmp_path)
    assert done.exit_code == 2 and done.output.count("[unreadable-file]") == 1
    assert "is a folder: a file is expected" in done.output and "can't be read" not in done.output


def test_a_remedy_has_unit_value_share_and_pack():
    pack = {"design_id": "d0", "cell_id": "some", "series": 20, "parallel": 4, "split": "deck:20"}
    found = [
        {"constraint": "range_km_min", "bound": 60.0, "needed": 38.1299, "pack": pack},
        {"constraint": "cost_max", "bound": 800.0, "needed": 820.1401, "pack": pack},
        {"constraint": "deck width", "bound": 78.0, "needed": 90.0, "pack": pack},
    ]
    told = {"brief": {"currency": "EUR"}, "remedies": found, "unlooked": ["stem length"]}
    head, less, more, wider, late = remedy_lines(told)
    assert "smallest first" in head
    assert less == "  range_km_min = 38.12 in place of 60 (21.88 km less, 36 %): 20S4P some, deck:20"
    assert more == "  cost_max = 820.2 in place of 800 (20.2 EUR more, 2.5 %): 20S4P some, deck:20"
    assert wider == "  deck width = 90 in place of 78 (12 mm more, 15 %): 20S4P some, deck:20"
    assert "for want of time: stem length" in late
    none = remedy_lines({"brief": {}, "remedies": [], "lengths_up_to_mm": 64})
    assert none == ["No change of one limit lets a pack through, nor of one length by up to 64 mm."]


def test_the_version_tells_what_changed():
    done = subprocess.run(
        [sys.executable, "-m", "optimizer", "--version", "--verbose"], capture_output=True, text=True, check=True
    )
    assert done.stdout.startswith(f"cellstow, version {optimizer.__version__}")
    assert f"## {optimizer.__version__}" in done.stdout
