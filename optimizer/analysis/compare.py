"""Two runs or two designs beside each other: what each is best in, who beats whom, and what was asked differently."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import qmc

from optimizer.base.arrays import Floats
from optimizer.base.figures import OBJECTIVES, sided, split_name
from optimizer.base.problems import BadInput, Problem
from optimizer.design.runs import Run, read_run
from optimizer.front.dominance import Dominators
from optimizer.front.pareto import balanced, hypervolume, signed

# Rows of both fronts up to which the volume is worked out exactly, and points by which it is estimated.
EXACT_ROWS = 20_000
SAMPLES = 2**19


@dataclass(frozen=True, eq=False)
class Side:
    """One of the two things compared: a run, or one design of a run."""

    name: str
    run: Run
    row: Mapping[str, Any] | None


@dataclass(frozen=True, eq=False)
class RunsCompared:
    """Two runs.

    Parameters
    ----------
    sides : (Side, Side)
    objectives : tuple of str
        That both runs trade off.
    best : mapping of str to (row, row)
        Best of each objective and the balanced row, of each run.
    beaten : (int, int)
        Rows of each front that the other one's front dominates or equals.
    share : (float, float)
        Hypervolume of each front over that of both together, both against the worst of all rows [-].
    asked : mapping of dotted key to (value, value)
        Where the briefs differ; None where one does not say.
    inputs : tuple of str
        Files whose content differs.
    exact : bool
        Whether the shares are exact; see `volume_shares`.
    there : tuple of str
        Figures in situations that both fronts have and either brief asks about.
    """

    sides: tuple[Side, Side]
    objectives: tuple[str, ...]
    best: Mapping[str, tuple[Mapping[str, Any], Mapping[str, Any]]]
    beaten: tuple[int, int]
    share: tuple[float, float]
    asked: Mapping[str, tuple[Any, Any]]
    inputs: tuple[str, ...]
    exact: bool = True
    there: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class DesignsCompared:
    """Two designs, figure by figure.

    Parameters
    ----------
    sides : (Side, Side)
        Each with its row.
    differing : mapping of column to (value, value)
        None where one of them has no such column, as of a situation that its brief does not know.
    better : (tuple of str, tuple of str)
        Objectives in which each is better.
    """

    sides: tuple[Side, Side]
    differing: Mapping[str, tuple[Any, Any]]
    better: tuple[tuple[str, ...], tuple[str, ...]]


def read_side(text: str, *, brief: Path | None = None) -> Side:
    """RUN or RUN:DESIGN as a run read, with its row; BadInput when there is no such run or design.

    What follows the last colon is a design_id unless the whole is a folder.
    """
    folder, colon, design = text.rpartition(":")
    if Path(text).is_dir() or not colon:
        return Side(text, _read(Path(text), brief), None)
    run = _read(Path(folder), brief)
    return Side(design, run, run.row(design))


def _read(folder: Path, brief: Path | None) -> Run:
    # Only what was found is compared: a run whose brief is gone can still be read.
    return read_run(folder, brief=brief if brief is not None else folder / "run.json")


def compare(one: str, other: str) -> RunsCompared | DesignsCompared:
    """Compare two runs, or two designs.

    Parameters
    ----------
    one, other : str
        Both RUN, or both RUN:DESIGN.

    Raises
    ------
    BadInput
        Codes "no-run", "unknown-design", "not-alike" (a run and a design, or no objective in common) and
        "empty-front".
    """
    a, b = read_side(one), read_side(other)
    if (a.row is None) != (b.row is None):
        text = "must be two runs, or two designs as RUN:DESIGN"
        raise BadInput([Problem("not-alike", "command line", found=f"{one} and {other}", expected=text)])
    common = tuple(name for name in a.run.objectives if name in b.run.objectives)
    if not common:
        raise BadInput([Problem("not-alike", other, expected=f"has no objective in common with {one}")])
    if a.row is not None and b.row is not None:
        return _designs(a, b, a.row, b.row, common)
    for side in (a, b):
        if not len(side.run.front):
            raise BadInput([Problem("empty-front", side.name, expected="holds no front to compare")])
    return _runs(a, b, common)


def _designs(
    a: Side, b: Side, left: Mapping[str, Any], right: Mapping[str, Any], objectives: tuple[str, ...]
) -> DesignsCompared:
    differing = {
        name: (left.get(name), right.get(name))
        for name in dict.fromkeys([*left, *right])
        if not _equal(left.get(name), right.get(name))
    }
    pair = {name: np.array([float(left[name]), float(right[name])]) for name in objectives}
    points = signed(pair, objectives=objectives)
    wins = [tuple(n for n, (x, y) in zip(objectives, points.T, strict=True) if sign * (x - y) < 0) for sign in (1, -1)]
    return DesignsCompared((a, b), differing, (wins[0], wins[1]))


def _equal(a: Any, b: Any) -> bool:
    return bool(a == b or (a != a and b != b))


def points_of(front: pd.DataFrame, objectives: tuple[str, ...]) -> Floats:
    """A front's objectives, less is better, shape (n, d)."""
    return signed({name: front[name].to_numpy(dtype=float) for name in objectives}, objectives=objectives)


