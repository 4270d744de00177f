"""Printed cases of a design as closed solids, where they stand in their compartment and as they lie on the bed.

Shapes come from `pack.case_outline`, so that what is printed is what the bill weighs. The body's ends are open
for welding, and a cover closes each. A body that is longer than the bed is cut between groups; its pieces lap.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import shapely
from scipy.spatial import cKDTree

from optimizer.fit.chain.terminals import terminals_mm
from optimizer.fit.region.section import free_section
from optimizer.pack.case import volume as case
from optimizer.pack.case.fasteners import BOSS_MM
from optimizer.pack.case.outline import (
    BoreSeats,
    CaseRules,
    bores,
    module_outline,
    rings,
    tray_outlines,
)
from optimizer.review.cad import details as at
from optimizer.review.cad.details import Plan
from optimizer.review.cad.metal import conductor_solid, plan_shapes
from optimizer.review.cad.pieces import Zones, zones_of
from optimizer.review.cad.solids import (
    Heights,
    apart,
    body,
    cover,
    drawn_back,
    joined,
    moved,
    raised,
    to_axes,
    triangles_of,
    with_bosses,
)

if TYPE_CHECKING:
    from optimizer.design.model import Design, Station

# What a detail cuts off falls away below this [mm³]; a lap through rings may cut off more, as a share of the piece.
CRUMB_MM3 = 60.0
CRUMB_SHARE = 0.01


@dataclass(frozen=True, eq=False)
class PrintedPart:
    """One distinct printed part.

    Parameters
    ----------
    name : str
        Such as "deck_layer1_body"; lids have "cover" in it, trial pieces "test".
    compartment : str
        Empty for a trial piece.
    solid : manifold3d.Manifold
        Where the first of them stands, in the compartment's own axes [mm].
    places : ndarray, shape (n, 3, 4)
        Turn and shift from the first to each that is alike, the first among them [mm].
    pose : ndarray, shape (3, 3)
        Turns it to lie on the bed, cell axis up.
    """

    name: str
    compartment: str
    solid: Any
    places: npt.NDArray[np.float64]
    pose: npt.NDArray[np.float64]

    @property
    def copies(self) -> int:
        """How many to print."""
        return len(self.places)

    @property
    def volume_mm3(self) -> float:
        """Of one copy [mm³]."""
        return float(self.solid.volume())

    @property
    def size_mm(self) -> tuple[float, float, float]:
        """Size on the bed [mm]."""
        box = self.printed.bounding_box()
        return float(box[3]), float(box[4]), float(box[5])

    @property
    def is_trial(self) -> bool:
        """Whether it is printed to try a fit, and stays out of the pack."""
        return "test" in self.name

    @property
    def printed(self) -> Any:
        """The solid in print pose, its lowest corner at the origin."""
        return self.solid.transform(self.to_bed)

    @property
    def to_bed(self) -> npt.NDArray[np.float64]:
        """Turn and shift from where it stands to the bed, shape (3, 4)."""
        turned = self.solid.transform(np.column_stack([self.pose, np.zeros(3)]))
        return np.column_stack([self.pose, -np.asarray(turned.bounding_box())[:3]])

    def triangles(self) -> npt.NDArray[np.float32]:
        """Corners of the surface's triangles in print pose, seen from outside in turn to the left, (n, 3, 3) [mm]."""
        return triangles_of(self.printed)


def _whole(solid: Any, name: str, *, cut: bool) -> Any:
    """The one piece that a part is, crumbs at its cuts left out.

    Raises
    ------
    ValueError
        If nothing is left, or it falls into pieces.
    """
    lots = sorted(solid.decompose(), key=lambda lot: -lot.volume())
    least = max(CRUMB_MM3, CRUMB_SHARE * lots[0].volume() if cut and lots else 0.0)
    large = [lot for lot in lots if lot.volume() > least]
    if not large:
        raise ValueError(f"{name} did not come out as a solid; no case is written")
    if len(large) > 1:
        raise ValueError(f"{name} falls into {len(large)} pieces; no case is written")
    return apart(large[0])


#: From a compartment's axes to those of the bed, cell axis up; the other face down, for the high cover.
POSES = {
    0: np.array([[0.0, 1, 0], [0, 0, 1], [1, 0, 0]]),
    1: np.array([[0.0, 0, 1], [1, 0, 0], [0, 1, 0]]),
    2: np.eye(3),
}
TURNED = np.diag([1.0, -1.0, -1.0])

