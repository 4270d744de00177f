"""Why a pack is not on the front: which rule or limit stands against it and by how much, or which packs beat it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from optimizer.analysis.obstacles import Reason, Remedy, obstacles, refusals, remedies
from optimizer.base.arrays import Floats, Ints
from optimizer.base.figures import OBJECTIVES
from optimizer.base.problems import BadInput, Problem
from optimizer.brief.choice import Choice
from optimizer.catalog import matching
from optimizer.design.rescore import scored
from optimizer.design.subspace import restricted_space
from optimizer.front.pareto import balanced, nondominated, normalise, signed, thin
from optimizer.score.asked import PARTS
from optimizer.search.exact.archive import Survivors
from optimizer.search.running.run import search
from optimizer.search.space.space import Space

VARY, SITUATION = "[vary]", "situation"
# Rows of the asked packs' own front that are stepped through and held against the run's front.
MOST_ROWS = 300


@dataclass(frozen=True, eq=False)
class Beaten:
    """One of the asked packs and the rows of the front that are no worse in anything.

    Parameters
    ----------
    why : str
        What this pack is best in among those asked for.
    row : mapping
    by : DataFrame
        Rows of the front, those that gain most first.
    near : mapping
        Row of the front that comes nearest in the objectives.
    """

    why: str
    row: Mapping[str, Any]
    by: pd.DataFrame
    near: Mapping[str, Any]


@dataclass(frozen=True, eq=False)
class Answer:
    """What `why` found.

    Parameters
    ----------
    reasons : tuple of Reason
        Empty when at least one pack as asked meets every constraint.
    notes : tuple of Reason
        What keeps the packs out of the run although they could be built: [vary] does not ask for them.
    feasible : DataFrame
        Packs as asked that meet every constraint and that none of their own beats; stepped figures.
    on_front : tuple of str
        design_ids of those that are on the front.
    beaten : tuple of Beaten
        For a few of them; empty without a front to hold them against.
    remedies : tuple of Remedy
        Where no pack as asked meets every constraint: changes of one limit that let one through.
    """

    asked: Choice
    reasons: tuple[Reason, ...]
    notes: tuple[Reason, ...]
    feasible: pd.DataFrame
    on_front: tuple[str, ...] = ()
    beaten: tuple[Beaten, ...] = ()
    remedies: tuple[Remedy, ...] = ()


def parse_shares(text: str | None, *, rooms: Sequence[str], axes: bool = False) -> dict[str, str] | None:
    """Words such as "deck:14 stem:6" or "deck=z, stem=x" by compartment.

    >>> parse_shares("deck:14 stem:6", rooms=["stem", "deck"])
    {'deck': '14', 'stem': '6'}
    """
    if text is None:
        return None
    value, what, example = ("[xyz]", "x, y or z", "z") if axes else (r"\d+", "a number of groups", "10")
    names = "|".join(re.escape(room) for room in sorted(rooms, key=len, reverse=True))
    pair = rf"({names})\s*[:=]\s*({value})"
    if not re.fullmatch(rf"\s*{pair}(?:[\s,;]+{pair})*\s*", text):
        expected = f"must name compartments ({', '.join(rooms)}), each with {what}, such as '{rooms[0]}:{example}'"
        raise BadInput([Problem("bad-split", "command line", "", "", text, expected)])
    return dict(re.findall(pair, text))


def why(space: Space, asked: Choice, *, front: pd.DataFrame | None = None) -> Answer:
    """What stands against the packs that are asked for; what is left open is searched exactly.

    A front of the brief is held beside them. BadInput when a part or compartment is not known.
    """
    notes = tuple(_vary_notes(space, asked))
    if asked.cell is not None and asked.cell in space.inputs.left_out:
        return Answer(asked, (Reason(SITUATION, space.inputs.left_out[asked.cell]),), notes, pd.DataFrame())
    part = restricted_space(space.inputs, asked)
    reasons = obstacles(part)
    if reasons:
        return Answer(asked, tuple(reasons), notes, pd.DataFrame())
    found = search(part, workers=1).found
    if not len(found):
        return Answer(asked, tuple(refusals(part)), notes, pd.DataFrame(), remedies=tuple(remedies(part)))
    kept = found.take(_few(found, part))
    frame = scored(kept, space=part)
    gaps = [name for name in frame if str(name).startswith("margin_")]
    good = frame[(frame[gaps] >= 0).all(axis=1)] if gaps else frame
    if not len(good):
        text = "the ride stepped through second by second falls short of what the fast form of the range gave"
        return Answer(asked, (Reason("range_km_min", text),), notes, frame)
    good = good[nondominated(signed(_columns(good), objectives=space.brief.objectives.use))].reset_index(drop=True)
    if front is None or not len(front):
        return Answer(asked, (), notes, good)
    both = tuple(sorted(set(good["design_id"]) & set(front["design_id"])))
    beaten = _beaten(good, front, space.brief.objectives.use)
    return Answer(asked, (), notes, good, both, tuple(b for b in beaten if b.row["design_id"] not in both))


def _few(found: Survivors, space: Space) -> Ints:
    """Rows that stand for all, by the brief's resolution, and by a coarser one where those are too many."""
    points = found.objectives
    steps = np.array([space.brief.objectives.resolution.get(name, 0.0) for name in space.brief.objectives.use])
    keep = thin(points, resolution=steps)
    part = 400.0
    while len(keep) > MOST_ROWS and part > 2:
        keep = thin(points, resolution=np.maximum(steps, np.ptp(points, axis=0) / part))
        part /= 2
    return keep


