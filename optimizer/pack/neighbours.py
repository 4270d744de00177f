"""Which cells stand inside a layout and which at its edge: what the heat network is built from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from optimizer.pack.arrays import Floats

Ints = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Contents:
    """Counts of cells and of the ways by which heat passes between them and out; shape (n,) each.

    Parameters
    ----------
    inner, outer : ndarray
        Cells with neighbours all around, cells with a side to the case.
    inner_outer : ndarray
        Pairs of an inner and an outer neighbour.
    inner_walls, outer_walls : ndarray
        Sides that face the case: 1 at a straight edge, 2 at a square corner, 4 for a cell alone; fractions
        arise where the free angle lies between.
    inner_ends, outer_ends : ndarray
        Cell ends under a cover of the stack of layers.
    """

    inner: Floats
    outer: Floats
    inner_outer: Floats
    inner_walls: Floats
    outer_walls: Floats
    inner_ends: Floats
    outer_ends: Floats


def free_walls(across_mm: Floats, *, stack: ArrayLike, reach_mm: float) -> tuple[Floats, NDArray[np.int64]]:
    """Sides of each cell with no neighbour before them, and the pairs of neighbours.

    From the widest angle without a neighbour: walls = angle/90° − 1, not under 0. So none in the middle of
    a lattice, 1 at a straight edge of square and staggered rows alike, 2 at a square corner; 4 for a cell
    alone.

    Parameters
    ----------
    across_mm : ndarray, shape (n, 2)
        Centres in the plane across the cells' axis [mm].
    stack : ndarray of int, shape (n,)
        Layer or module: cells of different ones are no neighbours.
    reach_mm : float
        Largest distance between centres of neighbours [mm].

    Returns
    -------
    walls : ndarray, shape (n,)
        [-]
    pairs : ndarray of int, shape (m, 2)
        Each pair once.

    Raises
    ------
    ValueError
        If reach_mm is not positive or the shape is wrong.
    """
    points = np.asarray(across_mm, float)
    if points.ndim != 2 or points.shape[1] != 2 or not reach_mm > 0:
        raise ValueError("across_mm must have shape (n, 2) and reach_mm must be positive")
    label = np.asarray(stack, int)
    # Labels become a third axis, further apart than any neighbour.
    apart = np.column_stack([points, label * (10.0 * reach_mm)])
    pairs = cKDTree(apart).query_pairs(reach_mm, output_type="ndarray").reshape(-1, 2)
    walls = np.full(len(points), 4.0)
    own = np.concatenate([pairs[:, 0], pairs[:, 1]])
    other = np.concatenate([pairs[:, 1], pairs[:, 0]])
    if len(own):
        widest = _widest_angle(points, own, other)
        walls[widest > 0] = np.maximum(widest[widest > 0] / (np.pi / 2.0) - 1.0, 0.0)
    return walls, np.asarray(pairs, dtype=np.int64)


def _widest_angle(points: Floats, own: Ints, other: Ints) -> Floats:
    """Widest angle between successive neighbours of each cell [rad]; 0 for a cell without any."""
    step = points[other] - points[own]
    angle = np.arctan2(step[:, 1], step[:, 0])
    order = np.lexsort([angle, own])
    own, angle = own[order], angle[order]
    first = np.flatnonzero(np.r_[True, own[1:] != own[:-1]])
    last = np.r_[first[1:], len(own)] - 1
    following = np.r_[angle[1:], 0.0]
    following[last] = angle[first] + 2.0 * np.pi
    widest = np.zeros(len(points))
    np.maximum.at(widest, own, following - angle)
    return widest


def contents(
    centres_mm: Floats, *, axis: int, layer: ArrayLike, module: ArrayLike, reach_mm: float
) -> Contents:
    """Counts for the cells of one compartment.

    A cell is inner when less than half a side faces the case.

    Parameters
    ----------
    centres_mm : ndarray, shape (n, 3)
        [mm]
    axis : int
        Axis along which the cells lie.
    layer, module : ndarray of int, shape (n,)
        As in a layout.
    reach_mm : float
        Largest distance between centres of neighbours; 1.3 × (diameter + gap) serves all lattices [mm].

    Returns
    -------
    Contents
        Numbers, not arrays.

    Raises
    ------
    ValueError
        If there is no cell.
    """
    points = np.asarray(centres_mm, float)
    if len(points) == 0:
        raise ValueError("no cells to count")
    layers, modules = np.asarray(layer, int), np.asarray(module, int)
    across = np.delete(points, axis, axis=1)
    walls, pairs = free_walls(across, stack=layers + modules * (int(layers.max()) + 1), reach_mm=reach_mm)
    inner = walls < 0.5
    ends = _free_ends(layers, modules)
    mixed = inner[pairs[:, 0]] != inner[pairs[:, 1]]
    values = (
        inner.sum(), (~inner).sum(), mixed.sum(), walls[inner].sum(), walls[~inner].sum(),
        ends[inner].sum(), ends[~inner].sum(),
    )  # fmt: skip
    return Contents(*(np.float64(value) for value in values))  # type: ignore[arg-type]


def _free_ends(layers: Ints, modules: Ints) -> Floats:
    """Ends of each cell that face a cover: in a tray those of the outermost layers, in a module both."""
    if modules.max() > 0:
        return np.full(len(layers), 2.0)
    return np.asarray((layers == layers.min()).astype(float) + (layers == layers.max()))


def contents_by_groups(
    centres_mm: Floats, *, group: ArrayLike, axis: int, layer: ArrayLike, module: ArrayLike, reach_mm: float
) -> Contents:
    """Counts for the first 1, 2, … G groups of a compartment, filled in chain order.

    Parameters
    ----------
    centres_mm : ndarray, shape (n, 3)
        [mm]
    group : ndarray of int, shape (n,)
        Place of the cell's group in the chain, from 0; −1 for a cell left out.
    axis : int
        Axis along which the cells lie.
    layer, module : ndarray of int, shape (n,)
        As in a layout.
    reach_mm : float
        Largest distance between centres of neighbours [mm].

    Returns
    -------
    Contents
        Arrays of shape (G,); entry k counts groups 0 … k.

    Raises
    ------
    ValueError
        If no group is used.
    """
    points, place = np.asarray(centres_mm, float), np.asarray(group, int)
    layers, modules = np.asarray(layer, int), np.asarray(module, int)
    if place.size == 0 or place.max() < 0:
        raise ValueError("no group is used")
    rows = []
    for last in range(int(place.max()) + 1):
        used = (place >= 0) & (place <= last)
        counts = contents(
            points[used], axis=axis, layer=layers[used], module=modules[used], reach_mm=reach_mm
        )
        rows.append(list(vars(counts).values()))
    return Contents(*np.array(rows, dtype=float).T)
