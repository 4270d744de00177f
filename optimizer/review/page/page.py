"""The report: one HTML file that holds everything and works offline, from a stick or a mail."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

import numpy as np

from optimizer.base.figures import OBJECTIVES, shown_in
from optimizer.base.files import write_text
from optimizer.review.page import grids
from optimizer.review.page.brief_words import brief_sentences
from optimizer.review.sheets import charts, drawings
from optimizer.review.sheets import style as look
from optimizer.review.sheets.buildsheet import build_steps, cautions
from optimizer.review.words import describe, number

if TYPE_CHECKING:
    import pandas as pd
    from markupsafe import Markup

    from optimizer.design.model import Design

ASSETS = Path(__file__).with_name("assets")

# Columns of the table and the side by side view, in this order, as far as the front holds them.
TABLE = (
    "design_id", "cell_id", "series", "parallel", "split", *shown_in("t"), "peak_limit", "range_stop", "strip", "wire",
    "bms", "fuse",
)  # fmt: skip
HOVER = ("range_km", "peak_power_w", "pack_mass_kg", "cost")
FACTS = shown_in("f")
AXES = (
    ("x", "across", "range_km"),
    ("y", "up", "peak_power_w"),
    ("size", "size of mark", "pack_mass_kg"),
    ("colour", "colour", "cost"),
)


def chart_library() -> tuple[str, str]:
    """Name with version, and script, of the chart library that is installed.

    Returns
    -------
    (str, str)
        The script is safe inside a <script> element.
    """
    import bokeh

    folder = Path(bokeh.__file__).parent / "server" / "static" / "js"
    text = "\n".join((folder / name).read_text(encoding="utf-8") for name in ("bokeh.min.js", "bokeh-api.min.js"))
    return f"Bokeh {bokeh.__version__} (BSD 3-Clause)", in_script(text)


def in_script(text: str) -> str:
    """Script text that cannot close its own element."""
    return text.replace("</script", "<\\/script").replace("<!--", "<\\!--")


def as_json(value: Any) -> str:
    """Data as JSON for a <script> element: no "<", no NaN.

    Parameters
    ----------
    value : object
        Plain lists, dicts, texts and numbers.

    Returns
    -------
    str
    """
    text = json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _values(series: pd.Series[Any]) -> list[Any]:
    """A column as plain values; what is no finite number becomes nothing."""
    if series.dtype.kind in "iuf":
        column = series.to_numpy(dtype=float)
        whole = series.dtype.kind in "iu"
        return [None if not np.isfinite(v) else int(v) if whole else float(f"{v:.7g}") for v in column]
    return [None if value is None or value != value else str(value) for value in series]


def _columns(front: pd.DataFrame, currency: str) -> list[dict[str, Any]]:
    found = []
    for name in TABLE:
        if name in front:
            label, unit, decimals = describe(name, currency=currency)
            figure = front[name].dtype.kind in "iuf"
            found.append({"name": name, "label": label, "unit": unit, "decimals": decimals, "number": figure})
    return found


def front_data(
    front: pd.DataFrame, *, currency: str, picked: Sequence[str], objectives: Sequence[str] = HOVER
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
        Shown on hover and as parallel coordinates.

    Returns
    -------
    dict
        Plain values only.
    """
    columns = _columns(front, currency)
    names = [c["name"] for c in columns]
    ids = [str(value) for value in front["design_id"]]
    packs = [
        f"{r.series}S{r.parallel}P {r.cell_id}" for r in front[["series", "parallel", "cell_id"]].itertuples()
    ]
    return {
        "ids": ids,
        "packs": packs,
        "columns": columns,
        "values": {name: _values(front[name]) for name in names},
        "hover": [name for name in objectives if name in names],
        "parallel": [name for name in dict.fromkeys((*objectives, "hot_cell_c")) if name in names],
        "lessIsBetter": sorted(n for n, more in OBJECTIVES.items() if not more),
        "moreIsBetter": [n for n, more in OBJECTIVES.items() if more],
        "ramp": [_hex(charts.RAMP(k / 63)) for k in range(64)],
        "picked": [name for name in picked if name in ids],
    }


def _hex(colour: Sequence[float]) -> str:
    return "#" + "".join(f"{round(255 * part):02x}" for part in colour[:3])


