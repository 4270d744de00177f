"""What one millimetre of a compartment or one step of a limit is worth: the exact search is repeated for each."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from optimizer.analysis.steps import Step, steps
from optimizer.base.arrays import Floats
from optimizer.base.figures import OBJECTIVES, in_situation, sided, split_name
from optimizer.base.pool import Job
from optimizer.base.workers import Workers
from optimizer.brief import Brief
from optimizer.design.rescore import scored
from optimizer.design.subspace import CARRIED, with_brief
from optimizer.fit.placement.proof import prove
from optimizer.fit.region.geometry import clearance
from optimizer.fit.region.layout import CellSize, Layout
from optimizer.front.pareto import signed
from optimizer.score.inputs import Inputs
from optimizer.score.score import margins, score
from optimizer.score.warmth import in_boxes_of
from optimizer.search.exact.archive import NAMES, Survivors
from optimizer.search.exact.exact import Branches, Engine
from optimizer.search.running.run import spread
from optimizer.search.space.fills import Fill, useful
from optimizer.search.space.offering import Offering, Task
from optimizer.search.space.setup import make_space
from optimizer.search.space.space import Space

FIGURES = ("range_km", "peak_power_w", "pack_mass_kg", "cost")
SIZE, PARALLEL = NAMES.index("size"), NAMES.index("parallel")

# By how much worse than as the brief stands the best of a figure may be guessed, one after the other until something
# better than the guess is found.
GUESSES = (0.02, 0.2, np.inf)

# What a space has worked out that no compartment changes.
KEPT_OF_CELLS = ("sizes", "size_of", "builds", "window")


def followed(brief: Brief) -> tuple[str, ...]:
    """Figures whose best is followed: the four of every pack, and objectives in a situation."""
    return (*FIGURES, *(name for name in brief.objectives.use if split_name(name)[1]))


@dataclass(frozen=True, eq=False)
class Best:
    """The best of each figure over a whole space.

    Parameters
    ----------
    rows : mapping of figure to row of a front
        Empty when no pack is feasible.
    places : mapping of (compartment, size) to int
        Cells of each size that fit each compartment; sizes in words.
    winners : tuple of Survivors or None
        The same packs by figure, as the search keeps them.
    """

    rows: Mapping[str, Mapping[str, Any]]
    places: Mapping[tuple[str, str], int]
    winners: tuple[Survivors | None, ...] = ()

    def value(self, figure: str) -> float:
        """The best of one figure; not a number when no pack is feasible."""
        return float(self.rows[figure][figure]) if self.rows else float("nan")

    def place_changes(self, base: Best) -> dict[tuple[str, str], int]:
        """By compartment and cell size, how many cells more fit than before; only where that has changed."""
        keys = {**base.places, **self.places}
        changes = {key: self.places.get(key, 0) - base.places.get(key, 0) for key in keys}
        return {key: change for key, change in changes.items() if change}


@dataclass(frozen=True, eq=False)
class Worth:
    """What every step is worth.

    Parameters
    ----------
    base : Best
        Of the brief as it stands.
    best : tuple of Best or None
        After each step; None where the compartment would no longer be one.
    figures : tuple of str
        Whose best is followed.
    situations : tuple of str
        Of the brief.
    """

    base: Best
    steps: tuple[Step, ...]
    best: tuple[Best | None, ...]
    figures: tuple[str, ...] = FIGURES
    situations: tuple[str, ...] = ()

    def gains(self, found: Best | None) -> dict[str, float]:
        """By how much a step betters the best of each figure, in the figure's unit; only where it does."""
        if found is None or not (found.rows and self.base.rows):
            return {}
        changes = {name: found.value(name) - self.base.value(name) for name in self.figures}
        better = {name: change if OBJECTIVES[name] else -change for name, change in changes.items()}
        return {name: gain for name, gain in better.items() if gain > 1e-6 * abs(self.base.value(name))}

    def binding(self) -> dict[str, dict[str, float]]:
        """Limits that bind the best of each figure: those whose loosening by a step betters it, and by how much."""
        out: dict[str, dict[str, float]] = {name: {} for name in self.figures}
        for step, found in zip(self.steps, self.best, strict=True):
            for name, gain in self.gains(found).items() if step.limit else ():
                out[name][step.name] = max(gain, out[name].get(step.name, 0.0))
        return out

    def held(self, found: Best) -> int:
        """Cells, of the size that goes furthest as the brief stands, that all compartments hold."""
        if not self.base.rows:
            return 0
        size = str(self.base.rows["range_km"]["size"])
        return sum(count for (_, name), count in found.places.items() if name == size)

    def table(self) -> pd.DataFrame:
        """One row per step: by how much the best of each figure changes, and the cells that fit.

        Columns parameter, change, text, feasible, <figure>_change; cells_change of the size of the pack with the
        best range, cells_change_least and _most of all sizes; best_range_pack, its range in each situation
        (best_range_pack_km_<name>), and where a limit is loosened the figures that it `binds`.
        """
        rows = []
        for step, found in zip(self.steps, self.best, strict=True):
            row: dict[str, Any] = {"parameter": step.name, "change": step.change, "text": step.text}
            row["feasible"] = found is not None and bool(found.rows)
            for figure in self.figures:
                row[f"{figure}_change"] = np.nan if found is None else found.value(figure) - self.base.value(figure)
            changes = [] if found is None else [*found.place_changes(self.base).values()]
            row["cells_change"] = 0 if found is None else self.held(found) - self.held(self.base)
            row["cells_change_least"], row["cells_change_most"] = min([0, *changes]), max([0, *changes])
            pack = {} if found is None or not found.rows else found.rows["range_km"]
            row["best_range_pack"] = _pack(pack) if pack else ""
            for name in self.situations:
                row[in_situation("best_range_pack_km", name)] = pack.get(in_situation("range_km", name), np.nan)
            row["binds"] = ", ".join(self.gains(found)) if step.limit else ""
            rows.append(row)
        return pd.DataFrame(rows)


