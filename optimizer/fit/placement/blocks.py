"""Prismatic and pouch cells in a compartment: level layers along the cell's length."""

from __future__ import annotations

import numpy as np

from optimizer.fit.placement.bricks import Brick, Stack, stack
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.layout import AXES, CellSize, Clearance, Layout


def block_layouts(compartment: Compartment, size: CellSize, clearance: Clearance) -> list[Layout]:
    """Layouts of blocks that share the axis of their length, one of the compartment's, turned about it either way.

    Layers follow each other along the axis, 2 along_mm apart; in a layer cells stand cell_gap_mm apart, and
    their width and thickness may change places from cell to cell. A layout without turned cells is offered
    beside the fullest one when that mixes both.

    Parameters
    ----------
    compartment : Compartment
        Free volume.
    size : CellSize
        Of shape "block".
    clearance : Clearance
        Gaps and margins; see there.

    Returns
    -------
    list of Layout
        Fullest first; empty when nothing fits. way is "tray", placement "blocks".

    Raises
    ------
    ValueError
        If the cell is not a block.
    """
    if size.shape != "block":
        raise ValueError(f"blocks need a cell of shape block, found {size.shape}")
    brick = brick_of(size, clearance)
    found: list[Layout] = []
    for axis in sorted(set(compartment.axes)):
        mixed = stack(compartment, brick, axis=axis, direction=axis)
        if len(mixed) and is_mixed(mixed):
            level = stack(compartment, brick, axis=axis, direction=axis, turn=False)
            found += [layout_of(compartment, size, s, axis) for s in (mixed, level) if len(s)]
        elif len(mixed):
            found.append(layout_of(compartment, size, mixed, axis))
    return sorted(found, key=lambda layout: -layout.cells)


def brick_of(size: CellSize, clearance: Clearance) -> Brick:
    """A block cell as a brick: its gaps to like cells and its margins to walls."""
    return Brick(
        length_mm=size.length_mm,
        width_mm=size.width_mm,
        thickness_mm=size.thickness_mm,
        gap_along_mm=2 * clearance.along_mm,
        gap_across_mm=clearance.cell_gap_mm,
        margin_along_mm=clearance.wall_mm + clearance.along_mm,
        margin_across_mm=clearance.wall_mm + clearance.case_mm,
    )


def is_mixed(found: Stack) -> bool:
    """Whether cells of one layer lie different ways."""
    return any(
        np.ptp(found.extents_mm[found.layer == k], axis=0).max() > 1e-6 for k in np.unique(found.layer)
    )


def layout_of(compartment: Compartment, size: CellSize, found: Stack, axis: int) -> Layout:
    """Layout of a stack of block cells in a tray."""
    count = int(found.layer.max()) + 1
    turned = ", turned ones among them" if is_mixed(found) else ""
    return Layout(
        compartment=compartment.name,
        size=size,
        way="tray",
        placement="blocks",
        axis=axis,
        centres_mm=found.corners_mm + found.extents_mm / 2,
        extents_mm=found.extents_mm,
        layer=found.layer,
        module=np.zeros(len(found), dtype=np.int64),
        name=f"blocks along {AXES[axis]}, {count} layer{'s' if count > 1 else ''}{turned}",
    )
