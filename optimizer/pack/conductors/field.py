"""Current in flat metal: potentials of outlines that lie on each other, on a grid of square elements.

Pieces that lie on each other are one conductor as thick as all of them; welds are discs of fused metal. An element
that an outline cuts counts by the share that it covers: current runs along an edge, so that this share carries it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from scipy.linalg import cho_solve_banded, cholesky_banded

from optimizer.base.arrays import Floats, Ints
from optimizer.base.kernels import kernel

STEP_MM = 2.0
WELD_MM = 3.0

# Rows of samples in an element, grid lines nearer than this are one, what fused metal conducts over that around it
# in an element that a weld covers whole, and the disc on the grid that answers as a true one does.
_ROWS = 4
_MERGED_MM = 0.35
_FUSED = 60.0
_DISC_MM = 1.23
# Stiffness of a bilinear element of unit sides and conductance along its two axes, nodes in turn around it.
_STIFF_X = np.array([[2, -2, -1, 1], [-2, 2, 1, -1], [-1, 1, 2, -2], [1, -1, -2, 2]]) / 6.0
_STIFF_Y = np.array([[2, 1, -1, -2], [1, 2, -2, -1], [-1, -2, 2, 1], [-2, -1, 1, 2]]) / 6.0
_TURN = ((0, 0), (1, 0), (1, 1), (0, 1))
# Less than this share of an element is no metal.
LEAST = 1e-6


@dataclass(frozen=True, eq=False)
class Field:
    """A conductor on its grid, ready to be fed at its joints.

    Parameters
    ----------
    lines : tuple of ndarray
        Grid lines along the two axes [mm].
    sheets : ndarray, shape (nx, ny)
        Conductance of each element over that of one layer [-].
    node : ndarray of int, shape (nx + 1, ny + 1)
        Number of each node in the system; −1 off the metal.
    potential : ndarray, shape (n, m)
        Of each node for 1 A into each joint and out at the ground [squares of one layer].
    impedance : ndarray, shape (m, m)
        Potential of each joint for 1 A into each other one [squares of one layer].
    """

    lines: tuple[Floats, Floats]
    sheets: Floats
    node: Ints
    potential: Floats
    impedance: Floats


@njit(cache=True, error_model="numpy")
def _cover(corners: Floats, starts: Ints, weight: Floats, xs: Floats, ys: Floats, out: Floats) -> None:
    """Add to each element the weight of every polygon times the share that it covers (scan lines, even-odd)."""
    hits = np.empty(512)
    for p in range(len(starts) - 1):
        a, b = starts[p], starts[p + 1]
        low, high, first, last = corners[a, 1], corners[a, 1], 0, 0
        for k in range(a + 1, b):
            low, high = min(low, corners[k, 1]), max(high, corners[k, 1])
        while first < len(ys) - 1 and ys[first + 1] <= low:
            first += 1
        while last < len(ys) - 1 and ys[last] < high:
            last += 1
        for row in range(first * _ROWS, last * _ROWS):
            j = row // _ROWS
            y = ys[j] + (row % _ROWS + 0.5) * (ys[j + 1] - ys[j]) / _ROWS
            count = 0
            for k in range(a, b):
                m = k + 1 if k + 1 < b else a
                y0, y1 = corners[k, 1], corners[m, 1]
                if (y0 <= y) != (y1 <= y) and count < len(hits):
                    # In order as they come: NumPy's sorting and searching take two seconds to compile.
                    x, at = corners[k, 0] + (y - y0) / (y1 - y0) * (corners[m, 0] - corners[k, 0]), count
                    while at > 0 and hits[at - 1] > x:
                        hits[at] = hits[at - 1]
                        at -= 1
                    hits[at] = x
                    count += 1
            i = 0
            for k in range(0, count - 1, 2):
                while i < len(xs) - 1 and xs[i + 1] <= hits[k]:
                    i += 1
                while i < len(xs) - 1 and xs[i] < hits[k + 1]:
                    part = min(hits[k + 1], xs[i + 1]) - max(hits[k], xs[i])
                    if part > 0:
                        out[i, j] += weight[p] * part / (xs[i + 1] - xs[i]) / _ROWS
                    i += 1
                # The next stretch may begin in the element in which this one ended.
                i = max(i - 1, 0)


@njit(cache=True, error_model="numpy")
def _cover_each(polygons: Floats, xs: Floats, ys: Floats, out: Floats) -> None:
    """Share of each element that each of many polygons (m, k, 2) covers, in out (m, nx, ny)."""
    starts, one = np.array([0, polygons.shape[1]]), np.ones(1)
    for p in range(len(polygons)):
        _cover(polygons[p], starts, one, xs, ys, out[p])


@kernel(rows=100_000)
def _spaced(lines: Floats, step: float) -> Floats:
    """Lines with those nearer than _MERGED_MM to the one before left out, and others put into wide gaps."""
    kept = np.empty(len(lines))
    kept[0], count = lines[0], 1
    for line in lines[1:]:
        if line - kept[count - 1] >= _MERGED_MM:
            kept[count] = line
            count += 1
    kept[count - 1] = max(kept[count - 1], lines[-1])
    out = [kept[0]]
    for k in range(count - 1):
        gap = kept[k + 1] - kept[k]
        parts = max(int(np.ceil(gap / step - 1e-9)), 1)
        for m in range(1, parts):
            out.append(kept[k] + gap * m / parts)
        out.append(kept[k + 1])
    return np.array(out)


def coverage(outlines: Sequence[Floats], *, weight: Sequence[float], lines: tuple[Floats, Floats]) -> Floats:
    """Sum over closed outlines of weight times the share of each element that they cover.

    Parameters
    ----------
    outlines : sequence of ndarray, shape (k, 2)
        [mm]
    weight : sequence of float
        [-]
    lines : tuple of ndarray
        Grid lines along the two axes, rising [mm].

    Returns
    -------
    ndarray, shape (nx, ny)
    """
    out = np.zeros((len(lines[0]) - 1, len(lines[1]) - 1))
    starts = np.cumsum([0, *map(len, outlines)]).astype(np.int64)
    corners = np.concatenate([np.asarray(o, float)[:, :2] for o in outlines])
    _cover(corners, starts, np.asarray(weight, float), *lines, out)
    return out


def grid_lines(
    outlines: Sequence[Floats], joints_mm: Floats, *, step_mm: float, disc_mm: float = _DISC_MM
) -> tuple[Floats, Floats]:
    """Lines through every joint and beside its disc, along edges that follow an axis, and between them.

    Parameters
    ----------
    outlines : sequence of ndarray, shape (k, 2)
    joints_mm : ndarray, shape (m, 2)
    step_mm, disc_mm : float
        Most distance of two lines, radius of the discs [mm].
    """
    found = []
    corners = np.concatenate([np.asarray(o, float) for o in outlines])
    four = np.array([np.asarray(o, float) for o in outlines if len(o) == 4]).reshape(-1, 4, 2)
    for axis in (0, 1):
        middle = joints_mm[:, axis]
        low, high = corners[:, axis].min(), corners[:, axis].max()
        along = four[:, :, axis]
        edges = along[np.abs(along - np.roll(along, -1, axis=1)) < 1e-6]
        lines = np.unique(np.round([*middle, *(middle - disc_mm), *(middle + disc_mm), *edges, low, high], 3))
        lines = lines[(lines >= low - 1e-3) & (lines <= high + 1e-3)]
        found.append(_spaced(lines, step_mm))
    return found[0], found[1]


def _discs(centres: Floats, radius: float) -> Floats:
    turn = 2.0 * np.pi * np.arange(24) / 24
    # As large as the disc.
    grown = radius * np.sqrt(np.pi / (12 * np.sin(np.pi / 12)))
    return np.asarray(centres[:, None] + grown * np.column_stack([np.cos(turn), np.sin(turn)]))


def solve_field(
    outlines: Sequence[Floats], *, layers: Sequence[float], joints_mm: Floats, step_mm: float = STEP_MM,
    disc_mm: float = _DISC_MM, currents: Floats | None = None,
) -> Field:  # fmt: skip
    """Solve a conductor for a current into each of its joints.

    ∇·(n ∇φ) = −j, n the layers on each other, φ the same all over a weld; bilinear elements, banded Cholesky.

    Parameters
    ----------
    outlines : sequence of ndarray, shape (k, 2)
        Closed outlines of the pieces [mm].
    layers : sequence of float
        Of each piece, over one layer of the reference thickness [-].
    joints_mm : ndarray, shape (m, 2)
        Middles of welds and taps, on the metal [mm].
    step_mm : float
        Most side of an element [mm].
    disc_mm : float
        Radius of a joint's disc on this grid [mm].
    currents : ndarray, shape (m, c), optional
        Into the joints in each of some cases, to be solved instead of 1 A into each joint by itself: potential and
        impedance then have a column for each case [A].

    Raises
    ------
    ValueError
        If a joint is off the metal.
    """
    joints = np.asarray(joints_mm, float)
    lines = grid_lines(outlines, joints, step_mm=step_mm, disc_mm=disc_mm)
    sheets = coverage(outlines, weight=layers, lines=lines)
    discs = _discs(joints, disc_mm)
    part = np.minimum(coverage(list(discs), weight=[1.0] * len(discs), lines=lines), 1.0)
    sheets = sheets * np.minimum((1.0 + part) / np.maximum(1.0 - part, 1e-9), _FUSED)
    node, band = _matrix(sheets, lines)
    feed = np.zeros((int(node.max()) + 1, len(discs)))
    each = np.zeros((len(discs), *sheets.shape))
    _cover_each(discs, *lines, each)
    each *= np.diff(lines[0])[:, None] * np.diff(lines[1])[None, :] * (sheets > LEAST)
    whole = each.sum(axis=(1, 2))
    if np.any(whole <= 0):
        raise ValueError(f"joint {int(np.argmin(whole))} is off the metal")
    _spread(each, whole, node, feed)
    factor = cholesky_banded(band, lower=True, check_finite=False)
    fed = feed if currents is None else feed @ currents
    potential = cho_solve_banded((factor, True), fed, check_finite=False)
    return Field(lines, sheets, node, potential, feed.T @ potential)


def _matrix(sheets: Floats, lines: tuple[Floats, Floats]) -> tuple[Ints, Floats]:
    """Numbers of the nodes on metal along the longer side, and the matrix as the band below its diagonal."""
    node, count, width = _numbered(sheets)
    band = np.zeros((width, count))
    _stiffness(sheets, *lines, node, band)
    # One node holds the ground; a trace on all others holds splinters of an outline that touch nothing.
    band[0] += 1e-9
    band[0, int(np.argmax(band[0]))] += 1.0
    return node, band


@njit(cache=True, error_model="numpy")
def _spread(each: Floats, whole: Floats, node: Ints, feed: Floats) -> None:
    """Add each joint's current, spread over its disc, to the nodes of the elements there: feed (n, m)."""
    count, nx, ny = each.shape
    for di, dj in _TURN:
        for k in range(count):
            for i in range(nx):
                for j in range(ny):
                    if each[k, i, j] != 0.0:
                        feed[node[i + di, j + dj], k] += each[k, i, j] / whole[k] / 4.0


