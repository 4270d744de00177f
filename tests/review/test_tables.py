"""Terminal tables: right rows, right figures, 100 columns, no tricks from ids."""

import pandas as pd
import pytest

from optimizer.base.texts import clipped
from optimizer.review.terminal.tables import (
    front_summary,
    highlights,
    side_by_side,
    text_table,
)

USE = ["range_km", "peak_power_w", "pack_mass_kg", "cost"]


def test_highlights_are_the_best_rows(front):
    found = dict(highlights(front, objectives=USE))
    assert front["range_km"].iloc[found["most range"]] == front["range_km"].max()
    assert front["pack_mass_kg"].iloc[found["least pack mass"]] == front["pack_mass_kg"].min()
    assert front["cost"].iloc[found["least cost"]] == front["cost"].min()
    assert "the pick" in found


def test_summary_fits_and_shows_figures_with_units(front):
    front.loc[0, "cell_id"] = "a-cell-with-a-name-that-somebody-made-far-too-long-for-a-table"
    text = front_summary(front, objectives=USE, currency="EUR")
    assert max(len(line) for line in text.splitlines()) <= 100
    best = front["range_km"].max()
    assert f"{best:.1f}" in text
    names, units = (line.split() for line in text.splitlines()[2:4])
    assert names[:2] == ["range", "peak"] and units[:4] == ["pack", "design", "km", "W"]
    assert text.startswith("60 designs on the front")
    assert "nothing meets every limit" in front_summary(front.iloc[:0], objectives=USE)


def test_which_cell_it_is_matters_more_than_what_nobody_asked_for(front):
    front["cell_id"] = [f"birch-21700-b{k:02d}" for k in range(len(front))]
    text = front_summary(front, objectives=USE, currency="EUR", width=100)
    assert "…" not in text and "hottest" not in text
    assert all(front["cell_id"].iloc[place] in text for _, place in highlights(front, objectives=USE))
    assert "hottest °C" in front_summary(front, objectives=USE, currency="EUR", width=140)


def test_side_by_side_shows_each_figure_in_a_line(front):
    both = side_by_side(front.head(2).to_dict("records"), columns=["series", *USE], currency="EUR")
    assert both.splitlines()[2].split() == ["series", "16", "16"]
    assert "cost EUR" in both


def test_missing_figures_are_dashes_not_nan():
    row = {"design_id": "a", "range_km": float("nan")}
    assert side_by_side([row, row], columns=["range_km"]).splitlines()[2].split() == ["range", "km", "–", "–"]


def test_control_signs_in_ids_do_not_reach_the_terminal():
    assert clipped("a\x1b[31mb", 20) == "a?[31mb"
    assert clipped("abcdef", 4) == "abc…"


def test_rows_of_other_length_are_refused():
    with pytest.raises(ValueError, match="as many cells"):
        text_table(["a", "b"], [["1"]])


def test_columns_line_up():
    lines = text_table(["name", "n"], [["a", "1"], ["bb", "100"]]).splitlines()
    assert lines == ["name    n", "────  ───", "a       1", "bb    100"]


def test_frame_is_left_alone(front):
    before = front.copy()
    front_summary(front, objectives=USE)
    pd.testing.assert_frame_equal(front, before)


def test_units_go_under_their_headers_before_names_are_cut():
    rows = [["most peak power", "14S4P amber-18650-e35", "d509bcd116b", "50.8", "1375", "3.42", "317.19"]]
    headers = ["", "pack", "design", "range km", "peak W", "mass kg", "cost EUR"]
    wide, narrow = (text_table(headers, rows, left=3, width=width).splitlines() for width in (100, 80))
    assert wide[0].split() == ["pack", "design", "range", "km", "peak", "W", "mass", "kg", "cost", "EUR"]
    assert [line.split() for line in narrow[:2]] == [
        ["range", "peak", "mass", "cost"], ["pack", "design", "km", "W", "kg", "EUR"],
    ]  # fmt: skip
    assert "14S4P amber-18650-e35" in narrow[-1] and max(map(len, narrow)) <= 80