def _pack(row: Mapping[str, Any]) -> str:
    return f"{row['series']}S{row['parallel']}P {row['cell_id']}"


@dataclass(frozen=True, eq=False)
class Roomier(Offering):
    """One compartment is stretched: what fitted before still fits.

    Free placement tries for a time, and a larger room might come off worse by chance; so each fill of the room
    as it was stands beside those found anew, where it is proved to fit.

    Parameters
    ----------
    before : Space
        With the compartment as it was.
    changed : int
        Number of the compartment.
    shifts_mm : ndarray, shape (n, 3)
        Shifts of a whole layout that may make it fit, tried in this order [mm].
    """

    before: Space
    changed: int
    shifts_mm: Floats

    def fills(self, space: Space, room: int, task: Task) -> list[Fill]:
        """All that fit; of the stretched room those of the room as it was among them."""
        found = space.found_fills(room, task)
        if room != self.changed:
            return found
        layouts = [(fill, self._shifted(space, fill.layout)) for fill in self.before.room_fills(room, task)]
        still = [replace(fill, layout=moved) for fill, moved in layouts if moved is not None]
        return useful([*found, *still], seated=space.fill_rules(task.size).seated)

    def most_cells(self, space: Space, size: int, stand: int) -> list[int]:
        """As the layouts hold; a layout of the room as it was counts where it still fits."""
        found = space.held_cells(size, stand)
        if self.before.most_cells(size)[self.changed] > found[self.changed]:
            moved = [self._shifted(space, layout) for layout in self.before.layouts(self.changed, size)]
            found[self.changed] = max(found[self.changed], *(layout.cells for layout in moved if layout is not None), 0)
        return found

    def _shifted(self, space: Space, layout: Layout) -> Layout | None:
        """A layout of the room as it was where the stretched room has it, proved; None where it has not."""
        room, rules = space.rooms[self.changed], clearance(space.brief, layout.size)
        for shift in self.shifts_mm:
            moved = replace(layout, centres_mm=layout.centres_mm + shift)
            if prove(moved, room, rules).ok:
                return moved
        return None


