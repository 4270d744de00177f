"""The sampled engine: free dimensions of the boxes by Optuna, everything inside a box by the exact engine.

A trial is a box. The exact engine gives its whole front, held against all packs found before, so that a box
that can't improve is given up early; what it adds joins the archive. Optuna is told a few packs of that front
which span the most hypervolume; a box that adds nothing is told as pruned. Limits of the vehicle, and
constraints that no pack of a box meets, are Optuna's constraints. The first boxes are a coarse grid; when the
sampler proposes boxes already known, a neighbour of a box on the front comes in their place.

The study is the checkpoint: each trial carries the packs that it added, so that a search goes on, and several
processes work on it, through one storage.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from optimizer.brief import SearchRules
from optimizer.front import hypervolume, normalise
from optimizer.search import archive
from optimizer.search.exact import Engine
from optimizer.search.freedims import Boxes, BoxSpace, Key, hopeful
from optimizer.search.space import Task
from optimizer.search.study import TOLD, Quiet, distributions, new_study, packed, unpacked
from optimizer.search.tally import Tally

if TYPE_CHECKING:
    import optuna
    from optuna.trial import Trial

    from optimizer.search.warming import Warmer

Floats = npt.NDArray[np.float64]

# Share of the trials that the coarse grid may take.
GRID_SHARE = 0.4

# Proposals of known boxes in a row, after which a neighbour of the front is tried instead.
STALE = 3

# Objectives of a box without any pack: Optuna wants numbers, its constraints rank such trials.
NO_PACK = 1e12

# Boxes outside the limits cost next to nothing: this many of them per trial end the search.
REFUSED = 20

BOX, ADDED, OUTSIDE = "box", "added", "outside"


@dataclass
class Exploration:
    """What a sampled search found.

    Parameters
    ----------
    found : Survivors
        Names end with the box, one column per free dimension.
    tally : Tally
        Of all boxes solved here.
    boxes, refused : int
        Boxes solved, and boxes outside the vehicle's limits, by all who share the study.
    fresh : int
        Boxes solved by this process.
    history : list of (int, float, float)
        Boxes, seconds and gain of each step of this process.
    """

    found: archive.Survivors
    tally: Tally = field(default_factory=Tally)
    boxes: int = 0
    fresh: int = 0
    refused: int = 0
    seconds: float = 0.0
    history: list[tuple[int, float, float]] = field(default_factory=list)
    stopped: str = ""
    interrupted: bool = False


Progress = Callable[[Exploration], None]


class Explorer:
    """Explores the boxes of an open brief.

    Parameters
    ----------
    boxes : Boxes
    rules : SearchRules
    seed : int
    study : optuna.Study, optional
        Shared with other processes, or left by an earlier search; one in memory when left out.
    warmer : Warmer, optional
        Works out geometry ahead.
    """

    def __init__(
        self, boxes: Boxes, *, rules: SearchRules, seed: int, study: optuna.Study | None = None,
        warmer: Warmer | None = None,
    ) -> None:  # fmt: skip
        self.boxes, self.rules, self.seed, self.warmer = boxes, rules, seed, warmer
        self.objectives = tuple(boxes.inputs.brief.objectives.use)
        self.study = study if study is not None else new_study(len(self.objectives), rules=rules, seed=seed)
        self.state = Exploration(self._nothing())
        self._read: set[int] = set()
        self._known: set[Key] = set()
        self._outside: set[Key] = set()
        self._idle = 0

    def _nothing(self) -> archive.Survivors:
        rooms = len(self.boxes.inputs.brief.compartment)
        none = archive.nothing(rooms=rooms, objectives=len(self.objectives))
        wide = np.zeros((0, none.names.shape[1] + len(self.boxes.free)), dtype=np.int64)
        return archive.Survivors(wide, none.numbers, none.objectives)

    def run(self, *, until: float | None = None, progress: Progress | None = None) -> Exploration:
        """Try boxes until enough were tried, none gains any more, none is left, or the time is over.

        Parameters
        ----------
        until : float, optional
            By time.monotonic() [s]; a box in work is finished first.
        progress : callable, optional
            Called after each box.

        Returns
        -------
        Exploration
            Valid too when the user interrupted.
        """
        start = time.monotonic()
        try:
            self._sync()
            self._enqueue_grid()
            while not self._finished(until):
                self._step()
                self.state.seconds = time.monotonic() - start
                if progress is not None:
                    progress(self.state)
        except KeyboardInterrupt:
            self.state.interrupted, self.state.stopped = True, "interrupted"
        self.state.seconds = time.monotonic() - start
        return self.state

    def _finished(self, until: float | None) -> bool:
        state, rules = self.state, self.rules
        if len(self._known) >= self.boxes.count:
            state.stopped = "every box tried"
        elif state.boxes >= rules.trials or state.refused >= REFUSED * rules.trials:
            state.stopped = "trials"
        elif rules.patience and self._idle >= rules.patience:
            state.stopped = "no gain"
        elif until is not None and time.monotonic() >= until:
            state.stopped = "time"
        else:
            return False
        return True

    def _enqueue_grid(self) -> None:
        """The coarse grid first, unless the study has trials already."""
        if self.study.get_trials(deepcopy=False):
            return
        most = max(1, round(GRID_SHARE * self.rules.trials))
        for key in self.boxes.grid(self.rules.grid, most=most, seed=self.seed):
            self.study.enqueue_trial(self.boxes.values_mm(key))

    def _step(self) -> None:
        """One box that was not known before."""
        for attempt in range(STALE + 1):
            if attempt == STALE:
                self.study.enqueue_trial(self.boxes.values_mm(self._neighbour()))
            with Quiet():
                trial = self.study.ask(distributions(self.boxes))
            key = self.boxes.key_of(trial.params)
            trial.set_user_attr(BOX, list(key))
            self._sync()
            if key not in self._known:
                break
            self._prune(trial)
        else:
            return
        gain = self._tried(trial, key)
        if key not in self._outside:
            self._idle = 0 if gain >= self.rules.gain else self._idle + 1
        self._count()
        self.state.history.append((self.state.boxes, self.state.seconds, gain))

    def _count(self) -> None:
        self.state.refused = len(self._outside)
        self.state.boxes = len(self._known) - len(self._outside)

    def _prune(self, trial: Trial) -> None:
        from optuna.trial import TrialState

        self.study.tell(trial, state=TrialState.PRUNED)
        self._read.add(trial.number)

    def _tried(self, trial: Trial, key: Key) -> float:
        """Solve a box, tell the study, take what it adds; the gain as a share of the front's spread."""
        self._known.add(key)
        room = self.boxes.shortfalls(key)
        added, tally = self._nothing(), Tally()
        if any(room.values()):
            self._outside.add(key)
            trial.set_user_attr(OUTSIDE, True)
        else:
            added, tally = solve(self.boxes, key, known=self.state.found.objectives, warmer=self.warmer)
            self.state.tally.add(tally)
            self.state.fresh += 1
        worst = {f"limit {name}": gap for name, gap in room.items()}
        worst |= pack_shortfalls(tally, self.boxes, empty=not len(added) and not any(room.values()))
        for name, gap in worst.items():
            trial.set_constraint(name, gap)
        gain = gained(added.objectives, before=self.state.found.objectives)
        self._tell(trial, added, feasible=not any(worst.values()))
        self.state.found = archive.merge([self.state.found, added])
        return gain

    def _tell(self, trial: Trial, added: archive.Survivors, *, feasible: bool) -> None:
        """A few packs of the box, each as a trial of its own; pruned when it adds none."""
        from optuna.trial import TrialState, create_trial

        if not feasible:
            self.study.tell(trial, [NO_PACK] * len(self.objectives))
        elif not len(added):
            self._prune(trial)
        else:
            trial.set_user_attr(ADDED, packed(added))
            told = added.objectives[representatives(added.objectives, count=TOLD)]
            frozen = self.study.tell(trial, told[0].tolist())
            for values in told[1:].tolist():
                twin = create_trial(
                    state=TrialState.COMPLETE, params=frozen.params, distributions=frozen.distributions,
                    values=values, user_attrs={BOX: frozen.user_attrs[BOX]}, system_attrs=frozen.system_attrs,
                )  # fmt: skip
                self.study.add_trial(twin)
        self._read.add(trial.number)

    def _sync(self) -> None:
        """Take in what other processes, or an earlier search, found."""
        from optuna.trial import TrialState

        parts = [self.state.found]
        for trial in self.study.get_trials(deepcopy=False, states=(TrialState.COMPLETE, TrialState.PRUNED)):
            if trial.number in self._read:
                continue
            self._read.add(trial.number)
            if BOX in trial.user_attrs:
                self._known.add(tuple(trial.user_attrs[BOX]))
            if OUTSIDE in trial.user_attrs:
                self._outside.add(tuple(trial.user_attrs[BOX]))
            if ADDED in trial.user_attrs:
                parts.append(unpacked(trial.user_attrs[ADDED]))
        if len(parts) > 1:
            self.state.found = archive.merge(parts)
        self._count()

    def _neighbour(self) -> Key:
        """An unknown box near one on the front, nearer ones more often; any unknown one when none is found."""
        rng = np.random.default_rng([self.seed, 2, len(self._known), len(self._read)])
        points = np.array([item.points for item in self.boxes.free])
        names = self.state.found.names
        good = np.unique(names[:, -len(points) :], axis=0) if len(names) else np.zeros((0, len(points)), np.int64)
        for attempt in range(2000):
            if len(good) and attempt < 1000:
                # Steps from one point of the grid up to a tenth of the range, spread over the scales.
                reach = np.maximum(1.0, points * 0.1) ** rng.random(len(points))
                step = np.rint(rng.standard_normal(len(points)) * reach).astype(np.int64)
                key = np.clip(good[rng.integers(len(good))] + step, 0, points - 1)
            else:
                key = rng.integers(points)
            if tuple(key.tolist()) not in self._known:
                return tuple(key.tolist())
        return next(key for key in np.ndindex(*points.tolist()) if key not in self._known)


