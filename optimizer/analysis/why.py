"""Why a pack is not on the front: which rule or limit stands against it and by how much, or which packs beat it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from optimizer.analysis.unlaid import unlaid
from optimizer.base.figures import OBJECTIVES
from optimizer.base.problems import BadInput, Problem
from optimizer.brief import Constraints
from optimizer.catalog import matching
from optimizer.design.protection import broken
from optimizer.design.rescore import scored
from optimizer.design.select import choose
from optimizer.design.subspace import FUSE_RULES, PARTS, Asked, restricted_space, with_brief
from optimizer.front.pareto import balanced, nondominated, normalise, signed, thin
from optimizer.pack.bill import with_spares
from optimizer.score.score import margins
from optimizer.search.exact.archive import Survivors
from optimizer.search.running.run import search
from optimizer.search.space import parts
from optimizer.search.space import space as rules
from optimizer.search.space.space import Space, Task

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

VARY, TOGETHER = "[vary]", "limits together"
# Rows of the asked packs' own front that are stepped through and held against the run's front.
MOST_ROWS = 300


@dataclass(frozen=True)
class Reason:
    """One thing that stands against a pack.

    Parameters
    ----------
    rule : str
        "[vary]", "voltage window", "does not fit", "stock", "no BMS or fuse", a rule of protection, a constraint's
        name, or "limits together".
    text : str
        By how much, in words.
    short : float or None
        By how much, in the unit of the rule.
    """

    rule: str
    text: str
    short: float | None = None


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
    asked : Asked
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
    """

    asked: Asked
    reasons: tuple[Reason, ...]
    notes: tuple[Reason, ...]
    feasible: pd.DataFrame
    on_front: tuple[str, ...] = ()
    beaten: tuple[Beaten, ...] = ()


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


def why(space: Space, asked: Asked, *, front: pd.DataFrame | None = None) -> Answer:
    """What stands against the packs that are asked for.

    Parameters
    ----------
    space : Space
        Of the whole brief.
    asked : Asked
        Any part may be left open; what is open is searched exactly.
    front : DataFrame, optional
        Of a run of the brief, to hold the packs against.

    Returns
    -------
    Answer

    Raises
    ------
    BadInput
        When a part or compartment is not known.
    """
    part = restricted_space(space.inputs, asked)
    notes = tuple(_vary_notes(space, asked))
    for look in (_voltage, _room, _stock, _no_part, _metal):
        reasons = look(part)
        if reasons:
            return Answer(asked, tuple(reasons), notes, pd.DataFrame())
    found = search(part, workers=1).found
    if not len(found):
        return Answer(asked, tuple(_protection(part) or _limits(part)), notes, pd.DataFrame())
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


def _vary_notes(space: Space, asked: Asked) -> list[Reason]:
    """Choices that [vary] does not offer: such packs were never in the run."""
    vary, found = space.brief.vary, []
    for name, table in PARTS.items():
        wanted, patterns = getattr(asked, name), getattr(vary, table)
        if wanted is not None and not matching([wanted], patterns)[0]:
            found.append(Reason(VARY, f"[vary] {table} = {list(patterns)} leaves out {wanted}"))
    series = sum(asked.split.values()) if asked.split is not None else asked.series
    for key, value in (("series", series), ("parallel", asked.parallel)):
        low, high = getattr(vary, key)
        if value is not None and not low <= value <= high:
            found.append(Reason(VARY, f"[vary] {key} = [{low}, {high}] leaves out {value}", float(value)))
    if asked.strip_layers is not None and asked.strip_layers not in vary.strip_layers:
        found.append(Reason(VARY, f"[vary] strip_layers = {list(vary.strip_layers)} leaves out {asked.strip_layers}"))
    return found


