"""The verdict in sentences, for terminal and page."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from optimizer.analysis.verdict import Alternative, Change, Verdict, groups_of
from optimizer.base.figures import ANY, FIGURES, sided, split_name
from optimizer.review.words import describe, number, of_situations, quantity

ORDINAL = {1: "a second box", 2: "two more boxes"}


def _amount(change: Change, currency: str) -> str:
    """A change such as "+26 km" or "168 min more charging"."""
    if change.figure == "boxes":
        more = int(change.amount)
        return ORDINAL.get(more, f"{more} more boxes") if more > 0 else f"{-more} box{'es' if more < -1 else ''} fewer"
    label, unit, decimals = describe(change.figure, currency=currency)
    # Two digits that count are enough to choose by.
    size = abs(change.amount)
    decimals = 0 if size >= 20 else min(decimals, 1 if size >= 1 else 2)
    text = number(size, decimals=decimals)
    if change.figure == "charge_min":
        return f"{text} min {'more' if change.amount > 0 else 'less'} charging"
    sign = "+" if change.amount > 0 else "−"
    named = "" if change.figure in ("range_km", "pack_mass_kg", "cost") else f" {label}"
    return f"{sign}{text} {unit}".rstrip() + named


def switch_words(other: Alternative, *, currency: str) -> str:
    """What an alternative brings and costs, such as "+26 km for +2.75 kg, +93 EUR, a second box".
    """
    gains = [_amount(change, currency) for change in other.changes if change.better]
    costs = [_amount(change, currency) for change in other.changes if not change.better]
    if not gains:
        return f"differs by {', '.join(costs)}" if costs else "has the same figures"
    return f"{', '.join(gains)} for {', '.join(costs) or 'nothing'}"


def gives_words(row: Mapping[str, Any], *, objectives: Sequence[str], currency: str) -> str:
    """What a pack gives: each objective with its value."""
    parts = []
    for name in objectives:
        told = FIGURES[name].label if name not in ("range_km", "pack_mass_kg", "cost") else ""
        parts.append(f"{quantity(name, row[name], currency=currency)} {told}".rstrip())
    parts[0] = f"{parts[0]} of range" if objectives[0] == "range_km" else parts[0]
    return ", ".join(parts)


def situation_columns(columns: Iterable[object], *, objectives: Sequence[str]) -> dict[str, list[str]]:
    """Columns by situation that tell of objectives in it, such as winter: range_km_winter."""
    found: dict[str, list[str]] = {}
    wanted = {split_name(name)[0] for name in objectives}
    for column in of_situations(columns, view="t"):
        base, situation = split_name(column)
        if base in wanted and situation != ANY:
            found.setdefault(situation, []).append(column)
    return found


def situations_words(row: Mapping[str, Any], *, objectives: Sequence[str], currency: str) -> str:
    """What a pack gives in each situation, such as "winter 24.4 km, 3990 W peak power; third year 33.4 km"."""
    parts = []
    for situation, columns in situation_columns(row, objectives=objectives).items():
        told = []
        for column in columns:
            base = split_name(column)[0]
            label = "" if base == "range_km" else f" {FIGURES[base].label}"
            told.append(f"{quantity(base, row[column], currency=currency)}{label}")
        parts.append(f"{situation.replace('_', ' ')} {', '.join(told)}")
    return "; ".join(parts)


def limits_words(row: Mapping[str, Any]) -> str:
    """What stops a pack: its peak power, and its range."""
    parts = []
    if row.get("peak_limit"):
        parts.append(f"peak power: {row['peak_limit']}")
    if row.get("range_stop"):
        parts.append(f"range: {row['range_stop']}")
    return "; ".join(parts)


def margin_words(weakest: tuple[str, float], row: Mapping[str, Any], *, currency: str) -> str:
    """The weakest margin, such as "cost: 12 EUR under its limit (1.4 %)"."""
    name, part = weakest
    figure = sided(name)[0]
    side = "under" if sided(name)[1] == "max" else "over"
    amount = quantity(figure, abs(float(row[f"margin_{name}"])), currency=currency)
    return f"{describe(figure)[0]}, {amount} {side} its limit ({100 * part:.1f} %)"


def verdict_lines(found: Verdict, *, objectives: Sequence[str], currency: str) -> list[tuple[str, str]]:
    """The verdict as pairs of a word and what it says.

    The words are "Pick", then "gives", "in situations", "limited by", "weakest margin", "Or" for each alternative,
    "ranking".
    """
    row = found.row
    lines = [("Pick", f"{found.name} ({_groups(row)}), design {row['design_id']}")]
    lines.append(("gives", gives_words(row, objectives=objectives, currency=currency)))
    elsewhere = situations_words(row, objectives=objectives, currency=currency)
    if elsewhere:
        lines.append(("in situations", elsewhere))
    if limits_words(row):
        lines.append(("limited by", limits_words(row)))
    if found.weakest is not None:
        lines.append(("weakest margin", margin_words(found.weakest, row, currency=currency)))
    for other in found.alternatives:
        words = switch_words(other, currency=currency)
        lines.append(("Or", f"{other.name} ({_groups(other.row)}), design {other.row['design_id']}: {words}"))
    lines.append(("ranking", found.ranked_by()))
    return lines


def _groups(row: Mapping[str, Any]) -> str:
    """Groups per compartment, such as "deck 14, stem 6"."""
    return ", ".join(f"{name} {groups}" for name, groups in groups_of(row).items())
