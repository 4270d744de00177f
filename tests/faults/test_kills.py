"""Searches killed at random moments: the folder holds the whole run, or the run is gone on with to the same front."""

import json
import os
import random
import signal
import time

import pytest
from scenes import front_of
from states import FRONT, state_of, tasks_of


def finished(night, out):
    """Go on with a killed run, or begin anew where nothing was begun, to its end."""
    more = {"begun": ["--resume"], "nothing": []}.get(state_of(out))
    if more is None:
        return
    done = night.run(out, "--quiet", *more)
    assert done.returncode == 0, done.stderr


def kill_at(night, out, delay_s, *more, warm):
    """Start a search and kill it after a while; whether it was still at work."""
    process = (night.start if warm else night.start_cold)(out, "--quiet", *more)
    time.sleep(delay_s)
    alive = process.poll() is None
    process.kill()
    process.wait()
    return alive


def kill_and_check(night, out, rng, seconds, *, warm=True):
    """One run, killed up to twice at random; how often it was killed at work."""
    killed = int(kill_at(night, out, rng.uniform(0.0, seconds), *options(rng), warm=warm))
    if rng.random() < 0.5 and state_of(out) == "begun":
        killed += int(kill_at(night, out, rng.uniform(0.0, seconds), "--resume", *options(rng), warm=warm))
    finished(night, out)
    assert front_of(out) == front_of(night.whole)
    assert (out / "front.parquet").read_bytes() == (night.whole / "front.parquet").read_bytes()
    # A kill behind the last file of the front leaves a whole run, and checkpoints that nobody asks for any more.
    left = {path.name for path in out.iterdir()} - {*FRONT, ".lock", "checkpoints"}
    assert not [name for name in left if not name.startswith(".")]
    return killed


def options(rng):
    """Sometimes the front is written as often as can be, so that kills fall into writing."""
    return ["--refresh", "0.01s"] if rng.random() < 0.5 else []


def seconds_of(night, tmp_path, *, warm=True):
    """How long a whole run takes here and now, from process start to end."""
    begun = time.monotonic()
    process = (night.start if warm else night.start_cold)(tmp_path / "timed", "--quiet")
    process.communicate()
    assert process.returncode == 0
    return time.monotonic() - begun


@pytest.mark.slow
def test_kills_at_random_moments(night, tmp_path):
    rng, killed, seconds = random.Random(1), 0, seconds_of(night, tmp_path)
    for n in range(3):
        killed += kill_and_check(night, tmp_path / f"run-{n}", rng, seconds)
    assert killed >= 2


@pytest.mark.nightly
def test_fifty_kills_at_random_moments(night, tmp_path, record_property):
    wanted, seed = int(os.environ.get("CELLSTOW_KILLS", "50")), int(os.environ.get("CELLSTOW_SEED", "7"))
    rng, killed, runs, seconds = random.Random(seed), 0, 0, seconds_of(night, tmp_path, warm=False)
    while killed < wanted:
        killed += kill_and_check(night, tmp_path / f"run-{runs}", rng, seconds, warm=False)
        runs += 1
    print(f"{killed} kills of {runs} runs survived, over {seconds:.1f} s each")
    record_property("kills", killed)


# Ends a process right before its n-th call of a function of the system.
STRIKE = """
import os, signal
real, seen = os.{which}, 0
def struck(*args, **kwargs):
    global seen
    seen += 1
    if seen == {count}:
        os.kill(os.getpid(), signal.SIGKILL)
    return real(*args, **kwargs)
os.{which} = struck
"""


def strike(night, out, which, count, *more):
    """A search that ends so."""
    # Each slice is written by itself, so that the calls can be counted.
    patch = "from optimizer.search.running import checkpoint; checkpoint.EVERY_S = 0.0\n"
    done = night.run(out, "--quiet", *more, patch=patch + STRIKE.format(which=which, count=count))
    assert done.returncode == -signal.SIGKILL, done.stderr


def test_killed_between_the_files_of_the_final_front(night, tmp_path):
    """The front's three files are moved one after the other: a kill in between is noticed, never read."""
    out, moves = tmp_path / "run", tasks_of(night) + 2
    strike(night, out, "replace", moves + 2)
    assert state_of(out) == "begun"
    assert (out / "front.parquet").exists() and not (out / "run.json").exists()
    report = night.call("shortlist", out)
    assert report.returncode == 2 and "no-run" in report.stderr
    finished(night, out)
    assert front_of(out) == front_of(night.whole)


def test_killed_between_the_files_over_an_older_run(night, tmp_path):
    """Then run.json is there, and tells of another front."""
    out, moves = tmp_path / "run", tasks_of(night) + 2
    out.mkdir()
    (out / "run.json").write_text(
        (night.whole / "run.json").read_text().replace(sha_of(night.whole), "0" * 64)
    )  # fmt: skip
    strike(night, out, "replace", moves + 2, "--force")
    report = night.call("shortlist", out)
    assert report.returncode == 2 and "torn-run" in report.stderr
    finished(night, out)
    assert front_of(out) == front_of(night.whole)


def sha_of(out):
    return json.loads((out / "run.json").read_text())["front"]["sha256"]
