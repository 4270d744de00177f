"""Which rows of a catalog a brief means: ids and glob patterns."""

from __future__ import annotations

import fnmatch
from collections.abc import Sequence

import numpy as np

from optimizer.base.problems import Problem, nearest
from optimizer.catalog.columns import Bools
from optimizer.catalog.tables import short


def matching(ids: Sequence[str], patterns: Sequence[str]) -> Bools:
    """Which ids are meant by any of the patterns.

    Parameters
    ----------
    ids : sequence of str, shape (n,)
        Such as Cells.id.
    patterns : sequence of str
        Ids, or shell-style patterns with * ? [ ]; upper and lower case differ.

    Returns
    -------
    ndarray of bool, shape (n,)

    Examples
    --------
    >>> matching(["amber-a", "birch-a"], ["amber-*"]).tolist()
    [True, False]
    """
    return np.array([any(fnmatch.fnmatchcase(str(name), pattern) for pattern in patterns) for name in ids])


def pattern_problems(patterns: Sequence[str], ids: Sequence[str], *, file: str, field: str) -> list[Problem]:
    """Patterns of a brief's dotted key that mean no row, with the nearest id named: code no-match."""
    problems = []
    for pattern in patterns:
        if not matching(ids, [pattern]).any():
            near = nearest(pattern, [str(name) for name in ids])
            hint = f'; is "{near}" meant?' if near else ""
            problems.append(
                Problem("no-match", file, "", field, short(pattern), f"matches no id of the catalog{hint}")
            )
    return problems
