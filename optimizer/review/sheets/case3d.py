"""Printed cases of a design as closed solids, where they stand in their compartment and as they lie on the bed.

Shapes come from `pack.case_outline`, so that what is printed is what the bill weighs. The body's ends are open
for welding, and a cover closes each. A body that is longer than the bed is cut between groups; its pieces lap.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry import Polygon

from optimizer.fit.section import free_section
from optimizer.pack import case
from optimizer.pack.case_outline import (
    CaseRules,
    Seats,
    bores,
    module_outline,
    pieces,
    rings,
    ties,
    tray_outlines,
)
from optimizer.review import case_details as at
from optimizer.review import views
from optimizer.review.case_details import Plan

if TYPE_CHECKING:
    from optimizer.design import Design, Station

GRID_MM = 0.001
# A piece of a body that is cut off by a lap and smaller than this falls away [mm³].
CRUMB_MM3 = 60.0


@dataclass(frozen=True, eq=False)
class Part:
    """One distinct printed part.

    Parameters
    ----------
    name : str
        Such as "deck_layer1_body"; lids have "cover" in it, trial pieces "test".
    compartment : str
        Empty for a trial piece.
    solid : manifold3d.Manifold
        Where the first of them stands, in the compartment's own axes [mm].
    shifts : ndarray, shape (n, 3)
        From the first to each that is alike, the first among them [mm].
    pose : ndarray, shape (3, 3)
        Turns it to lie on the bed, cell axis up.
    """

    name: str
    compartment: str
    solid: Any
    shifts: npt.NDArray[np.float64]
    pose: npt.NDArray[np.float64]

    @property
    def copies(self) -> int:
        """How many to print."""
        return len(self.shifts)

    @property
    def volume_mm3(self) -> float:
        """Of one copy [mm³]."""
        return float(self.solid.volume())

    @property
    def is_trial(self) -> bool:
        """Whether it is printed to try a fit, and stays out of the pack."""
        return "test" in self.name

    @property
    def printed(self) -> Any:
        """The solid in print pose, its lowest corner at the origin."""
        turned = self.solid.transform(np.column_stack([self.pose, np.zeros(3)]))
        low = np.asarray(turned.bounding_box())[:3]
        return turned.translate(tuple(-low))

    def triangles(self) -> npt.NDArray[np.float32]:
        """Corners of the surface's triangles in print pose, seen from outside in turn to the left, (n, 3, 3) [mm]."""
        return triangles_of(self.printed)


def triangles_of(solid: Any) -> npt.NDArray[np.float32]:
    """Corners of a solid's triangles, those left out that single precision makes flat, shape (n, 3, 3) [mm]."""
    mesh = solid.to_mesh()
    corners = np.asarray(mesh.vert_properties, dtype=np.float32)[:, :3]
    found = corners[np.asarray(mesh.tri_verts, dtype=np.int64)]
    flat = (found == np.roll(found, 1, axis=1)).all(axis=2).any(axis=1)
    return np.asarray(found[~flat])


def raised(shape: shapely.Geometry, *, low_mm: float, high_mm: float) -> Any:
    """A plane shape as a solid between two heights, its corners on a grid of a micrometre.

    Raises
    ------
    ValueError
        If the solid's section is not as large as the shape.
    """
    import manifold3d

    clean = shapely.set_precision(shape, GRID_MM)
    loops = [
        np.asarray(ring.coords)[:-1, :2]
        for part in shapely.get_parts(shapely.orient_polygons(clean))
        if isinstance(part, Polygon)
        for ring in (part.exterior, *part.interiors)
    ]
    if not loops or high_mm <= low_mm:
        return manifold3d.Manifold()
    flat = manifold3d.CrossSection(loops, manifold3d.FillRule.Positive)
    # Trust no fill rule with a part that somebody prints: the area must be that of the shape.
    if abs(flat.area() - shape.area) > 1e-3 * shape.area + 0.05:
        raise ValueError(f"a section of {shape.area:.1f} mm² came out with {flat.area():.1f} mm²")
    return manifold3d.Manifold.extrude(flat, high_mm - low_mm).translate((0.0, 0.0, low_mm))


def _round(point: npt.ArrayLike, low: float, high: float, start: float, end: float | None = None) -> Any:
    """A round column or cone between two heights."""
    import manifold3d

    x, y = np.asarray(point, float)
    column = manifold3d.Manifold.cylinder(high - low, start, start if end is None else end, 32)
    return column.translate((float(x), float(y), low))