def _vary_notes(space: Space, asked: Choice) -> list[Reason]:
    """Choices that [vary] does not offer: such packs were never in the run."""
    vary, found = space.brief.vary, []
    for name, table in PARTS.items():
        wanted, patterns = getattr(asked, name), getattr(vary, table)
        if wanted is not None and not matching([wanted], patterns)[0]:
            found.append(Reason(VARY, f"[vary] {table} = {list(patterns)} leaves out {wanted}"))
    for key, value in (("series", asked.groups), ("parallel", asked.parallel)):
        low, high = getattr(vary, key)
        if value is not None and not low <= value <= high:
            found.append(Reason(VARY, f"[vary] {key} = [{low}, {high}] leaves out {value}", float(value)))
    if asked.strip_layers is not None and asked.strip_layers not in vary.strip_layers:
        found.append(Reason(VARY, f"[vary] strip_layers = {list(vary.strip_layers)} leaves out {asked.strip_layers}"))
    return found


def _columns(frame: pd.DataFrame) -> dict[str, Floats]:
    """A front's numbers by column."""
    numeric = frame.select_dtypes("number")
    return {str(name): numeric[name].to_numpy(dtype=float) for name in numeric}


def _nearest(row: Mapping[str, Any], front: pd.DataFrame, *, objectives: Sequence[str]) -> dict[str, Any]:
    """The row of the front that comes nearest to a pack in its objectives, each over its span."""
    columns = {name: np.append(front[name].to_numpy(dtype=float), float(row[name])) for name in objectives}
    scaled = normalise(signed(columns, objectives=objectives))
    k = int(np.argmin(np.abs(scaled[:-1] - scaled[-1]).max(axis=1)))
    return {str(name): value for name, value in front.iloc[k].items()}


def _beaten(good: pd.DataFrame, front: pd.DataFrame, objectives: Sequence[str]) -> list[Beaten]:
    """The best of the asked packs by each objective, and a balanced one, against the front."""
    points, others = (signed(_columns(each), objectives=objectives) for each in (good, front))
    picks: dict[int, str] = {}
    for name, column in zip(objectives, points.T, strict=True):
        k = int(np.argmin(column))
        word = f"{'most' if OBJECTIVES[name] else 'least'} {name}"
        picks[k] = f"{picks[k]}, {word}" if k in picks else word
    picks.setdefault(balanced(points), "balanced")
    span = np.ptp(others, axis=0)
    out = []
    for k, word in picks.items():
        no_worse = np.flatnonzero(np.all(others <= points[k] + 1e-9 * np.abs(points[k]), axis=1))
        gain = ((points[k] - others[no_worse]) / np.where(span > 0, span, 1.0)).sum(axis=1)
        order = no_worse[np.argsort(-gain, kind="stable")]
        row = {str(name): value for name, value in good.iloc[k].items()}
        near = _nearest(row, front, objectives=objectives)
        out.append(Beaten(word, row, front.iloc[order].reset_index(drop=True), near))
    return out


def whole_space(record: Mapping[str, Any]) -> list[tuple[str, int]]:
    """Every candidate of a run (its run.json) by what became of it, most first; the counts add up to the space."""
    space = record["space"]
    kept = space["scored"] - sum(space["rejected"].values())
    counts: dict[str, int] = dict(space["pruned"])
    for name, count in space["rejected"].items():
        counts[name] = counts.get(name, 0) + count
    counts["scored and feasible"] = kept
    return sorted(counts.items(), key=lambda item: -item[1])
