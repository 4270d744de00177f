"""The report: one HTML file that holds everything and works offline, from a stick or a mail."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from optimizer.analysis.verdict import pack_names, verdict
from optimizer.base.figures import FIGURES, OBJECTIVES, shown_in, sided, split_name
from optimizer.base.files import write_text
from optimizer.review.page import grids
from optimizer.review.page.brief_words import both_sentences
from optimizer.review.page.designs import design_section
from optimizer.review.sheets import charts
from optimizer.review.sheets import style as look
from optimizer.review.verdict_words import situation_columns, verdict_lines
from optimizer.review.words import describe, number, of_situations

if TYPE_CHECKING:
    from markupsafe import Markup

    from optimizer.design.model import Design

ASSETS = Path(__file__).with_name("assets")

# Columns of the table and the side by side view, in this order, as far as the front holds them.
TABLE = (
    "design_id", "cell_id", "series", "parallel", "split", *shown_in("t"), "peak_limit", "range_stop", "strip", "wire",
    "bms", "fuse",
)  # fmt: skip
HOVER = ("range_km", "peak_power_w", "pack_mass_kg", "cost")
AXES = ("range_km", "peak_power_w", "pack_mass_kg")
# What may tell marks apart, and how its select names it.
MARKS = {"cell_id": "cell", "series": "series", "parallel": "parallel", "strip": "strip", "wire": "wire", "bms": "BMS",
         "fuse": "fuse"}  # fmt: skip
SCRIPTS = ("rank.js", "verdict.js", "chart.js", "table.js", "picture.js", "page.js")
# What the picture that turns may hide: material of its GLB, its name.
LAYERS = (("box", "boxes"), ("cell", "cells"), ("conductor", "conductors"), ("wire", "wires"), ("part", "parts"))


def in_script(text: str) -> str:
    """Script text that cannot close its own element."""
    return text.replace("</script", "<\\/script").replace("<!--", "<\\!--")


def as_json(value: Any) -> str:
    """Data as JSON for a <script> element: no "<", no NaN.

    Parameters
    ----------
    value : object
        Plain lists, dicts, texts and numbers.
    """
    text = json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _values(series: pd.Series[Any]) -> list[Any] | dict[str, list[Any]]:
    """A column as plain values, texts once each with a code per row; non-finite values become None."""
    if series.dtype.kind in "iuf":
        column = series.to_numpy(dtype=float)
        whole = series.dtype.kind in "iu"
        return [None if not np.isfinite(v) else int(v) if whole else float(v) for v in column]
    codes, texts = pd.factorize(series)
    return {"codes": [int(code) for code in codes], "texts": [str(text) for text in texts]}


def _columns(front: pd.DataFrame, currency: str) -> list[dict[str, Any]]:
    """Columns that the page holds: those of its table, then the margins of constraints."""
    found = []
    for name in [*_table_of(front), *(str(name) for name in front if str(name).startswith("margin_"))]:
        if name in front:
            label, unit, decimals = describe(name, currency=currency)
            figure = front[name].dtype.kind in "iuf"
            found.append({"name": name, "label": label, "unit": unit, "decimals": decimals, "number": figure})
    return found


def _table_of(front: pd.DataFrame) -> list[str]:
    """Columns of the table that the front holds, those of its situations last."""
    return [*(name for name in TABLE if name in front), *of_situations(front, view="t")]


def glossary(columns: Sequence[str]) -> list[tuple[str, str]]:
    """Label and meaning of each figure among columns, by label; a situation's are the brief's own figures there."""
    names = dict.fromkeys(split_name(name)[0] for name in columns)
    told = {FIGURES[name].label: FIGURES[name].meaning for name in names if name in FIGURES}
    return sorted((label, meaning[:1].upper() + meaning[1:]) for label, meaning in told.items())


def front_data(
    front: pd.DataFrame,
    *,
    currency: str,
    picked: Sequence[str],
    objectives: Sequence[str] = HOVER,
    bounds: Mapping[str, float | None] | None = None,
    folder: str = "RUN",
    mine: Sequence[Mapping[str, Any]] = (),
) -> dict[str, Any]:
    """What the page's script needs of the front.

    Parameters
    ----------
    front : DataFrame
    currency : str
        Label of prices.
    picked : sequence of str
        design_ids pinned from the start.
    objectives : sequence of str
        Ranked by, shown on hover and as parallel coordinates.
    bounds : mapping of str to float or None, optional
        The brief's constraints by name.
    folder : str
        Of the run, as commands are given it.
    mine : sequence of mapping
        Rows of the user's own packs, each with its name.

    Returns
    -------
    dict
        Plain values only.
    """
    columns = _columns(front, currency)
    names = [c["name"] for c in columns]
    ids = [str(value) for value in front["design_id"]]
    called = pack_names(front)
    numbers = [c["name"] for c in columns if c["number"]]
    used = [name for name in objectives if name in names]
    situated = situation_columns(names, objectives=used)
    senses = [*OBJECTIVES, *(name for name in names if name in OBJECTIVES and split_name(name)[1])]
    own = [{"name": str(row["design_id"])} | {n: row[n] for n in names[1:] if row.get(n) == row.get(n)} for row in mine]
    return {
        "ids": ids,
        "names": [called[name] for name in ids],
        "columns": columns,
        "table": _table_of(front),
        "values": {name: _values(front[name]) for name in names},
        "objectives": used,
        "criteria": [*used, *(n for inside in situated.values() for n in inside)],
        "parallel": [name for name in dict.fromkeys((*used, "hot_cell_endless_c")) if name in numbers],
        "lessIsBetter": sorted(n for n in senses if not OBJECTIVES[n]),
        "moreIsBetter": [n for n in senses if OBJECTIVES[n]],
        "axes": [name for name in dict.fromkeys((*used, *AXES, *numbers)) if name in numbers][:3],
        "marks": [name for name in MARKS if name in names],
        "limits": [{"name": name, "side": "least" if OBJECTIVES[name] else "most"} for name in used],
        "bounds": [
            {"name": name, "bound": bound, "figure": sided(name)[0],
             "side": "under" if sided(name)[1] == "max" else "over"}
            for name, bound in (bounds or {}).items() if bound is not None
        ],
        "situations": [
            {"words": name.replace("_", " "), "columns": [[column, split_name(column)[0]] for column in columns]}
            for name, columns in situated.items()
        ],
        "picked": [name for name in picked if name in ids],
        "mine": json.loads(json.dumps(own, default=_plain)),
        "run": folder,
    }


def _plain(value: Any) -> Any:
    """A NumPy scalar as a plain one."""
    return value.item()


def _speed_chart(
    speeds: pd.DataFrame | None, front: pd.DataFrame, run: Mapping[str, Any], markup: type[Markup]
) -> list[Markup]:
    """Range against cruising speed of the designs that are shown in full, on the screen and on paper."""
    if speeds is None:
        return []
    called = pack_names(front)
    names = {str(name): called.get(str(name), "yours") for name in speeds.columns[1:]}
    legal = ((run.get("brief") or {}).get("ride") or {}).get("legal_kmh") or ()
    alt = f"Range against cruising speed, 0 where a pack does not reach the speed: {', '.join(names.values())}"
    sizes = {"": (180.0, 85.0), "speeds": (188.0, 55.0)}
    plots = {
        paper: charts.speed_plot(speeds, names=names, legal_kmh=legal, size_mm=size) for paper, size in sizes.items()
    }
    return [markup(look.inline_svg(plot, alt=alt, paper=paper)) for paper, plot in plots.items()]


def _overview(front: pd.DataFrame, run: Mapping[str, Any], currency: str) -> list[dict[str, str]]:
    space = run.get("space") or {}
    stood_for = run.get("stand_ins") or {"rows_of": len(front)}
    facts = [{"label": "designs on the front", "value": f"{stood_for['rows_of']:,}"}]
    if compared := run.get("compared"):
        # Two fronts are no front: each is counted alone, with what the other beats of it.
        facts = []
        for side, other in zip(compared, reversed(compared), strict=True):
            facts.append({"label": f"designs of {side['label']}, {side['name']}", "value": f"{side['rows']:,}"})
            beaten = f"of them equalled or beaten by {other['label']}"
            facts.append({"label": beaten, "value": f"{side['beaten']:,}"})
    if "distance" in stood_for:
        label = f"of them shown, the rest within {100 * stood_for['distance']:.2g} % of one in each objective"
        facts.append({"label": label, "value": f"{len(front):,}"})
    if "raw" in space:
        facts.append({"label": "candidates in the space", "value": f"{space['raw']:,}"})
    if "scored" in space:
        facts.append({"label": "candidates scored", "value": f"{space['scored']:,}"})
    for name in _wanted(run):
        if name in front and len(front):
            more = OBJECTIVES[name]
            label, unit, decimals = describe(name, currency=currency)
            best = front[name].max() if more else front[name].min()
            text = f"{number(best, decimals=decimals)} {unit}".strip()
            facts.append({"label": f"{'most' if more else 'least'} {label}", "value": text})
    return facts


def _marks(run: Mapping[str, Any]) -> str:
    """What a mark of the chart is."""
    compared = run.get("compared")
    if not compared:
        return "Every mark is a design that no other beats in everything."
    return "Every mark is a design of one of two runs. " + " ".join(
        f"Of the {side['rows']:,} of {side['label']}, {side['beaten']:,} are equalled or beaten by {other['label']}."
        for side, other in zip(compared, reversed(compared), strict=True)
    )


def _wanted(run: Mapping[str, Any]) -> list[str]:
    """Objectives of the run's brief; the usual four where it names none."""
    named = ((run.get("brief") or {}).get("objectives") or {}).get("use") or HOVER
    return [str(name) for name in named if name in OBJECTIVES]


