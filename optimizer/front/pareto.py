"""The non-dominated set: who is on the front, how large it is, which rows stand for it.

Inside the program every objective is minimised; `signed` turns a table of natural values into that form, and
it is the only place that flips signs. Points are rows of shape (n, d), less is better in every column; masks of them
have shape (n,).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import cast

import moocore
import numpy as np
import numpy.typing as npt

from optimizer.base.arrays import Floats
from optimizer.base.figures import OBJECTIVES


def signed(columns: Mapping[str, npt.ArrayLike], *, objectives: Sequence[str]) -> Floats:
    """Chosen objectives as one matrix of points; KeyError for what is no objective or has no column."""
    parts = [
        np.asarray(columns[name], dtype=float) * (-1.0 if OBJECTIVES[name] else 1.0) for name in objectives
    ]
    return np.column_stack(parts)


def nondominated(points: Floats) -> npt.NDArray[np.bool_]:
    """Mask of the rows that no other row dominates; of equal rows the first stays.

    References
    ----------
    Kung, Luccio and Preparata, J. ACM 22 (1975) 469, as implemented by moocore.
    """
    if len(points) == 0:
        return np.zeros(0, dtype=bool)
    if points.shape[1] == 1:
        mask = np.zeros(len(points), dtype=bool)
        mask[int(np.argmin(points[:, 0]))] = True
        return mask
    return np.asarray(moocore.is_nondominated(points), dtype=bool)


def dominated_by(points: Floats, *, front: Floats) -> npt.NDArray[np.bool_]:
    """Mask of the points, shape (n,), that some row of the front, shape (m, d), dominates or equals."""
    out = np.zeros(len(points), dtype=bool)
    if len(front) == 0:
        return out
    # Blocks keep the comparison table at some tens of megabytes.
    step = max(1, 4_000_000 // len(front))
    for start in range(0, len(points), step):
        block = points[start : start + step]
        no_worse = np.ones((len(block), len(front)), dtype=bool)
        for column in range(points.shape[1]):
            no_worse &= front[None, :, column] <= block[:, None, column]
        out[start : start + step] = no_worse.any(axis=1)
    return out


def hypervolume(points: Floats, *, reference: npt.ArrayLike) -> float:
    """Volume between the points and a reference that they should beat, shape (d,), in the product of their units.

    References
    ----------
    Fonseca, Paquete and López-Ibáñez, CEC 2006, as implemented by moocore.
    """
    if len(points) == 0:
        return 0.0
    return float(moocore.hypervolume(points, ref=np.asarray(reference, dtype=float)))


def thin(points: Floats, *, resolution: npt.ArrayLike) -> npt.NDArray[np.int64]:
    """Few rows, rising, that stand for all: every row has one that is less than one step worse in any column.

    Points are mutually non-dominated. The resolution, shape (d,), is the difference below which two values count as the
    same, in each column's unit; 0 keeps a column exact. Space is cut into boxes of that size; of boxes that dominate
    others only the best stay, and of the rows in a box the one nearest to its best corner.

    References
    ----------
    Laumanns, Thiele, Deb and Zitzler, Evolutionary Computation 10(3) (2002) 263 (epsilon-Pareto set).
    """
    step = np.asarray(resolution, dtype=float)
    if len(points) == 0 or not np.any(step > 0):
        return np.arange(len(points), dtype=np.int64)
    safe = np.where(step > 0, step, 1.0)
    boxes = np.where(step > 0, np.floor(points / safe), points)
    corner_distance = np.sum(np.where(step > 0, points / safe - boxes, 0.0), axis=1)
    order = np.lexsort((np.arange(len(points)), corner_distance))
    keep = order[nondominated(boxes[order])]
    return np.sort(keep).astype(np.int64)


def normalise(points: Floats) -> Floats:
    """Each column on 0 (best) to 1 (worst) of the rows given; a column without spread becomes 0."""
    low = points.min(axis=0)
    spread = points.max(axis=0) - low
    return cast(Floats, np.where(spread > 0, (points - low) / np.where(spread > 0, spread, 1.0), 0.0))


def balanced(points: Floats) -> int:
    """Row whose largest normalised loss against the best of each column is least (Chebyshev compromise).

    References
    ----------
    Zeleny, compromise programming with p = infinity, in Multiple Criteria Decision Making (1973).
    """
    scaled = normalise(points)
    order = np.lexsort((scaled.sum(axis=1), scaled.max(axis=1)))
    return int(order[0])
