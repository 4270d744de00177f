"""What the terminal shows: plain text in the columns of the terminal."""

from __future__ import annotations

import math
import shlex
import textwrap
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.analysis.verdict import Verdict, verdict
from optimizer.base import console
from optimizer.base.figures import bounded, sided, split_name
from optimizer.brief import defaults_in_use
from optimizer.fit.region.geometry import compartment, compartments, height_over_mm, tied_by
from optimizer.pack.cautions import pack_cautions
from optimizer.pack.wiring.passages import FILL, STRAIGHT, links_of, passages_of
from optimizer.review.page.brief_words import situation_words
from optimizer.review.terminal.designs import cautions_of
from optimizer.review.terminal.tables import front_summary, text_table
from optimizer.review.verdict_words import verdict_lines
from optimizer.review.words import IN_SITUATION, describe, number, of_situations
from optimizer.score.inputs import charger_warnings
from optimizer.score.left_out import fade_notes

if TYPE_CHECKING:
    from optimizer.brief import Brief
    from optimizer.brief.ranges import FreeDimension
    from optimizer.catalog import TraceColumns
    from optimizer.fit.placement.survey import Finding
    from optimizer.score.inputs import Inputs
    from optimizer.workflows.how import Result


def fit_table(findings: Sequence[Finding]) -> str:
    """One line per compartment and cell size."""
    rows = []
    for finding in findings:
        size = finding.size
        outer = (
            f"Ø{size.diameter_mm:g} × {size.length_mm:g}"
            if size.shape == "cylinder"
            else f"{size.length_mm:g} × {size.width_mm:g} × {size.thickness_mm:g}"
        )
        record = finding.record()
        gap = record["least_gap_mm"]
        gain = finding.cells - finding.regular
        rows.append(
            [
                finding.compartment.name,
                outer,
                finding.layout.name if finding.layout else "none fits",
                str(finding.cells),
                f"+{gain}" if gain > 0 and finding.regular else "",
                "" if gap is None else f"{gap:.3f}",
                "yes" if record["proven"] else "",
                " + ".join(str(zone.cells) for zone in finding.zones),
            ]
        )
    head = ["compartment", "cell mm", "layout", "cells", "over rows", "least gap mm", "proven", "in zones"]
    last = len(head) if any(finding.zones for finding in findings) else -1
    return text_table(head[:last], [row[:last] for row in rows], left=3)


def check_text(inputs: Inputs, *, free: Sequence[FreeDimension] = ()) -> str:
    """What `check` says of a sound brief: what it holds, what it leaves free, and every default in use."""
    brief = inputs.brief
    rooms = [room_words(brief, item) for item in brief.compartment]
    lines = [
        f"{brief.title}: sound.",
        *(f"  {'' if k else 'compartments':<14}{text}" for k, text in enumerate(rooms)),
        f"  to choose     {len(inputs.cell_rows)} cells, {len(inputs.strip_rows)} strips, "
        f"{len(inputs.wire_rows)} wires, {len(inputs.bms_rows)} BMS, {len(inputs.fuse_rows)} fuses",
    ]
    lines += [f"  {'' if k else 'parts':<14}{text}" for k, text in enumerate(part_words(brief))]
    lines += [f"  {'' if k else 'wires':<14}{text}" for k, text in enumerate(passage_words(brief))]
    lines += [f"  {'' if k else 'fasteners':<14}{text}" for k, text in enumerate(fastener_words(inputs))]
    lines += [f"  {'' if k else 'tie plates':<14}{text}" for k, text in enumerate(tie_words(inputs))]
    if free:
        lines.append(f"  boxes         {math.prod(item.points for item in free):,} to choose from:")
        steps = (f"{item.name} {item.low_mm:g} to {item.high_mm:g} in steps of {item.step_mm:g}" for item in free)
        lines += [" " * 16 + text for text in steps]
    if inputs.ride is not None:
        lines.append(f"  ride          {ride_words(inputs.ride)}")
    lines += [f"  situation     {situation_words(each.model_dump())}" for each in brief.situation]
    for text in dict.fromkeys(inputs.left_out.values()):
        names = ", ".join(sorted(name for name, reason in inputs.left_out.items() if reason == text))
        lines.append(f"  left out      {names}: {text}")
    notes = fade_notes(brief, inputs.cells, inputs.cell_rows)
    lines += [f"  {'' if k else 'fade':<14}{text}" for k, text in enumerate(notes)]
    ignored = {
        Path(table.file).name: table.ignored_columns
        for table in (inputs.cells, inputs.strips, inputs.wires, inputs.bms, inputs.fuses)
        if table.ignored_columns
    }
    lines += [f"  not read      {file}: {', '.join(names)}" for file, names in ignored.items()]
    own = sum(bool(inputs.cells.own_curve[row]) for row in inputs.cell_rows)
    if own < len(inputs.cell_rows):
        lines.append(
            f"  cell models   {len(inputs.cell_rows) - own} of {len(inputs.cell_rows)} cells have no curve of"
            " their own: their chemistry's curve and resistance split apply"
        )
        lines.append(f"                {moved_words(inputs)}")
    lines += [f"  warning       {text}" for text in charger_warnings(inputs)]
    lines.append("Defaults in use:")
    lines += [f"  {key} = {_plain(value)}" for key, value in defaults_in_use(brief)]
    lines.append(f"Next: cellstow search {shlex.quote(str(brief.path))}")
    return "\n".join(lines)