#: Where a part stands that is alone.
ONCE = np.eye(3, 4)[None]


def case_parts(design: Design) -> list[PrintedPart]:
    """Bodies and covers of all cases of a design, and a ring to try the bores with.

    Returns
    -------
    list of PrintedPart
        Each distinct one once.

    Raises
    ------
    ValueError
        If a part does not come out as one closed solid, or a group is larger than the bed.
    """
    parts: list[PrintedPart] = []
    taken: set[str] = set()
    for number, station in enumerate(design.stations, start=1):
        label = file_name(station.compartment.name)
        if any(name.startswith(f"{label}_") for name in taken):
            # Names that differ only in signs that file systems don't take: one file would replace the other.
            label = f"{label}_box{number}"
        own = _station_parts(design, station, label)
        taken |= {part.name for part in own}
        parts += own
    return parts + trial_parts(design)


def trial_parts(design: Design) -> list[PrintedPart]:
    """A ring for each size of cell, to be printed first: does the cell slide in, and not rattle?"""
    found: dict[Any, PrintedPart] = {}
    for station in design.stations:
        size, rules = station.layout.size, design.case
        half = np.array([[size.diameter_mm, size.diameter_mm] if size.shape == "cylinder"
                         else [size.width_mm, size.thickness_mm]]) / 2.0  # fmt: skip
        seats = BoreSeats(np.zeros((1, 2)), half, size.shape == "cylinder", 12.0)
        ring = rings(seats, play_mm=rules.play_mm + max(rules.case_mm, rules.rib_mm))
        solid = raised(ring.difference(bores(seats, rules)), low_mm=0.0, high_mm=12.0)
        more = f"_{len(found) + 1}" if found and size not in found else ""
        found.setdefault(size, PrintedPart(f"test_ring{more}", "", solid, ONCE, np.eye(3)))
    return list(found.values())


def _station_parts(design: Design, station: Station, label: str) -> list[PrintedPart]:
    """Parts of one compartment; modules that are alike are made once."""
    layout, rules = station.layout, design.case
    chain = np.where(station.used, station.chain.group, -1)
    alike: dict[Any, tuple[Any, list[Any]]] = {}
    for one in case.cases_of(layout, chain):
        low = layout.centres_mm[one.index].min(axis=0)
        key: Any = (one.module, one.layer)
        if layout.way == "modules":
            here = np.round(layout.centres_mm[one.index] - low, 3) + 0.0
            first = int(one.group[one.group >= 0].min()) if (one.group >= 0).any() else 0
            numbers = np.where(one.group >= 0, one.group - first, -1)
            poles = station.chain.polarity[one.index]
            rows = np.column_stack([here, numbers, np.where(one.group >= 0, poles, 0)])
            metal = [np.array(piece["outline_mm"]) - low for record in _metal_of(design, station, one)
                     if record["way"] == "fold" for piece in record["pieces"]]  # fmt: skip
            key = rows[np.lexsort(rows.T)].tobytes(), b"".join((np.round(m, 2) + 0.0).tobytes() for m in metal)
        alike.setdefault(key, (one, []))[1].append(low)
    found: list[PrintedPart] = []
    for one, lows in alike.values():
        name = f"{label}_module{one.module + 1}" if layout.way == "modules" else label
        name = f"{name}_layer{one.layer + 1}"
        places = np.repeat(ONCE, len(lows), axis=0)
        places[:, :, 3] = np.array(lows) - lows[0]
        found += _case_parts(design, station, one, name, places, rules)
    return _distinct(found)


def _distinct(parts: Sequence[PrintedPart]) -> list[PrintedPart]:
    """Each part once, with the places of those of the same shape, turned about the cell axis or not."""
    kept: list[tuple[PrintedPart, Any]] = []
    for part in parts:
        corners = _corners(part)
        for row, (other, known) in enumerate(kept):
            turn = _same(corners, known) if abs(part.volume_mm3 / other.volume_mm3 - 1.0) < 1e-5 else None
            if turn is not None:
                # other → bed, turned → bed, and back to where this one stands.
                way = moved(_inverse(part.to_bed), moved(turn, other.to_bed))
                more = np.array([moved(place, way) for place in part.places])
                kept[row] = replace(other, places=np.concatenate([other.places, more])), known
                break
        else:
            kept.append((part, corners))
    return [part for part, _ in kept]


