"""A whole run: read, estimate, search, re-score, write."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd

from optimizer.analysis import widening
from optimizer.base.problems import BadInput, Problem, Stopped
from optimizer.base.workers import Workers
from optimizer.brief import open_brief
from optimizer.design.runs import read_run
from optimizer.front import store
from optimizer.score.inputs import read_inputs, search_warnings
from optimizer.search.exact import archive, rows
from optimizer.search.exact.hope import promising
from optimizer.search.running.asked import StopRequest
from optimizer.search.running.checkpoint import Checkpoints, run_key
from optimizer.search.running.kernels import to_compile
from optimizer.search.running.lock import locked
from optimizer.search.running.record import run_record
from optimizer.search.running.run import Outcome, fault, search
from optimizer.search.space import ways
from optimizer.search.space.layingout import lay_out
from optimizer.search.space.setup import make_space
from optimizer.search.space.space import Space
from optimizer.workflows.how import How, Report, Result, best_text, duration, from_folder, units
from optimizer.workflows.open_search import run_open_job

# What a task takes in a compartment on one core with an empty cache [s]: 0.9 to 3.7 in the briefs of catalogs.
TASK_S = 2.0


def run_job(brief: Path, *, folder: Path, how: How | None = None, report: Report | None = None) -> Result:
    """Search a brief and write front.parquet, front.csv and run.json into a folder.

    Raises
    ------
    BadInput
        With every problem of brief and catalogs; or when a task has too many ways to share its groups out; or
        when the folder holds a run already, is in use, or holds no run that could be gone on with; or when the
        storage can't be reached. Nothing is lost.
    Stopped
        When the disk or the storage failed half-way; the tasks that were done are kept.
    """
    until = time.monotonic() + how.budget_s if how is not None and how.budget_s is not None else None
    how = how or How()
    read = open_brief(brief)
    if read.free:
        return run_open_job(read, folder=folder, how=how, report=report)
    _check_options(how, brief)
    inputs = read_inputs(read.fixed({}))
    checkpoints = Checkpoints(folder, run_key(inputs), inputs.hashes())
    if how.resume:
        checkpoints.check()
    else:
        store.check_free(folder, force=how.force)
    with locked(folder):
        store.sweep(folder)
        known = checkpoints.load() if how.resume else {}
        # Workers start and import while the space is made.
        with how.workers_for(None, needs=search.__module__) as workers:
            space = promising(make_space(inputs))
            workers.share(space)
            first = to_compile(space, workers, report=report)
            lay_out(space, workers=workers, report=report, until=until, first=first)
            ways.check(space, report=report, until=until)
            if report is not None:
                for text in search_warnings(inputs):
                    report.say(f"Warning: {text}.")
                report.say(estimate(space, workers=how.processes))
            if not how.resume:
                checkpoints.begin()
            watch = Watch(space, folder, checkpoints.key, how, report)
            outcome = search(
                space, workers=workers, progress=watch, until=until, checkpoints=checkpoints, known=known,
                say=watch.before,
            )  # fmt: skip
            front, run = write_last(space, outcome, folder, checkpoints.key, workers=workers, report=report)
        if outcome.complete:
            checkpoints.clear()
    if how.page and len(front):
        from optimizer.workflows.report import report as write_page

        write_page(read_run(folder))
    return Result(
        folder, front, run, outcome.interrupted, tuple(space.brief.objectives.use), space.brief.currency
    )


def _check_options(how: How, brief: Path) -> None:
    """A brief without ranges has no boxes to try, and no study of them that a storage could hold."""
    asked = [("--budget", f"{how.trials} trials")] if how.trials is not None else []
    asked += [("--budget", "no gain")] if how.no_gain else []
    expected = f"does not apply: {brief} has no ranges, so that its whole space is searched; give a time, such as 8h"
    problems = [
        Problem("budget-without-ranges", "command line", field=field, found=text, expected=expected)
        for field, text in asked
    ]
    if how.storage:
        expected = f"does not apply: {brief} has no ranges; several machines share its search by --cluster"
        problems.append(Problem("storage-without-ranges", "command line", field="--storage", expected=expected))
    if problems:
        raise BadInput(problems)


def write_outcome(
    space: Space, outcome: Outcome, folder: Path, key: str, *, most: int | None = None,
    workers: Workers | None = None, stop: Callable[[], bool] = lambda: False,
    say: Callable[[str], None] = lambda text: None,
) -> tuple[pd.DataFrame, dict[str, Any]]:  # fmt: skip
    """Re-score what was found and write it: the front, and the content of run.json.

    `key` is that of checkpoint.run_key; no more rows than `most` are written, spread over the front; workers and stop
    as for rows.rescored; `say` is told what is looked at where no pack was found.
    """
    some = archive.some(outcome.found, most=most)
    told: dict[str, Any] = {}
    if outcome.complete and not len(some):
        told = widening.account(space, seconds=outcome.seconds, report=say)
    found, figures = rows.rescored(some, space=space, workers=workers, stop=stop)
    # A front whose rows were not all stepped is not whole.
    outcome.interrupted = outcome.interrupted or stop()
    front = rows.table(found, figures, space=space)
    brief_file = from_folder(space.brief.path, folder)
    run = run_record(space, outcome, front) | {"brief_file": brief_file, "key": key} | told
    if len(front):
        store.write_run(folder, front=front, units=units(space), run=run)
    else:
        store.write_empty(folder, run)
    return front, run


def write_last(
    space: Space, outcome: Outcome, folder: Path, key: str, *, workers: Workers, report: Report | None = None
) -> tuple[pd.DataFrame, dict[str, Any]]:
    """As `write_outcome`, at the end; an interrupt leaves the rows stepped so far.

    Raises
    ------
    Stopped
        When the machine stopped the search, or the front can't be written.
    """
    kept = f"{outcome.done} of {outcome.tasks} tasks are done and kept in {folder}; --resume goes on from there"
    cut, asked = outcome.interrupted or bool(outcome.stopped), StopRequest()
    try:
        with asked:
            front, run = write_outcome(
                space, outcome, folder, key, most=Watch.ROWS if cut else None,
                workers=None if outcome.stopped else workers, stop=lambda: asked.wanted and not cut,
                say=(lambda text: None) if report is None else report.step,
            )  # fmt: skip
    except (OSError, MemoryError, Stopped) as wrong:
        raise Stopped(f"{outcome.stopped or fault(wrong)}. The front was not written. {kept}.") from wrong
    if outcome.stopped:
        raise Stopped(f"{outcome.stopped}. {kept}.")
    return front, run


class Watch:
    """Tells how far a search is, and writes the front now and then.

    Parameters
    ----------
    key : str
        See checkpoint.run_key.
    report : Report or None
    """

    # Part of the time that writing the front may take while the search goes on.
    SHARE = 0.05

    # How often progress is told [s].
    EVERY_S = 0.2

    # Rows written while the search goes on: stepping through the ride takes its time for each.
    ROWS = 2000

    def __init__(self, space: Space, folder: Path, key: str, how: How, report: Report | None) -> None:
        self._space, self._folder, self._key, self._how, self._report = space, folder, key, how, report
        self._start = self._from = time.monotonic()
        self._next, self._told = self._start + how.refresh_s, self._start

    def before(self, text: str) -> None:
        """Tell of work that comes before the slices."""
        now = time.monotonic()
        if self._report is not None and now >= self._told:
            self._report.step(text)
            self._told = now + self.EVERY_S

    def __call__(self, outcome: Outcome) -> None:
        """Take note that the tasks begin, or that one has ended."""
        now = time.monotonic()
        if outcome.done == outcome.resumed:
            self._from = now
            return
        if self._report is not None and (now >= self._told or outcome.complete):
            self._report.step(self.text(outcome, spent_s=now - self._start))
            # Merging what was found takes its time.
            self._told = now + max(self.EVERY_S, (time.monotonic() - now) / self.SHARE)
        if now >= self._next and not outcome.complete and len(outcome.found):
            outcome.seconds = now - self._start
            write_outcome(self._space, outcome, self._folder, self._key, most=self.ROWS)
            if self._how.page:
                from optimizer.workflows.report import page_so_far

                page_so_far(self._folder, self.text(outcome, spent_s=now - self._start), every_s=self._how.refresh_s)
            took = time.monotonic() - now
            self._next = time.monotonic() + max(self._how.refresh_s, took / self.SHARE)

    def text(self, outcome: Outcome, *, spent_s: float) -> str:
        """How far the search is, the time left, and the best by each objective, in one line."""
        fresh = outcome.done - outcome.resumed
        left = (time.monotonic() - self._from) / max(fresh, 1) * (outcome.tasks - outcome.done)
        if self._how.budget_s is not None:
            left = min(left, max(self._how.budget_s - spent_s, 0.0))
        share = f"{100 * outcome.done // outcome.tasks:3d} % searched, {duration(left)} left"
        # Figures stand last, as a narrow window cuts the end.
        return ", ".join([share, f"{len(outcome.found)} packs on the front", *best_text(self._space, outcome.found)])


def estimate(space: Space, *, workers: int = 1) -> str:
    """What lies ahead before the search starts: how many candidates at least, and about how long.

    Splits are not counted yet: that would be half the work. The time is what a task of the demo briefs takes
    with nothing cached, so an order of magnitude; the progress line knows better once a few tasks are done.
    """
    tasks = space.tasks()
    low, high = space.window
    members = [((space.size_of == task.size) & (low <= high)).nonzero()[0] for task in tasks]
    cells = len({int(k) for each in members for k in each})
    packs = sum(int((high[each] - low[each] + 1).sum()) for each in members)
    inputs = space.inputs
    parts = len(space.builds) * len(inputs.wire_rows) * len(inputs.bms_rows) * len(inputs.fuse_rows)
    seconds = max(len(tasks) * len(space.rooms) * TASK_S / workers, 1.0)
    return (
        f"{cells} of {len(inputs.cell_rows)} cells allow a pack; {packs:,} packs of cell, S and P in {len(tasks)}"
        f" tasks; {parts:,} builds of strip, wire, BMS and fuse for each way to share its groups out: at least"
        f" {packs * parts:,} candidates, about {seconds:.0f} s where nothing is cached"
    )
