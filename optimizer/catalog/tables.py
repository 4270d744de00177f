"""Tables as people save them, CSV or Parquet, read into rows of text with their places kept.

Handled: byte-order marks, UTF-16, semicolons and tabs, decimal commas where they are clear, thousands
separators where they are clear, spaces around cells, blank rows, Windows line ends, comment lines before
the header, true minus signs. Named as a problem: everything else.

A table is read whole, so its size is bounded: a file that no catalog or ride would fill is refused before it
fills the memory.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from optimizer.base.problems import BadInput, Problem
from optimizer.base.texts import unseen

# What a cell shows whose formula failed, or whose column is too narrow, in English and other languages.
EXCEL_ERROR = re.compile(r"#(N/?[AD]|NV|GETTING_DATA|[¡¿]?[^\W_][\w/]*[!?]|#+)|Err:\d{3}", re.IGNORECASE)
SPACES = str.maketrans(dict.fromkeys("\u00a0\u202f\u2009\u2007", " ") | {"\u2212": "-"})
PLAIN = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
GROUPED_POINT = re.compile(r"[+-]?\d{1,3}((,\d{3})+\.\d+|(,\d{3}){2,}|([ '’]\d{3})+(\.\d+)?)")
COMMA = re.compile(r"[+-]?(\d+,\d*|,\d+)([eE][+-]?\d+)?")
GROUPED_COMMA = re.compile(r"[+-]?\d{1,3}((\.\d{3})+,\d+|(\.\d{3}){2,}|([ '’]\d{3})+(,\d+)?)")
CLEAR_COMMA = re.compile(r"[+-]?(0,\d+|\d+,(\d{1,2}|\d{4,})|\d{4,},\d+)")
CLEAR_POINT = re.compile(r"[+-]?(0?\.\d+|\d+\.(\d{1,2}|\d{4,})|\d{4,}\.\d+)")
LONGEST_NUMBER = 60  # characters; longer texts are no numbers, and matching them takes quadratic time
MOST_COLUMNS = 500
MOST_ROWS = 1_000_000
MOST_BYTES = 64 * 2**20
LONGEST_LINE = 2**20  # characters
UNCLEAR = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}")


@dataclass(frozen=True)
class Table:
    """Rows of text under their headers.

    rows holds the cell texts; places the row numbers as a spreadsheet shows them (comment lines count, so
    that the number can be looked up). decimal is the decimal sign, "." or ",". sha256 is that of the content,
    header_row the header's place.
    """

    file: str
    headers: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    places: tuple[int, ...]
    decimal: str = "."
    sha256: str = ""
    header_row: int = 1

    def column(self, name: str) -> list[str]:
        """Cell texts of one column, trimmed."""
        at = self.headers.index(name)
        return [row[at] for row in self.rows]


def file_sha256(path: Path) -> str:
    """Content hash of a file, for run.json."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def read_table(path: Path, *, comments: bool = False) -> Table:
    """Read a CSV or Parquet file as text.

    Parameters
    ----------
    path : Path
        The kind is known by content, not by the ending.
    comments : bool
        Pass over rows below the header that begin with #, too; else they are rows.

    Raises
    ------
    BadInput
        Codes: missing-file, unreadable-file, too-large, not-a-table, encoding, csv, no-header, empty-header,
        duplicate-column, row-length, control-character.
    """
    data = read_bounded(path, most=MOST_BYTES)
    if data[:4] == b"PAR1":
        from optimizer.catalog.parquet import parquet_cells

        table = _table(path, parquet_cells(path, data), 1, ",", comments)
    elif data[:4] == b"PK\x03\x04" or data[:4] == b"\xd0\xcf\x11\xe0":
        raise BadInput([_file_problem("not-a-table", path, "is a spreadsheet file; save it as CSV (UTF-8)")])
    else:
        table = _read_csv(path, _decode(path, data), comments)
    return replace(table, sha256=hashlib.sha256(data).hexdigest())


def read_bounded(path: Path, *, most: int) -> bytes:
    """Content of a file that the user names, of at most so many bytes.

    A regular file: a pipe may never end, a device holds no table. BadInput: missing-file, unreadable-file, too-large.
    """
    try:
        if path.exists() and not path.is_file():
            what = "is a folder" if path.is_dir() else "is no regular file"
            raise BadInput([_file_problem("unreadable-file", path, f"{what}: a file is expected")])
        with path.open("rb") as stream:
            data = stream.read(most + 1)
    except BadInput:
        raise
    except FileNotFoundError:
        raise BadInput([Problem("missing-file", str(path), expected="does not exist")]) from None
    except (OSError, ValueError) as error:  # ValueError: a path with a zero byte
        reason = getattr(error, "strerror", None) or error
        raise BadInput([_file_problem("unreadable-file", path, f"can't be read: {reason}")]) from None
    if len(data) > most:
        expected = f"is larger than {most / 2**20:g} MiB: is this the right file?"
        raise BadInput([_file_problem("too-large", path, expected)])
    return data


def _file_problem(code: str, path: Path, expected: str, found: str = "") -> Problem:
    return Problem(code, str(path), expected=expected, found=found)