def _sum(parts: Sequence[Any]) -> Any:
    import manifold3d

    return manifold3d.Manifold.batch_boolean(list(parts), manifold3d.OpType.Add) if parts else manifold3d.Manifold()


@dataclass(frozen=True)
class Heights:
    """Levels of a case along its cells [mm]: covers from low to body_low and from body_high to high."""

    low: float
    body_low: float
    cell_low: float
    cell_high: float
    body_high: float
    high: float

    @classmethod
    def of(cls, middle_mm: float, length_mm: float, rules: CaseRules) -> Heights:
        """Around cells with their middle at a height."""
        a, b = middle_mm - length_mm / 2.0, middle_mm + length_mm / 2.0
        return cls(
            a - rules.end_mm, a - rules.rim_mm, a, b, b + rules.rim_mm, b + rules.end_mm
        )


def _body(plan: Plan, rules: CaseRules, z: Heights) -> Any:
    """Wall with rings and ties, as one solid without its details."""
    wall = plan.outer.difference(plan.inner)
    section = wall
    if rules.webbed:
        corners, _ = ties(plan.seats, rules)
        web = [rings(plan.seats, rules, play_mm=rules.ring_mm), *(Polygon(c.reshape(4, 2)) for c in corners)]
        section = wall.union(shapely.union_all(web).intersection(plan.inner)).difference(bores(plan.seats, rules))
    return _sum([
        raised(section, low_mm=z.cell_low, high_mm=z.cell_high),
        raised(wall, low_mm=z.body_low, high_mm=z.cell_low),
        raised(wall, low_mm=z.cell_high, high_mm=z.body_high),
    ])  # fmt: skip


def _drawn_back(solid: Any, outer: shapely.Geometry, rules: CaseRules, low: float, *, up: bool = True) -> Any:
    """The first layers of a solid drawn back from its outline in two steps, against elephant's foot."""
    if rules.chamfer_mm <= 0:
        return solid
    step = rules.chamfer_mm / 2.0
    for k, share in enumerate((0.75, 0.25)):
        ring = outer.buffer(1.0).difference(outer.buffer(-share * rules.chamfer_mm))
        a, b = (low + k * step, low + (k + 1) * step) if up else (low - (k + 1) * step, low - k * step)
        solid = solid - raised(ring, low_mm=a, high_mm=b)
    return solid


def _with_bosses(body: Any, plan: Plan, rules: CaseRules, z: Heights, spots: npt.NDArray[np.float64]) -> Any:
    """Bosses for the covers at both ends, on a cone that carries them, with their holes."""
    if not len(spots):
        return body
    solids, holes = [], []
    for low, sign in ((z.cell_low, 1.0), (z.cell_high, -1.0)):
        for spot in spots:
            def span(a: float, b: float, r: float, s: float, low: float = low, sign: float = sign,
                     spot: Any = spot) -> Any:
                ends = low + sign * a, low + sign * b
                return _round(spot, *ends, r, s) if sign > 0 else _round(spot, ends[1], ends[0], s, r)

            solids += [span(0.0, case.BOSS_HIGH_MM, case.BOSS_MM, case.BOSS_MM)]
            if sign < 0:
                solids.append(span(case.BOSS_HIGH_MM, case.BOSS_HIGH_MM + case.BOSS_MM, case.BOSS_MM, 0.2))
            holes.append(span(-1.0, case.HOLE_DEEP_MM, case.HOLE_MM, case.HOLE_MM))
            if rules.lid == "snaps":
                holes.append(span(3.2, 4.6, case.HOLE_MM + 0.3, case.HOLE_MM + 0.3))
    inside = raised(plan.outer, low_mm=z.cell_low, high_mm=z.cell_high)
    clear = raised(bores(plan.seats, rules), low_mm=z.low, high_mm=z.high)
    return body + ((_sum(solids) ^ inside) - clear) - _sum(holes)


