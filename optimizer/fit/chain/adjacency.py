"""Which cells of a layout are neighbours: side by side in a layer, or end to end across layers."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from optimizer.fit.region.layout import Layout

# Neighbours stand at most this many least centre distances apart. A convex quadrilateral has an angle of at
# least 90 degrees, so with sides of at least s one diagonal is at least sqrt(2) s: below sqrt(2) no two
# strips between neighbours can cross, whatever the placement, and the diagonals of square rows stay out.
REACH = 1.40

# Faces of two blocks count as shared when they overlap over at least this part of the smaller one.
FACE_SHARE = 0.5


@dataclass(frozen=True, eq=False)
class Neighbours:
    """Pairs of neighbouring cells.

    Parameters
    ----------
    lateral : ndarray of int, shape (m, 2)
        Side by side in the same layer and module, lower index first.
    axial : ndarray of int, shape (k, 2)
        End to end in neighbouring layers of the same module, lower index first.
    """

    lateral: NDArray[np.int64]
    axial: NDArray[np.int64]


def lateral_axes(axis: int) -> tuple[int, int]:
    """The two axes across a cell axis, in x, y, z order."""
    first, second = (other for other in range(3) if other != axis)
    return first, second


def neighbours(layout: Layout, *, cell_gap_mm: float) -> Neighbours:
    """Neighbouring cells of a layout.

    Cylinders are lateral neighbours when their axes are at most 1.40 (diameter + gap) apart; blocks when
    their faces overlap by half and stand at most gap + 0.40 (smaller side + gap) apart. Axial neighbours
    stand in the next layer within half a diameter (half a side) of the same axis. No pair joins two modules.

    Parameters
    ----------
    cell_gap_mm : float
        Free distance between neighbouring cells across their axis [mm], at least 0.

    Raises
    ------
    ValueError
        If the gap is negative.

    Notes
    -----
    With every centre distance at least diameter + gap, strips between lateral neighbours never cross (see
    REACH): closed form.
    """
    if cell_gap_mm < 0:
        raise ValueError(f"cell_gap_mm must be at least 0, found {cell_gap_mm}")
    empty = np.zeros((0, 2), dtype=np.int64)
    if layout.cells < 2:
        return Neighbours(empty, empty)
    pairs, offset = _close_pairs(layout, cell_gap_mm)
    across = list(lateral_axes(layout.axis))
    mean = 0.5 * (layout.extents_mm[pairs[:, 0]] + layout.extents_mm[pairs[:, 1]])
    least = np.minimum(layout.extents_mm[pairs[:, 0]], layout.extents_mm[pairs[:, 1]])
    along = offset[:, layout.axis]
    length = mean[:, layout.axis]
    same_layer = along < 0.5 * length
    next_layer = ~same_layer & (along < 1.5 * length)
    stacked = np.all(offset[:, across] <= 0.5 * least[:, across] + 1e-9, axis=1)
    if layout.size.shape == "cylinder":
        stacked = np.hypot(*offset[:, across].T) <= 0.5 * least[:, across[0]] + 1e-9
        beside = np.hypot(*offset[:, across].T) <= REACH * (mean[:, across[0]] + cell_gap_mm)
    else:
        beside = _share_face(offset[:, across], mean[:, across], least[:, across], cell_gap_mm)
    return Neighbours(pairs[same_layer & beside], pairs[next_layer & stacked])


def _close_pairs(layout: Layout, cell_gap_mm: float) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Index pairs of one module near enough to matter, and their absolute offsets."""
    extents = layout.extents_mm.max(axis=0)
    across = list(lateral_axes(layout.axis))
    beside = REACH * (np.hypot(*extents[across]) + cell_gap_mm)
    above = np.hypot(1.5 * extents[layout.axis], extents[across].max())
    tree = cKDTree(layout.centres_mm)
    pairs = np.asarray(tree.query_pairs(max(beside, above), output_type="ndarray"), dtype=np.int64)
    pairs = pairs.reshape(-1, 2)
    pairs = pairs[layout.module[pairs[:, 0]] == layout.module[pairs[:, 1]]]
    pairs = pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]
    return pairs, np.abs(layout.centres_mm[pairs[:, 0]] - layout.centres_mm[pairs[:, 1]])


def _share_face(
    offset: NDArray[np.float64], mean: NDArray[np.float64], least: NDArray[np.float64], cell_gap_mm: float
) -> NDArray[np.bool_]:
    """Whether blocks with these lateral offsets (m, 2) stand face to face."""
    gap = offset - mean
    near = gap <= cell_gap_mm + (REACH - 1.0) * (least.min(axis=1, keepdims=True) + cell_gap_mm)
    overlap = -gap >= FACE_SHARE * least - 1e-9
    result: NDArray[np.bool_] = (near[:, 0] & overlap[:, 1]) | (near[:, 1] & overlap[:, 0])
    return result


def compressed(pairs: NDArray[np.int64], count: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pairs, shape (m, 2), as neighbour lists (ptr, idx): those of cell i are idx[ptr[i]:ptr[i + 1]], ascending."""
    both = np.concatenate([pairs, pairs[:, ::-1]])
    both = both[np.lexsort((both[:, 1], both[:, 0]))]
    ptr = np.zeros(count + 1, dtype=np.int64)
    np.cumsum(np.bincount(both[:, 0], minlength=count), out=ptr[1:])
    return ptr, np.ascontiguousarray(both[:, 1])
