"""How many cells a compartment takes, in stacks of layers from either end of an axis: a quick count."""

from __future__ import annotations

from functools import lru_cache

import shapely

from optimizer.fit.placement.blocks import block_layouts
from optimizer.fit.placement.lattice import quick_count
from optimizer.fit.region.compartment import Compartment, centre_region, margins, stack_value
from optimizer.fit.region.layout import CellSize, Clearance
from optimizer.fit.region.section import TOLERANCE_MM, as_multi


def room_left(room: Compartment, size: CellSize, rules: Clearance) -> float:
    """An estimate of the cells of a size that a compartment takes: to compare places of parts [-].

    Layers are stacked from the low and from the high end of each axis; a layer takes what Oler's bound says, of blocks
    what its area holds.
    """
    return max((value for value, _ in _stacks(room, size, rules)), default=0.0)


def row_count(room: Compartment, size: CellSize, rules: Clearance) -> int:
    """Cells in regular rows in the stack that is estimated to be the fullest; of blocks those of the fullest layout."""
    if size.shape == "block":
        return max((layout.cells for layout in block_layouts(room, size, rules)), default=0)
    _, layers = max(_stacks(room, size, rules), key=lambda each: each[0], default=(0.0, []))
    pitch = size.diameter_mm + rules.cell_gap_mm
    return sum(quick_count(region, pitch) for region in layers)


def most_in_rows(room: Compartment, size: CellSize, rules: Clearance) -> int:
    """Cells in regular rows in the fullest stack; of blocks those of the fullest layout."""
    if size.shape == "block":
        return row_count(room, size, rules)
    pitch, most = size.diameter_mm + rules.cell_gap_mm, 0
    for value, layers in sorted(_stacks(room, size, rules), key=lambda each: -each[0]):
        if value < most + 1:
            break  # no stack holds more than its estimate
        most = max(most, sum(_rows_in(shapely.to_wkb(region), pitch) for region in layers))
    return most


@lru_cache(maxsize=1024)
def _rows_in(region: bytes, pitch_mm: float) -> int:
    return quick_count(as_multi(shapely.from_wkb(region)), pitch_mm)


def _stacks(
    room: Compartment, size: CellSize, rules: Clearance
) -> list[tuple[float, list[shapely.MultiPolygon]]]:
    """Stacks of layers with an estimate of what they hold."""
    block, each = size.shape == "block", (size.width_mm + rules.cell_gap_mm) * (size.thickness_mm + rules.cell_gap_mm)
    pitch, found = size.diameter_mm + rules.cell_gap_mm, []
    for axis in room.axes:
        margin = margins(rules)[1]
        low, high = room.span_mm[axis]
        first, last = low + margin, high - margin - size.length_mm
        step = size.length_mm + 2 * rules.along_mm
        count = int((last - first + TOLERANCE_MM) / step) + 1 if last >= first - TOLERANCE_MM else 0
        ends = ([first + k * step for k in range(count)], [last - k * step for k in range(count)])
        for starts in ends if count * step - 2 * rules.along_mm < last - first + size.length_mm - 1e-3 else ends[:1]:
            regions = [centre_region(room, size=size, clearance=rules, axis=axis, low_mm=start) for start in starts]
            kept = [region for region in regions if not region.is_empty]
            # The centres of blocks keep no diameter: their region is all that is free.
            found.append((sum(r.area / each if block else stack_value(r, pitch) for r in kept), kept))
    return found
