"""Which measured cell goes where: drawing of the seats with ids, and labels to print."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import matplotlib as mpl
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Rectangle

from optimizer.review.colours import TINTS
from optimizer.review.sheets.style import INK, MM_PER_INCH, RULE, SOFT, own_look, to_bytes

if TYPE_CHECKING:
    import pandas as pd

    from optimizer.design.model import Design

# Labels on a sheet of A4: across, down; and their size [mm].
ACROSS, DOWN, LABEL_MM = 5, 13, (38.0, 21.2)


def seats_png(seats: pd.DataFrame, design: Design | None) -> bytes:
    """Seats (see workflows.match) with ids as a PNG: in the boxes of a design, or as a plain table of groups."""
    with own_look():
        figure = _in_boxes(seats, design) if design is not None else _in_rows(seats)
        return to_bytes(figure, kind="png", dpi=150)


def _rows(seats: pd.DataFrame) -> list[Any]:
    """Rows as named tuples; what they hold is known by name alone."""
    return list(seats.itertuples())


def _in_rows(seats: pd.DataFrame) -> Figure:
    """A row for each group, a field for each cell."""
    series, parallel = int(seats["group"].max()), int(seats["seat"].max())
    wide, high = min(max(20.0 * parallel + 25.0, 90.0), 900.0), min(7.0 * series + 18.0, 1500.0)
    figure = Figure(figsize=(wide / MM_PER_INCH, high / MM_PER_INCH), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots()
    size = 6.0 if parallel <= 40 else 3.0
    for row in _rows(seats):
        tint = TINTS[(row.group - 1) % len(TINTS)]
        axes.add_patch(Rectangle((row.seat - 1, row.group - 1), 1, 1, facecolor=tint, edgecolor="white", lw=1))
        axes.text(row.seat - 0.5, row.group - 0.5, str(row.id), ha="center", va="center", fontsize=size, color=INK)
    axes.set(xlim=(0, parallel), ylim=(series, 0), xlabel="seat", ylabel="group, from the negative terminal")
    axes.set_xticks([k + 0.5 for k in range(parallel)], [str(k + 1) for k in range(parallel)])
    axes.set_yticks([k + 0.5 for k in range(series)], [str(k + 1) for k in range(series)])
    axes.grid(False)
    return figure


def _in_boxes(seats: pd.DataFrame, design: Design) -> Figure:
    """Each layer of each box seen along the cells' axis, to scale."""
    panels: list[tuple[Any, Any, str]] = []
    for station in design.stations:
        if not station.groups:
            continue
        axis = station.layout.axis
        here = seats[seats["compartment"] == station.compartment.name]
        level = here["xyz"[axis] + "_mm"].round(0)
        for number, (_, layer) in enumerate(here.groupby(level), start=1):
            panels.append((station, layer, f"{station.compartment.name}, layer {number}"))
    figure = Figure(figsize=(240 / MM_PER_INCH, 85 * len(panels) / MM_PER_INCH), layout="constrained")
    FigureCanvasAgg(figure)
    grid = figure.subplots(len(panels), 1, squeeze=False)
    for axes, (station, layer, title) in zip(grid[:, 0], panels, strict=True):
        _panel(axes, station, layer, title)
    return figure


def _panel(axes: Any, station: Any, layer: pd.DataFrame, title: str) -> None:
    axis = station.layout.axis
    one, other = (name for k, name in enumerate("xyz") if k != axis)
    extents = station.layout.extents_mm[0]
    across = [float(extents[k]) for k in range(3) if k != axis]
    for row in _rows(layer):
        at = (getattr(row, f"{one}_mm"), getattr(row, f"{other}_mm"))
        tint = TINTS[(row.group - 1) % len(TINTS)]
        if abs(across[0] - across[1]) < 0.5:
            axes.add_patch(Circle(at, across[0] / 2.0, facecolor=tint, edgecolor=SOFT, lw=0.7))
        else:
            corner = (at[0] - across[0] / 2.0, at[1] - across[1] / 2.0)
            axes.add_patch(Rectangle(corner, *across, facecolor=tint, edgecolor=SOFT, lw=0.7))
        sign = "+" if row.positive_end == "high" else "−"
        axes.text(*at, f"{row.id}\n{row.group}{sign}", ha="center", va="center", fontsize=4.5, color=INK)
    axes.set_title(
        f"{title}: id, and under it the group with its + or − end towards you (high {'xyz'[axis]})", loc="left"
    )
    axes.set(xlabel=f"{one} [mm]", ylabel=f"{other} [mm]", aspect="equal")
    axes.autoscale_view()
    axes.grid(False)


def labels_pdf(seats: pd.DataFrame) -> bytes:
    """Labels on sheets of A4 (PDF): id large, group, seat and where its + is (of a design), capacity and resistance."""
    rows, turned = _rows(seats), "positive_end" in seats
    buffer = io.BytesIO()
    with own_look(), mpl.rc_context({"pdf.fonttype": 42}), PdfPages(buffer, metadata={"CreationDate": None}) as pages:
        for start in range(0, len(rows), ACROSS * DOWN):
            figure = Figure(figsize=(210 / MM_PER_INCH, 297 / MM_PER_INCH), facecolor="white")
            axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
            axes.set(xlim=(0, 210), ylim=(297, 0))
            axes.set_axis_off()
            for k, row in enumerate(rows[start : start + ACROSS * DOWN]):
                x, y = 10.0 + (k % ACROSS) * LABEL_MM[0], 10.6 + (k // ACROSS) * LABEL_MM[1]
                axes.add_patch(Rectangle((x, y), *LABEL_MM, fill=False, edgecolor=RULE, lw=0.4))
                axes.text(x + 19.0, y + 6.0, str(row.id), ha="center", va="center", fontsize=9)
                place = f"group {row.group}, seat {row.seat}" + (f", + {row.positive_end}" if turned else "")
                axes.text(x + 19.0, y + 12.0, place, ha="center", va="center", fontsize=7)
                told = f"{row.capacity_ah:.3f} Ah, {row.resistance_mohm:.2f} mΩ"
                axes.text(x + 19.0, y + 17.0, told, ha="center", va="center", fontsize=6)
            pages.savefig(figure, facecolor="white")
    return buffer.getvalue()
