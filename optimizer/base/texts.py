"""Texts that users give: what must not stand in them, and how any text is shown."""

from __future__ import annotations

import unicodedata
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

# A spreadsheet takes a text that begins so for a formula (OWASP, "CSV Injection").
RISKY = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")

# Controls, format marks such as zero-width spaces and overrides of the writing direction, halves of surrogate
# pairs, line and paragraph separators: what nobody sees, and what steers a terminal.
UNSEEN = {"Cc", "Cf", "Cs", "Zl", "Zp"}


def unseen(text: str) -> str:
    """The first invisible or control character of a text, as U+001B; "" where there is none.

    >>> unseen("deck"), unseen("de\\x1b[2Jck"), unseen("de\\u202eck")
    ('', 'U+001B', 'U+202E')
    """
    if text.isascii() and text.isprintable():
        return ""
    return next((f"U+{ord(sign):04X}" for sign in text if unicodedata.category(sign) in UNSEEN), "")


def printable(text: str) -> str:
    """A text for the terminal: invisible and control characters as escapes, so that they steer nothing.

    >>> printable("a\\x1b[2Jb"), printable("Größe µ")
    ('a\\\\x1b[2Jb', 'Größe µ')
    """
    if not unseen(text):
        return text
    return "".join(
        sign.encode("unicode_escape").decode() if unicodedata.category(sign) in UNSEEN else sign for sign in text
    )


def starts_formula(text: str) -> bool:
    """Whether a spreadsheet would take a text for a formula.

    >>> starts_formula("=1+1"), starts_formula("@x"), starts_formula("amber-18650")
    (True, True, False)
    """
    return text.startswith(RISKY)


def defused(value: object) -> object:
    """A table's cell that no spreadsheet takes for a formula: a risky text gets an apostrophe in front.

    Only text is ever changed; "-5" and places such as "-5 0 2.5; 1 0 2.5" as text stay, since they are numbers alone.
    """
    if not isinstance(value, str) or not starts_formula(value):
        return value
    try:
        _ = [float(word) for word in value.replace(";", " ").split(" ") if word]
    except ValueError:
        return "'" + value
    return value


def defused_frame(frame: pd.DataFrame) -> pd.DataFrame:
    """A copy of a frame whose texts and headers no spreadsheet takes for formulas, see `defused`."""
    safe = frame.rename(columns=lambda name: defused(str(name)))
    for place in range(safe.shape[1]):
        if safe.dtypes.iloc[place].kind not in "iufb":
            safe.isetitem(place, [defused(value) for value in safe.iloc[:, place]])
    return safe


def clipped(text: str, width: int) -> str:
    """Text of at most `width` signs; what is cut off is replaced by an ellipsis, control signs by a "?".

    Parameters
    ----------
    width : int
        At least 1.
    """
    # An id from somebody's catalog must not move the cursor or colour the terminal.
    safe = "".join(sign if sign.isprintable() else "?" for sign in text)
    return safe if len(safe) <= width else safe[: width - 1] + "…"
