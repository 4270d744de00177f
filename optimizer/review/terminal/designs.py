"""What the terminal shows of designs: a shortlist with its tolerances and cautions, a design scored again."""

from __future__ import annotations

import re
import shlex
import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.base import console
from optimizer.base.figures import shown_in
from optimizer.front.pareto import dominated_by, signed
from optimizer.front.ranking import merit
from optimizer.review.terminal.tables import counted, headers_for, side_by_side, text_table
from optimizer.review.words import describe, number, of_situations

if TYPE_CHECKING:
    import pandas as pd

    from optimizer.design.model import Design

GENERAL = (
    "With every pack: touch, welding, matching, protection, charging, the cold, transport and storage have cautions of"
    " their own; local codes and licensed practice rule. -v prints them; each build sheet holds them in full."
)
FIGURE = re.compile(r"^[\d.]+")
FACTS = (
    "cell_id", "series", "parallel", "split", "strip", "wire", "bms", "fuse", "range_stop", "peak_limit",
    *shown_in("s"),
)  # fmt: skip


def facts_of(row: Mapping[str, Any]) -> list[str]:
    """Columns of a row that are told of a design, those of its situations last."""
    return [*(name for name in FACTS if name in row), *of_situations(row, view="s")]


def shortlist_text(
    frame: pd.DataFrame,
    *,
    designs: Sequence[Design],
    pinned: Mapping[str, Design | None],
    front: pd.DataFrame,
    objectives: Sequence[str],
    currency: str,
    folder: Path,
    verdict: str,
    whole: bool = False,
) -> str:
    """A shortlist as `cellstow shortlist` prints it.

    Parameters
    ----------
    frame : DataFrame
        With tolerance columns.
    pinned : mapping of str to Design or None
        The brief's own packs by name; None for one that cannot be built.
    front : DataFrame
        The whole of it.
    folder : Path
        Of the run.
    verdict : str
        The verdict's block of lines.
    whole : bool
        Print the cautions that go with every pack in full.
    """
    parts = [_short_table(frame, objectives=objectives, currency=currency), verdict]
    parts.append("One pack in ten below – one in ten above, by cells that differ and what their model leaves open:")
    parts.append(_tolerance_table(frame, objectives=objectives, currency=currency))
    if "range_km_low" in frame:
        ends = zip(frame["design_id"], frame["range_km_low"], frame["range_km_high"], strict=True)
        bands = (f"{name} {low:.1f} – {high:.1f} km" for name, low, high in ends)
        parts.append(f"Range with 95 % probability, by the standard errors of [vehicle]: {', '.join(bands)}.")
    if pinned:
        rows = {name: None if each is None else each.row for name, each in pinned.items()}
        parts.append(pinned_text(rows, front, objectives=objectives, currency=currency))
    parts.append(_cautions_text([*designs, *(each for each in pinned.values() if each is not None)], whole=whole))
    written = f"Written: {folder / 'shortlist.csv'}, .parquet, and {folder / 'designs'}/…"
    parts.append(f"{written}\nNext: cellstow report {shlex.quote(str(folder))}")
    return "\n\n".join(parts)


def pinned_text(
    pinned: Mapping[str, Mapping[str, Any] | None], front: pd.DataFrame, *, objectives: Sequence[str], currency: str
) -> str:
    """Pinned packs, None for one that cannot be built, beside the front's pick.

    What each fails, and how many rows of the front beat it.
    """
    built = {name: row for name, row in pinned.items() if row is not None}
    lines = [
        f"The pack {name} cannot be built; `cellstow why` with its parts tells the reason."
        for name, row in pinned.items() if row is None
    ]  # fmt: skip
    if not built:
        return "\n".join(lines)
    beside = list(built.values())
    for name, row in built.items():
        who = f"{name}: " if len(built) > 1 else ""
        lines += [f"{who}{text}" for text in _beside_front(row, front, objectives=objectives, currency=currency)]
    if len(front):
        pick = int(np.argmax(np.round(merit(front, objectives=objectives), 12)))
        beside.append({str(k): v for k, v in front.iloc[pick].items()})
    table = side_by_side(beside, columns=facts_of(beside[0]), currency=currency)
    what = f"The pinned pack{'s' * (len(built) > 1)}{' beside the pick of the front' * bool(len(front))}:"
    return f"{what}\n\n{table}\n\n" + "\n".join(lines)


def _beside_front(
    row: Mapping[str, Any], front: pd.DataFrame, *, objectives: Sequence[str], currency: str
) -> list[str]:
    """What a pack fails, and how many rows of the front are no worse in anything."""
    lines = []
    for name in (str(name) for name in row if str(name).startswith("margin_") and float(row[name]) < 0):
        _, unit, decimals = describe(name, currency=currency)
        miss = number(-float(row[name]), decimals=max(decimals, 2))
        lines.append(f"It fails {name.removeprefix('margin_')} by {miss} {unit}".rstrip() + ".")
    if len(front):
        points = signed({name: front[name].to_numpy(dtype=float) for name in objectives}, objectives=objectives)
        own = signed({name: np.array([float(row[name])]) for name in objectives}, objectives=objectives)
        better = int(dominated_by(-points, front=-own).sum())
        lines.append(f"{better} of {len(front)} rows of the front are no worse in any objective.")
    return lines


