"""The pinned pack: one that exists or is fancied, scored beside the front."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from optimizer.design.rescore import scored
from optimizer.design.subspace import Asked, restricted_space, with_brief
from optimizer.front import store
from optimizer.front.ranking import best_row
from optimizer.search.running.run import search
from optimizer.search.space.setup import load_space
from optimizer.search.space.space import Space

PINNED_FILE = "pinned.csv"


def asked_of_pin(space: Space) -> Asked | None:
    """What the brief's [pin] chooses; None without one."""
    pin = space.brief.pin
    return None if pin is None else Asked(**pin.model_dump())


def pinned_space(space: Space) -> Space | None:
    """The space of what the pin leaves open, in which its row can be unfolded; None without a [pin].

    The whole space may know better layouts than the pinned one and not offer it.
    """
    asked = asked_of_pin(space)
    return None if asked is None else restricted_space(space.inputs, asked, constraints=False, protection=False)


def pinned_row(space: Space) -> pd.DataFrame | None:
    """The brief's pinned pack as a row of the front, whether it meets the constraints or not.

    What the pin leaves open is searched exactly, with the rules of protection in force unless the pin itself breaks
    them: of the packs that meet every constraint (of all, where none does) the one that the shortlist's own ranking
    puts first.

    Parameters
    ----------
    space : Space
        Of the whole brief.

    Returns
    -------
    DataFrame or None
        One row with the columns of the front; None without a [pin], or where no pack of it can be built
        (`optimizer.analysis.why` tells the reason).

    Raises
    ------
    BadInput
        When the pin names what no catalog or compartment knows.
    """
    asked = asked_of_pin(space)
    found = None if asked is None else find_pinned(space, asked)
    return None if found is None else found.frame


def add_to_run(folder: Path, brief: Path) -> tuple[bool, pd.DataFrame | None]:
    """Score the pinned pack of a run's brief and put it into the run: pinned.csv, and "pinned" in run.json.

    Parameters
    ----------
    folder : Path
        Of a finished run.
    brief : Path

    Returns
    -------
    asked : bool
        Whether the brief has a [pin].
    row : DataFrame or None
        See `pinned_row`.

    Raises
    ------
    BadInput
        When the pin names what no catalog or compartment knows.
    """
    record = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    if not record["brief"].get("pin"):
        return False, None
    frame = pinned_row(load_space(brief))
    if frame is not None:
        store.write_atomic(folder / PINNED_FILE, store.csv_bytes(frame))
    row = None if frame is None else json.loads(frame.to_json(orient="records"))[0]
    store.write_record(folder, record | {"pinned": row})
    return True, frame


@dataclass(frozen=True, eq=False)
class Pinned:
    """A pack that was asked for, with the space that it is at home in.

    Parameters
    ----------
    frame : DataFrame
        One row with the columns of the front.
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


def find_pinned(space: Space, asked: Asked) -> Pinned | None:
    """The pack that the shortlist would put first of those that leave open only what is not asked for.

    Parameters
    ----------
    space : Space
        Of the whole brief.
    asked : Asked

    Returns
    -------
    Pinned or None
        None where no such pack can be built.
    """
    for constraints, protection in ((True, True), (False, True), (False, False)):
        part = restricted_space(space.inputs, asked, constraints=constraints, protection=protection)
        found = search(part, workers=1).found
        if len(found):
            home = with_brief(part, constraints=space.brief.constraints)
            return Pinned(scored(found.take(np.array([best_row(found.objectives)])), space=home), home)
    return None