def _voltage(space: Space) -> list[Reason]:
    """Why no cell stays in the voltage window with any of the counts in series."""
    low, high = space.window
    if (low <= high).any():
        return []
    cells, asked = space.context.cells, space.brief.electrical
    assert asked is not None
    first, last = space.brief.vary.series
    over = first * cells.voltage_max_v - asked.voltage_max_v
    under = asked.voltage_min_v - last * cells.voltage_min_v
    miss = np.maximum(over, under)
    k = int(np.argmin(miss))
    name = str(space.inputs.cells.id[cells.row[k]])
    if over[k] >= under[k]:
        text = f"{first} × {cells.voltage_max_v[k]:g} V = {first * cells.voltage_max_v[k]:.1f} V when full is " \
               f"{over[k]:.1f} V over voltage_max_v = {asked.voltage_max_v:g} V"  # fmt: skip
    else:
        text = f"{last} × {cells.voltage_min_v[k]:g} V = {last * cells.voltage_min_v[k]:.1f} V when empty is " \
               f"{under[k]:.1f} V under voltage_min_v = {asked.voltage_min_v:g} V"  # fmt: skip
    near = "" if len(miss) == 1 else f"; {name} comes nearest"
    fits_low = int(np.ceil(asked.voltage_min_v / cells.voltage_min_v[k] - 1e-9))
    fits_high = int(np.floor(asked.voltage_max_v / cells.voltage_max_v[k] + 1e-9))
    window = f"; {name} allows {fits_low} to {fits_high} in series" if fits_low <= fits_high else \
        f"; {name} fits the window in no number"  # fmt: skip
    return [Reason(rules.VOLTAGE, text + (near or "") + window, float(miss[k]))]


def _tasks(space: Space) -> list[tuple[Task, int]]:
    """Every size and P that may be chosen, with the least groups that a cell of the size needs."""
    low, high = space.window
    found = []
    for size in range(len(space.sizes)):
        members = np.flatnonzero((space.size_of == size) & (low <= high))
        if len(members):
            first, last = space.brief.vary.parallel
            # More cells in parallel than there are places hold no group: nothing to look at.
            last = min(last, max(sum(space.most_cells(size)), first))
            found += [(Task(size, p), int(low[members].min())) for p in range(first, last + 1)]
    return found


def _room(space: Space) -> list[Reason]:
    """Why no size and P has room for its groups."""
    best: tuple[int, str] | None = None
    for task, needed in _tasks(space):
        held = [max((fill.groups for fill in each), default=0) for each in space.fills(task)]
        shares = getattr(space, "shares", None)
        if shares is not None:
            whole = Space(space.inputs, space.context).fills(task)
            held = [max((fill.groups for fill in each), default=0) for each in whole]
            lacks = [max(wanted - groups, 0) for wanted, groups in zip(shares, held, strict=True)]
            short = sum(lacks)
        else:
            short = needed - sum(held)
        if short <= 0:
            return []
        rooms = ", ".join(f"{room.name} {groups}" for room, groups in zip(space.rooms, held, strict=True))
        wanted = ", ".join(f"{r.name} {g}" for r, g in zip(space.rooms, shares, strict=True)) if shares else needed
        cells = sum(space.most_cells(task.size))
        text = f"{sum(held)} groups of {task.parallel} fit ({rooms}; {cells} places for cells), {wanted} are needed: " \
               f"{short} short"  # fmt: skip
        if best is None or short < best[0]:
            best = (short, text)
    if best is None:
        return []
    return [Reason(rules.ROOM, best[1], float(best[0]))]


def _stock(space: Space) -> list[Reason]:
    """Why no cell is in stock in the numbers needed."""
    cells, low, best = space.inputs.cells, space.window[0], None
    for k in np.flatnonzero(low <= space.window[1]):
        number = int(low[k]) * space.brief.vary.parallel[0]
        need = int(with_spares(number, spare_fraction=space.brief.parts.spare_fraction))
        row = int(space.context.cells.row[k])
        short = need - float(cells.stock[row])
        if short <= 0:
            return []
        text = f"{need} {cells.id[row]} are needed, spares included, {cells.stock[row]:g} are in stock"
        if best is None or short < best[0]:
            best = (short, text)
    return [] if best is None else [Reason(rules.STOCK, best[1], best[0])]


def _no_part(space: Space) -> list[Reason]:
    """Why no BMS or fuse suits any of the counts in series."""
    cells, texts, profile = space.inputs.cells, [], space.context.profile
    low, high = space.window
    for k in np.flatnonzero(low <= high):
        row = int(space.context.cells.row[k])
        chemistry, volt = str(cells.chemistry[row]), float(cells.voltage_max_v[row])
        for series in range(int(low[k]), int(high[k]) + 1):
            full_v = series * volt
            _, bms = parts.bms_options(space.inputs, series=series, chemistry=chemistry, full_v=full_v, profile=profile)
            _, fuses = parts.fuse_options(space.inputs, full_v=full_v, profile=profile)
            if len(bms) and len(fuses):
                return []
            lack = "no BMS is made for" if not len(bms) else "no fuse is rated for the voltage of"
            texts.append(f"{lack} {series} {chemistry} cells in series ({full_v:.1f} V when full)")
    return [Reason(rules.NO_PART, "; ".join(dict.fromkeys(texts[:3])))] if texts else []


