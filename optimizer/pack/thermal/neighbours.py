"""Which cells of a layout face each other, which the walls: what the heat network is built from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from optimizer.base.arrays import Floats, Ints

Flags = NDArray[np.bool_]

#: Angles of the four sides of a compartment across the cells: low and high end of one axis, then of the other.
SIDES = np.radians([180.0, 0.0, 270.0, 90.0])
#: A cell's end is covered by another that lies before it within this part of the pitch.
BEFORE = 0.75
#: They stand end to end where their axes are no further apart than this part of the pitch.
STRAIGHT = 0.25
#: Part of a wall from which on it counts: smaller angles open into pockets between cells.
LEAST_WALL = 0.5


@dataclass(frozen=True, eq=False)
class Facing:
    """Who faces whom in a layout of n cells.

    Parameters
    ----------
    own, other : ndarray of int, shape (m,)
        Neighbours side by side, sorted by own and then by angle; each pair twice.
    angle : ndarray, shape (m,)
        Of the way from own to other, −π to π.
    mm : ndarray, shape (m,)
        Between their centres.
    alike : ndarray of bool, shape (m,)
        Whether both are in one case.
    under, over : ndarray of int, shape (k,)
        Cells one before the other along their axis.
    straight : ndarray of bool, shape (k,)
        Whether they stand end to end.
    """

    own: Ints
    other: Ints
    angle: Floats
    mm: Floats
    alike: Flags
    under: Ints
    over: Ints
    straight: Flags

    @property
    def once(self) -> Flags:
        """The first of both entries of each pair, shape (m,)."""
        return np.asarray(self.own < self.other)

    @property
    def stacked(self) -> Ints:
        """Pairs that stand end to end, shape (j, 2)."""
        return np.stack([self.under, self.over], axis=1)[self.straight]

    def sides(self, used: Flags) -> Floats:
        """How many walls of the compartment each cell has on each of SIDES, none in between: shape (n, 4).

        Each angle without a used neighbour counts angle/90° − 1 walls, as nothing under LEAST_WALL: 1 at a straight
        edge of square and staggered rows alike, 2 at a square corner, 4 for a cell alone. They are spread evenly over
        those of SIDES that lie in the angle, a right angle from its ends, or are the nearest to its middle.
        """
        walls = np.ones((len(used), len(SIDES)))
        keep = used[self.own] & used[self.other]
        own, angle = self.own[keep], self.angle[keep]
        if not len(own):
            return walls
        first = np.flatnonzero(np.r_[True, own[1:] != own[:-1]])
        last = np.r_[first[1:], len(own)] - 1
        following = np.r_[angle[1:], 0.0]
        following[last] = angle[first] + 2.0 * np.pi
        gap = following - angle
        count = gap / (np.pi / 2.0) - 1.0
        open_ = count >= LEAST_WALL
        own_open, gap, middle = own[open_], gap[open_, None], (angle + gap / 2.0)[open_, None]
        off = np.abs((SIDES - middle + np.pi) % (2.0 * np.pi) - np.pi)
        within = off <= np.maximum(gap / 2.0 - np.pi / 2.0, off.min(axis=1, keepdims=True)) + 1e-9
        walls[own] = 0.0
        np.add.at(walls, own_open, within * (count[open_] / within.sum(axis=1))[:, None])
        return walls

    def ends(self, used: Flags) -> Flags:
        """Whether each cell's low and high end have no used cell before them, shape (n, 2)."""
        free = np.ones((len(used), 2), dtype=bool)
        both = used[self.under] & used[self.over]
        free[self.over[both], 0] = free[self.under[both], 1] = False
        return free


def facing(
    across_mm: Floats, along_mm: Floats, case: Ints, *, pitch_mm: float, reach_mm: float, apart_mm: float,
    length_mm: float,
) -> Facing:  # fmt: skip
    """Who faces whom among cells.

    Parameters
    ----------
    across_mm, along_mm : ndarray, shape (n, 2) and (n,)
        Centres across the axis of the cells and along it [mm].
    case : ndarray of int, shape (n,)
        Which case each is in: layer of a tray, module.
    pitch_mm, reach_mm, apart_mm, length_mm : float
        Least distance of centres in a case; the largest of neighbours in one, and of those in two; of the cells [mm].
    """
    pairs = cKDTree(across_mm).query_pairs(max(reach_mm, apart_mm), output_type="ndarray").reshape(-1, 2)
    apart = along_mm[pairs[:, 1]] - along_mm[pairs[:, 0]]
    mm = np.linalg.norm(across_mm[pairs[:, 1]] - across_mm[pairs[:, 0]], axis=1)
    alike = case[pairs[:, 0]] == case[pairs[:, 1]]
    beside = (np.abs(apart) < 0.5 * length_mm) & (mm <= np.where(alike, reach_mm, apart_mm))
    before = (np.abs(apart) >= 0.5 * length_mm) & (mm <= BEFORE * pitch_mm)
    low = np.where(apart > 0, pairs[:, 0], pairs[:, 1])[before]
    high = np.where(apart > 0, pairs[:, 1], pairs[:, 0])[before]
    straight = (mm <= STRAIGHT * pitch_mm)[before] & (np.abs(apart) < 1.5 * length_mm)[before]
    pairs, mm, alike = pairs[beside], mm[beside], alike[beside]
    own, other = np.r_[pairs[:, 0], pairs[:, 1]], np.r_[pairs[:, 1], pairs[:, 0]]
    step = across_mm[other] - across_mm[own]
    angle = np.arctan2(step[:, 1], step[:, 0])
    order = np.lexsort([angle, own])
    return Facing(
        own[order], other[order], angle[order], np.r_[mm, mm][order], np.r_[alike, alike][order], low, high,
        straight,
    )  # fmt: skip
