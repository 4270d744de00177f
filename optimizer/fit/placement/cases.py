"""The case of a module: how its cells stand inside, and its outer box."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.fit.region.layout import CellSize, Clearance


@dataclass(frozen=True)
class ModuleKind:
    """One case: how its cells stand, and its outer box.

    Parameters
    ----------
    groups, parallel : int
        Series groups in the case, cells per group.
    rows, columns, layers : int
        Cells across (rows step along the thickness, columns along the width) and along their axis.
    staggered : bool
        Whether every other row is shifted by half a pitch.
    turned : bool
        For blocks: whether the cell's width lies along the rows' step instead of along the columns.
    length_mm, width_mm, thickness_mm : float
        Outer box: along the cell axis, along the columns, along the rows' step.
    """

    groups: int
    parallel: int
    rows: int
    columns: int
    layers: int
    staggered: bool
    turned: bool
    length_mm: float
    width_mm: float
    thickness_mm: float

    @property
    def cells(self) -> int:
        """Cells in the case."""
        return self.rows * self.columns * self.layers

    @property
    def boundary_pairs(self) -> int:
        """Pairs of cells that groups laid as stripes share with the next group, at most `parallel`."""
        sides = [side for side in (self.rows, self.columns) if self.parallel % side == 0]
        return max(sides, default=1)

    def text(self) -> str:
        """What people read, such as "4 groups of 2, 2 × 4 square"."""
        form = "staggered" if self.staggered else "square"
        deep = f" × {self.layers} layers" if self.layers > 1 else ""
        return f"{self.groups} groups of {self.parallel}, {self.rows} × {self.columns} {form}{deep}"


def case_size(
    size: CellSize,
    clearance: Clearance,
    *,
    rows: int,
    columns: int,
    layers: int,
    staggered: bool,
    turned: bool,
) -> tuple[float, float, float]:
    """Outer box of a case along the axis, along the columns, along the rows' step [mm]; see ModuleKind.

    Cells and gaps, two case walls across the axis, two end stacks per layer along it.
    """
    wide, high = cross_size(size, turned=turned)
    gap = clearance.cell_gap_mm
    step = (wide + gap) * math.sqrt(0.75) if staggered else high + gap
    shift = (wide + gap) / 2 if staggered and rows > 1 else 0.0
    return (
        layers * (size.length_mm + 2 * clearance.along_mm),
        columns * (wide + gap) - gap + shift + 2 * clearance.case_mm,
        (rows - 1) * step + high + 2 * clearance.case_mm,
    )


def cross_size(size: CellSize, *, turned: bool) -> tuple[float, float]:
    """Size of a cell along the columns and along the rows' step [mm]."""
    if size.shape == "cylinder":
        return size.diameter_mm, size.diameter_mm
    return (size.thickness_mm, size.width_mm) if turned else (size.width_mm, size.thickness_mm)


def module_kinds(size: CellSize, clearance: Clearance, *, groups: int, parallel: int) -> list[ModuleKind]:
    """All cases for a number of groups: square and staggered rows, one or two layers.

    Every arrangement can be shared out into groups of neighbours, row by row to and fro. Two layers are made
    only for an even number of groups, so that no group lies in both.

    Parameters
    ----------
    size, clearance
        Cell and gaps.
    groups, parallel : int
        At least 1.

    Returns
    -------
    list of ModuleKind
        Those whose groups share the most pairs first, then the smallest.

    Raises
    ------
    ValueError
        If a count is below 1.
    """
    if groups < 1 or parallel < 1:
        raise ValueError(f"groups and parallel must be at least 1, found {groups} and {parallel}")
    cylinder = size.shape == "cylinder"
    found = []
    for layers in (1, 2) if groups % 2 == 0 else (1,):
        count = groups * parallel // layers
        for rows in (r for r in range(1, count + 1) if count % r == 0):
            columns = count // rows
            forms = [(False, False)] if not cylinder or rows <= columns else []
            forms += [(True, False)] if cylinder and rows > 1 and columns > 1 else []
            forms += [(False, True)] if not cylinder else []
            for staggered, turned in forms:
                box = case_size(
                    size,
                    clearance,
                    rows=rows,
                    columns=columns,
                    layers=layers,
                    staggered=staggered,
                    turned=turned,
                )
                found.append(ModuleKind(groups, parallel, rows, columns, layers, staggered, turned, *box))
    return sorted(found, key=lambda k: (-k.boundary_pairs, k.length_mm * k.width_mm * k.thickness_mm))


def inner_centres(kind: ModuleKind, size: CellSize, clearance: Clearance) -> Floats:
    """Centres of a case's cells from its lowest corner: along the axis, the columns, the rows' step [mm]."""
    wide, high = cross_size(size, turned=kind.turned)
    pitch = wide + clearance.cell_gap_mm
    step = pitch * math.sqrt(0.75) if kind.staggered else high + clearance.cell_gap_mm
    layer, row, column = (
        part.ravel()
        for part in np.meshgrid(*map(np.arange, (kind.layers, kind.rows, kind.columns)), indexing="ij")
    )
    shift = pitch / 2 * (row % 2) if kind.staggered else np.zeros(len(row))
    along = (layer + 0.5) * (size.length_mm + 2 * clearance.along_mm)
    return np.column_stack(
        [
            along,
            clearance.case_mm + wide / 2 + column * pitch + shift,
            clearance.case_mm + high / 2 + row * step,
        ]
    )
