"""Logs of controllers and phones as CSV: found header, recognised columns, read in pieces."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from optimizer.base.arrays import Floats
from optimizer.base.problems import BadInput, Problem, nearest
from optimizer.road.columns import SPELLINGS, UNITS, LogColumn, quantity_of, recognise, unit_of
from optimizer.road.log import Progress, RawLog, refuse, silent
from optimizer.road.motion import flat_metres
from optimizer.road.stamps import Stamps, numbers

CHUNK_ROWS = 100_000
HEAD_BYTES = 1 << 16
# A header stands within so many lines: some loggers write a page about themselves first.
HEADER_LINES = 60
MOST_BYTES = 2 << 30
SUFFIX = r"(?<=\d)\s*[^\d.,:\s][^\d.,:]*$"
NUMBER = re.compile(r"\s*[+-]?(\d+[.,]?\d*|[.,]\d+)([eE][+-]?\d+)?\s*")


@dataclass(frozen=True)
class Form:
    """How a file is written.

    Parameters
    ----------
    skip : int
        Lines above the first row.
    headers : tuple of str
        With their units where a row of units follows, or values carry them.
    suffixed : frozenset of int
        Columns whose values carry a unit behind them.
    """

    encoding: str
    delimiter: str
    decimal: str
    skip: int
    headers: tuple[str, ...]
    suffixed: frozenset[int]


def read_csv_log(path: Path, *, named: Mapping[str, str] | None = None, progress: Progress = silent) -> RawLog:
    """Read a CSV log of any size; a row takes some bytes of memory for each column in use, no more.

    Parameters
    ----------
    named : mapping of quantity with unit to header, optional
        Columns that the user names, see `columns.quantity_of`.
    progress : callable
        Told the share that is read.

    Raises
    ------
    BadInput
        Codes: empty-log, no-header, unknown-column, no-time, zones.
    """
    named = named or {}
    form = _form(path, named)
    missing = [header for header in named.values() if header.strip() not in form.headers]
    if missing:
        raise BadInput([_unknown(path, header, form.headers) for header in missing])
    columns = recognise(form.headers, named=named)
    time = next((c for c in columns if c.quantity in ("time_s", "clock")), None)
    if time is None:
        raise refuse("no-time", str(path), "has no column of time; name it: --column time_s=NAME, or time=NAME for "
                     "dates and clocks", found=", ".join(form.headers)[:200])  # fmt: skip
    date = next((c for c in columns if c.quantity == "date"), None)
    values = [c for c in columns if c.quantity not in ("time_s", "clock", "date")]
    factor = time.scaled()[0] if time.unit else None
    stamps = Stamps(unit_s=factor, decimal=form.decimal)
    read = _rows(path, form, time, date, values, stamps, progress)
    notes = [_told(time, stamps)] + [_named(c) for c in values]
    speed = next((c for c in values if c.quantity == "speed_m_s"), None)
    if speed is not None and not speed.unit and "speed_m_s" in read.columns:
        unit, factor = _unit_by_way(path, speed.header, read)
        read.columns["speed_m_s"] *= factor
        notes.append(f"unit of {speed.header} found to be {unit} by the way that was travelled")
    if read.unreadable:
        notes.append(f"{read.unreadable} rows without a readable time left out")
    if read.cut:
        notes.append("the file is cut off: its last row, which is short, is left out")
    if read.long:
        notes.append(f"{read.long} rows with too many fields left out")
    if stamps.zones - {""} and "" in stamps.zones:
        raise refuse("zones", str(path), "has stamps with a time zone and stamps without one; write all in one way",
                     found=", ".join(sorted(stamps.zones - {""})), name=time.header)  # fmt: skip
    if len(stamps.zones) > 1:
        notes.append(f"stamps in {len(stamps.zones)} time zones ({', '.join(sorted(stamps.zones))}) put on one clock")
    return RawLog(str(path), read.time_s, read.columns, zoned=stamps.zoned, notes=tuple(notes))


def _unit_by_way(path: Path, header: str, read: _Read) -> tuple[str, float]:
    """Unit of a speed that its header does not name, and its factor to m/s, by positions or counted distance."""
    order = np.argsort(read.time_s, kind="stable")
    columns = {name: each[order] for name, each in read.columns.items()}
    step = np.clip(np.diff(read.time_s[order]), 0.0, 10.0)
    counted = float(np.nansum(np.nan_to_num(columns["speed_m_s"])[1:] * step))
    way = np.nan
    if "distance_m" in columns:
        way = float(np.nanmax(columns["distance_m"]) - np.nanmin(columns["distance_m"]))
    elif {"latitude_deg", "longitude_deg"} <= set(columns):
        known = np.isfinite(columns["latitude_deg"]) & np.isfinite(columns["longitude_deg"])
        # Some seconds apart, so that noise does not lengthen the way.
        every = slice(None, None, max(1, int(20.0 / max(float(np.median(step)), 0.05))))
        east, north = flat_metres(columns["latitude_deg"][known][every], columns["longitude_deg"][known][every])
        way = float(np.hypot(np.diff(east), np.diff(north)).sum())
    factors = {unit: UNITS["speed_m_s"][unit][0] for unit in ("ms", "kmh", "mph", "knots")}
    if np.isfinite(way) and counted > 0.0 and way > 0.0:
        unit = min(factors, key=lambda name: abs(np.log(counted * factors[name] / way)))
        if abs(np.log(counted * factors[unit] / way)) < 0.12:
            return unit, factors[unit]
    text = "has no unit in its name; say it: --column speed_kmh=NAME, or speed_mph=, speed_m_s="
    raise refuse("unknown-unit", str(path), text, found=header, name="speed")


def _unknown(path: Path, header: str, headers: Sequence[str]) -> Problem:
    near = nearest(header, headers)
    text = f"is no column of the log ({', '.join(headers)[:300]})" + (f"; nearest: {near}" if near else "")
    return Problem("unknown-column", str(path), "", "--column", header, text)


def _named(column: LogColumn) -> str:
    unit = column.unit or "unit not named"
    return f"column {column.header} taken as {column.quantity} ({unit})"


def _told(time: LogColumn, stamps: Stamps) -> str:
    clock = "minutes and seconds" if stamps.minutes else "a clock"
    kinds = {"number": f"numbers of {stamps.unit_s or 1:g} s", "clock": clock, "date": "dates"}
    kind = kinds[stamps.form or "date"]
    return f"column {time.header} taken as time ({kind})"


@dataclass(frozen=True, eq=False)
class _Read:
    time_s: Floats
    columns: dict[str, Floats]
    unreadable: int
    long: int
    cut: bool


def _rows(
    path: Path, form: Form, time: LogColumn, date: LogColumn | None, values: Sequence[LogColumn], stamps: Stamps,
    progress: Progress,
) -> _Read:  # fmt: skip
    """All rows with a time, piece by piece."""
    pieces: list[Floats] = []
    parts: dict[str, list[Floats]] = {c.quantity: [] for c in values}
    unreadable = 0
    pieces_read = _Pieces(path, form, progress)
    for piece in pieces_read:
        texts = piece[time.place]
        if date is not None:
            texts = piece[date.place].fillna("").str.strip() + " " + texts.fillna("").str.strip()
            texts = texts.str.strip()
        seconds = stamps.read(texts)
        good = np.isfinite(seconds)
        unreadable += int((~good).sum())
        pieces.append(seconds[good])
        for column in values:
            factor, offset = column.scaled()
            texts = piece[column.place].str.strip()
            if column.place in form.suffixed:
                texts = texts.str.replace(SUFFIX, "", regex=True)
            found = numbers(texts, decimal=form.decimal) * factor + offset
            parts[column.quantity].append(found[good])
    if not pieces or not sum(map(len, pieces)):
        raise refuse("empty-log", str(path), "holds no row with a readable time", name=time.header)
    joined = {name: np.concatenate(each) for name, each in parts.items()}
    known = {name: each for name, each in joined.items() if np.isfinite(each).any()}
    return _Read(np.concatenate(pieces), known, unreadable, pieces_read.long, pieces_read.cut)


class _Pieces:
    """Rows as text, some at a time; lines with too many fields are counted and passed over, and so is a last row
    that is short and has no line end.
    """

    def __init__(self, path: Path, form: Form, progress: Progress) -> None:
        self.path, self.form, self.progress, self.long, self.cut = path, form, progress, 0, False

    def _too_long(self, fields: list[str]) -> list[str] | None:
        # Empty fields at the end are a delimiter too many, as some loggers write it.
        if any(text.strip() for text in fields[len(self.form.headers) :]):
            self.long += 1
            return None
        return fields[: len(self.form.headers)]

    def _lines(self, text: Iterable[str]) -> Iterator[str]:
        for line in text:
            whole = line.endswith(("\n", "\r")) or line.count(self.form.delimiter) >= len(self.form.headers) - 1
            self.cut = not whole
            if whole:
                yield line.replace("\0", "")

    def __iter__(self) -> Iterator[pd.DataFrame]:
        size = max(self.path.stat().st_size, 1)
        form = self.form
        with self.path.open("rb") as raw:
            text = io.TextIOWrapper(raw, encoding=form.encoding, errors="replace", newline="")
            for _ in range(form.skip):
                text.readline()
            rows = csv.reader(self._lines(text), delimiter=form.delimiter)
            width, kept = len(form.headers), []
            for row in rows:
                if len(row) > width:
                    short = self._too_long(row)
                    if short is None:
                        continue
                    row = short
                if row:
                    kept.append(row + [""] * (width - len(row)))
                if len(kept) >= CHUNK_ROWS:
                    yield pd.DataFrame(kept, dtype=str)
                    kept = []
                    self.progress(min(raw.tell() / size, 1.0))
            if kept:
                yield pd.DataFrame(kept, dtype=str)


def _form(path: Path, named: Mapping[str, str]) -> Form:
    """Encoding, delimiter, header and decimal sign, from the head of the file."""
    with path.open("rb") as stream:
        head = stream.read(HEAD_BYTES)
    if path.stat().st_size > MOST_BYTES:
        raise refuse("too-large", str(path), f"is larger than {MOST_BYTES >> 30} GiB: is this the right file?")
    if not head.strip(b"\0\r\n\t \xef\xbb\xbf"):
        raise refuse("empty-log", str(path), "is empty: expected a header and rows")
    encoding = _encoding(head)
    text = head.decode(encoding, errors="replace")
    lines = text.splitlines()[: HEADER_LINES + 20]
    best: tuple[int, int, str, tuple[str, ...]] | None = None
    for delimiter in ",;\t|":
        for place, line in enumerate(lines[:HEADER_LINES]):
            fields = tuple(field.strip() for field in next(csv.reader([line], delimiter=delimiter), []))
            score = _header_score(fields, named)
            if score > (best[0] if best else 0):
                best = (score, place, delimiter, fields)
    if best is None:
        raise refuse("no-header", str(path), "has no header that names a column of time and one of speed, position or "
                     "distance", found=lines[0][:120] if lines else "")  # fmt: skip
    _, place, delimiter, headers = best
    if len(set(headers)) < len(headers):
        headers = tuple(h if h not in headers[:k] else f"{h} #{k + 1}" for k, h in enumerate(headers))
    rows = [next(csv.reader([line], delimiter=delimiter), []) for line in lines[place + 1 :]]
    skip = place + 1
    if rows and _are_units(rows[0]):
        units = [field.strip(" []()") for field in rows[0]] + [""] * len(headers)
        headers = tuple(f"{h} [{u}]" if u else h for h, u in zip(headers, units, strict=False))
        rows, skip = rows[1:], skip + 1
    behind = _units_of_values(rows, len(headers))
    headers = tuple(f"{h} [{behind[k]}]" if k in behind and not unit_of(h) else h for k, h in enumerate(headers))
    commas = delimiter != "," and any(
        re.fullmatch(r"\s*[+-]?\d+,\d+([eE][+-]?\d+)?(\s.*)?", f) for row in rows for f in row
    )
    return Form(encoding, delimiter, "," if commas else ".", skip, headers, frozenset(behind))


def _units_of_values(rows: Sequence[Sequence[str]], width: int) -> dict[int, str]:
    """Units that stand behind the values of columns, such as "12.3 km/h", by the column's place."""
    found = {}
    for k in range(width):
        texts = [row[k].strip() for row in rows if k < len(row) and row[k].strip()]
        units = [hit[0].strip() for text in texts if NUMBER.match(text) and (hit := re.search(SUFFIX, text))]
        known = [unit for unit in units if unit_of(f"[{unit}]")]
        if texts and len(known) > 0.5 * len(texts) and len(set(known)) == 1:
            found[k] = known[0]
    return found