def room_words(brief: Brief, item: Any) -> str:
    """A compartment in a line, as it was read: where its shape is from, its size and its free volume."""
    room = compartment(brief, item)
    sides = " × ".join(f"{high - low:.5g}" for low, high in room.extent_mm)
    source = getattr(item, "solid", None) or getattr(item, "profile", None)
    shape = f"{item.shape} from {source}" if source else str(item.shape)
    if room.solid is not None:
        shape += f", {len(room.solid.faces):,} triangles"
    return f"{item.name} ({shape}): {sides} mm, {room.volume_mm3 * 1e-6:.3f} l free"


def part_words(brief: Brief) -> list[str]:
    """Which parts take room, in a line for each place that they may have, and which don't."""
    where: dict[str, list[str]] = {}
    for part in brief.part:
        place = "outside" if part.outside else f"placed in {' or '.join(part.within) or 'any compartment'}"
        where.setdefault(place, []).append(part.name)
    kinds = {part.kind for part in brief.part}
    rest = f"{'' if 'BMS' in kinds else 'BMS, '}{'' if 'fuse' in kinds else 'fuse, '}switch, connectors and sensors"
    rest += " without a [[part]]: outside, no room kept"
    return [*(f"{', '.join(names)}: {place}" for place, names in where.items()), rest]


def tie_words(inputs: Inputs) -> list[str]:
    """Which pressure blocks ask for, and the plates that it takes, in a line for each."""
    found: dict[tuple[float, float], list[str]] = {}
    for row in inputs.cell_rows[inputs.cells.shape[inputs.cell_rows] != "cylinder"]:
        by = tied_by(inputs.cells, int(row))
        if by["tie_mm"]:
            found.setdefault((by["pressure_kpa"], by["tie_mm"]), []).append(str(inputs.cells.id[row]))
    return [
        f"{', '.join(names[:3])}{' …' * (len(names) > 3)}: pressed with {kpa:g} kPa between plates of {mm:g} mm, for "
        f"which the case stands off by as much on all four sides"
        for (kpa, mm), names in sorted(found.items())
    ]


def fastener_words(inputs: Inputs) -> list[str]:
    """How much higher the ends of bolted blocks are than those of welded ones, in a line for each height."""
    brief, found = inputs.brief, dict[float, list[str]]()
    if not brief.joining.bolt_room:
        return []
    for row in inputs.cell_rows[inputs.cells.shape[inputs.cell_rows] != "cylinder"]:
        asked = {"lug_mm": brief.joining.lug_mm, "stack_mm": brief.clearance.stack_mm}
        over_mm = height_over_mm(inputs.cells, int(row), **asked)
        found.setdefault(over_mm, []).append(str(inputs.cells.id[row]))
    return [
        f"{', '.join(names[:3])}{' …' * (len(names) > 3)}: {over_mm:.3g} mm more at each end than [clearance] end_mm, "
        f"{brief.clearance.end_mm:g}, for lugs, fasteners and studs"
        for over_mm, names in sorted(found.items())
    ]  # fmt: skip


