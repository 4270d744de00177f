"""The committed reference run of the demo brief: still what the program finds today.

Grade: regression only. A change of figures here is a breaking change: it comes with a line in the README's
"Results change" list (old, new, why) and with `cellstow search catalogs/briefs/cargo-scooter.toml --out
results/demo --force`.
"""

import json
from pathlib import Path

import moocore
import pandas as pd
import pytest

from optimizer.catalog import builtin_catalogs
from optimizer.front import signed
from optimizer.search.job import How, run_job

DEMO = Path(__file__).parents[1] / "results" / "demo"
BRIEF = builtin_catalogs() / "briefs" / "cargo-scooter.toml"


@pytest.mark.slow
def test_the_reference_run_is_found_again(tmp_path):
    result = run_job(BRIEF, folder=tmp_path / "demo", how=How(workers=2))
    want = pd.read_csv(DEMO / "front.csv")
    pd.testing.assert_frame_equal(
        pd.read_csv(tmp_path / "demo" / "front.csv"), want, check_dtype=False, rtol=1e-6
    )
    then = json.loads((DEMO / "run.json").read_text())
    for key in ("raw", "complete"):
        assert result.run["space"][key] == then["space"][key]


def test_the_reference_run_is_a_front_of_packs_that_meet_the_brief():
    front, run = pd.read_csv(DEMO / "front.csv"), json.loads((DEMO / "run.json").read_text())
    points = signed(front, objectives=tuple(run["objectives"]))
    assert not moocore.any_dominated(points)
    margins = [name for name in front.columns if name.startswith("margin_")]
    assert len(margins) >= 3
    assert (front[margins] >= 0).all(axis=None)
    assert front["design_id"].is_unique
    pd.testing.assert_frame_equal(pd.read_parquet(DEMO / "front.parquet"), front, check_dtype=False)


def test_the_reference_run_was_made_from_the_catalogs_that_are_here():
    from optimizer.inputs import load_inputs

    run = json.loads((DEMO / "run.json").read_text())
    assert run["inputs"] == load_inputs(BRIEF).hashes()
