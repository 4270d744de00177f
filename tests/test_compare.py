"""Two runs and two designs side by side, held against counts and volumes worked out plainly."""

import json
import tomllib
from itertools import product

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from optimizer.analysis.compare import volume_shares
from optimizer.base.figures import OBJECTIVES
from optimizer.catalog import builtin_catalogs
from optimizer.cli import main

QUICK = builtin_catalogs() / "briefs" / "quick-36v.toml"
CELLS = '["amber-18650-*", "birch-18650-*", "amber-21700-*", "cinder-21700-*"]'
OBJECTIVE_NAMES = ("range_km", "peak_power_w", "pack_mass_kg", "cost")


def run(*args):
    return CliRunner().invoke(main, [str(arg) for arg in args])


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    """The quick brief with all its cells, and with those of one kind alone."""
    home = tmp_path_factory.mktemp("compare")
    text = QUICK.read_text().replace('"../', f'"{builtin_catalogs().as_posix()}/')
    text = text.replace("parallel = [2, 5]", "parallel = [2, 3]")
    found = []
    for name, cells in (("all", CELLS), ("few", '["birch-18650-*"]')):
        assert CELLS in text
        (home / f"{name}.toml").write_text(text.replace(CELLS, cells))
        done = run("search", home / f"{name}.toml", "--out", home / name, "--workers", 1, "--quiet")
        assert done.exit_code == 0, done.output
        found.append(home / name)
    return found


def minimised(folder):
    front = pd.read_parquet(folder / "front.parquet")
    return np.column_stack([front[n] * (-1 if OBJECTIVES[n] else 1) for n in OBJECTIVE_NAMES])


def test_beaten_rows_are_those_of_a_plain_count(folders):
    record = json.loads(run("compare", *folders, "--json").stdout)
    one, other = (minimised(folder) for folder in folders)
    counts = [sum(any((b <= a).all() for b in right) for a in left) for left, right in ((one, other), (other, one))]
    assert record["beaten"] == counts
    assert record["beaten"][1] > len(other) / 2
    # What holds few of the cells has no pack that the other has not; but each front is thinned to rows that stand for
    # those within the brief's resolution.
    near = np.array([tomllib.loads(QUICK.read_text())["objectives"]["resolution"][name] for name in OBJECTIVE_NAMES])
    assert all(any((b <= a + near).all() for b in one) for a in other)
    assert record["volume_share"][0] > 0.99 > record["volume_share"][1]


def test_where_the_briefs_differ(folders):
    record = json.loads(run("compare", *folders, "--json").stdout)
    assert record["brief"] == {"vary.cells": [json.loads(CELLS), ["birch-18650-*"]]}
    assert record["files"] == ["brief"]


def test_best_of_each(folders):
    record = json.loads(run("compare", *folders, "--json").stdout)
    fronts = [pd.read_parquet(folder / "front.parquet") for folder in folders]
    for name in OBJECTIVE_NAMES:
        why = f"{'most' if OBJECTIVES[name] else 'least'} {name}"
        best = [front[name].max() if OBJECTIVES[name] else front[name].min() for front in fronts]
        assert [row[name] for row in record["best"][why]] == pytest.approx(best)


def test_volume_shares_of_two_staircases_by_counting_squares():
    """Closed form: 0.6 × 0.6 and 0.2 × 0.9 of the unit square, together 0.36 + 0.18 - 0.12."""
    (one, other), exact = volume_shares(np.array([[0.4, 0.4]]), np.array([[0.8, 0.1]]), reference=np.ones(2))
    assert exact
    assert (one, other) == pytest.approx((0.36 / 0.42, 0.18 / 0.42))
    cells = np.array([(x, y) for x, y in product((np.arange(100) + 0.5) / 100, repeat=2)])
    under = [((cells >= corner).all(axis=1)).mean() for corner in ([0.4, 0.4], [0.8, 0.1])]
    assert under == pytest.approx([0.36, 0.18])


def test_two_designs(folders):
    front = pd.read_parquet(folders[0] / "front.parquet")
    a, b = front.loc[front["range_km"].idxmax()], front.loc[front["cost"].idxmin()]
    pair = [f"{folders[0]}:{row['design_id']}" for row in (a, b)]
    record = json.loads(run("compare", *pair, "--json").stdout)
    assert "range_km" in record["better"][0] and "cost" in record["better"][1]
    assert record["differing"]["cost"] == pytest.approx([a["cost"], b["cost"]])
    text = run("compare", *pair).stdout
    line = next(line for line in text.splitlines() if line.startswith("range km"))
    assert f"{a['range_km']:.1f}" in line and f"{b['range_km']:.1f}" in line and "worse" in line


def test_page_holds_both_fronts(folders, tmp_path):
    page = tmp_path / "both.html"
    done = run("compare", *folders, "--page", page, "--quiet")
    assert (done.exit_code, done.output) == (0, "")
    text = page.read_text()
    for label, folder in zip("AB", folders, strict=True):
        for name in pd.read_parquet(folder / "front.parquet")["design_id"]:
            assert f"{label}:{name}" in text
    # It says of each run what the terminal says, and not that two fronts are one.
    record = json.loads(run("compare", *folders, "--json").stdout)
    told = run("compare", *folders).stdout
    assert "no other beats in everything" not in text and "designs on the front" not in text
    sizes = [len(pd.read_parquet(folder / "front.parquet")) for folder in folders]
    for (label, other), rows, beaten in zip(("AB", "BA"), sizes, record["beaten"], strict=True):
        assert f"{label}: {beaten} of {rows} rows are equalled or beaten by {other}" in told
        assert f"Of the {rows:,} of {label}, {beaten:,} are equalled or beaten by {other}." in text


def test_what_cannot_be_compared_is_said(folders, tmp_path):
    front = pd.read_parquet(folders[0] / "front.parquet")
    design = f"{folders[0]}:{front['design_id'][0]}"
    for args in ((folders[0], design), (folders[0], tmp_path), (folders[0], f"{folders[1]}:dxxxxxxxxxx")):
        done = run("compare", *args)
        assert done.exit_code == 2 and done.stdout == ""
    assert run("compare", design, design, "--page", tmp_path / "p.html").exit_code == 2
    assert not (tmp_path / "p.html").exists()
