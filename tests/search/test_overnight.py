"""Searches that are stopped, killed and gone on with, as real processes: the front is that of an undisturbed run."""

import json
import os
import signal
import subprocess
import time

import pandas as pd
import pytest
from scenes import brief_of_many_tasks, command, front_of, start, tasks_kept, wait_for

from optimizer.front.pareto import signed
from optimizer.workflows.how import How
from optimizer.workflows.search import run_job

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """A brief, and the folder of its undisturbed run."""
    folder = tmp_path_factory.mktemp("night")
    brief = brief_of_many_tasks(folder, most_parallel=6)
    result = run_job(brief, folder=folder / "whole", how=How(workers=1))
    assert result.run["space"]["complete"] and len(result.front) > 20
    assert result.run["tasks"]["all"] >= 12
    return brief, folder / "whole"


def resumed(brief, out, *more):
    line = command(brief, out, "--resume", "--quiet", *more)
    done = subprocess.run(line, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_killed_and_resumed_gives_the_same_front(night, tmp_path):
    brief, whole = night
    out = tmp_path / "run"
    process = start(brief, out)
    wait_for(lambda: tasks_kept(out) >= 4, process)
    kept = tasks_kept(out)
    process.kill()
    assert process.wait() == -signal.SIGKILL
    assert tasks_kept(out) >= kept
    resumed(brief, out)
    assert front_of(out) == front_of(whole)
    record = json.loads((out / "run.json").read_text())
    assert record["tasks"]["from_before"] >= kept
    assert record["space"]["complete"] is True
    assert not (out / "checkpoints").exists()


@pytest.mark.nightly
def test_killed_again_and_again(night, tmp_path):
    brief, whole = night
    out, more = tmp_path / "run", []
    for kept in (1, 4):
        process = start(brief, out, *more)
        wait_for(lambda kept=kept: tasks_kept(out) >= kept, process)
        process.kill()
        process.wait()
        more = ["--resume"]
    resumed(brief, out, "--workers", "2")
    assert front_of(out) == front_of(whole)


def test_ctrl_c_leaves_a_valid_front_and_a_run_to_go_on_with(night, tmp_path):
    brief, whole = night
    out = tmp_path / "run"
    process = start(brief, out)
    wait_for(lambda: tasks_kept(out) >= 3, process)
    process.send_signal(signal.SIGINT)
    text, _ = process.communicate(timeout=60)
    assert process.returncode == 130
    assert "--resume" in text
    front, record = pd.read_parquet(out / "front.parquet"), json.loads((out / "run.json").read_text())
    assert record["space"]["complete"] is False
    assert len(front) > 0
    points = signed(front, objectives=tuple(record["objectives"]))
    assert not any(((points <= row).all(axis=1) & (points < row).any(axis=1)).any() for row in points)
    resumed(brief, out)
    assert front_of(out) == front_of(whole)


def test_ctrl_c_with_workers_reaches_the_whole_group(night, tmp_path, monkeypatch):
    """As a terminal sends it: to the command and to each of its workers."""
    brief, whole = night
    out, temporary = tmp_path / "run", tmp_path / "temporary"
    temporary.mkdir()
    monkeypatch.setenv("TMPDIR", str(temporary))
    process = start(brief, out, "--workers", "2", "--quiet")
    wait_for(lambda: tasks_kept(out) >= 3, process)
    os.killpg(process.pid, signal.SIGINT)
    _, errors = process.communicate(timeout=60)
    assert process.returncode == 130
    assert errors == ""  # no traceback, and no warning of the resource tracker
    assert list(temporary.glob("cellstow-*")) == []  # what the workers shared
    front, record = pd.read_parquet(out / "front.parquet"), json.loads((out / "run.json").read_text())
    assert record["space"]["complete"] is False and len(front) == len(pd.read_csv(out / "front.csv")) > 0
    resumed(brief, out, "--workers", "2")
    assert front_of(out) == front_of(whole)


def test_a_budget_ends_the_search_and_the_front_is_refreshed_before(night, tmp_path):
    brief, whole = night
    out = tmp_path / "run"
    process = start(brief, out, "--budget", "6s", "--refresh", "0.2s")
    wait_for(lambda: (out / "run.json").exists(), process)
    assert json.loads((out / "run.json").read_text())["space"]["complete"] is False
    begun = time.monotonic()
    process.communicate(timeout=60)
    assert time.monotonic() - begun < 30
    if json.loads((out / "run.json").read_text())["space"]["complete"] is False:
        resumed(brief, out)
    assert front_of(out) == front_of(whole)


@pytest.mark.nightly
def test_a_dead_worker_is_replaced(night, tmp_path):
    brief, whole = night
    out = tmp_path / "run"
    process = start(brief, out, "--workers", "2")
    wait_for(lambda: tasks_kept(out) >= 2, process)
    # -ww: where COLUMNS is set, ps cuts the lines.
    listing = ["ps", "-ww", "-o", "pid=,args=", "--ppid", str(process.pid)]
    workers = subprocess.run(listing, capture_output=True, text=True, check=True)
    pids = [int(line.split()[0]) for line in workers.stdout.splitlines() if "popen_loky" in line]
    assert len(pids) == 2
    os.kill(pids[0], signal.SIGKILL)
    _, errors = process.communicate(timeout=120)
    assert process.returncode == 0, errors
    assert front_of(out) == front_of(whole)


def test_two_runs_in_one_folder(night, tmp_path):
    brief, _ = night
    out = tmp_path / "run"
    first = start(brief, out)
    wait_for(lambda: tasks_kept(out) >= 1, first)
    first.send_signal(signal.SIGSTOP)
    second = subprocess.run(command(brief, out, "--force"), capture_output=True, text=True, check=False)
    assert second.returncode == 2
    assert f"process {first.pid} on" in second.stderr
    assert tasks_kept(out) >= 1
    first.kill()
    first.wait()
