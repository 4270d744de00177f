"""Layouts of every cell size worked out before the search, since its tasks depend on them, with progress."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Sequence
from typing import Protocol

import numpy as np

from optimizer.base.pool import Job
from optimizer.base.problems import Stopped
from optimizer.base.workers import Workers
from optimizer.fit.region.layout import Layout
from optimizer.search.space.space import Space

# From so many layouts on it is said what lies ahead, and how to have fewer.
MANY = 200


class Told(Protocol):
    """Where progress is told, as job.Report."""

    def say(self, text: str) -> None:
        """A line of its own."""

    def step(self, text: str) -> None:
        """How far the work is."""


def lay_out(
    space: Space, *, workers: Workers | None = None, report: Told | None = None, until: float | None = None,
    first: Sequence[Job] = (),
) -> None:  # fmt: skip
    """Work out the layouts of every size that the voltage window leaves; the space keeps them.

    Parameters
    ----------
    workers : Workers, optional
        That share this space; without, the work is done here.
    until : float, optional
        By time.monotonic() [s].
    first : sequence of Job, optional
        Begun before the layouts, with key None and no result.

    Raises
    ------
    Stopped
        When the time is up; what was worked out is in the cache.
    """
    low, high = space.window
    sizes = [int(size) for size in np.unique(space.size_of[low <= high])]
    wanted = [place for size in sizes for place in space.wanted(size)]
    many = len(wanted) >= MANY
    if many and report is not None:
        report.say(what_lies_ahead(len(sizes), len(space.rooms), step_mm=space.brief.fit.size_step_mm))
    start, done = time.monotonic(), 0
    jobs = deque(first)
    jobs.extend(
        Job(place, f"Layouts of cell size {place[1] + 1} in {space.rooms[place[0]].name}", _layouts, place)
        for place in wanted
    )
    for job, found in (workers or Workers(space)).run(jobs):
        if job.key is None:
            continue
        space.take_layouts({job.key: found})
        done, now = done + 1, time.monotonic()
        if until is not None and now > until and done < len(wanted):
            kept = "what was worked out is in the cache"
            raise Stopped(f"The time was up after {done} of {len(wanted)} layouts; {kept}.")
        if many and report is not None:
            left = (now - start) / done * (len(wanted) - done)
            report.step(f"{100 * done // len(wanted):3d} % of the layouts, about {left:.0f} s left")


def _layouts(space: Space, room: int, size: int, stand: int) -> list[Layout]:
    return space.layouts(room, size, stand)


def what_lies_ahead(sizes: int, rooms: int, *, step_mm: float) -> str:
    """How many layouts there are to find, and what would make them fewer.

    >>> what_lies_ahead(9000, 2, step_mm=0.0).split(" first")[0]
    '9,000 sizes of cell in 2 compartments: 18,000 layouts to find'
    """
    where = f"{rooms} compartment{'s' if rooms != 1 else ''}"
    text = f"{sizes:,} sizes of cell in {where}: {sizes * rooms:,} layouts to find"
    hint = "larger" if step_mm > 0 else "such as 0.2, which rounds sizes up so that cells share them"
    return f"{text} first; [fit] size_step_mm {hint} makes them fewer"
