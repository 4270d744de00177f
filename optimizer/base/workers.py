"""Workers: functions of one shared value, run in this process, in processes of this machine, or on a cluster.

All of them stand behind one seam, `concurrent.futures.Executor`: loky on one machine, Dask on a cluster. What is
asked of a worker follows from its arguments alone, so that a job can be run again wherever its worker was lost.
"""

from __future__ import annotations

import contextlib
import pickle
import signal
import tempfile
import warnings
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, CancelledError, Future, wait
from importlib import import_module
from pathlib import Path
from types import TracebackType
from typing import Any

from optimizer.base.pool import AHEAD, Job, Pool
from optimizer.base.problems import BadInput, Stopped

# How often a run that waits for its workers looks whether it is to stop [s].
POLL_S = 0.2

# A job that was at work in so many pools when they broke is the cause, not the victim; from the last but one on it
# runs alone, so that no other job is blamed.
MOST_POOLS = 3

# Threads of libraries inside a worker: the workers are the parallel part.
SINGLE = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS"), "1")

MEMORY = "most likely for want of memory: fewer --workers need less"


class Workers:
    """Runs jobs; use it as a context, so that its processes end.

    Parameters
    ----------
    shared : any
        Each worker gets it once.
    count : int
        Processes on this machine; with one, the work is done in this process.
    cluster : str
        Address of a Dask scheduler, or its file; "" for this machine.
    needs : str
        Module of the jobs: processes start and import it at once, while the caller works out what they are to share.

    Raises
    ------
    BadInput
        When the cluster can't be reached, or holds another version of the program.
    """

    def __init__(self, shared: Any, *, count: int = 1, cluster: str = "", needs: str = "") -> None:
        self.shared, self.count, self.cluster, self.needs = shared, count, cluster, needs
        self._pool = self._opened()

    def __enter__(self) -> Workers:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def share(self, shared: Any) -> None:
        """Share another value in all jobs from here on."""
        self.shared = shared
        self._pool.share(shared)

    def close(self) -> None:
        """End all processes at once; what they had in hand is lost."""
        self._pool.shutdown()

    def run(self, jobs: deque[Job], *, stop: Callable[[], bool] = lambda: False) -> Iterator[tuple[Job, Any]]:
        """Run jobs in about the order of the queue, and yield each with its result once it has ended.

        Parameters
        ----------
        jobs : deque of Job
            Is emptied; the caller may add more while this runs.
        stop : callable
            Asked again and again whether to give up.

        Raises
        ------
        Stopped
            When a job took MOST_POOLS pools down, or memory ended, or the cluster was lost.
        """
        flying: dict[Future[Any], Job] = {}
        try:
            while (jobs or flying) and not stop():
                while jobs and self._may_start(jobs[0], flying):
                    job = jobs.popleft()
                    flying[self._pool.submit(job)] = job
                done, _ = wait(flying, timeout=POLL_S, return_when=FIRST_COMPLETED)
                lost = [flying[future] for future in done if _lost(future)]
                broken = any(not isinstance(_error(future), MemoryError) for future in done if _lost(future))
                if broken:
                    # The whole pool is gone: whatever was at work in it is run again in a new one.
                    wait(flying, timeout=POLL_S)
                    done = {future for future in flying if future.done()}
                    lost = [job for future, job in flying.items() if not future.done() or _lost(future)]
                    self._pool.shutdown()
                for job in lost:
                    self._blame(job)
                if broken:
                    self._reopen()
                jobs.extendleft(reversed(lost))
                ended = [(flying[future], future) for future in done if not _lost(future)]
                flying = {future: job for future, job in flying.items() if future not in done and job not in lost}
                for job, future in ended:
                    if isinstance(_error(future), self._pool.deadly):
                        raise Stopped(f"{job.name} ended its workers, {MEMORY}")
                    yield job, future.result()
        finally:
            for future in flying:
                future.cancel()

    def _may_start(self, job: Job, flying: dict[Future[Any], Job]) -> bool:
        """Whether one more job may be handed out; one that is under suspicion runs alone."""
        suspected = any(each.pools_lost >= MOST_POOLS - 1 for each in (job, *flying.values()))
        return len(flying) < (1 if suspected else self._pool.most)

    def _blame(self, job: Job) -> None:
        job.pools_lost += 1
        if job.pools_lost >= self._pool.chances:
            times = f" {job.pools_lost} times" if job.pools_lost > 1 else ""
            raise Stopped(f"{job.name} ended its worker{times}, {MEMORY}")

    def _reopen(self) -> None:
        try:
            self._pool = self._opened()
        except BadInput as gone:
            raise Stopped(f"The cluster was lost: {gone}") from gone

    def _opened(self) -> Pool:
        if self.cluster:
            from optimizer.base.cluster import ClusterPool

            return ClusterPool(self.shared, self.cluster)
        return LocalPool(self.shared, self.count, self.needs) if self.count > 1 else Pool(self.shared)


