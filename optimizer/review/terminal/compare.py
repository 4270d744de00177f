"""What the terminal shows of two runs or two designs."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from optimizer.base.figures import OBJECTIVES
from optimizer.base.texts import clipped
from optimizer.review.terminal.designs import facts_of
from optimizer.review.terminal.tables import counted, headers_for, text_table
from optimizer.review.terminal.why import pack_words, step
from optimizer.review.words import describe, number

if TYPE_CHECKING:
    from optimizer.analysis.compare import DesignsCompared, RunsCompared

MOST_KEYS = 20


def runs_text(found: RunsCompared) -> str:
    """Two runs side by side."""
    a, b = found.sides
    currency = a.run.currency
    columns, rows = (*found.objectives, *found.there), []
    for why, pair in found.best.items():
        word = why if " " not in why else f"{why.split()[0]} {describe(why.split()[1])[0]}"
        for name, row in zip(("A", "B"), pair, strict=True):
            values = [number(row[column], decimals=describe(column)[2]) for column in columns]
            rows.append([word if name == "A" else "", name, str(row["design_id"]), pack_words(row), *values])
    heads = ["", "", "design", "pack", *headers_for(columns, currency=currency)]
    lines = [
        f"{label} = {side.name}: {side.run.record.get('title', '')}, {counted(len(side.run.front), 'design')}"
        for label, side in (("A", a), ("B", b))
    ]
    lines += ["", text_table(heads, rows, left=4), ""]
    for (label, side), beaten, share, other in zip(
        (("A", a), ("B", b)), found.beaten, found.share, ("B", "A"), strict=True
    ):
        lines.append(
            f"{label}: {beaten} of {len(side.run.front)} rows are equalled or beaten by {other}; alone it covers "
            f"{'' if found.exact else 'about '}{100 * share:.1f} % of the volume that both dominate together."
        )
    lines += [*_alone(found), "", *_asked(found.asked)]
    if found.inputs:
        lines.append(f"Files that differ: {', '.join(found.inputs)}.")
    return "\n".join(lines)


def _alone(found: RunsCompared) -> list[str]:
    """Situations that only one of two runs was judged in."""
    names = [[each["name"] for each in side.run.record["brief"].get("situation") or ()] for side in found.sides]
    told = zip("AB", names, reversed(names), strict=True)
    own = {label: [name for name in mine if name not in others] for label, mine, others in told}
    return [f"{label} alone was judged in: {', '.join(each)}." for label, each in own.items() if each]


def _asked(asked: Mapping[str, tuple[Any, Any]]) -> list[str]:
    if not asked:
        return ["Both briefs ask for the same."]
    lines = ["Where the briefs differ (A, B):"]
    for key, pair in list(asked.items())[:MOST_KEYS]:
        left, right = ("not said" if value is None else json.dumps(value, ensure_ascii=False) for value in pair)
        lines.append(clipped(f"  {key}: {left}, {right}", 100))
    rest = len(asked) - MOST_KEYS
    return lines + ([f"  … and {rest} keys more"] if rest > 0 else [])


def designs_text(found: DesignsCompared) -> str:
    """Two designs side by side, with what changes from the first to the second."""
    a, b = found.sides
    assert a.row is not None and b.row is not None
    currency = a.run.currency
    margins = [str(name) for name in a.row if str(name).startswith("margin_") and name in b.row]
    rows = []
    for column in dict.fromkeys([*facts_of(a.row), *facts_of(b.row), *margins]):
        label, unit, decimals = describe(column, currency=currency)
        x, y = (side.row.get(column) for side in (a, b) if side.row is not None)
        change = ""
        if x is None or y is None:
            change = "not asked of both"
        elif not isinstance(x, str) and column not in ("series", "parallel"):
            text = step(float(y) - float(x), column, currency) if x == x and y == y else ""
            change = "" if text == "same" else text
            if change and column in OBJECTIVES and column not in ("energy_wh",):
                change += " better" if ((float(y) > float(x)) == OBJECTIVES[column]) else " worse"
        elif x != y:
            change = "differs"
        rows.append([f"{label} {unit}".strip(), number(x, decimals=decimals), number(y, decimals=decimals), change])
    heads = ["", f"A = {a.row['design_id']}", f"B = {b.row['design_id']}", "B against A"]
    wins = [", ".join(describe(name)[0] for name in names) or "nothing" for names in found.better]
    return f"{text_table(heads, rows)}\n\nA is better in {wins[0]}; B is better in {wins[1]}."
