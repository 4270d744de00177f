"""A Dask cluster as a pool of workers. It may be deployed by SSH, SLURM or Kubernetes, and needs no shared disk."""

from __future__ import annotations

import importlib.util
import threading
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Future
from pathlib import Path
from typing import Any

from optimizer.base.pool import AHEAD, Job, Pool
from optimizer.base.problems import BadInput, Problem, Stopped
from optimizer.base.sources import versions

# A scheduler that does not answer, or has no worker, for so long is given up [s].
CONNECT_S = 15.0

# How often the workers are counted anew: they may come and go [s].
COUNT_S = 5.0


class ClusterPool(Pool):
    """The workers of a Dask scheduler.

    Parameters
    ----------
    address : str
        tcp://HOST:PORT, or the scheduler's file.

    Raises
    ------
    BadInput
        Code "missing-package", "cluster-unreachable", or "other-version" where a worker's program or packages
        differ from ours: then it would find another front.
    """

    def __init__(self, shared: Any, address: str) -> None:
        if importlib.util.find_spec("distributed") is None:
            expected = "needs Dask: install cellstow with its extra, pip install 'cellstow[cluster]'"
            raise BadInput([Problem("missing-package", address, expected=expected)])
        import distributed

        # Dask has no types.
        connect: Any = distributed.Client
        self.deadly = (distributed.KilledWorker,)
        where: dict[str, Any] = {"address": address} if "://" in address else {"scheduler_file": address}
        try:
            if "://" not in address and not Path(address).is_file():
                raise OSError(f"no scheduler's file {address}")
            self._client = connect(**where, timeout=CONNECT_S, set_as_default=False)
            self._client.wait_for_workers(1, timeout=CONNECT_S)
        except (OSError, ValueError) as wrong:
            expected = "must be a Dask scheduler with at least one worker, such as tcp://HOST:8786, or its file"
            found = str(wrong).splitlines()[0] if str(wrong) else type(wrong).__name__
            raise BadInput([Problem("cluster-unreachable", address, expected=expected, found=found)]) from wrong
        self._ours = versions()
        self._check(address)
        self.share(shared)
        self.executor = self._client.get_executor(pure=False)
        self._counted = 0, 0.0

    def share(self, shared: Any) -> None:
        """Send it to each worker: they need no shared disk."""
        super().share(shared)
        self._held = self._client.scatter(shared, broadcast=True, hash=False)

    def _check(self, address: str) -> None:
        """Refuse workers with another program than ours."""
        try:
            theirs = self._client.run(versions)
        except Exception as wrong:
            self.shutdown()
            expected = "must have workers with cellstow installed"
            raise BadInput([Problem("other-version", address, expected=expected, found=str(wrong))]) from wrong
        found = {worker: differing(each, self._ours) for worker, each in theirs.items()}
        problems = [
            Problem("other-version", worker, expected="must hold what this command holds", found=text)
            for worker, text in sorted(found.items())
            if text
        ]
        if problems:
            self.shutdown()
            raise BadInput(problems)

    @property
    def most(self) -> int:  # type: ignore[override]
        """Jobs that are handed out at a time."""
        count, counted_s = self._counted
        if not count or time.monotonic() - counted_s > COUNT_S:
            count = max(sum(self._client.nthreads().values()), 1)
            self._counted = count, time.monotonic()
        return 2 * count + AHEAD

    def submit(self, job: Job) -> Future[Any]:
        """Hand a job out."""
        return self.executor.submit(_checked, self._ours, job.work, self._held, *job.args)

    def shutdown(self) -> None:
        """Leave the cluster to others."""
        self._client.close(timeout=CONNECT_S)


def differing(theirs: Mapping[str, str], ours: Mapping[str, str]) -> str:
    """What differs, in words; "" for nothing.

    >>> differing({"numpy": "2.3.0", "code": "a"}, {"numpy": "2.4.6", "code": "a"})
    'numpy 2.3.0 instead of 2.4.6'
    """
    return ", ".join(
        f"{name} {theirs.get(name, 'none')[:12]} instead of {ours[name][:12]}"
        for name in ours
        if theirs.get(name) != ours[name]
    )


_one_at_a_time = threading.Lock()


def _checked(ours: Mapping[str, str], work: Callable[..., Any], shared: Any, *args: Any) -> Any:
    """A job on a worker, which may have joined later than the others were checked."""
    if text := differing(versions(), ours):
        raise Stopped(f"A worker that joined the cluster is another: {text}")
    # Threads of one worker share what it holds.
    with _one_at_a_time:
        return work(shared, *args)
