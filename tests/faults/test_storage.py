"""A shared storage that is lost while a search runs, and caches that are damaged."""

import os
import random

import numpy as np
import pytest
from database import database_server
from open_briefs import brief_text
from scenes import front_of, wait_for
from states import state_of

from optimizer.base import cache


@pytest.fixture
def server():
    """URL of a server of its own, and how to stop and start it."""
    with database_server() as started:
        yield started.url, started.control


@pytest.mark.nightly
def test_a_server_that_stops(night, tmp_path, server):
    """Exit code 4 with one message; what was found is kept, and the search is gone on with alone."""
    url, control = server
    out, brief = tmp_path / "run", tmp_path / "boxes.toml"
    brief.write_text(
        brief_text(
            length="{ min = 104, max = 184, step = 20 }", width="{ min = 66, max = 102, step = 12 }",
            search="[search]\ntrials = 20\npatience = 0",
        )
    )  # fmt: skip
    process = night.start_search(brief, out, "--storage", url, "--quiet", "--refresh", "0.01s")
    wait_for((out / "run.json").exists, process)
    control("stop", "-m", "immediate")
    process.wait()
    assert process.returncode == 4, process.stderr
    assert "the storage was lost" in process.stderr and "--resume" in process.stderr
    assert "Traceback" not in process.stderr and "secret" not in process.stderr
    assert state_of(out) == "begun" and len(front_of(out)) > 0
    done = night.start_search(brief, out, "--resume", "--quiet").wait()
    assert done.returncode == 0, done.stderr
    whole = night.start_search(brief, tmp_path / "whole", "--quiet").wait()
    assert whole.returncode == 0, whole.stderr
    assert front_of(out) == front_of(tmp_path / "whole")
    assert "secret" not in (out / "run.json").read_text()


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
