"""The report's text: complete in itself, escaped, honest about empty fronts."""


import itertools
import json
import re
from dataclasses import replace
from html.parser import HTMLParser

import colorspacious
import numpy as np
import pytest
from markupsafe import escape

from optimizer.base.figures import FIGURES
from optimizer.review.page.brief_words import brief_sentences
from optimizer.review.page.grids import bill, margins, rejected, run_table, spread, tolerances
from optimizer.review.page.page import ASSETS, as_json, front_data, glossary, in_script, render_page, write_page

NASTY = "</script><img src=x onerror=alert(1)> \"&' {{ 7*7 }}"


class Outline(HTMLParser):
    """Collects tags, ids and references."""

    def __init__(self):
        super().__init__()
        self.tags, self.ids, self.links, self.labels = [], [], [], []

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        self.tags.append(tag)
        if "id" in given and tag not in ("path", "g", "clippath", "use", "defs", "svg"):
            self.ids.append(given["id"])
        self.links += [given[k] for k in ("src", "href") if k in given and tag not in ("use",)]
        if tag == "svg":
            self.labels.append(given.get("aria-label"))


@pytest.fixture(scope="module")
def text(design, make):
    front = make.make_front()
    return render_page(front=front, run=make.make_run(), designs=[design], units={"cost": "EUR"})


@pytest.fixture(scope="module")
def outline(text):
    parser = Outline()
    parser.feed(text)
    return parser


def test_nothing_is_loaded_from_anywhere(outline):
    assert all(link.startswith(("#", "data:")) for link in outline.links), outline.links
    assert outline.tags.count("link") == 1  # the empty icon, which keeps browsers from asking for one


def test_the_page_forbids_itself_to_load(text):
    policy = re.search(r'http-equiv="Content-Security-Policy" content="([^"]*)"', text).group(1)
    assert policy.startswith("default-src 'none'")
    assert "http" not in policy


def test_every_link_inside_finds_its_place(outline):
    inside = {link[1:] for link in outline.links if link.startswith("#") and len(link) > 1}
    assert inside <= set(outline.ids)
    assert len(outline.ids) == len(set(outline.ids))


def test_pictures_have_words(outline):
    assert len(outline.labels) == 6  # layout, vehicle, ride; on paper two parts of the layout, and the ride
    assert all(label and len(label) > 20 for label in outline.labels)


def test_all_that_was_asked_for_is_there(text):
    for needed in (
        "The battery must fit into deck", "The front as a table", "Why candidates were rejected",
        "Side by side",
        "All objectives at once", "Margins to the limits", "Mass and cost", "Wiring", "The ride", "Tolerances",
        "Cautions", "Build sheet", "peak power below its limit", "sha256", "18S3P of demo-21700-hp",
    ):  # fmt: skip
        assert needed in text, needed


def test_data_in_the_page_are_the_fronts(text, front):
    blob = re.search(r'id="front-data">(.*?)</script>', text, re.S).group(1)
    data = json.loads(blob)
    assert data["ids"] == list(front["design_id"])
    assert np.allclose(data["values"]["range_km"], front["range_km"], rtol=1e-6)


def test_names_are_escaped_everywhere(make, front):
    front.loc[0, ["design_id", "cell_id"]] = [NASTY, NASTY]
    nasty = make.make_design(row=make.make_row(design_id=NASTY, cell_id=NASTY), title=NASTY, cautions=(NASTY,))
    run = make.make_run() | {"title": NASTY, "rejected": {NASTY: 3}, "inputs": {NASTY: NASTY}}
    text = render_page(front=front, run=run, designs=[nasty], units={"cost": NASTY})
    assert "<img" not in text
    assert "onerror=alert(1)>" not in text
    assert "{{ 7*7 }}" in text  # shown, not worked out
    parser = Outline()
    parser.feed(text)
    assert parser.tags.count("script") == 3  # data, picture, script