def _cover(
    plan: Plan, rules: CaseRules, z: Heights, spots: npt.NDArray[np.float64], *, high: bool, name: str, mirrored: bool
) -> Any:
    """A cover with its pegs or screw holes and its marks, outside drawn back where it lies on the bed."""
    low, top = (z.body_high, z.high) if high else (z.low, z.body_low)
    solid = raised(plan.outer, low_mm=low, high_mm=top)
    outside, inside, sign = (z.high, z.body_high, -1.0) if high else (z.low, z.body_low, 1.0)
    for spot in spots:
        if rules.lid == "snaps":
            solid = solid + _peg(spot, inside, sign)
        else:
            ends = sorted((outside - sign, inside + sign))
            solid = solid - _round(spot, *ends, case.SHANK_MM)
            edge = outside + sign * case.HEAD_HIGH_MM
            wide, thin = case.HEAD_MM, case.SHANK_MM
            solid = solid - (
                _round(spot, outside, edge, wide, thin) if sign > 0 else _round(spot, edge, outside, thin, wide)
            )
    shape = at.marks(plan, rules, high=high, mirrored=mirrored, name=name,
                     holes=spots if rules.lid == "screws" else np.zeros((0, 2)))  # fmt: skip
    if not shape.is_empty:
        ends = sorted((outside, outside + sign * rules.mark_mm))
        solid = solid - raised(shape, low_mm=ends[0], high_mm=ends[1])
    return _drawn_back(solid, plan.outer, rules, outside, up=not high)


def _peg(spot: npt.NDArray[np.float64], inside: float, sign: float) -> Any:
    """A peg with a bead and a slit, which snaps into the groove of a boss."""
    import manifold3d

    def span(a: float, b: float, r: float, s: float) -> Any:
        ends = inside + sign * a, inside + sign * b
        return _round(spot, *ends, r, s) if sign > 0 else _round(spot, ends[1], ends[0], s, r)

    long, thin, bead = case.PEG_LONG_MM, case.PEG_MM, case.HOLE_MM + 0.15
    solid = _sum([span(-0.2, long, thin, thin), span(3.9, 4.4, thin, bead), span(4.4, 4.9, bead, thin)])
    slit = manifold3d.Manifold.cube((0.7, 8.0, long - 1.0), True)
    middle = inside + sign * (long + 1.0) / 2.0
    return solid - slit.translate((float(spot[0]), float(spot[1]), middle + sign * 0.01))


@dataclass(frozen=True, eq=False)
class _Zones:
    """Where each piece of a case may be, below and above the middle of its height; one piece has all of it."""

    below: list[shapely.Geometry]
    above: list[shapely.Geometry]

    def core(self, k: int) -> shapely.Geometry:
        """What a piece has over the whole height."""
        return self.below[k].intersection(self.above[k])

    @property
    def laps(self) -> shapely.Geometry:
        """Where pieces overlap."""
        return shapely.union_all([self.below[k].difference(self.above[k]) for k in range(len(self.below))])

    def solid(self, k: int, low: float, high: float, gap: float, *, swapped: bool = False) -> Any:
        """The zone of a piece between two heights, with a gap to the piece that it laps."""
        middle = (low + high) / 2.0
        first, second = (self.above[k], self.below[k]) if swapped else (self.below[k], self.above[k])
        return _sum([
            raised(first, low_mm=low - 20.0, high_mm=middle - gap / 2.0),
            raised(second, low_mm=middle + gap / 2.0, high_mm=high + 20.0),
            raised(self.core(k), low_mm=middle - gap, high_mm=middle + gap),
        ])  # fmt: skip


def _zones(plan: Plan, rules: CaseRules) -> _Zones:
    """Pieces of a case: the plane shared out by which cells are nearest, with laps to either side.

    Raises
    ------
    ValueError
        If a group alone is too large for the bed.
    """
    seats = plan.seats
    everything = shapely.box(*plan.outer.buffer(50.0).bounds)
    group = np.maximum(plan.group, 0)
    names = np.unique(group)
    low, high = seats.centres - seats.half, seats.centres + seats.half
    boxes = np.array([[*low[group == g].min(axis=0), *high[group == g].max(axis=0)] for g in names])
    cut = pieces(boxes, rules, balanced=True)
    if cut is None:
        raise ValueError(f"one group is larger than the print bed of {rules.bed_mm[0]:g} × {rules.bed_mm[1]:g} mm")
    if cut.max() == 0:
        return _Zones([everything], [everything])
    piece = cut[np.searchsorted(names, group)]
    sides = np.array([[-1, -1], [0, -1], [1, -1], [1, 0], [1, 1], [0, 1], [-1, 1], [-1, 0]]) * 0.98
    points = seats.centres if seats.round_ else (seats.centres[:, None] + sides * seats.half[:, None]).reshape(-1, 2)
    owner = piece if seats.round_ else np.repeat(piece, len(sides))
    cells = shapely.voronoi_polygons(shapely.multipoints(points), extend_to=everything, ordered=True)
    of = [
        shapely.union_all([c for c, o in zip(shapely.get_parts(cells), owner, strict=True) if o == k]).intersection(everything)
        for k in range(int(cut.max()) + 1)
    ]
    half, gap = rules.lap_mm / 2.0, rules.joint_mm
    below, above = [], []
    for k in range(len(of)):
        mine = shapely.union_all(of[: k + 1]).buffer(half)
        below.append(mine.difference(shapely.union_all(of[:k]).buffer(half + gap)) if k else mine)
        rest = shapely.union_all(of[k:]).buffer(half)
        above.append(rest.difference(shapely.union_all(of[k + 1 :]).buffer(half + gap)) if k + 1 < len(of) else rest)
    return _Zones(below, above)


