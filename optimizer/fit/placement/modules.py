"""Modules: equal small cases with a whole number of series groups each, stacked in a compartment."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from shapely.geometry import Polygon

from optimizer.base.arrays import Floats
from optimizer.fit.placement.bricks import Brick, Stack, shrink, stack
from optimizer.fit.placement.cases import ModuleKind, cross_size, inner_centres, module_kinds
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.layout import AXES, CellSize, Clearance, Layout
from optimizer.fit.region.section import cross_axes

MOST_GROUPS = 24  # a case of more is a tray
MOST_LAYOUTS = 12


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
    """Lowest corners and extents of a layout's cases, from its cells, by rising module id, shape (m, 3) [mm]."""
    grow = np.full(3, clearance.case_mm)
    grow[layout.axis] = clearance.along_mm
    low, high = layout.centres_mm - layout.extents_mm / 2, layout.centres_mm + layout.extents_mm / 2
    owns = [layout.module == k for k in np.unique(layout.module)]
    corner = np.array([low[own].min(axis=0) for own in owns]) - grow
    return corner, np.array([high[own].max(axis=0) for own in owns]) + grow - corner


def kind_of(layout: Layout, clearance: Clearance, *, parallel: int) -> ModuleKind:
    """The kind of case that a layout of `module_layouts` is made of, out of its cells; ValueError if none matches."""
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
    """Directions of layers worth trying, the best guess first; along the axis where no section differs."""
    box = compartment.solid is None and len(set(compartment.profile_mm)) == 4 and is_upright(compartment.profile_mm)
    prism = compartment.solid is None and (box or axis == compartment.extrude)
    if not compartment.keep_outs and prism:
        return (axis,)
    first = axis if box else compartment.extrude
    return (first, *(d for d in range(3) if d != first))


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
    rest = brick.margin_across_mm - brick.gap_across_mm / 2
    if rest >= 0:
        room = min(room, room_mm3(compartment, rest))
    return int(room / float(np.prod(case + brick.gap_across_mm)) + 1e-9)


@lru_cache(maxsize=256)
def room_mm3(compartment: Compartment, margin_mm: float) -> float:
    """Volume within a margin to the walls; of the keep-outs only what they take without a margin."""
    inside = shrink(Polygon(compartment.profile_mm), margin_mm, margin_mm).area
    room = inside * max(compartment.depth_mm - 2 * margin_mm, 0.0)
    return float(min(room, compartment.volume_mm3))


def stack_seconds(compartment: Compartment) -> float:
    """Nominal time of one stack, in round figures as measured: plain boxes are quick [s]."""
    return 0.003 if len(directions(compartment, 0)) == 1 and is_upright(compartment.profile_mm) else 0.025


def fullest(
    compartment: Compartment, brick: Brick, axes: Iterable[int], *, thorough: bool
) -> tuple[Stack, int] | None:
    """The fullest stack over cell axes and directions of layers (the first or all), and its axis."""
    best: tuple[Stack, int] | None = None
    most = most_cases(compartment, brick)
    for axis in axes:
        ways = directions(compartment, axis)
        for direction in ways if thorough else ways[:1]:
            if best is None or len(best[0]) < most:
                found = stack(compartment, brick, axis=axis, direction=direction)
                if len(found) and (best is None or len(found) > len(best[0])):
                    best = found, axis
    return best


@dataclass(frozen=True, eq=False)
class StackedCases:
    """Stacked cases of one kind and the axis of their cells."""

    kind: ModuleKind
    cases: Stack
    axis: int

    @property
    def held(self) -> tuple[int, int, int]:
        """What layouts are compared by: groups held, groups per case, boundary pairs."""
        return held(self.kind, len(self.cases))


def held(kind: ModuleKind, cases: int) -> tuple[int, int, int]:
    """Groups held, groups per case, boundary pairs."""
    return kind.groups * cases, kind.groups, kind.boundary_pairs


def front(found: list[StackedCases]) -> list[StackedCases]:
    """Those that no other beats; of equals the first."""
    kept: list[StackedCases] = []
    for one in found:
        if not any(beats(other.held, one.held) for other in kept):
            kept = [other for other in kept if not beats(one.held, other.held)] + [one]
    return kept


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
) -> list[Layout]:
    """Layouts of equal cases with whole groups, all cells of a layout along one axis.

    For each number of groups and each inner arrangement that may still win, a stack is sought over all six
    orientations; then all directions of layers are tried for the best of them. Kept are those that no other
    beats in groups held, groups per case and boundary pairs at once: a case can always be left out, so more
    groups per case means fewer cases for any number of groups wanted.

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
        Nominal effort [s]: counted in stacks tried and not by the clock, so that answers repeat; what most
        promises is tried first.

    Returns
    -------
    list of Layout
        At most 12, most groups first; empty when nothing fits.

    Raises
    ------
    ValueError
        If a count is below 1.
    """
    numbers = sorted(set(groups_per_module) or range(1, MOST_GROUPS + 1), reverse=True)
    kinds = [k for n in numbers for k in module_kinds(size, clearance, groups=n, parallel=parallel)]
    hopes = {k: held(k, most_cases(compartment, case_brick(k, clearance))) for k in kinds}
    step = stack_seconds(compartment) * max(len(axes), 1)
    left = seconds
    found: list[StackedCases] = []
    tried: list[StackedCases] = []
    for kind in sorted(kinds, key=lambda k: -hopes[k][0]):
        hope = hopes[kind]
        if hope[0] and not any(beats(f.held, hope) for f in found) and left > seconds / 3:
            left -= step
            best = fullest(compartment, case_brick(kind, clearance), axes, thorough=False)
            if best:
                tried.append(StackedCases(kind, *best))
                found = front([*found, tried[-1]])
    for one in sorted(tried, key=lambda f: -f.held[0])[:MOST_LAYOUTS]:
        if left > 0:
            left -= 3 * step
            best = fullest(compartment, case_brick(one.kind, clearance), axes, thorough=True)
            found = front([*found, StackedCases(one.kind, *best)]) if best else found
    found.sort(key=lambda f: f.held, reverse=True)
    return [layout_of(compartment, size, clearance, f.kind, f.cases, f.axis) for f in found[:MOST_LAYOUTS]]
