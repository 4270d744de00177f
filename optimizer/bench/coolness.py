"""Which series groups run coolest. Cells are nodes that give heat to their neighbours and to the walls."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from optimizer.base.arrays import Floats, Ints

# Neighbours that a round cell can have around it; what is missing of them is open to the case.
AROUND = 6
# Heat to a neighbour over that through one open side. Common practice: plastic and air between cells both ways.
NEIGHBOUR = 1.0


def group_rises(centres_mm: Floats, *, reach_mm: float, group: Ints, groups: int) -> Floats:
    """Rise of each group over the case, for equal heat in every cell, in units of one cell's heat over one side.

    Each cell: Σ NEIGHBOUR·(T − T_neighbour) + (AROUND − neighbours, at least 1)·T = 1

    Parameters
    ----------
    centres_mm : ndarray, shape (n, 3)
        Cells of one compartment [mm].
    reach_mm : float
        Centres nearer than this are neighbours [mm].
    group : ndarray of int, shape (n,)
        From 0.

    Returns
    -------
    ndarray, shape (groups,)
        Mean over the group's cells [-].
    """
    n = len(centres_mm)
    pairs = cKDTree(centres_mm).query_pairs(reach_mm, output_type="ndarray").reshape(-1, 2)
    matrix = np.zeros((n, n))
    for one, other in ((pairs[:, 0], pairs[:, 1]), (pairs[:, 1], pairs[:, 0])):
        np.add.at(matrix, (one, other), -NEIGHBOUR)
        np.add.at(matrix, (one, one), NEIGHBOUR)
    near = np.bincount(pairs.ravel(), minlength=n)
    matrix[np.arange(n), np.arange(n)] += np.maximum(AROUND - near, 1)
    rise = np.linalg.solve(matrix, np.ones(n))
    return np.asarray(np.bincount(group, weights=rise, minlength=groups) / np.bincount(group, minlength=groups))