class Searcher:
    """Looks for the best of each figure in a space, and again after each step with what is known by then.

    Parameters
    ----------
    space : Space
        As the brief stands.
    """

    def __init__(self, space: Space) -> None:
        self.figures = followed(space.brief)
        self.space = with_brief(space, objectives=self.figures)
        self._branches: dict[Task, Branches] = {}
        self.base = self._search(self.space, kept=self._branches)

    def __getstate__(self) -> dict[str, Any]:
        """What a worker needs: branches are many, and no use to it."""
        return {**self.__dict__, "_branches": {}}

    def quick(self, step: Step) -> bool:
        """Whether only constraints change, so that the branches made for the brief as it stands serve again."""
        return step.brief is None or (
            step.brief.compartment == self.space.brief.compartment
            and step.brief.electrical == self.space.brief.electrical
        )

    def after(self, step: Step) -> Best | None:
        """The best of each figure after a step; None when the step leaves no compartment or no window."""
        if step.brief is None:
            return None
        space = changed_space(self.space, step.brief)
        if space.brief.compartment != self.space.brief.compartment or step.name == "battery_current_a":
            return self._search(space)
        # The same packs with the same figures: those that were best are still there, if they are still allowed.
        winners = [None if each is None else _allowed(each, space=space) for each in self.base.winners]
        same = [
            now is not None and was is not None and bool(np.allclose(now.objectives, was.objectives, rtol=1e-9))
            for now, was in zip(winners, self.base.winners, strict=True)
        ]
        if step.tightens and all(same):
            return self.base
        return self._search(space, kept=self._branches if self.quick(step) else None, winners=winners)

    def _search(
        self,
        space: Space,
        *,
        kept: dict[Task, Branches] | None = None,
        winners: Sequence[Survivors | None] = (),
    ) -> Best:
        """The best of each figure, exactly, from packs known to be there and a guess of what is found besides."""
        # The passes differ in what they discard alone: each branch is made once.
        engine = Engine(space, kept={} if kept is None else kept)
        winners = winners or (None,) * len(self.figures)
        tasks = self._order(space)
        for worse in GUESSES if np.isfinite(self._ideal).all() else (np.inf,):
            # What is no better than a guess may be discarded: where something better is found, nothing was missed.
            winners = self._pass(engine, tasks, winners, worse)
            if all(winner is not None for winner in winners):
                break
        rows: dict[str, dict[str, Any]] = {}
        for figure, winner in zip(self.figures, winners, strict=True):
            if winner is not None:
                rows[figure] = {str(name): value for name, value in scored(winner, space=space).iloc[0].items()}
                rows[figure]["size"] = size_words(space.sizes[int(winner.names[0, SIZE])])
        return Best(rows, places(space), tuple(winners))

    def _pass(
        self, engine: Engine, tasks: Sequence[Task], known: Sequence[Survivors | None], worse: float
    ) -> list[Survivors | None]:
        """All tasks once, whatever is neither better than the known packs nor than the guess left out."""
        winners = list(known)
        base = self._ideal
        guess = base + worse * np.abs(base) if np.isfinite(worse) else np.full(len(self.figures), np.inf)
        ideal = np.array([[guess[k] if w is None else w.objectives[0, k] for k, w in enumerate(winners)]])
        for task in tasks:
            # Together the best values so far stand for a pack that beats whatever is better in nothing.
            engine.known = ideal if np.isfinite(ideal).all() else np.zeros((0, len(self.figures)))
            found, _ = engine.run(task)
            for k in range(len(self.figures)):
                if len(found) and found.objectives[:, k].min() < ideal[0, k]:
                    row = int(np.lexsort((*found.objectives.T, found.objectives[:, k]))[0])
                    winners[k], ideal[0, k] = found.take(np.array([row])), found.objectives[row, k]
        return winners

    @property
    def _ideal(self) -> Floats:
        """The best of each figure as the brief stands; endless before that is known."""
        known = [w for w in getattr(self, "base", Best({}, {})).winners if w is not None]
        if len(known) < len(self.figures):
            return np.full(len(self.figures), np.inf)
        return np.array([w.objectives[0, k] for k, w in enumerate(known)])

    def _order(self, space: Space) -> list[Task]:
        """Tasks of a space, those first that the best packs so far come from."""
        tasks = space.tasks()
        known = [w for w in self.base.winners if w is not None] if hasattr(self, "base") else []
        order = list(dict.fromkeys(space.task_of(w.names[0]) for w in known))
        order = [task for task in order if task in tasks]
        return order + [tasks[k] for k in spread(len(tasks)) if tasks[k] not in order]


