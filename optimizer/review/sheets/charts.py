"""Charts of designs: one ride over its time, range over speed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from optimizer.review.sheets import style as look

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from optimizer.design.model import Design

MARKS = ("o", "s", "^", "D", "v", "P", "h", "X")


def ride_plot(design: Design, *, across: bool = False) -> Figure:
    """Voltage, state of charge and cell temperature over the ride's time, one above the other.

    across: side by side, which takes less of a printed page.

    ValueError where the design carries no ride of at least two rows.
    """
    ride = design.ride
    if len(ride) < 2:
        raise ValueError("the design carries no simulated ride")
    minutes = ride["time_s"].to_numpy(dtype=float) / 60.0
    rows = (
        ("voltage_v", 1.0, "pack voltage [V]", look.SERIES[0]),
        ("soc", 100.0, "state of charge [%]", look.SERIES[2]),
        ("temp_c", 1.0, "hottest cell, this ride [°C]", look.SERIES[1]),
    )
    with look.own_look():
        figure, first = look.chart(width_mm=188.0 if across else 180.0, height_mm=48.0 if across else 105.0)
        first.remove()
        grid = figure.subplots(*((1, 3) if across else (3, 1)), sharex=True)
        for axes, (column, factor, label, colour) in zip(grid, rows, strict=True):
            axes.plot(minutes, ride[column].to_numpy(dtype=float) * factor, color=colour, linewidth=1.0)
            (axes.set_title if across else axes.set_ylabel)(label, fontsize=7.0)
            axes.margins(x=0.0)
        grid[1].set_ylim(0.0, 105.0)
        lowest = float(design.cell["voltage_min_v"]) * int(design.row["series"])
        grid[0].axhline(lowest, color=look.PLUS, linewidth=0.8, linestyle=(0, (4, 2)))
        grid[0].annotate("empty", (minutes[-1], lowest), xytext=(-3, 2), textcoords="offset points",
                         ha="right", fontsize=6, color=look.PLUS)  # fmt: skip
        if not across:
            _distance_axis(grid[0], minutes, ride["distance_km"].to_numpy(dtype=float))
        for axes in grid if across else grid[2:]:
            axes.set_xlabel("time [min]")
    return figure


def speed_plot(ranges: pd.DataFrame, *, names: Mapping[str, str], legal_kmh: Sequence[float] = (),
               size_mm: tuple[float, float] = (180.0, 85.0)) -> Figure:  # fmt: skip
    """Range [km] by design_id against the cruising speed, a line for each design, and legal speeds [km/h]."""
    with look.own_look():
        figure, axes = look.chart(width_mm=size_mm[0], height_mm=size_mm[1])
        speed = ranges["speed_kmh"].to_numpy(dtype=float)
        for place, name in enumerate(names):
            line = look.SERIES[place % len(look.SERIES)]
            axes.plot(speed, ranges[name].to_numpy(dtype=float), color=line, marker=MARKS[place % len(MARKS)],
                      markersize=3.5, linewidth=1.0, label=names[name])  # fmt: skip
        for each in legal_kmh:
            axes.axvline(each, color=look.PLUS, linewidth=0.8, linestyle=(0, (4, 2)))
            axes.annotate(f"legal speed {each:g} km/h", (each, 1.0), xycoords=("data", "axes fraction"), rotation=90,
                          xytext=(-2, -3), textcoords="offset points", ha="right", va="top", fontsize=6,
                          color=look.PLUS)  # fmt: skip
        axes.set_ylim(bottom=0.0)
        axes.set_xlabel("cruising speed on the level [km/h]")
        axes.set_ylabel("range [km]")
        axes.legend(loc="upper right", fontsize=6)
    return figure


def _distance_axis(axes: Axes, minutes: npt.NDArray[np.float64], distance_km: npt.NDArray[np.float64]) -> None:
    """Distance on the upper edge, at even steps of the way."""
    total = float(distance_km[-1])
    if total <= 0:
        return
    step = next(s for s in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1e9) if total / s <= 9)
    marks = np.arange(0.0, total + 1e-9, step)
    upper = axes.secondary_xaxis("top")
    upper.set_xticks(np.interp(marks, distance_km, minutes), [f"{m:.0f}" for m in marks])
    upper.set_xlabel("distance [km]")
