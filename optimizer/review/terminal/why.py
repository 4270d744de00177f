"""What the terminal shows of `why`: reasons with figures, or the packs of the front that beat what was asked."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from optimizer.base import console
from optimizer.review.terminal.overview import remedy_lines
from optimizer.review.terminal.tables import counted, headers_for, text_table
from optimizer.review.words import describe, meaning, number

if TYPE_CHECKING:
    import pandas as pd

    from optimizer.analysis.obstacles import Reason
    from optimizer.analysis.why import Answer, Beaten

MOST_BEATERS = 3


def reason_text(reason: Reason) -> str:
    """One reason in words."""
    return f"{reason.rule}: {reason.text}"


def why_text(answer: Answer, *, objectives: Sequence[str], currency: str, front: pd.DataFrame | None) -> str:
    """What stands against a pack, as `cellstow why` prints it."""
    lines = [f"{answer.asked.text()}:"]
    lines += [f"Not in the run: {note.text}." for note in answer.notes]
    if answer.reasons:
        lines.append("No such pack meets the brief." if len(answer.reasons) == 1 else "No such pack meets the brief:")
        for reason in answer.reasons:
            text = reason_text(reason)
            lines += textwrap.wrap(text, console.columns(), initial_indent="  - ", subsequent_indent="    ")
        told = {"remedies": [each.record() for each in answer.remedies], "brief": {"currency": currency}}
        for line in remedy_lines(told):
            lines += textwrap.wrap(line, console.columns(), subsequent_indent="    ")
        return "\n".join(lines)
    few = counted(len(answer.feasible), "pack")
    meet = "meets" if len(answer.feasible) == 1 else "meet"
    lines.append(f"{few} of this kind {meet} every limit without being beaten by another of this kind.")
    if front is None:
        lines.append("Give a run instead of the brief to see which packs beat them.")
        lines.append(_table(answer.feasible.head(8), objectives, currency))
        return "\n".join(lines)
    if answer.on_front:
        lines.append(f"On the front: {', '.join(answer.on_front)}.")
    for item in answer.beaten:
        lines += ["", _beaten_text(item, objectives, currency)]
    return "\n".join(lines)


def _table(frame: pd.DataFrame, objectives: Sequence[str], currency: str) -> str:
    heads = ["design", "pack", *headers_for(objectives, currency=currency)]
    rows = [
        [str(r["design_id"]), pack_words(r), *(number(r[name], decimals=describe(name)[2]) for name in objectives)]
        for r in frame.to_dict("records")
    ]
    return text_table(heads, rows, left=2)


def pack_words(row: Mapping[Any, Any]) -> str:
    """Such as "20S4P amber-21700-e50"."""
    return f"{row['series']}S{row['parallel']}P {row['cell_id']}"


def _beaten_text(item: Beaten, objectives: Sequence[str], currency: str) -> str:
    named = ", ".join(f"{word.split()[0]} {describe(word.split()[1])[0]}" if " " in word else word
                      for word in item.why.split(", "))  # fmt: skip
    head = f"{pack_words(item.row)}, {named} of these ({', '.join(_figure(item.row, n, currency) for n in objectives)})"
    if not len(item.by):
        near = item.near
        return (
            f"{head}:\n  beaten by no row; within the resolution of [objectives] the front keeps "
            f"{near['design_id']}, {pack_words(near)}: {changes(near, item.row, objectives, currency)}"
        )
    lines = [f"{head} is beaten by {counted(len(item.by), 'row')} of the front:"]
    for row in item.by.head(MOST_BEATERS).to_dict("records"):
        lines.append(f"  {row['design_id']}  {pack_words(row)}: {changes(row, item.row, objectives, currency)}")
    return "\n".join(lines)


def _figure(row: Mapping[Any, Any], name: str, currency: str) -> str:
    _, unit, decimals = describe(name, currency=currency)
    return f"{number(row[name], decimals=decimals)} {unit}".strip()


def changes(row: Mapping[Any, Any], other: Mapping[Any, Any], objectives: Sequence[str], currency: str) -> str:
    """How a row differs from another in words: "+3.2 km range, −0.2 kg pack mass, same cost"."""
    return ", ".join(
        f"{step(float(row[name]) - float(other[name]), name, currency)} {describe(name)[0]}" for name in objectives
    )


def step(change: float, name: str, currency: str) -> str:
    """A change with its sign and unit, such as "+3.2 km"; "same" below the digits shown."""
    _, unit, decimals = describe(name, currency=currency)
    text = number(abs(change), decimals=decimals)
    if float(text) == 0.0:
        return "same"
    return f"{'+' if change > 0 else '−'}{text} {unit}".strip()


def space_text(record: Mapping[str, Any], counts: Sequence[tuple[str, int]]) -> str:
    """The whole space by what became of it; counts: see `optimizer.analysis.why.whole_space`."""
    total = max(sum(count for _, count in counts), 1)
    rows = [[name, f"{count:,}", f"{100 * count / total:.2f} %"] for name, count in counts]
    table = text_table(["reason", "candidates", "share"], rows)
    lines = [f"{total:,} candidates by what became of them:", "", table, ""]
    lines += [f"{name}: {text}." for name, _ in counts if (text := meaning(name))]
    front = record.get("front", {})
    if front:
        lines += ["", f"On the front: {front.get('rows', 0)} rows, {front.get('before_thinning', 0)} before thinning."]
    for line in remedy_lines(record):
        lines += textwrap.wrap(line, console.columns(), subsequent_indent="    ")
    return "\n".join(lines)
