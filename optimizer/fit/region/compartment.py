"""Compartments: boxes and prisms less keep-outs, and where in them the centres of cells may lie."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from shapely.geometry import MultiPolygon, Polygon

from optimizer.fit.region.layout import CellSize, Clearance
from optimizer.fit.region.section import TOLERANCE_MM, cross_axes, erode, free_section, prism_extent
from optimizer.fit.region.solid import MANY, Solid, free_volume_mm3, heights


@dataclass(frozen=True)
class KeepOut:
    """Volume inside a compartment that cells may not use: a prism standing at origin_mm.

    Its profile lies in the two axes other than `extrude`, in x, y, z order. Where a solid is given, the prism
    is the block around it.
    """

    name: str
    profile_mm: tuple[tuple[float, float], ...]
    extrude: int
    depth_mm: float
    origin_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    solid: Solid | None = None


@dataclass(frozen=True)
class Compartment:
    """One free volume of the vehicle: a polygon extruded from 0 to depth_mm along `extrude`, less keep-outs.

    The profile lies in the two axes other than `extrude`, in x, y, z order. position_mm and rotation_deg
    place the compartment in the vehicle; axes are those that cells may lie along. Where a solid is given, it is the
    free volume, in the axes of its file, and the prism only stands for the block around it. zone_mm is given where
    only a zone of it is meant (placement/zones.py): low and high along x, y and z.
    """

    name: str
    profile_mm: tuple[tuple[float, float], ...]
    extrude: int
    depth_mm: float
    keep_outs: tuple[KeepOut, ...] = ()
    position_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    rotation_deg: tuple[float, float, float] = (0.0, 0.0, 0.0)
    axes: tuple[int, ...] = (0, 1, 2)
    solid: Solid | None = None
    zone_mm: tuple[tuple[float, float], ...] = ()

    @property
    def shape_key(self) -> tuple[object, ...]:
        """What tells free volumes apart, with the axes that cells may lie along."""
        own = (self.profile_mm, self.extrude, self.depth_mm, self.axes, self.solid.digest if self.solid else "")
        keep_outs = tuple(
            (k.profile_mm, k.extrude, k.depth_mm, k.origin_mm, k.solid.digest if k.solid else "")
            for k in self.keep_outs
        )
        return (own, keep_outs)

    @property
    def extent_mm(self) -> tuple[tuple[float, float], ...]:
        """Lowest and highest coordinate along x, y and z [mm]."""
        if self.solid is not None:
            return self.solid.extent_mm
        return prism_extent(self.profile_mm, extrude=self.extrude, depth_mm=self.depth_mm)

    @property
    def span_mm(self) -> tuple[tuple[float, float], ...]:
        """As extent_mm, of a zone its own [mm]."""
        return self.zone_mm or self.extent_mm

    @property
    def volume_mm3(self) -> float:
        """Free volume, keep-outs taken out [mm³]."""
        return free_volume(self)


@dataclass(frozen=True, eq=False)
class LayerSlice:
    """One layer: the cells reach from low_mm to high_mm along their axis; their centres lie in `region`.

    The region's coordinates are the two other axes in x, y, z order.
    """

    low_mm: float
    high_mm: float
    region: MultiPolygon


def box(
    name: str,
    *,
    length_mm: float,
    width_mm: float,
    height_mm: float,
    keep_outs: tuple[KeepOut, ...] = (),
    position_mm: tuple[float, float, float] = (0.0, 0.0, 0.0),
    rotation_deg: tuple[float, float, float] = (0.0, 0.0, 0.0),
    axes: tuple[int, ...] = (0, 1, 2),
) -> Compartment:
    """Box with its corner at the origin: length along x, width along y, height along z [mm]."""
    profile = ((0.0, 0.0), (length_mm, 0.0), (length_mm, width_mm), (0.0, width_mm))
    return Compartment(name, profile, 2, height_mm, keep_outs, position_mm, rotation_deg, axes)


def keep_out_box(
    name: str,
    *,
    origin_mm: tuple[float, float, float],
    length_mm: float,
    width_mm: float,
    height_mm: float,
) -> KeepOut:
    """Keep-out box with its lowest corner at origin_mm [mm]."""
    profile = ((0.0, 0.0), (length_mm, 0.0), (length_mm, width_mm), (0.0, width_mm))
    return KeepOut(name, profile, 2, height_mm, origin_mm)


def margins(clearance: Clearance) -> tuple[float, float]:
    """Distance from a cell's surface to walls and keep-outs: across its axis, and along it [mm]."""
    return clearance.wall_mm + clearance.case_mm, clearance.wall_mm + clearance.along_mm


