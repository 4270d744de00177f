"""Equal rectangles in a rectangle (the pallet-loading problem) and in any polygon.

Everything here is exact about what it returns (no box overlaps another or leaves the region by more than
1e-6 mm) and heuristic about how many boxes it finds; `upper_bound` tells how far off that can be.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optimizer.fit import fiveblock, rows

Floats = NDArray[np.float64]


def check_sides(*sides: float) -> None:
    """Refuse sides that are not finite and above 0."""
    if not all(math.isfinite(side) and side > 0 for side in sides):
        raise ValueError(f"sides must be finite and above 0, found {sides}")


@lru_cache(maxsize=4096)
def packed(length: float, width: float, a: float, b: float, turn: bool) -> Floats:
    """Cached body of `pack_rectangles`; the array is read-only."""
    make = fiveblock.turning_table if turn else fiveblock.fixed_table
    table = make(a, b, max(length, width))
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

    Both sides are shortened to sums i·a + j·b; then area, less the waste that Barnes proves for bars:

        ⌊(L·W − max over s in {a, b} of min(r·t, (s − r)·(s − t))) / (a·b)⌋,  r = L mod s, t = W mod s

    Parameters
    ----------
    length, width, a, b : float
        As in `pack_rectangles` [mm].

    Returns
    -------
    int

    Raises
    ------
    ValueError
        If a side is not finite or not above 0.

    Source: F. W. Barnes, Discrete Mathematics 26 (1979) 93–100; shortened sides: K. A. Dowsland, Computers &
    Operations Research 11 (1984).

    Examples
    --------
    >>> upper_bound(30, 22, 7, 4)
    23
    """
    check_sides(length, width, a, b)
    short, long = sorted((fiveblock.units(a), fiveblock.units(b)))
    sums = [fiveblock.greatest_sum(short, long, fiveblock.reach(side)) for side in (length, width)]
    return int(fiveblock.bounds(np.array(sums), short, long)[0, 1])


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
