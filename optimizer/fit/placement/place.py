"""The layouts worth having of one cell size in one compartment, each proved."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry import MultiPolygon

from optimizer.base.cache import Arrays, cached
from optimizer.fit.placement.lattice import LatticeRows, quick_count, regular
from optimizer.fit.placement.proof import prove
from optimizer.fit.region.compartment import Compartment, LayerSlice, centre_regions
from optimizer.fit.region.layout import AXES, CellSize, Clearance, Layout
from optimizer.fit.region.section import cross_axes
from optimizer.fit.region.solid import MANY

Array = NDArray[np.float64]
PLACEMENTS = ("square", "staggered", "free")
KEPT_ANGLES = 2  # regular layouts of one kind and axis that are kept, best first
IDLE_SHARE = 0.15  # effort on an axis that cannot hold the most cells, against one that can


@dataclass(frozen=True, eq=False)
class _Stack:
    """Layers along one axis, the distinct regions among them, and what regular rows put into each."""

    axis: int
    slices: list[LayerSlice]
    regions: list[MultiPolygon]
    which: list[int]
    rows: list[list[LatticeRows]]

    def total(self, counts: Sequence[int]) -> int:
        """Cells of all layers when distinct region r holds counts[r]."""
        return sum(counts[k] for k in self.which)


def place(
    compartment: Compartment,
    size: CellSize,
    clearance: Clearance,
    *,
    placements: Sequence[str] = PLACEMENTS,
    seconds: float = 5.0,
    seed: int = 0,
    cache: bool = True,
) -> list[Layout]:
    """Tray layouts of a compartment for every allowed cell axis and placement, most cells first.

    Parameters
    ----------
    compartment, size, clearance
        Where, what, and the gaps to keep. For blocks the layouts are those of `blocks.block_layouts`.
    placements : sequence of str
        Any of "square", "staggered", "free".
    seconds : float
        Effort of free placement in this compartment, shared by the axes [s]; see `free.free_points`.
    seed : int
        Same seed, same layouts.
    cache : bool
        Keep the result on disk and use it the next time.

    Returns
    -------
    list of Layout
        Each passed `proof.prove`. Empty when no cell fits.

    Raises
    ------
    ValueError
        For an unknown placement or axis.
    """
    unknown = [name for name in placements if name not in PLACEMENTS]
    if unknown or not set(compartment.axes) <= {0, 1, 2}:
        raise ValueError(f"placements {unknown or 'fine'}, axes {compartment.axes}: unknown")
    if size.shape == "block":
        from optimizer.fit.placement.blocks import block_layouts

        found = block_layouts(compartment, size, clearance)
        return [layout for layout in found if prove(layout, compartment, clearance).ok]

    def compute() -> Arrays:
        layouts = candidates(compartment, size, clearance, placements=placements, seconds=seconds, seed=seed)
        return pack_layouts([x for x in layouts if prove(x, compartment, clearance).ok])

    if not cache:
        return unpack_layouts(compute(), compartment.name, size)
    parts = {
        "room": compartment.shape_key,
        "cell": (size, clearance),
        "how": (sorted(placements), float(seconds), seed),
    }
    return unpack_layouts(cached("place", parts, compute), compartment.name, size)


def candidates(
    compartment: Compartment,
    size: CellSize,
    clearance: Clearance,
    *,
    placements: Sequence[str] = PLACEMENTS,
    seconds: float = 5.0,
    seed: int = 0,
) -> list[Layout]:
    """Layouts of cylinders before they are proved, most cells first; arguments as for `place`."""
    pitch = size.diameter_mm + clearance.cell_gap_mm
    stacks = [_stack(compartment, size, clearance, axis) for axis in dict.fromkeys(compartment.axes)]
    stacks = [stack for stack in stacks if stack.slices]
    found: list[Layout] = []
    for stack in stacks:
        found += _regular_layouts(compartment.name, size, stack, placements)
    if "free" in placements:
        for stack, share in zip(stacks, _shares(stacks, pitch), strict=True):
            points = [
                _free(region, pitch, [r.points_mm for r in rows], seconds * part, seed)
                for region, rows, part in zip(stack.regions, stack.rows, share, strict=True)
            ]
            found.append(_layout(compartment.name, size, stack, points, "free", "free"))
    order = {"square": 0, "staggered": 1, "free": 2}
    found = [layout for layout in found if layout.cells]
    return sorted(found, key=lambda layout: (-layout.cells, order[layout.placement], layout.name))


def _free(region: MultiPolygon, pitch: float, warm: list[Array], seconds: float, seed: int) -> Array:
    """Free placement of one region; the compiled part is loaded only where it can gain a cell."""
    from optimizer.fit.placement.free import free_points

    return free_points(region, pitch, warm=warm, seconds=seconds, seed=seed)


def _stack(compartment: Compartment, size: CellSize, clearance: Clearance, axis: int) -> _Stack:
    """Layers along an axis with the regular rows of each distinct region, worked out once."""
    pitch = size.diameter_mm + clearance.cell_gap_mm
    known: dict[bytes, float] = {}

    def worth(region: MultiPolygon) -> float:
        token = shapely.to_wkb(region)
        if token not in known:
            known[token] = float(quick_count(region, pitch))
        return known[token]

    # No two levels of a finely curved solid have the same region: an estimate tells them apart well enough.
    curved = compartment.solid is not None and len(compartment.solid.faces) > MANY
    slices = centre_regions(compartment, size, clearance, axis, worth=None if curved else worth)
    tokens = [shapely.to_wkb(layer.region) for layer in slices]
    distinct = list(dict.fromkeys(tokens))
    regions = [slices[tokens.index(token)].region for token in distinct]
    rows = [regular(region, pitch) for region in regions]
    return _Stack(axis, slices, regions, [distinct.index(t) for t in tokens], rows)


def _shares(stacks: list[_Stack], pitch: float) -> list[list[float]]:
    """Share of the effort for each region of each stack: little where the most cells cannot be reached."""
    from optimizer.fit.placement.free import oler_bound

    held = [[max((len(r.points_mm) for r in rows), default=0) for rows in stack.rows] for stack in stacks]
    bounds = [[oler_bound(region, pitch) for region in stack.regions] for stack in stacks]
    most = max((stack.total(h) for stack, h in zip(stacks, held, strict=True)), default=0)
    weights = []
    for stack, h, b in zip(stacks, held, bounds, strict=True):
        base = 1.0 if stack.total(b) > most else IDLE_SHARE
        weights.append([base if top > now else 0.0 for top, now in zip(b, h, strict=True)])
    total = sum(map(sum, weights)) or 1.0
    return [[w / total for w in row] for row in weights]


def _regular_layouts(name: str, size: CellSize, stack: _Stack, placements: Sequence[str]) -> list[Layout]:
    """The best square and staggered layouts of a stack, by direction of the rows."""
    found: list[Layout] = []
    for kind in ("square", "staggered"):
        if kind not in placements:
            continue
        angles = list(dict.fromkeys(r.angle_rad for rows in stack.rows for r in rows if r.kind == kind))
        layouts = []
        for angle in angles:
            points = [_rows_of(rows, kind, angle) for rows in stack.rows]
            label = f"{kind} {_direction(angle, stack.axis)}"
            layouts.append(_layout(name, size, stack, points, kind, label))
        layouts.sort(key=lambda layout: -layout.cells)
        found += layouts[:KEPT_ANGLES]
    return found


def _rows_of(rows: list[LatticeRows], kind: str, angle: float) -> Array:
    """Points of one kind and direction, of the kind's best direction where this one holds nothing."""
    same = [r for r in rows if r.kind == kind]
    exact = [r for r in same if r.angle_rad == angle]
    pick = (exact or same)[:1]
    return pick[0].points_mm if pick else np.zeros((0, 2))


