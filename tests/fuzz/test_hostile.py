"""Input made to harm whoever looks at it: formulas in tables, markup in pages, escapes in terminals."""

import csv
import io
import json
import re
import shutil
import subprocess
import xml.etree.ElementTree as ET
from pathlib import Path

import mutate
import pandas as pd
import pytest
import targets
from click.testing import CliRunner
from test_trees import TINY, brief_folder

import optimizer
from optimizer.base.problems import BadInput, Problem
from optimizer.brief import load_brief
from optimizer.catalog import read_cells
from optimizer.cli import main
from optimizer.design.runs import read_run
from optimizer.front import store
from optimizer.review.page.page import render_page
from optimizer.review.sheets.buildsheet import build_markdown
from optimizer.review.sheets.workshop import write_design
from optimizer.workflows.characterize import catalog_row

FORMULAS = ("=cmd|'/c calc'!A1", "+1+1", "-2+3", "@SUM(A1)", '=HYPERLINK("x","y")', "＝1", "+1", "-2", "@x")
MARKUP = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)></script>{{7*7}}{% x %}$\\frac{1}${$"
ESCAPES = ("\x1b[2J", "\x9b31m", "\x07", "\u202e", "\u200b", "\x7f", "a\tb", "a\rb")
SOURCES = Path(optimizer.__file__).parent


def named(act):
    with pytest.raises(BadInput) as caught:
        act()
    return {problem.code for problem in caught.value.problems}


def cells_with(folder, column, text):
    rows = mutate.parse(targets.TARGETS[0].content)
    rows[1][rows[0].index(column)] = text
    (folder / "own.csv").write_text(targets.OWN)
    path = folder / "cells.csv"
    path.write_bytes(mutate.render(rows))
    return path


# ------------------------------------------------------------------ formulas


@pytest.mark.parametrize("text", FORMULAS)
@pytest.mark.parametrize("column", ["id", "format", "chemistry"])
def test_labels_that_look_like_formulas_are_refused_where_they_are_read(column, text, tmp_path):
    assert "formula-like" in named(lambda: read_cells(cells_with(tmp_path, column, text)))


@pytest.mark.parametrize(
    "kind",
    [t for t in targets.TARGETS if t.name in ("strips", "wires", "bms", "fuses", "chargers")],
    ids=lambda t: t.name,
)
def test_in_every_catalog(kind, tmp_path):
    rows = mutate.parse(kind.content)
    rows[1][0] = "=1+1"
    (tmp_path / kind.file).write_bytes(mutate.render(rows))
    assert "formula-like" in named(lambda: kind.read(tmp_path / kind.file))


def risky_cells(text):
    """Cells of a CSV that a spreadsheet would take for formulas; numbers are none."""
    found = []
    for row in csv.reader(io.StringIO(text)):
        for cell in row:
            if cell.startswith(("=", "+", "-", "@", "\t", "\r", "＝", "＋", "－", "＠")) and not re.fullmatch(
                r"[+-]?[\d.]+(e[+-]?\d+)?", cell
            ):
                found.append(cell)
    return found


def test_every_csv_that_is_written_is_safe_whatever_it_holds(hostile_folder):
    """Front, shortlist, near misses and pinned packs, and the tables of a design's folder."""
    frame = pd.DataFrame({"design_id": list(FORMULAS), "=x": 1.0, "split": "@a"})
    assert risky_cells(store.csv_bytes(frame).decode()) == []
    assert "'=cmd" in store.csv_bytes(frame).decode()
    written = sorted(hostile_folder.glob("*.csv"))
    assert {path.name for path in written} == {"bill.csv", "harness.csv", "plates.csv"}
    for path in written:
        assert risky_cells(path.read_text()) == [], path.name
    assert "'=1+1" in (hostile_folder / "bill.csv").read_text()


def test_no_other_writer_of_csv_is_about():
    """Every CSV goes through one of the two writers; characterize's row holds names that were checked."""
    writers = {
        str(path.relative_to(SOURCES))
        for path in SOURCES.rglob("*.py")
        if re.search(r"\.to_csv\(|csv\.writer\(", path.read_text(encoding="utf-8"))
    }
    assert writers == {"front/store.py", "base/files.py", "design/rescore.py", "workflows/characterize.py"}
    assert callable(catalog_row)


@pytest.mark.parametrize("name", ["=1+1", "../../x", "a/b", "a\\b", "\x1b[2J", "x" * 101])
def test_names_of_characterized_cells(name, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "curves.csv").write_text(targets.CURVES)
    before = sorted(tmp_path.rglob("*"))
    done = CliRunner().invoke(main, ["characterize", "curves.csv", "--name", name])
    assert done.exit_code == 2
    assert "bad-name" in done.output
    assert sorted(tmp_path.rglob("*")) == before


# ------------------------------------------------------------------ markup


@pytest.fixture(scope="module")
def hostile_design():
    """A design in which every text is hostile, as none that went through the readers could be."""
    make = load_maker()
    row = make.make_row(
        design_id="d" + MARKUP,
        cell_id=MARKUP,
        strip=MARKUP,
        wire=MARKUP,
        bms=MARKUP,
        fuse=MARKUP,
        split=MARKUP,
        layout=MARKUP,
        peak_limit=MARKUP,
        range_stop=MARKUP,
    )
    design = make.make_design(row=row, title=MARKUP, currency=MARKUP[:20], cautions=(MARKUP,))
    for name in ("cell", "strip", "wire", "bms", "fuse"):
        object.__setattr__(design, name, {**getattr(design, name), "id": MARKUP})
    bill, harness, plates = design.bill.copy(), design.harness.copy(), design.plates.copy()
    bill["part"], harness["from"], plates["plate"] = ["=1+1"] + [MARKUP] * (len(bill) - 1), MARKUP, "=1+1"
    for name, frame in (("bill", bill), ("harness", harness), ("plates", plates)):
        object.__setattr__(design, name, frame)
    return design


@pytest.fixture(scope="module")
def hostile_folder(hostile_design, tmp_path_factory):
    """What the workshop gets of that design."""
    folder = tmp_path_factory.mktemp("hostile") / "d"
    write_design(folder, hostile_design, cases=False)
    return folder


def load_maker():
    import importlib.util

    place = Path(__file__).parents[1] / "review" / "make_design.py"
    spec = importlib.util.spec_from_file_location("make_design_for_fuzz", place)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def hostile_page(hostile_design):
    make = load_maker()
    front = make.make_front()
    for name in ("design_id", "cell_id", "strip", "wire", "bms", "fuse", "split"):
        front[name] = [f"{value}{MARKUP}" for value in front[name]]
    run = make.make_run()
    run["title"] = MARKUP
    run["brief"] = {**run["brief"], "title": MARKUP, "currency": MARKUP}
    run["rejected"] = {MARKUP: 3}
    return render_page(front=front, run=run, designs=[hostile_design], units={"cost": MARKUP})


def test_the_page_holds_no_markup_of_the_user(hostile_page):
    """Outside of our own scripts no element of theirs is there; inside, no script ends early."""
    assert "<img src=x" not in hostile_page
    assert "<script>alert" not in hostile_page
    assert "49" not in re.findall(r"<h1>(.*?)</h1>", hostile_page)[0]
    assert "{{7*7}}" in hostile_page
    data = re.search(r'<script type="application/json" id="front-data">(.*?)</script>', hostile_page, re.DOTALL)
    assert MARKUP in json.loads(data[1])["names"][0]
    scripts = re.findall(r"<script[^>]*>", hostile_page)
    assert len(scripts) == 3, scripts


CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.mark.slow
@pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine; CI installs Debian's chromium")
def test_a_browser_runs_nothing_of_it(hostile_page, tmp_path):
    """alert and onerror would leave their mark; the page's own script must have run to its end."""
    path = tmp_path / "page.html"
    path.write_text(
        hostile_page.replace(
            "<head>", "<head><script>window.alert=()=>document.documentElement.dataset.hurt='yes'</script>", 1
        )
    )
    done = subprocess.run(
        [
            CHROMIUM,
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
            "--virtual-time-budget=8000",
            f"--user-data-dir={tmp_path / 'profile'}",
            "--dump-dom",
            path.as_uri(),
        ],
        capture_output=True,
        text=True,
        timeout=90,
        check=False,
    )
    root = re.search(r"<html[^>]*>", done.stdout)
    assert root, done.stderr[-500:]
    assert 'data-ready="yes"' in root[0]
    assert "data-hurt" not in root[0]


def test_drawings_and_sheets_hold_no_markup(hostile_folder, hostile_design):
    """SVG is well-formed and holds shapes only; DXF and the build sheet keep their structure."""
    for path in hostile_folder.glob("*.svg"):
        every = list(ET.parse(path).iter())
        tags = {element.tag.rsplit("}", 1)[-1] for element in every}
        assert not tags & {"script", "foreignObject", "image", "a", "style"} - {"style"}, path.name
        for element in every:
            assert not [key for key in element.attrib if key.lower().startswith("on")], path.name
            assert not [value for value in element.attrib.values() if "script:" in value.lower()], path.name
    sheet = build_markdown(hostile_design)
    assert "<script" not in sheet and "<img" not in sheet
    import ezdxf

    assert not ezdxf.readfile(hostile_folder / "layout.dxf").audit().errors
    assert {path.name for path in hostile_folder.parent.iterdir()} == {"d"}


def test_links_in_a_build_sheet_are_no_links():
    make = load_maker()
    sheet = build_markdown(make.make_design(title="[win](javascript:alert(1)) ![x](http://x/y.png)"))
    assert "](" not in sheet.replace("]\\(", "")


# ------------------------------------------------------------------ terminal


@pytest.mark.parametrize("text", ESCAPES)
@pytest.mark.parametrize("column", ["id", "format", "chemistry", "ocv", "price_breaks", "shape"])
def test_hidden_signs_in_catalogs_are_refused(column, text, tmp_path):
    folder = tmp_path / "a"
    folder.mkdir()
    assert "control-character" in named(lambda: read_cells(cells_with(folder, column, f"x{text}y")))


@pytest.mark.parametrize("text", ESCAPES)
@pytest.mark.parametrize("key", ["title", "currency", "compartment", "keep_out"])
def test_hidden_signs_in_briefs_are_refused(key, text, tmp_path):
    path = brief_folder(tmp_path / "a")
    value = json.dumps(f"x{text}y").replace("\\u007f", "\x7f").replace("\x7f", "\\u007f")
    keep_out = f'[[compartment.keep_out]]\nname = {value}\nshape = "box"\nlength_mm = 1\nwidth_mm = 1\nheight_mm = 1\n'
    spoilt = {
        "title": TINY.replace('"tiny"', value),
        "currency": f"currency = {value}\n" + TINY,
        "compartment": TINY.replace('"box"', value, 1),
        "keep_out": TINY.replace("[electrical]", keep_out + "[electrical]"),
    }[key]
    path.write_text(spoilt)
    assert named(lambda: load_brief(path)) <= {"control-character", "bad-name"}


def test_messages_steer_no_terminal(tmp_path):
    text = Problem("x", "a\x1b[2J.csv", "row\n2", "f\u202e", "\x9b31m", "must \x07").text()
    assert text.isprintable()
    path = tmp_path / "evil\x1b[2J.toml"
    path.write_text(TINY)
    done = CliRunner().invoke(main, ["check", str(path)])
    assert done.exit_code == 2
    assert "\x1b" not in done.output


def test_a_runs_folder_from_elsewhere_steers_no_terminal_and_names_no_folders(tmp_path):
    frame = pd.DataFrame({"design_id": ["d1"], "cell_id": ["c"], "cost": [1.0]})
    record = {"brief": {"title": "x"}, "objectives": {"cost": "least"}, "brief_file": "b.toml"}
    for change in (
        {"cell_id": ["\x1b[2J"]},
        {"design_id": ["../../x"]},
        {"design_id": ["/srv/x"]},
        {"design_id": ["a/b"]},
    ):
        (tmp_path / "front.parquet").write_bytes(store.parquet_bytes(frame.assign(**change), units={}))
        (tmp_path / "run.json").write_text(json.dumps(record))
        assert named(lambda: read_run(tmp_path)) == {"no-run"}
    (tmp_path / "front.parquet").write_bytes(store.parquet_bytes(frame, units={}))
    assert len(read_run(tmp_path).front) == 1
    (tmp_path / "run.json").write_text(json.dumps(record | {"title": "\x1b[2J"}))
    assert named(lambda: read_run(tmp_path)) == {"no-run"}


def test_cases_of_boxes_with_like_names_do_not_replace_each_other():
    from optimizer.review.cad.bodies import case_parts

    make = load_maker()
    design = make.make_design()
    for station, name in zip(design.stations, ("Käste", "Küste"), strict=True):
        object.__setattr__(station.compartment, "name", name)
    names = [part.name for part in case_parts(design)]
    assert len(names) == len(set(names)), names