def centre_region(
    compartment: Compartment, *, size: CellSize, clearance: Clearance, axis: int, low_mm: float
) -> MultiPolygon:
    """Where the centres of cylinders may lie that reach from low_mm to low_mm + length along `axis`."""
    across, along = margins(clearance)
    section = free_section(compartment, axis=axis, low_mm=low_mm - along, high_mm=low_mm + size.length_mm + along)
    return erode(section, radius_mm=size.diameter_mm / 2 + across - TOLERANCE_MM)


def layer_starts(compartment: Compartment, *, size: CellSize, clearance: Clearance, axis: int) -> list[float]:
    """Positions along the axis at which it can pay to start a layer [mm].

    Stacks from either end, stacks from either side of each keep-out and of each corner of a profile that
    the axis crosses, a centred stack, and a few evenly spread ones where walls are slanted.
    """
    margin = margins(clearance)[1]
    low, high = compartment.span_mm[axis]
    first, last = low + margin, high - margin - size.length_mm
    pitch = size.length_mm + 2 * clearance.along_mm
    if last < first - TOLERANCE_MM:
        return []
    count = int((last - first + TOLERANCE_MM) / pitch)
    seeds = [first, last]
    marks: set[float] = set()
    for keep_out in compartment.keep_outs:
        reach = prism_extent(
            keep_out.profile_mm,
            extrude=keep_out.extrude,
            depth_mm=keep_out.depth_mm,
            origin_mm=keep_out.origin_mm,
        )
        marks.update(reach[axis])
    if compartment.solid is not None:
        marks.update(heights(compartment.solid, axis))
        many = len(compartment.solid.faces) > MANY
        seeds += list(first + (last - first) * np.linspace(0, 1, 9 if many else 25))
    elif axis != compartment.extrude:
        column = cross_axes(compartment.extrude).index(axis)
        corners = {point[column] for point in compartment.profile_mm}
        marks.update(corners)
        if len(corners) > 2:
            seeds += list(first + (last - first) * np.linspace(0, 1, 25))
    for mark in marks:
        seeds += [mark + margin, mark - margin - size.length_mm]
    slack = last - first - count * pitch
    if compartment.solid is None and not marks - {low, high}:
        seeds = [first + slack / 2]
    starts = {round(seed + k * pitch, 9) for seed in seeds for k in range(-count - 1, count + 2)}
    return sorted(s for s in starts if first - TOLERANCE_MM <= s <= last + TOLERANCE_MM)


def stack_value(region: MultiPolygon, pitch_mm: float) -> float:
    """Rough number of circles that a region of centres holds; good enough to compare layers."""
    if region.is_empty:
        return 0.0
    return float(region.area / (np.sqrt(0.75) * pitch_mm**2) + region.length / (2 * pitch_mm) + 1.0)


def centre_regions(
    compartment: Compartment,
    size: CellSize,
    clearance: Clearance,
    axis: int,
    *,
    worth: Callable[[MultiPolygon], float] | None = None,
) -> list[LayerSlice]:
    """Layers for cylinders along `axis`, chosen so that the sum of what they hold is the most.

    Parameters
    ----------
    compartment, size, clearance
        Where, what, and the gaps to keep.
    axis : int
        0, 1, 2: the cells lie along x, y, z.
    worth : callable, optional
        Number of cells that a region of centres holds; an estimate by area when left out.

    Returns
    -------
    list of LayerSlice
        From low to high; layers stand at least length + 2 along_mm apart. Empty when nothing fits.
    """
    pitch = size.diameter_mm + clearance.cell_gap_mm
    known: dict[bytes, float] = {}
    options: list[tuple[float, float, MultiPolygon]] = []
    for start in layer_starts(compartment, size=size, clearance=clearance, axis=axis):
        region = centre_region(compartment, size=size, clearance=clearance, axis=axis, low_mm=start)
        if region.is_empty:
            continue
        key = shapely.to_wkb(region)
        if key not in known:
            known[key] = worth(region) if worth else stack_value(region, pitch)
        options.append((start, known[key], region))
    chosen = _best_stack([o[0] for o in options], [o[1] for o in options], size.length_mm + 2 * clearance.along_mm)
    return [LayerSlice(options[k][0], options[k][0] + size.length_mm, options[k][2]) for k in chosen]


def _best_stack(starts: list[float], values: list[float], pitch: float) -> list[int]:
    """Indices of the starts, at least `pitch` apart, with the greatest sum of values."""
    # Dynamic programming over the sorted starts: the best stack that ends with each.
    best: list[tuple[float, list[int]]] = []
    for k, start in enumerate(starts):
        before: tuple[float, list[int]] = (0.0, [])
        for j in range(k):
            if starts[j] + pitch <= start + TOLERANCE_MM and best[j][0] > before[0] + 1e-9:
                before = best[j]
        best.append((before[0] + values[k], [*before[1], k]))
    return max(best, key=lambda item: item[0], default=(0.0, []))[1]


