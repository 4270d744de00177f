"""The program as a library gives what the command line gives."""

import json
import runpy
import tomllib
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from optimizer import api
from optimizer.analysis.steps import steps
from optimizer.catalog import builtin_catalogs
from optimizer.cli import main

QUICK = builtin_catalogs() / "briefs" / "quick-36v.toml"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    out = tmp_path_factory.mktemp("api") / "run"
    done = CliRunner().invoke(main, ["search", str(QUICK), "--out", str(out), "--workers", "1", "--quiet"])
    assert done.exit_code == 0, done.output
    return out


@pytest.fixture(scope="module")
def space():
    return api.load(QUICK)


@pytest.fixture(scope="module")
def front(folder):
    return pd.read_parquet(folder / "front.parquet")


def test_search_gives_the_front_of_the_command(space, front):
    found = api.search(space)
    assert found.complete
    own = api.front(space, found)
    pd.testing.assert_frame_equal(own, front, check_dtype=False, rtol=1e-6)


def test_shortlist_is_that_of_the_command(space, front, folder):
    how = ["--count", "1", "--weights", "range_km=2,cost=1", "--json"]
    done = CliRunner().invoke(main, ["shortlist", str(folder), *how])
    assert done.exit_code == 0, done.output
    own = api.shortlist(space, front, count=1, weights={"range_km": 2, "cost": 1})
    assert [row["design_id"] for row in json.loads(done.stdout)] == own["design_id"].tolist()


def test_one_design_scores_as_its_row_and_changes_as_it_should(space, front):
    row = dict(front.iloc[0])
    again = api.score(space, row)
    for name in ("range_km", "peak_power_w", "pack_mass_kg", "cost", "resistance_mohm"):
        assert again[name] == pytest.approx(row[name], rel=1e-6)
    thin, thick = (api.score(space, {**row, "wire": wire}) for wire in ("silicone-0.5", "silicone-6"))
    assert thick["resistance_mohm"] < thin["resistance_mohm"] and thick["pack_mass_kg"] > thin["pack_mass_kg"]


def test_design_and_reasons(space, front):
    design = api.unfold(space, dict(front.iloc[0]))
    assert sum(int(station.used.sum()) for station in design.stations) == front.iloc[0]["cell_count"]
    assert design.bill["cost"].sum() == pytest.approx(front.iloc[0]["cost"], abs=1e-6)
    answer = api.why(space, front, cell="amber-18650-e35", series=11)
    assert [reason.rule for reason in answer.reasons] == ["voltage window"]


def test_faults_come_all_at_once(tmp_path):
    path = tmp_path / "bad.toml"
    path.write_text('[catalog]\ncells = "no.csv"\n[[compartment]]\nname = "a"\nshape = "ball"\n')
    with pytest.raises(api.BadInput) as caught:
        api.load(path)
    assert len(caught.value.problems) > 1


def test_a_brief_of_plain_data_gives_what_its_file_gives(space):
    data = tomllib.loads(QUICK.read_text(encoding="utf-8"))
    same = api.load(data, folder=QUICK.parent)
    assert same.brief.model_dump() == space.brief.model_dump()
    data["vary"] = {"cells": "amber"}
    assert [problem.field for problem in api.check(data, folder=QUICK.parent)] == ["vary.cells"]
    assert api.check(QUICK) == []


def test_fit_counts_what_the_command_counts():
    done = CliRunner().invoke(main, ["fit", str(QUICK), "--json"])
    assert api.fit(QUICK)["cells"].tolist() == [found["cells"] for found in json.loads(done.stdout)]


def test_report_compare_and_vary(folder, space):
    assert api.report(folder).is_file()
    assert api.compare(folder, folder).objectives != ()
    few = [step for step in steps(space.brief) if step.name == "box height"][:1]
    table = api.vary(space, changes=few)
    assert table["parameter"].tolist() == ["box height"] and "range_km_change" in table


def test_the_tour_runs(capsys):
    runpy.run_path(str(Path(__file__).with_name("tour.py")))
    assert "amber-21700-e50" in capsys.readouterr().out


def test_what_the_module_offers_is_there():
    assert all(hasattr(api, name) for name in api.__all__)
