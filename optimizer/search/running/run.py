"""One search from start to front: slices of its tasks over workers, kept as they end, gone on with later.

First a few candidates of every slice are scored; together they bound what is searched in earnest. The slices then
know of nothing else, so that front and counts are the same for any number of workers and however often a search is
stopped and gone on with.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from optimizer.base import cache
from optimizer.base.arrays import Floats
from optimizer.base.pool import Job
from optimizer.base.problems import Stopped, machine_fault
from optimizer.base.workers import MEMORY, Workers
from optimizer.search.exact import archive
from optimizer.search.exact.exact import Engine
from optimizer.search.exact.hope import promising, refused
from optimizer.search.exact.tally import Tally
from optimizer.search.running.asked import StopRequest
from optimizer.search.space.layingout import lay_out
from optimizer.search.space.offering import Task
from optimizer.search.space.slices import Slice, slices
from optimizer.search.space.space import Layouts, Space

if TYPE_CHECKING:
    from optimizer.search.running.checkpoint import Checkpoints

Found = tuple[archive.Survivors, Tally]

# Reason for which candidates are refused whose board fits nowhere, or cannot manage any pack of the window.
PARTS_ROOM = "no place for the board"

# Number under which the samples are kept beside the slices.
SAMPLES = -1

# Rows that bound a search: more take longer to ask than they save.
MOST_BOUNDS = 4000

# Rows that one worker merges, once there are more.
MERGED = 20_000

# So many workers begin with the slices that take longest, those of few cells in parallel, since all wait for the last
# one; fewer take all kinds in turn, so that a search which is cut off has packs of every kind.
MANY = 8


@dataclass
class Outcome:
    """What a search found.

    Parameters
    ----------
    parts : list of Survivors
        Found in parts that are still to be merged.
    done, tasks : int
        Slices worked through, and slices in all: equal when the front is complete.
    resumed : int
        Those of them that were done before.
    interrupted : bool
        By the user.
    stopped : str
        By the machine: what failed, in words; "" when nothing did.
    """

    parts: list[archive.Survivors]
    tally: Tally
    tasks: int
    done: int = 0
    resumed: int = 0
    seconds: float = 0.0
    interrupted: bool = field(default=False)
    stopped: str = ""

    @property
    def complete(self) -> bool:
        """Whether every slice was worked through."""
        return self.done == self.tasks and not self.interrupted

    @property
    def found(self) -> archive.Survivors:
        """The front of what was found, sorted by name."""
        if len(self.parts) > 1:
            self.parts = [archive.merge(self.parts)]
        return self.parts[0].by_name()

    def take(self, found: archive.Survivors, tally: Tally) -> None:
        """Take a slice's result in."""
        self.parts.append(found)
        self.tally.add(tally)
        self.done += 1


Progress = Callable[[Outcome], None]


