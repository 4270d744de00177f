"""The sampled engine: free dimensions of the boxes by Optuna, everything inside a box by the exact engine.

A trial is a box. The exact engine gives its whole front, held against all packs found before, so that a box
that can't improve is given up early; what it adds joins the archive. Optuna is told a few packs of that front
which span the most hypervolume; a box that adds nothing is told as pruned. Limits of the vehicle, and
constraints that no pack of a box meets, are Optuna's constraints. The first boxes are a coarse grid; when the
sampler proposes boxes already known, a neighbour of a box on the front comes in their place.

The study is the checkpoint: each trial carries the packs that it added, so that a search goes on, and several
commands work on it, through one storage. Boxes are asked for in batches of one size, whose boxes know nothing of each
other, and told in the order in which they were asked for: the search is the same for any number of workers.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.base.pool import Job
from optimizer.base.workers import Workers
from optimizer.brief import SearchRules
from optimizer.front.pareto import normalise
from optimizer.search.boxes.freedims import Boxes, Key
from optimizer.search.boxes.gain import gained, representatives
from optimizer.search.boxes.inside import pack_shortfalls, solve
from optimizer.search.boxes.study import TOLD, Quiet, distributions, new_sampler, new_study, packed, unpacked
from optimizer.search.exact import archive
from optimizer.search.exact.tally import Tally
from optimizer.search.running.asked import StopRequest

if TYPE_CHECKING:
    import optuna
    from optuna.trial import Trial


# Share of the trials that the coarse grid may take.
GRID_SHARE = 0.4

# Proposals of known boxes in a row, after which a neighbour of the front is tried instead.
STALE = 3

# Boxes that are asked for at once, whatever the number of workers.
BATCH = 8

# Every so many boxes a neighbour of the front is tried whatever the sampler proposes; how far off it is at most
# (one standard deviation), as a share of each range.
NEAR, NEAR_REACH = 2, 0.2

# Objectives of a box without any pack: Optuna wants numbers, its constraints rank such trials.
NO_PACK = 1e12

# Boxes outside the limits cost next to nothing: this many of them per trial end the search.
REFUSED = 20

BOX, PLACE, ADDED, OUTSIDE, GAIN, TALLY = "box", "place", "added", "outside", "gain", "tally"


@dataclass
class Exploration:
    """What a sampled search found.

    Parameters
    ----------
    found : Survivors
        Names end with the box, one column per free dimension.
    tally : Tally
        Of all boxes solved.
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


def _solve(boxes: Boxes, key: Key, known: Floats) -> tuple[archive.Survivors, Tally]:
    return solve(boxes, key, known=known)


def _late(until: float | None) -> bool:
    return until is not None and time.monotonic() >= until