def _whole(solid: Any, name: str) -> Any:
    """The one piece that a part is, crumbs at its cuts left out.

    Raises
    ------
    ValueError
        If nothing is left, or it falls into pieces.
    """
    lots = sorted(solid.decompose(), key=lambda lot: -lot.volume())
    large = [lot for lot in lots if lot.volume() > CRUMB_MM3]
    if not large:
        raise ValueError(f"{name} did not come out as a solid; no case is written")
    if len(large) > 1:
        raise ValueError(f"{name} falls into {len(large)} pieces; no case is written")
    return large[0]


def _to_axes(solid: Any, axis: int) -> Any:
    """From the axes across the cells and the one along them to the compartment's own."""
    matrix = np.zeros((3, 4))
    for row, target in enumerate((*(k for k in range(3) if k != axis), axis)):
        matrix[target, row] = 1.0
    return solid.transform(matrix)


#: From a compartment's axes to those of the bed, cell axis up; the other face down, for the high cover.
POSES = {
    0: np.array([[0.0, 1, 0], [0, 0, 1], [1, 0, 0]]),
    1: np.array([[0.0, 0, 1], [1, 0, 0], [0, 1, 0]]),
    2: np.eye(3),
}
TURNED = np.diag([1.0, -1.0, -1.0])


def case_parts(design: Design) -> list[Part]:
    """Bodies and covers of all cases of a design, and a ring to try the bores with.

    Returns
    -------
    list of Part
        Each distinct one once.

    Raises
    ------
    ValueError
        If a part does not come out as one closed solid, or a group is larger than the bed.
    """
    parts: list[Part] = []
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


def trial_parts(design: Design) -> list[Part]:
    """A ring for each size of cell, to be printed first: does the cell slide in, and not rattle?"""
    found: dict[Any, Part] = {}
    for station in design.stations:
        size, rules = station.layout.size, design.case
        half = np.array([[size.diameter_mm, size.diameter_mm] if size.shape == "cylinder"
                         else [size.width_mm, size.thickness_mm]]) / 2.0  # fmt: skip
        seats = Seats(np.zeros((1, 2)), half, size.shape == "cylinder", 12.0)
        ring = rings(seats, rules, play_mm=rules.play_mm + max(rules.case_mm, rules.rib_mm))
        solid = raised(ring.difference(bores(seats, rules)), low_mm=0.0, high_mm=12.0)
        more = f"_{len(found) + 1}" if found and size not in found else ""
        found.setdefault(size, Part(f"test_ring{more}", "", solid, np.zeros((1, 3)), np.eye(3)))
    return list(found.values())


def _station_parts(design: Design, station: Station, label: str) -> list[Part]:
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
            key = rows[np.lexsort(rows.T)].tobytes()
        alike.setdefault(key, (one, []))[1].append(low)
    found: list[Part] = []
    for one, lows in alike.values():
        name = f"{label}_module{one.module + 1}" if layout.way == "modules" else label
        name = f"{name}_layer{one.layer + 1}"
        shifts = np.array(lows) - lows[0]
        found += _case_parts(design, station, one, name, shifts, rules)
    return found


def _plan(design: Design, station: Station, one: case.Case, z: Heights, rules: CaseRules) -> Plan:
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
    return Plan(seats, number.astype(np.int64), plus, outer, inner, room, Polygon())


