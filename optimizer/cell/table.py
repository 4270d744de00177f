"""Read a table of numbers. Every faulty field is reported with its row."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.base.problems import BadInput, Problem, nearest
from optimizer.catalog import tables

Numbers = tuple[dict[str, Floats], list[int]]

# What a fault of the file is called here.
CODES = {"no-header": "empty-file", "duplicate-column": "repeated-column"}


def read_table(
    path: Path, columns: tuple[str, ...], problems: list[Problem], *, usual: dict[str, float] | None = None
) -> Numbers | None:
    """Columns of numbers with the row each stands in; None and problems if it cannot be used.

    Parameters
    ----------
    path : Path
        CSV with a header, as spreadsheets save it, or Parquet; lines that start with # and empty ones are
        passed over.
    columns : tuple of str
        Those that must be there; others are passed over.
    problems : list of Problem
        What is wrong is added to it.
    usual : dict of float, optional
        Columns that may be left out, and the value of all their rows then. One that begins alike has another unit.

    Returns
    -------
    tuple or None
        Arrays by column, and row numbers in the file.
    """
    try:
        table = tables.read_table(path, comments=True)
    except BadInput as bad:
        problems += [replace(problem, code=CODES.get(problem.code, problem.code)) for problem in bad.problems]
        return None
    place = f"row {table.header_row}"
    missing = [
        Problem("missing-column", str(path), place, column, _near(column, table.headers), "is missing")
        for column in columns
        if column not in table.headers
    ]
    asked = usual or {}
    missing += [
        Problem("unknown-column", str(path), place, name, expected=f"must be {column}, by name and unit")
        for column in asked
        for name in table.headers
        if column not in table.headers and name.lower().startswith(column.split("_")[0])
    ]
    if not table.rows and not missing:
        missing = [Problem("empty-file", str(path), expected="must hold rows under its header, found none")]
    if missing:
        problems += missing
        return None
    values, faults = {}, []
    for column in (*columns, *(name for name in asked if name in table.headers)):
        texts = table.column(column)
        values[column], wrong = tables.parse_numbers(texts, table, field=column)
        faults += wrong
        faults += [
            Problem("missing-value", str(path), f"row {place}", column, "nothing", "must be a number")
            for place, text in zip(table.places, texts, strict=True)
            if not text
        ]
    if faults:
        problems += tables.cap(faults)
        return None
    values |= {name: np.full(len(table.rows), value) for name, value in asked.items() if name not in values}
    return values, list(table.places)


def _near(column: str, names: tuple[str, ...]) -> str:
    near = nearest(column, names)
    return ", ".join(names)[:80] + (f" (nearest: {near})" if near else "")