def test_json_for_a_script_element():
    # JSON's own \u escapes mean the same text (RFC 8259).
    text = as_json({"a": "</script><!--&"})
    assert "<" not in text
    assert "&" not in text
    assert json.loads(text) == {"a": "</script><!--&"}
    assert in_script("x = '</script>' <!-- y") == "x = '<\\/script>' <\\!-- y"


def test_missing_figures_become_nothing(front):
    front["hot_cell_endless_c"] = front["hot_cell_endless_c"].where(front.index > 3)
    data = front_data(front, currency="EUR", picked=[])
    fifth = pytest.approx(front["hot_cell_endless_c"][4])
    assert data["values"]["hot_cell_endless_c"][:5] == [None, None, None, None, fifth]
    as_json(data)


def test_an_empty_front_still_makes_a_page(front, make, tmp_path):
    write_page(tmp_path / "r.html", front=front.iloc[:0], run=make.make_run(), designs=[], units={})
    text = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "nothing meets every limit" in text
    assert "Why candidates were rejected" in text


def test_same_run_same_bytes(design, make, text):
    again = render_page(front=make.make_front(), run=make.make_run(), designs=[design], units={"cost": "EUR"})
    assert again == text


def test_weight_stays_bearable(make, text):
    """Five designs in full in 6 MB; the page's own part is counted once."""
    own = len(render_page(front=make.make_front(), run=make.make_run(), designs=[], units={"cost": "EUR"}).encode())
    assert own + 5 * (len(text.encode()) - own) < 6e6


def test_grids_hold_the_figures(design, make):
    lines = bill(design.bill, currency="EUR")
    assert lines.rows[-1].total
    assert lines.rows[-1].cells[5].text == f"{design.bill['cost'].sum():.2f}"
    assert [h.text for h in lines.headers[2:4]] == ["quantity", "unit price [EUR]"]
    assert (lines.rows[0].cells[3].text, lines.rows[-1].cells[3].text) == ("3.9000", "")
    assert lines.rows[0].cells[4].bar == pytest.approx(100 * 3726 / design.bill["mass_g"].sum(), abs=0.05)
    limits = margins({"margin_range_km": -0.4, "margin_cost": float("nan"), "x": 1}, currency="EUR")
    assert [c.text for c in limits.rows[0].cells] == ["range", "-0.4 km", "misses"]
    assert limits.rows[0].cells[2].bad
    assert len(limits.rows) == 1
    gaps = tolerances(design)
    assert gaps.rows[0].cells[0].text == "deck: cell to cell"
    assert float(gaps.rows[0].cells[2].text) == pytest.approx(0.8, abs=0.01)
    refused = {row.cells[0].text: row.cells[1].text for row in rejected(make.make_run()).rows}
    assert refused["does not fit"] == "3,100" and refused["bound on range"] == "900,000", "scored or not"
    share = spread({"range_km": 30.0, "range_km_p10": 29.0, "range_km_p90": 31.0, "holds_fit": 0.97}, currency="EUR")
    assert [c.text for c in share.rows[0].cells] == ["range [km]", "29.0", "30.0", "31.0"]
    assert share.rows[1].cells[2].text == "97 %"
    assert not spread({"range_km": 30.0}, currency="EUR").rows


def test_a_figure_that_is_not_known_is_no_fact(design, make):
    known = render_page(front=make.make_front(), run=make.make_run(), designs=[design], units={"cost": "EUR"})
    row = {**design.row, "charge_min": float("nan")}
    text = render_page(
        front=make.make_front(), run=make.make_run(), designs=[replace(design, row=row)], units={"cost": "EUR"}
    )
    assert "– min" not in text and len(text) <= len(known) + 200
    assert any("complete" in r.cells[1].text for r in run_table(make.make_run()).rows)
    assert rejected({"space": {"rejected": {"does not fit": 2}}}).rows[0].cells[1].text == "2"