def _case_parts(
    design: Design, station: Station, one: case.Case, name: str, shifts: npt.NDArray[np.float64], rules: CaseRules
) -> list[Part]:
    """Body and covers of one case, in pieces where the bed is shorter."""
    layout = station.layout
    axis = layout.axis
    middle = float(layout.centres_mm[one.index[0], axis])
    z = Heights.of(middle, float(layout.extents_mm[one.index[0], axis]), rules)
    if z.body_high - z.body_low > rules.bed_mm[2] + 1e-6:
        raise ValueError(f"{name} is {z.body_high - z.body_low:g} mm high; the printer takes {rules.bed_mm[2]:g}")
    whole = _plan(design, station, one, z, rules)
    found: list[Part] = []
    for k, plan in enumerate(_parted(whole)):
        island = f"{name}_part{k + 1}" if len(shapely.get_parts(whole.outer)) > 1 else name
        zones = _zones(plan, rules)
        spots = [
            at.bosses(plan, rules, within=zones.core(j).buffer(-case.BOSS_MM)) for j in range(len(zones.below))
        ]
        found += _bodies(plan, rules, z, zones, spots, island, station, shifts)
        if rules.cover_mm > 0:
            found += _covers(plan, rules, z, zones, spots, island, station, shifts)
    return found


def _parted(plan: Plan) -> list[Plan]:
    """A case that keep-outs cut apart, as one for each part."""
    parts = shapely.get_parts(plan.outer)
    if len(parts) == 1:
        return [plan]
    found = []
    for part in parts:
        own = shapely.covers(part, shapely.points(plan.seats.centres))
        seats = Seats(plan.seats.centres[own], plan.seats.half[own], plan.seats.round_, plan.seats.length_mm)
        inner = plan.inner.intersection(part)
        found.append(Plan(seats, plan.group[own], plan.plus_high[own], part, inner, plan.free, plan.taken))
    return found


def _letter(zones: _Zones, k: int) -> str:
    return f"_{chr(97 + k)}" if len(zones.below) > 1 else ""


def _bodies(
    plan: Plan, rules: CaseRules, z: Heights, zones: _Zones, spots: list[npt.NDArray[np.float64]], name: str,
    station: Station, shifts: npt.NDArray[np.float64],
) -> list[Part]:  # fmt: skip
    """The body of a case, or its pieces."""
    axis = station.layout.axis
    solid = _body(plan, rules, z)
    solid = _with_bosses(solid, plan, rules, z, np.concatenate(spots))
    laps = zones.laps
    for shape in at.slots(plan, rules, keep=np.concatenate(spots), cuts=laps):
        solid = solid - raised(shape, low_mm=z.cell_high - case.SLOT_DEEP_MM, high_mm=z.high)
        solid = solid - raised(shape, low_mm=z.low, high_mm=z.cell_low + case.SLOT_DEEP_MM)
    if station.layout.way != "modules":
        for k in range(len(zones.below)):
            pads = at.feet(plan, rules, within=zones.core(k))
            solid = solid + raised(pads, low_mm=z.body_low, high_mm=z.body_low + case.FOOT_HIGH_MM)
        grown = plan.outer.buffer(rules.foot_mm)
    else:
        grown = plan.outer
    solid = _drawn_back(solid, grown if rules.foot_mm < 1e-9 else plan.outer, rules, z.body_low)
    found = []
    for k in range(len(zones.below)):
        own = solid
        if len(zones.below) > 1:
            own = solid ^ zones.solid(k, z.body_low, z.body_high, rules.joint_mm)
        title = f"{name}_body{_letter(zones, k)}"
        found.append(
            Part(title, station.compartment.name, _to_axes(_whole(own, title), axis), shifts, POSES[axis])
        )
    return found


def _covers(
    plan: Plan, rules: CaseRules, z: Heights, zones: _Zones, spots: list[npt.NDArray[np.float64]], name: str,
    station: Station, shifts: npt.NDArray[np.float64],
) -> list[Part]:  # fmt: skip
    """The covers at both ends of a case, or their pieces."""
    axis = station.layout.axis
    found = []
    for high in (False, True):
        mirrored = (1 if high else -1) != views.NATURAL_SIDE[axis]
        title = f"{name}_cover_{'high' if high else 'low'}"
        solid = _cover(plan, rules, z, np.concatenate(spots), high=high, name=title.replace("_", " "), mirrored=mirrored)
        low, top = (z.body_high, z.high) if high else (z.low, z.body_low)
        pose = TURNED @ POSES[axis] if high else POSES[axis]
        for k in range(len(zones.below)):
            own = solid
            if len(zones.below) > 1:
                own = solid ^ zones.solid(k, low, top, rules.joint_mm, swapped=high)
            each = f"{title}{_letter(zones, k)}"
            found.append(Part(each, station.compartment.name, _to_axes(_whole(own, each), axis), shifts, pose))
    return found


def file_name(name: str) -> str:
    """A name that any file system takes."""
    safe = "".join(sign if sign.isascii() and (sign.isalnum() or sign in "-_") else "_" for sign in name)
    return safe or "case"


Reader = Callable[..., Any]
