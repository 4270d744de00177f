"""Workers: whatever becomes of them, each job's result comes once; a job that no worker survives is named."""

import contextlib
import errno
import os
import re
import signal
import subprocess
import sys
import tempfile
import time
from collections import deque
from concurrent.futures import BrokenExecutor, Executor, Future

import pytest

from optimizer.base import pool
from optimizer.base import workers as room
from optimizer.base.pool import Job
from optimizer.base.problems import Stopped
from optimizer.base.workers import Workers
from optimizer.catalog import builtin_catalogs


def jobs(work, count, **args):
    return deque(Job(k, f"Job {k}", work, (k, *args.values())) for k in range(count))


def results(workers, queue):
    found = [(job.key, result) for job, result in workers.run(queue)]
    assert len(found) == len(dict(found))
    return dict(found)


@pytest.mark.parametrize("count", [1, 2])
def test_each_job_is_done_once(count):
    def work(shared, k):
        return shared["offset"] + k * k

    with Workers({"offset": 7}, count=count) as workers:
        assert results(workers, jobs(work, 9)) == {k: 7 + k * k for k in range(9)}


def test_a_queue_may_grow_while_it_is_worked_on():
    def work(shared, k):
        return k

    queue, seen = jobs(work, 1), []
    with Workers(None, count=1) as workers:
        for job, result in workers.run(queue):
            seen.append(result)
            if result < 4:
                queue.append(Job(None, job.name, work, (result + 1,)))
    assert seen == [0, 1, 2, 3, 4]


def test_a_worker_that_dies_once_costs_nothing(tmp_path):
    def work(place, k):
        if k == 3 and not os.path.exists(place):
            open(place, "x").close()
            os.kill(os.getpid(), signal.SIGKILL)
        return k

    with Workers(str(tmp_path / "died"), count=2) as workers:
        assert results(workers, jobs(work, 8)) == {k: k for k in range(8)}


def test_a_job_that_no_worker_survives_is_named_and_no_other():
    def work(shared, k):
        if k == 3:
            os.kill(os.getpid(), signal.SIGKILL)
        return k

    with Workers(None, count=2) as workers, pytest.raises(Stopped, match=r"Job 3 ended its worker 3 times.*--workers"):
        list(workers.run(jobs(work, 8)))


@pytest.mark.parametrize("count", [1, 2])
def test_memory_that_ends_is_said_in_words(count):
    def work(shared, k):
        if k == 2:
            raise MemoryError
        return k

    with Workers(None, count=count) as workers, pytest.raises(Stopped, match=r"Job 2 ended its worker.*memory"):
        list(workers.run(jobs(work, 4)))


def test_a_fault_of_the_program_comes_out_as_it_is():
    def work(shared, k):
        return 1 / k

    with Workers(None, count=2) as workers, pytest.raises(ZeroDivisionError):
        list(workers.run(jobs(work, 2)))


def test_what_is_asked_to_stop_stops_at_once():
    def work(shared, k):
        time.sleep(60.0 if k else 0.0)

    begun = time.monotonic()
    with Workers(None, count=2) as workers:
        seen = []
        for job, _ in workers.run(jobs(work, 4), stop=lambda: bool(seen)):
            seen.append(job.key)
    assert seen == [0] and time.monotonic() - begun < 30


@pytest.mark.parametrize("end", [None, ValueError, KeyboardInterrupt])
def test_what_is_shared_is_pickled_once_and_its_file_goes(end, tmp_path, monkeypatch):
    """Two workers wait for each other, so that both have read it; then all goes well, a job fails, or Ctrl-C comes."""
    temporary, met = tmp_path / "temporary", tmp_path / "met"
    temporary.mkdir()
    met.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(temporary))
    pickled = []

    class Shared:
        def __getstate__(self):
            pickled.append(1)  # not itself: the list is pickled with the class
            return {"temporary": str(temporary), "met": str(met)}

    def work(shared, k):
        held = [name for _, _, names in os.walk(shared.temporary) for name in names]
        open(os.path.join(shared.met, str(k)), "x").close()
        while len(os.listdir(shared.met)) < 2:
            time.sleep(0.01)
        if k == 1 and end is ValueError:
            raise end
        return os.getpid(), len(held)

    def searched():
        with Workers(Shared(), count=2) as workers:
            for _, found in workers.run(jobs(work, 2)):
                yield found
                if end is KeyboardInterrupt:
                    raise end

    with pytest.raises(end) if end else contextlib.nullcontext():
        processes, files = zip(*searched(), strict=True)
        assert len(set(processes)) == 2 and set(files) == {1}
    assert len(pickled) == 1 and list(temporary.iterdir()) == []