def _decode(path: Path, data: bytes) -> str:
    encoding = "utf-8-sig"
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        encoding = "utf-16"
    elif len(data) > 3 and data[1:2] == b"\0" and data[3:4] == b"\0":
        encoding = "utf-16-le"
    elif len(data) > 3 and data[:1] == b"\0" and data[2:3] == b"\0":
        encoding = "utf-16-be"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        place = f"byte {error.start}"
        problem = Problem(
            "encoding", str(path), place, expected="is no UTF-8 or UTF-16 text; save it as CSV (UTF-8)"
        )
        raise BadInput([problem]) from None
    if "\0" in text:
        raise BadInput([_file_problem("encoding", path, "holds zero bytes, so it is no text table")])
    return text


def _read_csv(path: Path, text: str, comments: bool) -> Table:
    lines = text.splitlines(keepends=True)
    if len(lines) > MOST_ROWS or max(map(len, lines), default=0) > LONGEST_LINE:
        expected = f"has over {MOST_ROWS:,} lines, or one of over {LONGEST_LINE:,} characters: is this the right file?"
        raise BadInput([_file_problem("too-large", path, expected)])
    start, delimiter = 0, ""
    while start < len(lines) and not delimiter:
        line = lines[start].strip().lstrip('"')
        hint = re.fullmatch(r"sep=(.)", line)
        if hint:
            delimiter = hint[1]
        elif line and not (line.startswith("#") and not EXCEL_ERROR.match(line)):
            break
        start += 1
    body = "".join(lines[start:]).translate(SPACES)
    delimiter = delimiter or _delimiter(lines[start] if start < len(lines) else "")
    try:
        records = list(csv.reader(io.StringIO(body, newline=""), delimiter=delimiter, strict=True))
    except csv.Error as error:
        raise BadInput([_file_problem("csv", path, f"is no well-formed CSV: {error}")]) from None
    cells = [tuple(map(str.strip, record)) for record in records]
    return _table(path, cells, start + 1, delimiter, comments)


def _delimiter(header: str) -> str:
    bare = re.sub(r'"[^"]*"', "", header)
    return max(",;\t|", key=bare.count)


def _table(
    path: Path, cells: Sequence[tuple[str, ...]], first_row: int, delimiter: str, comments: bool
) -> Table:
    if not cells:
        raise BadInput(
            [_file_problem("no-header", path, "is empty: expected a header row and at least one row")]
        )
    headers = cells[0]
    if len(headers) > MOST_COLUMNS:
        raise BadInput(
            [_file_problem("not-a-table", path, f"has {len(headers)} columns: is this the right file?")]
        )
    rows = [(first_row + n, row) for n, row in enumerate(cells) if n > 0 and any(row)]
    if comments:
        rows = [(n, row) for n, row in rows if not row[0].startswith("#") or EXCEL_ERROR.fullmatch(row[0])]
    headers, rows = _without_empty_tail(headers, rows)
    problems = _title_problems(path, headers, rows, first_row)
    if problems:
        raise BadInput(problems)
    problems = _header_problems(path, headers, first_row)
    problems += [
        Problem("row-length", str(path), f"row {place}", found=f"{len(row)} cells",
                expected=f"expected {len(headers)} cells, as in the header")
        for place, row in rows
        if len(row) != len(headers)
    ]  # fmt: skip
    if problems:
        raise BadInput(cap(problems))
    texts = tuple(row for _, row in rows)
    places, decimal = tuple(place for place, _ in rows), _decimal_sign(texts, delimiter)
    return Table(str(path), headers, texts, places, decimal, header_row=first_row)


# First cell of a row that a spreadsheet adds up.
TOTALS = re.compile(r"(grand )?(total|totals|sum|subtotal|average|mean)s?:?", re.IGNORECASE)


def _title_problems(
    path: Path, headers: tuple[str, ...], rows: Sequence[tuple[int, tuple[str, ...]]], first_row: int
) -> list[Problem]:
    """A first row of one text over a table of several columns is a spreadsheet's title, not its header."""
    sums = [(place, row) for place, row in rows if TOTALS.fullmatch(next(filter(None, row), ""))]
    for place, row in sums:
        if sum(map(bool, row)) <= len(headers) / 2:
            expected = "looks like a row of totals; delete it"
            found = short(next(filter(None, row)))
            return [Problem("totals-row", str(path), f"row {place}", found=found, expected=expected)]
    filled = [name for name in headers if name]
    wide = sum(sum(map(bool, row)) > 1 for _, row in rows)
    if len(filled) != 1 or wide < 1 or wide < len(rows) / 2:
        return []
    expected = "looks like a title: the first row must name the columns; delete what is above them"
    return [Problem("title-row", str(path), f"row {first_row}", found=short(filled[0]), expected=expected)]


def _without_empty_tail(
    headers: tuple[str, ...], rows: list[tuple[int, tuple[str, ...]]]
) -> tuple[tuple[str, ...], list[tuple[int, tuple[str, ...]]]]:
    """Spreadsheets pad rows with empty cells on the right: those say nothing."""
    width = len(headers)
    while width and not headers[width - 1]:
        width -= 1
    cut = []
    for place, row in rows:
        end = len(row)
        while end > width and not row[end - 1]:
            end -= 1
        cut.append((place, row[:end]))
    return headers[:width], cut


