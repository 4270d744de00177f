"""Geometry of a box worked out by several processes, ahead of the engine that needs it.

The processes leave layouts and chains in the cache on disk and return nothing else, so that the search finds
the same whatever their number.
"""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from pathlib import Path

from optimizer.base import cache
from optimizer.brief import open_brief
from optimizer.search.boxes.freedims import Boxes, BoxSpace, Key, open_boxes
from optimizer.search.running.crew import end_with_parent
from optimizer.search.space.space import Task


class Warmer:
    """Processes that work out layouts and chains of a box.

    Parameters
    ----------
    brief : Path
        Each process reads it for itself.
    workers : int
        How many; with one, or with the cache turned off, there is nothing to gain and none is started.
    """

    def __init__(self, brief: Path, *, workers: int) -> None:
        self._pool: ProcessPoolExecutor | None = None
        if workers > 1 and cache.folder() is not None:
            self._pool = ProcessPoolExecutor(
                workers, mp_context=get_context("spawn"), initializer=_begin, initargs=(brief,)
            )

    def layouts(self, space: BoxSpace, key: Key) -> None:
        """Place every size of cells that may be of use."""
        jobs = [
            (key, room, size)
            for size in range(len(space.sizes))
            if space.worth_placing(size)
            for room in range(len(space.rooms))
        ]
        if self._pool is not None and len(jobs) > 1:
            self._wait(self._pool, _place, jobs)

    def fills(self, key: Key, tasks: Sequence[Task]) -> None:
        """Find the chains of tasks."""
        jobs = [(key, task) for task in tasks]
        if self._pool is not None and len(jobs) > 1:
            self._wait(self._pool, _fill, jobs)

    def _wait(self, pool: ProcessPoolExecutor, work: object, jobs: Sequence[object]) -> None:
        try:
            list(pool.map(work, jobs))  # type: ignore[arg-type]
        except BrokenProcessPool:
            self._pool = None  # the search goes on alone: only speed is lost

    def close(self) -> None:
        """End the processes."""
        if self._pool is not None:
            with contextlib.suppress(Exception):
                self._pool.shutdown(wait=False, cancel_futures=True)


_BOXES: Boxes | None = None


def _begin(brief: Path) -> None:
    """Give a process its own boxes; Ctrl-C is the parent's business."""
    global _BOXES
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=end_with_parent, daemon=True).start()
    _BOXES = open_boxes(open_brief(brief))


def _place(job: tuple[Key, int, int]) -> None:
    assert _BOXES is not None
    key, room, size = job
    _BOXES.space(key).layouts(room, size)


def _fill(job: tuple[Key, Task]) -> None:
    assert _BOXES is not None
    key, task = job
    _BOXES.space(key).fills(task)
