"""Starts commands as processes of their own without the seconds that imports take: forks of one warm process."""

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path


class Forge:
    """A warm process and its children; each child is `cellstow ARGS` in a session of its own.

    Parameters
    ----------
    folder : Path
        For what the children print.
    env : dict
    brief : Path
        Searched once at first, so that every kernel is loaded.
    """

    def __init__(self, folder, env, *, brief):
        self._folder, self._count = folder, 0
        line = [sys.executable, __file__, str(brief), str(folder / "warm")]
        self._server = subprocess.Popen(line, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=env)

    def ask(self, **what):
        self._server.stdin.write(json.dumps(what) + "\n")
        self._server.stdin.flush()
        return json.loads(self._server.stdout.readline())

    def start(self, *args, patch="", stdout=None, **env):
        """A command at work; `patch` is Python that runs in it first."""
        self._count += 1
        out = stdout or self._folder / f"{self._count}.out"
        err = self._folder / f"{self._count}.err"
        told = {"args": [str(a) for a in args], "out": str(out), "err": str(err), "env": env, "patch": patch}
        return Child(self, self.ask(**told), Path(out), err)

    def close(self):
        self._server.stdin.close()
        self._server.wait()


class Child:
    """A command that was started."""

    def __init__(self, forge, pid, out, err):
        self._forge, self.pid, self._out, self._err, self.returncode = forge, pid, out, err, None

    def poll(self):
        """Exit code, minus the signal's number when one ended it; None while it runs."""
        if self.returncode is None:
            self.returncode = self._forge.ask(wait=self.pid)
        return self.returncode

    def wait(self, seconds=120.0):
        end = time.monotonic() + seconds
        while self.poll() is None:
            assert time.monotonic() < end, f"still at work: {self.stderr}"
            time.sleep(0.01)
        return self

    def send_signal(self, number):
        if self.poll() is None:
            os.kill(self.pid, number)

    def kill(self):
        self.send_signal(signal.SIGKILL)
        return self.wait()

    def communicate(self):
        """As of a Popen, for scenes.wait_for."""
        return self.wait().stdout, self.stderr

    @property
    def stdout(self):
        return self._out.read_text() if self._out.is_file() else ""

    @property
    def stderr(self):
        return self._err.read_text()


def serve():
    """Read what to start, or whom to ask about, line by line."""
    import importlib

    for name in ("design.pinned", "workflows.report", "workflows.why", "review.terminal.designs"):
        importlib.import_module(f"optimizer.{name}")
    from optimizer.cli import main
    from optimizer.workflows.search import run_job

    run_job(Path(sys.argv[1]), folder=Path(sys.argv[2]))
    for line in sys.stdin:
        told = json.loads(line)
        if "wait" in told:
            pid, status = os.waitpid(told["wait"], os.WNOHANG)
            print(json.dumps(os.waitstatus_to_exitcode(status) if pid else None), flush=True)
            continue
        pid = os.fork()
        if pid:
            print(pid, flush=True)
            continue
        os.setsid()
        flags = os.O_WRONLY | os.O_CREAT
        for number, path in ((1, told["out"]), (2, told["err"])):
            os.dup2(os.open(path, flags, 0o644), number)
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        os.environ.update(told["env"])
        exec(told["patch"], {})
        main(told["args"], prog_name="cellstow")


if __name__ == "__main__":
    serve()