def _encoding(head: bytes) -> str:
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return "utf-16"
    # Without a mark at its begin: every second byte of plain text is 0.
    zeros = [head[:400][k::2].count(0) for k in (0, 1)]
    if max(zeros) > 0.4 * len(head[:400]) > 0:
        return "utf-16-be" if zeros[0] > zeros[1] else "utf-16-le"
    try:
        # The head may end within a character.
        head[:-4].decode("utf-8-sig") if len(head) == HEAD_BYTES else head.decode("utf-8-sig")
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8-sig"


def _header_score(fields: Sequence[str], named: Mapping[str, str]) -> int:
    """How much of a header a line is: recognised columns, those that the user named counted twice; 0 for none."""
    if len(fields) < 2 or any(NUMBER.fullmatch(field) for field in fields if field):
        return 0
    wanted = {header.strip() for header in named.values()}
    known = {c.quantity for c in recognise(fields)}
    if not known and not wanted & set(fields):
        return 0
    return 2 * len(wanted & set(fields)) + len(known) + (1 if known & {"time_s", "clock"} else 0)


def _are_units(fields: Sequence[str]) -> bool:
    """Whether a row below the header holds units in place of values."""
    bare = [re.sub(r"[^a-z0-9]", "", field.lower().replace("°", "deg")) for field in fields if field.strip()]
    known = sum(text in SPELLINGS or text in ("hhmmss", "yyyymmdd") for text in bare)
    return len(bare) > 1 and known >= 0.5 * len(bare)


def named_columns(texts: Sequence[str]) -> dict[str, str]:
    """What the user says of columns, "speed_kmh=Spd", as a mapping.

    Raises
    ------
    BadInput
        Code "bad-column".
    """
    found, problems = {}, []
    for text in texts:
        key, sign, header = text.partition("=")
        try:
            quantity_of(key.strip())
            if not sign or not header.strip():
                raise KeyError(key)
            found[key.strip()] = header.strip()
        except KeyError:
            expected = "must be such as speed_kmh=NAME, speed_mph=, altitude_m=, altitude_ft=, time_s=, time_ms=, "
            expected += "time=, latitude=, longitude=, distance_km=, voltage_v=, current_a=, power_w=, temp_c="
            problems.append(Problem("bad-column", "--column", "", "", text, expected))
    if problems:
        raise BadInput(problems)
    return found
