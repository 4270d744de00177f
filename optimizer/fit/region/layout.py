"""Types of the fit: the size of a cell, its clearances, and a layout of cells in a compartment."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

AXES = ("x", "y", "z")

#: Room for insulating ring, plates and joints over them under a cover; what is left of the end gap is the cover
#: (common practice).
END_STACK_MM = 1.5


@dataclass(frozen=True)
class CellSize:
    """Outer size of a cell at its largest, sleeve included.

    A cylinder has diameter_mm and length_mm; a block (prismatic or pouch) has length_mm, width_mm and
    thickness_mm. The terminals sit at both ends of the length; with same_end both on the high end, spacing_mm apart
    along the width, each terminal_mm across, a vent of vent_mm between them (0: none there). positive_mm is the
    diameter of a cylinder's positive button (0: usual). over_mm is what lugs and fasteners of bolted metal, or studs,
    take at each end over the room for metal and cover. A block under pressure_kpa stands between tie plates of tie_mm.
    """

    shape: Literal["cylinder", "block"]
    length_mm: float
    diameter_mm: float = 0.0
    width_mm: float = 0.0
    thickness_mm: float = 0.0
    positive_mm: float = 0.0
    same_end: bool = False
    spacing_mm: float = 0.0
    terminal_mm: float = 0.0
    vent_mm: float = 0.0
    over_mm: float = 0.0
    tie_mm: float = 0.0
    pressure_kpa: float = 0.0


@dataclass(frozen=True)
class Clearance:
    """Free distances that a layout keeps, surface to surface.

    wall_mm: from case (or case end) to compartment wall and to keep-outs; case_mm: thickness of the case
    wall around the cells, across their axis; cell_gap_mm: between neighbouring cells across their axis;
    end_mm: strip, insulating ring and cover at each end of a cell, along its axis; stack_mm: of it the most that ring
    and metal take, the rest is cover; module_gap_mm: between
    neighbouring module cases; plate_gap_mm: between conductors of different potential on a face; wire_mm: room for
    wires over the case at each end of a cell, along its axis.

    So across its axis a cell keeps wall_mm + case_mm to walls and keep-outs, and along it wall_mm + along_mm;
    cells of neighbouring layers stand 2 along_mm apart.
    """

    wall_mm: float = 1.0
    case_mm: float = 1.6
    cell_gap_mm: float = 0.8
    end_mm: float = 2.5
    module_gap_mm: float = 0.5
    plate_gap_mm: float = 2.0
    wire_mm: float = 0.0
    stack_mm: float = END_STACK_MM

    @property
    def along_mm(self) -> float:
        """What a cell keeps free at each end, besides wall_mm to walls [mm]."""
        return self.end_mm + self.wire_mm


@dataclass(frozen=True, eq=False)
class Layout:
    """Where cells stand in one compartment.

    Parameters
    ----------
    compartment : str
        Name of the compartment; coordinates are its own (the corner of a box is the origin).
    way : "tray", "modules"
        One holder for all cells of a layer, or identical small cases.
    placement : str
        How positions were found: "square", "staggered", "free", "blocks".
    axis : int
        0, 1, 2: the cells lie along x, y or z. For blocks, the axis of the cell's length where all cells
        agree; cells of a mixed packing still share this axis or it is the axis of the first cell.
    centres_mm : ndarray, shape (n, 3)
    extents_mm : ndarray, shape (n, 3)
        Outer size of each cell along x, y, z.
    layer : ndarray of int, shape (n,)
        Layer along the axis, from 0.
    module : ndarray of int, shape (n,)
        Case the cell belongs to, from 0; all 0 in a tray.
    name : str
        What people read: "staggered along y, 3 layers".
    """

    compartment: str
    size: CellSize
    way: str
    placement: str
    axis: int
    centres_mm: NDArray[np.float64]
    extents_mm: NDArray[np.float64]
    layer: NDArray[np.int64]
    module: NDArray[np.int64]
    name: str

    @property
    def cells(self) -> int:
        """Number of cells."""
        return len(self.centres_mm)
