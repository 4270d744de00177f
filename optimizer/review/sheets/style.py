"""The visual language of every picture: colours, lettering, and files that are the same byte for byte.

Paper and ink like a workshop card. Polarity is told three times: by shape (the positive end shows its button
and a plus of ticks, the negative end is flat with a bar), by colour (vermilion, blue: told apart with every
common colour blindness) and by light and dark, so that a black and white print still reads.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import matplotlib as mpl
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from optimizer.base.files import write_bytes

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MM_PER_INCH = 25.4
# What is smaller on paper is not read with ease [pt].
LEAST_PT = 6.0

PAPER = "#fbf9f3"
INK = "#1f2e38"
SOFT = "#59666e"
RULE = "#cfcabb"
PLUS = "#b8441a"
MINUS = "#1c5d94"
CAN = "#f4f1e8"
STRIP = "#83868c"
STRIP_EDGE = "#3f444b"
CASE = "#5f7d78"
BLOCKED = "#e6dfd0"
# Marks on charts; told apart in lightness too. The order is that of use.
SERIES = ("#1c5d94", "#b8441a", "#3c7d5a", "#7a4f9a", "#8a6d1f", "#59666e", "#a33b63", "#2f8aa0")

STYLE: dict[str, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 7.0,
    "text.color": INK,
    "axes.edgecolor": SOFT,
    "axes.labelcolor": INK,
    "axes.facecolor": PAPER,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.color": RULE,
    "grid.linewidth": 0.4,
    "xtick.color": SOFT,
    "ytick.color": SOFT,
    "figure.facecolor": PAPER,
    "savefig.facecolor": PAPER,
    "hatch.linewidth": 0.5,
    "hatch.color": "#b5a88f",
    "svg.fonttype": "path",
    # Element names in the file come from this instead of a random number: same design, same bytes.
    "svg.hashsalt": "cellstow",
}


@contextmanager
def own_look() -> Iterator[None]:
    """Draw with the house's style, whatever the user's own matplotlib settings say."""
    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(cast(Any, STYLE))
        yield


def sheet(*, width_mm: float, height_mm: float) -> tuple[Figure, Axes]:
    """A blank sheet whose axes count in millimetres of paper, origin at the lower left."""
    figure = Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH))
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_axis_off()
    axes.set_xlim(0.0, width_mm)
    axes.set_ylim(0.0, height_mm)
    return figure, axes


def chart(*, width_mm: float = 180.0, height_mm: float = 110.0) -> tuple[Figure, Axes]:
    """A figure with one ordinary pair of axes."""
    figure = Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH), layout="constrained")
    FigureCanvasAgg(figure)
    return figure, figure.add_subplot()


def to_bytes(figure: Figure, *, kind: str, dpi: int = 150, paper: str = "") -> bytes:
    """The picture as a file's content, the same every time for the same figure.

    dpi: pixels per inch of a PNG; paper: a name by which words of an SVG are text, not outlines, and its elements have
    names of their own, since of two with one name a browser draws by the first alone, even where that is hidden.
    """
    metadata: dict[str, Any] = {"Date": None, "Creator": "cellstow"} if kind == "svg" else {"Software": "cellstow"}
    buffer = io.BytesIO()
    with own_look():
        if paper:
            mpl.rcParams.update({"svg.fonttype": "none", "svg.hashsalt": f"cellstow {paper}"})
        figure.savefig(buffer, format=kind, dpi=dpi, metadata=metadata)
    return _shortened(buffer.getvalue()) if kind == "svg" else buffer.getvalue()


def _shortened(svg: bytes) -> bytes:
    """The same picture in half the bytes: hundredths of a point (3.5 µm on paper), circles as circles, no blanks."""
    text = _ROUND.sub(_circle, re.sub(rb' d="[^"]*"', lambda path: _NUMBER.sub(_hundredths, path.group()), svg))
    text = re.sub(rb' d="([^"]*)"', lambda path: b' d="' + _thinned(path[1]) + b'"', text)
    return re.sub(rb">\s+<", b"><", text)


# A circle as matplotlib draws it: eight cubic curves from its lowest point.
_ROUND = re.compile(rb'<path d="M (\S+) (\S+) \n((?:C (?:\S+ ){6}\n){8})z\n"')
_NUMBER = re.compile(rb"-?\d+\.\d{3,}")
# Points of an outline nearer to the one before than this are left out [pt].
_NEAR = 0.08


def _hundredths(number: re.Match[bytes]) -> bytes:
    return b"%g" % round(float(number.group()), 2)


def _tenths(number: re.Match[str]) -> str:
    return f"{float(number[0]):.1f}".removesuffix(".0")


def _circle(path: re.Match[bytes]) -> bytes:
    """The path as a circle, if it is one; an ellipse stays as it is."""
    ends = np.array([line.split()[5:7] for line in path[3].splitlines()], dtype=float)
    low = np.array([path[1], path[2]], dtype=float)
    (x, y), radius = (low + ends[3]) / 2, np.hypot(*(low - ends[3])) / 2
    if abs(np.hypot(*(ends[1] - ends[5])) / 2 - radius) > 0.02:
        return path.group()
    return b'<circle cx="%.2f" cy="%.2f" r="%.2f"' % (x, y, radius)


def _thinned(path: bytes) -> bytes:
    """A path without blanks, and without points of straight lines that nobody can tell from the one before."""
    out: list[bytes] = []
    last: tuple[float, float] | None = None
    for command, numbers in re.findall(rb"([A-Za-z])([^A-Za-z]*)", path):
        parts = numbers.split()
        at = (float(parts[-2]), float(parts[-1])) if len(parts) > 1 else None
        if command == b"L" and at and last and abs(at[0] - last[0]) + abs(at[1] - last[1]) < _NEAR:
            continue
        last = at or last
        out.append(command + b" ".join(parts))
    return b"".join(out)


def inline_svg(figure: Figure, *, alt: str, paper: str = "", screen: str = "") -> str:
    """The picture as an <svg> element for a page, with a text for those who cannot see it.

    paper, screen: a name by which words are text, see `to_bytes`; on a screen the picture keeps its own ground.
    """
    from html import escape

    text = to_bytes(figure, kind="svg", paper=paper or screen).decode("utf-8")
    if paper:
        text = text.replace(PAPER, "#ffffff")  # a printer's paper has its own colour
    text = re.sub(r"<metadata>.*?</metadata>|<!--.*?-->", "", text[text.index("<svg") :], flags=re.DOTALL)
    # Nobody measures on a page: tenths of a point will do.
    text = re.sub(r' d="[^"]*"', lambda path: re.sub(r"-?\d+\.\d\d\b", _tenths, path[0]), text)
    return text.replace("<svg ", f'<svg role="img" aria-label="{escape(alt, quote=True)}" ', 1)


def save(figure: Figure, path: Path, *, dpi: int = 150) -> None:
    """Write the picture whole or not at all; the suffix says SVG or PNG, others are a ValueError."""
    kind = path.suffix.lower().lstrip(".")
    if kind not in ("svg", "png"):
        raise ValueError(f"a picture is written as .svg or .png, not {path.name}")
    write_bytes(path, to_bytes(figure, kind=kind, dpi=dpi))


def short_name(path: str, *, most: int = 22) -> str:
    """A file's name for a title beside a legend: its end where it is longer than so many characters.

    >>> short_name("logs/2026/a-very-long-name-of-a-controllers-log.csv")
    '…-a-controllers-log.csv'
    """
    name = Path(path).name
    return name if len(name) <= most else "…" + name[-most:]
