"""Ends that others bring about: signals, readers that go away, streams that are full, locks, clocks that jump."""

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time

import pytest
from scenes import front_of, tasks_kept, wait_for
from states import state_of

from optimizer.base import console
from optimizer.base.problems import BadInput
from optimizer.search.running import lock
from optimizer.search.running.lock import LOCK_FILE, locked


class TestSignals:
    """A search that is told to end leaves a valid front and can be gone on with."""

    @pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP"])
    def test_a_signal_does_what_ctrl_c_does(self, night, tmp_path, name):
        number, out = getattr(signal, name), tmp_path / "run"
        process = night.start(out)
        wait_for(lambda: tasks_kept(out) >= 2, process)
        process.send_signal(number)
        process.wait()
        assert process.returncode == 128 + number
        assert "--resume" in process.stdout and "Traceback" not in process.stderr
        assert json.loads((out / "run.json").read_text())["space"]["complete"] is False
        assert state_of(out) == "begun"
        done = night.run(out, "--resume", "--quiet")
        assert done.returncode == 0, done.stderr
        assert front_of(out) == front_of(night.whole)

    def test_a_hangup_that_is_ignored_stays_so(self, night, tmp_path):
        """As under nohup."""
        patch = "import signal; signal.signal(signal.SIGHUP, signal.SIG_IGN)"
        process = night.start(tmp_path / "run", "--quiet", patch=patch)
        wait_for(lambda: tasks_kept(tmp_path / "run") >= 1, process)
        process.send_signal(signal.SIGHUP)
        assert process.wait().returncode == 0
        assert front_of(tmp_path / "run") == front_of(night.whole)


# Four rows a job, each of which takes its time; the second job says that it has begun.
SLOW_ROWS = """
import pathlib, time
from optimizer.search.exact import rows
real, rows.CHUNK, seen = rows._chunk_figures, 4, []
def slow(space, block):
    seen.append(1)
    if len(seen) == 2:
        pathlib.Path({now!r}).touch()
    time.sleep(0.3)
    return real(space, block)
rows._chunk_figures = slow
"""


def test_ctrl_c_while_rows_are_stepped_leaves_those_that_were(night, tmp_path):
    out, now = tmp_path / "run", tmp_path / "now"
    process = night.start(out, patch=SLOW_ROWS.format(now=str(now)))
    wait_for(now.exists, process)
    process.send_signal(signal.SIGINT)
    process.wait()
    assert process.returncode == 130 and "Traceback" not in process.stderr
    record = json.loads((out / "run.json").read_text())
    assert record["space"]["complete"] is False and state_of(out) == "begun"
    whole = json.loads((night.whole / "run.json").read_text())
    assert 0 < record["front"]["rows"] < whole["front"]["rows"]
    done = night.run(out, "--resume", "--quiet")
    assert done.returncode == 0, done.stderr
    assert front_of(out) == front_of(night.whole)


# Memory ends in the fourth slice.
NO_MEMORY = """
from optimizer.search.exact.exact import Engine
real, seen = Engine.run, []
def run(self, *args, **how):
    seen.append(1)
    if len(seen) == 4:
        raise MemoryError
    return real(self, *args, **how)
Engine.run = run
"""


def test_memory_that_ends_is_said_with_the_remedy(night, tmp_path):
    out = tmp_path / "run"
    done = night.run(out, "--quiet", patch=NO_MEMORY)
    assert done.returncode == 4 and "Traceback" not in done.stderr
    (said,) = (line for line in done.stderr.splitlines() if line.strip())
    assert "in series" in said and "memory" in said and "--workers" in said and "--resume" in said
    assert tasks_kept(out) == 3 and state_of(out) == "begun"
    again = night.run(out, "--resume", "--quiet")
    assert again.returncode == 0, again.stderr
    assert front_of(out) == front_of(night.whole)


