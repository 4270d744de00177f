"""What the terminal shows: plain tables in at most 100 columns."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from optimizer.survey import Finding


def columns(rows: Sequence[Sequence[str]], *, head: Sequence[str], right: Sequence[int] = ()) -> str:
    """Rows of text in aligned columns under a head; columns whose number is in `right` align right."""
    table = [list(head), *[list(row) for row in rows]]
    width = [max(len(row[k]) for row in table) for k in range(len(head))]
    lines = []
    for row in table:
        cells = [
            text.rjust(width[k]) if k in right else text.ljust(width[k]) for k, text in enumerate(row)
        ]
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
