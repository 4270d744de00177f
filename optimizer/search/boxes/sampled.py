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
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from optimizer.brief import SearchRules
from optimizer.front.pareto import normalise
from optimizer.search.boxes.freedims import Boxes, Key
from optimizer.search.boxes.gain import gained, representatives
from optimizer.search.boxes.inside import pack_shortfalls, solve
from optimizer.search.boxes.study import TOLD, Quiet, distributions, new_sampler, new_study, packed, unpacked
from optimizer.search.exact import archive
from optimizer.search.exact.tally import Tally
from optimizer.search.running.asked import Asked
from optimizer.search.running.workers import Job, Workers

if TYPE_CHECKING:
    import optuna
    from optuna.trial import Trial

Floats = npt.NDArray[np.float64]

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

BOX, ADDED, OUTSIDE, GAIN, TALLY = "box", "added", "outside", "gain", "tally"


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
    boxes : Boxes
    rules : SearchRules
    seed : int
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
        self._limits: dict[Key, dict[str, float]] = {}
        self._idle = 0
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
        asked = Asked()
        try:
            with asked:
                self._sync()
                while not asked.wanted and not self._finished(until):
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

    def _finished(self, until: float | None) -> bool:
        state, rules = self.state, self.ends
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

    def _batch(self, stop: Callable[[], bool]) -> Iterator[None]:
        """Ask for a batch of boxes that were not known before, have them solved, and tell of them one by one."""
        self._sync()
        trials: dict[Key, Trial] = {}
        most = min(BATCH - self.state.boxes % BATCH, self.ends.trials - self.state.boxes)
        while len(trials) < most and len(self._known) + len(trials) < self.boxes.count and self._ask(trials):
            pass
        known = self.state.found.objectives
        jobs = deque(
            Job(key, f"The box {self.boxes.values_mm(key)}", _solve, (key, known))
            for key in trials
            if not any(self.boxes.shortfalls(key).values())
        )
        asked = {job.key for job in jobs}
        done: dict[Key, tuple[archive.Survivors, Tally]] = {}
        try:
            done.update((job.key, result) for job, result in self.workers.run(jobs, stop=stop))
        finally:
            for key, trial in trials.items():
                if key in asked and key not in done:
                    self._give_up(trial)
        for key, trial in trials.items():
            if key in done or key not in asked:
                gain = self._tried(trial, key, done.get(key))
                self._count()
                self.state.history.append((self.state.boxes, self.state.seconds, gain))
                yield

    def _ask(self, trials: dict[Key, Trial]) -> bool:
        """Add a box to a batch; False when only known ones were proposed."""
        near = len(self.state.found) > 0 and (self.state.boxes + len(trials)) % NEAR == NEAR - 1
        for attempt in range(STALE + 1):
            wanted = self._waiting()
            if wanted is None and (near or attempt == STALE):
                wanted = self._neighbour()
            trial = self._asked(wanted, len(trials))
            key = self.boxes.key_of(trial.params)
            trial.set_user_attr(BOX, list(key))
            if key not in self._known and key not in trials:
                trials[key] = trial
                return True
            self._limit(trial, self._limits.get(key, {}))
            self._prune(trial)
            self._sync()
        return False

    def _give_up(self, trial: Trial) -> None:
        """Leave a box that was not solved to others, and to a later run."""
        from optuna.trial import TrialState

        self.study.tell(trial, state=TrialState.FAIL)

    def _asked(self, wanted: Key | None, place: int) -> Trial:
        """A trial of the box wanted, or of one that the sampler proposes.

        What the sampler draws follows from the seed, the trials that have ended and the place in the batch.
        """
        from optuna.trial import TrialState

        if wanted is not None:
            self.study.enqueue_trial(self.boxes.values_mm(wanted))
        ended = len(self.study.get_trials(deepcopy=False, states=(TrialState.COMPLETE, TrialState.PRUNED)))
        seed = int(np.random.default_rng([self.seed, ended, place]).integers(2**31))
        self.study.sampler = new_sampler(self.rules, seed=seed)
        with Quiet():
            return self.study.ask(distributions(self.boxes))

    def _waiting(self) -> Key | None:
        """The next box of the coarse grid that nobody has tried or has in work."""
        busy = self._known | self._in_work()
        return next((key for key in self._grid if key not in busy), None)

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
        self._limits[key] = worst
        self._limit(trial, worst)
        gain = gained(added.objectives, before=self.state.found.objectives)
        if not any(room.values()):
            trial.set_user_attr(TALLY, tally.as_dict())
            trial.set_user_attr(GAIN, gain)
            self._weigh(gain)
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
                key = tuple(trial.user_attrs[BOX])
                self._known.add(key)
                self._limits.setdefault(key, dict(trial.constraints))
            if OUTSIDE in trial.user_attrs:
                self._outside.add(tuple(trial.user_attrs[BOX]))
            if GAIN in trial.user_attrs:
                self._weigh(float(trial.user_attrs[GAIN]))
                self.state.tally.add(Tally.from_dict(trial.user_attrs[TALLY]))
            if ADDED in trial.user_attrs:
                parts.append(unpacked(trial.user_attrs[ADDED]))
        if len(parts) > 1:
            self.state.found = archive.merge(parts)
        self._count()

    def _neighbour(self) -> Key:
        """An unknown box near one on the front, nearer ones more often; any unknown one when none is found.

        The pack that is best by a random weighing of the objectives says which box, and one dimension or a few
        are changed by up to a fifth of their range.

        Notes
        -----
        Source of the weighing: Knowles, IEEE Trans. Evol. Comput. 10 (2006) 50 (augmented Chebyshev).
        """
        rng, busy = np.random.default_rng([self.seed, 2, len(self._known)]), self._known | self._in_work()
        points = np.array([item.points for item in self.boxes.free])
        found = self.state.found
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
        return next(key for busy in (busy, self._known) for key in every if key not in busy)
