"""One search from start to front: tasks over workers, progress, interruption, and the figures of the run."""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Generator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import dataclass, field
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import numpy.typing as npt

from optimizer.search import archive
from optimizer.search.exact import Engine, Tally
from optimizer.search.setup import load_space
from optimizer.search.space import Space, Task

Floats = npt.NDArray[np.float64]

# Called with tasks done, tasks in all, and the survivors so far.
Progress = Callable[[int, int, archive.Survivors], None]


@dataclass
class Outcome:
    """What a search found.

    Parameters
    ----------
    found : Survivors
    tally : Tally
    done, tasks : int
        Tasks worked through, and tasks in all: equal when the front is complete.
    seconds : float
    """

    found: archive.Survivors
    tally: Tally
    tasks: int
    done: int = 0
    seconds: float = 0.0
    interrupted: bool = field(default=False)

    @property
    def complete(self) -> bool:
        """Whether every task was worked through."""
        return self.done == self.tasks


def search(space: Space, *, workers: int = 1, progress: Progress | None = None) -> Outcome:
    """The front of a whole space.

    Parameters
    ----------
    space : Space
    workers : int
        Processes; the front is the same for any number.
    progress : callable, optional

    Returns
    -------
    Outcome
        Not complete when the user interrupted it; then what was found so far.
    """
    start = time.monotonic()
    tasks = space.tasks()
    nothing = archive.nothing(rooms=len(space.rooms), objectives=len(space.brief.objectives.use))
    outcome = Outcome(nothing, refused_by_voltage(space), len(tasks))
    results = _here(space, tasks) if workers <= 1 else _in_processes(space, tasks, workers, outcome)
    try:
        for found, tally in results:
            outcome.found = archive.merge([outcome.found, found])
            outcome.tally.add(tally)
            outcome.done += 1
            if progress is not None:
                progress(outcome.done, outcome.tasks, outcome.found)
    except KeyboardInterrupt:
        outcome.interrupted = True
        results.close()
    outcome.seconds = time.monotonic() - start
    return outcome


def _here(space: Space, tasks: list[Task]) -> Generator[tuple[archive.Survivors, Tally], None, None]:
    engine = Engine(space)
    for task in tasks:
        yield engine.run(task)


_ENGINE: Engine | None = None


def _start(path: Path) -> None:
    """Give a worker process its own engine."""
    global _ENGINE
    _ENGINE = Engine(load_space(path))


def _work(task: Task, known: Floats) -> tuple[archive.Survivors, Tally]:
    assert _ENGINE is not None
    # What other workers found bounds this task too; the front does not depend on it, only the time.
    _ENGINE.known = known
    return _ENGINE.run(task)


def _in_processes(
    space: Space, tasks: list[Task], workers: int, outcome: Outcome
) -> Generator[tuple[archive.Survivors, Tally], None, None]:
    """Tasks over processes, each handed the survivors known when it starts."""
    pool = ProcessPoolExecutor(
        workers, mp_context=get_context("spawn"), initializer=_start, initargs=(space.brief.path,)
    )
    waiting = list(reversed(tasks))
    running: set[Future[tuple[archive.Survivors, Tally]]] = set()
    try:
        while waiting or running:
            while waiting and len(running) < workers:
                running.add(pool.submit(_work, waiting.pop(), outcome.found.objectives))
            done, running = wait(running, return_when=FIRST_COMPLETED)
            for future in done:
                yield future.result()
    finally:
        with contextlib.suppress(Exception):
            pool.shutdown(wait=False, cancel_futures=True)


def refused_by_voltage(space: Space) -> Tally:
    """Candidates whose (cell, S) the voltage window refuses, each (cell, S, P) counted with one split."""
    low, high = space.window
    first, last = space.brief.vary.series
    allowed = (high - low + 1).clip(min=0)
    refused = int(((last - first + 1) - allowed).sum())
    parallel = space.brief.vary.parallel[1] - space.brief.vary.parallel[0] + 1
    inputs = space.inputs
    parts = len(space.builds) * len(inputs.wire_rows) * len(inputs.bms_rows) * len(inputs.fuse_rows)
    tally = Tally(raw=refused * parallel * parts)
    tally.pruned["voltage window"] = refused * parallel * parts
    return tally
