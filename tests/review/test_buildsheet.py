"""Build sheet: this design's own figures, the checks of good practice, safe Markdown."""

from dataclasses import replace

import numpy as np
import pytest

from optimizer.review.sheets.buildsheet import build_markdown, build_steps, cautions
from optimizer.review.sheets.expected import group_resistance_mohm, modules, positive_faces, taps, voltages


@pytest.fixture(scope="module")
def sheet(design):
    return build_markdown(design)


def test_modules_of_trays_are_the_compartments(design):
    assert [(m.name, m.first, m.last) for m in modules(design)] == [("deck", 1, 14), ("stem", 15, 18)]


def test_modules_of_cases_follow_the_cases(design):
    deck = design.stations[0]
    case = np.where(deck.chain.group < 5, 1, np.where(deck.chain.group < 10, 0, 2))
    station = replace(deck, layout=replace(deck.layout, module=case, way="modules"))
    found = modules(replace(design, stations=(station,)))
    assert [(m.name, m.first, m.last) for m in found] == [
        ("deck module 1", 1, 5),
        ("deck module 2", 6, 10),
        ("deck module 3", 11, 14),
    ]


def test_voltages_add_up(design):
    # Closed form: groups in series add, so the cases' voltages add up to the pack's.
    total = sum(voltages(design, groups=m.groups).full_v for m in modules(design))
    assert total == pytest.approx(design.row["voltage_full_v"])
    assert voltages(design, groups=1).empty_v == 2.5
    assert group_resistance_mohm(design) == pytest.approx(14.0 / 3)


def test_taps_are_one_more_than_groups_and_rise_by_one_cell(design):
    stem = modules(design)[1]
    found = taps(design, stem)
    assert [name for name, _, _ in found] == ["B14", "B15", "B16", "B17", "B18"]
    assert [v.full_v for _, _, v in found] == pytest.approx([0.0, 4.2, 8.4, 12.6, 16.8])
    assert found[0][1] == "negative plate of group 15"
    assert found[4][1] == "positive plate of group 18"


def test_faces_alternate_along_the_chain(design):
    faces = positive_faces(design.stations[0])
    assert [f[0] for f in faces] == list(range(1, 15))
    assert all(f[1] == 3 for f in faces)
    assert [f[2] for f in faces[:3]] == ["+y", "−y", "+y"]


def test_expected_values_are_on_the_sheet(sheet):
    for text in (
        "75.6 V",
        "64.8 V",
        "118.0 mΩ",
        "| deck | 1–14 | 58.80 |",
        "| stem | 15–18 | 16.80 |",
        "4.67 mΩ",
        "| box | plate | pieces |",
        "| stem | 15-16 | 3 |",
    ):
        assert text in sheet, text


def test_checks_of_good_practice_are_on_the_sheet(sheet):
    low = sheet.lower()
    for text in (
        "measure the rest voltage and the resistance of every cell", "insulating ring",
        "polarity of every group", "clean strip", "peel the strip off", "too hot",
        "too cold", "off its centre", "series direction",
        "pin 1 is the most negative", "bms last", "60 v dc", "local codes", "licensed practice", "un 38.3",
        "to the box: at least 7.6 kω",
    ):  # fmt: skip
        assert text in low, text


def test_order_of_work(design):
    titles = [step.title for step in build_steps(design)]
    assert titles.index("Measure and match the cells") == 0
    assert titles.index("Trial welds") < titles.index("Weld the plates") < titles.index("Balance leads")
    assert titles.index("BMS") > titles.index("Join the cases") > titles.index("Insulation")


def test_other_designs_get_other_figures(make, sheet):
    other = make.make_design(
        row=make.make_row(voltage_full_v=65.7, resistance_mohm=99.9),
        cell={**make.make_design().cell, "voltage_max_v": 3.65},
    )
    text = build_markdown(other)
    assert "65.7 V" in text
    assert "99.9 mΩ" in text
    assert "51.10" in text
    assert "58.80" not in text


def test_names_cannot_break_the_markdown(make):
    odd = make.make_design(title="a | b <script>alert(1)</script>\n# big")
    text = build_markdown(odd)
    assert "<script>" not in text
    assert "\n# big" not in text


def test_own_cautions_come_first(design):
    assert cautions(design)[0].startswith("Full charge is 75.6 V")