def solve(
    boxes: Boxes, key: Key, *, known: Floats, complete: bool = False, warmer: Warmer | None = None
) -> tuple[archive.Survivors, Tally]:
    """Packs of one box that no pack known before beats.

    Parameters
    ----------
    boxes : Boxes
    key : tuple of int
    known : ndarray, shape (m, d)
        Objectives, less is better.
    complete : bool
        Try every cell, whatever the bounds say: for tests of the bounds.
    warmer : Warmer, optional

    Returns
    -------
    Survivors, Tally
        Names end with the box.
    """
    space = boxes.space(key, against=None if complete or not len(known) else known)
    if warmer is not None:
        warmer.layouts(space, key)
    engine = Engine(space, known=known)
    tally = Tally()
    parts = [archive.nothing(rooms=len(space.rooms), objectives=known.shape[1])]
    tasks = space.tasks()
    if not complete and len(known):
        tasks = [task for task in tasks if _worth(space, task, known)]
    if warmer is not None:
        warmer.fills(key, tasks)
    for task in tasks:
        # What the tasks before have found may have beaten this one.
        if complete or not len(engine.known) or _worth(space, task, engine.known):
            found, each = engine.run(task)
            parts.append(found)
            tally.add(each)
    found = archive.merge(parts)
    box = np.tile(np.array(key, dtype=np.int64), (len(found), 1))
    return archive.Survivors(np.hstack([found.names, box]), found.numbers, found.objectives), tally