def _short_table(frame: pd.DataFrame, *, objectives: Sequence[str], currency: str = "") -> str:
    """A shortlist, one line per design, with ids in full: they are what the next command is given."""
    rows = []
    for record in frame.to_dict("records"):
        pack = f"{record['series']}S{record['parallel']}P {record['cell_id']}"
        values = [number(record[name], decimals=describe(name)[2]) for name in objectives]
        rows.append([str(record["design_id"]), pack, str(record["rank"]), number(record["merit"], decimals=3), *values])
    heads = ["design", "pack", "rank", "merit", *headers_for(objectives, currency=currency)]
    table = text_table(heads, rows, left=2)
    boxes = [str(name) for name in frame if str(name).startswith("dim_")]
    if not boxes:
        return table
    sizes = [f"{name.removeprefix('dim_').removesuffix('_mm').replace('_', ' ')} mm" for name in boxes]
    chosen = [[str(each["design_id"]), *(f"{each[name]:g}" for name in boxes)] for each in frame.to_dict("records")]
    return f"{table}\n\nThe box of each:\n\n{text_table(['design', *sizes], chosen)}"


def _tolerance_table(frame: pd.DataFrame, *, objectives: Sequence[str], currency: str = "") -> str:
    """Percentiles (<objective>_p10, _p90) and chances of the constraints (holds_…), one line per design."""
    chances = [str(name) for name in frame if str(name).startswith("holds_")]
    heads = ["design"]
    for name in objectives:
        label, unit, _ = describe(name, currency=currency)
        heads.append(f"{label} {unit}".strip())
    # Many constraints would not fit side by side: the least of them stands for all, by name.
    heads += ["least sure limit", "all fit"]
    rows = []
    for record in frame.to_dict("records"):
        spans = []
        for name in objectives:
            decimals = max(describe(name)[2], 1) if name == "range_km" else describe(name)[2]
            low, high = (number(record[f"{name}_{end}"], decimals=decimals) for end in ("p10", "p90"))
            spans.append(low if low == high else f"{low} – {high}")
        limits = {name: record[name] for name in chances if name != "holds_fit"}
        least = min(limits, key=lambda name: limits[name]) if limits else ""
        words = f"{describe(least.removeprefix('holds_'))[0]} {_chance(limits[least])}" if least else "none set"
        rows.append([str(record["design_id"]), *spans, words, _chance(record["holds_fit"])])
    return text_table(heads, rows)


def _chance(value: float) -> str:
    """A chance drawn from a thousand: never more digits than it has."""
    percent = 100.0 * value
    return f"{percent:.0f} %" if percent in (0.0, 100.0) else f"{percent:.1f} %"


def _cautions_text(designs: Sequence[Design], *, whole: bool = False) -> str:
    """Every caution once, with the designs it holds for where it does not hold for all; whole: nothing is cut."""
    general = [] if whole else [text for design in designs for text in design.general_cautions]
    return cautions_of({str(design.row["design_id"]): design.cautions for design in designs}, general=general)


def cautions_of(whose: Mapping[str, Sequence[str]], *, general: Sequence[str] = ()) -> str:
    """Cautions by the name of what they are told of; one that holds for all is told without names.

    Each list begins with the gravest, and so does what they come to together. The texts in `general` are told in
    one line that says where they stand.
    """
    holds: dict[str, list[tuple[str, str]]] = {}
    place: dict[str, int] = {}
    for name, texts in whose.items():
        for k, text in enumerate(text for text in texts if text not in general):
            # Cautions that differ in their first figure alone ("372 Wh: …") are one.
            alike = FIGURE.sub("", text)
            holds.setdefault(alike, []).append((text, name))
            place[alike] = max(k, place.get(alike, k))
    lines = ["Cautions:"]
    for found in (holds[alike] for alike in sorted(holds, key=place.__getitem__)):
        text = found[0][0]
        figures = sorted({float(hit.group()) for each, _ in found if (hit := FIGURE.match(each))})
        if len(figures) > 1:
            text = f"{figures[0]:g} to {figures[-1]:g}{FIGURE.sub('', text)}"
        whom = "" if len(found) == len(whose) else f"{', '.join(name for _, name in found)}: "
        lines += textwrap.wrap(whom + text, console.columns(), initial_indent="  - ", subsequent_indent="    ")
    if general:
        lines += textwrap.wrap(GENERAL, console.columns(), initial_indent="  - ", subsequent_indent="    ")
    return "\n".join(lines)


def rescore_text(
    row: Mapping[str, Any], *, then: Mapping[str, Any], differing: Mapping[str, tuple[Any, Any]], currency: str
) -> str:
    """A design scored again beside the figures it was written with; differing: see design.rescore.differences."""
    columns = facts_of(row)
    lines = []
    for name in columns:
        label, unit, decimals = describe(name, currency=currency)
        was = number(then.get(name, row[name]), decimals=decimals)
        lines.append([f"{label} {unit}".strip(), was, number(row[name], decimals=decimals),
                      "differs" if name in differing else ""])  # fmt: skip
    table = text_table(["", "as written", "now", ""], lines)
    margins = [name for name in row if str(name).startswith("margin_")]
    failed = [name for name in margins if float(row[name]) < 0]
    out = [table]
    for name in failed:
        key = name.removeprefix("margin_")
        _, unit, decimals = describe(name, currency=currency)
        out.append(f"Fails: {describe(key)[0]}, by {number(-float(row[name]), decimals=max(decimals, 2))} {unit}")
    words = f"Differs in {counted(len(differing), 'figure')}: {', '.join(differing)}."
    out.append(words if differing else "Same figures as written.")
    return "\n\n".join(out)