def _error(future: Future[Any]) -> BaseException | None:
    try:
        return future.exception(timeout=0)
    except CancelledError as wrong:
        return wrong


def _lost(future: Future[Any]) -> bool:
    """Whether a job has come to nothing by no fault that the program knows of."""
    return isinstance(_error(future), BrokenExecutor | CancelledError | MemoryError | ConnectionError)


def processors() -> int:
    """Processors that this process may use: fewer than the machine has where affinity or a control group says so."""
    from loky import cpu_count

    return int(cpu_count())


class LocalPool(Pool):
    """Processes of this machine, by loky: they start without importing the caller's main module again.

    What they share is pickled once, into a file that each reads for itself when its first job comes: sent through
    pipes it would be pickled for each of them, one after the other. The file goes with the pool.
    """

    chances = MOST_POOLS

    def __init__(self, shared: Any, count: int, needs: str = "") -> None:
        from loky.process_executor import ProcessPoolExecutor

        # loky starts a worker anew that has grown by 300 MB; that is no news for a user.
        warnings.filterwarnings("ignore", "A worker was restarted", UserWarning)
        self.share(shared)
        self.most = count + AHEAD
        self.folder = tempfile.TemporaryDirectory(prefix="cellstow-", ignore_cleanup_errors=True)
        self.executor = ProcessPoolExecutor(count, initializer=_begin, initargs=(needs,), env=SINGLE)
        if needs:
            with _held_back():
                self.executor.submit(int)  # any job starts the processes

    def share(self, shared: Any) -> None:
        """Share it as it is when the next job is handed out."""
        super().share(shared)
        self.path = ""

    def _written(self) -> str:
        """The file that holds what is shared."""
        if not self.path:
            from loky.backend.reduction import dump

            try:
                with tempfile.NamedTemporaryFile(dir=self.folder.name, delete=False) as stream:
                    dump(self.shared, stream, protocol=pickle.HIGHEST_PROTOCOL)
            except OSError as wrong:  # of a write, which names no file
                raise OSError(wrong.errno, wrong.strerror, self.folder.name) from wrong
            self.path = stream.name
        return self.path

    def submit(self, job: Job) -> Future[Any]:
        """Hand a job out; a pool that has just broken says so as its workers would."""
        path = self._written()
        try:
            with _held_back():
                return self.executor.submit(_with_held, path, job.work, job.args)
        except (BrokenExecutor, RuntimeError) as wrong:
            future: Future[Any] = Future()
            future.set_exception(wrong if isinstance(wrong, BrokenExecutor) else BrokenExecutor(str(wrong)))
            return future

    def shutdown(self) -> None:
        """Kill the processes."""
        with contextlib.suppress(Exception):
            self.executor.shutdown(wait=True, kill_workers=True)  # type: ignore[call-arg]
        self.folder.cleanup()


@contextlib.contextmanager
def _held_back() -> Iterator[None]:
    """Ctrl-C waits; processes that start meanwhile never see it, not even before they run a line of ours."""
    if not hasattr(signal, "pthread_sigmask"):  # Windows
        yield
        return
    # They end the mask where they start, which would be at the first process.
    from multiprocessing import resource_tracker

    from loky.backend.resource_tracker import ensure_running

    ensure_running()
    resource_tracker.ensure_running()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


# What the pool of this worker process shares, by its file.
_held: dict[str, Any] = {}


def _begin(needs: str) -> None:
    """Import what jobs need. Ctrl-C reaches every process of a terminal; the parent decides what it means."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if needs:
        import_module(needs)


def _with_held(path: str, work: Callable[..., Any], args: tuple[Any, ...]) -> Any:
    if path not in _held:
        _held.clear()
        _held[path] = pickle.loads(Path(path).read_bytes())
    return work(_held[path], *args)