def _design(design: Design, markup: type[Markup], currency: str) -> dict[str, Any]:
    """One design's section."""
    row = design.row
    boxes = [s.compartment.name for s in design.stations if s.groups]
    alt = f"Drawings of {' and '.join(boxes)}: cells with polarity, groups along the chain, plates"
    steps = [
        {
            "title": s.title,
            "checks": s.checks,
            "note": s.note,
            "table": grids.plain(*s.table) if s.table else None,
        }
        for s in build_steps(design)
    ]
    ride = charts.ride_plot(design) if len(design.ride) > 1 else None
    return {
        "id": str(row["design_id"]),
        "anchor": quote(str(row["design_id"]), safe=""),
        "heading": f"{row['design_id']}: {row['series']}S{row['parallel']}P of {row['cell_id']}",
        "summary": _summary(design),
        "facts": _facts(row, currency),
        "cautions": cautions(design),
        # The drawing is ours and holds no text of the user but as outlines; everything else is escaped.
        "drawing": markup(look.inline_svg(drawings.draw(design), alt=alt)),
        "drawing_text": "To scale; print layout.svg at 100 % for the scale in its title block.",
        "margins": grids.margins(row, currency=currency),
        "tolerances": grids.tolerances(design),
        "spread": grids.spread(row, currency=currency),
        "bill": grids.bill(design.bill, currency=currency),
        "wiring": grids.of_frame(design.harness, currency=currency),
        "plates": grids.of_frame(design.plates, currency=currency),
        "ride": markup(look.inline_svg(ride, alt=_ride_words(design))) if ride is not None else None,
        "ride_text": _ride_words(design) if ride is not None else "",
        "steps": steps,
    }


def _summary(design: Design) -> str:
    parts = [
        f"{s.compartment.name} holds {s.groups} group{'s' if s.groups != 1 else ''} ({s.layout.name})"
        for s in design.stations
        if s.groups
    ]
    row, strip = design.row, design.strip
    layers = int(strip.get("layers", 1))
    return (
        f"{row['cell_count']} cells; {'; '.join(parts)}. Strip: {strip['id']}, {layers} "
        f"layer{'s' if layers != 1 else ''}; wire: {design.wire['id']}; BMS: {design.bms['id']}; "
        f"fuse: {design.fuse['id']}. Peak power is limited by {row.get('peak_limit', 'unknown')}, the range "
        f"ends by {row.get('range_stop', 'unknown')}."
    )


def _facts(row: Mapping[str, Any], currency: str) -> list[dict[str, str]]:
    found = []
    for name in FACTS:
        if name in row and row[name] == row[name]:
            label, unit, decimals = describe(name, currency=currency)
            found.append({"label": label, "value": f"{number(row[name], decimals=decimals)} {unit}".strip()})
    return found


def _ride_words(design: Design) -> str:
    ride = design.ride
    return (
        f"The ride: {ride['distance_km'].iloc[-1]:.1f} km in {ride['time_s'].iloc[-1] / 60:.0f} min; voltage "
        f"from {ride['voltage_v'].iloc[0]:.1f} to {ride['voltage_v'].iloc[-1]:.1f} V, lowest "
        f"{ride['voltage_v'].min():.1f} V; hottest cell in it {ride['temp_c'].max():.1f} °C, in a ride that goes on "
        f"and on {design.row['hot_cell_c']:.1f} °C."
    )


def _overview(front: pd.DataFrame, run: Mapping[str, Any], currency: str) -> list[dict[str, str]]:
    space = run.get("space") or {}
    stood_for = run.get("stand_ins") or {"rows_of": len(front)}
    facts = [{"label": "designs on the front", "value": f"{stood_for['rows_of']:,}"}]
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
    *, front: pd.DataFrame, run: Mapping[str, Any], designs: Sequence[Design], units: Mapping[str, str]
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
    library, script = chart_library()
    columns = _columns(front, currency)
    data = front_data(
        front, currency=currency, picked=[str(d.row["design_id"]) for d in designs], objectives=_wanted(run)
    )
    rows = [
        {"id": name, "cells": [
            {"text": number(data["values"][c["name"]][k], decimals=c["decimals"]), "number": c["number"]}
            for c in columns
        ]}
        for k, name in enumerate(data["ids"])
    ]  # fmt: skip
    return environment.get_template("page.html.j2").render(
        title=str(run.get("title", "cellstow")),
        css=Markup((ASSETS / "page.css").read_text(encoding="utf-8")),
        js=Markup(in_script((ASSETS / "page.js").read_text(encoding="utf-8"))),
        library=library,
        library_js=Markup(script),
        data=Markup(as_json(data)),
        brief=brief_sentences(run.get("brief") or {}),
        facts=_overview(front, run, currency),
        count=len(front),
        axes=[{"name": n, "label": label, "value": value} for n, label, value in AXES],
        numeric=[c for c in columns if c["number"]],
        cells=sorted({str(value) for value in front["cell_id"]}),
        limits=_limits(front, run, currency),
        columns=columns,
        rows=rows,
        rejected=grids.rejected(run),
        designs=[_design(design, Markup, currency) for design in designs],
        run_table=grids.run_table(run),
    )


def write_page(
    path: Path,
    *,
    front: pd.DataFrame,
    run: Mapping[str, Any],
    designs: Sequence[Design],
    units: Mapping[str, str],
) -> None:
    """Write review.html, whole or not at all.

    Parameters
    ----------
    path : Path
    front, run, designs, units
        As in `render_page`.
    """
    write_text(path, render_page(front=front, run=run, designs=designs, units=units))
