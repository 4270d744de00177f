"""One brief, its undisturbed run and a warm cache, for tests that disturb runs of it."""

import os
import subprocess
import sys

import pytest
from forge import Forge
from scenes import brief_of_many_tasks, command

if sys.platform == "win32":
    collect_ignore_glob = ["test_*.py"]


class Night:
    """A brief of many tasks, the folder of its undisturbed run, and commands that share one warm cache."""

    def __init__(self, folder):
        self.folder, self.brief, self.whole = folder, brief_of_many_tasks(folder, most_parallel=4), folder / "warm"
        self.env = {**os.environ, "NUMBA_NUM_THREADS": "1", "CELLSTOW_CACHE": str(folder / "cache")}
        self.forge = Forge(folder, self.env, brief=self.brief)

    def command(self, out, *more):
        return command(self.brief, out, *more)

    def start(self, out, *more, **how):
        """A search as a process."""
        return self.forge.start(*self.command(out, *more)[3:], **how)

    def start_search(self, brief, out, *more, **how):
        """A search of another brief as a process."""
        return self.forge.start(*command(brief, out, *more)[3:], **how)

    def start_cold(self, out, *more):
        """A search as a process that starts from nothing."""
        return subprocess.Popen(
            self.command(out, *more), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            start_new_session=True, env=self.env,
        )  # fmt: skip

    def run(self, out, *more, **how):
        """A search to its end."""
        return self.start(out, *more, **how).wait()

    def call(self, *args, **how):
        """A command to its end."""
        return self.forge.start(*args, **how).wait()


@pytest.fixture(scope="session")
def night(tmp_path_factory):
    """See Night."""
    found = Night(tmp_path_factory.mktemp("night"))
    assert found.call("--version").returncode == 0
    yield found
    found.forge.close()
