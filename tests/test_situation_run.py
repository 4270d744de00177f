"""A run of a brief with situations, from the brief to the page: columns, units, times, verdict, why, page, rescore."""

import json

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner

from optimizer.brief import load_brief
from optimizer.catalog import builtin_catalogs
from optimizer.cli import main
from optimizer.review.page.brief_words import brief_sentences
from optimizer.review.page.page import front_data
from optimizer.search.exact import archive, rows
from optimizer.search.space.setup import load_space

MORE = """
[use]
rides_per_week = 10
ride_km = 12.0
[[situation]]
name = "cold_year_3"
title = "a frosty morning"
temp_c = 0.0
years = 3.0
[constraints]
range_km_min = 9.0
range_km_min_cold_year_3 = 12.0
peak_low_w_min_any = 200.0
cost_per_1000_km_max = 30.0
"""


def run(*words):
    done = CliRunner().invoke(main, [str(word) for word in words], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.stdout


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    where = tmp_path_factory.mktemp("situations")
    text = (builtin_catalogs() / "briefs" / "quick-36v.toml").read_text() + MORE
    text = text.replace('"../', f'"{builtin_catalogs().as_posix()}/')
    path, use = where / "brief.toml", 'use = ["range_km_any", "pack_mass_kg", "life_km"]'
    text = text.replace("[objectives]", f"[objectives]\n{use}")
    text = text.replace("range_km = 1.0, peak_power_w = 25.0, pack_mass_kg = 0.05, cost = 5.0", "range_km_any = 2.0")
    path.write_text(text.replace('"birch-18650-*", "amber-21700-*", "cinder-21700-*"', '"amber-21700-e50"'))
    (where / "told.txt").write_text(run("search", path, "--out", where / "run", "--workers", "1"))
    return where


@pytest.fixture(scope="module")
def front(folder):
    return pd.read_parquet(folder / "run" / "front.parquet")


def test_columns_of_every_situation_with_their_units(folder, front):
    names = ["range_km_cold_year_3", "peak_low_w_cold_year_3", "range_stop_cold_year_3", "capacity_left_cold_year_3"]
    assert set(names) <= set(front)
    np.testing.assert_array_equal(front["range_km_any"], np.minimum(front["range_km"], front["range_km_cold_year_3"]))
    margin = front["margin_range_km_min_cold_year_3"]
    np.testing.assert_allclose(margin, front["range_km_cold_year_3"] - 12.0, atol=2e-6)
    assert np.all(front["range_km_cold_year_3"] < front["range_km"]) and np.all(front["peak_low_w_any"] >= 200.0)
    ends = (front[f"capacity_left{end}_cold_year_3"] for end in ("_least", "", "_most"))
    least, middle, most = ends
    assert np.all((least < middle) & (middle < most))
    fields = {field.name: field.metadata[b"unit"].decode() for field in pq.read_schema(folder / "run" / "front.parquet")
              if field.metadata}  # fmt: skip
    assert (fields["range_km_cold_year_3"], fields["cost_per_1000_km"]) == ("km", "EUR")
    spent = json.loads((folder / "run" / "run.json").read_text())["timing"]["situations_s"]
    assert set(spent) == {"own", "cold_year_3", "any"} and min(spent.values()) > 0.0


def test_terminal_and_page_tell_of_situations(folder, front):
    told = (folder / "told.txt").read_text()
    assert "range, cold year 3 km" in told and "Scoring took, by situation" in told and "capacity left" in told
    record = json.loads((folder / "run" / "run.json").read_text())
    words = "cold_year_3 (a frosty morning): air 0 °C, 3 years old"
    assert any(words in text for text in brief_sentences(record["brief"]))
    data = front_data(front, currency="EUR", picked=[], objectives=["range_km_any", "pack_mass_kg", "life_km"])
    assert {"range_km_any", "peak_low_w_cold_year_3"} <= set(data["table"]) & set(data["moreIsBetter"])
    assert "cold_year_3" in run("check", folder / "brief.toml")


@pytest.fixture(scope="module")
def plainer(folder):
    """A run of the same brief without situations."""
    text = (folder / "brief.toml").read_text().split("\n[use]")[0]
    text = text.replace('["range_km_any", "pack_mass_kg", "life_km"]', '["range_km", "pack_mass_kg"]')
    (folder / "plainer.toml").write_text(text.replace("range_km_any = 2.0", "range_km = 2.0"))
    run("search", folder / "plainer.toml", "--out", folder / "plainer", "--workers", "1", "-q")
    return folder / "plainer"


def test_two_runs_of_which_one_has_situations_are_compared(folder, front, plainer, tmp_path):
    told = run("compare", folder / "run", plainer, "--page", tmp_path / "both.html")
    assert "A alone was judged in: cold_year_3." in told and "situation.cold_year_3:" in told and "use:" in told
    assert "B alone" not in told
    # The page tells what each of them was asked: the situation of A, and what B trades off.
    for order, label in (((folder / "run", plainer), "A"), ((plainer, folder / "run"), "B")):
        run("compare", *order, "--page", tmp_path / "both.html")
        page = (tmp_path / "both.html").read_text()
        assert f"<p>{label}: Situation cold_year_3 (a frosty morning): air 0 °C, 3 years old.</p>" in page
        other = "AB".replace(label, "")
        assert f"<p>{other}: Wanted: the best trade-offs of range and pack mass.</p>" in page
        assert "<p>The battery must fit into" in page and "input catalog.cells, B" in page
    other = pd.read_parquet(plainer / "front.parquet")
    pair = f"{folder / 'run'}:{front['design_id'][0]}", f"{plainer}:{other['design_id'][0]}"
    for sides in (pair, pair[::-1]):
        lines = run("compare", *sides).splitlines()
        (line,) = (each for each in lines if each.startswith("range, cold year 3 km"))
        assert f"{front['range_km_cold_year_3'][0]:.1f}" in line and "not asked of both" in line
        record = json.loads(run("compare", *sides, "--json"))
        values = record["differing"]["range_km_cold_year_3"]
        assert None in values and front["range_km_cold_year_3"][0] in values


def test_two_runs_with_situations_show_what_either_asks_about(folder, front):
    record, told = (run("compare", folder / "run", folder / "run", *more) for more in (["--json"], []))
    assert json.loads(record)["beaten"] == [len(front)] * 2
    head = told.partition("────")[0].split()
    assert {"range,", "cold", "peak", "power,", "SoC,", "worst"} <= set(head) and "alone was judged" not in told


def test_own_figures_are_byte_for_byte_those_without_situations(folder, plainer):
    """Years change neither rides nor parts: the same packs have the same text in every column of their own."""
    text = (folder / "plainer.toml").read_text()
    old = '\n[use]\nrides_per_week = 10\n[[situation]]\nname = "old"\nyears = 3.0\n'
    # And one that says the brief's own conditions again, each by its key.
    brief = load_brief(folder / "plainer.toml")
    said = {key: getattr(brief.ride, key) for key in ("temp_c", "start_soc", "reserve_soc", "headwind_kmh")}
    said |= {key: getattr(brief.vehicle, key) for key in ("rider_kg", "payload_kg")}
    same = "".join(f"{key} = {value}\n" for key, value in said.items())
    (folder / "older.toml").write_text(f'{text}{old}[[situation]]\nname = "same"\nyears = 0.0\n{same}')
    run("search", folder / "older.toml", "--out", folder / "older", "--workers", "1", "-q")
    one, other = (pd.read_csv(each / "front.csv", dtype=str) for each in (plainer, folder / "older"))
    assert {"range_km_old", "life_years"} <= set(other) - set(one) and len(one) > 5
    pd.testing.assert_frame_equal(other[one.columns], one)
    again = {column: column.removesuffix("_same") for column in other if column.endswith("_same")}
    told = {column: own for column, own in again.items() if own in other}
    assert {"range_km", "peak_power_w", "peak_low_w", "energy_wh", "range_stop"} <= set(told.values())
    for column, own in told.items():
        pd.testing.assert_series_equal(other[column], other[own], check_names=False)
    assert (other["range_km"].astype(float) > 0).all() and (other["range_km_old"] != other["range_km"]).all()


def test_the_band_holds_the_range_and_life_ends_at_the_least_range(folder, front):
    least, middle, most = (front[name] for name in (
        "range_least_km_cold_year_3", "range_km_cold_year_3", "range_most_km_cold_year_3"))  # fmt: skip
    assert np.all((least < middle) & (middle < most))
    # Range falls with capacity and, with resistance that rises, a little more.
    for end, km in (("least", least), ("most", most)):
        part = front[f"capacity_left_{end}_cold_year_3"] / front["capacity_left_cold_year_3"]
        more = (km / middle / part - 1.0) * (1.0 if end == "most" else -1.0)
        assert np.all((more > 0.0) & (more < 0.15))
    weekly_km = 10 * 12.0 * 365.25 / 7
    np.testing.assert_allclose(front["life_range_km"], front["life_range_years"] * weekly_km, rtol=1e-5)
    assert np.all(front["life_range_years"] > 3.0)


def test_why_names_the_situation_that_stands_against_a_pack(folder):
    path = folder / "high.toml"
    text = (folder / "brief.toml").read_text()
    text = text.replace("range_km_min_cold_year_3 = 12.0", "range_km_min_cold_year_3 = 40.0")
    path.write_text(text.replace("peak_low_w_min_any = 200.0", "peak_low_w_min_any = 1500.0"))
    told = run("why", path, "--cell", "amber-18650-e35", "--series", "10", "--parallel", "2")
    assert "range_km_min_cold_year_3: range_km_cold_year_3 comes to at most" in " ".join(told.split())
    assert "peak_low_w_any comes to at most" in told and "by cold_year_3" in " ".join(told.split())


def test_the_shortlist_and_a_design_scored_again_know_situations(folder, front):
    told = run("shortlist", folder / "run", "--count", "1")
    assert "cold year 3" in told
    (path,) = (folder / "run" / "designs").glob("*/design.json")
    figures = json.loads(path.read_text())["figures"]
    row = front.set_index("design_id").loc[path.parent.name]
    again = run("rescore", path, "--json")
    for name in ("range_km_cold_year_3", "peak_low_w_any", "cost_per_1000_km", "range_least_km_cold_year_3"):
        assert figures[name] == row[name] and f'"{name}"' in again, name
    assert "range, cold year 3" in run("rescore", path)


def test_a_front_of_nothing_has_its_columns(folder):
    """A brief that no pack meets ends with a message, not for want of the bands of its situations."""
    space = load_space(folder / "brief.toml")
    nothing = archive.nothing(rooms=len(space.rooms), objectives=len(space.brief.objectives.use))
    table = rows.table(*rows.rescored(nothing, space=space), space=space)
    assert not len(table) and {"range_p10_km_cold_year_3", "range_p90_km_cold_year_3"} <= set(table)
