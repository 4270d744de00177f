"""Which cells stand inside a layout and which at its edge: what the heat network is built from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial import cKDTree

from optimizer.base.arrays import Floats, Ints


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


@dataclass(frozen=True, eq=False)
class _Rays:
    """From each cell to each neighbour, sorted by cell and then by angle; each pair twice."""

    own: Ints
    other: Ints
    angle: Floats

    @classmethod
    def around(cls, points: Floats, label: Ints, reach_mm: float) -> _Rays:
        # Labels become a third axis, further apart than any neighbour.
        apart = np.column_stack([points, label * (10.0 * reach_mm)])
        pairs = cKDTree(apart).query_pairs(reach_mm, output_type="ndarray").reshape(-1, 2)
        own = np.concatenate([pairs[:, 0], pairs[:, 1]])
        other = np.concatenate([pairs[:, 1], pairs[:, 0]])
        step = points[other] - points[own]
        angle = np.arctan2(step[:, 1], step[:, 0])
        order = np.lexsort([angle, own])
        return cls(own[order], other[order], angle[order])

    def among(self, used: NDArray[np.bool_]) -> _Rays:
        """The rays between used cells."""
        keep = used[self.own] & used[self.other]
        return _Rays(self.own[keep], self.other[keep], self.angle[keep])

    @property
    def pairs(self) -> Ints:
        """Each pair once, shape (m, 2)."""
        once = self.own < self.other
        return np.stack([self.own[once], self.other[once]], axis=1)

    def walls(self, cells: int) -> Floats:
        """Sides of each cell with no neighbour before them.

        From the widest angle without a neighbour: walls = angle/90° − 1, not under 0. So none in the middle of a
        lattice, 1 at a straight edge of square and staggered rows alike, 2 at a square corner; 4 for a cell alone.
        """
        walls = np.full(cells, 4.0)
        if len(self.own) == 0:
            return walls
        first = np.flatnonzero(np.r_[True, self.own[1:] != self.own[:-1]])
        last = np.r_[first[1:], len(self.own)] - 1
        following = np.r_[self.angle[1:], 0.0]
        following[last] = self.angle[first] + 2.0 * np.pi
        widest = np.maximum.reduceat(following - self.angle, first)
        walls[self.own[first]] = np.maximum(widest / (np.pi / 2.0) - 1.0, 0.0)
        return walls


def _count(rays: _Rays, used: NDArray[np.bool_], layers: Ints, modules: Ints) -> tuple[float, ...]:
    """The fields of Contents for the used cells."""
    between = rays.among(used)
    walls = between.walls(len(used))
    inner, outer = used & (walls < 0.5), used & (walls >= 0.5)
    ends = _free_ends(layers, modules, used)
    # Each pair stands twice among the rays, once from its inner cell.
    mixed = inner[between.own] & outer[between.other]
    return (
        inner.sum(), outer.sum(), mixed.sum(), walls[inner].sum(), walls[outer].sum(), ends[inner].sum(),
        ends[outer].sum(),
    )  # fmt: skip


def _free_ends(layers: Ints, modules: Ints, used: NDArray[np.bool_]) -> Floats:
    """Ends of each cell that face a cover: in a tray those of the outermost used layers, in a module both."""
    if modules.max() > 0:
        return np.full(len(layers), 2.0)
    bottom, top = layers[used].min(), layers[used].max()
    return np.asarray((layers == bottom).astype(float) + (layers == top))


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
    across = np.delete(points, axis, axis=1)
    rays = _Rays.around(across, layers + modules * (int(layers.max()) + 1), reach_mm)
    rows = []
    for last in range(int(place.max()) + 1):
        used = (place >= 0) & (place <= last)
        rows.append(_count(rays, used, layers, modules) if used.any() else (0.0,) * 7)
    return Contents(*np.array(rows, dtype=float).T)
