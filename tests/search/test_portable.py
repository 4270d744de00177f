"""What Windows and macOS lack is not needed: the quick brief is searched without it."""

import os
import subprocess
import sys

from optimizer.catalog import builtin_catalogs

# Modules, signals and flags of Linux alone, or of POSIX, made absent before anything is imported.
BARE = """
import os, signal, sys
for name in ("fcntl", "resource", "termios", "pwd", "grp", "_posixshmem"):
    sys.modules[name] = None
for place, names in (
    (signal, ("SIGHUP", "SIGALRM", "SIGUSR1")),
    (os, ("O_DIRECTORY", "sched_getaffinity", "setsid", "statvfs")),
):
    for name in names:
        if hasattr(place, name):
            delattr(place, name)
from optimizer.cli import main
main(sys.argv[1:], prog_name="cellstow")
"""


def test_the_quick_brief_without_what_others_lack(tmp_path):
    brief = builtin_catalogs() / "briefs" / "quick-36v.toml"
    # Another encoding than UTF-8 by default, as on Windows.
    env = {**os.environ, "PYTHONUTF8": "0", "LC_ALL": "C", "PYTHONCOERCECLOCALE": "0", "PYTHONIOENCODING": "cp1252"}
    search, shortlist = ["search", str(brief), "--out", "run", "--workers", "1"], ["shortlist", "run", "--count", "1"]
    for args in (["check", str(brief)], search, shortlist):
        done = subprocess.run(
            [sys.executable, "-c", BARE, *args], capture_output=True, cwd=tmp_path, env=env, check=False
        )
        assert done.returncode == 0, done.stderr.decode("cp1252")
    assert (tmp_path / "run" / "front.csv").read_bytes().startswith(b"design_id,")
