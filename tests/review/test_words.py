"""Labels, units and figures."""

import pytest

from optimizer.review.words import axis_label, describe, number, quantity


def test_known_columns_carry_their_unit():
    assert axis_label("range_km") == "range [km]"
    assert axis_label("cost", currency="EUR") == "cost [EUR]"
    assert axis_label("cell_id") == "cell"


@pytest.mark.parametrize(
    ("column", "label", "unit"),
    [
        ("margin_hot_cell_endless_c", "margin, hottest cell, endless ride", "°C"),
        ("margin_pack_mass_kg_max", "margin, pack mass", "kg"),
        ("strip_a_mm2", "strip", "A/mm²"),
        ("wire_area_mm2", "wire area", "mm²"),
        ("margin_odd", "margin, odd", ""),
    ],
)
def test_other_names_tell_their_unit_by_their_ending(column, label, unit):
    assert describe(column)[:2] == (label, unit)


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [(31.449, 1, "31.4"), (1234567.0, 0, "1234567"), (-0.0001, 2, "0.00"), (-1.5, 1, "-1.5"),
     (float("nan"), 1, "–"), (float("inf"), 1, "∞"), ("reserve", 2, "reserve"), (None, 0, "–")],
)  # fmt: skip
def test_plain_numbers(value, decimals, text):
    assert number(value, decimals=decimals) == text


def test_quantity():
    assert quantity("peak_power_w", 3120.4) == "3120 W"
    assert quantity("cost", 341.6, currency="EUR") == "341.60 EUR"
    assert quantity("range_km", float("nan")) == "–"
