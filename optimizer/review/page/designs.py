"""One design in full, as the report page shows it: figures, drawings, the picture that turns, bill, wiring, steps."""

from __future__ import annotations

import base64
import gzip
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from optimizer.base.figures import shown_in
from optimizer.review.cad.model import glb_bytes, things
from optimizer.review.cad.wires import wire_things
from optimizer.review.page import grids
from optimizer.review.sheets import charts, drawings
from optimizer.review.sheets import style as look
from optimizer.review.sheets.buildsheet import GENERAL, build_steps, cautions
from optimizer.review.sheets.settings import bound_words
from optimizer.review.sheets.vehicle import draw_vehicle
from optimizer.review.words import describe, number, of_situations

if TYPE_CHECKING:
    from markupsafe import Markup

    from optimizer.design.model import Design

FACTS = shown_in("f")
# Columns of the harness that only its own sheet and file have.
WAYS = ("way_mm", "from_mm", "to_mm", "path_mm", "spare_mm", "spare_for", "slack_mm", "through")


def design_section(design: Design, *, markup: type[Markup], currency: str) -> dict[str, Any]:
    """What the template needs of one design.

    Parameters
    ----------
    design : Design
    markup : type
        Of text that is not escaped again.
    currency : str
        Label of prices.
    """
    row = design.row
    boxes = " and ".join(s.compartment.name for s in design.stations if s.groups)
    alt = f"Drawings of {boxes}: cells with polarity, groups along the chain, plates"
    steps = [
        {
            "title": s.title,
            "checks": s.checks,
            "note": s.note,
            "table": grids.plain(*s.table) if s.table else None,
        }
        for s in build_steps(design)
    ]
    told, general = cautions(design), {*design.general_cautions, *GENERAL.values()}
    pages, scale = drawings.draw_for_pages(design)
    rides = [charts.ride_plot(design, across=across) for across in (False, True)] if len(design.ride) > 1 else []
    return {
        "id": str(row["design_id"]),
        "anchor": quote(str(row["design_id"]), safe=""),
        "heading": f"{row['design_id']}: {row['series']}S{row['parallel']}P of {row['cell_id']}",
        "summary": _summary(design),
        "facts": _facts(row, currency),
        "cautions": [text for text in told if text not in general],
        "general": [text for text in told if text in general],
        # Drawings are ours: text of the user is outlines in them, or escaped by whoever writes them.
        "drawing": markup(look.inline_svg(drawings.draw(design), alt=alt, screen=f"{row['design_id']} layout")),
        "pages": [
            markup(look.inline_svg(page, alt=alt, paper=f"{row['design_id']} {k}")) for k, page in enumerate(pages)
        ],
        "drawing_text": "To scale; print layout.svg at 100 % for the scale in its title block.",
        "pages_text": f"Printed at 100 %: {scale}. Larger: layout.svg, whose scale stands in its title block.",
        "solid": _solid(design) if design.rooms else None,
        "vehicle": markup(_in_vehicle(design, str(row["design_id"]), f"{boxes} in the vehicle, isometric"))
        if design.rooms else None,
        "margins": grids.margins(row, currency=currency),
        "tolerances": grids.tolerances(design),
        "spread": grids.spread(row, currency=currency),
        "bill": grids.bill(design.bill, currency=currency),
        "wiring": grids.of_frame(design.harness.drop(columns=list(WAYS)), currency=currency),
        "plates": grids.of_frame(design.plates, currency=currency),
        "rides": [
            markup(look.inline_svg(ride, alt=ride_words(design), paper=paper))
            for ride, paper in zip(rides, ("", f"{row['design_id']} ride"), strict=False)
        ],
        "ride_text": ride_words(design) if rides else "",
        "steps": steps,
    }


def _in_vehicle(design: Design, name: str, alt: str) -> str:
    return look.inline_svg(draw_vehicle(design), alt=alt, screen=f"{name} vehicle")


def _solid(design: Design) -> str:
    """The pack as GLB, with wires, without its printed cases, which hide the cells: gzip in base 64."""
    found = [*things(design, []), *wire_things(design)]
    return base64.b64encode(gzip.compress(glb_bytes(found), 9, mtime=0)).decode("ascii")


def _summary(design: Design) -> str:
    parts = [
        f"{s.compartment.name} holds {s.groups} group{'s' if s.groups != 1 else ''} ({s.layout.name})"
        for s in design.stations
        if s.groups
    ]
    row, strip, bound = design.row, design.strip, bound_words(design)
    layers = int(strip.get("layers", 1))
    return (
        f"{row['cell_count']} cells; {'; '.join(parts)}. Strip: {strip['id']}, {layers} "
        f"layer{'s' if layers != 1 else ''}; wire: {design.wire['id']}; BMS: {design.bms['id']}; "
        f"fuse: {design.fuse['id']}. Peak power is limited by "
        f"{bound.get('peak_power_w', row.get('peak_limit', 'unknown'))}; the range ends by "
        f"{bound.get('range_km', row.get('range_stop', 'unknown'))}."
    )


def _facts(row: Mapping[str, Any], currency: str) -> list[dict[str, str]]:
    found = []
    for name in (*FACTS, *of_situations(row, view="f")):
        if name in row and row[name] == row[name]:
            label, unit, decimals = describe(name, currency=currency)
            found.append({"label": label, "value": f"{number(row[name], decimals=decimals)} {unit}".strip()})
    return found


def ride_words(design: Design) -> str:
    """The ride in a sentence."""
    ride = design.ride
    return (
        f"The ride: {ride['distance_km'].iloc[-1]:.1f} km in {ride['time_s'].iloc[-1] / 60:.0f} min; voltage "
        f"from {ride['voltage_v'].iloc[0]:.1f} to {ride['voltage_v'].iloc[-1]:.1f} V, lowest "
        f"{ride['voltage_v'].min():.1f} V; hottest cell in it {ride['temp_c'].max():.1f} °C, in a ride that goes on "
        f"and on {design.row['hot_cell_endless_c']:.1f} °C."
    )
