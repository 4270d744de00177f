"""A brief with ranges searched by two commands through one storage, one of them killed half-way.

Promised: nothing that anyone told is lost, no box that was told is solved again, and a box that the dead had in work
is solved in the end. When every box is tried, the front is thus that of one undisturbed search, whoever tried which.
"""

import functools
import json
import signal
import time
from collections import Counter

import pandas as pd
import pytest
from database import database_server
from open_briefs import brief_text
from optuna.trial import TrialState
from scenes import front_of, start, wait_for

from optimizer.brief import open_brief
from optimizer.search.boxes.freedims import open_boxes
from optimizer.search.boxes.openfront import front_of as front_of_packs
from optimizer.search.boxes.sampled import ADDED, BOX, GAIN
from optimizer.search.boxes.study import unpacked
from optimizer.search.exact import archive
from optimizer.search.running.checkpoint import run_key
from optimizer.search.running.storage import open_storage
from optimizer.workflows.how import How
from optimizer.workflows.open_search import run_open_job

BOXES = 5 * 4
TOLD = (TrialState.COMPLETE, TrialState.PRUNED)


def brief_of_few_boxes(folder, *, trials):
    """Twenty boxes whose walls are weighed and billed, so that no two give packs alike; no resolution, no patience."""
    path = folder / f"boxes{trials}.toml"
    path.write_text(
        brief_text(
            length="{ min = 104, max = 184, step = 20 }", width="{ min = 66, max = 102, step = 12 }",
            wires="silicone-4", box_lines="[box]\nwall_mm = 2.0\ndensity_kg_m3 = 2700.0\nprice_per_kg = 40.0",
            search=f"[search]\ntrials = {trials}\npatience = 0",
        )
    )  # fmt: skip
    return path


@functools.cache
def key_of(brief):
    """What a brief's study is called by."""
    return run_key(open_boxes(open_brief(brief)).inputs)[:32]


@functools.cache
def storage_of(url, folder):
    """One storage for all questions of a test: each holds connections, of which a server has a hundred."""
    return open_storage(url, folder=folder)


def trials_of(url, folder, *states):
    """Trials that a storage holds in some states, or in any; none before there is a study."""
    storage = storage_of(url, folder)
    wanted = key_of(next(folder.glob("boxes*.toml")))
    return [
        trial
        for study in storage.get_all_studies()
        if study.study_name.endswith(wanted)
        for trial in storage.get_all_trials(study._study_id, deepcopy=False, states=states or None)
        if BOX in trial.user_attrs
    ]


def boxes_told(url, folder):
    """How often each box was solved to its end."""
    return Counter(tuple(t.user_attrs[BOX]) for t in trials_of(url, folder, *TOLD) if GAIN in t.user_attrs)


def packs_told(url, folder):
    """Packs that each told box added, as they are kept."""
    told = [trial for trial in trials_of(url, folder, *TOLD) if ADDED in trial.user_attrs]
    return {tuple(trial.user_attrs[BOX]): trial.user_attrs[ADDED] for trial in told}


def in_transaction(url):
    """Whether a session of others is at work, or holds what it has read."""
    import psycopg

    asked = "SELECT count(*) FROM pg_stat_activity WHERE datname = 'postgres' AND state <> 'idle' AND pid <> %s"
    with psycopg.connect(url, autocommit=True) as server:
        return server.execute(asked, [server.info.backend_pid]).fetchone()[0] > 0


def stopped_with_a_box_in_hand(victim, url, folder):
    """Halt a command that has told packs of some box and has others in work; those."""
    wait_for(lambda: packs_told(url, folder), victim)
    while True:
        victim.send_signal(signal.SIGSTOP)
        # Halted inside a transaction it would hold the study's row, and the other command would wait for it.
        held = [] if in_transaction(url) else trials_of(url, folder, TrialState.RUNNING)
        if held:
            return {tuple(trial.user_attrs[BOX]) for trial in held}
        victim.send_signal(signal.SIGCONT)
        time.sleep(0.02)


@pytest.fixture(scope="module")
def postgres():
    """A database server of its own, on loopback."""
    with database_server() as server:
        yield server.url


@pytest.mark.nightly
@pytest.mark.parametrize("trials", [8, BOXES])
def test_two_commands_one_killed_lose_nothing(tmp_path, monkeypatch, request, postgres, trials):
    monkeypatch.setenv("CELLSTOW_CACHE", str(tmp_path / "cache"))
    brief, url = brief_of_few_boxes(tmp_path, trials=trials), postgres
    victim = start(brief, tmp_path / "first", "--storage", url)
    request.addfinalizer(victim.kill)
    held = stopped_with_a_box_in_hand(victim, url, tmp_path)
    before, kept = boxes_told(url, tmp_path), packs_told(url, tmp_path)
    assert not held & before.keys() and len(before) < trials
    heir = start(brief, tmp_path / "second", "--storage", url)
    request.addfinalizer(heir.kill)
    wait_for(lambda: len(boxes_told(url, tmp_path)) >= len(before) + 2, heir)
    victim.kill()
    assert victim.wait() == -signal.SIGKILL
    _, errors = heir.communicate(timeout=200)
    assert heir.returncode == 0, errors
    record = json.loads((tmp_path / "second" / "run.json").read_text())
    solved = boxes_told(url, tmp_path)
    assert record["sampled"]["tried"] == len(solved) == trials
    assert set(solved.values()) == {1} and before.keys() < solved.keys()

    # All packs that either of them told of, against what the heir says is left of them.
    found = archive.merge([unpacked(t.user_attrs[ADDED]) for t in trials_of(url, tmp_path) if ADDED in t.user_attrs])
    want = front_of_packs(found, boxes=open_boxes(open_brief(brief)))
    front = pd.read_parquet(tmp_path / "second" / "front.parquet")
    assert front["design_id"].tolist() == want["design_id"].tolist() and len(front) > 10
    assert kept and kept.items() <= packs_told(url, tmp_path).items()
    if trials == BOXES:
        assert held <= solved.keys()
        alone = run_open_job(open_brief(brief), folder=tmp_path / "whole", how=How(workers=1))
        assert alone.run["sampled"]["tried"] == BOXES
        assert front_of(tmp_path / "second") == front_of(tmp_path / "whole")
