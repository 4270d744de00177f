"""Modules: equal small cases with a whole number of series groups each, stacked in a compartment."""

from __future__ import annotations

import math
import time
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optimizer.fit.bricks import Brick, Stack, stack
from optimizer.fit.compartment import Compartment
from optimizer.fit.layout import AXES, CellSize, Clearance, Layout
from optimizer.fit.section import cross_axes

Floats = NDArray[np.float64]

MOST_GROUPS = 24  # a case of more is a tray
MOST_LAYOUTS = 12


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
    """Outer box of a case: cells and gaps, two case walls across the axis, two end stacks per layer along it.

    Parameters
    ----------
    size, clearance
        Cell and gaps.
    rows, columns, layers, staggered, turned
        As in ModuleKind.

    Returns
    -------
    tuple of float
        Along the axis, along the columns, along the rows' step [mm].
    """
    wide, high = cross_size(size, turned=turned)
    gap = clearance.cell_gap_mm
    step = (wide + gap) * math.sqrt(0.75) if staggered else high + gap
    shift = (wide + gap) / 2 if staggered and rows > 1 else 0.0
    return (
        layers * (size.length_mm + 2 * clearance.end_mm),
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


def case_wall_mm3(kind: ModuleKind, clearance: Clearance) -> float:
    """Volume of a case's walls: four sides, bottom and cover, each case_mm thick; webs between cells left out.

    V = (L·W·T) − (L − 2c)(W − 2c)(T − 2c)

    Parameters
    ----------
    kind : ModuleKind
    clearance : Clearance

    Returns
    -------
    float
        [mm³]
    """
    box = np.array([kind.length_mm, kind.width_mm, kind.thickness_mm])
    return float(np.prod(box) - np.prod(np.maximum(box - 2 * clearance.case_mm, 0.0)))


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
    along = (layer + 0.5) * (size.length_mm + 2 * clearance.end_mm)
    return np.column_stack(
        [
            along,
            clearance.case_mm + wide / 2 + column * pitch + shift,
            clearance.case_mm + high / 2 + row * step,
        ]
    )


def case_brick(kind: ModuleKind, clearance: Clearance) -> Brick:
    """A case as a brick: module_gap_mm to its like, wall_mm to walls, on all sides."""
    gap, wall = clearance.module_gap_mm, clearance.wall_mm
    return Brick(kind.length_mm, kind.width_mm, kind.thickness_mm, gap, gap, wall, wall)


def layout_of(
    compartment: Compartment, size: CellSize, clearance: Clearance, kind: ModuleKind, cases: Stack, axis: int
) -> Layout:
    """Layout of all cells of stacked cases."""
    inner = inner_centres(kind, size, clearance)
    n, m = len(cases), len(inner)
    x, y = cross_axes(axis)
    wide, high = cross_size(size, turned=kind.turned)
    centres, extents = np.empty((n, m, 3)), np.empty((n, m, 3))
    straight = np.abs(cases.extents_mm[:, x] - kind.width_mm) < 1e-6
    for k in range(n):
        columns, rows = (x, y) if straight[k] else (y, x)
        centres[k][:, [axis, columns, rows]] = inner
        extents[k][:, [axis, columns, rows]] = size.length_mm, wide, high
    centres += cases.corners_mm[:, None, :]
    plural = "s" if n > 1 else ""
    return Layout(
        compartment=compartment.name,
        size=size,
        way="modules",
        placement="staggered" if kind.staggered else "square" if size.shape == "cylinder" else "blocks",
        axis=axis,
        centres_mm=centres.reshape(-1, 3),
        extents_mm=extents.reshape(-1, 3),
        layer=np.tile(np.repeat(np.arange(kind.layers), m // kind.layers), n),
        module=np.repeat(np.arange(n), m),
        name=f"{n} case{plural} of {kind.text()}, along {AXES[axis]}",
    )


def module_boxes(layout: Layout, clearance: Clearance) -> tuple[Floats, Floats]:
    """Outer boxes of the cases of a layout, from its cells alone.

    Parameters
    ----------
    layout : Layout
    clearance : Clearance
        The one it was made with.

    Returns
    -------
    tuple of ndarray, shape (m, 3)
        Lowest corners and extents, by ascending module id [mm].
    """
    grow = np.full(3, clearance.case_mm)
    grow[layout.axis] = clearance.end_mm
    low, high = layout.centres_mm - layout.extents_mm / 2, layout.centres_mm + layout.extents_mm / 2
    owns = [layout.module == k for k in np.unique(layout.module)]
    corner = np.array([low[own].min(axis=0) for own in owns]) - grow
    return corner, np.array([high[own].max(axis=0) for own in owns]) + grow - corner


def kind_of(layout: Layout, clearance: Clearance, *, parallel: int) -> ModuleKind:
    """The kind of case that a layout of `module_layouts` is made of, recovered from its cells.

    Parameters
    ----------
    layout : Layout
    clearance : Clearance
        The one it was made with.
    parallel : int
        Cells per group.

    Returns
    -------
    ModuleKind

    Raises
    ------
    ValueError
        If no kind of case matches.
    """
    cells = int(np.count_nonzero(layout.module == layout.module[0])) if layout.cells else 0
    _, extents = module_boxes(layout, clearance) if cells else (None, np.zeros((1, 3)))
    case = extents[0][[layout.axis, *cross_axes(layout.axis)]]
    for kind in module_kinds(layout.size, clearance, groups=max(cells // parallel, 1), parallel=parallel):
        form = "staggered" if kind.staggered else "square" if layout.size.shape == "cylinder" else "blocks"
        boxes = [(kind.width_mm, kind.thickness_mm), (kind.thickness_mm, kind.width_mm)]
        same = any(np.allclose(case, (kind.length_mm, *box), atol=1e-6, rtol=0) for box in boxes)
        if form == layout.placement and same and kind.cells == cells:
            return kind
    raise ValueError(f"no case of whole groups of {parallel} matches the cells of {layout.name}")


def directions(compartment: Compartment, axis: int) -> tuple[int, ...]:
    """Directions of layers worth trying: where the section is the same all along, those along the axis win."""
    box = len(set(compartment.profile_mm)) == 4 and is_upright(compartment.profile_mm)
    if not compartment.keep_outs and (box or axis == compartment.extrude):
        return (axis,)
    return (0, 1, 2)


def is_upright(profile_mm: tuple[tuple[float, float], ...]) -> bool:
    """Whether four corners are those of a rectangle with sides along the axes."""
    return all(len({point[column] for point in profile_mm}) == 2 for column in (0, 1))


def most_cases(compartment: Compartment, brick: Brick) -> int:
    """Upper bound by volume on the cases a compartment holds; 0 when one does not go in any way round."""
    reach = np.array([high - low for low, high in compartment.extent_mm]) - 2 * brick.margin_across_mm
    case = np.array([brick.length_mm, brick.width_mm, brick.thickness_mm])
    if np.any(np.sort(case) > np.sort(reach) + 1e-6):
        return 0
    room = float(np.prod(reach + brick.gap_across_mm))
    if brick.gap_across_mm <= 2 * brick.margin_across_mm:
        room = min(room, compartment.volume_mm3)
    return int(room / float(np.prod(case + brick.gap_across_mm)) + 1e-9)


def fullest(compartment: Compartment, brick: Brick, axes: Iterable[int]) -> tuple[Stack, int] | None:
    """The fullest stack over cell axes and directions of layers, and its axis."""
    best: tuple[Stack, int] | None = None
    most = most_cases(compartment, brick)
    for axis in axes:
        for direction in directions(compartment, axis):
            if best is None or len(best[0]) < most:
                found = stack(compartment, brick, axis=axis, direction=direction)
                if len(found) and (best is None or len(found) > len(best[0])):
                    best = found, axis
    return best


def held(kind: ModuleKind, cases: int) -> tuple[int, int, int]:
    """What layouts are compared by: groups held, groups per case, boundary pairs."""
    return kind.groups * cases, kind.groups, kind.boundary_pairs


def beats(one: tuple[int, ...], other: tuple[int, ...]) -> bool:
    """Whether one is at least as good in everything."""
    return all(a >= b for a, b in zip(one, other, strict=True))


def module_layouts(
    compartment: Compartment,
    size: CellSize,
    clearance: Clearance,
    *,
    parallel: int,
    groups_per_module: tuple[int, ...] = (),
    axes: tuple[int, ...] = (0, 1, 2),
    seconds: float = 10.0,
    seed: int = 0,
) -> list[Layout]:
    """Layouts of equal cases with whole groups, all cells of a layout along one axis.

    For each number of groups and each inner arrangement the fullest stack over all six orientations is
    found. Kept are those that no other beats in groups held, groups per case and boundary pairs at once:
    fewer cases of the same kind are always possible, so more groups per case means fewer cases for any number
    of groups wanted.

    Parameters
    ----------
    compartment, size, clearance
        Where, what, and the gaps to keep.
    parallel : int
        Cells per group.
    groups_per_module : tuple of int
        Allowed numbers of groups per case; empty for 1 to 24.
    axes : tuple of int
        Axes cells may lie along.
    seconds : float
        No further kind of case is tried after this time [s].
    seed : int
        Not needed: nothing here is random.

    Returns
    -------
    list of Layout
        At most 12, most groups first; empty when nothing fits.

    Raises
    ------
    ValueError
        If a count is below 1.
    """
    end = time.monotonic() + seconds
    found: list[tuple[ModuleKind, Layout, int]] = []
    for groups in sorted(set(groups_per_module) or range(1, MOST_GROUPS + 1), reverse=True):
        for kind in module_kinds(size, clearance, groups=groups, parallel=parallel):
            brick = case_brick(kind, clearance)
            hope = held(kind, most_cases(compartment, brick))
            if hope[0] == 0 or any(beats(held(k, n), hope) for k, _, n in found):
                continue
            best = fullest(compartment, brick, axes) if time.monotonic() < end else None
            if best and not any(beats(held(k, n), held(kind, len(best[0]))) for k, _, n in found):
                layout = layout_of(compartment, size, clearance, kind, *best)
                found = [f for f in found if not beats(held(kind, len(best[0])), held(f[0], f[2]))]
                found.append((kind, layout, len(best[0])))
    found.sort(key=lambda f: (-f[1].cells, -f[0].groups))
    return [layout for _, layout, _ in found[:MOST_LAYOUTS]]