def _limits(front: pd.DataFrame, run: Mapping[str, Any], currency: str) -> list[dict[str, str]]:
    found = []
    for name in _wanted(run):
        if name not in front or len(front) == 0:
            continue
        more = OBJECTIVES[name]
        label, unit, decimals = describe(name, currency=currency)
        side = "least" if more else "most"
        hint = number(front[name].min() if more else front[name].max(), decimals=decimals)
        text = f"at {side}, {label}{f' [{unit}]' if unit else ''}"
        found.append({"name": name, "side": side, "text": text, "hint": hint})
    return found


def render_page(
    *,
    front: pd.DataFrame,
    run: Mapping[str, Any],
    designs: Sequence[Design],
    units: Mapping[str, str],
    folder: str = "RUN",
    mine: Sequence[Mapping[str, Any]] = (),
    speeds: pd.DataFrame | None = None,
) -> str:
    """The report as HTML text.

    Parameters
    ----------
    front : DataFrame
        All rows of the front.
    run : mapping
        Content of run.json: title, brief, inputs, versions, space, rejected, timing.
    designs : sequence of Design
        The shortlist, each shown in detail.
    units : mapping of column to unit
        "cost" gives the currency's label.
    folder : str
        Of the run, as commands are given it.
    mine : sequence of mapping
        Rows of the user's own packs, marked in the chart and set beside pinned designs.
    speeds : DataFrame, optional
        Range of the designs by speed_kmh, one column for each.

    Returns
    -------
    str
        Complete in itself; every name from the user is escaped.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    currency = str(units.get("cost", ""))
    environment = Environment(
        loader=FileSystemLoader(ASSETS), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    columns = _columns(front, currency)
    brief, varied = run.get("brief") or {}, run.get("varied")
    asked = {side["label"]: side["brief"] for side in run.get("compared") or ()} or {"": brief}
    bounds = brief.get("constraints") or {}
    wanted = _wanted(run)
    data = front_data(
        front,
        currency=currency,
        picked=[str(d.row["design_id"]) for d in designs][:3],
        objectives=wanted,
        bounds=bounds,
        folder=folder,
        mine=mine,
    )
    found = verdict(front, objectives=wanted, constraints=bounds) if len(front) else None
    script = "\n".join((ASSETS / name).read_text(encoding="utf-8") for name in SCRIPTS)
    axes = zip((("x", "across"), ("y", "up"), ("size", "size of mark")), data["axes"], strict=False)
    return environment.get_template("page.html.j2").render(
        title=str(run.get("title", "cellstow")),
        css=Markup((ASSETS / "page.css").read_text(encoding="utf-8")),
        js=Markup(in_script(script)),
        data=Markup(as_json(data)),
        brief=both_sentences(asked),
        verdict=verdict_lines(found, objectives=wanted, currency=currency) if found is not None else [],
        weights=[
            {"name": name, "label": describe(name)[0], "value": int(name in wanted)} for name in data["criteria"]
        ],
        folder=folder,
        facts=_overview(front, run, currency),
        count=len(front),
        marks_are=_marks(run),
        axes=[{"name": name, "label": label, "value": value} for (name, label), value in axes],
        marks=[{"name": name, "label": MARKS[name]} for name in data["marks"]],
        numeric=[c for c in columns if c["number"]],
        cells=sorted({str(value) for value in front["cell_id"]}),
        limits=_limits(front, run, currency),
        columns=[c for c in columns if c["name"] in data["table"]],
        rejected=grids.rejected(run),
        designs=[design_section(design, markup=Markup, currency=currency) for design in designs],
        run_table=grids.run_table(run),
        layers=LAYERS,
        glossary=glossary(data["table"]),
        speeds=_speed_chart(speeds, front, run, Markup),
        unfinished=grids.unfinished(run),
        again_s=(run.get("at_work") or {}).get("every_s"),
        varied=grids.varied(varied["steps"], currency=currency) if varied else None,
        varied_words=varied["sentences"] if varied else [],
    )


def write_page(
    path: Path,
    *,
    front: pd.DataFrame,
    run: Mapping[str, Any],
    designs: Sequence[Design],
    units: Mapping[str, str],
    **more: Any,
) -> None:
    """Write review.html, whole or not at all.

    Parameters
    ----------
    path : Path
    front, run, designs, units, **more
        As in `render_page`.
    """
    write_text(path, render_page(front=front, run=run, designs=designs, units=units, **more))
