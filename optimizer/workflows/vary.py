"""`vary` from a brief on disk to its files and words."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from optimizer.analysis.steps import steps
from optimizer.analysis.vary import FIGURES, Worth, vary
from optimizer.base.files import write_csv
from optimizer.base.problems import BadInput, Problem
from optimizer.review.sheets import style as look
from optimizer.review.sheets.tornado import tornado
from optimizer.review.terminal.vary import sentences, vary_text
from optimizer.search.space.setup import load_space
from optimizer.workflows.how import How

FILES = ("vary.csv", "vary.png", "vary.svg")


@dataclass(frozen=True, eq=False)
class Varied:
    """What was found and written."""

    worth: Worth
    currency: str
    folder: Path

    def text(self) -> str:
        """In words."""
        return f"{vary_text(self.worth, currency=self.currency)}\n\nWritten: {self.folder}/{', '.join(FILES)}"

    def record(self) -> dict[str, Any]:
        """As JSON's types."""
        return {
            "base": {name: self.worth.base.value(name) for name in FIGURES if self.worth.base.rows},
            "steps": json.loads(self.worth.table().to_json(orient="records")),
            "sentences": sentences(self.worth, currency=self.currency),
        }


def vary_job(
    brief: Path,
    *,
    folder: Path,
    step_mm: float = 2.0,
    step_pct: float = 5.0,
    only: Sequence[str] = (),
    force: bool = False,
    workers: int | None = None,
    say: Callable[[str], None] = lambda text: None,
) -> Varied:
    """Vary a brief and write the table and the bars.

    Parameters
    ----------
    brief : Path
    folder : Path
    step_mm, step_pct : float
        See `optimizer.analysis.vary.steps`.
    only : sequence of str
        Parts of the names of what is varied; empty for all.
    force : bool
        Replace files that are there.
    workers : int, optional
        Processes; as many as the processors that this process may use when left out.
    say : callable
        Told about each step.

    Returns
    -------
    Varied

    Raises
    ------
    BadInput
        With every problem of brief and catalogs; or code "files-exist", before anything is computed.
    """
    held = [name for name in FILES if (folder / name).exists()]
    if held and not force:
        text = "holds an earlier call's files; choose another with --out, or replace them with --force"
        raise BadInput([Problem("files-exist", str(folder), expected=text, found=", ".join(held))])
    space = load_space(brief)
    changes = steps(space.brief, step_mm=step_mm, step_pct=step_pct)
    chosen = [step for step in changes if not only or any(part in step.name for part in only)]
    if not chosen:
        known = ", ".join(dict.fromkeys(step.name for step in changes))
        text = f"is in no name of what can be varied: {known}"
        raise BadInput([Problem("unknown-step", "command line", "", "--only", ", ".join(only), text)])
    worth = vary(space, changes=chosen, workers=How(workers).processes, report=say)
    table, currency = worth.table(), space.brief.currency
    write_csv(folder / FILES[0], table)
    title = f"{space.brief.title}: best of each figure, a step of {step_mm:g} mm or {step_pct:g} % less and more"
    picture = tornado(table, figures=FIGURES, title=title, currency=currency)
    look.save(picture, folder / FILES[1], dpi=130)
    look.save(picture, folder / FILES[2])
    return Varied(worth, currency, folder)