def _header_problems(path: Path, headers: tuple[str, ...], row: int) -> list[Problem]:
    problems = []
    where = f"row {row}"
    for at, name in enumerate(headers):
        sign = unseen(name)
        if sign:
            expected = "must have a name of visible signs"
            problems.append(Problem("control-character", str(path), where, f"column {at + 1}", sign, expected))
        if not name:
            problems.append(
                Problem(
                    "empty-header", str(path), where, f"column {at + 1}", expected="has no name in the header"
                )
            )
        elif name in headers[:at]:
            problems.append(
                Problem("duplicate-column", str(path), where, name, expected="stands twice in the header")
            )
    return problems


def _decimal_sign(rows: Iterable[tuple[str, ...]], delimiter: str) -> str:
    """A comma counts as the decimal sign when some cell can mean nothing else, and none needs a point."""
    if delimiter == ",":
        return "."
    cells = [cell for row in rows for cell in row if "," in cell or "." in cell]
    if any(CLEAR_POINT.fullmatch(cell) for cell in cells):
        return "."
    return "," if any(CLEAR_COMMA.fullmatch(cell) or GROUPED_COMMA.fullmatch(cell) for cell in cells) else "."


def parse_numbers(
    texts: Sequence[str], table: Table, *, field: str
) -> tuple[NDArray[np.float64], list[Problem]]:
    """Numbers of one column; empty cells and faulty ones become NaN, the faulty ones also problems.

    Their codes: not-a-number, not-finite, excel-error, decimal-comma, unclear-number.
    """
    if table.decimal == "." and all(_is_plain(text) for text in texts):
        values = np.array([float(text) for text in texts], dtype=np.float64)
        if np.isfinite(values).all():
            return values, []
    values = np.full(len(texts), np.nan)
    problems = []
    for at, text in enumerate(texts):
        if not text:
            continue
        value, code, expected = parse_number(text, decimal=table.decimal)
        values[at] = value
        if code:
            problems.append(
                Problem(code, table.file, f"row {table.places[at]}", field, short(text), expected)
            )
    return values, problems


def _is_plain(text: str) -> bool:
    return len(text) <= LONGEST_NUMBER and PLAIN.fullmatch(text) is not None


def parse_number(text: str, *, decimal: str = ".") -> tuple[float, str, str]:
    """Read one number from a trimmed cell: the value, or NaN, with the code ("" when fine) and what is expected."""
    nan = float("nan")
    if len(text) > LONGEST_NUMBER:
        return nan, "not-a-number", "must be a number"
    if EXCEL_ERROR.fullmatch(text):
        return nan, "excel-error", "must be a number; the spreadsheet has an error here"
    if text.lower().lstrip("+-") in ("nan", "inf", "infinity", "1e999"):
        return nan, "not-finite", "must be a finite number"
    plain, grouped = (PLAIN, GROUPED_POINT) if decimal == "." else (COMMA, GROUPED_COMMA)
    if decimal == "," and re.fullmatch(r"[+-]?\d+", text):
        return float(text), "", ""
    if decimal == "," and UNCLEAR.fullmatch(text) and "." in text:
        return nan, "unclear-number", _unclear(text, ".", ",")
    if decimal == "." and UNCLEAR.fullmatch(text) and "," in text:
        return nan, "unclear-number", _unclear(text, ",", ".")
    if plain.fullmatch(text) or grouped.fullmatch(text):
        drop = " '’," if decimal == "." else " '’."
        value = float(text.translate(dict.fromkeys(map(ord, drop))).replace(",", "."))
        if not np.isfinite(value):
            return nan, "not-finite", "must be a finite number"
        return value, "", ""
    if decimal == "." and COMMA.fullmatch(text):
        return nan, "decimal-comma", f"must use a decimal point: {text.replace(',', '.')}"
    return nan, "not-a-number", "must be a number"


def _unclear(text: str, sign: str, decimal: str) -> str:
    whole, part = text.replace(sign, ""), text.replace(sign, decimal)
    # A zero behind the three digits leaves no doubt.
    return f"is unclear (thousands or decimals?); write {whole} for that many, or {part}0 for {part}"


def short(text: str) -> str:
    """The text in quotes, cut when long."""
    return repr(text if len(text) <= 40 else text[:37] + "...")


def cap(problems: list[Problem], *, most: int = 20) -> list[Problem]:
    """At most `most` problems of a kind in a column; what is left out is counted, not hidden."""
    kept: list[Problem] = []
    counts: dict[tuple[str, str, str], int] = {}
    for problem in problems:
        key = (problem.code, problem.file, problem.field)
        counts[key] = counts.get(key, 0) + 1
        if counts[key] <= most:
            kept.append(problem)
    for (code, file, field), count in counts.items():
        if count > most:
            kept.append(
                Problem(code, file, field=field, expected=f"… and {count - most} more of the same kind")
            )
    return kept
