"""Tie plates and bands: what presses stacks of prismatic and pouch cells together, as their makers ask.

Cells of a layer stand in stacks along their thickness. A plate lies on either end of a stack, bands go around both.
The case stands off by the plate's thickness on all four sides, for plates on two and bands on the others.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from optimizer.base.arrays import Floats, Ints
from optimizer.fit.chain.adjacency import lateral_axes
from optimizer.fit.region.layout import Layout

# Steel band of 12 × 0.5 mm and the pull that its lock holds for good; at least so many around each stack (common
# practice, no published source).
BAND_WIDE_MM, BAND_MM, BAND_N = 12.0, 0.5, 1500.0
LEAST_BANDS = 2
# Cells farther apart than their gap by this are no neighbours in a stack [mm].
APART_MM = 0.5


@dataclass(frozen=True, eq=False)
class Tied:
    """One stack between its plates.

    Parameters
    ----------
    module, layer : int
        Case, and layer of cells.
    cells : ndarray of int
        Of the layout.
    along : int
        0, 1, 2: axis along which it is pressed.
    low_mm, high_mm : ndarray, shape (3,)
        Of its cells in the compartment's axes, plates left out [mm].
    plate_mm : float
        Thickness of each plate [mm].
    force_n : float
        Pressure on the cells' wide sides [N].
    """

    module: int
    layer: int
    cells: Ints
    along: int
    low_mm: Floats
    high_mm: Floats
    plate_mm: float
    force_n: float

    @property
    def plates(self) -> list[tuple[Floats, Floats]]:
        """Low and high corners of both plates [mm]."""
        low, high = (corner.copy() for corner in (self.low_mm, self.high_mm))
        low[self.along], high[self.along] = self.high_mm[self.along], self.low_mm[self.along]
        first, last = self.low_mm.copy(), self.high_mm.copy()
        first[self.along] -= self.plate_mm
        last[self.along] += self.plate_mm
        return [(first, high), (low, last)]

    @property
    def plate_mm3(self) -> float:
        """Volume of both plates [mm³]."""
        return float(sum(np.prod(high - low) for low, high in self.plates))

    @property
    def bands(self) -> int:
        """Bands around it: each pulls at a plate on both sides."""
        return max(int(np.ceil(self.force_n / (2.0 * BAND_N) - 1e-9)), LEAST_BANDS)

    def band_mm(self, axis: int) -> float:
        """Length of one band around cells that lie along an axis, locks left out [mm]."""
        (across,) = (k for k in lateral_axes(axis) if k != self.along)
        size = self.high_mm - self.low_mm
        return float(2.0 * (size[self.along] + 2.0 * self.plate_mm + size[across]))


def tied(layout: Layout, used: Ints, *, cell_gap_mm: float) -> list[Tied]:
    """Stacks of the cells in use; none of cells that ask for no pressure.

    Parameters
    ----------
    used : ndarray of int
        Rows of the layout.
    """
    size = layout.size
    if not size.tie_mm:
        return []
    axes = list(lateral_axes(layout.axis))
    thin = np.array(axes)[np.argmin(layout.extents_mm[used][:, axes], axis=1)]
    found: list[Tied] = []
    cases = np.column_stack([layout.module[used], layout.layer[used], thin])
    for module, layer, along in np.unique(cases, axis=0).tolist():
        mine = used[(cases == (module, layer, along)).all(axis=1)]
        (across,) = (k for k in axes if k != along)
        for cells in _merged(layout, _columns(layout, mine, along, across, cell_gap_mm), along, across, cell_gap_mm):
            half = layout.extents_mm[cells] / 2
            low, high = (layout.centres_mm[cells] - half).min(axis=0), (layout.centres_mm[cells] + half).max(axis=0)
            wide = float(layout.extents_mm[cells[0], across])
            rows = len(np.unique(np.round(layout.centres_mm[cells, across], 2)))
            # kPa · mm² = 1e-3 N.
            force = size.pressure_kpa * 1e-3 * wide * size.length_mm * rows
            found.append(Tied(module, layer, cells, along, low, high, size.tie_mm, force))
    return found


def _columns(layout: Layout, cells: Ints, along: int, across: int, gap_mm: float) -> list[Ints]:
    """Cells behind each other along the axis of pressure, without a hole between them."""
    place = np.round(layout.centres_mm[cells], 2)
    found: list[Ints] = []
    for at in np.unique(place[:, across]):
        line = cells[place[:, across] == at]
        line = line[np.argsort(layout.centres_mm[line, along], kind="stable")]
        step = np.diff(layout.centres_mm[line, along]) - layout.extents_mm[line[1:], along]
        found += np.split(line, np.flatnonzero(step > gap_mm + APART_MM) + 1)
    return found


def _merged(layout: Layout, columns: Sequence[Ints], along: int, across: int, gap_mm: float) -> list[Ints]:
    """Columns side by side that begin and end alike as one stack, with plates over all of them."""
    def ends(cells: Ints) -> tuple[float, float]:
        half = layout.extents_mm[cells, along] / 2
        at = layout.centres_mm[cells, along]
        return round(float((at - half).min()), 1), round(float((at + half).max()), 1)

    out: list[Ints] = []
    for cells in sorted(columns, key=lambda c: (ends(c), float(layout.centres_mm[c[0], across]))):
        if out and ends(out[-1]) == ends(cells):
            last, here = (layout.centres_mm[group[-1], across] for group in (out[-1], cells))
            if here - last <= layout.extents_mm[cells[0], across] + gap_mm + APART_MM:
                out[-1] = np.concatenate([out[-1], cells])
                continue
        out.append(cells)
    return out


def clash(layout: Layout, stacks: Sequence[Tied], used: Ints) -> str:
    """Where a plate finds no room beside other cells or plates, in words; nothing where all do."""
    half = layout.extents_mm[used] / 2
    low, high = layout.centres_mm[used] - half, layout.centres_mm[used] + half
    boxes = [box for stack in stacks for box in stack.plates]
    for a, b in boxes:
        deep = np.minimum(high, b) - np.maximum(low, a)
        hit = np.flatnonzero((deep > 1e-6).all(axis=1))
        if len(hit):
            return f"a tie plate would lie in cell {used[hit[0]]}, which stands turned or too near"
    for (a, b), (c, d) in combinations(boxes, 2):
        if (np.minimum(b, d) - np.maximum(a, c) > 1e-6).all():
            return "two tie plates would lie in each other"
    return ""


METRICS = ("tie_mm3", "band_mm", "tie_parts")


def tie_metrics(layout: Layout, group: Ints, groups: int, *, cell_gap_mm: float) -> Floats:
    """METRICS of the first 1 … G groups of a chain, shape (G, 3); infinite where plates find no room.

    Volume of the plates [mm³], length of the bands [mm], plates and bands [-].
    """
    out = np.zeros((groups, len(METRICS)))
    if not layout.size.tie_mm:
        return out
    for g in range(groups):
        used = np.flatnonzero((group >= 0) & (group <= g))
        stacks = tied(layout, used, cell_gap_mm=cell_gap_mm)
        if clash(layout, stacks, used):
            out[g] = np.inf
            continue
        out[g] = (
            sum(stack.plate_mm3 for stack in stacks),
            sum(stack.bands * stack.band_mm(layout.axis) for stack in stacks),
            sum(2 + stack.bands for stack in stacks),
        )
    return out
