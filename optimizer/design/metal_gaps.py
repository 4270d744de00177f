"""Least gaps of the conductors of a design, measured afresh from their records: shown beside those of the cells."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from optimizer.fit.chain.adjacency import lateral_axes
from optimizer.fit.region.layout import Clearance
from optimizer.pack.conductors.cut import end_shapes
from optimizer.pack.conductors.faces import CAN_GAP_MM
from optimizer.pack.conductors.walls import MetalPrism, bodies_of, keeps_off

if TYPE_CHECKING:
    from optimizer.design.model import Station

# Gaps to walls are told up to this, to a hundredth [mm].
FARTHEST_MM, STEP_MM = 20.0, 0.01


@dataclass(frozen=True)
class MetalGaps:
    """Least gaps of the conductors of one compartment [mm]; infinite where there is nothing to keep away from.

    Parameters
    ----------
    plate_mm : float
        Between conductors of different potential on one face and level, joints in their slots included.
    end_mm : float
        From plates to ends of cells that they do not join, on their own face.
    wall_mm : float
        To walls and keep-outs, at most FARTHEST_MM.
    cover_mm : float
        From what stands highest on the cells' ends, metal, lugs, fasteners or studs, to the cover; at least 0.
    """

    plate_mm: float
    end_mm: float
    wall_mm: float
    cover_mm: float


def metal_gaps(station: Station, records: Sequence[Mapping[str, Any]], clearance: Clearance) -> MetalGaps:
    """Gaps of the conductors of one compartment, out of `conductor_records` of the design."""
    layout = station.layout
    mine = [one for one in records if one["compartment"] == station.compartment.name]
    bodies = [record_bodies(one, layout.axis) for one in mine]
    plate = np.inf
    for (one, a), (two, b) in combinations(zip(mine, bodies, strict=True), 2):
        if one["from_group"] != two["from_group"] and one["level"] == two["level"] and _meet(one, two):
            plate = min(plate, min(p.gap_mm(q) for p in a for q in b))
    room = min(clearance.end_mm, clearance.stack_mm + layout.size.over_mm)
    cover = min((room - one["top_mm"] for one in mine), default=np.inf)
    return MetalGaps(float(plate), _to_ends(station, mine, bodies), _to_walls(station, bodies), float(cover))


def record_bodies(record: Mapping[str, Any], axis: int) -> list[MetalPrism]:
    """Flat pieces, and stretches of folded ones, of a conductor's record."""
    axes = lateral_axes(axis)
    outlines = [np.array(piece["outline_mm"], dtype=float) for piece in record["pieces"]]
    if record["way"] == "fold":
        return [body for outline in outlines for body in bodies_of(outline, axis=axis, axes=axes)]
    height = float(outlines[0][0, axis])
    return [MetalPrism(shapely.Polygon(outline[:, list(axes)]), height, height) for outline in outlines]


def _meet(one: Mapping[str, Any], two: Mapping[str, Any]) -> bool:
    """Whether two conductors may come near each other: plates on one face, joints anywhere in a case."""
    same = one["module"] == two["module"]
    return same and (one["level"] > 0 or (one["face"], one["layer"]) == (two["face"], two["layer"]))


def _to_ends(station: Station, mine: Sequence[Mapping[str, Any]], bodies: Sequence[list[MetalPrism]]) -> float:
    layout, least = station.layout, np.inf
    axes = list(lateral_axes(layout.axis))
    round_cells = layout.size.shape == "cylinder"
    ends = end_shapes(layout.centres_mm[:, axes], layout.extents_mm[:, axes], round_cells=round_cells)
    for one, own in zip(mine, bodies, strict=True):
        if one["level"] > 0:
            continue
        others = station.used & (layout.layer == one["layer"]) & (layout.module == one["module"])
        others[[end["cell"] for end in one["terminals"]]] = False
        if others.any():
            metal = shapely.union_all([body.shape for body in own])
            gaps = shapely.distance(metal, ends[others])
            if round_cells:
                centres = shapely.points(layout.centres_mm[others][:, axes])
                gaps = shapely.distance(metal, centres) - layout.size.diameter_mm / 2
            least = min(least, float(gaps.min()))
    return least


def _to_walls(station: Station, bodies: Sequence[list[MetalPrism]]) -> float:
    """The widest gap that all metal keeps from walls, by halving."""
    axis, found = station.layout.axis, [body for own in bodies for body in own]
    heights: dict[tuple[float, float], list[shapely.Geometry]] = {}
    for body in found:
        heights.setdefault((body.low_mm, body.high_mm), []).append(body.shape)
    least = FARTHEST_MM
    for (low, high), shapes in heights.items():
        whole = MetalPrism(shapely.union_all(shapes), low, high)
        if keeps_off(whole, station.compartment, axis=axis, gap_mm=least):
            continue
        under, over = 0.0, least
        while over - under > STEP_MM / 2:
            middle = (under + over) / 2
            kept = keeps_off(whole, station.compartment, axis=axis, gap_mm=middle)
            under, over = (middle, over) if kept else (under, middle)
        least = under
    return least


def gap_rows(
    station: Station, records: Sequence[Mapping[str, Any]], clearance: Clearance
) -> list[tuple[str, float, float]]:
    """What is measured, in words, the gap asked for and the least found [mm]; nothing where there is no gap."""
    gaps = metal_gaps(station, records, clearance)
    found = (
        ("conductor to conductor", clearance.plate_gap_mm, gaps.plate_mm),
        ("conductor to the end of a cell that it does not join", CAN_GAP_MM, gaps.end_mm),
        ("conductor to wall or keep-out", clearance.plate_gap_mm, gaps.wall_mm),
        ("metal and what holds it to the cover", 0.0, gaps.cover_mm),
    )
    return [row for row in found if np.isfinite(row[2])]


def gap_records(
    stations: Sequence[Station], records: Sequence[Mapping[str, Any]], clearance: Clearance
) -> list[dict[str, Any]]:
    """Least gaps of each compartment in use, for design.json; null where there is nothing to keep away from."""
    found = []
    for station in stations:
        if station.groups:
            each = vars(metal_gaps(station, records, clearance))
            gaps = {name: gap if np.isfinite(gap) else None for name, gap in each.items()}
            found.append({"compartment": station.compartment.name, **gaps})
    return found
