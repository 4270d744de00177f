"""Columns of the catalogs: their kinds, signs and plausible ranges, and the checks that follow from them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from difflib import SequenceMatcher
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optimizer.base.arrays import Floats
from optimizer.base.problems import BadInput, Problem, nearest
from optimizer.base.texts import starts_formula, unseen
from optimizer.catalog.tables import EXCEL_ERROR, Table, cap, parse_numbers, read_table, short

Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Column:
    """What one column may hold.

    kind: "text" or "number". needed: the column must exist. filled: every cell must have a value. zero:
    the number may be 0; signed: it may be negative. low, high: plausible bounds; outside of them the
    question `ask` is put to the user, because the unit is likely wrong. choices: the texts allowed, if
    they are few. default: stands for empty cells. label: the text is shown, drawn and exported.
    """

    name: str = ""
    kind: str = "number"
    needed: bool = True
    filled: bool = True
    zero: bool = False
    signed: bool = False
    whole: bool = False
    low: float = 0.0
    high: float = np.inf
    ask: str = ""
    choices: tuple[str, ...] = ()
    default: float = np.nan
    label: bool = False


# Signs of a text: a label must fit on drawings and in tables.
LONGEST = {True: 100, False: 2000}


@dataclass(frozen=True)
class Columns:
    """Parsed columns by name, with what was wrong in them and which headers nobody reads."""

    table: Table
    sha256: str
    values: dict[str, NDArray[Any]]
    ignored: tuple[str, ...]
    problems: list[Problem] = field(default_factory=list)

    def numbers(self, name: str) -> Floats:
        """A number column, NaN where empty or faulty; all NaN when the column is missing."""
        return self.values[name]

    def texts(self, name: str) -> NDArray[np.str_]:
        """A text column."""
        return self.values[name]

    def complain(self, code: str, row: int, field: str, found: object, expected: str) -> None:
        """Note a problem in row `row` (counted from 0)."""
        where = f"row {self.table.places[row]}"
        text = str(found)
        text = text if len(text) <= 60 else text[:57] + "..."
        self.problems.append(Problem(code, self.table.file, where, field, text, expected))

    def complain_where(
        self, mask: Bools, code: str, field: str, found: Sequence[object], expected: str
    ) -> None:
        """Note the same problem in every row of a mask; NaN compares false, so empty cells stay silent."""
        for row in np.flatnonzero(mask).tolist():
            self.complain(code, row, field, found[row], expected)

    def finish(self) -> None:
        """Raise BadInput when anything was wrong."""
        if self.problems:
            raise BadInput(cap(self.problems))


def read_columns(path: Path, columns: Iterable[Column], *, unique: str = "id") -> Columns:
    """Read a CSV or Parquet table and check each column by itself; `unique` is one whose values must differ.

    The problems found stand in it, so that checks across columns can add theirs before `finish`. BadInput if the file
    can't be read as a table, or holds no row.
    """
    table = read_table(path)
    known = {column.name: column for column in columns}
    if not table.rows:
        raise BadInput(
            [*_missing(table, known), Problem("empty-catalog", table.file, expected="has no rows")]
        )
    ignored, problems = _unknown(table, known)
    parsed = Columns(table, table.sha256, {}, ignored, _missing(table, known) + problems)
    for column in known.values():
        texts = table.column(column.name) if column.name in table.headers else None
        parsed.values[column.name] = _parse(parsed, column, texts)
    if unique and unique in table.headers:
        _check_unique(parsed, unique)
    return parsed


def _missing(table: Table, known: dict[str, Column]) -> list[Problem]:
    problems = []
    absent = [name for name, column in known.items() if column.needed and name not in table.headers]
    for name in absent:
        near = nearest(name, [header for header in table.headers if header not in known])
        # A header is offered for the one column that it is nearest to.
        hint = f'; is "{near}" meant?' if near and nearest(near, absent) == name else ""
        problems.append(Problem("missing-column", table.file, "", name, "", f"column is missing{hint}"))
    return problems


def _unknown(table: Table, known: dict[str, Column]) -> tuple[tuple[str, ...], list[Problem]]:
    """Headers nobody reads; one that looks like a misspelt optional column is a problem, not ignored."""
    ignored, problems = [], []
    for header in table.headers:
        if header in known:
            continue
        bare = _squeezed(header)
        twin = next((name for name in known if name in table.headers and _squeezed(name) == bare), "")
        if twin:
            text = f"stands twice in the header: it is {twin} in another spelling"
            problems.append(Problem("duplicate-column", table.file, "", header, "", text))
            continue
        absent = [name for name, column in known.items() if name not in table.headers and not column.needed]
        squeezed = {name.replace("_", ""): name for name in absent}
        near = nearest(bare, squeezed)
        if near and _close(header, near):
            text = f'is no known column; is "{squeezed[near]}" meant?'
            problems.append(Problem("unknown-column", table.file, "", header, "", text))
        else:
            ignored.append(header)
    return tuple(ignored), problems


def _squeezed(header: str) -> str:
    return header.lower().replace("_", "").replace(" ", "")


def _close(header: str, name: str) -> bool:
    return SequenceMatcher(None, _squeezed(header), name).ratio() >= 0.8


def _parse(parsed: Columns, column: Column, texts: list[str] | None) -> NDArray[Any]:
    size = len(parsed.table.rows)
    if column.kind == "text":
        return _parse_texts(parsed, column, texts if texts is not None else [""] * size)
    if texts is None:
        return np.full(size, column.default)
    values, problems = parse_numbers(texts, parsed.table, field=column.name)
    parsed.problems.extend(problems)
    empty = np.array([not text for text in texts])
    if column.filled:
        _complain_empty(parsed, column, empty)
    wrong = _check_sign(parsed, column, values, texts) | _check_scale(parsed, column, values, texts)
    values[empty] = column.default
    values[wrong] = np.nan  # so that no check across columns blames the row again
    return values


def _parse_texts(parsed: Columns, column: Column, texts: list[str]) -> NDArray[Any]:
    present = column.name in parsed.table.headers
    if column.filled and present:
        _complain_empty(parsed, column, np.array([not text for text in texts]))
    kept = list(texts)
    for row, text in enumerate(texts):
        sign = unseen(text)
        if EXCEL_ERROR.fullmatch(text):
            parsed.complain("excel-error", row, column.name, text, "holds a spreadsheet error")
        elif sign:
            parsed.complain("control-character", row, column.name, sign, "must hold visible signs only")
        elif len(text) > LONGEST[column.label]:
            expected = f"must have at most {LONGEST[column.label]} signs"
            parsed.complain("too-long", row, column.name, f"{len(text)} signs", expected)
        else:
            _check_choice(parsed, column, row, text)
            continue
        kept[row] = ""  # so that no check across columns blames it again
    return np.array(kept, dtype=np.str_)


def _check_choice(parsed: Columns, column: Column, row: int, text: str) -> None:
    if column.choices and text and text not in column.choices:
        near = nearest(text, column.choices)
        hint = f'; is "{near}" meant?' if near else ""
        expected = f"must be one of {', '.join(column.choices)}{hint}"
        parsed.complain("unknown-value", row, column.name, short(text), expected)
    elif column.label:
        _check_label(parsed, column, row, text)


def _check_label(parsed: Columns, column: Column, row: int, text: str) -> None:
    if starts_formula(text):
        expected = "must not begin with = + - or @: a spreadsheet takes that for a formula"
        parsed.complain("formula-like", row, column.name, short(text), expected)
    elif text.startswith("#"):
        expected = "begins with #: notes stand above the header only; delete the row"
        parsed.complain("comment-row", row, column.name, short(text), expected)


def _complain_empty(parsed: Columns, column: Column, empty: Bools) -> None:
    what = "a number" if column.kind == "number" else "a value"
    for row in np.flatnonzero(empty):
        parsed.complain("empty-cell", int(row), column.name, "an empty cell", f"must have {what}")


def _check_sign(parsed: Columns, column: Column, values: Floats, texts: list[str]) -> Bools:
    if column.signed:
        return np.zeros(len(values), dtype=bool)
    wrong: Bools = values < 0 if column.zero else values <= 0
    code, expected = ("negative", "must be ≥ 0") if column.zero else ("not-positive", "must be > 0")
    parsed.complain_where(wrong, code, column.name, texts, expected)
    if column.whole:
        fraction = np.isfinite(values) & (values != np.round(values))
        parsed.complain_where(fraction, "not-whole", column.name, texts, "must be a whole number")
    return wrong


def _check_scale(parsed: Columns, column: Column, values: Floats, texts: list[str]) -> Bools:
    wrong: Bools = (values < column.low) | (values > column.high)
    if not column.signed:
        wrong &= values > 0
    expected = f"{asked(column.ask)} expected {column.low:g} to {column.high:g}"
    parsed.complain_where(wrong, "wrong-scale", column.name, texts, expected)
    return wrong


def asked(unit: str) -> str:
    """The question whether a value is in its unit.

    >>> asked("millimetres"), asked("a fraction")
    ('is this in millimetres?', 'is this a fraction?')
    """
    return f"is this {unit}?" if unit.startswith("a ") else f"is this in {unit}?"


def check_ratio(parsed: Columns, field: str, value: Floats, *, low: float, high: float, unit: str) -> None:
    """What a column makes together with others must be plausible, or one of them is in another unit.

    `value` is what it makes, in a `unit` of words, NaN where a fault is known already; `field` is the column that is
    blamed.
    """
    for row in np.flatnonzero(((value < low) | (value > high)) & np.isfinite(value)).tolist():
        expected = f"are the units right? it makes {value[row]:.3g} {unit}, expected {low:g} to {high:g}"
        parsed.complain("wrong-scale", row, field, f"{parsed.numbers(field)[row]:g}", expected)


def _check_unique(parsed: Columns, name: str) -> None:
    first: dict[str, int] = {}
    for row, text in enumerate(parsed.table.column(name)):
        if text and text in first:
            place = parsed.table.places[first[text]]
            parsed.complain(
                "duplicate-id", row, name, short(text), f"must be unique; row {place} has it, too"
            )
        first.setdefault(text, row)


def check_order(parsed: Columns, low: str, high: str, *, code: str, equal: bool = True) -> None:
    """One column must not exceed another (or, unless `equal`, must stay under it) in any row."""
    least, most = parsed.numbers(low), parsed.numbers(high)
    wrong = least > most if equal else least >= most
    sign = "≤" if equal else "<"
    for row in np.flatnonzero(wrong):
        parsed.complain(code, int(row), low, f"{least[row]:g}", f"must be {sign} {high} ({most[row]:g})")
