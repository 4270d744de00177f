"""A few rows of a large front that represent all of it, so that its page stays usable."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from optimizer.front.pareto import normalise, signed, thin

if TYPE_CHECKING:
    import pandas as pd

# Rows of one page; a browser sorts and filters so many at once.
MOST = 12_000

# The first distance tried, as a part of each objective's spread, and by how much it grows.
FIRST, GROWTH = 0.001, 1.25


def stand_ins(
    front: pd.DataFrame, *, objectives: Sequence[str], keep: Sequence[str] = (), most: int = MOST
) -> tuple[pd.DataFrame, float]:
    """Rows such that every other row has one among them that is less than a stated distance worse in any objective.

    The distance is the least of 0.1 %, 0.125 %, … of each objective's spread that leaves no more rows than are
    wanted. The best row of each objective stays too.

    Parameters
    ----------
    front : DataFrame
        Mutually non-dominated rows with a column design_id.
    keep : sequence of str
        design_ids that stay whatever they stand for.
    most : int
        Rows wanted at most; those kept come on top.

    Returns
    -------
    rows : DataFrame
        In the order of the front; the front itself where it is short enough.
    distance : float
        Part of each objective's spread; 0 where nothing was left out.
    """
    if len(front) <= most:
        return front, 0.0
    points = normalise(signed({name: front[name].to_numpy(float) for name in objectives}, objectives=objectives))
    distance = FIRST
    while len(rows := thin(points, resolution=np.full(len(objectives), distance))) > most:
        distance *= GROWTH
    asked = np.flatnonzero(front["design_id"].astype(str).isin(list(keep)).to_numpy())
    return front.iloc[np.unique(np.concatenate([rows, asked, points.argmin(axis=0)]))], distance