class TestStreams:
    """What can't be printed is no reason to lose a search."""

    def test_a_reader_that_wants_one_line(self, night, tmp_path):
        out = tmp_path / "run"
        fifo = tmp_path / "pipe"
        os.mkfifo(fifo)
        reader = os.open(fifo, os.O_RDONLY | os.O_NONBLOCK)
        process = night.start(out, stdout=fifo)
        wait_for(lambda: tasks_kept(out) >= 1, process)
        os.close(reader)
        process.wait()
        assert process.returncode == 0
        assert "Traceback" not in process.stderr and "Broken" not in process.stderr
        assert front_of(out) == front_of(night.whole)

    @pytest.mark.slow
    def test_head_in_a_shell(self, night, tmp_path):
        line = " ".join(night.command(tmp_path / "run"))
        script = f"{line} 2>&1 | head -1; echo ${{PIPESTATUS[@]}}"
        done = subprocess.run(["bash", "-c", script], capture_output=True, text=True, check=True, env=night.env)
        first, codes = done.stdout.splitlines()
        # The first line of a machine's first search tells of kernels.
        assert "cells allow a pack" in first or "kernels are compiled" in first
        assert codes == "0 0"
        assert done.stderr == ""
        assert front_of(tmp_path / "run") == front_of(night.whole)

    @pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no /dev/full here")
    def test_a_full_stdout_is_said_and_shows_in_the_exit_code(self, night, tmp_path):
        done = night.run(tmp_path / "run", stdout="/dev/full")
        assert done.returncode == 4
        assert done.stderr.splitlines()[-1].startswith("stdout: No space left on device")
        assert "Traceback" not in done.stderr
        assert front_of(tmp_path / "run") == front_of(night.whole)
        assert night.call("check", night.brief, stdout="/dev/full").returncode == 4

    def test_a_stream_takes_what_it_can_and_says_what_it_lost(self, tmp_path):
        reader, writer = os.pipe()
        with console.Enduring(writer, "w") as stream:
            assert stream.write(b"one") == 3 and os.read(reader, 9) == b"one"
            os.close(reader)
            assert stream.write(b"two") == 3 and isinstance(stream.wrong, BrokenPipeError)
            assert stream.write(b"three") == 5


class TestLock:
    """One run in a folder, and its name for the other."""

    def test_two_runs_into_one_folder(self, night, tmp_path):
        out = tmp_path / "run"
        first = night.start(out, "--quiet")
        wait_for(lambda: tasks_kept(out) >= 1, first)
        first.send_signal(signal.SIGSTOP)
        second = night.run(out, "--force")
        assert second.returncode == 2
        assert f"process {first.pid} on {socket.gethostname()} since 20" in second.stderr
        first.send_signal(signal.SIGCONT)
        assert first.wait().returncode == 0
        assert front_of(out) == front_of(night.whole)

    def test_the_lock_of_a_dead_process_is_taken_over(self, night, tmp_path):
        out = tmp_path / "run"
        process = night.start(out, "--quiet")
        wait_for(lambda: tasks_kept(out) >= 1, process)
        process.kill()
        assert json.loads((out / LOCK_FILE).read_text())["pid"] == process.pid
        begun = time.monotonic()
        with locked(out):
            assert json.loads((out / LOCK_FILE).read_text())["pid"] == os.getpid()
        assert time.monotonic() - begun < 5
        assert not (out / LOCK_FILE).exists()

    @pytest.fixture
    def elsewhere(self, tmp_path, monkeypatch):
        """A lock file of another machine, on a disk that locks among the processes of one machine only."""
        monkeypatch.setattr(lock, "SILENCE_S", 1.0)
        path = tmp_path / LOCK_FILE
        path.write_text(json.dumps({"host": "attic", "pid": 7, "since": "2026-01-01T00:00:00+00:00"}))
        return path

    def test_a_lock_of_another_machine_that_lives_is_respected(self, elsewhere, tmp_path):
        over = threading.Event()

        def touch():
            while not over.wait(0.05):
                os.utime(elsewhere)

        pulse = threading.Thread(target=touch)
        pulse.start()
        try:
            with pytest.raises(BadInput, match="process 7 on attic since 2026") as bad, locked(tmp_path):
                pass
        finally:
            over.set()
            pulse.join()
        assert [problem.code for problem in bad.value.problems] == ["folder-in-use"]
        assert elsewhere.exists()

    def test_a_lock_of_another_machine_that_is_silent_is_taken_over(self, elsewhere, tmp_path):
        with locked(tmp_path):
            assert json.loads(elsewhere.read_text())["host"] == socket.gethostname()

    def test_a_holder_shows_that_it_lives(self, tmp_path, monkeypatch):
        monkeypatch.setattr(lock, "TOUCH_S", 0.02)
        with locked(tmp_path):
            os.utime(tmp_path / LOCK_FILE, (1, 1))
            end = time.monotonic() + 10
            while (tmp_path / LOCK_FILE).stat().st_mtime < 2:
                assert time.monotonic() < end
                time.sleep(0.02)

    @pytest.mark.parametrize("text", ["", "rubbish", "[]", '{"pid": 1}', "\x00\x00"])
    def test_a_lock_file_that_says_nothing(self, tmp_path, text):
        (tmp_path / LOCK_FILE).write_text(text)
        with locked(tmp_path):
            pass