def _direction(angle: float, axis: int) -> str:
    """Direction of rows in words."""
    first, second = cross_axes(axis)
    if angle == 0.0:
        return f"along {AXES[first]}"
    if abs(angle - np.pi / 2) < 1e-12:
        return f"along {AXES[second]}"
    return f"at {np.degrees(angle):.1f}° to {AXES[first]}"


def _layout(name: str, size: CellSize, stack: _Stack, points: list[Array], placement: str, label: str) -> Layout:
    """Layers of points as a layout; the same points wherever layers have the same region."""
    u, v = cross_axes(stack.axis)
    centres, layers = [], []
    for number, (layer, k) in enumerate(zip(stack.slices, stack.which, strict=True)):
        spots = np.zeros((len(points[k]), 3))
        spots[:, u], spots[:, v] = points[k][:, 0], points[k][:, 1]
        spots[:, stack.axis] = (layer.low_mm + layer.high_mm) / 2
        centres.append(spots)
        layers.append(np.full(len(spots), number))
    where = np.vstack(centres)
    extent = np.full(3, size.diameter_mm)
    extent[stack.axis] = size.length_mm
    count = len(stack.slices)
    return Layout(
        compartment=name,
        size=size,
        way="tray",
        placement=placement,
        axis=stack.axis,
        centres_mm=where,
        extents_mm=np.tile(extent, (len(where), 1)),
        layer=np.concatenate(layers).astype(np.int64),
        module=np.zeros(len(where), dtype=np.int64),
        name=f"{label}, cells along {AXES[stack.axis]}, {count} layer{'s' if count > 1 else ''}",
    )