def passage_words(brief: Brief) -> list[str]:
    """How wires go from compartment to compartment, in a line for each passage and one for the pairs without."""
    links = links_of(rooms := compartments(brief), passages_of(brief, rooms))
    names = [room.name for room in rooms]
    words = [f"{one.name}: {names[one.rooms[0]]} to {names[one.rooms[1]]}, bore {one.bore_mm:g} mm, "
             f"filled to {FILL:.0%} at most" for one in links.passages]  # fmt: skip
    bare = [pair for pair, through in links.through.items() if pair[0] < pair[1] and through == (STRAIGHT,)]
    pairs = [f"{names[a]} to {names[b]}" for a, b in bare]
    return [*words, *([f"straight, without a passage: {', '.join(pairs)}"] if pairs else [])]


def remedy_lines(account: Mapping[str, Any]) -> list[str]:
    """What stands against every pack, and each change of one limit or length that lets a pack through, smallest first.

    Parameters
    ----------
    account : mapping
        Content of run.json, or of a part of it: keys obstacles, remedies, lengths_up_to_mm, unlooked, brief.
    """
    lines = [f"{each['rule']}: {each['text']}." for each in account.get("obstacles", ())]
    found = account.get("remedies", ())
    most, late = account.get("lengths_up_to_mm"), account.get("unlooked", ())
    currency = str(account["brief"].get("currency", ""))
    if found:
        lines.append("One change that lets a pack through, all else kept, smallest first:")
    elif most:
        lines.append(f"No change of one limit lets a pack through, nor of one length by up to {most} mm.")
    for each in found:
        name, length = each["constraint"], not bounded(each["constraint"])
        unit = each.get("unit") or ("mm" if length else describe(sided(name)[0], currency=currency)[1])
        # Rounded to the side on which the pack still meets it.
        needed = rounded(each["needed"], up=each["needed"] > each["bound"])
        change = needed - each["bound"]
        amount = f"{abs(change):.4g} {unit}".rstrip() + (" more" if change > 0 else " less")
        pack = each["pack"]
        lines.append(
            f"  {name} = {needed:.10g} in place of {each['bound']:g} ({amount}, "
            f"{100 * abs(change) / max(abs(each['bound']), 1e-9):.2g} %): "
            f"{pack['series']}S{pack['parallel']}P {pack['cell_id']}, {pack['split']}"
        )
    if late:
        lines.append(f"Not looked at for want of time: {', '.join(late)}.")
    return lines


def rounded(value: float, *, up: bool, digits: int = 4) -> float:
    """A number with few digits, never rounded to the other side.

    >>> rounded(812.3401, up=True), rounded(38.1299, up=False), rounded(5.77, up=False)
    (812.4, 38.12, 5.77)
    """
    if value == 0 or not math.isfinite(value):
        return value
    step = 10.0 ** (math.floor(math.log10(abs(value))) + 1 - digits)
    return float(f"{(math.ceil if up else math.floor)(round(value / step, 6)) * step:.12g}")


def moved_words(inputs: Inputs) -> str:
    """By how much the chemistries' curves were moved to the nominal voltages of the cells."""
    rows = np.array([row for row in inputs.cell_rows if not inputs.cells.own_curve[row]])
    moved = inputs.cells.moved_v()[rows]
    least, most = rows[int(moved.argmin())], rows[int(moved.argmax())]
    each = [f"{1000.0 * inputs.cells.moved_v()[row]:+.0f} mV ({inputs.cells.id[row]})" for row in (least, most)]
    return f"each curve is moved to the cell's nominal voltage in the mean: by {' to '.join(dict.fromkeys(each))}"


def ride_words(ride: TraceColumns) -> str:
    """A trace in a line: a speed in another unit, which no rule can tell, shows here."""
    seconds = float(ride.time_s[-1] - ride.time_s[0])
    km = float(np.trapezoid(ride.speed_kmh, ride.time_s)) / 3600.0
    return (
        f"{km:.2f} km in {seconds:.0f} s, mean {3600.0 * km / seconds:.1f} km/h, top {ride.speed_kmh.max():.1f} km/h, "
        f"steepest {np.abs(ride.grade_pct).max():.1f} %"
    )


def _plain(value: object) -> str:
    """A value as the brief would write it."""
    if isinstance(value, tuple):
        return "[" + ", ".join(_plain(item) for item in value) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else str(value)


