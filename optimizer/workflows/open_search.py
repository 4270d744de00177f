"""A whole run over boxes: read, explore, re-score, write; goes on from the trials of its study."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from optimizer.base.problems import Stopped, machine_fault
from optimizer.brief import OpenBrief, SearchRules
from optimizer.design.runs import read_run
from optimizer.front import store
from optimizer.search.boxes.freedims import Boxes, open_boxes
from optimizer.search.boxes.openfront import front_of
from optimizer.search.boxes.sampled import Exploration, Explorer
from optimizer.search.boxes.study import new_study
from optimizer.search.running.checkpoint import FOLDER, Checkpoints, run_key
from optimizer.search.running.lock import locked
from optimizer.search.running.record import run_record
from optimizer.search.running.run import Outcome, fault
from optimizer.search.running.storage import FILE, losses
from optimizer.workflows.how import How, Report, Result, best_text, duration, from_folder, units

if TYPE_CHECKING:
    import optuna


# Trials of a search that only the want of gain ends.
MOST_TRIALS = 1_000_000


def run_open_job(brief: OpenBrief, *, folder: Path, how: How, report: Report | None = None) -> Result:
    """Search the boxes of an open brief and write front.parquet, front.csv and run.json into a folder.

    Parameters
    ----------
    brief : OpenBrief
        With at least one free dimension.
    how : How
        The front is the same for any number of workers.

    Raises
    ------
    BadInput
        As job.run_job.
    Stopped
        When the disk or the storage failed half-way.
    """
    until = time.monotonic() + how.budget_s if how.budget_s is not None else None
    boxes = open_boxes(brief)
    ends = ending(boxes.inputs.brief.search, how)
    checkpoints = Checkpoints(folder, run_key(boxes.inputs), boxes.inputs.hashes())
    if how.resume:
        checkpoints.check()
    else:
        store.check_free(folder, force=how.force)
    stopped = ""
    with locked(folder):
        store.sweep(folder)
        if not how.resume:
            checkpoints.begin()
        if report is not None:
            report.say(estimate(boxes, ends=ends))
        with how.workers_for(boxes) as workers:
            study, seed = _study(boxes, how, folder, checkpoints.key)
            rules = boxes.inputs.brief.search
            explorer = Explorer(boxes, rules=rules, seed=seed, study=study, workers=workers, ends=ends)
            watch = OpenWatch(boxes, folder, checkpoints.key, how, report)
            try:
                with losses(how.storage or str(folder / FOLDER / FILE)):
                    state = explorer.run(until=until, progress=watch)
            except (Stopped, MemoryError) as lost:
                state, stopped = explorer.state, fault(lost)
        try:
            front, run = write_exploration(boxes, state, folder, checkpoints.key, ends=ends)
        except OSError as wrong:
            text = f"{stopped or machine_fault(wrong)}. The front was not written."
            raise Stopped(f"{text} The boxes tried are kept; --resume goes on from there.") from wrong
    if stopped:
        raise Stopped(f"{stopped}. {state.boxes} boxes were tried; their front is in {folder}, --resume goes on.")
    if how.page and len(front):
        from optimizer.workflows.report import report as write_page

        write_page(read_run(folder))
    use = tuple(boxes.inputs.brief.objectives.use)
    return Result(folder, front, run, state.interrupted, use, boxes.inputs.brief.currency)


def _study(boxes: Boxes, how: How, folder: Path, key: str) -> tuple[optuna.Study, int]:
    """The run's study, in a file among its checkpoints or in the storage that commands share; and the seed."""
    from optimizer.search.running.storage import open_storage

    rules, brief = boxes.inputs.brief.search, boxes.inputs.brief
    storage = open_storage(how.storage, folder=folder / FOLDER)
    name = f"cellstow boxes {key[:32]}"
    study = new_study(len(brief.objectives.use), rules=rules, seed=brief.seed, storage=storage, name=name)
    # Whoever joins others draws otherwise than they do; whoever goes on alone draws what he would have drawn.
    return study, brief.seed + (len(study.get_trials(deepcopy=False)) if how.storage else 0)


