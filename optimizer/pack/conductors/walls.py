"""Metal in its compartment: how far plates and joints keep from walls and keep-outs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import shapely
from numpy.typing import NDArray

from optimizer.base.arrays import Keyed
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.layout import Layout
from optimizer.fit.region.section import free_section
from optimizer.pack.conductors.faces import Fault, face_name, name_of
from optimizer.pack.conductors.pieces import Metal
from optimizer.pack.conductors.sites import Site, face_mm

HAIR_MM = 1e-3


@dataclass(frozen=True, eq=False)
class MetalPrism:
    """Metal as a plane shape across the cells' axis, over a stretch along it.

    Parameters
    ----------
    shape : shapely geometry
        In the two axes across that of the cells; a line where metal stands on edge [mm].
    low_mm, high_mm : float
        Along the axis [mm].
    """

    shape: shapely.Geometry
    low_mm: float
    high_mm: float

    def gap_mm(self, other: MetalPrism) -> float:
        """Free distance to another body [mm]."""
        along = max(self.low_mm - other.high_mm, other.low_mm - self.high_mm, 0.0)
        return float(np.hypot(along, shapely.distance(self.shape, other.shape)))


def free_mm(room: Compartment, *, axis: int, low_mm: float, high_mm: float, gap_mm: float) -> shapely.Geometry:
    """Where metal over a stretch along an axis keeps its gap from every wall and keep-out, prepared.

    Parameters
    ----------
    low_mm, high_mm : float
        [mm]
    gap_mm : float
        [mm]
    """
    return _free(Keyed(room.shape_key, room), axis, round(low_mm, 6), round(high_mm, 6), gap_mm)


@lru_cache(maxsize=5_000)
def _free(room: Keyed[Compartment], axis: int, low_mm: float, high_mm: float, gap_mm: float) -> shapely.Geometry:
    section = free_section(room.value, axis=axis, low_mm=low_mm - gap_mm, high_mm=high_mm + gap_mm)
    shape = section.buffer(HAIR_MM - gap_mm)
    shapely.prepare(shape)
    return shape


def keeps_off(body: MetalPrism, room: Compartment, *, axis: int, gap_mm: float) -> bool:
    """Whether a body keeps a gap from every wall and keep-out of its compartment."""
    free = free_mm(room, axis=axis, low_mm=body.low_mm, high_mm=body.high_mm, gap_mm=gap_mm)
    return bool(shapely.covers(free, body.shape))


def wall_faults(
    layout: Layout, room: Compartment, sites: Sequence[Site], metals: Sequence[Metal | None], *, gap_mm: float,
    before: int = 0,
) -> list[Fault]:  # fmt: skip
    """Plates that come nearer to a wall or keep-out than the gap.

    Parameters
    ----------
    sites, metals
        Of the chain.
    gap_mm : float
        [mm]
    before : int
        Groups of the pack before the chain, for names.
    """
    found = []
    for site, metal in zip(sites, metals, strict=True):
        if metal is None:
            continue
        height = face_mm(layout, site)
        free = free_mm(room, axis=layout.axis, low_mm=height, high_mm=height, gap_mm=gap_mm)
        shapes = shapely.polygons(np.array([p.outline_mm for p in metal.drawn])) if _alike(metal) else np.array(
            [shapely.Polygon(p.outline_mm) for p in metal.drawn], dtype=object
        )  # fmt: skip
        if not shapely.covers(free, shapes).all():
            text = (
                f"{name_of(site, before=before)} on face {face_name(layout, site)} comes nearer than {gap_mm:g} mm to "
                f"a wall or keep-out"
            )
            found.append(Fault(site.first, site.last, text))
    return found


def _alike(metal: Metal) -> bool:
    return len({p.outline_mm.shape for p in metal.drawn}) == 1


def bodies_of(outline_mm: NDArray[np.float64], *, axis: int, axes: Sequence[int]) -> list[MetalPrism]:
    """Stretches between the folds of flat metal whose outline runs along one edge and back along the other."""
    half = len(outline_mm) // 2
    edge, back = outline_mm[:half], outline_mm[half:][::-1]
    found = []
    for k in range(half - 1):
        quad = np.array([edge[k], edge[k + 1], back[k + 1], back[k]])
        shape = shapely.MultiPoint(quad[:, list(axes)]).convex_hull
        found.append(MetalPrism(shape, float(quad[:, axis].min()), float(quad[:, axis].max())))
    return found
