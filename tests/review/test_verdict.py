"""One pick and two alternatives: the same everywhere, in figures that are right."""

import pandas as pd
import pytest

from optimizer.analysis.verdict import groups_of, pack_names, verdict, weakest_margin
from optimizer.base import console
from optimizer.front.ranking import pick_different
from optimizer.review.terminal.tables import highlights, text_table
from optimizer.review.verdict_words import switch_words, verdict_lines

USE = ["range_km", "peak_power_w", "pack_mass_kg", "cost"]
ROW = {
    "split": "deck:14 stem:6", "peak_limit": "controller", "range_stop": "reserve", "charge_min": 100.0,
    "margin_cost_max": 12.0, "margin_range_km_min": 30.0,
}  # fmt: skip


def two() -> pd.DataFrame:
    """Two packs of a front by hand."""
    first = {"design_id": "a", "cell_id": "x", "series": 20, "parallel": 3, "range_km": 40.0, "peak_power_w": 5000.0,
             "pack_mass_kg": 5.0, "cost": 300.0, **ROW, "split": "deck:20"}  # fmt: skip
    other = first | {"design_id": "b", "cell_id": "y", "range_km": 66.0, "pack_mass_kg": 7.75, "cost": 393.0,
                     "charge_min": 268.0, "split": "deck:14 stem:6"}  # fmt: skip
    return pd.DataFrame([first, other])


def test_the_switch_is_told_in_the_figures_of_both():
    found = verdict(two(), objectives=USE, constraints={}, weights={"range_km": 1.0, "cost": 3.0})
    assert found.row["design_id"] == "a"
    words = switch_words(found.alternatives[0], currency="EUR")
    assert words == "+26 km for +2.8 kg, +93 EUR, 168 min more charging, a second box"
    lines = dict(verdict_lines(found, objectives=USE, currency="EUR"))
    assert lines["Pick"].startswith("20S3P x (deck 20)") and "40.0 km of range" in lines["gives"]
    assert lines["limited by"] == "peak power: controller; range: reserve"
    assert lines["ranking"].endswith("range × 1, cost × 3.")


def test_what_a_pack_gives_elsewhere_stands_beside_it():
    cold = {"range_km_winter": 24.44, "peak_power_w_winter": 3990.2, "hot_cell_end_c_winter": 31.0,
            "range_km_third_year": 33.4, "range_km_any": 24.44}  # fmt: skip
    found = verdict(two().assign(**cold), objectives=USE, constraints={"range_km_min_winter": 15.0})
    lines = dict(verdict_lines(found, objectives=USE, currency="EUR"))
    assert lines["in situations"] == "winter 24.4 km, 3990 W peak power; third year 33.4 km"
    assert "in situations" not in dict(verdict_lines(verdict(two(), objectives=USE, constraints={}), objectives=USE,
                                                    currency="EUR"))  # fmt: skip


def test_the_pick_is_the_shortlists_and_the_summarys(front):
    found = verdict(front, objectives=USE, constraints={})
    short = pick_different(front, 5, objectives=USE)
    assert [found.row["design_id"], *(a.row["design_id"] for a in found.alternatives)] == list(short["design_id"][:3])
    assert front["design_id"].iloc[dict(highlights(front, objectives=USE))["the pick"]] == found.row["design_id"]


def test_the_weakest_margin_is_the_least_part_of_its_bound():
    assert weakest_margin(ROW, constraints={"cost_max": 800.0, "range_km_min": 20.0}) == ("cost_max", 0.015)
    assert weakest_margin(ROW, constraints={"hot_cell_endless_c_max": None}) is None


def test_names_say_the_pack_and_count_its_like():
    frame = two().assign(cell_id=["x", "x"])
    assert pack_names(frame) == {"a": "20S3P x · #1", "b": "20S3P x · #2"}
    assert pack_names(two()) == {"a": "20S3P x", "b": "20S3P y"}


def test_groups_of_boxes_with_blanks_in_their_names():
    assert groups_of({"split": "rear box 2:10 stem:0 deck:6"}) == {"rear box 2": 10, "deck": 6}


@pytest.mark.parametrize(("columns", "width"), [("40", 80), ("90", 90), ("300", 120)])
def test_tables_take_the_columns_of_the_terminal(monkeypatch, columns, width):
    monkeypatch.setenv("COLUMNS", columns)
    assert console.columns() == width
    table = text_table(["a long name", "n"], [["x" * 200, "1"]])
    assert max(map(len, table.splitlines())) == width


def test_an_empty_front_has_no_verdict():
    assert verdict(two().iloc[:0], objectives=USE, constraints={}) is None