# The clock of the wall jumps by a day forwards and back at every reading; time.monotonic goes on as it should.
JUMPS = """
import time, itertools
real, steps = time.time, itertools.cycle([0.0, 86400.0, -86400.0])
time.time = lambda: real() + next(steps)
"""


class TestClock:
    """Budgets and signs of life are no matter of the wall's clock."""

    def test_a_search_whose_clock_jumps(self, night, tmp_path):
        done = night.run(tmp_path / "run", "--budget", "10min", "--quiet", patch=JUMPS)
        assert done.returncode == 0, done.stderr
        assert front_of(tmp_path / "run") == front_of(night.whole)

    @pytest.mark.nightly
    def test_under_a_clock_that_is_faked_for_the_whole_process(self, night, tmp_path):
        """libfaketime: every clock but the monotonic one starts a day ahead and runs a thousand times too fast."""
        faked = next((p for p in FAKETIME if os.path.exists(p)), None)
        if faked is None:
            pytest.skip("no libfaketime here (apt-get install libfaketime)")
        env = {**night.env, "LD_PRELOAD": faked, "FAKETIME": "+1d x1000", "DONT_FAKE_MONOTONIC": "1"}
        env["FAKETIME_DONT_FAKE_MONOTONIC"] = "1"
        # That the clock is faked at all: else the search below would show nothing.
        # No sleep: this library takes it for a wait on the clock that it fakes, and refuses it.
        clocks = "import time; begun = time.time(); sum(range(10**7)); print(time.time() - begun, begun)"
        asked = subprocess.run([sys.executable, "-c", clocks], capture_output=True, text=True, check=True, env=env)
        passed, wall = map(float, asked.stdout.split())
        assert passed > 10 and wall > time.time() + 80_000
        line = night.command(tmp_path / "run", "--budget", "10min", "--quiet")
        done = subprocess.run(line, capture_output=True, text=True, check=False, env=env)
        assert done.returncode == 0, done.stderr
        assert front_of(tmp_path / "run") == front_of(night.whole)

    def test_no_module_measures_time_by_the_wall(self):
        """time.time is read for the ages of files alone."""
        found = subprocess.run(
            [sys.executable, "-c", WALLS], capture_output=True, text=True, check=True
        ).stdout.split()  # fmt: skip
        assert found == ["base/cache.py"]


FAKETIME = [f"/usr/lib/{kind}-linux-gnu/faketime/libfaketime.so.1" for kind in ("x86_64", "aarch64")]

WALLS = """
import pathlib, optimizer
root = pathlib.Path(optimizer.__file__).parent
for path in sorted(root.rglob("*.py")):
    if "time.time()" in path.read_text():
        print(path.relative_to(root).as_posix())
"""
