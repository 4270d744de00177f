"""Equal rectangles in a rectangle (the pallet-loading problem) and in any polygon.

Everything here is exact about what it returns (no box overlaps another or leaves the region by more than
1e-6 mm) and heuristic about how many boxes it finds; `upper_bound` tells how far off that can be.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
from scipy.optimize import linprog

from optimizer.base.arrays import Floats
from optimizer.fit.placement import fiveblock, rows

MANY_SUMS = 60  # from here on a search that need not run costs more than the better bound


def check_sides(*sides: float) -> None:
    """Refuse sides that are not finite and above 0."""
    if not all(math.isfinite(side) and side > 0 for side in sides):
        raise ValueError(f"sides must be finite and above 0, found {sides}")


@lru_cache(maxsize=4096)
def packed(length: float, width: float, a: float, b: float, turn: bool) -> Floats:
    """Cached body of `pack_rectangles`; the array is read-only."""
    make = fiveblock.turning_table if turn else fiveblock.fixed_table
    table = make(a, b, max(length, width))
    if turn and len(table.x_sums) > MANY_SUMS:
        fiveblock.know_bound(table, length, width, upper_bound(length, width, a, b))
    boxes = fiveblock.place(table, length, width)
    boxes.setflags(write=False)
    return boxes


def pack_rectangles(length: float, width: float, a: float, b: float, *, turn: bool = True) -> Floats:
    """As many rectangles a × b as can be found in a rectangle length × width, sides parallel.

    Recursive five-block heuristic on raster points (see `fiveblock`): straight cuts and pinwheels, nested.

    Parameters
    ----------
    length, width : float
        Sides of the region along x and y [mm].
    a, b : float
        Sides of a box [mm].
    turn : bool
        Whether a box may be turned by 90°; if not, a lies along x.

    Returns
    -------
    ndarray, shape (n, 4)
        Corner x, y nearest the origin and sides w, h of each box [mm]; boxes may stand out of the region or
        into each other by rounding, at most 1e-6 mm.

    Raises
    ------
    ValueError
        If a side is not finite or not above 0.

    Examples
    --------
    >>> len(pack_rectangles(22, 16, 5, 3))
    23
    """
    check_sides(length, width, a, b)
    return packed(float(length), float(width), float(a), float(b), turn).copy()


def upper_bound(length: float, width: float, a: float, b: float) -> int:
    """A number of rectangles a × b that no packing of length × width exceeds.

    Both sides are shortened to sums i·a + j·b. Then the smaller of two bounds: area less the waste that
    Barnes proves for bars,

        ⌊(L·W − max over s in {a, b} of min(r·t, (s − r)·(s − t))) / (a·b)⌋,  r = L mod s, t = W mod s

    and the linear programme over partitions (see `_partition_bound`).

    Parameters
    ----------
    length, width, a, b : float
        As in `pack_rectangles` [mm].

    Raises
    ------
    ValueError
        If a side is not finite or not above 0.

    References
    ----------
    F. W. Barnes, Discrete Mathematics 26 (1979) 93–100; shortened sides: K. A. Dowsland, Computers & Operations
    Research 11 (1984).

    Examples
    --------
    >>> upper_bound(30, 22, 7, 4)
    23
    """
    check_sides(length, width, a, b)
    short, long = sorted((fiveblock.units(a), fiveblock.units(b)))
    sums = [fiveblock.greatest_sum(short, long, fiveblock.reach(side)) for side in (length, width)]
    if min(sums) == 0 or max(sums) < long:
        return 0
    barnes = int(fiveblock.bounds(np.array(sums), short, long)[0, 1])
    return min(barnes, _partition_bound(*(side / fiveblock.UNITS_PER_MM for side in (*sums, short, long))))


def partitions(length: float, a: float, b: float) -> Floats:
    """Pairs (i, j) with i·a + j·b ≤ length where neither can grow alone, shape (k, 2)."""
    i = np.arange(int(length / a + 1e-9) + 1)
    return np.column_stack([i, np.floor((length - i * a) / b + 1e-9)])


def _partition_bound(length: float, width: float, a: float, b: float) -> int:
    """Bound from what each straight line through a packing can cross.

    A line along x crosses i boxes lying (a along x) and j standing ones, i·a + j·b ≤ L; averaged over all
    lines, (b·lying / W, a·standing / W) is a mean of such pairs, and likewise for lines along y. The most
    boxes under both conditions is a linear programme.

    References
    ----------
    H. Isermann, "Ein Planungssystem zur Optimierung der Palettenbeladung mit kongruenten rechteckigen Versandgebinden",
    OR Spektrum 9 (1987).
    """
    across, up = partitions(length, a, b), partitions(width, a, b)
    k, m = len(across), len(up)
    # variables: lying, standing, width share of each partition of L, length share of each partition of W
    covers = np.zeros((4, 2 + k + m))
    covers[0, 0], covers[0, 2 : 2 + k] = b, -across[:, 0]
    covers[1, 1], covers[1, 2 : 2 + k] = a, -across[:, 1]
    covers[2, 1], covers[2, 2 + k :] = b, -up[:, 0]
    covers[3, 0], covers[3, 2 + k :] = a, -up[:, 1]
    shares = np.zeros((2, 2 + k + m))
    shares[0, 2 : 2 + k], shares[1, 2 + k :] = 1.0, 1.0
    cost = np.concatenate([[-1.0, -1.0], np.zeros(k + m)])
    limits = np.concatenate([np.zeros(4), [width, length]])
    answer = linprog(cost, A_ub=np.vstack([covers, shares]), b_ub=limits, method="highs")
    return int(-answer.fun + 1e-6)


def pack_in_polygon(polygon: Any, a: float, b: float, *, turn: bool = True) -> Floats:
    """As many rectangles a × b as can be found in a polygon, sides parallel to x and y.

    The polygon is cut into bands by a dynamic programme over their heights, once along x and once along y;
    in each band every free stretch is filled as in `pack_rectangles`. So tapers are used band by band, and a
    band as high as the polygon covers its inscribed rectangles. Then straight cuts at the corners of the
    polygon are tried, with either direction of bands on each side.

    Parameters
    ----------
    polygon : shapely Polygon or MultiPolygon
        Free region, holes allowed [mm].
    a, b : float
        Sides of a box [mm].
    turn : bool
        Whether a box may be turned by 90°; if not, a lies along x.

    Returns
    -------
    ndarray, shape (n, 4)
        Corner x, y and sides w, h of each box [mm], within 1e-6 mm as in `pack_rectangles`.

    Raises
    ------
    ValueError
        If a side of the box is not finite or not above 0.
    """
    check_sides(a, b)
    return rows.pack_region(rows.edges_of(polygon), a, b, turn=turn)
