"""Executors that run jobs on one shared value. The one that is defined here is this process itself."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor, Future
from dataclasses import dataclass
from typing import Any

# Jobs that are handed out beyond one for each worker, so that none waits for the next.
AHEAD = 2


@dataclass(eq=False)
class Job:
    """One call of a function of the shared value.

    Parameters
    ----------
    key : any
        Whatever tells the caller which result this is.
    name : str
        What it is called in messages.
    work : callable
        Called with the shared value and the arguments; a function of a module, so that it can be sent.
    args : tuple
    """

    key: Any
    name: str
    work: Callable[..., Any]
    args: tuple[Any, ...] = ()
    pools_lost: int = 0


class Here(Executor):
    """Runs each call at once, in this process."""

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """The call's future, which has ended."""
        future: Future[Any] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as wrong:
            future.set_exception(wrong)
        return future


class Pool:
    """An executor whose workers hold the shared value; this one is this process."""

    most = 1
    chances = 1
    # Errors that say that a job ended its workers.
    deadly: tuple[type[BaseException], ...] = ()

    def __init__(self, shared: Any) -> None:
        self.share(shared)
        self.executor: Executor = Here()

    def share(self, shared: Any) -> None:
        """Share another value from here on."""
        self.shared = shared

    def submit(self, job: Job) -> Future[Any]:
        """Hand a job out."""
        return self.executor.submit(job.work, self.shared, *job.args)

    def shutdown(self) -> None:
        """End it at once."""