def _runs(a: Side, b: Side, objectives: tuple[str, ...]) -> RunsCompared:
    fronts = (a.run.front, b.run.front)
    points = [points_of(front, objectives) for front in fronts]
    both = np.concatenate(points)
    span = np.maximum(np.ptp(both, axis=0), 1e-12)
    scaled = [(each - both.min(axis=0)) / span for each in points]
    reference = np.full(len(objectives), 1.0 + 1e-6)
    share, exact = volume_shares(scaled[0], scaled[1], reference=reference)
    trees = [Dominators(each) for each in points]
    picks = {
        f"{'most' if OBJECTIVES[name] else 'least'} {name}": [int(np.argmin(each[:, k])) for each in points]
        for k, name in enumerate(objectives)
    }
    picks["balanced"] = [balanced(each) for each in points]
    rows = {
        why: tuple({str(k): v for k, v in front.iloc[row].items()} for front, row in zip(fronts, at, strict=True))
        for why, at in picks.items()
    }
    hashes = [dict(side.run.record.get("inputs", {})) for side in (a, b)]
    return RunsCompared(
        (a, b), objectives, {why: (pair[0], pair[1]) for why, pair in rows.items()},
        (int(trees[1].beat(points[0]).sum()), int(trees[0].beat(points[1]).sum())), share,
        # Paths say little: whether the files differ is told by their content.
        _brief_differences(*({k: v for k, v in s.run.record["brief"].items() if k != "catalog"} for s in (a, b))),
        tuple(name for name in dict.fromkeys([*hashes[0], *hashes[1]]) if hashes[0].get(name) != hashes[1].get(name)),
        exact, tuple(name for name in _asked_there(a, b) if name not in objectives and all(name in f for f in fronts)),
    )  # fmt: skip


def _asked_there(*sides: Side) -> list[str]:
    """Figures in situations that briefs have as objectives or under constraints, each once."""
    briefs = [side.run.record["brief"] for side in sides]
    asked = [name for brief in briefs for name in (brief.get("objectives") or {}).get("use", ())]
    asked += [sided(key)[0] for brief in briefs for key in brief.get("constraints") or {}]
    return [name for name in dict.fromkeys(x for x in asked if isinstance(x, str)) if split_name(name)[1]]


def volume_shares(one: Floats, other: Floats, *, reference: Floats) -> tuple[tuple[float, float], bool]:
    """Volume that each front dominates over that which both dominate together [-], and whether it is exact.

    Fronts have shapes (n, d) and (m, d) on 0 to 1, less is better. The exact volume takes the square of the rows at
    best, so of long ones, and in many dimensions, it is estimated within about half a percent: SAMPLES points evenly
    spread over the unit cube (Sobol) are counted.
    """
    if one.shape[1] <= 2 or (len(one) + len(other)) * 8 ** max(one.shape[1] - 4, 0) <= EXACT_ROWS:
        whole = hypervolume(np.concatenate([one, other]), reference=reference)
        return (hypervolume(one, reference=reference) / whole, hypervolume(other, reference=reference) / whole), True
    cube = qmc.Sobol(one.shape[1], scramble=False).random(SAMPLES)
    under = [Dominators(each).beat(cube) for each in (one, other)]
    both = max(int((under[0] | under[1]).sum()), 1)
    return (float(under[0].sum() / both), float(under[1].sum() / both)), False


def _brief_differences(one: Any, other: Any, *, key: str = "") -> dict[str, tuple[Any, Any]]:
    """Where two briefs, as run.json keeps them, differ below a key, by dotted key; compartments by name."""
    if isinstance(one, list) and isinstance(other, list) and _named(one + other):
        one, other = ({item["name"]: item for item in items} for items in (one, other))
    if not (isinstance(one, Mapping) and isinstance(other, Mapping)):
        return {} if one == other else {key: (one, other)}
    found: dict[str, tuple[Any, Any]] = {}
    for name in dict.fromkeys([*one, *other]):
        found |= _brief_differences(one.get(name), other.get(name), key=f"{key}.{name}".lstrip("."))
    return found


def _named(items: list[Any]) -> bool:
    return bool(items) and all(isinstance(item, Mapping) and isinstance(item.get("name"), str) for item in items)
