"""What the terminal shows: plain tables in at most 100 columns."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.brief import defaults_in_use

if TYPE_CHECKING:
    from optimizer.inputs import Inputs
    from optimizer.survey import Finding


def columns(rows: Sequence[Sequence[str]], *, head: Sequence[str], right: Sequence[int] = ()) -> str:
    """Rows of text in aligned columns under a head; columns whose number is in `right` align right."""
    table = [list(head), *[list(row) for row in rows]]
    width = [max(len(row[k]) for row in table) for k in range(len(head))]
    lines = []
    for row in table:
        cells = [text.rjust(width[k]) if k in right else text.ljust(width[k]) for k, text in enumerate(row)]
        lines.append("  ".join(cells).rstrip())
    lines.insert(1, "  ".join("-" * size for size in width))
    return "\n".join(lines)


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
                str(finding.cells),
                f"+{gain}" if gain > 0 and finding.regular else "",
                "" if gap is None else f"{gap:.3f}",
                "yes" if record["proven"] else "",
                finding.layout.name if finding.layout else "none fits",
            ]
        )
    head = ["compartment", "cell mm", "cells", "over rows", "least gap mm", "proven", "layout"]
    return columns(rows, head=head, right=(2, 3, 4))


def check_text(inputs: Inputs) -> str:
    """What `check` says of a sound brief: what it holds, and every default in use."""
    brief = inputs.brief
    rooms = ", ".join(f"{item.name} ({item.shape})" for item in brief.compartment)
    lines = [
        f"{brief.title}: sound.",
        f"  compartments  {rooms}",
        f"  to choose     {len(inputs.cell_rows)} cells, {len(inputs.strip_rows)} strips, "
        f"{len(inputs.wire_rows)} wires, {len(inputs.bms_rows)} BMS, {len(inputs.fuse_rows)} fuses",
    ]
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
    lines.append("Defaults in use:")
    lines += [f"  {key} = {_plain(value)}" for key, value in defaults_in_use(brief)]
    return "\n".join(lines)


def _plain(value: object) -> str:
    """A value as the brief would write it."""
    if isinstance(value, tuple):
        return "[" + ", ".join(_plain(item) for item in value) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else str(value)
