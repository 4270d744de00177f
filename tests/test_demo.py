"""The committed reference run of the demo brief: still what the program finds today.

Grade: regression only. A change of figures here is a breaking change: it comes with a line in the README's
"Results change" list (old, new, why) and with `cellstow search catalogs/briefs/cargo-scooter.toml --out
results/demo --force`.
"""

import json
from pathlib import Path

import moocore
import numpy as np
import pandas as pd
import pytest

from optimizer import api
from optimizer.brief import load_brief
from optimizer.catalog import builtin_catalogs
from optimizer.design.protection import broken
from optimizer.design.select import choose
from optimizer.front.pareto import hypervolume, signed
from optimizer.score.inputs import read_inputs
from optimizer.search.space.setup import make_space
from optimizer.workflows.how import How
from optimizer.workflows.search import run_job

DEMO = Path(__file__).parents[1] / "results" / "demo"
BRIEF = builtin_catalogs() / "briefs" / "cargo-scooter.toml"


CELLS = ("birch-21700-b45", "cinder-21700-p42")


@pytest.mark.nightly
def test_rows_of_two_cells_are_found_again():
    """A row that nothing in the whole space beats is on the front of its own cells, too, when no row is left out."""
    brief = load_brief(BRIEF)
    vary = brief.vary.model_copy(update={"cells": CELLS})
    aims = brief.objectives.model_copy(update={"resolution": {}})
    space = make_space(read_inputs(brief.model_copy(update={"vary": vary, "objectives": aims})))
    now, then = api.front(space, api.search(space)), pd.read_csv(DEMO / "front.csv")
    then = then[then["cell_id"].isin(CELLS)]
    # Rules may have been tightened since the run was made.
    then = then[[not broken(space, choose(space, row)) for row in then.to_dict("records")]]
    assert len(then) > 10
    same = now.merge(then, on="design_id", suffixes=("", "_then"))
    # Where another processor rounds otherwise, free placement may find a few other layouts.
    assert len(same) > 0.8 * len(then)
    for name in aims.use:
        np.testing.assert_allclose(same[name], same[f"{name}_then"], rtol=1e-6)


@pytest.mark.nightly
def test_the_reference_run_is_found_again(tmp_path):
    """Row by row. Where another processor rounds otherwise, free placement may find a few other layouts: then the
    front as a whole must be as good within half a percent.
    """
    result = run_job(BRIEF, folder=tmp_path / "demo", how=How(workers=2))
    now, then = pd.read_csv(tmp_path / "demo" / "front.csv"), pd.read_csv(DEMO / "front.csv")
    assert list(now.columns) == list(then.columns)
    assert result.run["space"]["complete"]
    same = now.merge(then[["design_id"]], on="design_id")
    assert len(same) > 0.8 * len(then)
    both = then.set_index("design_id").loc[same["design_id"]]
    for name in result.objectives:
        np.testing.assert_allclose(same[name], both[name], rtol=1e-6)
    objectives = result.objectives
    volumes = [volume(frame, objectives=objectives, whole=then) for frame in (now, then)]
    assert volumes[0] == pytest.approx(volumes[1], rel=5e-3)


def volume(frame, *, objectives, whole):
    """Hypervolume on the committed run's own spans."""
    low = signed(whole, objectives=objectives).min(axis=0)
    spans = signed(whole, objectives=objectives).max(axis=0) - low
    points = (signed(frame, objectives=objectives) - low) / spans
    return hypervolume(points[(points < 1.1).all(axis=1)], reference=[1.1] * len(objectives))


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
    from optimizer.score.inputs import load_inputs

    run = json.loads((DEMO / "run.json").read_text())
    assert run["inputs"] == load_inputs(BRIEF).hashes()


def test_of_each_cell_size_some_row_takes_few_kinds_of_plates():
    """Straight bands of groups: whoever cuts plates by hand finds a pack of each size that repeats them."""
    rows = pd.read_csv(DEMO / "front.csv")
    least = rows.groupby(rows["cell_id"].str.extract(r"-(\d{5})-")[0])["distinct_plates"].min()
    assert len(least) >= 2 and (least <= 4).all()
