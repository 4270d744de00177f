"""One input tried: what is promised of every one of them, and how many are tried."""

import os
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from optimizer.base.problems import BadInput
from optimizer.base.texts import unseen

SECONDS = 10.0


def count(share, *, nightly=False):
    """How many inputs a test tries: its share of 1,000, or of CELLSTOW_FUZZ (20,000 unless set) at night."""
    whole = int(os.environ.get("CELLSTOW_FUZZ", "20000")) if nightly else 1000
    return max(1, round(share * whole))


@dataclass
class Tally:
    """What became of the inputs of a test."""

    taken: int = 0
    named: int = 0
    slowest_s: float = 0.0

    def __str__(self):
        return f"{self.taken} taken, {self.named} named, slowest {self.slowest_s:.2f} s"


def attempt(act, tally, *, file="", about=""):
    """Run one input; what it gave when it was taken, None when it was refused as promised.

    Any other exception than BadInput goes through and fails the test.
    """
    start = time.perf_counter()
    try:
        found = act()
        tally.taken += 1
    except BadInput as bad:
        check_problems(bad.problems, file=file, about=about)
        tally.named += 1
        found = None
    except Exception as wrong:
        raise AssertionError(f"{about}: {type(wrong).__name__}: {wrong}") from wrong
    took = time.perf_counter() - start
    tally.slowest_s = max(tally.slowest_s, took)
    assert took < SECONDS, f"{about}: took {took:.1f} s"
    return found


def check_problems(problems, *, file, about):
    """Every problem has a code, a file that the user knows and an expectation, and steers no terminal."""
    assert problems, about
    for problem in problems:
        assert problem.code and problem.expected, f"{about}: {problem}"
        assert problem.file, f"{about}: {problem}"
        text = problem.text()
        assert not unseen(text), f"{about}: {text!r}"
        assert len(text) < 3000, f"{about}: {len(text)} signs"
        assert "Traceback" not in text and "site-packages" not in text, f"{about}: {text}"
    if file:
        assert any(file in problem.file for problem in problems), f"{about}: {[p.text() for p in problems]}"
    assert len(problems) <= 1000, f"{about}: {len(problems)} problems"


def listing(folder):
    """Every file below a folder with its content, to see that nothing was written."""
    return {
        str(path.relative_to(folder)): path.stat().st_size for path in sorted(Path(folder).rglob("*")) if path.is_file()
    }


class Watched:
    """A folder in which nothing may change but the input under test; temporary files are counted, too."""

    def __init__(self, folder):
        self.folder = Path(folder)
        self.temporary = self.folder / "temporary"

    def __enter__(self):
        self.temporary.mkdir(exist_ok=True)
        self.before, self.usual = listing(self.folder), tempfile.tempdir
        tempfile.tempdir = str(self.temporary)
        return self

    def __exit__(self, kind, wrong, trace):
        tempfile.tempdir = self.usual
        if kind is None:
            after = listing(self.folder)
            new = sorted(after.keys() - self.before.keys())
            assert not new, f"written: {new}"
