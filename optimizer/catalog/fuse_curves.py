"""Opening times of fuses: what the standards ask of each kind, and points that a catalog gives instead."""

from __future__ import annotations

import re
from itertools import pairwise

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.catalog.columns import Columns
from optimizer.catalog.tables import parse_number, short

# Points "multiple of the rating:least seconds..most seconds"; an end that no standard names is left out.
# UL 248-14 promises no least time above the rating: the point at 1.01 says so. Sources: UL 248-14 gates and
# IEC 60127-2 sheet 2 as reprinted by fuse makers; ISO 8820-3, ISO 8820-5 and IEC 60127-2 sheet 3 from memory;
# IEC 60269-1 gG: the widest of its table for 16 to 200 A, conventional currents 1.25 and 1.6 (from memory).
GATES: dict[str, str] = {
    "UL 248-14": "1:14400..;1.01:0.001..;1.35:..3600;2:..120",
    "ISO 8820-3 C": "1.1:360000..;1.35:0.75..600;1.6:0.25..50;2:0.15..5;3.5:0.04..0.5;6:0.02..0.1",
    "ISO 8820-3 E": "1.1:360000..;1.35:60..1800;2:2..60;3.5:0.2..7;6:0.04..1",
    "ISO 8820-5 SF30": "1.1:14400..;1.5:90..3600;2:3..100;3:0.3..3;5:0.1..1",
    "ISO 8820-5 SF51": "1:14400..;1.35:120..1800;2:1..15;3.5:0.3..5;6:0.1..1",
    "IEC 60127-2 quick": "1.5:3600..;2.1:..1800;2.75:0.05..2;4:0.01..0.3;10:..0.02",
    "IEC 60127-2 time-lag": "1.5:3600..;2.1:..120;2.75:0.6..10;4:0.15..3;10:0.02..0.3",
    "IEC 60269-1 gG": "1.25:3600..;1.6:..10800;2.06:10..;5.3:0.1..;6.25:..5;17.1:..0.1",
}
# Most seconds at twice the rating by UL 248-14, up to a rating [A]: to 60 A as reprinted by fuse makers, above
# from memory.
UL_TWICE_S = ((30.0, 120.0), (60.0, 240.0), (100.0, 360.0), (np.inf, 480.0))

# Taken where a table gives neither kind nor points.
USUAL_KIND = "ISO 8820-3 E"

# Breaking capacity in direct current where the catalog gives none: the lower end of bolt-in and stud fuses for
# low voltage (1 to 2 kA in makers' tables; from memory).
USUAL_BREAKING_A = 1000.0

SHAPE = 'must look like "1.35:60..1800;2:2..60" (multiple of the rating:least..most seconds)'


def opening_points(text: str, *, decimal: str = ".") -> tuple[Floats, Floats]:
    """Points of a curve out of words such as "1.35:60..1800;2:2..60".

    Parameters
    ----------
    text : str
        Multiple of the rating, least and most seconds until the fuse opens; either may be left out.
    decimal : str
        Decimal mark of the table.

    Returns
    -------
    least, most : ndarray, shape (n, 2) and (m, 2)
        Multiple [-] and time [s].

    Raises
    ------
    ValueError
        With what is expected, when the text is no curve.

    >>> opening_points("1.1:360000..;1.35:60..1800")[1].tolist()
    [[1.35, 1800.0]]
    """
    least: list[tuple[float, float]] = []
    most: list[tuple[float, float]] = []
    for part in filter(None, (piece.strip() for piece in text.split(";"))):
        at, _, times = part.partition(":")
        low, dots, high = times.partition("..")
        if not dots:
            raise ValueError(SHAPE)
        for word, points in ((low.strip(), least), (high.strip(), most)):
            if not word:
                continue
            multiple, wrong, _ = parse_number(at.strip(), decimal=decimal)
            seconds, other, _ = parse_number(word, decimal=decimal)
            if wrong or other or multiple < 1 or not seconds > 0:
                raise ValueError(SHAPE)
            points.append((multiple, seconds))
    if not least or not most:
        raise ValueError("must hold at least one least and one most time")
    for points in (least, most):
        for (one, long), (two, brief) in pairwise(points):
            if two <= one or brief >= long:
                raise ValueError("must have rising multiples and falling times")
    return np.array(least), np.array(most)


def curves(parsed: Columns) -> tuple[Floats, Floats]:
    """Curves of every row, shapes (n, k, 2) each: its own points, or those of its kind; padded with infinity."""
    found = []
    rows = zip(parsed.texts("kind"), parsed.texts("points"), parsed.numbers("current_a"), strict=True)
    for row, (kind, points, rating) in enumerate(rows):
        try:
            # Points of a standard stand here with a point, whatever the table's decimal mark.
            own = opening_points(str(points), decimal=parsed.table.decimal) if points else None
            found.append(own or opening_points(gates(str(kind), rating)))
        except ValueError as wrong:
            parsed.complain("fuse-curve", row, "points", short(str(points)), str(wrong))
            found.append(opening_points(GATES[USUAL_KIND]))
    # As a design.json has them, whatever the table's decimal mark.
    parsed.values["points"] = np.array([_plain(text, parsed.table.decimal) for text in parsed.texts("points").tolist()])
    return _padded([least for least, _ in found]), _padded([most for _, most in found])


def _plain(text: str, decimal: str) -> str:
    """Points with a point as decimal mark; the same text where it holds something else than numbers."""
    parts = [part if part in (";", ":", "..", "") else part.strip() for part in re.split(r"(\.\.|[;:])", text)]
    found = [(part, *parse_number(part, decimal=decimal)[:2]) for part in parts]
    return "".join(part if part in (";", ":", "..", "") or wrong else repr(value) for part, value, wrong in found)


def gates(kind: str, rating_a: float) -> str:
    """Points of a kind of fuse, as its standard asks for them."""
    name = kind or USUAL_KIND
    text = GATES.get(name, GATES[USUAL_KIND])
    if name == "UL 248-14":
        twice = next(seconds for most, seconds in UL_TWICE_S if not rating_a > most)
        text = text.replace("2:..120", f"2:..{twice:g}")
    return text


def _padded(points: list[Floats]) -> Floats:
    out = np.full((len(points), max(map(len, points)), 2), np.inf)
    for row, each in enumerate(points):
        out[row, : len(each)] = each
    return out
