"""The report page of a run."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from optimizer.review.page import write_page
from optimizer.runs import Run
from optimizer.shortlisting import known_shortlist, pick, shortlist


@dataclass(frozen=True)
class Written:
    """A page that was written, and the designs that it shows in full."""

    path: Path
    designs: tuple[str, ...]
    bytes: int

    def record(self) -> dict[str, Any]:
        """As JSON's types."""
        return {"file": str(self.path), "designs": list(self.designs), "bytes": self.bytes}

    def text(self) -> str:
        """In words."""
        return f"Written: {self.path} ({self.bytes / 1e6:.1f} MB), with {', '.join(self.designs)} in full"


def report(run: Run) -> Written:
    """Write review.html into the run's folder.

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
    write_page(path, front=run.front, run=run.record, designs=designs, units=run.units)
    return Written(path, tuple(str(design.row["design_id"]) for design in designs), path.stat().st_size)
