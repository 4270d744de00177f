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

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pandas as pd

from optimizer.analysis import ranking
from optimizer.analysis.why import Answer
from optimizer.analysis.why import why as why_not
from optimizer.base.problems import BadInput, Problem
from optimizer.brief import Brief, load_brief
from optimizer.design.model import Design
from optimizer.design.rescore import score_row
from optimizer.design.subspace import Asked
from optimizer.design.tolerances import Tolerances, tolerances
from optimizer.design.unfold import unfold
from optimizer.search.exact import rows
from optimizer.search.running.run import Outcome
from optimizer.search.running.run import search as search_space
from optimizer.search.space.setup import load_space
from optimizer.search.space.space import Space

__all__ = [
    "Asked", "BadInput", "Brief", "Design", "Outcome", "Problem", "Space", "Tolerances", "front", "load",
    "load_brief", "score", "search", "shortlist", "tolerances", "unfold", "why",
]  # fmt: skip


def load(brief: Path | str) -> Space:
    """Read a brief with every table, curve and ride that it names.

    Parameters
    ----------
    brief : Path or str
        TOML file.

    Returns
    -------
    Space
        Ready to be searched; `space.brief` and `space.inputs` hold what was read.

    Raises
    ------
    BadInput
        With every problem found, each with file, place, field, value and what was expected.
    """
    return load_space(brief)


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
    """A few rows that are good and differ, see `optimizer.analysis.ranking.pick_different`.

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
    asked : fields of Asked
        cell, series, parallel, split, strip, …; what is left out is searched exactly.

    Returns
    -------
    Answer
    """
    return why_not(space, Asked(**asked), front=frame)
