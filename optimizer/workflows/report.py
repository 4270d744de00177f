"""The report page of a run, finished or still at work."""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from optimizer.design.model import Design
from optimizer.design.runs import Run, read_run
from optimizer.design.speeds import range_by_speed
from optimizer.front.standins import stand_ins
from optimizer.review.page.page import write_page
from optimizer.search.space.space import Space
from optimizer.workflows.shortlist import known_shortlist, pick, shortlist
from optimizer.workflows.vary import read_varied


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
        text = f"Written: {self.path} ({self.bytes / 1e6:.1f} MB)"
        text += f", with {', '.join(self.designs)} in full" if self.designs else ""
        return text if self.rows == self.rows_of else f"{text}; {self.rows} of {self.rows_of} rows stand for all"


def report(run: Run, *, varied: Path | None = None) -> Written:
    """Write review.html into the run's folder; of a large front, rows that stand for all others.

    `varied` is the folder that `vary` wrote of the same brief; its table stands in the page then. BadInput when the run
    has no front, or brief or catalogs have changed since.
    """
    worth = {} if varied is None else {"varied": read_varied(varied, inputs=run.record["inputs"])}
    found = shortlist(run, pick(run, designs=known_shortlist(run)))
    mine = [dict(pin.row) for pin in found.pins.values() if pin is not None]
    return _write(run, [design for design, _ in found.whole], worth, mine=mine, speeds=_speeds(found.whole))


def _speeds(whole: Sequence[tuple[Design, Space]]) -> pd.DataFrame | None:
    """Range of designs against speed, each in its own space."""
    tables = []
    for home in dict.fromkeys(space for _, space in whole):
        rows = [design.row for design, own in whole if own is home]
        tables.append(range_by_speed(home, rows).set_index("speed_kmh"))
    return pd.concat(tables, axis=1).reset_index() if tables else None


def page_so_far(folder: Path, progress: str, *, every_s: float) -> Written:
    """Write review.html of a search at work: its front so far, no design in full.

    It says `progress` and loads itself again after every_s [s].
    """
    return _write(read_run(folder), [], {"at_work": {"progress": progress.strip(), "every_s": every_s}})


def _write(run: Run, designs: Sequence[Design], more: Mapping[str, Any], *, mine: Sequence[Any] = (),
           speeds: pd.DataFrame | None = None) -> Written:
    path = run.folder / "review.html"
    names = tuple(str(design.row["design_id"]) for design in designs)
    front, distance = stand_ins(run.front, objectives=run.objectives, keep=names)
    record = {**run.record, **more} | (
        {"stand_ins": {"rows_of": len(run.front), "distance": distance}} if distance else {}
    )
    write_page(
        path, front=front, run=record, designs=designs, units=run.units, folder=shlex.quote(str(run.folder)), mine=mine,
        speeds=speeds,
    )  # fmt: skip
    return Written(path, names, path.stat().st_size, len(front), len(run.front))
