"""`why` from a run's folder or a brief to an answer in words or JSON."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, cast

import pandas as pd

from optimizer.analysis import widening
from optimizer.analysis.why import Answer, parse_shares, whole_space, why
from optimizer.brief.choice import Choice
from optimizer.design.runs import is_run, read_run
from optimizer.review.terminal.why import space_text, why_text
from optimizer.search.running.record import run_record
from optimizer.search.running.run import search
from optimizer.search.space.setup import load_space
from optimizer.search.space.space import Space

# What is told of a space without a pack.
TOLD = ("obstacles", "remedies", "lengths_up_to_mm", "unlooked")


@dataclass(frozen=True, eq=False)
class OfPack:
    """An answer about packs."""

    answer: Answer
    space: Space
    front: pd.DataFrame | None

    def text(self) -> str:
        """In words."""
        brief = self.space.brief
        return why_text(self.answer, objectives=brief.objectives.use, currency=brief.currency, front=self.front)

    def record(self) -> dict[str, Any]:
        """As JSON's types."""
        answer = self.answer
        use = self.space.brief.objectives.use
        return {
            "asked": {name: value for name, value in asdict(answer.asked).items() if value is not None},
            "feasible": not answer.reasons,
            "reasons": [asdict(reason) for reason in answer.reasons],
            "remedies": [each.record() for each in answer.remedies],
            "notes": [asdict(reason) for reason in answer.notes],
            "on_front": list(answer.on_front),
            "beaten": [
                {"best_in": item.why, "design_id": str(item.row["design_id"]),
                 **{name: float(item.row[name]) for name in use},
                 "by": [{"design_id": str(row["design_id"]), **{name: float(row[name]) for name in use}}
                        for row in item.by.to_dict("records")]}
                for item in answer.beaten
            ],
        }  # fmt: skip


@dataclass(frozen=True, eq=False)
class OfSpace:
    """The accounts of a whole space."""

    accounts: Mapping[str, Any]

    def text(self) -> str:
        """In words."""
        return space_text(self.accounts, whole_space(self.accounts))

    def record(self) -> dict[str, Any]:
        """As JSON's types."""
        return {"candidates": dict(whole_space(self.accounts)), "nearest": dict(self.accounts["nearest"]),
                **{name: self.accounts[name] for name in TOLD if name in self.accounts}}


def ask(
    path: Path,
    *,
    given: Mapping[str, Any],
    split: str | None = None,
    axes: str | None = None,
    brief: Path | None = None,
    say: Callable[[str], None] = lambda text: None,
) -> OfPack | OfSpace:
    """Answer `why` for a run's folder or a brief, telling of what takes a while.

    `given` are fields of Choice, None where open; split and axes are by compartment, in words; `brief` is that of the
    run where it has moved. BadInput has every problem of brief and catalogs, or says which part is not known.
    """
    run = read_run(path, brief=brief) if is_run(path) or path.is_dir() else None
    if run is not None and Choice(**given).is_open and split is None and axes is None:
        return OfSpace(run.record)
    space = run.space if run is not None else load_space(path)
    rooms = [room.name for room in space.rooms]
    shares = parse_shares(split, rooms=rooms)
    asked = Choice(
        **given,
        split=None if shares is None else {name: int(groups) for name, groups in shares.items()},
        axes=cast(Any, parse_shares(axes, rooms=rooms, axes=True)),
    )
    if asked.is_open:
        say("searching the whole space …")
        outcome = search(space, workers=1)
        told = {} if len(outcome.found) else widening.account(space, report=say)
        return OfSpace(run_record(space, outcome, pd.DataFrame()) | {"front": {}} | told)
    front = run.front if run is not None else None
    return OfPack(why(space, asked, front=front), space, front)
