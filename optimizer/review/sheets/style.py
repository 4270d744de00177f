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
    """Coordinates to a hundredth of a point (3.5 µm on paper): the files shrink by a third."""

    def short(match: re.Match[bytes]) -> bytes:
        return b"%g" % round(float(match.group()), 2)

    return re.sub(rb' d="[^"]*"', lambda path: re.sub(rb"-?\d+\.\d{3,}", short, path.group()), svg)


def inline_svg(figure: Figure, *, alt: str, paper: str = "") -> str:
    """The picture as an <svg> element for a page, with a text for those who cannot see it; paper: see `to_bytes`."""
    from html import escape

    text = to_bytes(figure, kind="svg", paper=paper).decode("utf-8")
    if paper:
        text = text.replace(PAPER, "#ffffff")  # a printer's paper has its own colour
    text = text[text.index("<svg") :]
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