def _allowed(winner: Survivors, *, space: Space) -> Survivors | None:
    """A pack as another space scores it; None when that space's window or constraints forbid it."""
    block = winner.block()
    low, high = space.window
    cell, series = int(block.cell[0]), int(block.series[0])
    held = {name: bound for name, bound in space.brief.constraints if bound is not None}
    objectives = space.brief.objectives.use
    needed = frozenset(objectives) | {sided(name)[0] for name in held}
    figures = score(block, context=space.context, figures=needed, stepped=True)
    good = all(bool((gap >= 0).all()) for gap in margins(figures, constraints=held).values())
    if not good or not low[cell] <= series <= high[cell]:
        return None
    return Survivors(winner.names, winner.numbers, signed(figures, objectives=objectives))


def places(space: Space) -> dict[tuple[str, str], int]:
    """Most cells of each size in each compartment that is not cut."""
    homes = {room.name for room in space.compartments}
    found = {}
    for k, size in enumerate(space.sizes):
        for room, count in zip(space.rooms, space.most_cells(k), strict=True):
            if room.name in homes:
                found[room.name, size_words(size)] = count
    return found


def size_words(size: CellSize) -> str:
    """A cell's size in words."""
    if size.shape == "cylinder":
        return f"Ø{size.diameter_mm:g} × {size.length_mm:g} mm"
    return f"{size.length_mm:g} × {size.width_mm:g} × {size.thickness_mm:g} mm"


def vary(
    space: Space,
    *,
    changes: Sequence[Step] | None = None,
    workers: int = 1,
    report: Callable[[str], None] = lambda text: None,
) -> Worth:
    """What every step (those of `steps` when left out) is worth; the same for any number of worker processes."""
    changes = steps(space.brief) if changes is None else changes
    report("as it stands")
    searcher = Searcher(space)
    found: dict[int, Best | None] = {}

    def note(number: int, best: Best | None) -> None:
        found[number] = best
        report(f"{len(found)} of {len(changes)}: {changes[number].text}")

    slow = [k for k, step in enumerate(changes) if not searcher.quick(step)]
    for number, step in enumerate(changes):
        if number not in slow:
            note(number, searcher.after(step))
    jobs = deque(Job(k, f"The step {changes[k].text}", Searcher.after, (changes[k],)) for k in slow)
    with Workers(searcher, count=max(min(workers, len(slow)), 1)) as crew:
        for job, best in crew.run(jobs):
            note(job.key, best)
    return Worth(
        searcher.base, tuple(changes), tuple(found[k] for k in range(len(changes))), searcher.figures,
        tuple(space.context.situations),
    )  # fmt: skip


def changed_space(space: Space, brief: Brief) -> Space:
    """A space after a step to a brief of the same catalogs; what the step does not touch is kept."""
    brief = brief.model_copy(update={"objectives": space.brief.objectives})
    inputs = replace(space.inputs, brief=brief)
    if brief.compartment != space.brief.compartment:
        new = _other_room(space, inputs)
        new.__dict__.update({name: space.__dict__[name] for name in KEPT_OF_CELLS if name in space.__dict__})
        new.take_rooms(space)
        return new
    if brief.electrical == space.brief.electrical:
        return with_brief(space, constraints=brief.constraints)
    # Another voltage window asks for fills of fewer groups.
    new = replace(space, inputs=inputs, context=make_space(inputs).context, _fills={})
    placed = ("window", "_seats", *(("_rooms", "_layouts") if space.is_furnished else ()))
    kept = [name for name in CARRIED if name in space.__dict__ and name not in placed]
    new.__dict__.update({name: space.__dict__[name] for name in kept})
    return new


def _other_room(space: Space, inputs: Inputs) -> Space:
    """The space with its changed compartment; a larger one holds what it held before."""
    here = in_boxes_of(space.context, inputs.brief)
    plain = Space(inputs, here)
    pairs = list(zip(plain.compartments, space.compartments, strict=True))
    changed = [k for k, (one, other) in enumerate(pairs) if one != other]
    grown = np.diff(np.subtract(*(np.array(room.extent_mm) for room in pairs[changed[0]])))[:, 0]
    if len(changed) > 1 or (grown < 0).any() or inputs.brief.fit.zones > 1 or plain.stands[0].placed:
        return plain
    shifts = np.array([np.zeros(3), grown])
    return replace(plain, offer=Roomier(space, changed[0], shifts))
