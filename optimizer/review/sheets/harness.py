"""The harness on one sheet: every wire from its case's connector to the board, numbered, with colour and pin."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import count
from typing import TYPE_CHECKING, Any

from optimizer.pack.wiring.table import BEND, PLUG
from optimizer.review.sheets import style as look

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from optimizer.design.model import Design

WIDTH_MM = 297.0
HEAD_MM, FOOT_MM, EDGE_MM = 24.0, 32.0, 10.0
ROW_MM, GAP_MM = 3.6, 3.0
# Left and right ends of the wires, and where their words stand.
LEFT_MM, RIGHT_MM = 92.0, 216.0

# Colour of a wire by its function, with its name in words (common practice: red positive, black negative).
FUNCTIONS = {
    "power, negative end": ("black", "#1f2e38"),
    "power, positive end": ("red", "#c0281c"),
    "power, from case to case": ("brown", "#7d4a1e"),
    "balance lead": ("yellow", "#b98a00"),
    "temperature sensor": ("blue", "#1c5d94"),
}

Row = dict[str, Any]


def function_of(wire: Mapping[Any, Any]) -> str:
    """Function of a wire of harness.csv, a key of FUNCTIONS."""
    if wire["purpose"] != "power":
        return "balance lead" if wire["purpose"] == "balance" else "temperature sensor"
    if str(wire["from"]).endswith("−"):
        return "power, negative end"
    return "power, positive end" if str(wire["to"]).startswith("pack connector") else "power, from case to case"


def draw_harness(design: Design) -> Figure:
    """One sheet as high as the wires need: cases with their connectors on the left, the board on the right."""
    wires: list[Row] = [{str(k): v for k, v in each.items()} for each in design.harness.to_dict("records")]
    blocks = _blocks(wires)
    height = HEAD_MM + FOOT_MM + len(wires) * ROW_MM + len(blocks) * (GAP_MM + ROW_MM)
    height = max(height, 120.0)
    with look.own_look():
        figure, axes = look.sheet(width_mm=WIDTH_MM, height_mm=height)
        _say(axes, EDGE_MM, height - 9.0, f"{design.title}: harness", fontsize=11, va="center")
        heads = ((EDGE_MM, "joined to"), (LEFT_MM - 13.0, "pin"), (RIGHT_MM + 4.0, "at the board"))
        for x, text in heads:
            _say(axes, x, height - HEAD_MM + 3.0, text, fontsize=6.5, color=look.SOFT)
        y, top = height - HEAD_MM, height - HEAD_MM
        at_board: dict[str, int] = {}
        for name, rows in blocks:
            _say(axes, EDGE_MM, y - ROW_MM / 2, name, fontsize=7, va="center", fontweight="bold")
            plug = y - ROW_MM
            for number, wire in rows:
                y = plug - (number - rows[0][0] + 0.5) * ROW_MM
                _wire(axes, y, number, wire, at_board)
            y -= ROW_MM / 2
            if rows[0][1]["purpose"] != "power" and rows[0][1]["connector"]:
                _box(axes, LEFT_MM - 14.0, y, 14.0, plug - y)
            y -= GAP_MM
        _box(axes, RIGHT_MM, y + GAP_MM, 70.0, top - y - GAP_MM)
        _say(axes, RIGHT_MM + 35.0, y - 1.0, f"board: {design.bms['id']}", fontsize=8, ha="center", va="center")
        _legend(axes, wires)
    return figure


def _blocks(wires: list[Row]) -> list[tuple[str, list[tuple[int, Row]]]]:
    """Wires with their numbers from 1, power first, then connector by connector."""
    found: dict[str, list[Row]] = {}
    for wire in sorted(wires, key=lambda each: each["purpose"] != "power"):
        name = f"connector of {wire['connector']}" if wire["connector"] else "bolted or soldered"
        if wire["purpose"] == "power":
            name = f"power wires, {'a connector in each' if wire['connector'] else name}"
        found.setdefault(name, []).append(wire)
    number = count(1)
    return [(name, [(next(number), wire) for wire in mine]) for name, mine in found.items()]


def _wire(axes: Axes, y: float, number: int, wire: Row, at_board: dict[str, int]) -> None:
    function = function_of(wire)
    word, colour = FUNCTIONS[function]
    thick = wire["purpose"] == "power"
    to_board = function != "power, from case to case"
    end = RIGHT_MM if to_board else RIGHT_MM - 40.0
    _say(axes, EDGE_MM, y, str(wire["from"])[:44], fontsize=6, va="center")
    if wire["connector"]:
        # A power wire's connector by its number, a case's by the pin.
        told = str(wire["connector"]).replace(PLUG, "plug") if thick else str(wire["pin"])
        _say(axes, LEFT_MM - 7.0, y, told, fontsize=6, ha="center", va="center")
    axes.plot([LEFT_MM, end], [y, y], color=colour, lw=1.8 if thick else 0.9, zorder=1)
    _label(axes, LEFT_MM + 8.0, y, str(number), fontweight="bold", color=colour)
    _label(axes, LEFT_MM + 24.0, y, word, color=colour)
    _label(axes, LEFT_MM + 58.0, y, f"{float(wire['length_mm']):.0f} mm, {float(wire['area_mm2']):g} mm²")
    if not to_board:
        _say(axes, end + 2.0, y, f"to {wire['to']}"[:26], fontsize=6, va="center")
        return
    plug = {"power": "power", "balance": "balance", "sensor": "sensor"}[str(wire["purpose"])]
    at_board[plug] = at_board.get(plug, 0) + 1
    words = ("pack connector" if "connector" in str(wire["to"]) else "negative") if thick else f"pin {at_board[plug]}"
    _say(axes, RIGHT_MM + 4.0, y, f"{plug}: {words}", fontsize=6, va="center")


def _say(axes: Axes, x: float, y: float, text: str, **how: Any) -> None:
    """Words of the user are words, no formulas."""
    axes.text(x, y, text, parse_math=False, **how)


def _label(axes: Axes, x: float, y: float, text: str, **how: Any) -> None:
    box = {"boxstyle": "round,pad=0.1", "facecolor": look.PAPER, "edgecolor": "none"}
    _say(axes, x, y, text, fontsize=6, ha="center", va="center", zorder=2, bbox=box, **how)


def _box(axes: Axes, x: float, y: float, width: float, height: float) -> None:
    axes.plot([x, x + width, x + width, x, x], [y, y, y + height, y + height, y], color=look.INK, lw=0.7)


def _legend(axes: Axes, wires: list[Row]) -> None:
    """Colours in words, wires with their bends, and what to know before cutting."""
    used = {function_of(wire) for wire in wires}
    for k, name in enumerate(name for name in FUNCTIONS if name in used):
        word, colour = FUNCTIONS[name]
        y = FOOT_MM - 8.0 - 4.2 * k
        axes.plot([EDGE_MM, EDGE_MM + 10.0], [y, y], color=colour, lw=1.8)
        _say(axes, EDGE_MM + 13.0, y, f"{word}: {name}", fontsize=6.5, va="center")
    lines = [
        f"{kind}: {outer:.1f} mm over its insulation, bent no tighter than {BEND * outer:.0f} mm"
        for outer, kind in sorted({(float(w["outer_mm"]), str(w["wire"])) for w in wires})
    ]
    through = sorted({str(w["through"]) for w in wires} - {""})
    lines += [f"from box to box: {', '.join(through)}"] if through else []
    lines.append("Lengths are ways with spare and slack (harness.csv), in whole 5 mm. Number both ends of every wire.")
    lines.append("Measure every pin against pin 1 before a plug meets the board: one wrong order destroys it.")
    for k, text in enumerate(lines):
        _say(axes, 110.0, FOOT_MM - 8.0 - 4.2 * k, text[:110], fontsize=6.5, va="center")
