"""Disks that are full or can't be written to: one message, what was done is kept, and nothing half-written stands."""

import json

import pytest
from mounts import fill, free_kib, read_only, small_disk
from scenes import front_of, tasks_kept, wait_for
from states import state_of, tasks_of

NO_ROOM = "No space left on device"


def one_message(text):
    """Whether an error was told in one line, without a traceback."""
    lines = [line for line in text.splitlines() if line.strip()]
    return "Traceback" not in text and len(lines) <= 2


def test_full_while_tasks_are_kept(night, tmp_path):
    with small_disk(tmp_path / "disk", kib=8000) as disk:
        out = disk / "run"
        process = night.start(out, "--quiet")
        wait_for(lambda: tasks_kept(out) >= 2, process)
        ballast = fill(disk)
        process.wait()
        assert process.returncode == 4
        assert NO_ROOM in process.stderr and "--resume" in process.stderr and one_message(process.stderr)
        assert state_of(out) == "begun" and tasks_kept(out) >= 2
        again = night.run(out, "--resume", "--quiet")
        assert again.returncode == 4 and one_message(again.stderr)
        ballast.unlink()
        done = night.run(out, "--resume", "--quiet")
        assert done.returncode == 0, done.stderr
        assert front_of(out) == front_of(night.whole)


@pytest.mark.parametrize("room_kib", [0, 20])
def test_full_while_the_front_is_written(night, tmp_path, room_kib):
    """Whichever of the front's files finds no room, none of them changes."""
    wait = f"""
import pathlib, time
from optimizer.workflows import search as job
real = job.write_last
def write_last(*args, **more):
    pathlib.Path({str(tmp_path / "now")!r}).touch()
    while not pathlib.Path({str(tmp_path / "go")!r}).exists():
        time.sleep(0.01)
    return real(*args, **more)
job.write_last = write_last
"""
    with small_disk(tmp_path / "disk", kib=8000) as disk:
        out = disk / "run"
        process = night.start(out, "--quiet", patch=wait)
        wait_for((tmp_path / "now").exists, process)
        ballast = fill(disk, leave_kib=room_kib)
        (tmp_path / "go").touch()
        process.wait()
        assert process.returncode == 4
        assert NO_ROOM in process.stderr and "not written" in process.stderr and one_message(process.stderr)
        assert not [name for name in ("front.parquet", "front.csv", "run.json") if (out / name).exists()]
        assert not [path.name for path in out.iterdir() if path.name.endswith(".part")]
        assert tasks_kept(out) == tasks_of(night)
        ballast.unlink()
        done = night.run(out, "--resume", "--quiet")
        assert done.returncode == 0, done.stderr
        assert json.loads((out / "run.json").read_text())["tasks"]["from_before"] == tasks_of(night)
        assert front_of(out) == front_of(night.whole)


def test_a_full_cache_costs_time_and_no_result(night, tmp_path):
    with small_disk(tmp_path / "cache", kib=64) as cache:
        fill(cache)
        done = night.run(tmp_path / "run", "--quiet", CELLSTOW_CACHE=str(cache))
        assert done.returncode == 0 and done.stderr == ""
        assert front_of(tmp_path / "run") == front_of(night.whole)
        assert not list(cache.rglob("*.npz")) and free_kib(cache) <= 4


@pytest.mark.nightly
def test_full_while_workshop_files_are_written(night, tmp_path):
    """shortlist and report: exit code 4 with one message; whatever bears its own name is whole."""
    with small_disk(tmp_path / "disk", kib=8000) as disk:
        run = copied(night, disk / "run")
        ballast = fill(disk, leave_kib=100)
        done = night.call("shortlist", run, "--count", 1, "--quiet")
        assert done.returncode == 4
        assert NO_ROOM in done.stderr and one_message(done.stderr)
        report = night.call("report", run, "--quiet")
        assert report.returncode == 4
        assert NO_ROOM in report.stderr and one_message(report.stderr)
        assert not (run / "review.html").exists() and not (run / "shortlist.csv").exists()
        ballast.unlink()
        done = night.call("shortlist", run, "--count", 1, "--quiet")
        assert done.returncode == 0, done.stderr


def copied(night, run):
    """The undisturbed run, elsewhere."""
    run.mkdir(parents=True)
    for name in ("front.parquet", "front.csv", "run.json"):
        (run / name).write_bytes((night.whole / name).read_bytes())
    record = json.loads((run / "run.json").read_text())
    (run / "run.json").write_text(json.dumps({**record, "brief_file": str(night.brief)}))
    return run


def refused(night, *args):
    done = night.call(*args)
    assert done.returncode == 2, (args, done.stderr)
    assert "Read-only file system" in done.stderr and one_message(done.stderr), (args, done.stderr)
    assert done.stdout == ""


def test_a_folder_that_cannot_be_written_to(night, tmp_path):
    with read_only(tmp_path / "disk") as disk:
        refused(night, "search", night.brief, "--out", disk / "new")
        refused(night, "new", disk / "starter")
        refused(night, "schema", "--out", disk / "schema.json")


@pytest.mark.nightly
def test_a_run_on_a_disk_that_cannot_be_written_to(night, tmp_path):
    source = tmp_path / "source"
    copied(night, source / "run")
    with read_only(tmp_path / "disk", source=source) as disk:
        refused(night, "search", night.brief, "--out", disk / "run", "--force", "--quiet")
        refused(night, "report", disk / "run", "--quiet")
        refused(night, "shortlist", disk / "run", "--quiet", "--count", 1)
        for args in (("why", disk / "run", "--cell", "amber-18650-e35"), ("compare", disk / "run", night.whole)):
            assert night.call(*args, "--quiet").returncode == 0, args


def test_a_read_only_cache(night, tmp_path):
    with read_only(tmp_path / "cache") as cache:
        done = night.run(tmp_path / "run", "--quiet", CELLSTOW_CACHE=str(cache))
        assert done.returncode == 0 and done.stderr == ""
        assert front_of(tmp_path / "run") == front_of(night.whole)
