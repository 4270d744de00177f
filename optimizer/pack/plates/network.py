"""Resistor networks: potentials and currents for given currents in and out of the nodes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import splu

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Solution:
    """A solved network.

    Parameters
    ----------
    potential_v : ndarray, shape (n,)
        Of each node; the lowest node number of each connected part is at 0 [V].
    current_a : ndarray, shape (m,)
        In each resistor, positive from its first to its second node [A].
    loss_w : float
        Heat in all resistors [W].
    """

    potential_v: Floats
    current_a: Floats
    loss_w: float


def solve_network(edges: ArrayLike, *, resistance_ohm: ArrayLike, injection_a: ArrayLike) -> Solution:
    """Potentials and currents of a network of resistors by nodal analysis (sparse LU).

    G φ = I with G = Σ (e_i - e_j)(e_i - e_j)ᵀ / R_ij

    Parameters
    ----------
    edges : array of int, shape (m, 2)
        Nodes that each resistor joins.
    resistance_ohm : array, shape (m,)
        Above 0 [ohm].
    injection_a : array, shape (n,)
        Current fed into each node from outside [A]; the sum over each connected part is 0.

    Returns
    -------
    Solution

    Raises
    ------
    ValueError
        If a resistance is not above 0, a node is unknown or joined to itself, or currents do not balance.

    Source: Doyle & Snell, Random Walks and Electric Networks (1984), section 3.
    """
    pair = np.asarray(edges, dtype=np.int64).reshape(-1, 2)
    ohm = np.asarray(resistance_ohm, dtype=np.float64)
    feed = np.asarray(injection_a, dtype=np.float64)
    count = len(feed)
    if ohm.shape != (len(pair),) or not np.all(np.isfinite(ohm)) or np.any(ohm <= 0):
        raise ValueError("resistance_ohm must give one finite value above 0 per edge")
    if len(pair) and (pair.min() < 0 or pair.max() >= count or np.any(pair[:, 0] == pair[:, 1])):
        raise ValueError("edges must join two different nodes of those that injection_a lists")
    weight = 1.0 / ohm
    rows, cols = np.concatenate([pair, pair[:, ::-1], np.repeat(pair.reshape(-1, 1), 2, axis=1)]).T
    values = np.concatenate([-weight, -weight, np.repeat(weight, 2)])
    matrix = coo_array((values, (rows, cols)), shape=(count, count)).tocsc()
    parts, part = connected_components(matrix, directed=False)
    surplus = np.bincount(part, weights=feed, minlength=parts)
    if np.any(np.abs(surplus) > 1e-9 * max(float(np.abs(feed).sum()), 1e-300)):
        raise ValueError("injection_a must balance over each connected part of the network")
    grounded = np.unique(part, return_index=True)[1]
    free = np.setdiff1d(np.arange(count), grounded)
    potential = np.zeros(count)
    if len(free):
        potential[free] = splu(matrix[free][:, free].tocsc()).solve(feed[free])
    current = (potential[pair[:, 0]] - potential[pair[:, 1]]) * weight
    return Solution(potential, current, float(np.sum(current**2 * ohm)))


def resistance_between(edges: ArrayLike, *, resistance_ohm: ArrayLike, first: int, second: int) -> float:
    """Resistance of a network between two of its nodes.

    Parameters
    ----------
    edges : array of int, shape (m, 2)
    resistance_ohm : array, shape (m,)
        [ohm]
    first, second : int
        Nodes.

    Returns
    -------
    float
        [ohm]

    Raises
    ------
    ValueError
        As `solve_network`; also when the nodes are not connected.

    Source: Klein & Randić, Resistance distance, J. Math. Chem. 12 (1993) 81.

    Examples
    --------
    >>> round(resistance_between([[0, 1], [0, 1]], resistance_ohm=[2.0, 3.0], first=0, second=1), 9)
    1.2
    """
    if first == second:
        return 0.0
    pair = np.asarray(edges, dtype=np.int64).reshape(-1, 2)
    feed = np.zeros(int(max(pair.max(initial=0), first, second)) + 1)
    feed[first], feed[second] = 1.0, -1.0
    solved = solve_network(pair, resistance_ohm=resistance_ohm, injection_a=feed)
    return float(solved.potential_v[first] - solved.potential_v[second])


def divide_current(current_a: float, *, resistance_ohm: ArrayLike) -> Floats:
    """Currents in resistors in parallel.

    I_k = I (1 / R_k) / Σ (1 / R)

    Parameters
    ----------
    current_a : float
        Current in all of them [A].
    resistance_ohm : array, shape (n,)
        Above 0 [ohm].

    Returns
    -------
    ndarray, shape (n,)
        [A]

    Raises
    ------
    ValueError
        If a resistance is not above 0.

    Examples
    --------
    >>> divide_current(10.0, resistance_ohm=[0.020, 0.030]).round(6).tolist()
    [6.0, 4.0]
    """
    ohm = np.asarray(resistance_ohm, dtype=np.float64)
    if np.any(ohm <= 0):
        raise ValueError("resistance_ohm must be above 0")
    weight = 1.0 / ohm
    return np.asarray(current_a * weight / weight.sum(), dtype=np.float64)
