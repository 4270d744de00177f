"""A shared storage that is lost while a search runs, and caches and journals that are damaged."""

import json
import os
import random
import signal
import subprocess
import time

import numpy as np
import pytest
from database import database_server
from scenes import front_of, tasks_kept, wait_for
from states import state_of

from optimizer.base import cache
from optimizer.base.problems import Stopped
from optimizer.search.running import journal
from optimizer.search.running.board import Board
from optimizer.search.running.storage import open_storage

# A server that is away is waited for; not as long here.
IMPATIENT = "from optimizer.search.running import board; board.PATIENCE_S = 1.0"


@pytest.fixture
def server():
    """URL of a server of its own, and how to stop and start it."""
    with database_server() as started:
        yield started.url, started.control


class TestLostStorage:
    """Exit code 4 with one message; what was found is kept and gone on with, alone or with a new storage."""

    def test_a_journal_that_is_removed(self, night, tmp_path):
        out, log = tmp_path / "run", tmp_path / "shared.log"
        process = night.start(out, "--storage", f"journal:{log}", "--quiet")
        wait_for(lambda: tasks_kept(out) >= 2, process)
        log.unlink()
        process.wait()
        assert process.returncode == 4
        assert f"{log}: the journal was removed" in process.stderr and "--resume" in process.stderr
        assert "Traceback" not in process.stderr
        assert state_of(out) == "begun" and tasks_kept(out) >= 2
        assert json.loads((out / "run.json").read_text())["front"]["rows"] > 0
        assert not log.exists()
        done = night.run(out, "--resume", "--storage", f"journal:{log}", "--quiet")
        assert done.returncode == 0, done.stderr
        assert front_of(out) == front_of(night.whole)

    @pytest.mark.slow
    def test_a_server_that_stops(self, night, tmp_path, server):
        url, control = server
        out = tmp_path / "run"
        process = night.start(out, "--storage", url, "--quiet", patch=IMPATIENT)
        wait_for(lambda: tasks_kept(out) >= 2, process)
        control("stop", "-m", "immediate")
        process.wait()
        assert process.returncode == 4
        assert "the storage was lost" in process.stderr and "--resume" in process.stderr
        assert "Traceback" not in process.stderr and "secret" not in process.stderr
        assert state_of(out) == "begun" and tasks_kept(out) >= 2
        done = night.run(out, "--resume", "--quiet")
        assert done.returncode == 0, done.stderr
        assert front_of(out) == front_of(night.whole)
        assert "secret" not in (out / "run.json").read_text()

    @pytest.mark.nightly
    def test_a_server_that_starts_anew_costs_nothing_but_the_wait(self, night, tmp_path, server):
        url, control = server
        out = tmp_path / "run"
        process = night.start(out, "--storage", url, "--quiet")
        wait_for(lambda: tasks_kept(out) >= 2, process)
        control("restart", "-m", "immediate")
        process.wait()
        assert process.returncode == 0, process.stderr
        assert front_of(out) == front_of(night.whole)


