"""What the terminal shows of a front: the best by each objective, the pick, and tables that fit its columns.

`columns` and `objectives` are columns of the front, `currency` the label of prices, `width` the most signs in a line,
those of the terminal when left out.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.base import console
from optimizer.base.figures import OBJECTIVES, split_name
from optimizer.base.texts import clipped
from optimizer.front.ranking import merit
from optimizer.review.words import describe, number

if TYPE_CHECKING:
    import pandas as pd

# How wide headers of figures may be, one after the other, until a table fits.
HEAD_WIDTHS = (24, 18, 12, 8, 1)
# Columns of the summary after what the row is best in.
FACTS = ("range_km", "peak_power_w", "continuous_power_w", "pack_mass_kg", "cost", "hot_cell_endless_c")
SHORT = {
    "range_km": "range",
    "peak_power_w": "peak",
    "continuous_power_w": "cont.",
    "pack_mass_kg": "mass",
    "hot_cell_endless_c": "hottest",
}


def text_table(
    headers: Sequence[str], rows: Sequence[Sequence[str]], *, left: int = 1, width: int | None = None
) -> str:
    """Rows under headers, columns two spaces apart, figures to the right.

    Where they are too wide headers of figures go over several lines, then the widest left column gives way.

    Parameters
    ----------
    rows : sequence of sequences of str
        As long as the headers.
    left : int
        How many columns from the first stand to the left.
    width : int, optional
        Most signs in a line; those of the terminal when left out.

    Returns
    -------
    str
        Without a last line end.

    Raises
    ------
    ValueError
        If a row is longer or shorter than the headers.
    """
    if any(len(row) != len(headers) for row in rows):
        raise ValueError("every row must have as many cells as there are headers")
    width = width or console.columns()
    for most in (width, *HEAD_WIDTHS):
        heads = _heads(headers, left=left, width=most)
        widths = _widths([*heads, *rows])
        if sum(widths) + 2 * (len(widths) - 1) <= width:
            break
    while sum(widths) + 2 * (len(widths) - 1) > width:
        widest = max(range(left), key=lambda k: widths[k], default=None)
        if widest is None or widths[widest] <= 8:
            break
        widths[widest] -= 1
    lines = []
    for line in [*heads, ["─" * w for w in widths], *rows]:
        cells = [clipped(cell, w) for cell, w in zip(line, widths, strict=True)]
        parts = [
            c.ljust(w) if k < left else c.rjust(w) for k, (c, w) in enumerate(zip(cells, widths, strict=True))
        ]
        lines.append("  ".join(parts).rstrip())
    return "\n".join(lines)


def _widths(lines: Sequence[Sequence[str]]) -> list[int]:
    return [max(map(len, column)) for column in zip(*lines, strict=True)]


def _heads(headers: Sequence[str], *, left: int, width: int) -> list[list[str]]:
    """Headers in as many lines as those of figures need, each as wide as its longest word or `width`.

    >>> _heads(["pack", "range, third year km", "cells"], left=1, width=12)
    [['', 'range, third', ''], ['pack', 'year km', 'cells']]
    """
    parts = [[head] if k < left else textwrap.wrap(head, width, break_long_words=False)
             for k, head in enumerate(headers)]  # fmt: skip
    deep = max(1, *map(len, parts))
    return [list(line) for line in zip(*([""] * (deep - len(part)) + part for part in parts), strict=True)]


def highlights(frame: pd.DataFrame, *, objectives: Sequence[str]) -> list[tuple[str, int]]:
    """Rows to name first, why and where: the best of each objective, and the pick of all alike, see `verdict`."""
    if len(frame) == 0:
        return []
    found = []
    for name in objectives:
        column = frame[name].to_numpy(dtype=float)
        best = int(column.argmax() if OBJECTIVES[name] else column.argmin())
        found.append((f"{'most' if OBJECTIVES[name] else 'least'} {describe(name)[0]}", best))
    return [*found, ("the pick", int(np.argmax(np.round(merit(frame, objectives=objectives), 12))))]


def headers_for(columns: Sequence[str], *, currency: str = "") -> list[str]:
    """Short headers with units, such as "range km"."""
    found = []
    for column in columns:
        label, unit, _ = describe(column, currency=currency)
        found.append(f"{SHORT.get(column, label)} {unit}".strip())
    return found


def figures(row: Mapping[str, Any], columns: Sequence[str]) -> list[str]:
    """A row's values in plain digits, "–" where there is none."""
    return [number(row.get(column), decimals=describe(column)[2]) for column in columns]


def counted(count: int, noun: str) -> str:
    """A count with its noun, such as "1 design", "3 designs"."""
    return f"{count} {noun}" if count == 1 else f"{count} {noun}s"


def _pack(row: Mapping[str, Any]) -> list[str]:
    return [f"{row['series']}S{row['parallel']}P {row['cell_id']}"]


def front_summary(
    frame: pd.DataFrame, *, objectives: Sequence[str], currency: str = "", width: int | None = None
) -> str:
    """The front in a few lines: its size, the best by each objective, the pick, and the spans."""
    if len(frame) == 0:
        return "The front is empty: nothing meets every limit."
    width = width or console.columns()
    columns = [name for name in (*FACTS, *(name for name in objectives if split_name(name)[1])) if name in frame]
    found = highlights(frame, objectives=objectives)
    picked = [{str(name): value for name, value in frame.iloc[place].items()} for _, place in found]
    names = [[why, *_pack(row), str(row["design_id"])] for (why, _), row in zip(found, picked, strict=True)]
    room = width - sum(max(map(len, part)) + 2 for part in zip(*names, strict=True))
    # Which cell it is matters more than figures that nobody asked to be best.
    for name in [name for name in reversed(columns) if name not in objectives]:
        if sum(len(head) + 2 for head in headers_for(columns, currency=currency)) - 2 > room:
            columns.remove(name)
    rows = [[*name, *figures(row, columns)] for name, row in zip(names, picked, strict=True)]
    cells = frame["cell_id"].nunique()
    size = f"{counted(len(frame), 'design')} on the front, with {counted(cells, 'kind')} of cell."
    table = text_table(["", "pack", "design", *headers_for(columns, currency=currency)], rows, left=3, width=width)
    return f"{size}\n\n{table}\n\n{spans(frame, columns=objectives, currency=currency)}"


def spans(frame: pd.DataFrame, *, columns: Sequence[str], currency: str = "") -> str:
    """From where to where each column reaches, one line each."""
    lines = []
    for column in columns:
        label, unit, decimals = describe(column, currency=currency)
        low, high = float(frame[column].min()), float(frame[column].max())
        reach = f"{number(low, decimals=decimals)} to {number(high, decimals=decimals)} {unit}".rstrip()
        lines.append(f"{label:<13} {reach}")
    return "\n".join(lines)


def side_by_side(
    rows: Sequence[Mapping[str, Any]], *, columns: Sequence[str], currency: str = "", width: int | None = None
) -> str:
    """Designs beside each other, two or more rows of fronts, one line per column of the front."""
    lines = []
    for column in columns:
        label, unit, decimals = describe(column, currency=currency)
        cells = [number(row.get(column), decimals=decimals) for row in rows]
        lines.append([f"{label} {unit}".strip(), *cells])
    return text_table(["", *[str(row["design_id"]) for row in rows]], lines, left=1, width=width)
