"""What the terminal shows of `vary`: a table, and sentences a person would say."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import numpy as np

from optimizer.review.tables import WIDTH, headers_for, text_table
from optimizer.review.terminal_why import pack_words, step
from optimizer.review.words import describe, number

if TYPE_CHECKING:
    from optimizer.steps import Step
    from optimizer.vary import Best, Worth


def vary_text(worth: Worth, *, currency: str) -> str:
    """The whole answer of `cellstow vary`.

    Parameters
    ----------
    worth : Worth
    currency : str

    Returns
    -------
    str
    """
    told = sentences(worth, currency=currency)
    idle = [s.text for s, found in zip(worth.steps, worth.best, strict=True) if found and not changed(worth, found)]
    parts = [base_text(worth, currency=currency), "By how much the best of each figure changes:",
             vary_table(worth, currency=currency), *told]  # fmt: skip
    if idle:
        parts.append(f"No change of any figure or count: {'; '.join(idle)}.")
    lines = [line for text in parts[3:] for line in textwrap.wrap(text, WIDTH, subsequent_indent="    ")]
    return "\n\n".join(parts[:3]) + "\n\n" + "\n".join(lines)


def base_text(worth: Worth, *, currency: str) -> str:
    """The best of each figure as the brief stands."""
    if not worth.base.rows:
        return "As the brief stands, no pack meets every limit."
    rows = []
    for name in worth.figures:
        label, unit, decimals = describe(name, currency=currency)
        row = worth.base.rows[name]
        rows.append([f"best {label}", f"{number(row[name], decimals=decimals)} {unit}".strip(), pack_words(row)])
    return text_table(["as the brief stands", "", "pack"], [[a, b, c] for a, b, c in rows], left=3)


def vary_table(worth: Worth, *, currency: str) -> str:
    """One line per step."""
    rows = []
    for record in worth.table().to_dict("records"):
        cells = record["cells_change"]
        values = [_change(float(record[f"{name}_change"]), name) for name in worth.figures]
        if not record["feasible"]:
            values = ["none left", *[""] * (len(worth.figures) - 1)]
        rows.append([str(record["text"]), *values, f"{cells:+d}" if cells else ""])
    return text_table(["step", *headers_for(worth.figures, currency=currency), "cells"], rows)


def _change(value: float, name: str) -> str:
    if np.isnan(value):
        return "–"
    text = step(value, name, "")
    return "" if text == "same" else text.split(" ")[0]


def changed(worth: Worth, found: Best) -> bool:
    """Whether a step shows in the digits that are printed."""
    same = all(_change(found.value(name) - worth.base.value(name), name) == "" for name in worth.figures)
    return not same or bool(found.place_changes(worth.base))


def sentences(worth: Worth, *, currency: str) -> list[str]:
    """What each step that changes something does, such as "2 mm more height in the stem holds one more series
    group: +5.1 km range".

    Parameters
    ----------
    worth : Worth
    currency : str

    Returns
    -------
    list of str
        Those that gain range first.
    """
    told = []
    for each, found in zip(worth.steps, worth.best, strict=True):
        if found is None:
            told.append((0.0, f"{each.text}: no compartment or window any more."))
        elif not found.rows and worth.base.rows:
            told.append((-np.inf, f"{each.text}: no pack meets every limit any more."))
        elif changed(worth, found):
            gain = found.value("range_km") - worth.base.value("range_km")
            told.append((gain if np.isfinite(gain) else np.inf, _sentence(worth, each, found, currency)))
    return [text for _, text in sorted(told, key=lambda pair: -pair[0])]


def _sentence(worth: Worth, each: Step, found: Best, currency: str) -> str:
    if not worth.base.rows:
        return f"{each.text}: packs become possible, the longest range {found.value('range_km'):.1f} km."
    changes = [
        f"{text} best {describe(name)[0]}"
        for name in worth.figures
        if (text := step(found.value(name) - worth.base.value(name), name, currency)) != "same"
    ]
    held = _holds(worth, each, found)
    was, now = (pack_words(best.rows["range_km"]) for best in (worth.base, found))
    other = f" (best range with {now} instead of {was})" if was != now else ""
    return f"{each.text}{held}: {', '.join(changes) or 'the best figures stay as they are'}{other}."


def _holds(worth: Worth, each: Step, found: Best) -> str:
    """What a step does to what fits: series groups of the pack of best range, or cells."""
    was, now = worth.base.rows["range_km"], found.rows["range_km"]
    more = int(now["series"]) - int(was["series"])
    if more and (was["cell_id"], was["parallel"]) == (now["cell_id"], now["parallel"]):
        return f" holds {_count(abs(more))} {'more' if more > 0 else 'fewer'} series group{'s' * (abs(more) > 1)}"
    places = found.place_changes(worth.base)
    if not places:
        return ""
    sizes = [f"{abs(n)} {'more' if n > 0 else 'fewer'} of {size}" for (_, size), n in places.items()]
    others = len(sizes) - 3
    rest = f" and other counts of {others} size{'s' * (others > 1)}" if others > 0 else ""
    return f" holds {', '.join(sizes[:3])}{rest}"


def _count(number_of: int) -> str:
    return {1: "one", 2: "two", 3: "three"}.get(number_of, str(number_of))