def search(
    space: Space,
    *,
    workers: int | Workers = 1,
    progress: Progress | None = None,
    until: float | None = None,
    checkpoints: Checkpoints | None = None,
    known: Mapping[int, Found] | None = None,
    say: Callable[[str], None] = lambda text: None,
) -> Outcome:
    """The front of a whole space.

    Parameters
    ----------
    space : Space
        The workers get it as it is, with whatever was changed in it since it was read, but for hopeless tasks.
    workers : int or Workers
        Processes on this machine, or workers that share this space; the front is the same for any number.
    progress : callable, optional
        Called with the outcome so far when the slices begin, and whenever one ends.
    until : float, optional
        End at this reading of time.monotonic, with what was found by then [s].
    checkpoints : Checkpoints, optional
        Where the results are kept.
    known : mapping of int to (Survivors, Tally), optional
        Slices worked through before, by number.
    say : callable, optional
        Told how far the work is that comes before the slices.

    Returns
    -------
    Outcome
        Not complete when the user interrupted it, the time was up, or the disk or memory failed; then what
        was found so far.
    """
    if isinstance(workers, int):
        space = promising(space)
        with Workers(space, count=workers) as own:
            return search(
                space, workers=own, progress=progress, until=until, checkpoints=checkpoints, known=known, say=say
            )  # fmt: skip
    start = time.monotonic()
    lay_out(space, workers=workers)
    parts, known = slices(space), dict(known or {})
    samples = known.pop(SAMPLES, None)
    nothing = archive.nothing(rooms=len(space.rooms), objectives=len(space.brief.objectives.use))
    outcome = Outcome([nothing, *(found for found, _ in known.values())], refused_by_voltage(space), len(parts))
    outcome.tally.add(refused(space))
    for _, tally in known.values():
        outcome.tally.add(tally)
    outcome.done = outcome.resumed = len(known)
    asked = StopRequest()
    work = _Work(space, parts, workers, lambda: asked.wanted or (until is not None and time.monotonic() >= until))
    try:
        with asked:
            if samples is None and len(known) < len(parts):
                samples = work.samples(say), Tally()
                if checkpoints is not None:
                    checkpoints.add(SAMPLES, *samples)
            if samples is not None:
                outcome.parts.append(samples[0])
                if progress is not None:
                    progress(outcome)
                for number, (found, tally) in work.searched(samples[0], known):
                    if checkpoints is not None:
                        checkpoints.add(number, found, tally)
                    outcome.take(found, tally)
                    if progress is not None:
                        progress(outcome)
            outcome.parts = work.merged(outcome.parts)
        outcome.interrupted = asked.wanted
    except KeyboardInterrupt:
        outcome.interrupted = True
    except (OSError, Stopped, MemoryError) as wrong:
        outcome.stopped = fault(wrong)
    try:
        if checkpoints is not None:
            checkpoints.flush()
    except OSError as wrong:
        outcome.stopped = outcome.stopped or fault(wrong)
    outcome.seconds = time.monotonic() - start
    return outcome


def fault(wrong: OSError | Stopped | MemoryError) -> str:
    """What the machine did, in words."""
    if isinstance(wrong, MemoryError):
        return f"The search ended {MEMORY}"
    return machine_fault(wrong) if isinstance(wrong, OSError) else str(wrong)


class _Work:
    """The jobs of one search, in the order in which they depend on each other.

    Once `stop` says so they end early, with what they have.
    """

    def __init__(self, space: Space, parts: Sequence[Slice], workers: Workers, stop: Callable[[], bool]) -> None:
        self.space, self.parts, self.workers, self.stop = space, parts, workers, stop
        self.order = spread(len(parts))
        if workers.cluster or workers.count >= MANY:
            self.order.sort(key=lambda k: parts[k].task.parallel)

    def _fills(self) -> Iterator[Job]:
        """Each fill once, before several slices ask for it; workers of a machine share them through the cache."""
        if self.workers.count <= 1 or self.workers.cluster or cache.folder() is None:
            return
        for task in dict.fromkeys(self.parts[k].task for k in self.order):
            for room, compartment in enumerate(self.space.rooms):
                name = f"The layouts of {Slice(task).name} in {compartment.name}"
                yield Job(None, name, _fill, (room, task, self.space.layouts_of(task)))

    def samples(self, say: Callable[[str], None]) -> archive.Survivors:
        """The front of the samples of all slices; most of the time goes into the plates of what they fill."""
        jobs = deque(self._fills())
        fills, filled, found = len(jobs), 0, list[archive.Survivors]()
        for k in self.order:
            part = self.parts[k]
            jobs.append(Job(k, f"Sampling {part.name}", _sample, (part, self.space.layouts_of(part.task))))
        start, packs = time.monotonic(), "first packs" if fills else "groups, plates and first packs"
        for job, result in self.workers.run(jobs, stop=self.stop):
            if job.key is not None:
                found.append(result)
            else:
                filled += 1
            # A fill takes a hundred times as long as a sample behind it: each kind has a line and a time of its own.
            if filled < fills:
                say(_far("groups and plates", filled, fills, start))
            elif not found:
                start = time.monotonic()
            else:
                say(_far(packs, len(found), len(self.parts), start))
        none = archive.nothing(rooms=len(self.space.rooms), objectives=len(self.space.brief.objectives.use))
        return archive.merge([none, *found])

    def searched(self, samples: archive.Survivors, known: Mapping[int, Found]) -> Iterator[tuple[int, Found]]:
        """Each slice that is not known yet, by number, as they end."""
        bounds = archive.standing_for(samples.objectives, most=MOST_BOUNDS)
        jobs = deque(
            Job(k, f"The search of {part.name}", _search, (part, self.space.layouts_of(part.task), bounds))
            for k, part in ((k, self.parts[k]) for k in self.order if k not in known)
        )
        for job, result in self.workers.run(jobs, stop=self.stop):
            yield job.key, result

    def merged(self, parts: list[archive.Survivors]) -> list[archive.Survivors]:
        """The parts, merged by the workers as far as it can be done in pieces."""
        count = sum(map(len, parts)) // MERGED
        if self.workers.count <= 1 or count < 2:
            return parts
        jobs = deque(Job(k, "Merging fronts", _merge, (parts[k::count],)) for k in range(count))
        return [found for _, found in self.workers.run(jobs)]


