"""A whole run: read, estimate, search, re-score, write."""

from __future__ import annotations

import os
import platform
import resource
import sys
import time
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Protocol

import pandas as pd

from optimizer import __version__
from optimizer.brief import defaults_in_use
from optimizer.front import OBJECTIVES
from optimizer.inputs import load_inputs
from optimizer.search import archive, rows, store
from optimizer.search.run import Outcome, search
from optimizer.search.setup import make_space
from optimizer.search.space import Space

PACKAGES = ("numpy", "pandas", "scipy", "shapely", "numba", "moocore", "optuna", "pyarrow", "pydantic")


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
    interrupted : bool
    objectives : tuple of str
    currency : str
    """

    folder: Path
    front: pd.DataFrame
    run: dict[str, Any]
    interrupted: bool
    objectives: tuple[str, ...]
    currency: str


def run_job(
    brief: Path, *, folder: Path, workers: int = 1, force: bool = False, report: Report | None = None
) -> Result:
    """Search a brief and write front.parquet, front.csv and run.json into a folder.

    Parameters
    ----------
    brief : Path
    folder : Path
    workers : int
        Processes.
    force : bool
        Replace a run that is there.
    report : Report, optional

    Returns
    -------
    Result

    Raises
    ------
    BadInput
        With every problem of brief and catalogs, or when the folder holds a run already; nothing is written.
    """
    inputs = load_inputs(brief)
    store.check_free(folder, force=force)
    space = make_space(inputs)
    if report is not None:
        report.say(estimate(space))
    start = time.monotonic()

    def progress(done: int, tasks: int, found: archive.Survivors) -> None:
        if report is None:
            return
        spent = time.monotonic() - start
        left = spent / done * (tasks - done)
        report.step(f"{100 * done // tasks:3d} % searched, {len(found)} packs on the front, {left:.0f} s left")

    outcome = search(space, workers=workers, progress=progress)
    found, figures = rows.rescored(outcome.found, space=space)
    front = rows.table(found, figures, space=space)
    run = run_record(space, outcome, front) | {"brief_file": from_folder(brief, folder)}
    if len(front):
        store.write_run(folder, front=front, units=units(space), run=run)
    else:
        store.write_record(folder, run)
    return Result(
        folder, front, run, outcome.interrupted, tuple(space.brief.objectives.use), space.brief.currency
    )


def from_folder(path: Path, folder: Path) -> str:
    """A path as seen from a folder, so that both can be moved together; absolute where there is no way."""
    try:
        return Path(os.path.relpath(path, folder)).as_posix()
    except ValueError:
        return path.resolve().as_posix()


def units(space: Space) -> dict[str, str]:
    """Unit of every numeric column of the front."""
    table = dict(rows.UNITS)
    table["cost"] = space.brief.currency
    for name, _ in space.brief.constraints:
        figure = name.rsplit("_", 1)[0]
        table[f"margin_{name}"] = table.get(figure, space.brief.currency if figure == "cost" else "1")
    return table


def estimate(space: Space) -> str:
    """What lies ahead, in one line, before the search starts."""
    tasks = space.tasks()
    cells = len({int(k) for task in tasks for k in (space.size_of == task.size).nonzero()[0]})
    parts = (
        len(space.builds) * len(space.inputs.wire_rows) * len(space.inputs.bms_rows)
        * len(space.inputs.fuse_rows)
    )  # fmt: skip
    return (
        f"{cells} of {len(space.inputs.cell_rows)} cells allow a pack; {len(tasks)} tasks of one cell size and"
        f" parallel count; {parts:,} builds of strip, wire, BMS and fuse for every way to share the groups out"
    )


def run_record(space: Space, outcome: Outcome, front: pd.DataFrame) -> dict[str, Any]:
    """Content of run.json: enough to repeat the run, and to see what became of every candidate."""
    tally = outcome.tally
    return {
        "title": space.brief.title,
        "cellstow": __version__,
        "brief": space.brief.model_dump(mode="json", exclude_none=True),
        "defaults": dict(defaults_in_use(space.brief)),
        "inputs": space.inputs.hashes(),
        "seed": space.brief.seed,
        "objectives": {
            name: "most" if OBJECTIVES[name] else "least" for name in space.brief.objectives.use
        },
        "space": {
            "raw": tally.raw,
            "scored": tally.scored,
            "pruned": dict(sorted((k, v) for k, v in tally.pruned.items() if v)),
            "rejected": dict(sorted((k, v) for k, v in tally.rejected.items() if v)),
            "complete": outcome.complete,
        },
        "nearest": {name.removeprefix("margin_"): gap for name, gap in sorted(tally.nearest.items())},
        "front": {"rows": len(front), "before_thinning": len(outcome.found)},
        "timing": {"search_s": round(outcome.seconds, 3)},
        "peak_memory_mib": round(peak_memory_mib(), 1),
        "versions": {"python": platform.python_version(), **_versions()},
        "machine": platform.machine(),
    }


def peak_memory_mib() -> float:
    """Largest memory that this process or one of its children held [MiB]."""
    own, children = (
        resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    )
    # Linux counts in KiB, macOS in bytes.
    return max(own, children) / (1024.0**2 if sys.platform == "darwin" else 1024.0)


def _versions() -> dict[str, str]:
    found = {}
    for name in PACKAGES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found