def test_workers_import_before_they_are_told_what_they_share():
    def work(shared, k):
        return shared + k, "colorsys" in sys.modules

    with Workers(None, count=2, needs="colorsys") as workers:
        assert len(workers._pool.executor._processes) == 2
        workers.share(7)
        assert results(workers, jobs(work, 3)) == {k: (7 + k, True) for k in range(3)}
        workers.share(8)
        assert results(workers, jobs(work, 1)) == {0: (8, True)}


@pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="signals can't be held back here")
def test_workers_start_where_ctrl_c_is_held_back_and_their_parent_still_hears_it():
    """A worker that is still importing would print a traceback."""

    def work(_, k):
        return signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, [])

    with Workers(None, count=2) as workers:
        assert results(workers, jobs(work, 3)) == dict.fromkeys(range(3), True)
    assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, [])


def test_a_full_disk_is_named(monkeypatch):
    def dump(*args, **how):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("loky.backend.reduction.dump", dump)
    with Workers(1, count=2) as workers:
        folder = workers._pool.folder.name
        with pytest.raises(OSError, match=re.escape(folder)):
            results(workers, jobs(lambda shared, k: k, 1))


class Fragile(Executor):
    """Breaks at a call, with everything that is in it, as a pool of processes does; `slow` ones end nothing else."""

    def __init__(self, calls, *, slow):
        self.calls, self.slow, self.held = calls, slow, []

    def submit(self, fn, /, *args):
        future = Future()
        self.held.append(future)
        self.calls.append(args[1])
        if args[1] == 2:
            for each in self.held:
                if not each.done():
                    each.set_exception(BrokenExecutor())
        elif not self.slow:
            future.set_result(fn(*args))
        return future


def test_a_suspect_runs_alone_before_it_is_blamed(monkeypatch):
    """Jobs that were in two pools beside the culprit are cleared."""
    calls, opened = [], []

    class FragilePool(pool.Pool):
        most, chances = 3, room.MOST_POOLS

        def __init__(self, shared):
            super().__init__(shared)
            opened.append(self)
            self.executor = Fragile(calls, slow=len(opened) < room.MOST_POOLS)

    monkeypatch.setattr(Workers, "_opened", lambda self: FragilePool(self.shared))
    with pytest.raises(Stopped, match="Job 2 "):
        list(Workers(None).run(jobs(lambda shared, k: k, 3)))
    assert len(opened) == room.MOST_POOLS and calls == [0, 1, 2] * 3


GUARDLESS = """
import sys
from optimizer import api
space = api.load(sys.argv[1])
space.brief.constraints.__dict__["pack_mass_kg_max"] = 1.9
print(len(api.search(space, workers=int(sys.argv[2])).found))
"""


@pytest.mark.slow
def test_a_script_without_a_guard_and_a_space_changed_in_memory(tmp_path):
    """The workers start without the script, and get the space as it is: as many packs as by one process."""
    script, brief = tmp_path / "script.py", builtin_catalogs() / "briefs" / "quick-36v.toml"
    script.write_text(GUARDLESS)
    found = [
        subprocess.run([sys.executable, str(script), str(brief), count], capture_output=True, text=True, check=True)
        for count in ("1", "2")
    ]
    assert found[0].stdout == found[1].stdout and int(found[0].stdout) > 0
    assert found[1].stderr == ""


def test_the_default_is_the_processors_that_this_process_may_use():
    allowed = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    assert 1 <= room.processors() <= allowed
