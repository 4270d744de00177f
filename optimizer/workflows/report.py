"""The report page of a run."""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from optimizer.design.runs import Run
from optimizer.front.standins import stand_ins
from optimizer.review.page.page import write_page
from optimizer.workflows.shortlist import known_shortlist, pick, shortlist


@dataclass(frozen=True)
class Written:
    """A page that was written, the designs that it shows in full, and how many rows of the front it holds."""

    path: Path
    designs: tuple[str, ...]
    bytes: int
    rows: int
    rows_of: int

    def record(self) -> dict[str, Any]:
        """As JSON's types."""
        return {
            "file": str(self.path), "designs": list(self.designs), "bytes": self.bytes, "rows": self.rows,
            "front_rows": self.rows_of,
        }  # fmt: skip

    def text(self) -> str:
        """In words."""
        text = f"Written: {self.path} ({self.bytes / 1e6:.1f} MB), with {', '.join(self.designs)} in full"
        return text if self.rows == self.rows_of else f"{text}; {self.rows} of {self.rows_of} rows stand for all"


def report(run: Run) -> Written:
    """Write review.html into the run's folder; of a large front, rows that stand for all others.

    Parameters
    ----------
    run : Run

    Returns
    -------
    Written

    Raises
    ------
    BadInput
        When the run has no front, or brief or catalogs have changed since.
    """
    found = shortlist(run, pick(run, designs=known_shortlist(run)))
    designs = [*found.designs, *([found.pinned] if found.pinned is not None else [])]
    path = run.folder / "review.html"
    names = tuple(str(design.row["design_id"]) for design in designs)
    front, distance = stand_ins(run.front, objectives=run.objectives, keep=names)
    record = {**run.record, "stand_ins": {"rows_of": len(run.front), "distance": distance}} if distance else run.record
    mine = [dict(found.pinned.row)] if found.pinned is not None else []
    write_page(
        path, front=front, run=record, designs=designs, units=run.units, folder=shlex.quote(str(run.folder)), mine=mine
    )
    return Written(path, names, path.stat().st_size, len(front), len(run.front))
