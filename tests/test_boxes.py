"""A brief whose box is a range, through the commands that people type after a search.

Expected values: second implementation (a design of the front scored again from its own file), or closed form.
"""

import json

import pandas as pd
import pytest
from click.testing import CliRunner

from optimizer.catalog import builtin_catalogs
from optimizer.cli import main

QUICK = builtin_catalogs() / "briefs" / "quick-36v.toml"
RANGE = "length_mm = { min = 200, max = 240, step = 40 }"


def run(*args):
    return CliRunner().invoke(main, [str(arg) for arg in args])


@pytest.fixture(scope="module")
def brief(tmp_path_factory):
    text = QUICK.read_text().replace('"../', f'"{builtin_catalogs().as_posix()}/')
    path = tmp_path_factory.mktemp("boxes") / "boxes.toml"
    path.write_text(text.replace("length_mm = 240.0", RANGE))
    return path


@pytest.fixture(scope="module")
def folder(brief):
    out = brief.parent / "run"
    done = run("search", brief, "--out", out, "--workers", 1, "--quiet")
    assert done.exit_code == 0, done.output
    return out


def test_check_tells_what_is_left_free(brief):
    done = run("check", brief)
    assert done.exit_code == 0, done.output
    assert "2 to choose from" in done.output and "box_length_mm 200 to 240 in steps of 40" in done.output
    assert json.loads(run("check", brief, "--json").stdout)["free"] == {"box_length_mm": [200.0, 240.0, 40.0]}


@pytest.mark.slow
def test_shortlist_designs_and_page_of_packs_in_different_boxes(folder):
    assert set(pd.read_parquet(folder / "front.parquet")["dim_box_length_mm"]) == {200.0, 240.0}
    done = run("shortlist", folder, "--count", "2")
    assert done.exit_code == 0, done.output
    assert "box length mm" in done.output
    picked = pd.read_parquet(folder / "shortlist.parquet")
    assert picked["dim_box_length_mm"].nunique() == 2
    for row in picked.to_dict("records"):
        file = folder / "designs" / row["design_id"] / "design.json"
        length = json.loads(file.read_text())["brief"]["compartment"][0]["length_mm"]
        assert length == row["dim_box_length_mm"]
        again = run("rescore", file)
        assert again.exit_code == 0, again.output
        assert "Same figures as written" in again.output
    assert run("report", folder).exit_code == 0
    assert "box to be chosen, box length 200 to 240 mm, width 80 mm" in (folder / "review.html").read_text()


def test_a_pinned_pack_needs_one_box(brief, tmp_path):
    path = tmp_path / "pinned.toml"
    path.write_text(brief.read_text() + '\n[pin]\ncell = "amber-21700-e50"\nseries = 10\nparallel = 2\n')
    for done in (run("check", path), run("search", path, "--out", tmp_path / "run")):
        assert done.exit_code == 2
        assert "pin-without-box" in done.output
    assert not (tmp_path / "run").exists()


def test_what_needs_one_box_says_so(brief, folder):
    for done in (run("fit", brief), run("vary", brief), run("why", folder, "--cell", "amber-21700-e50")):
        assert done.exit_code == 2
        assert "free-dimension" in done.output and "cellstow search" in done.output