class Explorer:
    """Explores the boxes of an open brief.

    Parameters
    ----------
    study : optuna.Study, optional
        Shared with other processes, or left by an earlier search; one in memory when left out.
    workers : Workers, optional
        That share the boxes; without, the work is done here.
    ends : SearchRules, optional
        Whose trials and patience end the search, `rules` when left out. Grid and sampler follow `rules` alone,
        so that a search which was ended early goes on as it would have.
    """

    def __init__(
        self, boxes: Boxes, *, rules: SearchRules, seed: int, study: optuna.Study | None = None,
        workers: Workers | None = None, ends: SearchRules | None = None,
    ) -> None:  # fmt: skip
        self.boxes, self.rules, self.seed = boxes, rules, seed
        self.workers = workers or Workers(boxes)
        self.ends = ends or rules
        self.objectives = tuple(boxes.inputs.brief.objectives.use)
        self.study = study if study is not None else new_study(len(self.objectives), rules=rules, seed=seed)
        self.state = Exploration(self._nothing())
        self._read: set[int] = set()
        self._known: set[Key] = set()
        self._outside: set[Key] = set()
        self._idle = 0
        self._parts: list[tuple[int, archive.Survivors]] = []
        self._before = self._nothing()
        most = max(1, round(GRID_SHARE * rules.trials))
        self._grid = boxes.grid(rules.grid, most=most, seed=boxes.inputs.brief.seed)

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
        asked = StopRequest()
        try:
            with asked:
                self._sync()
                while not asked.wanted and not self._enough():
                    if _late(until):
                        self.state.stopped = "time"
                        break
                    for _ in self._batch(lambda: asked.wanted or _late(until)):
                        self.state.seconds = time.monotonic() - start
                        if progress is not None:
                            progress(self.state)
            self.state.interrupted = asked.wanted
        except KeyboardInterrupt:
            self.state.interrupted = True
        if self.state.interrupted:
            self.state.stopped = "interrupted"
        self.state.seconds = time.monotonic() - start
        return self.state

    def _enough(self) -> bool:
        """Whether the boxes tried suffice, and why."""
        state, rules = self.state, self.ends
        if len(self._known) >= self.boxes.count:
            state.stopped = "every box tried"
        elif state.boxes >= rules.trials or state.refused >= REFUSED * rules.trials:
            state.stopped = "trials"
        elif rules.patience and self._idle >= rules.patience:
            state.stopped = "no gain"
        else:
            return False
        return True

    def _batch(self, stop: Callable[[], bool]) -> Iterator[None]:
        """Ask for a batch of boxes that were not known before, have them solved, and tell of them one by one.

        They are asked for, and held against what was found, as of the end of the batch before: a batch that was cut
        off goes on as it would have.
        """
        self._sync()
        first = len(self._known) - len(self._known) % BATCH
        self._before = archive.merge([self._nothing(), *(part for place, part in self._parts if place < first)])
        view = self._view(first)
        trials: dict[Key, Trial] = {}
        inside: list[Key] = []
        left = self.ends.trials - self.state.boxes
        while len(self._known) + len(trials) < min(first + BATCH, self.boxes.count) and len(inside) < left:
            key = self._proposed(view, trials)
            self.study.enqueue_trial(self.boxes.values_mm(key))
            with Quiet():
                trials[key] = self.study.ask(distributions(self.boxes))
            trials[key].set_user_attr(BOX, list(key))
            trials[key].set_user_attr(PLACE, len(self._known) + len(trials) - 1)
            if not any(self.boxes.shortfalls(key).values()):
                inside.append(key)
        jobs = deque(
            Job(key, f"The box {self.boxes.values_mm(key)}", _solve, (key, self._before.objectives)) for key in inside
        )
        try:
            done = {job.key: result for job, result in self.workers.run(jobs, stop=stop)}
            for key in list(trials):
                # The brief's own limits may be reached half-way through a batch.
                if self._enough() or (key in inside and key not in done):
                    return
                gain = self._tried(trials[key], key, done.get(key))
                del trials[key]
                self._count()
                self.state.history.append((self.state.boxes, self.state.seconds, gain))
                yield
        finally:
            for trial in trials.values():
                self._give_up(trial)

    def _view(self, first: int) -> optuna.Study:
        """What was told of the boxes before a batch, for the sampler to draw from."""
        view = new_study(len(self.objectives), rules=self.rules, seed=self.seed)
        told = self.study.get_trials(deepcopy=False)
        view.add_trials([t for t in told if t.state.is_finished() and t.user_attrs.get(PLACE, first) < first])
        return view

    def _proposed(self, view: optuna.Study, trials: Mapping[Key, Trial]) -> Key:
        """A box that nobody has tried or has in work: of the grid, of the sampler, or near one of the front."""
        busy, place = self._known | self._in_work() | trials.keys(), len(self._known) + len(trials)
        for key in self._grid:
            if key not in busy:
                return key
        if not len(self._before) or place % NEAR != NEAR - 1:
            for attempt in range(STALE):
                seed = int(np.random.default_rng([self.seed, place, attempt]).integers(2**31))
                view.sampler = new_sampler(self.rules, seed=seed)
                with Quiet():
                    key = self.boxes.key_of(view.ask(distributions(self.boxes)).params)
                if key not in busy:
                    return key
        return self._neighbour(busy, self._known | trials.keys(), place)

    def _give_up(self, trial: Trial) -> None:
        """Leave a box that was not solved to others, and to a later run."""
        from optuna.trial import TrialState

        self.study.tell(trial, state=TrialState.FAIL)

    def _in_work(self) -> set[Key]:
        """Boxes that others have in work; one that died leaves its box here, which others try in the end."""
        from optuna.trial import TrialState

        running = self.study.get_trials(deepcopy=False, states=(TrialState.RUNNING,))
        return {tuple(trial.user_attrs[BOX]) for trial in running if BOX in trial.user_attrs}

    def _count(self) -> None:
        self.state.refused = len(self._outside)
        self.state.boxes = len(self._known) - len(self._outside)

    def _limit(self, trial: Trial, gaps: dict[str, float]) -> None:
        for name, gap in gaps.items():
            trial.set_constraint(name, gap)

    def _prune(self, trial: Trial) -> None:
        from optuna.trial import TrialState

        self.study.tell(trial, state=TrialState.PRUNED)
        self._read.add(trial.number)

    def _tried(self, trial: Trial, key: Key, solved: tuple[archive.Survivors, Tally] | None) -> float:
        """Tell the study of a box, take what it adds; the gain as a share of the front's spread.

        A box that was not solved lies outside the limits.
        """
        self._known.add(key)
        room = self.boxes.shortfalls(key)
        added, tally = solved or (self._nothing(), Tally())
        if solved is None:
            self._outside.add(key)
            trial.set_user_attr(OUTSIDE, True)
        else:
            self.state.tally.add(tally)
            self.state.fresh += 1
        worst = {f"limit {name}": gap for name, gap in room.items()}
        worst |= pack_shortfalls(tally, self.boxes, empty=not len(added) and not any(room.values()))
        self._limit(trial, worst)
        gain = gained(added.objectives, before=self.state.found.objectives)
        if not any(room.values()):
            trial.set_user_attr(TALLY, tally.as_dict())
            trial.set_user_attr(GAIN, gain)
            self._weigh(gain)
        if len(added):
            self._parts.append((trial.user_attrs[PLACE], added))
        self._tell(trial, added, feasible=not any(worst.values()))
        self.state.found = archive.merge([self.state.found, added])
        return gain

    def _weigh(self, gain: float) -> None:
        """Count boxes in a row that gained too little."""
        self._idle = 0 if gain >= self.rules.gain else self._idle + 1

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
                    values=values, user_attrs={name: frozen.user_attrs[name] for name in (BOX, PLACE)},
                    system_attrs=frozen.system_attrs,
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
            if GAIN in trial.user_attrs:
                self._weigh(float(trial.user_attrs[GAIN]))
                self.state.tally.add(Tally.from_dict(trial.user_attrs[TALLY]))
            if ADDED in trial.user_attrs:
                parts.append(unpacked(trial.user_attrs[ADDED]))
                self._parts.append((trial.user_attrs[PLACE], parts[-1]))
        if len(parts) > 1:
            self.state.found = archive.merge(parts)
        self._count()

    def _neighbour(self, busy: set[Key], asked: set[Key], place: int) -> Key:
        """An unknown box near one on the front, nearer ones more often; any unknown one when none is found.

        The pack that is best by a random weighing of the objectives says which box, and one dimension or a few
        are changed by up to a fifth of their range.

        Notes
        -----
        Source of the weighing: Knowles, IEEE Trans. Evol. Comput. 10 (2006) 50 (augmented Chebyshev).
        """
        rng = np.random.default_rng([self.seed, 2, place])
        points = np.array([item.points for item in self.boxes.free])
        found = self._before
        scaled = normalise(found.objectives) if len(found) else found.objectives
        for attempt in range(2000):
            if len(found) and attempt < 1000:
                weighed = scaled * rng.dirichlet(np.full(scaled.shape[1], 0.2))
                best = int(np.argmin(weighed.max(axis=1) + 0.05 * weighed.sum(axis=1)))
                reach = np.maximum(1.0, points * NEAR_REACH) ** rng.random(len(points))
                moved = rng.random(len(points)) < 1.0 / len(points)
                step = np.rint(rng.standard_normal(len(points)) * reach * moved).astype(np.int64)
                key = np.clip(found.names[best, -len(points) :] + step, 0, points - 1)
            else:
                key = rng.integers(points)
            if tuple(key.tolist()) not in busy:
                return tuple(key.tolist())
        every = list(np.ndindex(*points.tolist()))
        return next(key for taken in (busy, asked) for key in every if key not in taken)