def _far(what: str, done: int, count: int, start: float) -> str:
    """How far one kind of work is that began at a reading of time.monotonic()."""
    left = (time.monotonic() - start) / max(done, 1) * (count - done)
    return f"{100 * done // count:3d} % of the {what}, about {left:.0f} s left"


def _fill(space: Space, room: int, task: Task, layouts: Layouts) -> None:
    space.take_layouts(layouts)
    space.room_fills(room, task)


def _sample(space: Space, part: Slice, layouts: Layouts) -> archive.Survivors:
    space.take_layouts(layouts)
    return Engine(space).sample(part)


def _search(space: Space, part: Slice, layouts: Layouts, bounds: Floats) -> Found:
    space.take_layouts(layouts)
    return Engine(space, known=bounds).run(part, samples=False)


def _merge(_: Space, parts: Sequence[archive.Survivors]) -> archive.Survivors:
    return archive.merge(parts)


def spread(count: int) -> list[int]:
    """0 … count − 1 so that any stretch of them is spread over all: packs of every kind are found early.

    >>> spread(5)
    [0, 4, 2, 1, 3]
    """
    bits = max(count - 1, 1).bit_length()
    return [k for n in range(2**bits) if (k := int(f"{n:0{bits}b}"[::-1], 2)) < count]


def refused_by_voltage(space: Space) -> Tally:
    """Candidates whose (cell, S) the voltage window refuses, each (cell, S, P) counted with one split."""
    low, high = space.window
    first, last = space.brief.vary.series
    allowed = (high - low + 1).clip(min=0)
    refused = int(((last - first + 1) - allowed).sum())
    parallel = space.brief.vary.parallel[1] - space.brief.vary.parallel[0] + 1
    inputs = space.inputs
    parts = len(space.builds) * len(inputs.wire_rows) * len(inputs.bms_rows) * len(inputs.fuse_rows)
    tally = Tally()
    tally.prune("voltage window", refused * parallel * parts)
    if space.stands[0].placed:
        tally.prune(PARTS_ROOM, _unseated(space) * parts // len(inputs.bms_rows))
    return tally


def _unseated(space: Space) -> int:
    """(cell, S, P, board) that the voltage window allows and whose board has no place, each counted with one split."""
    low, high = space.window
    found = 0
    for size in range(len(space.sizes)):
        packs = int((high - low + 1).clip(min=0)[space.size_of == size].sum())
        for parallel in range(space.brief.vary.parallel[0], space.brief.vary.parallel[1] + 1):
            tasks = [Task(size, parallel, k) for k in space.stands_of(size, parallel)]
            boards = {int(row) for task in tasks for row in space.boards(task)}
            found += packs * (len(space.inputs.bms_rows) - len(boards))
    return found
