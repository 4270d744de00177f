"""Bars of what each step is worth: one row per dimension or limit, one column per figure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from optimizer.review.sheets import style as look
from optimizer.review.words import axis_label, describe

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_ROWS = 24
ROW_MM, HEAD_MM = 8.0, 32.0


def order_by_effect(table: pd.DataFrame, *, figures: Sequence[str]) -> list[str]:
    """Parameters by their largest effect on any figure, each figure on the scale of its own largest effect.

    A step that leaves nothing feasible counts as the largest; of equal ones as they came.
    """
    size = np.zeros(len(table))
    for figure in figures:
        change = np.abs(table[f"{figure}_change"].to_numpy(dtype=float))
        largest = float(np.nanmax(change, initial=0.0))
        size = np.maximum(size, np.nan_to_num(change / largest if largest > 0 else change, nan=1.0))
    names = table["parameter"].tolist()
    effect = {name: max(size[k] for k, other in enumerate(names) if other == name) for name in dict.fromkeys(names)}
    return sorted(effect, key=lambda name: -effect[name])


def tornado(table: pd.DataFrame, *, figures: Sequence[str], title: str, currency: str = "") -> Figure:
    """Bars left and right of nothing: less in blue, more in vermilion and hatched; a column of bars for each figure."""
    names = order_by_effect(table, figures=figures)[:MOST_ROWS]
    with look.own_look():
        figure, first = look.chart(width_mm=230.0, height_mm=HEAD_MM + ROW_MM * len(names))
        first.remove()
        grid = figure.subplots(1, len(figures), sharey=True, squeeze=False)[0]
        for axes, name in zip(grid, figures, strict=True):
            _column(axes, table, names, name, currency)
        grid[0].set_yticks(np.arange(len(names)), names)
        grid[0].invert_yaxis()
        handles, labels = grid[0].get_legend_handles_labels()
        figure.legend(handles, labels, loc="outside lower center", ncols=3, frameon=False, fontsize=7)
        figure.suptitle(title, fontsize=9, x=0.01, ha="left")
    return figure


def _column(axes: Axes, table: pd.DataFrame, names: Sequence[str], figure: str, currency: str) -> None:
    """The bars of one figure."""
    kinds = ((-1, "one step less", look.SERIES[0], ""), (1, "one step more", look.SERIES[1], "////"))
    lost: list[float] = []
    for sign, label, colour, hatch in kinds:
        rows = table[np.sign(table["change"]) == sign].set_index("parameter")[f"{figure}_change"]
        change: npt.NDArray[np.float64] = rows.reindex(list(names)).to_numpy(dtype=float)
        place = np.arange(len(names)) + 0.19 * sign
        axes.barh(place, np.nan_to_num(change), height=0.36, color=colour, hatch=hatch, label=label, zorder=3,
                  edgecolor=look.PAPER, linewidth=0.3)  # fmt: skip
        lost += place[np.isnan(change)].tolist()
    axes.plot(np.zeros(len(lost)), lost, "x", color=look.INK, markersize=4, label="nothing feasible left", zorder=4)
    axes.axvline(0.0, color=look.INK, linewidth=0.7)
    axes.margins(x=0.12)
    # A change below the digits that are printed must not look like one that counts.
    least = 5.0 * 10.0 ** -describe(figure)[2] if figure != "cost" else 1.0
    low, high = axes.get_xlim()
    axes.set_xlim(min(low, -least), max(high, least))
    axes.grid(axis="y", visible=False)
    axes.set_xlabel("change of best\n" + axis_label(figure, currency=currency))
    axes.tick_params(axis="y", length=0)
