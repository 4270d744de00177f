"""Shortlist, report and rescore on a run of the quick brief: one run for all, as a user would do it."""

import json
from dataclasses import replace

import pandas as pd
import pytest
from click.testing import CliRunner

from optimizer.base.problems import BadInput
from optimizer.catalog import builtin_catalogs
from optimizer.cli import main
from optimizer.design.select import choose, design_block
from optimizer.design.unfold import unfold
from optimizer.pack.sharing import weakest_group_capacity
from optimizer.review.page.designs import ride_words
from optimizer.review.sheets.buildsheet import build_markdown
from optimizer.review.sheets.expected import group_resistance_mohm
from optimizer.review.terminal.designs import cautions_of
from optimizer.search.exact.rows import full_figures
from optimizer.search.space.setup import load_space, make_space
from optimizer.workflows.shortlist import parse_weights


def run(*args):
    return CliRunner().invoke(main, [str(arg) for arg in args])


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    out = tmp_path_factory.mktemp("short") / "run"
    done = run("search", builtin_catalogs() / "briefs" / "quick-36v.toml", "--out", out, "--workers", 1, "--quiet")
    assert done.exit_code == 0, done.output
    done = run("shortlist", out, "--count", 2)
    assert done.exit_code == 0, done.output
    return out


def test_the_gravest_caution_comes_first_whosever_it_is():
    weak, cold, store = "The fuse of 40 A does not protect the wire.", "Do not charge below 0 °C.", "Store it cool."
    for whose in ({"a": [cold, store], "b": [weak, cold, store]}, {"b": [weak, cold, store], "a": [cold, store]}):
        lines = cautions_of(whose).splitlines()
        assert lines == ["Cautions:", f"  - b: {weak}", f"  - {cold}", f"  - {store}"]


def test_a_file_is_no_run(folder):
    done = run("shortlist", folder / "run.json")
    assert done.exit_code == 2 and "found a file [no-run]" in done.output and "Errno" not in done.output


def test_a_front_that_is_missing_is_told(folder, tmp_path):
    (tmp_path / "run.json").write_bytes((folder / "run.json").read_bytes())
    done = run("shortlist", tmp_path)
    assert done.exit_code == 2 and all(word in done.output for word in ("missing", "--resume", "[torn-run]"))


def test_shortlist_writes_its_table_and_a_folder_per_design(folder):
    frame = pd.read_csv(folder / "shortlist.csv")
    pd.testing.assert_frame_equal(frame, pd.read_parquet(folder / "shortlist.parquet"), check_dtype=False)
    assert len(frame) == 2
    assert len(set(zip(frame["cell_id"], frame["series"], frame["parallel"], frame["split"], strict=True))) == 2
    for name in ("range_km", "peak_power_w", "pack_mass_kg", "cost"):
        low, high = (next(c for c in frame if c.startswith(name) and p in c) for p in ("p10", "p90"))
        assert (frame[low] <= frame[high]).all()
    for design in frame["design_id"]:
        names = {path.name for path in (folder / "designs" / design).iterdir()}
        assert {"layout.svg", "layout.dxf", "plates.csv", "harness.csv", "bill.csv", "build.md", "design.json"} <= names


def test_one_figure_has_one_value(folder):
    """The range in the table, at the end of the chart's ride and inside its own band; two temperatures, two names."""
    space = load_space(builtin_catalogs() / "briefs" / "quick-36v.toml")
    frame = pd.read_csv(folder / "shortlist.csv")
    for row in frame.to_dict("records"):
        design = unfold(space, row)
        assert design.ride["distance_km"].iloc[-1] == pytest.approx(row["range_km"], abs=1e-6)
        assert design.ride["soc"].iloc[-1] >= space.context.reserve_soc - 1e-9
        words = ride_words(design)
        assert f"The ride: {row['range_km']:.1f} km" in words
        assert f"hottest cell in it {design.ride['temp_c'].max():.1f} °C, in a ride that goes on" in words
        assert f"and on {row['hot_cell_endless_c']:.1f} °C" in words
        # The chart's heat is that of the course's resistance, which is colder than the hottest cell's own.
        assert abs(design.ride["temp_c"].iloc[-1] - row["hot_cell_end_c"]) < 3.0
        for name in ("range_km", "pack_mass_kg", "cost"):
            assert row[f"{name}_p10"] - 1e-6 <= row[name] <= row[f"{name}_p90"] + 1e-6, name
    # The spread counts: without it the pack goes farther.
    even = replace(space, context=replace(space.context, capacity_cv=0.0))
    block = design_block(space, choose(space, row))
    spread, alike = (full_figures(block, space=each)["range_km"][0] for each in (space, even))
    k = weakest_group_capacity(space.context.capacity_cv, series=row["series"], parallel=row["parallel"])
    assert spread / alike == pytest.approx(k, rel=2e-3) and k < 0.999