def pick_cautions(result: Result, row: Mapping[str, Any], *, whole: bool) -> str:
    """Cautions of the picked pack that are its own; those of every pack in one line, or in full when `whole`."""
    vehicle = result.run["brief"]["vehicle"]
    found = pack_cautions(
        voltage_full_v=float(row["voltage_full_v"]),
        energy_wh=float(row["energy_wh"]),
        balances_on_motor=bool(vehicle.get("balances_on_motor", False)),
        regenerates=vehicle.get("regen_efficiency", 0.0) > 0,
    )
    texts = [caution.text for caution in found]
    general = [] if whole else [caution.text for caution in found if caution.general]
    return cautions_of({"the pick": texts}, general=general)


def verdict_text(found: Verdict, *, objectives: Sequence[str], currency: str) -> str:
    """The verdict as a block of lines."""
    lines = []
    for word, text in verdict_lines(found, objectives=objectives, currency=currency):
        head = f"{word:<16}"
        lines += textwrap.wrap(text, console.columns(), initial_indent=head, subsequent_indent=" " * 16)
    return "\n".join(lines)


def situations_text(row: Mapping[str, Any], columns: Sequence[str], *, currency: str) -> str:
    """A pack in its situations, one line per situation and figure beside the brief's own."""
    lines = []
    for column in columns:
        label, unit, decimals = describe(column, currency=currency)
        base, situation = split_name(column)
        base = base if situation else next((text for text in IN_SITUATION if column.startswith(text)), "")
        there, own = (number(row.get(name, ""), decimals=decimals) for name in (column, base))
        if there != own:
            lines.append([f"{label} {unit}".strip(), there, own])
    return text_table(["The pick in its situations, where they differ", "there", "own"], lines)


def search_summary(result: Result, *, whole: bool = False, page: bool = False) -> str:
    """What a search found: the best by each objective, the verdict, then the pick's cautions.

    `whole` tells cautions in full, `page` that review.html was written, too.
    """
    space = result.run["space"]
    proof = "" if space["unproven"] else " with proof"
    lines = [
        f"{space['raw']:,} candidates, {space['scored']:,} scored, the rest ruled out{proof};"
        f" {result.run['timing']['search_s']:.1f} s."
        if space["complete"]
        else f"Not complete: {space['scored']:,} candidates scored so far; --resume goes on from here."
    ]
    spent = result.run["timing"].get("situations_s", {})
    if spent:
        words = ", ".join(f"{name} {seconds:.1f} s" for name, seconds in spent.items())
        lines += textwrap.wrap(f"Scoring took, by situation, over all processes: {words}.", console.columns())
    for name, why in space["unproven"].items():
        lines += textwrap.wrap(f"Not proven to be the whole front in {describe(name)[0]}: {why}.", console.columns())
    if len(result.front):
        lines.append(front_summary(result.front, objectives=result.objectives, currency=result.currency))
        bounds = result.run["brief"].get("constraints", {})
        found = verdict(result.front, objectives=result.objectives, constraints=bounds)
        assert found is not None
        lines += ["", verdict_text(found, objectives=result.objectives, currency=result.currency)]
        told = of_situations(result.front, view="s")
        if told:
            lines += ["", situations_text(found.row, told, currency=result.currency)]
        lines += ["", pick_cautions(result, found.row, whole=whole)]
        lines.append(f"\nWritten: {result.folder}/front.parquet, front.csv, run.json{', review.html' * page}")
        lines.append(f"Next: cellstow shortlist {shlex.quote(str(result.folder))}")
        return "\n".join(lines)
    if not space["complete"]:
        lines.append("No pack found yet that meets every constraint.")
        return "\n".join(lines)
    lines.append("No candidate meets every constraint. Candidates by reason:")
    reasons = {**space["pruned"], **space["rejected"]}
    lines += [f"  {count:>15,}  {reason}" for reason, count in sorted(reasons.items(), key=lambda x: -x[1])]
    for line in remedy_lines(result.run):
        lines += textwrap.wrap(line, console.columns(), subsequent_indent="    ")
    lines.append(f"Next: cellstow why {shlex.quote(str(result.folder))} --cell ID")
    return "\n".join(lines)
