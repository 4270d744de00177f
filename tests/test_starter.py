"""`cellstow new`: what it writes is sound as it stands, is searched, and replaces nothing."""

import json
import re
from itertools import pairwise

import pytest
from click.testing import CliRunner

from optimizer.catalog import builtin_catalogs
from optimizer.cli import main
from optimizer.workflows.new import EXAMPLES, ROWS, starter_files

FIRST = {"amber-18650-": "birch-18650-b30", "grove-26650-": "grove-26650-e34", "birch-21700-": "cinder-21700-p40"}


def run(*args):
    return CliRunner().invoke(main, [str(arg) for arg in args])


def test_new_then_check_then_search(tmp_path):
    made = run("new", tmp_path / "mine", "--json")
    assert made.exit_code == 0
    names = [path.rsplit("/", 1)[-1] for path in json.loads(made.stdout)]
    assert names == ["brief.toml", *(f"{name}.csv" for name in ROWS)]
    brief = tmp_path / "mine" / "brief.toml"
    checked = run("check", brief, "--json")
    assert checked.exit_code == 0, checked.output
    short = brief.read_text().replace("series = [10, 16]", "series = [13, 14]")
    short = short.replace('["tray", "modules"]', '["tray"]')
    brief.write_text(short.replace("parallel = [1, 8]", "parallel = [2, 3]"))
    found = run("search", brief, "--out", tmp_path / "run", "--workers", 1, "--quiet", "--json")
    assert found.exit_code == 0, found.output
    record = json.loads(found.stdout)
    assert record["space"]["complete"] and len(record["rows"]) == record["front"]["rows"] > 0
    assert {row["series"] for row in record["rows"]} <= {13, 14}


def test_nothing_is_ever_replaced(tmp_path):
    assert run("new", tmp_path, "--quiet").output == ""
    mark = (tmp_path / "wires.csv").read_text() + "mine\n"
    (tmp_path / "wires.csv").write_text(mark)
    again = run("new", tmp_path)
    assert again.exit_code == 2 and "wires.csv" in again.output
    assert (tmp_path / "wires.csv").read_text() == mark
    (tmp_path / "file").write_text("")
    assert run("new", tmp_path / "file").exit_code == 2


def test_every_key_of_the_starter_says_what_it_is():
    """Each line with a value bears a remark, on it or over it, in the brief; each table says what its columns take."""
    files = starter_files()
    lines = files["brief.toml"].splitlines()
    bare = [
        line
        for above, line in pairwise(lines)
        if "=" in line and not line.startswith("#") and "#" not in line and "#" not in above
    ]
    # Keys whose unit says all, under a heading that bears the remark.
    assert len(bare) <= len(lines) / 4, bare
    for name in ROWS:
        text = files[f"{name}.csv"]
        header = next(line for line in text.splitlines() if not line.startswith("#"))
        told = " ".join(line for line in text.splitlines() if line.startswith("#"))
        assert all(column in told for column in header.split(",")), name


def test_rows_are_those_of_the_demo_tables():
    files = starter_files()
    for name, (_, ids) in ROWS.items():
        demo = (builtin_catalogs() / f"{name}.csv").read_text().splitlines()
        rows = [line for line in files[f"{name}.csv"].splitlines() if not line.startswith("#")][1:]
        assert rows and set(rows) <= set(demo)
        named = [row.split(",")[0] for row in demo]
        assert not ids or [row.split(",")[0] for row in rows] == [name for name in named if name in ids]


def test_new_takes_over_the_users_own_cells(tmp_path):
    lines = (builtin_catalogs() / "cells.csv").read_text().splitlines()
    head = next(k for k, line in enumerate(lines) if line.startswith("id,"))
    mine = [lines[head], *(line for line in lines[head + 1 :] if line.startswith(("amber-18650-e29", "birch-21700")))]
    (tmp_path / "my-cells.csv").write_text("\n".join(mine) + "\n")
    made = run("new", tmp_path / "new", "--from", tmp_path / "my-cells.csv", "--quiet")
    assert made.exit_code == 0, made.output
    assert (tmp_path / "new" / "cells.csv").read_text() == (tmp_path / "my-cells.csv").read_text()
    assert run("check", tmp_path / "new" / "brief.toml").exit_code == 0


def test_new_refuses_cells_that_are_wrong_and_writes_nothing(tmp_path):
    (tmp_path / "bad.csv").write_text("id,format\na,18650\n")
    made = run("new", tmp_path / "new", "--from", tmp_path / "bad.csv")
    assert made.exit_code == 2 and "capacity_ah" in made.output
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize("name", EXAMPLES)
def test_an_example_stands_by_itself_and_its_search_finds_packs(name, tmp_path):
    assert name in run("new", "--example", "list").output
    assert run("new", tmp_path, "--example", name, "--quiet").exit_code == 0
    brief = tmp_path / "brief.toml"
    # One kind of cell of those that it asks for, so that the test stays quick.
    text = re.sub(r'(?m)^cells = \["([^"*]*)\*".*\]', lambda m: f'cells = ["{FIRST[m[1]]}"]', brief.read_text())
    assert text != brief.read_text()
    brief.write_text(text)
    done = run("search", brief, "--out", tmp_path / "run", "--workers", 1, "--quiet", "--json")
    assert done.exit_code == 0, done.output
    assert json.loads(done.stdout)["front"]["rows"] > 0


def test_an_example_that_is_not_there_is_one_message(tmp_path):
    done = run("new", tmp_path / "x", "--example", "tank")
    assert done.exit_code == 2 and "tank" in done.output and "mono-wheel" in done.output
    assert not (tmp_path / "x").exists()