@kernel(rows=20_000)
def _numbered(sheets: Floats) -> tuple[Ints, int, int]:
    """Numbers of the nodes, −1 off the metal; how many there are, and how far apart those of an element may be + 1."""
    nx, ny = sheets.shape
    node = np.full((nx + 1, ny + 1), -1)
    for i in range(nx):
        for j in range(ny):
            if sheets[i, j] > LEAST:
                node[i, j] = node[i + 1, j] = node[i, j + 1] = node[i + 1, j + 1] = 0
    count, width = 0, 0
    # The shorter side runs first, so that the band is narrow.
    for a in range(max(nx, ny) + 1):
        for b in range(min(nx, ny) + 1):
            i, j = (a, b) if nx >= ny else (b, a)
            if node[i, j] == 0:
                node[i, j] = count
                count += 1
    for i in range(nx):
        for j in range(ny):
            if sheets[i, j] > LEAST:
                width = max(width, node[i + 1, j + 1] - node[i, j])
    return node, count, width + 1


@njit(cache=True, error_model="numpy")
def _stiffness(sheets: Floats, xs: Floats, ys: Floats, node: Ints, band: Floats) -> None:
    """Add the stiffness of every element on metal to the band below the diagonal."""
    at = np.empty(4, np.int64)
    for i in range(sheets.shape[0]):
        for j in range(sheets.shape[1]):
            if sheets[i, j] <= LEAST:
                continue
            tall = (ys[j + 1] - ys[j]) / (xs[i + 1] - xs[i])
            for k, (di, dj) in enumerate(_TURN):
                at[k] = node[i + di, j + dj]
            for a in range(4):
                for b in range(4):
                    if at[a] >= at[b]:
                        band[at[a] - at[b], at[b]] += sheets[i, j] * (tall * _STIFF_X[a, b] + _STIFF_Y[a, b] / tall)
