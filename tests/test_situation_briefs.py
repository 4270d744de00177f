"""Briefs with situations: what they become, and one clear message for each fault."""

import re

import pytest

from optimizer.base.problems import BadInput
from optimizer.brief import brief_in, brief_json_schema, load_brief
from optimizer.catalog import builtin_catalogs
from optimizer.review.words import describe, meaning
from optimizer.score.inputs import load_inputs, search_warnings
from optimizer.score.left_out import fade_notes

WINTER = '[[situation]]\nname = "winter"\ntitle = "a frosty morning"\ntemp_c = -5.0\nstart_temp_c = 10.0\n'


def brief(tmp_path, more):
    text = (builtin_catalogs() / "briefs" / "quick-36v.toml").read_text()
    text = text.replace('"../', f'"{builtin_catalogs().as_posix()}/')
    path = tmp_path / "brief.toml"
    path.write_text(f"{text}\n{more}")
    return path


def test_a_situation_stands_in_for_the_briefs_conditions(tmp_path):
    more = WINTER + 'rider_kg = 90.0\nspeed_kmh = 18.0\nheadwind_kmh = 5.0\n[constraints]\nrange_km_min_winter = 4.0\n'
    loaded = load_brief(brief(tmp_path, more))
    other = brief_in(loaded, loaded.situation[0])
    assert (other.ride.temp_c, other.electrical.temp_c, other.vehicle.rider_kg) == (-5.0, 10.0, 90.0)
    assert (other.ride.speed_kmh, other.ride.headwind_kmh, other.ride.grade_pct) == (18.0, 5.0, loaded.ride.grade_pct)
    assert dict(loaded.constraints)["range_km_min_winter"] == 4.0
    assert loaded.figures_asked() >= {"range_km_winter"}
    same = brief_in(loaded, loaded.situation[0].model_copy(update=dict.fromkeys(
        ("temp_c", "start_temp_c", "rider_kg", "speed_kmh", "headwind_kmh"))))  # fmt: skip
    assert (same.ride, same.vehicle, same.electrical) == (loaded.ride, loaded.vehicle, loaded.electrical)


USE = "[use]\nrides_per_week = 8\n"
BAD = {
    "two of one name": (WINTER + WINTER, "duplicate-name", "situation[winter].name"),
    "any": (WINTER.replace('"winter"', '"any"'), "bad-name", "stands for the worst"),
    "begins like a limit": (WINTER.replace('"winter"', '"min_winter"'), "bad-name", "begin limits"),
    "unknown situation": (WINTER + "[constraints]\nrange_km_min_wintr = 5.0\n", "unknown-situation",
                          'is "winter" meant?'),
    "no situation": ("[constraints]\nrange_km_min_winter = 5.0\n", "unknown-situation", "has no [[situation]]"),
    "misspelt constraint": (WINTER + "[constraints]\nrange_mk_min_winter = 5.0\n", "unknown-key",
                            'is "range_km_min_winter" meant?'),
    "figure that no situation changes": (WINTER + "[constraints]\ncost_max_winter = 5.0\n", "unknown-key",
                                         'is "cost_max" meant? It is the same in all situations'),
    "name with a space": (WINTER.replace('"winter"', '"a winter"'), "bad-name", "letters, digits and underscores"),
    "below zero": (WINTER + "[constraints]\npeak_low_w_min_any = -5.0\n", "not-positive", "must be > 0"),
    "other unit": (WINTER + "[constraints]\nrange_km_min_any = 99000.0\n", "wrong-scale", "kilometres"),
    "text": (WINTER + '[constraints]\nrange_km_min_any = "far"\n', "wrong-type", "must be a number"),
    "years without [use]": (WINTER + "years = 3.0\n", "missing-section", "needs [use]"),
    "years and factors": (WINTER + "years = 3.0\n" + USE + "[ageing]\ncapacity_fraction = 0.8\n", "conflict",
                          "exclude each other"),
    "life without [use]": ("[constraints]\ncost_per_1000_km_max = 20.0\n", "missing-section", "needs [use]"),
    "no trace": (WINTER + 'trace = "no.csv"\n', "missing-file", "situation[winter].trace"),
    "nothing to ride": (WINTER + "start_soc = 0.1\n", "soc-order", "leaves nothing to ride"),
    "outside every cell's window": (WINTER.replace("-5.0", "-45.0"), "temp-window", "-20 to"),
}  # fmt: skip


