"""What the terminal shows of `vary`: a table, and sentences a person would say."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.base import console
from optimizer.base.figures import OBJECTIVES, in_situation
from optimizer.review.terminal.tables import headers_for, text_table
from optimizer.review.terminal.why import pack_words, step
from optimizer.review.words import describe, number

if TYPE_CHECKING:
    from optimizer.analysis.steps import Step
    from optimizer.analysis.vary import Best, Worth


# A change of less than this part of a figure is left to the table: a cent is no reason to mill a box anew.
TELLING = 0.001


def vary_text(worth: Worth, *, currency: str) -> str:
    """The whole answer of `cellstow vary`."""
    told = sentences(worth, currency=currency)
    idle = [s.text for s, found in zip(worth.steps, worth.best, strict=True) if found and not tells(worth, found)]
    if idle:
        told.append(f"Worth less than {100 * TELLING:g} % of any figure: {'; '.join(idle)}.")
    lines = [line for text in told for line in textwrap.wrap(text, console.columns(), subsequent_indent="    ")]
    size = str(worth.base.rows["range_km"]["size"]) if worth.base.rows else ""
    counted = f"; cells: how many more of {size} fit, and in brackets of any size" if size else ""
    intro = textwrap.fill(f"By how much the best of each figure changes{counted}:", console.columns())
    head = [base_text(worth, currency=currency), *situations_of(worth), *binding_text(worth, currency=currency), intro]
    return "\n\n".join([*head, vary_table(worth, currency=currency), "\n".join(lines)])


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


def situations_of(worth: Worth) -> list[str]:
    """The best packs as the brief stands in each situation, by their range, that of most power by its power."""
    if not (worth.situations and worth.base.rows):
        return []
    rows = []
    for name in worth.figures:
        row, shown = worth.base.rows[name], "peak_power_w" if name == "peak_power_w" else "range_km"
        label, unit, decimals = describe(shown)
        values = [number(row[in_situation(shown, each)], decimals=decimals) for each in ("", *worth.situations)]
        rows.append([f"best {describe(name)[0]}", f"{label} {unit}", *values])
    return [text_table(["of the pack with", "", "own", *worth.situations], rows, left=2)]


def binding_text(worth: Worth, *, currency: str) -> list[str]:
    """Which limits bind the best of each figure, the one that costs most first."""
    lines = []
    for name, limits in worth.binding().items():
        words = [
            f"{limit} ({step(gain if OBJECTIVES[name] else -gain, name, currency)})"
            for limit, gain in sorted(limits.items(), key=lambda pair: -pair[1])
        ]
        if words:
            text = f"best {describe(name)[0]}: {', '.join(words)}"
            lines += textwrap.wrap(text, console.columns(), initial_indent="  ", subsequent_indent="    ")
    return ["\n".join(["What binds, with what a step of it is worth:", *lines])] if lines else []


def vary_table(worth: Worth, *, currency: str) -> str:
    """One line per step."""
    rows = []
    for record in worth.table().to_dict("records"):
        values = [_change(float(record[f"{name}_change"]), name) for name in worth.figures]
        if not record["feasible"]:
            values = ["none left", *[""] * (len(worth.figures) - 1)]
        there = [number(record[in_situation("best_range_pack_km", each)], decimals=1) for each in worth.situations]
        rows.append([str(record["text"]), *values, *there, _cells(record)])
    heads = [f"best range in {name.replace('_', ' ')} km" for name in worth.situations]
    return text_table(["step", *headers_for(worth.figures, currency=currency), *heads, "cells"], rows)


def _cells(record: Mapping[Any, Any]) -> str:
    """Cells more of the size that goes furthest, and in brackets the least and the most of any size."""
    own, least, most = (int(record[f"cells_change{end}"]) for end in ("", "_least", "_most"))
    if not (own or least or most):
        return ""
    signed = [f"{n:+d}".replace("-", "−") if n else "0" for n in (own, least, most)]
    ends = [text for text, n in zip(signed[1:], (least, most), strict=True) if n]
    return f"{signed[0]} ({' to '.join(ends)})"


def _change(value: float, name: str) -> str:
    if np.isnan(value):
        return "–"
    text = step(value, name, "")
    return "" if text == "same" else text.split(" ")[0]


def tells(worth: Worth, found: Best) -> bool:
    """Whether a step is worth a sentence: a figure that changes by more than TELLING of itself."""
    return bool(found.rows) != bool(worth.base.rows) or any(_telling(worth, found, name) for name in worth.figures)


def _telling(worth: Worth, found: Best, name: str) -> bool:
    was = worth.base.value(name)
    return abs(found.value(name) - was) > TELLING * abs(was)


def sentences(worth: Worth, *, currency: str) -> list[str]:
    """What each step that changes something does, those that gain range first.

    Such as "2 mm more height in the stem holds one more series group: +5.1 km range".
    """
    told = []
    for each, found in zip(worth.steps, worth.best, strict=True):
        if found is None:
            told.append((0.0, f"{each.text}: no compartment or window any more."))
        elif not found.rows and worth.base.rows:
            told.append((-np.inf, f"{each.text}: no pack meets every limit any more."))
        elif tells(worth, found):
            gain = found.value("range_km") - worth.base.value("range_km")
            told.append((gain if np.isfinite(gain) else np.inf, _sentence(worth, each, found, currency)))
    return [text for _, text in sorted(told, key=lambda pair: -pair[0])]


def _sentence(worth: Worth, each: Step, found: Best, currency: str) -> str:
    if not worth.base.rows:
        return f"{each.text}: packs become possible, the longest range {found.value('range_km'):.1f} km."
    changes = [
        f"{text} best {describe(name)[0]}"
        for name in worth.figures
        if _telling(worth, found, name)
        and (text := step(found.value(name) - worth.base.value(name), name, currency)) != "same"
    ]
    held = _holds(worth, found)
    was, now = (pack_words(best.rows["range_km"]) for best in (worth.base, found))
    other = f" (best range with {now} instead of {was})" if was != now else ""
    if _smaller(each) and any(_better(worth, found, name) for name in worth.figures if _telling(worth, found, name)):
        # What fits a smaller room fits a larger one, but not every layout of a room is among those tried.
        other += " (the smaller room has a layout that the larger one was not offered; it would fit there too)"
    return f"{each.text}{held}: {', '.join(changes) or 'the best figures stay as they are'}{other}."


def _smaller(each: Step) -> bool:
    return each.change < 0 and each.text.startswith(f"{-each.change:g} mm")


def _better(worth: Worth, found: Best, name: str) -> bool:
    more = found.value(name) - worth.base.value(name)
    return (more > 0) == OBJECTIVES[name]


def _holds(worth: Worth, found: Best) -> str:
    """What a step does to what fits: series groups of the pack of best range, or cells."""
    was, now = worth.base.rows["range_km"], found.rows["range_km"]
    more = int(now["series"]) - int(was["series"])
    if more and (was["cell_id"], was["parallel"]) == (now["cell_id"], now["parallel"]):
        return f" holds {_count(abs(more))} {'more' if more > 0 else 'fewer'} series group{'s' * (abs(more) > 1)}"
    places = found.place_changes(worth.base)
    if not places:
        return ""
    ordered = sorted(places.items(), key=lambda item: (item[0][1] != was["size"], -abs(item[1])))
    sizes = [f"{abs(n)} {'more' if n > 0 else 'fewer'} of {size}" for (_, size), n in ordered]
    others = len(sizes) - 3
    rest = f" and other counts of {others} size{'s' * (others > 1)}" if others > 0 else ""
    return f" holds {', '.join(sizes[:3])}{rest}"


def _count(number_of: int) -> str:
    return {1: "one", 2: "two", 3: "three"}.get(number_of, str(number_of))
