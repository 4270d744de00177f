"""`vary` from a brief on disk to its files and words."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from optimizer.analysis.steps import steps
from optimizer.analysis.vary import Worth, vary
from optimizer.base.files import write_csv, write_text
from optimizer.base.problems import BadInput, Problem
from optimizer.base.texts import unseen
from optimizer.review.sheets import style as look
from optimizer.review.sheets.tornado import tornado
from optimizer.review.terminal.vary import sentences, vary_text
from optimizer.search.space.setup import load_space
from optimizer.workflows.how import How

FILES = ("vary.csv", "vary.json", "vary.png", "vary.svg")


@dataclass(frozen=True, eq=False)
class Varied:
    """What was found and written."""

    worth: Worth
    currency: str
    folder: Path
    inputs: Mapping[str, str]

    def text(self) -> str:
        """In words."""
        return f"{vary_text(self.worth, currency=self.currency)}\n\nWritten: {self.folder}/{', '.join(FILES)}"

    def record(self) -> dict[str, Any]:
        """As JSON's types."""
        return {
            "inputs": dict(self.inputs),
            "base": {name: self.worth.base.value(name) for name in self.worth.figures if self.worth.base.rows},
            "binding": self.worth.binding(),
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
    """Vary a brief (see `analysis.vary.steps`) and write the table and the bars, telling of each step.

    `only` holds parts of the names of what is varied, none for all. BadInput has every problem of brief and catalogs,
    or code "files-exist" before anything is computed.
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
    done = Varied(worth, currency, folder, space.inputs.hashes())
    write_csv(folder / FILES[0], table)
    write_text(folder / FILES[1], json.dumps(done.record(), indent=2, ensure_ascii=False) + "\n")
    title = f"{space.brief.title}: best of each figure, a step of {step_mm:g} mm or {step_pct:g} % less and more"
    picture = tornado(table, figures=worth.figures, title=title, currency=currency)
    look.save(picture, folder / FILES[2], dpi=130)
    look.save(picture, folder / FILES[3])
    return done


def read_varied(folder: Path, *, inputs: Mapping[str, str]) -> dict[str, Any]:
    """What `vary` wrote into a folder for a brief with these hashes: "steps" and "sentences" of vary.json.

    BadInput: code "no-vary" when there is none or it can't be read, "other-brief" when it was made for another brief.
    """
    path = folder / FILES[1]
    try:
        record = json.loads(path.read_text(encoding="utf-8"))
        found, told = dict(record["inputs"]), [str(text) for text in record["sentences"]]
        steps_made = [{str(name): value for name, value in step.items()} for step in record["steps"]]
        if not steps_made or any(unseen(str(text)) for text in (*told, *(v for s in steps_made for v in s.values()))):
            raise ValueError("vary.json holds no steps, or control characters")
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as wrong:
        text = "holds no table of steps: `cellstow vary BRIEF --out FOLDER` writes one"
        raise BadInput([Problem("no-vary", str(path), expected=text, found=type(wrong).__name__)]) from None
    changed = sorted(k for k in found.keys() | inputs.keys() if found.get(k) != inputs.get(k))
    if changed:
        text = "was made for another brief or other tables than the run; vary this brief again"
        raise BadInput([Problem("other-brief", str(path), expected=text, found=f"changed: {', '.join(changed)}")])
    return {"steps": steps_made, "sentences": told}
