"""The command line with whatever people type: exit codes, one line per fault, no traceback, nothing written."""

import json
import shutil
from functools import partial

import mutate
import pytest
import targets
import trial
from click.testing import CliRunner
from test_trees import TINY, brief_folder, spoilt_brief

from optimizer.cli import COMMANDS, main

TEXTS = (
    "",
    " ",
    "-",
    "--",
    "-1",
    "nan",
    "inf",
    "1e999",
    "x" * 3000,
    "a\x1b[2J",
    "../..",
    "/",
    "~",
    "%00",
    "=1+1",
    "3,5",
    "0",
)


def run(*arguments):
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def check(done, *, codes=(2,), about=""):
    assert done.exit_code in codes, f"{about}: {done.exit_code} {done.output[-600:]}"
    assert done.exception is None or isinstance(done.exception, SystemExit), f"{about}: {done.exception!r}"
    assert "Traceback" not in done.output, about
    assert "\x1b" not in done.output, about


@pytest.fixture
def brief(tmp_path, monkeypatch):
    """A brief in a folder of its own, which is the current one."""
    path = brief_folder(tmp_path / "a")
    path.write_text(TINY)
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    return path


@pytest.mark.parametrize("command", COMMANDS)
def test_unknown_options_and_missing_arguments_are_usage_errors(command, brief, tmp_path):
    before = trial.listing(tmp_path)
    for arguments in (
        ["--no-such-option"],
        ["--no-such-option=1", brief],
        ["a", "b", "c", "d"],
        ["--json=maybe", brief],
    ):
        check(run(command, *arguments), about=f"{command} {arguments}")
    assert trial.listing(tmp_path) == before


@pytest.mark.parametrize("command", [name for name in COMMANDS if name not in ("schema", "new", "compare")])
def test_any_text_for_a_path_is_named(command, brief, tmp_path):
    before = trial.listing(tmp_path)
    for text in (*TEXTS, str(tmp_path), str(tmp_path / "none"), str(brief) + "/x"):
        check(run(command, "--", text), about=f"{command} {text[:30]!r}")
    assert trial.listing(tmp_path) == before


@pytest.mark.parametrize(
    ("option", "command"),
    [
        ("--workers", "search"),
        ("--budget", "search"),
        ("--refresh", "search"),
        ("--current", "characterize"),
        ("--power", "characterize"),
        ("--start-soc", "characterize"),
        ("--cutoff", "characterize"),
        ("--rated-ah", "characterize"),
        ("--series", "why"),
        ("--parallel", "why"),
        ("--cell", "why"),
    ],
)
def test_any_text_for_an_option_is_named(option, command, brief, tmp_path):
    (tmp_path / "curves.csv").write_text(targets.CURVES)
    place = tmp_path / "curves.csv" if command == "characterize" else brief
    before = trial.listing(tmp_path)
    for text in TEXTS:
        if option == "--cell" and text in ("0",):
            continue
        check(run(command, place, f"{option}={text}"), about=f"{command} {option}={text[:30]!r}")
    assert trial.listing(tmp_path) == before


def test_folders_that_are_files_and_files_that_are_folders(brief, tmp_path):
    stand = tmp_path / "stand"
    stand.write_text("precious")
    (tmp_path / "curves.csv").write_text(targets.CURVES)
    before = trial.listing(tmp_path)
    for arguments in (
        ["search", brief, "--out", stand],
        ["search", brief, "--out", stand / "below"],
        ["new", stand],
        ["new", stand / "below"],
        ["characterize", tmp_path / "curves.csv", "--out", stand],
        ["characterize", tmp_path / "curves.csv", "--out", stand, "--force"],
        ["shortlist", stand],
        ["report", stand],
        ["compare", stand, stand],
        ["why", stand],
        ["rescore", stand],
        ["fit", stand],
        ["vary", stand],
        ["search", brief, "--storage", f"journal:{stand / 'below' / 'x.log'}"],
    ):
        check(run(*arguments), about=str(arguments))
    assert trial.listing(tmp_path) == before
    assert stand.read_text() == "precious"


