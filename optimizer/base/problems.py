"""Faults found in what the user gave: collected, coded, and shown all at once."""

from __future__ import annotations

import difflib
import os
from collections.abc import Iterable
from dataclasses import dataclass

from optimizer.base.texts import printable


@dataclass(frozen=True)
class Problem:
    """One fault: where it is, what stands there and what was expected.

    Parameters
    ----------
    code : str
        Stable name of the kind of fault, such as "unknown-key"; tests assert it.
    file : str
        File as the user would name it.
    where : str
        "row 7" (the header is row 1), "line 12", or "" when the file as a whole is meant.
    field : str
        Column or dotted key, "" when none applies.
    found, expected : str
        The value as it stands and what would be right, in words.
    """

    code: str
    file: str
    where: str = ""
    field: str = ""
    found: str = ""
    expected: str = ""

    def text(self) -> str:
        """One line such as `cells.csv row 7: diameter_mm must be > 0, found -3 [not-positive]`.

        Control characters of a name or a value stand in it as escapes: they must not steer the terminal.
        """
        place = " ".join(part for part in (self.file, self.where) if part)
        claim = " ".join(part for part in (_cut(self.field), _cut(self.expected)) if part)
        found = f", found {_cut(self.found)}" if self.found else ""
        return printable(f"{place}: {claim}{found} [{self.code}]")


def _cut(text: str, *, most: int = 500) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"


class BadInput(ValueError):
    """Raised once per command with every problem found; the command line turns it into exit code 2.

    Parameters
    ----------
    problems : iterable of Problem
        At least one.
    kept : str
        What became of the files, in words.
    """

    def __init__(self, problems: Iterable[Problem], kept: str = "nothing was written") -> None:
        self.problems, self.kept = list(problems), kept
        super().__init__("\n".join(problem.text() for problem in self.problems))

    def __reduce__(self) -> tuple[type[BadInput], tuple[list[Problem], str]]:
        """Workers send it to the process that they work for."""
        return type(self), (self.problems, self.kept)


class Stopped(Exception):
    """Raised when the machine ends the work: a full disk, a storage that went away; exit code 4.

    Nobody's input is at fault, and what was finished before is kept; the text says where, and how to go on.
    """


def machine_fault(wrong: OSError) -> str:
    """An error of the operating system in words: what, and which file."""
    place = os.fspath(wrong.filename) if isinstance(wrong.filename, str | os.PathLike) else ""
    return ": ".join(part for part in (str(place), wrong.strerror or str(wrong) or type(wrong).__name__) if part)


def nearest(name: str, known: Iterable[str]) -> str:
    """The known name closest in spelling, or "" when none is close: offered to the user, never assumed."""
    close = difflib.get_close_matches(name, list(known), n=1, cutoff=0.5)
    return close[0] if close else ""
