"""Pinned packs, existing or planned, scored beside the front."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from optimizer.base.problems import BadInput
from optimizer.brief.choice import Choice
from optimizer.design.rescore import scored
from optimizer.design.subspace import restricted_space, with_brief
from optimizer.front import store
from optimizer.front.ranking import best_row
from optimizer.score.inputs import BREAKS, PLATES, WIRES
from optimizer.search.running.run import search
from optimizer.search.space.setup import load_space
from optimizer.search.space.space import Space

PINNED_FILE = "pinned.csv"
# Where the pin's own parts break a rule, the others still keep it: what is spared, least first.
SPARED = ((), (PLATES,), (WIRES,), (BREAKS,), (PLATES, WIRES), (PLATES, WIRES, BREAKS))


def pinned_packs(space: Space) -> dict[str, Pinned | None]:
    """The brief's pinned packs by name, whether they meet the constraints or not.

    What a pin leaves open is searched exactly, with every rule of protection in force that the pin itself does not
    break: of the packs that meet every constraint (of all, where none does) the one that the shortlist's own ranking
    puts first.

    Parameters
    ----------
    space : Space
        Of the whole brief.

    Returns
    -------
    dict of str to Pinned or None
        None where no pack of it can be built (`optimizer.analysis.why` tells the reason).

    Raises
    ------
    BadInput
        When a pin names what no catalog or compartment knows.
    """
    found = {}
    for name, pin in space.brief.pins.items():
        found[name] = _find_pinned(space, pin.choice, name=name)
    return found


def add_to_run(folder: Path, brief: Path) -> dict[str, dict[str, Any] | None]:
    """Score the pinned packs of a finished run's brief and put them into it: pinned.csv, "pinned" in run.json.

    BadInput when a pin names what no catalog or compartment knows.
    """
    record = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    if not record["brief"].get("pin"):
        return {}
    try:
        packs = pinned_packs(load_space(brief))
    except BadInput as bad:
        raise BadInput(bad.problems, f"the front is in {folder}, without the pinned packs") from bad
    write_pinned(folder, list(packs.values()))
    rows = {name: None if each is None else json.loads(each.frame.to_json(orient="records"))[0]
            for name, each in packs.items()}  # fmt: skip
    store.write_record(folder, record | {"pinned": rows})
    return {name: None if each is None else each.row for name, each in packs.items()}


def write_pinned(folder: Path, packs: Sequence[Pinned | None]) -> None:
    """Write pinned.csv with the packs that can be built; nothing where none can."""
    frames = [each.frame for each in packs if each is not None]
    if frames:
        store.write_atomic(folder / PINNED_FILE, store.csv_bytes(pd.concat(frames)))


@dataclass(frozen=True, eq=False)
class Pinned:
    """A pack that was asked for, with the space that it is at home in.

    Parameters
    ----------
    frame : DataFrame
        One row with the columns of the front, its design_id the pin's name.
    space : Space
        Leaves open only what was not asked for: the whole brief's may hold none of its layouts, where another
        layout is better.
    """

    frame: pd.DataFrame
    space: Space

    @property
    def row(self) -> dict[str, Any]:
        """The row."""
        return {str(name): value for name, value in self.frame.iloc[0].items()}


def _find_pinned(space: Space, asked: Choice, *, name: str) -> Pinned | None:
    """The pack that the shortlist would put first of those that leave open only what is not asked for.

    None where no such pack can be built.
    """
    for constraints, spared in ((True, ()), *((False, each) for each in SPARED)):
        part = restricted_space(space.inputs, asked, constraints=constraints, spared=spared)
        found = search(part, workers=1).found
        if len(found):
            home = with_brief(part, constraints=space.brief.constraints)
            frame = scored(found.take(np.array([best_row(found.objectives)])), space=home)
            return Pinned(frame.assign(design_id=name), home)
    return None