def _protection(space: Space) -> list[Reason]:
    """Rules of protection that no pack of the space meets, and what stands against the pack that comes nearest."""
    free = with_brief(space, constraints=Constraints())
    if len(search(free, workers=1).found):
        return []
    names = {"fuse_protects": rules.PROTECTS, "fuse_breaks": rules.BREAKS}
    for off in (["fuse_protects"], ["fuse_breaks"], list(FUSE_RULES)):
        other = with_brief(free, rules_off=off)
        found = search(other, workers=1).found
        if len(found):
            row = scored(found.take(np.array([balanced(found.objectives)])), space=other).iloc[0]
            text = " ".join(broken(other, choose(other, {str(k): v for k, v in row.items()}))).rstrip(".")
            ask = " and ".join(f"{name} = false" for name in off)
            return [Reason(names[off[0]], f"{text}; [protection] {ask} turns the rule off")]
    return []


def _metal(space: Space) -> list[Reason]:
    """Why no stock can be joined to the cells, or laid over the groups."""
    return [Reason(rule, text) for rule, text in unlaid(space, [task for task, _ in _tasks(space)])]


def _limits(space: Space) -> list[Reason]:
    """Constraints that no pack of the space meets, each with the best over all that is open."""
    bounds = {name: bound for name, bound in space.brief.constraints if bound is not None}
    free = with_brief(space, constraints=Constraints())
    found = []
    for name, bound in bounds.items():
        figure, side = name.rsplit("_", 1)
        best = best_of(free, figure)
        if best is None:
            continue
        short = bound - best if side == "min" else best - bound
        if short > 0:
            word = "at most" if OBJECTIVES[figure] else "at least"
            found.append(Reason(name, f"{figure} comes to {word} {best:.4g}, {bound:g} is asked", float(short)))
    return found or [_together(free, bounds)]


def _together(free: Space, bounds: Mapping[str, float]) -> Reason:
    """Limits that can be met one by one but not together: the pack that misses least, and by what."""
    figures = tuple(dict.fromkeys(name.rsplit("_", 1)[0] for name in bounds))
    found = search(with_brief(free, objectives=figures), workers=1).found
    values = {
        name: column * (-1.0 if OBJECTIVES[name] else 1.0)
        for name, column in zip(figures, found.objectives.T, strict=True)
    }
    gaps = margins(values, constraints=bounds)
    misses = np.column_stack([-gaps[f"margin_{name}"] / max(abs(bound), 1e-9) for name, bound in bounds.items()])
    k = int(np.argmin(misses.max(axis=1)))
    words = [
        f"{name} by {-float(gaps[f'margin_{name}'][k]):.4g}" for name in bounds if gaps[f"margin_{name}"][k] < 0
    ]
    text = f"each limit can be met, but not all at once; the pack that comes nearest misses {', '.join(words)}"
    return Reason(TOGETHER, text, float(misses[k].max()))


def best_of(space: Space, figure: str) -> float | None:
    """Best value of one figure over a whole space, constraints kept; None where no pack is feasible."""
    found = search(with_brief(space, objectives=(figure,)), workers=1).found
    if not len(found):
        return None
    return float(found.objectives[:, 0].min()) * (-1.0 if OBJECTIVES[figure] else 1.0)


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
    """Every candidate of a run by what became of it, most first; the counts add up to the space.

    Parameters
    ----------
    record : mapping
        Content of run.json.

    Returns
    -------
    list of (str, int)
    """
    space = record["space"]
    kept = space["scored"] - sum(space["rejected"].values())
    counts: dict[str, int] = dict(space["pruned"])
    for name, count in space["rejected"].items():
        counts[name] = counts.get(name, 0) + count
    counts["scored and feasible"] = kept
    return sorted(counts.items(), key=lambda item: -item[1])
