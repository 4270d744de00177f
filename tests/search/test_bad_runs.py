"""Bad input of a search, through the command line: a clear message, exit code 2, and not a byte is lost."""

import hashlib
import json
import shutil

import pytest
from click.testing import CliRunner
from scenes import brief_of_many_tasks, front_of, tasks_kept
from test_sampled import BOX, brief_text

from optimizer.cli import main
from optimizer.search.running import checkpoint
from optimizer.workflows.how import How
from optimizer.workflows.search import Watch, run_job


def search(brief, out, *more):
    """Exit code and what was said."""
    done = CliRunner().invoke(main, ["search", str(brief), "--out", str(out), "--workers", "1", *more])
    return done.exit_code, done.stderr


def bytes_of(folder):
    """Hash of every file in a folder."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


@pytest.fixture(scope="module")
def brief(tmp_path_factory):
    return brief_of_many_tasks(tmp_path_factory.mktemp("many"), most_parallel=3)


@pytest.fixture(scope="module")
def whole(brief):
    """Folder of the undisturbed run."""
    run_job(brief, folder=brief.parent / "whole")
    return brief.parent / "whole"


@pytest.fixture(scope="module")
def cut(brief):
    """Folder of a run that Ctrl-C ended after three tasks."""

    def interrupt(_, outcome):
        if outcome.done == 3:
            raise KeyboardInterrupt

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Watch, "__call__", interrupt)
        patch.setattr(checkpoint, "EVERY_S", 0.0)
        result = run_job(brief, folder=brief.parent / "cut")
    assert result.interrupted and tasks_kept(brief.parent / "cut") == 3
    return brief.parent / "cut"


@pytest.fixture
def run(cut, tmp_path):
    """A copy of the cut-off run."""
    return shutil.copytree(cut, tmp_path / "run")


def test_a_run_of_another_brief_is_not_gone_on_with(brief, run, tmp_path):
    other = brief_of_many_tasks(tmp_path, most_parallel=3, cost_max=800.0)
    before = bytes_of(run)
    for how, code in (("--resume", "other-run"), ("--quiet", "run-exists")):
        exit_code, said = search(other, run, how)
        assert exit_code == 2 and code in said and str(run) in said
        assert bytes_of(run) == before
    assert "changed: " in search(other, run, "--resume")[1]


@pytest.mark.parametrize("text", ["0", "0s", "0h", "-5s", "-1", "8", "soon", "", "0 trials", "-3 trials", "1e3 trials"])
def test_a_budget_that_is_none(brief, run, text):
    before = bytes_of(run)
    code, said = search(brief, run, "--resume", f"--budget={text}")
    assert code == 2 and "--budget" in said and "bad-budget" in said and "8h" in said
    assert bytes_of(run) == before


def test_a_budget_twice(brief, run):
    code, said = search(brief, run, "--resume", "--budget", "8h", "--budget", "30min")
    assert code == 2 and "bad-budget" in said and "give each kind once" in said


@pytest.mark.parametrize("text", ["200 trials", "no gain", "no-gain"])
def test_trials_are_no_budget_of_a_brief_without_ranges(brief, run, tmp_path, text):
    before = bytes_of(run)
    for out, more in ((run, ["--resume"]), (tmp_path / "new", [])):
        code, said = search(brief, out, "--budget", text, *more)
        assert code == 2 and "budget-without-ranges" in said and "has no ranges" in said
    assert bytes_of(run) == before and not (tmp_path / "new").exists()


@pytest.mark.parametrize("damage", ["cut short", "rubbish", "empty", "one bit"])
def test_a_damaged_checkpoint_is_named_and_the_rest_is_kept(brief, whole, run, damage):
    path = sorted((run / "checkpoints").glob("task-*.npz"))[1]
    data = path.read_bytes()
    changed = {"cut short": data[: len(data) // 2], "rubbish": b"rubbish" * 99, "empty": b""}
    path.write_bytes(changed.get(damage, data[:-9] + bytes([data[-9] ^ 1]) + data[-8:]))
    before = bytes_of(run)
    code, said = search(brief, run, "--resume")
    assert code == 2 and "corrupt-checkpoint" in said and path.name in said and "delete this file" in said
    assert bytes_of(run) == before
    path.unlink()  # as the message says
    assert search(brief, run, "--resume", "--quiet")[0] == 0
    assert front_of(run) == front_of(whole)
    assert json.loads((run / "run.json").read_text())["tasks"]["from_before"] == 2


def test_a_damaged_manifest_is_named(brief, run):
    (run / "checkpoints" / "manifest.json").write_text('{"key": ')
    before = bytes_of(run)
    code, said = search(brief, run, "--resume")
    assert code == 2 and "corrupt-checkpoint" in said and "manifest.json" in said
    assert bytes_of(run) == before


@pytest.fixture(scope="module")
def boxes(tmp_path_factory):
    folder = tmp_path_factory.mktemp("boxes")
    more = "[search]\ntrials = 6\ngrid = 2\npatience = 0\n"
    sizes = {"length": "{ min = 104, max = 164, step = 20 }", "width": "{ min = 66, max = 90, step = 12 }"}
    (folder / "boxes.toml").write_text(brief_text(**sizes, box_lines=BOX, search=more))
    return folder / "boxes.toml"


class TestBudgetOfBoxes:
    """Trials and the want of gain end a search of boxes, and change nothing of what is tried before."""

    @pytest.mark.slow
    def test_trials_end_it_and_more_of_them_go_on_as_if_undisturbed(self, boxes, tmp_path):
        assert search(boxes, tmp_path / "whole", "--quiet")[0] == 0
        assert record_of(tmp_path / "whole")["tried"] == 6
        assert search(boxes, tmp_path / "run", "--quiet", "--budget", "3 trials")[0] == 0
        assert (record_of(tmp_path / "run")["tried"], record_of(tmp_path / "run")["stopped"]) == (3, "trials")
        assert search(boxes, tmp_path / "run", "--quiet", "--resume")[0] == 0
        assert record_of(tmp_path / "run")["tried"] == 6
        assert front_of(tmp_path / "run") == front_of(tmp_path / "whole")

    @pytest.mark.slow
    def test_no_gain_lifts_the_brief_s_number_of_trials(self, boxes, tmp_path):
        assert search(boxes, tmp_path / "run", "--quiet", "--budget", "no gain")[0] == 0
        record = record_of(tmp_path / "run")
        assert record["patience"] == 40 and record["tried"] == record["boxes"] == 12
        assert record["stopped"] == "every box tried"

    def test_the_first_limit_ends_it(self, boxes):
        rules = ending_of(boxes, How(trials=4, no_gain=True))
        assert (rules.trials, rules.patience) == (4, 40)
        assert ending_of(boxes, How()).trials == 6


def ending_of(path, how):
    from optimizer.brief import open_brief
    from optimizer.search.boxes.freedims import open_boxes
    from optimizer.workflows.open_search import ending

    return ending(open_boxes(open_brief(path)).inputs.brief.search, how)


def record_of(out):
    return json.loads((out / "run.json").read_text())["sampled"]