def free_volume(compartment: Compartment) -> float:
    """Volume of a compartment less its keep-outs, overlaps of keep-outs counted once [mm³].

    The compartment is cut along z where anything begins or ends; between cuts the section is taken at
    several heights (Gauss points), which is exact for prisms along z and for straight slanted walls.
    """
    if compartment.solid is not None or any(k.solid is not None for k in compartment.keep_outs):
        return free_volume_mm3(compartment)
    low, high = compartment.extent_mm[2]
    cuts = {low, high}
    solids = [(compartment.profile_mm, compartment.extrude, (0.0, 0.0, 0.0), compartment.depth_mm)]
    solids += [(k.profile_mm, k.extrude, k.origin_mm, k.depth_mm) for k in compartment.keep_outs]
    for profile, extrude, origin, depth in solids:
        if extrude == 2:
            cuts.update((origin[2], origin[2] + depth))
        else:
            cuts.update(point[1] + origin[2] for point in profile)
    levels = sorted(c for c in cuts if low <= c <= high)
    nodes, weights = np.polynomial.legendre.leggauss(5)
    total = 0.0
    for a, b in pairwise(levels):
        for node, weight in zip(nodes, weights, strict=True):
            z = (a + b) / 2 + node * (b - a) / 2
            thin = 2 * TOLERANCE_MM
            section = free_section(compartment, axis=2, low_mm=z - thin, high_mm=z + thin)
            total += weight * (b - a) / 2 * section.area
    return float(total)


def faults(
    compartment: Compartment, *, sizes: tuple[CellSize, ...] = (), clearance: Clearance | None = None
) -> list[tuple[str, str]]:
    """What is wrong with a compartment: (code, message) for each fault, none when it can be used.

    Codes: "crossing-polygon", "zero-volume", "keep-out-covers-all", "clearance-too-large",
    "cell-too-large" (every size given is too large).
    """
    solids = [("profile", compartment.profile_mm, compartment.depth_mm)] if compartment.solid is None else []
    solids += [(f"keep-out {k.name}", k.profile_mm, k.depth_mm) for k in compartment.keep_outs if k.solid is None]
    found: list[tuple[str, str]] = []
    for label, profile, depth in solids:
        where = f"compartment {compartment.name}, {label}"
        if len(profile) < 3 or depth <= 0 or not np.isfinite(np.asarray(profile)).all():
            found.append(("zero-volume", f"{where}: needs three corners or more and a depth above 0"))
        elif shapely.MultiPoint(profile).convex_hull.area <= 1e-9:
            found.append(("zero-volume", f"{where}: the outline encloses no area"))
        elif not Polygon(profile).is_valid:
            found.append(("crossing-polygon", f"{where}: the outline crosses or touches itself"))
    if found:
        return found
    if compartment.volume_mm3 <= 1e-6:
        return [("keep-out-covers-all", f"compartment {compartment.name}: keep-outs leave no free volume")]
    return _room_faults(compartment, sizes, clearance)


def _room_faults(
    compartment: Compartment, sizes: tuple[CellSize, ...], clearance: Clearance | None
) -> list[tuple[str, str]]:
    """Faults of clearance and cell sizes in a compartment that is sound by itself."""
    if clearance is None:
        return []
    across, along = margins(clearance)
    reach = [high - low for low, high in compartment.extent_mm]
    where = f"compartment {compartment.name}"
    if min(reach) <= 2 * min(across, along):
        text = f"{where}: wall, case and end clearances leave nothing of {min(reach):g} mm"
        return [("clearance-too-large", text)]
    if sizes and not any(fits(compartment, size=size, clearance=clearance) for size in sizes):
        return [("cell-too-large", f"{where}: no cell fits along any allowed axis")]
    return []


def fits(compartment: Compartment, *, size: CellSize, clearance: Clearance) -> bool:
    """Whether one cell finds a place (cylinders exactly; blocks by the size of the compartment)."""
    if size.shape == "cylinder":
        return any(centre_regions(compartment, size, clearance, axis=axis) for axis in compartment.axes)
    across, along = margins(clearance)
    reach = sorted(high - low for low, high in compartment.extent_mm)
    need = sorted((size.length_mm + 2 * along, size.width_mm + 2 * across, size.thickness_mm + 2 * across))
    return all(n <= r + TOLERANCE_MM for n, r in zip(need, reach, strict=True))


def centre_mm(room: Compartment) -> np.typing.NDArray[np.float64]:
    """Middle of a compartment's extent, in its own axes [mm], shape (3,)."""
    return np.asarray([(low + high) / 2.0 for low, high in room.extent_mm])