def pack_layouts(layouts: list[Layout]) -> Arrays:
    """Layouts of one compartment and size as arrays that the cache can keep."""
    head = [{"way": x.way, "placement": x.placement, "axis": x.axis, "name": x.name, "cells": x.cells} for x in layouts]
    empty = np.zeros((0, 3))
    return {
        "head": np.array(json.dumps(head)),
        "centres_mm": np.vstack([empty, *(x.centres_mm for x in layouts)]),
        "extents_mm": np.vstack([empty, *(x.extents_mm for x in layouts)]),
        "layer": np.concatenate([np.zeros(0, np.int64), *(x.layer for x in layouts)]),
        "module": np.concatenate([np.zeros(0, np.int64), *(x.module for x in layouts)]),
    }


def unpack_layouts(arrays: Arrays, compartment: str, size: CellSize) -> list[Layout]:
    """Layouts from what `pack_layouts` made of them."""
    found, start = [], 0
    for head in json.loads(str(arrays["head"])):
        part = slice(start, start + head.pop("cells"))
        start = part.stop
        columns: Any = {name: arrays[name][part] for name in ("centres_mm", "extents_mm", "layer", "module")}
        found.append(Layout(compartment=compartment, size=size, **head, **columns))
    return found


def most_groups(rooms: Sequence[Compartment], size: CellSize, rules: Clearance, *, parallel: int) -> int:
    """More groups of so many cells than this no layouts put into some compartments."""
    return sum(optimistic_cells(room, size, rules) // parallel for room in rooms)


def optimistic_cells(room: Compartment, size: CellSize, rules: Clearance) -> int:
    """More cells than this no layout puts into a compartment.

    Layers along an axis times the most points at a distance p in the rectangle of centres,
    N ≤ 2/√3 · A/p² + C/(2p) + 1 with its area A and perimeter C; by volume for blocks.

    Parameters
    ----------
    room : Compartment
        Stands in by its bounding box, keep-outs left out.

    References
    ----------
    N. Oler, "An inequality in the geometry of numbers", Acta Mathematica 105 (1961) 19.
    """
    sides = [high - low for low, high in room.extent_mm]
    if size.shape == "block":
        return math.floor(math.prod(sides) / (size.length_mm * size.width_mm * size.thickness_mm) + 1e-9)
    pitch = size.diameter_mm + rules.cell_gap_mm
    most = 0
    for axis in room.axes:
        across = [side for k, side in enumerate(sides) if k != axis]
        free = [side - size.diameter_mm - 2.0 * (rules.wall_mm + rules.case_mm) + 1e-6 for side in across]
        layers = math.floor((sides[axis] - 2.0 * rules.wall_mm) / (size.length_mm + 2.0 * rules.along_mm) + 1e-6)
        if min(free) < 0 or layers < 1:
            continue
        points = 2.0 / math.sqrt(3.0) * free[0] * free[1] / pitch**2 + (free[0] + free[1]) / pitch + 1.0
        most = max(most, layers * math.floor(points + 1e-6))
    return most
