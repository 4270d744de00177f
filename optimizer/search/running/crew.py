"""Worker processes for the tasks of one search; one that dies gives its task back."""

from __future__ import annotations

import contextlib
import os
import signal
import threading
from collections.abc import Iterator
from multiprocessing import get_context, parent_process
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from pathlib import Path

import numpy as np
import numpy.typing as npt

from optimizer.base.problems import BadInput, Problem
from optimizer.search.exact.exact import Engine
from optimizer.search.space.setup import load_space
from optimizer.search.space.space import Task

Floats = npt.NDArray[np.float64]

# A task that takes this many workers down with it is the fault's cause, not its victim.
MOST_DEATHS = 3


class Crew:
    """Processes that search tasks.

    Parameters
    ----------
    brief : Path
        Each process reads it for itself.
    workers : int
        How many.
    """

    def __init__(self, brief: Path, *, workers: int) -> None:
        self._brief, self._workers = brief, workers
        self._hands: dict[Connection, tuple[BaseProcess, int]] = {}
        self._idle: list[tuple[BaseProcess, Connection]] = []
        self._deaths: dict[int, int] = {}

    @property
    def free(self) -> bool:
        """Whether one more task can be given."""
        return len(self._hands) < self._workers

    @property
    def busy(self) -> bool:
        """Whether a task is in work."""
        return bool(self._hands)

    @property
    def pids(self) -> list[int]:
        """Process ids of those at work."""
        return [process.pid or 0 for process, _ in self._hands.values()]

    def give(self, number: int, task: Task, *, known: Floats) -> None:
        """Have a task searched.

        Parameters
        ----------
        number : int
            What the result is returned under.
        task : Task
        known : ndarray, shape (m, d)
            Objectives of packs found so far.
        """
        process, line = self._idle.pop() if self._idle else self._hire()
        with contextlib.suppress(OSError):  # a worker that has just died is found by `done`
            line.send((task, known))
        self._hands[line] = process, number

    def done(self, *, timeout_s: float) -> Iterator[tuple[int, bytes | None]]:
        """Tasks that have ended: number and result as checkpoint.encode gives it; None when the worker died.

        Raises
        ------
        BadInput
            If a task can't be searched.
        RuntimeError
            If a task failed by a fault of the program, or took too many workers down.
        """
        for line in wait(list(self._hands), timeout=timeout_s):
            assert isinstance(line, Connection)
            process, number = self._hands.pop(line)
            try:
                answer = line.recv()
            except (EOFError, OSError):
                process.join()
                self._deaths[number] = self._deaths.get(number, 0) + 1
                if self._deaths[number] >= MOST_DEATHS:
                    raise RuntimeError(f"task {number} ended {MOST_DEATHS} workers; out of memory?") from None
                yield number, None
                continue
            if isinstance(answer, list):
                raise BadInput(answer)
            if isinstance(answer, str):
                raise RuntimeError(f"a worker failed:\n{answer}")
            self._idle.append((process, line))
            yield number, answer

    def close(self) -> None:
        """End all processes at once; what they had in hand is lost."""
        for process, line in [*self._idle, *((p, line) for line, (p, _) in self._hands.items())]:
            process.terminate()
            line.close()
            process.join()
        self._hands, self._idle = {}, []

    def _hire(self) -> tuple[BaseProcess, Connection]:
        context = get_context("spawn")
        ours, theirs = context.Pipe()
        process = context.Process(target=_work, args=(theirs, self._brief), daemon=True)
        process.start()
        theirs.close()
        return process, ours


def end_with_parent() -> None:
    """End this process once its parent has died: nobody waits for the task in hand, and others will want the core."""
    parent = parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _work(line: Connection, brief: Path) -> None:
    """A worker: tasks in, results out, until the other end is gone."""
    from optimizer.search.running.checkpoint import encode

    # Ctrl-C reaches the whole group of processes; the parent decides what it means.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=end_with_parent, daemon=True).start()
    engine = Engine(load_space(brief))
    with contextlib.suppress(EOFError, OSError):
        while True:
            task, engine.known = line.recv()
            try:
                answer: bytes | str | list[Problem] = encode(*engine.run(task))
            except BadInput as wrong:
                answer = wrong.problems
            except Exception:
                import traceback

                answer = traceback.format_exc()
            line.send(answer)