def test_paths_of_a_brief_are_relative_to_the_brief(brief, tmp_path, monkeypatch):
    """From any folder, with its own folder named in any way; a path that leads nowhere is named as it is written."""
    for start in (tmp_path, brief.parent, brief.parents[1] / "rides"):
        monkeypatch.chdir(start)
        check(run("check", brief), codes=(0,))
    monkeypatch.chdir(brief.parent)
    check(run("check", "brief.toml"), codes=(0,))
    check(run("check", f"../briefs/../briefs/{brief.name}"), codes=(0,))
    brief.write_text(TINY.replace("../cells.csv", "cells.csv"))
    done = run("check", brief)
    check(done)
    assert "'cells.csv'" in done.output


def test_a_huge_ride_is_checked_in_bounded_time_or_named(brief):
    ride = brief.parents[1] / "rides" / "steady-25.csv"
    rows = [f"{second},{20 + second % 7},0.5" for second in range(100_000)]
    ride.write_text("time_s,speed_kmh,grade_pct\n" + "\n".join(rows))
    tally = trial.Tally()
    assert trial.attempt(partial(run, "check", brief), tally).exit_code == 0
    assert tally.slowest_s < trial.SECONDS
    ride.write_text("time_s,speed_kmh,grade_pct\n" + "\n".join(rows[:-1]) + "\n250000,20,0\n")
    done = run("check", brief)
    check(done)
    assert "is this in seconds?" in done.output


def sweep(folder, *, nightly, first=0):
    """Spoilt briefs, tables, curves and design files through the command line."""
    brief, tally = brief_folder(folder / "a"), trial.Tally()
    curves = folder / "curves.csv"
    for k in range(first, first + trial.count(0.04, nightly=nightly)):
        rng = mutate.rng_of("command", k)
        brief.write_text(TINY)
        curves.write_text(targets.CURVES)
        target = mutate.one_of(rng, [t for t in targets.TARGETS if t.file in ("cells.csv", "bms.csv", "strips.csv")])
        table = brief.parents[1] / target.file
        kind = rng.random()
        arguments = ["check", brief]
        if kind < 0.4:
            brief.write_bytes(spoilt_brief(rng))
        elif kind < 0.7:
            table.write_bytes(mutate.table(rng, target.content))
        elif kind < 0.85:
            curves.write_bytes(mutate.BYTES[rng.randrange(7, 11)](rng, b"") + b"current_a,capacity_ah\n1,2\n")
            arguments = ["characterize", curves, "--out", folder / "cell"]
        else:
            (folder / "design.json").write_bytes(
                mutate.one_of(rng, mutate.BYTES)(rng, json.dumps({"brief": {}}).encode())
            )
            arguments = ["rescore", folder / "design.json"]
        with trial.Watched(folder):
            done = trial.attempt(partial(run, *arguments), tally, about=f"command {k}")
        check(done, codes=(0, 2), about=f"command {k}")
        if done.exit_code == 2:
            assert "nothing was written" in done.output, f"command {k}: {done.output[-300:]}"
        table.write_bytes(target.content)
    print(f"commands: {tally}")


def test_spoilt_files_through_the_command_line(tmp_path):
    sweep(tmp_path, nightly=False)


@pytest.mark.nightly
def test_many_spoilt_files_through_the_command_line(tmp_path):
    sweep(tmp_path, nightly=True, first=100_000)


def test_the_starter_survives_a_move(tmp_path):
    """The twin of the sweep: a sound brief passes wherever it lies."""
    check(run("new", tmp_path / "ä b"), codes=(0,))
    shutil.move(tmp_path / "ä b", tmp_path / "c")
    check(run("check", tmp_path / "c" / "brief.toml"), codes=(0,))
