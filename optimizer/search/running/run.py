"""One search from start to front: tasks here, over processes and machines, kept as they end, gone on with later."""

from __future__ import annotations

import time
from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from optimizer.base.problems import Stopped, machine_fault
from optimizer.search.exact import archive
from optimizer.search.exact.exact import Engine, OutOfTime
from optimizer.search.exact.tally import Tally
from optimizer.search.running.asked import Asked
from optimizer.search.running.checkpoint import decode, encode
from optimizer.search.running.crew import Crew
from optimizer.search.space.space import Space, Task

if TYPE_CHECKING:
    from optimizer.search.running.board import Board
    from optimizer.search.running.checkpoint import Checkpoints

# How long to sleep while others have all that is left in work [s].
POLL_S = 1.0


@dataclass
class Outcome:
    """What a search found.

    Parameters
    ----------
    found : Survivors
    tally : Tally
    done, tasks : int
        Tasks worked through, and tasks in all: equal when the front is complete.
    resumed : int
        Those of them that were done before.
    seconds : float
    interrupted : bool
        By the user.
    stopped : str
        By the machine: what failed, in words; "" when nothing did.
    """

    found: archive.Survivors
    tally: Tally
    tasks: int
    done: int = 0
    resumed: int = 0
    seconds: float = 0.0
    interrupted: bool = field(default=False)
    stopped: str = ""

    @property
    def complete(self) -> bool:
        """Whether every task was worked through."""
        return self.done == self.tasks

    def take(self, found: archive.Survivors, tally: Tally) -> None:
        """Take a task's result in."""
        self.found = archive.merge([self.found, found])
        self.tally.add(tally)
        self.done += 1


Progress = Callable[[Outcome], None]
Found = tuple[int, archive.Survivors, Tally]


def search(
    space: Space,
    *,
    workers: int = 1,
    progress: Progress | None = None,
    until: float | None = None,
    checkpoints: Checkpoints | None = None,
    known: Mapping[int, tuple[archive.Survivors, Tally]] | None = None,
    board: Board | None = None,
) -> Outcome:
    """The front of a whole space.

    Parameters
    ----------
    space : Space
    workers : int
        Processes on this machine; the front is the same for any number. With one, the work is done here.
    progress : callable, optional
        Called with the outcome so far whenever a task ends.
    until : float, optional
        End at this reading of time.monotonic, with what was found by then [s].
    checkpoints : Checkpoints, optional
        Where each task's result is kept.
    known : mapping of int to (Survivors, Tally), optional
        Tasks worked through before, by number.
    board : Board, optional
        Shares the tasks with other machines.

    Returns
    -------
    Outcome
        Not complete when the user interrupted it, the time was up, or the disk or the storage failed; then what
        was found so far.
    """
    start = time.monotonic()
    tasks = space.tasks()
    nothing = archive.nothing(rooms=len(space.rooms), objectives=len(space.brief.objectives.use))
    outcome = Outcome(nothing, refused_by_voltage(space), len(tasks))
    known = known or {}
    outcome.found = archive.merge([nothing, *(found for found, _ in known.values())])
    for _, tally in known.values():
        outcome.tally.add(tally)
    outcome.done = outcome.resumed = len(known)
    queue = _Queue(tasks, known, board)
    work = _here if workers <= 1 else _in_processes
    asked = Asked()
    results = work(space, queue, workers, outcome, lambda: asked.wanted or _late(until))
    try:
        with asked:
            for number, found, tally in results:
                content = encode(found, tally) if checkpoints is not None or board is not None else b""
                if checkpoints is not None:
                    checkpoints.save(number, content)
                queue.finish(number, content)
                outcome.take(found, tally)
                if progress is not None:
                    progress(outcome)
        outcome.interrupted = asked.wanted
    except KeyboardInterrupt:
        outcome.interrupted = True
    except (OSError, Stopped) as wrong:
        outcome.stopped = machine_fault(wrong) if isinstance(wrong, OSError) else str(wrong)
    finally:
        results.close()
    outcome.found = outcome.found.by_name()
    outcome.seconds = time.monotonic() - start
    return outcome


class _Queue:
    """Tasks to be done, our own or shared with others over a board."""

    def __init__(
        self, tasks: list[Task], known: Mapping[int, tuple[archive.Survivors, Tally]], board: Board | None
    ) -> None:
        self.tasks, self.done, self.board = tasks, set(known), board
        self._known = known
        self._order = spread(len(tasks))
        self._waiting = [k for k in reversed(self._order) if k not in known]

    def next(self) -> int | None:
        """Number of a task to be done; None when there is none at the moment."""
        if self.board is None:
            return self._waiting.pop() if self._waiting else None
        while (number := self.board.claim(self._order)) is not None and number in self._known:
            # What was done here in an earlier run is no news to us, but it is to the others.
            self.board.finish(number, encode(*self._known[number]))
        return number

    def give_back(self, number: int) -> None:
        """Do a task later: its worker died."""
        self._waiting.append(number)
        if self.board is not None:
            self.board.release(number)

    def finish(self, number: int, content: bytes) -> None:
        """Hand in a result to the others, if it is not theirs."""
        self.done.add(number)
        if self.board is not None:
            self.board.finish(number, content)

    def news(self) -> list[Found]:
        """What others have done."""
        fresh = self.board.news() if self.board is not None else ()
        return [(number, *decode(content)) for number, content in fresh if number not in self.done]

    @property
    def over(self) -> bool:
        """Whether nothing is left to be done by anybody."""
        return len(self.done) == len(self.tasks)


def spread(count: int) -> list[int]:
    """0 … count − 1 so that any stretch of them is spread over all: packs of every kind are found early.

    >>> spread(5)
    [0, 4, 2, 1, 3]
    """
    bits = max(count - 1, 1).bit_length()
    return [k for n in range(2**bits) if (k := int(f"{n:0{bits}b}"[::-1], 2)) < count]


def _late(until: float | None) -> bool:
    return until is not None and time.monotonic() >= until


def _here(
    space: Space, queue: _Queue, workers: int, outcome: Outcome, stop: Callable[[], bool]
) -> Generator[Found, None, None]:
    """Tasks one after the other in this process."""
    engine = Engine(space, stop=stop)
    while not queue.over and not stop():
        yield from queue.news()
        number = queue.next()
        if number is None:
            time.sleep(POLL_S if not queue.over else 0.0)
            continue
        engine.known = outcome.found.objectives
        try:
            found, tally = engine.run(queue.tasks[number])
        except OutOfTime:
            return
        yield number, found, tally


def _in_processes(
    space: Space, queue: _Queue, workers: int, outcome: Outcome, stop: Callable[[], bool]
) -> Generator[Found, None, None]:
    """Tasks over processes, each handed the objectives known when it starts."""
    crew = Crew(space.brief.path, workers=workers)
    try:
        while not queue.over and not stop():
            yield from queue.news()
            while crew.free and (number := queue.next()) is not None:
                crew.give(number, queue.tasks[number], known=outcome.found.objectives)
            if not crew.busy:
                time.sleep(POLL_S if not queue.over else 0.0)
            for number, content in crew.done(timeout_s=POLL_S):
                if content is None:
                    queue.give_back(number)
                else:
                    yield (number, *decode(content))
    finally:
        crew.close()


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
    return tally
