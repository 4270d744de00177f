"""Charts for print and README: the front at a glance, and one design's ride."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
from matplotlib.colors import LinearSegmentedColormap

from optimizer.review.sheets import style as look
from optimizer.review.words import axis_label

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from optimizer.design.model import Design

# From deep blue to straw: rising lightness, so that it reads in grey and with every colour blindness.
RAMP = LinearSegmentedColormap.from_list("straw", ["#16324f", "#2f6f8f", "#7fae9a", "#d9c67a", "#f5e9b8"])
MARKS = ("o", "s", "^", "D", "v", "P", "h", "X")


def mark_sizes(values: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Areas of marks, proportional to the value above the smallest.

    Parameters
    ----------
    values : array-like, shape (n,)

    Returns
    -------
    ndarray, shape (n,)
        [points²], 14 to 120.
    """
    v = np.asarray(values, dtype=float)
    spread = float(np.ptp(v)) if len(v) else 0.0
    return 14.0 + 106.0 * (v - v.min()) / spread if spread > 0 else np.full(len(v), 40.0)


def front_chart(
    frame: pd.DataFrame,
    *,
    currency: str = "",
    x: str = "range_km",
    y: str = "peak_power_w",
    size: str = "pack_mass_kg",
    colour: str = "cost",
    picked: npt.ArrayLike = (),
) -> Figure:
    """The front as dots: two objectives as axes, a third as size, a fourth as colour; cells as shapes.

    Parameters
    ----------
    frame : DataFrame
        A front, at least one row.
    currency : str
        Label of prices.
    x, y, size, colour : str
        Column names.
    picked : sequence of str
        design_ids to ring and number in this order, such as those of a shortlist.

    Returns
    -------
    Figure

    Raises
    ------
    ValueError
        If the front is empty.
    """
    if len(frame) == 0:
        raise ValueError("an empty front cannot be drawn")
    # Large marks first, so that none hides a small one.
    frame = frame.sort_values(size, ascending=False, kind="stable")
    with look.own_look():
        figure, axes = look.chart(width_mm=190.0, height_mm=115.0)
        area, tone = mark_sizes(frame[size]), frame[colour].to_numpy(dtype=float)
        low, high = float(tone.min()), float(tone.max())
        cells = sorted(frame["cell_id"].astype(str).unique())
        drawn: Any = None
        for place, cell in enumerate(cells):
            own = (frame["cell_id"].astype(str) == cell).to_numpy()
            drawn = axes.scatter(
                frame[x].to_numpy()[own], frame[y].to_numpy()[own], s=area[own], c=tone[own], cmap=RAMP,
                vmin=low, vmax=high if high > low else low + 1.0, marker=MARKS[place % len(MARKS)],
                edgecolors=look.INK, linewidths=0.5, label=cell, zorder=3,
            )  # fmt: skip
        axes.set_xlabel(axis_label(x, currency=currency))
        axes.set_ylabel(axis_label(y, currency=currency))
        bar = figure.colorbar(drawn, ax=axes, pad=0.015, aspect=28)
        bar.set_label(axis_label(colour, currency=currency))
        bar.outline.set_linewidth(0.4)
        _keys(figure, axes, frame, size=size, label=axis_label(size, currency=currency))
        _rings(axes, frame, x=x, y=y, picked=[str(p) for p in np.asarray(picked, dtype=object)])
        axes.set_title(f"Front: {len(frame)} designs that no other beats in everything", loc="left", fontsize=9)
    return figure


def _keys(figure: Figure, axes: Axes, frame: pd.DataFrame, *, size: str, label: str) -> None:
    """Two small keys under the chart: which shape is which cell, and how large how heavy is."""
    style: dict[str, Any] = {"frameon": False, "fontsize": 6.5, "title_fontsize": 7.0, "alignment": "left"}
    handles, names = axes.get_legend_handles_labels()
    first = figure.legend(handles, names, title="cell", loc="outside lower left", ncols=4, **style)
    for handle in first.legend_handles:
        if handle is not None:
            handle.set(array=None, sizes=[28.0], facecolor="#ffffff")
    low, high = float(frame[size].min()), float(frame[size].max())
    if high > low:
        steps = np.array([low, (low + high) / 2, high])
        white: dict[str, Any] = {"c": "#ffffff", "edgecolors": look.INK, "linewidths": 0.5}
        dots = [axes.scatter([], [], s=area, **white) for area in mark_sizes(steps)]
        figure.legend(dots, [f"{s:.3g}" for s in steps], title=label, loc="outside lower right", ncols=3, **style)


def _rings(axes: Axes, frame: pd.DataFrame, *, x: str, y: str, picked: list[str]) -> None:
    ids = frame["design_id"].astype(str).to_numpy()
    for number, name in enumerate(picked, start=1):
        for row in np.flatnonzero(ids == name):
            place = (float(frame[x].iloc[row]), float(frame[y].iloc[row]))
            axes.scatter(
                [place[0]],
                [place[1]],
                s=190,
                facecolors="none",
                edgecolors=look.PLUS,
                linewidths=1.4,
                zorder=4,
            )
            axes.annotate(str(number), place, xytext=(7, 7), textcoords="offset points", color=look.PLUS,
                          fontsize=8, fontweight="bold", zorder=5)  # fmt: skip


def ride_plot(design: Design) -> Figure:
    """Voltage, state of charge and cell temperature over the ride's time, one above the other.

    Parameters
    ----------
    design : Design
        With a simulated ride of at least two rows.

    Returns
    -------
    Figure

    Raises
    ------
    ValueError
        If the design carries no ride.
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
        figure, first = look.chart(width_mm=180.0, height_mm=105.0)
        first.remove()
        grid = figure.subplots(3, 1, sharex=True)
        for axes, (column, factor, label, colour) in zip(grid, rows, strict=True):
            axes.plot(minutes, ride[column].to_numpy(dtype=float) * factor, color=colour, linewidth=1.0)
            axes.set_ylabel(label)
            axes.margins(x=0.0)
        grid[1].set_ylim(0.0, 105.0)
        lowest = float(design.cell["voltage_min_v"]) * int(design.row["series"])
        grid[0].axhline(lowest, color=look.PLUS, linewidth=0.8, linestyle=(0, (4, 2)))
        grid[0].annotate("empty", (minutes[-1], lowest), xytext=(-3, 2), textcoords="offset points",
                         ha="right", fontsize=6, color=look.PLUS)  # fmt: skip
        _distance_axis(grid[0], minutes, ride["distance_km"].to_numpy(dtype=float))
        grid[2].set_xlabel("time [min]")
    return figure


def speed_plot(ranges: pd.DataFrame, *, names: Mapping[str, str], legal_kmh: Sequence[float] = ()) -> Figure:
    """Range against the cruising speed, a line for each design, and legal speeds.

    Parameters
    ----------
    ranges : DataFrame
        speed_kmh, then kilometres by design_id.
    names : mapping of str to str
        What each design is called.
    legal_kmh : sequence of float
        [km/h]

    Returns
    -------
    Figure
    """
    with look.own_look():
        figure, axes = look.chart(width_mm=180.0, height_mm=85.0)
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
