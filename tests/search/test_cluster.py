"""A search over a Dask cluster: a scheduler and two workers on loopback, each with a cache of its own."""

import contextlib
import os
import signal
import socket
import subprocess
import sys
import time

import pytest
from scenes import brief_of_many_tasks, front_of, start, tasks_kept, wait_for

from optimizer.base.cluster import differing
from optimizer.base.problems import BadInput
from optimizer.base.sources import versions
from optimizer.base.workers import Workers
from optimizer.workflows.how import How
from optimizer.workflows.search import run_job

distributed = pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")


class Cluster:
    """A scheduler and its workers, as commands of their own; `stop` ends it."""

    def __init__(self, folder):
        self.folder, self.file, self.processes = folder, folder / "scheduler.json", []
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        self.address = f"tcp://127.0.0.1:{port}"
        more = ("--host", "127.0.0.1", "--port", str(port), "--scheduler-file", str(self.file), "--no-dashboard")
        self.scheduler = self._start("dask_scheduler", *more)
        end = time.monotonic() + 60
        while not self.file.exists():
            assert time.monotonic() < end and self.scheduler.poll() is None
            time.sleep(0.05)

    def _start(self, name, *args, **env):
        line = [sys.executable, "-m", f"distributed.cli.{name}", *args]
        process = subprocess.Popen(
            line, env=os.environ | env, cwd=self.folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        self.processes.append(process)
        return process

    def worker(self):
        """One more worker, which shares nothing with the others."""
        name = f"worker{len(self.processes)}"
        args = (self.address, "--nthreads", "1", "--no-nanny", "--no-dashboard", "--name", name)
        place = str(self.folder / name)
        return self._start("dask_worker", *args, "--local-directory", place, CELLSTOW_CACHE=place + "-cache")

    def stop(self):
        for process in self.processes:
            with contextlib.suppress(OSError):
                process.kill()
            process.wait()


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    found = Cluster(tmp_path_factory.mktemp("cluster"))
    for _ in range(2):
        found.worker()
    yield found
    found.stop()


@pytest.mark.slow
def test_a_cluster_of_which_a_worker_is_killed_gives_the_front_of_one_process(cluster, tmp_path):
    brief = brief_of_many_tasks(tmp_path, most_parallel=4)
    whole = run_job(brief, folder=tmp_path / "whole", how=How(workers=1))
    process = start(brief, tmp_path / "run", "--cluster", cluster.address, "--quiet")
    wait_for(lambda: tasks_kept(tmp_path / "run") >= 2, process)
    cluster.processes[1].send_signal(signal.SIGKILL)
    _, errors = process.communicate(timeout=120)
    assert process.returncode == 0, errors
    assert front_of(tmp_path / "run") == front_of(tmp_path / "whole")
    again = run_job(brief, folder=tmp_path / "again", how=How(cluster=str(cluster.file)))
    assert again.run["space"] == whole.run["space"]
    assert front_of(tmp_path / "again") == front_of(tmp_path / "whole")


@pytest.mark.slow
def test_a_worker_with_another_release_is_refused(cluster, monkeypatch):
    ours = versions() | {"numpy": "1.0"}
    monkeypatch.setattr("optimizer.base.cluster.versions", lambda: ours)
    # What is sent stands for the function of the workers, not for the one patched here.
    monkeypatch.setattr(distributed.Client, "run", lambda self, function: {"tcp://worker": versions()})
    with pytest.raises(BadInput, match="other-version") as bad:
        Workers(None, cluster=cluster.address)
    assert f"numpy {versions()['numpy']} instead of 1.0" in str(bad.value)


def test_no_scheduler_is_said_in_words(tmp_path, monkeypatch):
    monkeypatch.setattr("optimizer.base.cluster.CONNECT_S", 0.5)
    for address in ("tcp://127.0.0.1:1", str(tmp_path / "none.json"), "nonsense"):
        with pytest.raises(BadInput, match="cluster-unreachable"):
            Workers(None, cluster=address)


def test_what_differs_is_named():
    assert differing(versions(), versions()) == ""
    assert differing(versions() | {"code": "0" * 64}, versions()).startswith("code 000000000000 instead of ")
