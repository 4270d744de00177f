"""The program as a library: load a brief, search it, look at the front as a table, shortlist, score one design.

One worked example, on the small demo brief; it runs as a test:

>>> from optimizer import api
>>> from optimizer.catalog import builtin_catalogs
>>> brief = builtin_catalogs() / "briefs" / "quick-36v.toml"
>>> space = api.load(brief)                               # the brief with everything it names, checked
>>> found = api.search(space)                             # the whole space, exactly
>>> found.complete
True
>>> front = api.front(space, found)                       # a pandas frame: one row per pack, units in the names
>>> lightest = front.loc[front["pack_mass_kg"].idxmin()]
>>> lightest["series"].item(), lightest["parallel"].item()
(10, 2)
>>> picked = api.shortlist(space, front, count=3, weights={"range_km": 2, "cost": 1})
>>> list(picked["rank"])[0], picked["cell_id"].nunique() > 1
(1, True)
>>> again = api.score(space, lightest)                    # one design, scored again: the same figures
>>> bool(abs(again["range_km"] - lightest["range_km"]) < 1e-6)
True
>>> with_copper = api.score(space, {**lightest, "strip": "copper-8x0.10", "wire": "silicone-6"})
>>> bool(with_copper["resistance_mohm"] < lightest["resistance_mohm"])
True
>>> design = api.unfold(space, lightest)                  # positions, groups, plates, wires, bill
>>> sum(int(station.used.sum()) for station in design.stations), lightest["cell_count"].item()
(20, 20)
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from optimizer.analysis.compare import DesignsCompared, RunsCompared
from optimizer.analysis.compare import compare as compare_runs
from optimizer.analysis.steps import Step
from optimizer.analysis.vary import vary as vary_space
from optimizer.analysis.why import Answer
from optimizer.analysis.why import why as why_not
from optimizer.base.problems import BadInput, Problem
from optimizer.brief import Brief, brief_of, load_brief
from optimizer.brief.choice import Choice
from optimizer.design.model import Design
from optimizer.design.rescore import score_row
from optimizer.design.runs import read_run
from optimizer.design.tolerances import Tolerances, tolerances
from optimizer.design.unfold import unfold
from optimizer.fit.placement.survey import survey
from optimizer.front import ranking
from optimizer.score.inputs import read_inputs, sizes_alone
from optimizer.search.exact import rows
from optimizer.search.running.run import Outcome
from optimizer.search.running.run import search as search_space
from optimizer.search.space.setup import load_space, make_space
from optimizer.search.space.space import Space
from optimizer.workflows.report import report as report_run

__all__ = [
    "Answer", "Asked", "BadInput", "Brief", "Choice", "Design", "DesignsCompared", "Outcome", "Problem", "RunsCompared",
    "Space", "Step", "Tolerances", "check", "compare", "fit", "front", "load", "load_brief", "report", "score",
    "search", "shortlist", "tolerances", "unfold", "vary", "why",
]  # fmt: skip

#: The name that `Choice` had before 0.6.
Asked = Choice


def load(brief: Path | str | Mapping[str, Any], *, folder: Path | str = ".") -> Space:
    """Read a brief with every table, curve and ride that it names.

    Parameters
    ----------
    brief : Path, str or mapping
        TOML file, or what it would hold as plain dicts and lists.
    folder : Path or str
        Of a mapping: what its relative paths are relative to.

    Returns
    -------
    Space
        Ready to be searched; `space.brief` and `space.inputs` hold what was read.

    Raises
    ------
    BadInput
        With every problem found, each with file, place, field, value and what was expected. A brief with ranges
        is refused: it has no one space.
    """
    if isinstance(brief, Mapping):
        return make_space(read_inputs(_fixed(brief, Path(folder))))
    return load_space(brief)


def _fixed(data: Mapping[str, Any], folder: Path) -> Brief:
    """A brief out of plain data that leaves no dimension free."""
    opened = brief_of(data, folder=folder)
    if opened.free:
        names = ", ".join(item.name for item in opened.free)
        text = "must be a number here; briefs with ranges are searched by the command"
        raise BadInput([Problem("ranges", "brief", field=names, expected=text)])
    return opened.fixed({})


def check(brief: Path | str | Mapping[str, Any], *, folder: Path | str = ".") -> list[Problem]:
    """What is wrong with a brief and its tables.

    Parameters
    ----------
    brief, folder
        As for `load`.

    Returns
    -------
    list of Problem
        Empty when a search can start.

    >>> check({"catalog": {"cells": "none.csv"}, "compartment": []})[0].code
    'wrong-length'
    """
    try:
        load(brief, folder=folder)
    except BadInput as bad:
        return list(bad.problems)
    return []


def fit(brief: Path | str | Mapping[str, Any], *, folder: Path | str = ".") -> pd.DataFrame:
    """How many cells of each size each compartment holds, proven.

    Parameters
    ----------
    brief, folder
        As for `load`; only compartments, clearances and the cell table are needed.

    Returns
    -------
    DataFrame
        One row per compartment and cell size: compartment, cell_ids, cells, layout, least_gap_mm [mm],
        regular_cells, proven.

    Raises
    ------
    BadInput
        With every problem found.
    """
    wanted = _fixed(brief, Path(folder)) if isinstance(brief, Mapping) else load_brief(brief)
    return pd.DataFrame([finding.record() for finding in survey(*sizes_alone(wanted))])


def search(space: Space, *, workers: int = 1) -> Outcome:
    """Search a whole space exactly.

    Parameters
    ----------
    space : Space
    workers : int
        Processes; the front is the same for any number.

    Returns
    -------
    Outcome
        `complete` tells whether all of it was searched, `tally` what became of every candidate.
    """
    return search_space(space, workers=workers)


def front(space: Space, found: Outcome) -> pd.DataFrame:
    """The front as a frame, thinned to [objectives] resolution, the ride stepped through for each row.

    Parameters
    ----------
    space : Space
    found : Outcome

    Returns
    -------
    DataFrame
        The columns of front.csv.
    """
    kept, figures = rows.rescored(found.found, space=space)
    return rows.table(kept, figures, space=space)


def shortlist(
    space: Space,
    frame: pd.DataFrame,
    *,
    count: int = 5,
    method: str = "topsis",
    weights: Mapping[str, float] | None = None,
) -> pd.DataFrame:
    """A few rows that are good and differ, see `optimizer.front.ranking.pick_different`.

    Parameters
    ----------
    space : Space
    frame : DataFrame
        A front.
    count : int
        At most so many.
    method : {"topsis", "weighted_sum", "knee"}
    weights : mapping of objective to weight, optional
        One left out weighs nothing; None weighs all alike.

    Returns
    -------
    DataFrame
        With columns rank and merit.

    Raises
    ------
    ValueError
        If the method or a weight is unknown.
    """
    use = space.brief.objectives.use
    return ranking.pick_different(frame, count, objectives=use, method=method, weights=weights)


def score(space: Space, choices: Mapping[Any, Any]) -> dict[str, Any]:
    """One design scored: a row of a front, or one with another strip, wire, BMS or fuse.

    Parameters
    ----------
    space : Space
    choices : mapping
        cell_id, series, parallel, split, layout, strip, strip_layers, wire, bms, fuse; more is ignored.

    Returns
    -------
    dict
        A whole row of the front; margin_… below 0 where a constraint fails.

    Raises
    ------
    BadInput
        When a part or layout is not known.
    """
    return score_row(space, choices)


def why(space: Space, frame: pd.DataFrame | None = None, **asked: Any) -> Answer:
    """What stands against a pack: see `optimizer.analysis.why.why`.

    Parameters
    ----------
    space : Space
    frame : DataFrame, optional
        A front to hold it against.
    asked : fields of Choice
        cell, series, parallel, split, strip, …; what is left out is searched exactly.

    Returns
    -------
    Answer
    """
    return why_not(space, Choice(**asked), front=frame)


def vary(space: Space, *, changes: Sequence[Step] | None = None) -> pd.DataFrame:
    """What a step of each dimension and limit is worth: see `optimizer.analysis.vary.vary`.

    Parameters
    ----------
    space : Space
    changes : sequence of Step, optional
        2 mm of each dimension and 5 % of each limit when left out.

    Returns
    -------
    DataFrame
        One row per step: parameter, change, text, feasible, <figure>_change in the figure's unit, cells_change.
    """
    return vary_space(space, changes=changes).table()


def compare(one: Path | str, other: Path | str) -> RunsCompared | DesignsCompared:
    """Two runs, or two designs as "RUN:DESIGN", side by side: see `optimizer.analysis.compare.compare`.

    Raises
    ------
    BadInput
        When a run can't be read, or the two have nothing in common.
    """
    return compare_runs(str(one), str(other))


def report(run: Path | str) -> Path:
    """Write review.html into a run's folder.

    Parameters
    ----------
    run : Path or str
        Folder that `cellstow search` wrote.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    BadInput
        When the run has no front, or brief or catalogs have changed since.
    """
    return report_run(read_run(Path(run))).path