def ending(rules: SearchRules, how: How) -> SearchRules:
    """The brief's rules with those limits in place that were asked for on the command line.

    "No gain" lifts the limit on trials, and sets the patience where the brief has none.
    """
    changed: dict[str, int] = {}
    if how.no_gain:
        changed = {"trials": MOST_TRIALS, "patience": rules.patience or SearchRules().patience}
    if how.trials is not None:
        changed["trials"] = how.trials
    return rules.model_copy(update=changed)


def estimate(boxes: Boxes, *, ends: SearchRules | None = None) -> str:
    """What lies ahead, in one line, before the search starts; `ends` as for `ending`."""
    rules = ends or boxes.inputs.brief.search
    names = ", ".join(f"{item.name} {item.low_mm:g} to {item.high_mm:g}" for item in boxes.free)
    idle = f", or {rules.patience} in a row without gain" if rules.patience else ""
    most = min(rules.trials, boxes.count)
    return f"free: {names}; {boxes.count:,} boxes, of which at most {most:,} are tried{idle} ({rules.sampler})"


class OpenWatch:
    """Tells how far the search is, and writes the front now and then; arguments as for job.Watch."""

    # Part of the time that writing the front may take while the search goes on.
    SHARE = 0.05

    def __init__(self, boxes: Boxes, folder: Path, key: str, how: How, report: Report | None) -> None:
        self._boxes, self._folder, self._key, self._how, self._report = boxes, folder, key, how, report
        self._ends = ending(boxes.inputs.brief.search, how)
        self._next = time.monotonic() + how.refresh_s

    def __call__(self, state: Exploration) -> None:
        """Take note that a box has been tried."""
        now = time.monotonic()
        if self._report is not None:
            self._report.step(self.text(state))
        if now >= self._next and len(state.found):
            write_exploration(self._boxes, state, self._folder, self._key, ends=self._ends)
            if self._how.page:
                from optimizer.workflows.report import page_so_far

                page_so_far(self._folder, self.text(state), every_s=self._how.refresh_s)
            took = time.monotonic() - now
            self._next = time.monotonic() + max(self._how.refresh_s, took / self.SHARE)

    def text(self, state: Exploration) -> str:
        """How far the search is, the time left, and the best by each objective, in one line."""
        trials = min(self._ends.trials, self._boxes.count)
        left = state.seconds / max(state.fresh, 1) * max(trials - state.boxes, 0)
        if self._how.budget_s is not None:
            left = min(left, max(self._how.budget_s - state.seconds, 0.0))
        space = self._boxes.space(tuple(0 for _ in self._boxes.free))
        share = f"{min(100 * state.boxes // trials, 100):3d} % of the trials, at most {duration(left)} left"
        return ", ".join([share, f"{len(state.found)} packs on the front", *best_text(space, state.found)])


def write_exploration(
    boxes: Boxes, state: Exploration, folder: Path, key: str, *, ends: SearchRules | None = None
) -> tuple[pd.DataFrame, dict[str, Any]]:
    """Re-score what was found and write it: the front, and the content of run.json; `ends` as for `ending`."""
    front = front_of(state.found, boxes=boxes)
    space = boxes.space(tuple(0 for _ in boxes.free))
    tried = state.boxes + state.refused
    outcome = Outcome([state.found], state.tally, tasks=boxes.count, done=tried, seconds=state.seconds)
    rules = ends or boxes.inputs.brief.search
    run = run_record(space, outcome, front) | {
        "brief_file": from_folder(boxes.brief.path, folder),
        "key": key,
        "free": [
            {"name": x.name, "column": x.column, "min_mm": x.low_mm, "max_mm": x.high_mm, "step_mm": x.step_mm}
            for x in boxes.free
        ],
        "sampled": {
            "sampler": rules.sampler, "trials": rules.trials, "grid": rules.grid, "patience": rules.patience,
            "gain": rules.gain, "boxes": boxes.count, "tried": state.boxes, "outside_limits": state.refused,
            "stopped": state.stopped or "still at work",
        },
    }  # fmt: skip
    for item in boxes.free:
        item_brief: Any = run["brief"]
        for part in item.loc[:-1]:
            item_brief = item_brief[part]
        item_brief[item.loc[-1]] = {"min": item.low_mm, "max": item.high_mm, "step": item.step_mm, "name": item.name}
    if len(front):
        table = units(space) | {item.column: "mm" for item in boxes.free}
        store.write_run(folder, front=front, units=table, run=run)
    else:
        store.write_empty(folder, run)
    return front, run