def _corners(part: PrintedPart) -> npt.NDArray[np.float64]:
    """Corners of a part on the bed, shape (n, 3) [mm]."""
    return np.asarray(part.printed.to_mesh().vert_properties, dtype=float)[:, :3]


def _same(one: npt.NDArray[np.float64], other: npt.NDArray[np.float64]) -> npt.NDArray[np.float64] | None:
    """Turn and shift by which one part on the bed comes to lie on another, shape (3, 4); None where none does."""
    size = one.max(axis=0)
    if len(one) != len(other) or np.abs(size - other.max(axis=0)).max() > 2e-3:
        return None
    for way in (np.eye(3, 4), np.column_stack([np.diag([-1.0, -1.0, 1.0]), [size[0], size[1], 0.0]])):
        moved = other @ way[:, :3].T + way[:, 3]
        if cKDTree(moved).query(one)[0].max() < 5e-3:
            return way
    return None


def _inverse(way: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return np.column_stack([way[:, :3].T, -way[:, :3].T @ way[:, 3]])


def plan_of(design: Design, station: Station, one: case.Case, z: Heights, rules: CaseRules) -> Plan:
    """One case seen along its cells."""
    layout = station.layout
    seats = case.seats_of(layout, one.index)
    room = free_section(station.compartment, axis=layout.axis, low_mm=z.low, high_mm=z.high)
    first = int(one.group.max(initial=0)) if layout.way != "modules" else 0
    if layout.way == "modules":
        outer, inner = module_outline(seats, rules)
        first = int(one.group[one.group >= 0].min()) if (one.group >= 0).any() else 0
        number = np.where(one.group >= 0, one.group - first + 1, -1)
    else:
        free = room.buffer(-rules.wall_mm, join_style="mitre")
        outers, inners = tray_outlines(seats, [len(one.index)], rules, free=free)
        outer, inner = outers[0], inners[0]
        number = one.group + station.first_group + 1
    plus = station.chain.polarity[one.index] > 0
    metal = [shape for record in _metal_of(design, station, one) for shape in plan_shapes(record, layout.axis)]
    poles = None
    if layout.size.same_end:
        poles = terminals_mm(layout, one.index, station.chain.polarity[one.index], positive=True)
    return Plan(seats, number.astype(np.int64), plus, outer, inner, room, shapely.union_all(metal), poles)


def _metal_of(design: Design, station: Station, one: case.Case) -> list[Mapping[str, Any]]:
    """Conductors that lie on a case's cells or are led through its wall."""
    return [
        record
        for record in design.conductors
        if record["compartment"] == station.compartment.name
        and (record["module"] == one.module or station.layout.way != "modules")
        and (record["layer"] == one.layer or record["way"] == "fold")
    ]


def _with_room(
    found: list[PrintedPart], metal: Sequence[Mapping[str, Any]], rules: CaseRules, axis: int
) -> list[PrintedPart]:
    """Parts with the metal, and play around it, cut out of them where they would meet."""
    if not metal:
        return found
    room = to_axes(joined([conductor_solid(record, axis, grown_mm=rules.joint_mm) for record in metal]), axis)
    cut = []
    for part in found:
        less = part.solid - room
        same = less.volume() > part.volume_mm3 - 1e-6
        cut.append(part if same else replace(part, solid=_whole(less, part.name, cut=True)))
    return cut


def _case_parts(
    design: Design, station: Station, one: case.Case, name: str, places: npt.NDArray[np.float64], rules: CaseRules
) -> list[PrintedPart]:
    """Body and covers of one case, in pieces where the bed is shorter."""
    layout = station.layout
    axis = layout.axis
    middle = float(layout.centres_mm[one.index[0], axis])
    z = Heights.of(middle, float(layout.extents_mm[one.index[0], axis]), rules)
    if z.body_high - z.body_low > rules.bed_mm[2] + 1e-6:
        raise ValueError(f"{name} is {z.body_high - z.body_low:g} mm high; the printer takes {rules.bed_mm[2]:g}")
    whole = plan_of(design, station, one, z, rules)
    found: list[PrintedPart] = []
    for k, plan in enumerate(_parted(whole)):
        island = f"{name}_part{k + 1}" if len(shapely.get_parts(whole.outer)) > 1 else name
        zones = zones_of(plan, rules)
        spots = [
            at.bosses(plan, rules, within=zones.core(j).buffer(-BOSS_MM)) for j in range(len(zones.below))
        ]
        found += _bodies(plan, rules, z, zones, spots, island, station, places)
        if rules.cover_mm > 0:
            found += _covers(plan, rules, z, zones, spots, island, station, places)
    wall = whole.outer.difference(whole.inner)
    metal = [
        record for record in _metal_of(design, station, one)
        if record["way"] == "fold" or any(wall.dwithin(s, rules.joint_mm) for s in plan_shapes(record, axis))
    ]  # fmt: skip
    return _with_room(found, metal, rules, axis)


def _parted(plan: Plan) -> list[Plan]:
    """A case that keep-outs cut apart, as one for each part."""
    parts = shapely.get_parts(plan.outer)
    if len(parts) == 1:
        return [plan]
    found = []
    for part in parts:
        own = shapely.covers(part, shapely.points(plan.seats.centres))
        seats = BoreSeats(plan.seats.centres[own], plan.seats.half[own], plan.seats.round_, plan.seats.length_mm)
        inner = plan.inner.intersection(part)
        poles = plan.plus_mm[own] if plan.plus_mm is not None else None
        found.append(Plan(seats, plan.group[own], plan.plus_high[own], part, inner, plan.free, plan.taken, poles))
    return found


def _letter(zones: Zones, k: int) -> str:
    return f"_{chr(97 + k)}" if len(zones.below) > 1 else ""


def _bodies(
    plan: Plan, rules: CaseRules, z: Heights, zones: Zones, spots: list[npt.NDArray[np.float64]], name: str,
    station: Station, places: npt.NDArray[np.float64],
) -> list[PrintedPart]:  # fmt: skip
    """The body of a case, or its pieces."""
    axis = station.layout.axis
    solid = body(plan, rules, z)
    solid = with_bosses(solid, plan, rules, z, np.concatenate(spots))
    laps = zones.laps
    for shape in at.slots(plan, rules, keep=np.concatenate(spots), cuts=laps):
        solid = solid - raised(shape, low_mm=z.cell_high - case.SLOT_DEEP_MM, high_mm=z.high)
        solid = solid - raised(shape, low_mm=z.low, high_mm=z.cell_low + case.SLOT_DEEP_MM)
    if station.layout.way != "modules":
        for k in range(len(zones.below)):
            pads = at.feet(plan, rules, within=zones.core(k))
            solid = joined([solid, raised(pads, low_mm=z.body_low, high_mm=z.body_low + case.FOOT_HIGH_MM)])
        grown = plan.outer.buffer(rules.foot_mm)
    else:
        grown = plan.outer
    solid = drawn_back(solid, grown if rules.foot_mm < 1e-9 else plan.outer, rules, z.body_low)
    found = []
    for k in range(len(zones.below)):
        own = solid
        if len(zones.below) > 1:
            own = solid ^ zones.solid(k, z.body_low, z.body_high, rules.joint_mm)
        title = f"{name}_body{_letter(zones, k)}"
        whole = _whole(own, title, cut=len(zones.below) > 1)
        found.append(
            PrintedPart(title, station.compartment.name, to_axes(whole, axis), places, POSES[axis])
        )
    return found


def _covers(
    plan: Plan, rules: CaseRules, z: Heights, zones: Zones, spots: list[npt.NDArray[np.float64]], name: str,
    station: Station, places: npt.NDArray[np.float64],
) -> list[PrintedPart]:  # fmt: skip
    """The covers at both ends of a case, or their pieces."""
    axis = station.layout.axis
    found = []
    for high in (False, True):
        # Seen from outside, x, y, z order of the axes across is a mirror image from +y, -x and -z.
        mirrored = high == (axis == 1)
        title = f"{name}_cover_{'high' if high else 'low'}"
        words = title.replace("_", " ")
        solid = cover(plan, rules, z, np.concatenate(spots), high=high, name=words, mirrored=mirrored)
        low, top = (z.body_high, z.high) if high else (z.low, z.body_low)
        pose = TURNED @ POSES[axis] if high else POSES[axis]
        for k in range(len(zones.below)):
            own = solid
            if len(zones.below) > 1:
                own = solid ^ zones.solid(k, low, top, rules.joint_mm, swapped=high)
            each = f"{title}{_letter(zones, k)}"
            whole = _whole(own, each, cut=len(zones.below) > 1)
            found.append(PrintedPart(each, station.compartment.name, to_axes(whole, axis), places, pose))
    return found


def file_name(name: str) -> str:
    """A name that any file system takes."""
    safe = "".join(sign if sign.isascii() and (sign.isalnum() or sign in "-_") else "_" for sign in name)
    return safe or "case"
