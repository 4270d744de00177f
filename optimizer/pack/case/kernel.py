"""Area of a union of discs, rectangles and ribs inside an outline, by exact chords on close parallel lines."""

from __future__ import annotations

import numpy as np
from numba import njit
from numba.extending import register_jitable

from optimizer.base.arrays import Floats, Ints


@njit(cache=True, error_model="numpy")
def covered_areas(
    edges: Floats, edge_end: Ints, centres: Floats, half: Floats, round_: bool, count: Ints,
    ribs: Floats, rib_from: Ints, step: float,
) -> Floats:
    """Area that shapes cover inside each of several outlines [mm²], shape (g,).

    The chords of all shapes on a line are merged and cut to the outline's chords; lines lie `step` apart, each
    in the middle of its strip. Against exact areas of discs that leaves about 0.02 %.

    Parameters
    ----------
    edges : ndarray, shape (e, 4)
        Sides of the outlines, x0, y0, x1, y1, one outline after the other [mm].
    edge_end : ndarray of int, shape (g,)
        Where each outline's sides end.
    centres, half : ndarray, shape (n, 2)
        Middles and half sizes of discs or rectangles [mm].
    round_ : bool
        Whether they are discs, of which half[:, 0] is the radius.
    count : ndarray of int, shape (g,)
        How many of the shapes, from the first, belong to each outline.
    ribs : ndarray, shape (m, 8)
        Four corners of convex quadrilaterals [mm].
    rib_from : ndarray of int, shape (m,)
        A rib belongs to outlines with more than so many shapes.
    step : float
        [mm]
    """
    areas = np.zeros(len(edge_end))
    start = 0
    most = len(centres) + len(ribs)
    left, right = np.empty(most), np.empty(most)
    cuts = np.empty(256)
    for g in range(len(edge_end)):
        stop = edge_end[g]
        if stop == start or count[g] == 0:
            start = stop
            continue
        low, high = np.inf, -np.inf
        for e in range(start, stop):
            low, high = min(low, edges[e, 1], edges[e, 3]), max(high, edges[e, 1], edges[e, 3])
        lines = max(int(np.ceil((high - low) / step)), 1)
        pitch = (high - low) / lines
        total = 0.0
        for k in range(lines):
            y = low + (k + 0.5) * pitch
            found = _chords(y, centres[: count[g]], half, round_, left, right)
            for m in range(len(ribs)):
                if rib_from[m] < count[g]:
                    found = _rib_chord(y, ribs[m], left, right, found)
            if found == 0:
                continue
            found = _merge(left, right, found)
            crossings = 0
            for e in range(start, stop):
                y0, y1 = edges[e, 1], edges[e, 3]
                if (y0 <= y) != (y1 <= y) and crossings < len(cuts):
                    # In order as they come: NumPy's sorting takes two seconds to compile.
                    x, at = edges[e, 0] + (y - y0) / (y1 - y0) * (edges[e, 2] - edges[e, 0]), crossings
                    while at > 0 and cuts[at - 1] > x:
                        cuts[at] = cuts[at - 1]
                        at -= 1
                    cuts[at] = x
                    crossings += 1
            for c in range(0, crossings - 1, 2):
                for i in range(found):
                    total += max(min(right[i], cuts[c + 1]) - max(left[i], cuts[c]), 0.0)
        areas[g] = total * pitch
        start = stop
    return areas


@register_jitable
def _chords(y: float, centres: Floats, half: Floats, round_: bool, left: Floats, right: Floats) -> int:
    """Chords of discs or rectangles on a line; their number."""
    found = 0
    for i in range(len(centres)):
        away = abs(centres[i, 1] - y)
        if away < half[i, 1]:
            reach = np.sqrt(half[i, 0] ** 2 - away**2) if round_ else half[i, 0]
            left[found], right[found] = centres[i, 0] - reach, centres[i, 0] + reach
            found += 1
    return found


@register_jitable
def _rib_chord(y: float, rib: Floats, left: Floats, right: Floats, found: int) -> int:
    """Chord of a convex quadrilateral added to the others; their number."""
    low, high = np.inf, -np.inf
    for k in range(4):
        x0, y0, x1, y1 = rib[2 * k], rib[2 * k + 1], rib[(2 * k + 2) % 8], rib[(2 * k + 3) % 8]
        if (y0 <= y) != (y1 <= y):
            x = x0 + (y - y0) / (y1 - y0) * (x1 - x0)
            low, high = min(low, x), max(high, x)
    if high > low:
        left[found], right[found] = low, high
        found += 1
    return found


@register_jitable
def _merge(left: Floats, right: Floats, found: int) -> int:
    """Chords sorted and joined where they overlap, in place; the number that is left."""
    for i in range(1, found):
        a, b, j = left[i], right[i], i - 1
        while j >= 0 and left[j] > a:
            left[j + 1], right[j + 1] = left[j], right[j]
            j -= 1
        left[j + 1], right[j + 1] = a, b
    last = 0
    for i in range(1, found):
        if left[i] <= right[last]:
            right[last] = max(right[last], right[i])
        else:
            last += 1
            left[last], right[last] = left[i], right[i]
    return last + 1