class TestJournal:
    """Half-written lines do no harm."""

    def board(self, path, folder):
        storage = open_storage(f"journal:{path}", folder=folder)
        return Board(storage, key="k" * 32, holder="test", heartbeat_s=0.2, grace_s=60.0)

    def test_a_line_cut_off_by_a_kill_is_taken_back(self, tmp_path):
        path = tmp_path / "j.log"
        one = self.board(path, tmp_path)
        assert one.claim([0, 1, 2]) == 0
        one.finish(0, b"result")
        whole = path.read_bytes()
        last = whole.rstrip(b"\n").rsplit(b"\n", 1)[1]
        for cut in (1, len(last) // 2, len(last)):
            path.open("ab").write(last[:cut])  # what a writer leaves that is killed in the middle
            other = self.board(path, tmp_path)
            task = other.claim([0, 1, 2])
            assert task in (1, 2)
            other.finish(task, b"other")
            other.release(*list(other._claims))
            assert all(json.loads(line) for line in path.read_bytes().splitlines())
            other._over.set()
            path.write_bytes(whole)

    def test_a_disk_that_is_full_takes_no_part_of_a_line(self, tmp_path, monkeypatch):
        path = tmp_path / "j.log"
        one = self.board(path, tmp_path)
        one._over.set()
        one._pulse.join()
        before = path.read_bytes()
        real = os.write

        def full(handle, content):
            if len(content) > 10:
                return real(handle, content[:10])
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(journal.os, "write", full)
        monkeypatch.setattr("optimizer.search.running.board.PATIENCE_S", 0.0)
        with pytest.raises(Stopped, match="No space left"):
            one.claim([0])
        assert path.read_bytes() == before
        monkeypatch.undo()
        assert one.claim([0]) == 0

    def test_long_lines_are_found_the_end_of(self, tmp_path):
        path = tmp_path / "x"
        for whole, rest in ((0, 0), (0, 10), (10, 0), (300_000, 200_000), (70_000, 70_000), (1, 65_536)):
            path.write_bytes((b"a" * (whole - 1) + b"\n" if whole else b"") + b"b" * rest)
            with path.open("rb") as stream:
                assert journal._end_of_whole_lines(stream.fileno()) == whole


class TestCache:
    """A damaged entry is worked out again, whatever is wrong with it."""

    @pytest.fixture
    def entry(self, tmp_path, monkeypatch):
        monkeypatch.setenv("CELLSTOW_CACHE", str(tmp_path))
        cache.cached("t", 1, lambda: {"a": np.arange(40.0), "b": np.array("text")})
        (path,) = tmp_path.rglob("*.npz")
        return path

    def answer(self):
        fresh = []

        def compute():
            fresh.append(1)
            return {"a": np.arange(40.0), "b": np.array("text")}

        found = cache.cached("t", 1, compute)
        assert np.array_equal(found["a"], np.arange(40.0)) and str(found["b"]) == "text"
        return bool(fresh)

    def test_any_bit_flipped_any_length_any_garbage(self, entry):
        whole, rng = entry.read_bytes(), random.Random(3)
        assert not self.answer()
        for _ in range(300):
            damaged = bytearray(whole)
            damaged[rng.randrange(len(whole))] ^= 1 << rng.randrange(8)
            entry.write_bytes(damaged)
            assert self.answer()
            entry.write_bytes(whole[: rng.randrange(len(whole))])
            assert self.answer()
        for text in (b"", b"\n", bytes(len(whole)), rng.randbytes(500), whole + b"x", whole.replace(b" 1 ", b" 0 ", 1)):
            entry.write_bytes(text)
            assert self.answer()
        assert not self.answer()

    def test_an_entry_under_anothers_name(self, entry):
        cache.cached("t", 2, lambda: {"a": np.zeros(3)})
        (other,) = (path for path in entry.parent.iterdir() if path != entry)
        entry.write_bytes(other.read_bytes())
        assert self.answer()

    def test_a_whole_search_over_a_ruined_cache(self, night, tmp_path):
        ruined = tmp_path / "cache"
        rng = random.Random(5)
        for path in sorted((night.folder / "cache").rglob("*.npz")):
            content = path.read_bytes()
            place = ruined / path.relative_to(night.folder / "cache")
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(rng.choice([content[: len(content) // 2], rng.randbytes(64), b"", content]))
        done = night.run(tmp_path / "run", "--quiet", CELLSTOW_CACHE=str(ruined))
        assert done.returncode == 0 and done.stderr == ""
        assert front_of(tmp_path / "run") == front_of(night.whole)

    def test_what_killed_processes_left_goes_in_time(self, entry, monkeypatch):
        old, new = entry.parent / "old.part", entry.parent / "new.part"
        for path in (old, new):
            path.write_bytes(b"half")
        os.utime(old, (1, 1))
        monkeypatch.setattr(cache, "_held", {})
        cache.cached("t", 3, lambda: {"a": np.zeros(3)})
        assert not old.exists() and new.exists()

    def test_the_folder_is_not_counted_at_every_write(self, entry, monkeypatch):
        """Otherwise a catalog of many sizes would take a look at every file for every file."""
        counts, real = [], cache._trim
        monkeypatch.setattr(cache, "_held", {})
        monkeypatch.setattr(cache, "_trim", lambda base: counts.append(1) or real(base))
        for k in range(200):
            cache.cached("t", (k, "many"), lambda: {"a": np.zeros(3)})
        assert len(counts) == 1


def test_a_dead_writers_lock_of_the_journal_is_taken_over(night, tmp_path):
    """The journal's lock file of a process that died while it wrote."""
    log = tmp_path / "j.log"
    os.symlink(log, f"{log}.lock")
    begun = time.monotonic()
    patch = "from optimizer.search.running import journal; real = journal.Lock.__init__\n"
    patch += "journal.Lock.__init__ = lambda self, path: real(self, path, grace_period=1)"
    done = night.run(tmp_path / "run", "--storage", f"journal:{log}", "--quiet", patch=patch)
    assert done.returncode == 0, done.stderr
    assert time.monotonic() - begun < 60
    assert front_of(tmp_path / "run") == front_of(night.whole)


def test_ctrl_c_while_the_journal_is_locked(night, tmp_path):
    log = tmp_path / "j.log"
    process = night.start(tmp_path / "run", "--storage", f"journal:{log}", "--quiet")
    wait_for(lambda: tasks_kept(tmp_path / "run") >= 1, process)
    subprocess.run(["ln", "-s", str(log), f"{log}.lock"], check=False)
    time.sleep(1.0)
    process.send_signal(signal.SIGINT)
    time.sleep(0.5)
    (tmp_path / "j.log.lock").unlink(missing_ok=True)
    process.wait()
    assert process.returncode in (0, 130) and "Traceback" not in process.stderr
