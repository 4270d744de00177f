"""Kernels give the same bits as plain Python and compiled: a second implementation for each call of a real search."""

import os
import subprocess
import sys
from collections import Counter
from pathlib import Path

import numpy as np

from optimizer.base.kernels import Kernel, kernel
from optimizer.catalog import builtin_catalogs
from optimizer.workflows.how import How
from optimizer.workflows.search import run_job


def same(one, other):
    """Whether two results are equal bit for bit, signs of zero and NaN included."""
    if isinstance(one, tuple):
        return len(one) == len(other) and all(map(same, one, other))
    one, other = np.asarray(one), np.asarray(other)
    return one.shape == other.shape and one.dtype == other.dtype and one.tobytes() == other.tobytes()


def defined(name, args, result):
    """The part of a result that a kernel fills: `row_ends` leaves the rest of each row as memory was."""
    if name != "row_ends":
        return result
    at, count = result
    return tuple(at[np.arange(at.shape[1]) < count[:, None]]), count


def compared(folder):
    """Calls of each kernel in a search of the quick brief, each of them made both ways. No argument is changed."""
    seen = Counter()

    def both(self, *args):
        before = [np.array(arg).tobytes() for arg in args if isinstance(arg, np.ndarray)]
        with np.errstate(all="ignore"):
            plain = self.plain(*args)
        assert before == [np.array(arg).tobytes() for arg in args if isinstance(arg, np.ndarray)]
        result, name = self.compiled(*args), self.plain.__name__
        assert same(defined(name, args, plain), defined(name, args, result)), name
        seen[name] += 1
        return result

    Kernel.__call__ = both
    os.environ["CELLSTOW_CACHE"] = str(folder / "cache")
    run_job(builtin_catalogs() / "briefs" / "quick-36v.toml", folder=folder / "run", how=How(workers=1))
    return seen


def test_each_call_of_a_search(tmp_path):
    """In a process of its own, which knows no layout or plate from another test."""
    command = [sys.executable, "-P", __file__, str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert set(done.stdout.split()) == {
        "_ask", "_build", "_bunched", "_moving", "_numbered", "_spaced", "filter_lap", "hottest", "lagged_loads",
        "phased_count", "row_ends", "run_block", "sliding_count",
    }  # fmt: skip


def test_compiled_when_there_is_much_to_do(monkeypatch):
    """By the rows so far; a division by zero goes on in compiled code, which gives infinity."""

    @kernel(rows=5)
    def inverse(values, number):
        out = np.empty(len(values))
        for k in range(len(values)):
            out[k] = number / float(values[k])
        return out

    compiled = []
    monkeypatch.setattr(inverse, "compiled", lambda *args: compiled.append(args) or np.full(len(args[0]), np.inf))
    monkeypatch.setattr(inverse, "known", False)
    assert inverse(np.ones(2), 1.0).tolist() == [1.0, 1.0] and not compiled
    assert inverse(np.zeros(1), 1.0).tolist() == [np.inf] and len(compiled) == 1
    assert inverse(np.ones(2), 1.0).tolist() == [np.inf, np.inf] and len(compiled) == 2


if __name__ == "__main__":
    print(*compared(Path(sys.argv[1])))