def test_what_the_build_sheet_asks_to_measure_adds_up(folder):
    """The groups' resistance and the pack's are those after the same time, in the same state: connections are what is
    between them."""
    space = load_space(builtin_catalogs() / "briefs" / "quick-36v.toml")
    asked, row = space.brief.electrical, pd.read_csv(folder / "shortlist.csv").iloc[0].to_dict()
    brief = space.brief.model_copy(update={"electrical": asked.model_copy(update={"peak_seconds": 3.0})})
    for each in (space, make_space(replace(space.inputs, brief=brief))):
        figures = full_figures(design_block(each, choose(each, row)), space=each)
        row |= {name: value[0] for name, value in figures.items()}
        design = unfold(each, row)
        cells = row["series"] * group_resistance_mohm(design)
        block = design_block(each, choose(each, row))
        assert row["resistance_mohm"] - cells == pytest.approx(1e3 * block.extra_ohm[0], rel=1e-9)
        text = build_markdown(design)
        seconds = each.brief.electrical.peak_seconds
        said = f"after {seconds:g} s of a steady load at {asked.reference_soc:.0%} of charge and {asked.temp_c:g} °C"
        assert text.count(said) == 2 and f"the cells have {cells:.1f} mΩ" in text


def test_a_design_scores_the_same_from_its_own_file(folder):
    design = pd.read_csv(folder / "shortlist.csv")["design_id"].iloc[0]
    path = folder / "designs" / design / "design.json"
    done = run("rescore", path, "--json")
    assert done.exit_code == 0, done.output
    json.loads(done.stdout)
    assert "Same figures as written" in run("rescore", path).output
    # A figure changed by hand in the file is noticed.
    record = json.loads(path.read_text())
    text = json.dumps(record)
    row = pd.read_csv(folder / "front.csv").set_index("design_id").loc[design]
    assert repr(float(row["range_km"])) in text
    path.write_text(text.replace(repr(float(row["range_km"])), repr(float(row["range_km"]) * 1.01)))
    again = run("rescore", path)
    assert again.output != run("rescore", folder / "designs" / design / "design.json", "--json").output
    assert "range" in again.output


def test_report_is_one_file_that_names_every_design(folder):
    done = run("report", folder)
    assert done.exit_code == 0, done.output
    page = (folder / "review.html").read_text()
    for design in pd.read_csv(folder / "shortlist.csv")["design_id"]:
        assert design in page


def test_why_names_the_rule_against_a_pack_and_accounts_for_the_space(folder):
    done = run("why", folder, "--series", 14)
    assert done.exit_code == 0, done.output
    assert "14" in done.output
    done = run("why", folder)
    assert done.exit_code == 0, done.output
    assert "parts that others beat" in done.output or "scored" in done.output


@pytest.mark.parametrize("command", ["shortlist", "report", "why"])
def test_a_folder_without_a_run_is_named(command, tmp_path):
    done = run(command, tmp_path / "nowhere")
    assert done.exit_code == 2
    assert "nowhere" in done.output
    assert "Traceback" not in done.output


@pytest.mark.parametrize(("text", "said"), [
    ("range_km=2,cost", "'cost' has no weight"), ("range_km=2,cost=much", "'cost=much' has no number"),
    ("range_km", "'range_km' has no weight"), ("range_km=1=2", "'range_km=1=2' has no number"),
])  # fmt: skip
def test_weights_that_cannot_be_read_are_named(text, said):
    with pytest.raises(BadInput, match=said) as caught:
        parse_weights(text, objectives=["range_km", "cost"])
    assert "unpack" not in str(caught.value) and "convert" not in str(caught.value)
