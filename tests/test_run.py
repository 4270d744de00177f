"""A run of the quick brief: what stands in its folder, and that every row can be unfolded and audited."""

import json
import time
from types import SimpleNamespace

import moocore
import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest

from optimizer.base.figures import OBJECTIVES
from optimizer.catalog import builtin_catalogs
from optimizer.design.rescore import score_row
from optimizer.design.speeds import range_by_speed
from optimizer.design.subspace import in_conditions
from optimizer.design.unfold import choose, design_block, unfold
from optimizer.front.pareto import signed
from optimizer.search.exact import archive
from optimizer.search.exact.rows import full_figures
from optimizer.search.exact.tally import Tally
from optimizer.search.running.run import Outcome, search
from optimizer.search.space.setup import load_space
from optimizer.workflows.how import How
from optimizer.workflows.search import Watch, run_job

BRIEF = builtin_catalogs() / "briefs" / "quick-36v.toml"


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """Folder of a run, and its result."""
    folder = tmp_path_factory.mktemp("run")
    return folder, run_job(BRIEF, folder=folder)


@pytest.fixture(scope="module")
def space():
    return load_space(BRIEF)


def test_csv_and_parquet_hold_the_same(run):
    folder, result = run
    csv, parquet = pd.read_csv(folder / "front.csv"), pd.read_parquet(folder / "front.parquet")
    assert list(csv.columns) == list(parquet.columns)
    pd.testing.assert_frame_equal(csv, parquet, check_dtype=False)
    assert len(csv) == len(result.front) > 10


def test_columns_carry_their_units_and_the_issue_names_them(run):
    folder, _ = run
    schema = pq.read_schema(folder / "front.parquet")
    units = {field.name: (field.metadata or {}).get(b"unit", b"").decode() for field in schema}
    assert units["range_km"] == "km"
    assert units["peak_power_w"] == "W"
    assert units["cost"] == "EUR"
    wanted = (
        "design_id cell_id series parallel cell_count split layout strip wire bms range_km range_stop peak_power_w "
        "peak_limit continuous_power_w pack_mass_kg cost energy_wh consumption_wh_per_km voltage_full_v "
        "voltage_nominal_v resistance_mohm peak_low_w hot_cell_endless_c charge_min crossing_conductors"
    )
    assert set(wanted.split()) <= set(units)


def test_no_row_dominates_another(run):
    _, result = run
    points = signed(result.front, objectives=result.objectives)
    assert not moocore.any_dominated(points)
    assert set(result.objectives) <= set(OBJECTIVES)


def test_same_inputs_same_bytes(run, tmp_path):
    folder, _ = run
    run_job(BRIEF, folder=tmp_path / "again")
    assert (tmp_path / "again" / "front.csv").read_bytes() == (folder / "front.csv").read_bytes()


def test_run_json_accounts_for_every_candidate(run):
    folder, _ = run
    record = json.loads((folder / "run.json").read_text())
    space = record["space"]
    assert space["complete"] is True
    assert space["raw"] == space["scored"] + sum(space["pruned"].values())
    assert len(record["inputs"]["brief"]) == 64
    assert {"numpy", "python", "moocore"} <= set(record["versions"])


