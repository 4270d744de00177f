"""`compare` to words, JSON and a page."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from optimizer.analysis.compare import DesignsCompared, RunsCompared, compare
from optimizer.base.problems import BadInput, Problem
from optimizer.front.standins import stand_ins
from optimizer.review.page.page import write_page
from optimizer.review.terminal.compare import designs_text, runs_text


@dataclass(frozen=True, eq=False)
class Compared:
    """What was compared, and the page if one was written."""

    found: RunsCompared | DesignsCompared
    page: Path | None

    def text(self) -> str:
        """In words."""
        found = self.found
        text = runs_text(found) if isinstance(found, RunsCompared) else designs_text(found)
        return text if self.page is None else f"{text}\n\nWritten: {self.page}"

    def record(self) -> dict[str, Any]:
        """As JSON's types."""
        found = self.found
        names = [side.name for side in found.sides]
        if isinstance(found, DesignsCompared):
            return {
                "designs": names,
                "differing": {name: [_plain(v) for v in pair] for name, pair in found.differing.items()},
                "better": [list(names) for names in found.better],
            }
        return {
            "runs": names,
            "best": {
                why: [{name: _plain(row[name]) for name in ("design_id", *found.objectives)} for row in pair]
                for why, pair in found.best.items()
            },
            "beaten": list(found.beaten), "volume_share": list(found.share), "volume_exact": found.exact,
            "brief": {key: list(pair) for key, pair in found.asked.items()}, "files": list(found.inputs),
        }  # fmt: skip


def _plain(value: Any) -> Any:
    """A row's value as JSON knows it."""
    if value is None or isinstance(value, str):
        return value
    number = float(value)
    return None if number != number else int(number) if number.is_integer() and not isinstance(value, float) else number


def compare_job(a: str, b: str, *, page: Path | None = None) -> Compared:
    """Compare two runs or two designs (see `analysis.compare.compare`), two runs on one page when asked for.

    BadInput: code "not-alike" for a page of two designs, and those of `compare`.
    """
    found = compare(a, b)
    if page is None:
        return Compared(found, None)
    if isinstance(found, DesignsCompared):
        text = "is for two runs; two designs of a run are pinned side by side in its own review page"
        raise BadInput([Problem("not-alike", "command line", field="--page", expected=text)])
    parts, distances = [], []
    for label, side in zip("AB", found.sides, strict=True):
        keep = [str(pair["AB".index(label)]["design_id"]) for pair in found.best.values()]
        front, distance = stand_ins(side.run.front, objectives=found.objectives, keep=keep)
        front = front.copy()
        distances.append(distance)
        front["design_id"] = [f"{label}:{name}" for name in front["design_id"]]
        parts.append(front)
    one = found.sides[0].run
    record: dict[str, Any] = {"brief": one.record["brief"]}
    for key in ("inputs", "versions"):
        record[key] = {f"{name}, {label}": value for label, side in zip("AB", found.sides, strict=True)
                       for name, value in side.run.record.get(key, {}).items()}  # fmt: skip
    record["title"] = " against ".join(f"{k} = {side.name}" for k, side in zip("AB", found.sides, strict=True))
    record["compared"] = [
        {"label": label, "name": side.name, "rows": len(side.run.front), "beaten": beaten,
         "brief": side.run.record["brief"]}
        for label, side, beaten in zip("AB", found.sides, found.beaten, strict=True)
    ]
    if any(distances):
        rows_of = sum(len(side.run.front) for side in found.sides)
        record["stand_ins"] = {"rows_of": rows_of, "distance": max(distances)}
    picked = [f"{label}:{row['design_id']}" for label, row in zip("AB", found.best["balanced"], strict=True)]
    front = pd.concat(parts, ignore_index=True)
    write_page(page, front=front.sort_values("design_id", key=lambda ids: ~ids.isin(picked), kind="stable"),
               run=record, designs=[], units=one.units, folder="")  # fmt: skip
    return Compared(found, page)
