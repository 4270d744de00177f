"""Habits that hold for every command: --json, --quiet, help, and completion in the shell."""

import importlib
import io
import os
import subprocess
import sys

import pytest

from optimizer.cli import COMMANDS
from optimizer.commands.progress import Bar


def options(name):
    command = importlib.import_module(f"optimizer.commands.{name}").command
    return {option for parameter in command.params for option in parameter.opts}


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_json_and_quiet(name):
    assert {"--json", "--quiet"} <= options(name)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_option_says_what_it_does(name):
    command = importlib.import_module(f"optimizer.commands.{name}").command
    assert command.help
    silent = [p.name for p in command.params if p.param_type_name == "option" and not p.help]
    # What the catalogs call them says it all; the six are told together in the command's help.
    assert set(silent) <= {"strip", "strip_layers", "wire", "bms", "fuse"}


def completed(words, current):
    line = " ".join(["cellstow", *words, current])
    shell = {"_CELLSTOW_COMPLETE": "bash_complete", "COMP_WORDS": line, "COMP_CWORD": str(len(words) + 1)}
    code = "import sys; sys.argv = ['cellstow']; from optimizer.cli import main; main(prog_name='cellstow')"
    done = subprocess.run([sys.executable, "-c", code], env=os.environ | shell, capture_output=True, text=True)
    return {entry.split(",", 1)[1] for entry in done.stdout.split()}


def test_the_shell_completes_commands_and_options():
    assert {"search", "shortlist", "schema"} == completed([], "s")
    assert "--weights" in completed(["shortlist"], "--w")
    assert completed(["shortlist", "--method"], "") == {"topsis", "weighted", "knee"}


class Window(io.StringIO):
    """A stderr that says it is a terminal."""

    def isatty(self):
        return True


def test_what_is_said_and_how_far_it_is_fit_the_window(monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setattr(sys, "stderr", shown := Window())
    bar = Bar()
    bar.say("at least 4,176 candidates " * 8)
    bar.step(" 28 % searched, 30 s left, 16 packs on the front, range 50.87 km, peak power 1375 W")
    lines = shown.getvalue().replace("\r", "\n").splitlines()
    assert len(lines) > 3 and max(map(len, lines)) < 60
    assert "30 s left" in lines[-1]