def test_brief_in_words(make):
    words = " ".join(brief_sentences(make.make_run()["brief"]))
    for needed in ("deck (prism of 4 corners, 420 × 78 mm, 83 mm deep, less 1 keep-out)",
                   "stem (box, 62 × 82 × 250 mm)",
                   "119 kg", "45 A and takes back 10 A", "range at least 10.0 km", "pack mass at most 9.00 kg",
                   "range, peak power, pack mass and cost"):  # fmt: skip
        assert needed in words, needed
    assert "cost at most" not in words
    assert brief_sentences({}) == []


def test_a_page_of_an_unfinished_search_says_so_first_and_loads_itself_again_while_it_is_at_work(make):
    front, run = make.make_front(), make.make_run()
    cut = run | {"space": {**run["space"], "complete": False}, "tasks": {"all": 12, "done": 3}}
    work = cut | {"at_work": {"progress": "25 % searched, 4 min left", "every_s": 60.0}}
    said = {name: render_page(front=front, run=each, designs=[], units={"cost": "EUR"})
            for name, each in (("done", run), ("cut", cut), ("work", work))}  # fmt: skip
    assert "so far" not in said["done"] and 'http-equiv="refresh"' not in said["done"]
    assert said["cut"].index("cut off: 3 of 12 tasks are done") < said["cut"].index("The verdict so far")
    assert "still at work: 25 % searched, 4 min left" in said["work"]
    assert '<meta http-equiv="refresh" content="60">' in said["work"] and 'http-equiv="refresh"' not in said["cut"]


def test_what_a_step_is_worth_stands_in_the_page(make):
    steps = [
        {"parameter": "deck width_mm", "text": "2 mm more width in the deck", "feasible": True, "cells_change": 4,
         "range_km_change": 5.12, "cost_change": None, "best_range_pack": "18S3P x"},
        {"parameter": "deck width_mm", "text": "2 mm less width in the deck", "feasible": False, "cells_change": -4,
         "range_km_change": None, "cost_change": None, "best_range_pack": ""},
    ]  # fmt: skip
    run = make.make_run() | {"varied": {"steps": steps, "sentences": ["2 mm more width holds <two> more groups."]}}
    text = render_page(front=make.make_front(), run=run, designs=[], units={"cost": "EUR"})
    part = text[text.index("What a step is worth</h2>") :]
    for needed in ("best range [km]", "+5.1", "none left", "−4", "holds &lt;two&gt; more groups"):
        assert needed in part, needed


def test_every_figure_of_the_table_is_explained(make):
    front = make.make_front().assign(range_km_winter=1.0)
    text = render_page(front=front, run=make.make_run(), designs=[], units={"cost": "EUR"})
    part = text[text.index("What the figures mean") :]
    for name in ("range_km", "peak_power_w", "continuous_power_w", "cost"):
        meaning = FIGURES[name].meaning
        assert f"<dt>{FIGURES[name].label}</dt><dd>{escape(meaning[:1].upper() + meaning[1:])}.</dd>" in part, name
    assert len(glossary(["range_km", "range_km_winter", "cell_id"])) == 1


def test_marks_are_told_apart_without_red_or_green_cones():
    """Eight series in each scheme, all pairs, as seen by everybody, without long and without middle cones.

    Source: colorspacious, which carries Machado et al. 2009 (simulation) and CAM02-UCS (distance); 10 is the aim.
    """
    css = (ASSETS / "page.css").read_text()
    series = re.findall(r"--s\d: (#[0-9a-f]{6});", css)
    assert len(series) == 16
    for eight in (series[:8], series[8:]):
        rgb = np.array([[int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)] for colour in eight])
        for cones in ("", "protanomaly", "deuteranomaly"):
            space = {"name": "sRGB1+CVD", "cvd_type": cones, "severity": 100}
            seen = np.clip(colorspacious.cspace_convert(rgb, space, "sRGB1"), 0, 1) if cones else rgb
            apart = [colorspacious.deltaE(a, b, input_space="sRGB1") for a, b in itertools.combinations(seen, 2)]
            assert min(apart) > 10, (cones, min(apart))
