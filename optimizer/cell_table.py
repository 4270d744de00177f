"""A CSV of numbers read whole: every faulty field named with its row."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

from optimizer.cell import Floats
from optimizer.problems import Problem, nearest

Table = tuple[dict[str, Floats], list[int]]


def read_table(path: Path, columns: tuple[str, ...], problems: list[Problem]) -> Table | None:
    """Columns of numbers with the row each stands in; None and problems if it cannot be used.

    Parameters
    ----------
    path : Path
        CSV with a header; lines that start with # and empty ones are passed over.
    columns : tuple of str
        Those that must be there; others are passed over.
    problems : list of Problem
        What is wrong is added to it.

    Returns
    -------
    tuple or None
        Arrays by column, and row numbers in the file.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "not UTF-8 text"
        problems.append(Problem("unreadable-file", str(path), expected=f"must be readable: {reason}"))
        return None
    lines = [
        (number, line)
        for number, line in enumerate(text.splitlines(), 1)
        if line.strip(" ,;\t") and not line.lstrip().startswith("#")
    ]
    if not lines:
        problems.append(Problem("empty-file", str(path), expected="must hold a header and rows, found nothing"))
        return None
    delimiter = ";" if ";" in lines[0][1] and "," not in lines[0][1] else ","
    rows = [
        (number, [field.strip() for field in next(csv.reader([line], delimiter=delimiter))]) for number, line in lines
    ]
    places = _places(path, rows[0], columns, problems)
    if places is None:
        return None
    if len(rows) == 1:
        problems.append(Problem("empty-file", str(path), expected="must hold rows under its header, found none"))
        return None
    return _numbers(path, rows[1:], places, problems)


def _places(
    path: Path, header: tuple[int, list[str]], columns: tuple[str, ...], problems: list[Problem]
) -> dict[str, int] | None:
    """Where each wanted column stands."""
    number, names = header
    faults = []
    for column in columns:
        if names.count(column) == 1:
            continue
        twice = column in names
        near = nearest(column, names)
        found = "it twice" if twice else ", ".join(names)[:80] + (f" (nearest: {near})" if near else "")
        faults.append(
            Problem(
                "repeated-column" if twice else "missing-column",
                str(path),
                f"row {number}",
                column,
                found,
                "must be there once" if twice else "is missing",
            )
        )
    problems += faults
    return None if faults else {column: names.index(column) for column in columns}


def _numbers(
    path: Path, rows: list[tuple[int, list[str]]], places: dict[str, int], problems: list[Problem]
) -> Table | None:
    """The fields as finite numbers."""
    values: dict[str, list[float]] = {column: [] for column in places}
    before = len(problems)
    for number, fields in rows:
        for column, at in places.items():
            field = fields[at] if at < len(fields) else ""
            try:
                value = float(field)
            except ValueError:
                value = np.nan
                code = "not-a-number" if field else "missing-value"
                problems.append(
                    Problem(code, str(path), f"row {number}", column, field or "nothing", "must be a number")
                )
            else:
                if not np.isfinite(value):
                    problems.append(
                        Problem("not-finite", str(path), f"row {number}", column, field, "must be a finite number")
                    )
            values[column].append(value)
    if len(problems) > before:
        return None
    return {column: np.array(v) for column, v in values.items()}, [number for number, _ in rows]