def test_every_row_scores_the_same_when_unfolded(run, space):
    _, result = run
    for row in result.front.iloc[:: max(len(result.front) // 8, 1)].to_dict("records"):
        figures = full_figures(design_block(space, choose(space, row)), space=space)
        for name in ("range_km", "peak_power_w", "continuous_power_w", "pack_mass_kg", "cost", "resistance_mohm"):
            assert figures[name][0] == pytest.approx(row[name], rel=2e-6), name


def test_an_unfolded_design_adds_up(run, space):
    _, result = run
    row = result.front.iloc[0].to_dict()
    design = unfold(space, row)
    assert design.bill["mass_g"].sum() / 1e3 == pytest.approx(row["pack_mass_kg"], abs=2e-6)
    assert design.bill["cost"].sum() == pytest.approx(row["cost"], abs=2e-6)
    assert sum(station.groups for station in design.stations) == row["series"]
    assert all(station.proof.ok for station in design.stations)
    assert sum(int(station.used.sum()) for station in design.stations) == row["cell_count"]
    balance = design.harness[design.harness["purpose"] == "balance"]
    assert len(balance) == row["series"] + 1  # one case: n groups, n + 1 leads
    assert design.ride["soc"].is_monotonic_decreasing
    assert design.ride["distance_km"].iloc[-1] == pytest.approx(row["range_km"], rel=0.01)
    assert len(design.plates) > 0
    assert any("0 °C" in text for text in design.cautions)


def test_the_fast_range_agrees_with_stepping_on_every_row(run, space):
    _, result = run
    worst = 0.0
    for row in result.front.to_dict("records"):
        figures = full_figures(design_block(space, choose(space, row)), space=space)
        worst = max(worst, abs(figures["fast_range_km"][0] / figures["range_km"][0] - 1.0))
    assert worst < 0.005
    assert np.isfinite(worst)


def test_a_page_lies_beside_the_front_while_the_search_goes_on_and_shows_designs_at_its_end(tmp_path):
    seen = []

    class Looks:
        def say(self, text):
            pass

        def step(self, text):
            if (tmp_path / "review.html").exists():
                seen.append((tmp_path / "review.html").read_text())

    run_job(BRIEF, folder=tmp_path, how=How(refresh_s=0.5, page=True), report=Looks())
    assert seen and all("This search is still at work" in text and "packs on the front" in text for text in seen)
    last = (tmp_path / "review.html").read_text()
    assert "still at work" not in last and "The shortlist in detail" in last and "Range against cruising speed" in last


def test_range_at_the_speed_of_a_level_cruise_is_the_range_of_that_cruise(run, space):
    """And by hand: twice the air drag per metre at more than twice the speed, so that range falls; 0 out of reach."""
    rows = run[1].front.to_dict("records")[:3]
    home = in_conditions(space, ride=space.brief.ride.model_copy(update={"grade_pct": 0.0}))
    table = range_by_speed(home, rows)
    assert list(table) == ["speed_kmh", *(row["design_id"] for row in rows)]
    for row in rows:
        ranges = table[row["design_id"]].to_numpy()
        cruise = float(score_row(home, row)["range_km"])
        assert abs(np.interp(home.brief.ride.speed_kmh, table["speed_kmh"], ranges) / cruise - 1) < 0.02
        assert (np.diff(ranges[table["speed_kmh"] >= 15.0]) <= 0).all()
    exact = float(table["speed_kmh"].iloc[5])
    there = in_conditions(home, ride=home.brief.ride.model_copy(update={"speed_kmh": exact}))
    for row in rows:
        assert table[row["design_id"]].iloc[5] == pytest.approx(float(score_row(there, row)["range_km"]), rel=1e-7)
    ride = home.brief.ride.model_copy(update={"legal_kmh": (150.0,)})
    fast = range_by_speed(in_conditions(home, ride=ride), rows)
    assert fast["speed_kmh"].iloc[-1] == 165.0 and (fast.iloc[-1, 1:] == 0).all()


def test_the_time_left_is_counted_from_where_the_tasks_begin(space, tmp_path, monkeypatch):
    """By hand: two of eight tasks in 4 s leave 12 s, whatever layouts took before."""
    clock, told = [0.0], []
    monkeypatch.setattr(time, "monotonic", lambda: clock[0])
    report = SimpleNamespace(say=told.append, step=told.append)
    watch = Watch(space, tmp_path, "key", How(), report)
    nothing = archive.nothing(rooms=len(space.rooms), objectives=len(space.brief.objectives.use))
    outcome = Outcome([nothing], Tally(), 10, done=2, resumed=2)
    clock[0] = 100.0
    watch(outcome)
    assert told == []
    clock[0], outcome.done = 104.0, 4
    watch(outcome)
    assert told[-1].startswith(" 40 % searched, 12 s left, ")


def test_work_before_the_search_is_told(space):
    told = []
    search(space, workers=1, say=told.append)
    shares = [int(text.split("%")[0]) for text in told]
    assert shares == sorted(shares) and shares[-1] == 100 and all(text.endswith("s left") for text in told)