def _worth(space: BoxSpace, task: Task, known: Floats) -> bool:
    return hopeful(space, task, held=space.most_cells(task.size), against=known)


def pack_shortfalls(tally: Tally, boxes: Boxes, *, empty: bool) -> dict[str, float]:
    """How far the best pack of a box without feasible packs stays behind each constraint, relative.

    Parameters
    ----------
    tally : Tally
    boxes : Boxes
    empty : bool
        Whether the box was solved and nothing came of it.

    Returns
    -------
    dict of str to float
        0 for a constraint that some pack meets, or when the box holds packs.
    """
    out: dict[str, float] = {}
    for name, bound in boxes.inputs.brief.constraints:
        if bound is None:
            continue
        gap = tally.nearest.get(f"margin_{name}", tally.nearest.get(name, 0.0))
        out[name] = max(-gap, 0.0) / max(abs(bound), 1e-9) if empty and math.isfinite(gap) else 0.0
    return out


def gained(points: Floats, *, before: Floats) -> float:
    """How far the best of some points is ahead of all found before, as a share of the front's spread.

    max over points p of min over rows a of max over objectives (a − p) / spread

    Parameters
    ----------
    points : ndarray, shape (n, d)
    before : ndarray, shape (m, d)
        Less is better in both.

    Returns
    -------
    float
        1 when nothing was found before and something is now, 0 without points.

    Notes
    -----
    Source: the additive epsilon indicator of Zitzler et al., IEEE Trans. Evol. Comput. 7 (2003) 117.
    """
    if not len(points) or not len(before):
        return float(len(points) > 0)
    whole = np.concatenate([points, before])
    spread = np.ptp(whole, axis=0)
    scale = np.where(spread > 0, spread, 1.0)
    some = points[:: max(1, len(points) // 400)] / scale
    ahead = [float(np.min(np.max(before / scale - point, axis=1))) for point in some]
    return max(0.0, *ahead)


def representatives(points: Floats, *, count: int) -> list[int]:
    """Few rows that together span most hypervolume, found one after another.

    Parameters
    ----------
    points : ndarray, shape (n, d)
        At least one row, less is better.
    count : int
        How many at most.

    Returns
    -------
    list of int
    """
    some = np.arange(0, len(points), max(1, len(points) // 300))
    scaled = normalise(points)[some]
    reference = np.full(points.shape[1], 1.1)
    picked: list[int] = []
    while len(picked) < min(count, len(some)):
        volumes = [hypervolume(scaled[[*picked, k]], reference=reference) for k in range(len(some))]
        best = int(np.argmax(volumes))
        if best in picked:
            break
        picked.append(best)
    return [int(some[k]) for k in picked]
