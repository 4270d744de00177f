"""How a search is run, how far it is, and what it leaves: for briefs with ranges and for those without."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import pandas as pd

from optimizer.base.figures import ANY, FIGURES, OBJECTIVES, VARYING, in_situation, sided, split_name
from optimizer.base.workers import Workers, processors
from optimizer.review.words import IN_SITUATION
from optimizer.search.exact import archive, rows
from optimizer.search.space.space import Space


class Report(Protocol):
    """Where progress is told."""

    def say(self, text: str) -> None:
        """A line of its own."""

    def step(self, text: str) -> None:
        """How far the search is."""


@dataclass(frozen=True, eq=False)
class Result:
    """What a run leaves.

    Parameters
    ----------
    folder : Path
        Where it was written.
    front : DataFrame
        Empty when no candidate meets every constraint; then nothing was written but run.json.
    run : dict
        Content of run.json.
    """

    folder: Path
    front: pd.DataFrame
    run: dict[str, Any]
    interrupted: bool
    objectives: tuple[str, ...]
    currency: str


@dataclass(frozen=True)
class How:
    """How a search is run; none of it changes the front.

    Parameters
    ----------
    workers : int, optional
        Processes on this machine; as many as the processors that this process may use when left out.
    force : bool
        Replace a run that is in the folder.
    resume : bool
        Go on with the run that is in the folder.
    budget_s : float, optional
        Stop after this time [s].
    storage : str
        Of a brief with ranges: URL of the storage by which several commands share its study, "" for one in the
        run's folder.
    refresh_s : float
        How often the front is written while the search goes on [s].
    trials : int, optional
        Of a brief with ranges: stop after this many boxes, instead of the brief's own number.
    no_gain : bool
        Of a brief with ranges: stop only when boxes bring no gain any more, or by `budget_s` or `trials`.
    cluster : str
        Address of a Dask scheduler whose workers do the work, or its file; "" for processes of this machine.
    page : bool
        Write review.html whenever the front is written.
    """

    workers: int | None = 1
    force: bool = False
    resume: bool = False
    budget_s: float | None = None
    storage: str = ""
    refresh_s: float = 60.0
    trials: int | None = None
    no_gain: bool = False
    cluster: str = ""
    page: bool = False

    @property
    def processes(self) -> int:
        """Processes on this machine."""
        return self.workers if self.workers is not None else processors()

    def workers_for(self, shared: object, *, needs: str = "") -> Workers:
        """Workers that share something; a context. They import the module `needs` at once."""
        return Workers(shared, count=self.processes, cluster=self.cluster, needs=needs)


def best_text(space: Space, found: archive.Survivors) -> list[str]:
    """Best value of each objective so far, such as "range 61.2 km"."""
    if not len(found):
        return []
    table, out = units(space), []
    for column, name in enumerate(space.brief.objectives.use):
        best = found.objectives[:, column].min() * (-1.0 if OBJECTIVES[name] else 1.0)
        base, situation = split_name(name)
        words = base.rsplit("_", 1)[0].replace("_", " ") if name != "cost" else name
        words = f"{words} {situation}".rstrip()
        out.append(f"{words} {best:.4g} {table.get(name, '')}".strip())
    return out


def duration(seconds: float) -> str:
    """A time in the largest units that matter.

    >>> duration(42), duration(190), duration(30000)
    ('42 s', '3 min 10 s', '8 h 20 min')
    """
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s"
    return f"{whole // 3600} h {whole % 3600 // 60} min"


def from_folder(path: Path, folder: Path) -> str:
    """A path as seen from a folder, so that both can be moved together; absolute where there is no way."""
    try:
        return Path(os.path.relpath(path, folder)).as_posix()
    except ValueError:
        return path.resolve().as_posix()


def units(space: Space) -> dict[str, str]:
    """Unit of every numeric column of the front."""
    table = dict(rows.UNITS)
    table |= {name: space.brief.currency for name, figure in FIGURES.items() if not figure.unit}
    situations = (*space.context.situations, ANY)
    table |= {in_situation(name, each): FIGURES[name].unit for name in VARYING for each in situations}
    table |= {f"{text}_{each}": unit or "1" for text, (_, unit, _) in IN_SITUATION.items() for each in situations[:-1]}
    for name, _ in space.brief.constraints:
        figure = sided(name)[0]
        table[f"margin_{name}"] = table.get(figure, "1")
    return table