@pytest.mark.parametrize("fault", BAD)
def test_one_clear_message(tmp_path, fault):
    more, code, words = BAD[fault]
    with pytest.raises(BadInput) as bad:
        load_inputs(brief(tmp_path, more))
    assert [problem.code for problem in bad.value.problems] == [code]
    assert words in bad.value.problems[0].text()


def test_an_objective_of_an_unknown_situation(tmp_path):
    path = brief(tmp_path, WINTER)
    text = path.read_text().replace("[objectives]", '[objectives]\nuse = ["range_km_wintr", "cost"]')
    path.write_text(text.replace("range_km = 1.0, peak_power_w = 25.0, pack_mass_kg = 0.05, cost = 5.0", "cost = 5.0"))
    with pytest.raises(BadInput, match='names no situation of the brief; is "winter" meant') as bad:
        load_brief(path)
    assert len(bad.value.problems) == 1


def test_cells_outside_their_window_are_left_out_with_the_reason(tmp_path):
    whole = load_inputs(brief(tmp_path, ""))
    hot = WINTER.replace("-5.0", "-20.0").replace("start_temp_c = 10.0", "start_temp_c = 66.0")
    inputs = load_inputs(brief(tmp_path, hot))
    left = {str(inputs.cells.id[row]) for row in set(whole.cell_rows) - set(inputs.cell_rows)}
    outside = (whole.cells.temp_max_c < 66.0) | (whole.cells.temp_min_c > -20.0)
    want = {str(whole.cells.id[row]) for row in whole.cell_rows if outside[row]}
    assert left == set(inputs.left_out) == want and want and len(inputs.cell_rows)
    assert all("is outside" in text and "winter" in text for text in inputs.left_out.values())


def test_cells_whose_fade_nobody_published(tmp_path):
    """Where nothing asks about years they stay, and `check` names them; where something does they can't be judged."""
    path = brief(tmp_path, WINTER + "years = 2.0\n" + USE)
    text = path.read_text()
    both = text.replace('"amber-18650-*"', '"juniper-18650-*", "amber-18650-*"')
    path.write_text(both)
    inputs = load_inputs(path)
    assert not inputs.left_out and "Na-ion" in inputs.cells.chemistry[inputs.cell_rows]
    notes = fade_notes(inputs.brief, inputs.cells, inputs.cell_rows)
    assert "not published for juniper-18650-e13 (Na-ion)" in notes[-2] and "Schmalstieg" in notes[0]
    assert "lives end at 30 years" in notes[-1]
    limit = "[constraints]\npeak_low_w_min_any = 10.0\n"
    path.write_text(both + limit)
    inputs = load_inputs(path)
    assert set(inputs.left_out) == {"juniper-18650-e13", "juniper-18650-e15"}
    assert all("peak_low_w_any rests on the fade of Na-ion" in why for why in inputs.left_out.values())
    assert search_warnings(inputs)[0].startswith("2 cells are left out, such as juniper-18650-e13: ")
    path.write_text(re.sub(r"\ncells = \[.*", '\ncells = ["juniper-18650-*"]', text) + limit)
    with pytest.raises(BadInput, match=r"fade of juniper-18650-e13 \(Na-ion\) and 1 more; fade is published") as bad:
        load_inputs(path)
    assert [problem.code for problem in bad.value.problems] == ["no-fade"]


def test_editors_know_constraints_in_situations():
    section = brief_json_schema()["$defs"]["Constraints"]
    assert not section["additionalProperties"]
    assert "^range_km_min_[A-Za-z0-9_]+$" in section["patternProperties"]
    assert "^cost_max_[A-Za-z0-9_]+$" not in section["patternProperties"]


def test_words_of_figures_in_situations():
    assert describe("range_km_winter_year_3") == ("range, winter year 3", "km", 1)
    assert describe("margin_peak_low_w_min_any") == ("margin, peak power, low SoC, worst", "W", 0)
    assert describe("range_km_min_winter") == ("range, winter", "km", 1)
    assert describe("range_stop_winter")[0] == "range ends by, winter"
    assert meaning("range_km_min_winter") == "fails the limit on range, winter"
