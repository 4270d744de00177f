"""What warms the hottest cell of a compartment, for its first 1, 2, … groups, from where the cells stand."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import reverse_cuthill_mckee

from optimizer.base.arrays import Floats, Ints
from optimizer.fit.chain.adjacency import REACH, lateral_axes
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.layout import Clearance, Layout
from optimizer.pack.case.outline import CaseRules
from optimizer.pack.thermal import heat
from optimizer.pack.thermal.convection import gap_coefficient
from optimizer.pack.thermal.filler import ALONG_W_PER_M_K, PLATE, PLATE_W_PER_M_K, POTTING, Filler
from optimizer.pack.thermal.neighbours import Facing, Flags, facing
from optimizer.pack.thermal.webs import Webs

# Rise over the air at which the heat network is made linear [K]: free convection carries off more per kelvin
# the hotter the box, so figures above this rise are on the safe side.
LINEAR_AT_K = 20.0
AIR_C = 25.0
# Cells of two cases face each other up to so many pitches, what stands between them besides.
APART = 1.15


@dataclass(frozen=True)
class Weather:
    """Wind and sun on the walls of a compartment.

    Parameters
    ----------
    forced_w_m2_k : float
        Convection by wind [W/(m² K)].
    sun_w_m2 : float
        What the walls take up of the sun, over their whole area [W/m²].
    sun_k : float
        By how much the sun is taken to warm the boxes of all compartments: that of the one that it warms most [K].
    """

    forced_w_m2_k: float = 0.0
    sun_w_m2: float = 0.0
    sun_k: float = 0.0


@dataclass(frozen=True, eq=False)
class Heating:
    """What warms the hottest cell, entry k for groups 0 … k, where it is LINEAR_AT_K above air of AIR_C.

    Parameters
    ----------
    rise_k_per_w, ride_k_per_w : ndarray, shape (G,)
        Its rise over the air, one watt in every cell; and the same in the wind of the ride [K/W].
    sun_k_per_w, ride_sun_k_per_w : ndarray, shape (G,)
        The same over a box in the sun, see `rise_in`; 0 where no weather has sun [K/W].
    box_k_per_w : ndarray, shape (G,)
        Rise of the box, and with it of all cells, by a watt anywhere in it [K/W].
    over_k_per_w : ndarray, shape (G,)
        Its rise over the box, one watt in every cell [K/W].
    by_cell_k_per_w : ndarray, shape (G, n)
        Its rise over the box by a watt in each cell, 0 of a cell left out [K/W].
    """

    rise_k_per_w: Floats
    ride_k_per_w: Floats
    sun_k_per_w: Floats
    ride_sun_k_per_w: Floats
    box_k_per_w: Floats
    over_k_per_w: Floats
    by_cell_k_per_w: Floats


def heating(
    layout: Layout, group: Ints, *, room: Compartment, gaps: Clearance, case: CaseRules,
    weathers: Sequence[tuple[Weather, Weather]] = (), filler: Filler | None = None,
) -> Heating:  # fmt: skip
    """What warms the hottest cell of a layout.

    Parameters
    ----------
    layout : Layout
    group : ndarray of int, shape (n,)
        Place of each cell's group in the chain, from 0; −1 for a cell left out.
    room : Compartment
    gaps : Clearance
    case : CaseRules
    weathers : sequence of (Weather, Weather)
        Where it stands still, and on the ride, for each ride; none: still air in the shade.
    filler : Filler, optional
        What is around the cells or at their ends; these are steady states, without its heat capacity.
    """
    over, cells, each = hottest_over_box(layout, group, room=room, gaps=gaps, case=case, filler=filler)

    def worst(found: Iterable[Weather]) -> Floats:
        """The worst rise in some weathers; 0 if there are none."""
        rises = [rise_in(one, over, cells, room=room) for one in dict.fromkeys(found)]
        return np.asarray(np.max(rises, axis=0)) if rises else np.zeros(len(over))

    still = rise_in(Weather(), over, cells, room=room)
    sunny = [pair for pair in weathers if pair[0].sun_k > 0.0]
    shady = [ride for standing, ride in weathers if standing.sun_k == 0.0]
    return Heating(
        still, worst(shady) if shady else still, worst(standing for standing, _ in sunny),
        worst(ride for _, ride in sunny), (still - over) / cells, over, each,
    )  # fmt: skip


def rise_in(weather: Weather, over_k_per_w: Floats, cells: Ints, *, room: Compartment) -> Floats:
    """Rise of the hottest cell by a watt in every cell, over the boxes that the sun alone has warmed, shape (G,) [K/W].

    Box and cells are solved together: a box that the sun has warmed loses more per kelvin. As without sun the figure is
    that at a rise of LINEAR_AT_K, and more on the safe side above it: where the sun warms another compartment more, a
    rise over the warmer one may bend upwards, and then its slope there counts.
    """
    box = heat.Box(*outside_mm(room), forced_w_m2_k=weather.forced_w_m2_k)
    sides, top, _ = box.faces()
    sun_w = weather.sun_w_m2 * float(sides + 2.0 * top)
    most_k = weather.sun_k + LINEAR_AT_K
    watt = np.asarray(heat.cell_heat_at_limit(
        over_k_per_w, cells=cells, box=box, limit_c=AIR_C + most_k, air_c=AIR_C, sun_w=sun_w
    ), dtype=float)  # fmt: skip
    rise = np.asarray(LINEAR_AT_K / watt)
    if weather.sun_k == 0.0:
        return rise
    ends = most_k - over_k_per_w * watt + np.array([[0.0], [1e-3]])
    slope = np.diff(ends * heat.box_conductance(box, rise_k=ends, air_c=AIR_C), axis=0)[0] / 1e-3
    return np.asarray(np.maximum(rise, over_k_per_w + cells / slope))


def hottest_over_box(
    layout: Layout, group: Ints, *, room: Compartment, gaps: Clearance, case: CaseRules, filler: Filler | None = None
) -> tuple[Floats, Ints, Floats]:
    """Rise of the hottest cell over the box [K/W], the cells, and the rise by each of them [K/W]; see Heating."""
    group = np.asarray(group, dtype=np.int64)
    web, met = _webs(layout, case, filler), _facing(layout, gaps)
    between = _between(layout, met, web, gaps)
    sides, ends = _ways_out(layout, room, web, filler)
    pairs = np.concatenate([np.stack([met.own, met.other], axis=1)[met.once], met.stacked])
    order = _order(pairs, layout.cells)
    rank = np.argsort(order)
    last = int(group.max())
    over, cells, each = np.empty(last + 1), np.empty(last + 1, dtype=np.int64), np.zeros((last + 1, layout.cells))
    for k in range(last + 1):
        used = (group >= 0) & (group <= k)
        out = (met.sides(used) * sides).sum(axis=1) + (met.ends(used) * ends).sum(axis=1)
        place = np.cumsum(used[order]) - 1
        held = used[pairs].all(axis=1)
        inside = order[used[order]]
        rise, each[k, inside] = heat.over_box(place[rank[pairs[held]]], between[held], out[inside])
        over[k], cells[k] = rise.max(), used.sum()
    return over, cells, each


def _webs(layout: Layout, case: CaseRules, filler: Filler | None) -> Webs:
    """A cell of the layout in its case; a block as a cylinder of its girth."""
    size = layout.size
    girth = 2.0 * (size.width_mm + size.thickness_mm) / np.pi if size.shape == "block" else size.diameter_mm
    web = Webs(girth, size.length_mm, case)
    if filler is None:
        return web
    return replace(
        web, fill_w_per_m_k=filler.around_w_m_k or web.fill_w_per_m_k,
        ends_w_per_m_k=filler.ends_w_m_k or web.ends_w_per_m_k,
        cover_w_per_m_k=PLATE_W_PER_M_K if filler.kind == PLATE else web.cover_w_per_m_k,
    )  # fmt: skip


def _facing(layout: Layout, gaps: Clearance) -> Facing:
    across = list(lateral_axes(layout.axis))
    pitch = float(layout.extents_mm[:, across].max()) + gaps.cell_gap_mm
    return facing(
        layout.centres_mm[:, across], layout.centres_mm[:, layout.axis],
        layout.layer + layout.module * (int(layout.layer.max()) + 1), pitch_mm=pitch, reach_mm=REACH * pitch,
        apart_mm=APART * pitch + 2.0 * gaps.case_mm + gaps.module_gap_mm, length_mm=layout.size.length_mm,
    )  # fmt: skip


def _between(layout: Layout, met: Facing, web: Webs, gaps: Clearance) -> Floats:
    """Conductance of each pair, side by side and then end to end [W/K]; blocks stand at their gap or their modules'."""
    mm, alike = met.mm[met.once], met.alike[met.once]
    free, apart = mm - web.diameter_mm, mm - web.diameter_mm - 2.0 * (web.case.case_mm + web.case.tie_mm)
    if layout.size.shape == "block":
        free, apart = np.full_like(mm, gaps.cell_gap_mm), np.full_like(mm, gaps.module_gap_mm)
    least = max(gaps.module_gap_mm, 0.1)
    beside = np.where(alike, web.between_w_k(np.maximum(free, 0.0)), web.across_w_k(np.maximum(apart, least)))
    along = layout.centres_mm[:, layout.axis]
    air = np.diff(along[met.stacked], axis=1)[:, 0] - layout.size.length_mm - 2.0 * web.case.end_mm
    return np.concatenate([beside, web.stacked_w_k(np.maximum(air, 0.0), area_mm2=_end_mm2(layout))])


def _end_mm2(layout: Layout) -> float:
    size = layout.size
    return np.pi / 4.0 * size.diameter_mm**2 if size.shape == "cylinder" else size.width_mm * size.thickness_mm


def _ways_out(layout: Layout, room: Compartment, web: Webs, filler: Filler | None) -> tuple[Floats, Floats]:
    """From each cell to the compartment's wall at each of SIDES and before both ends, shape (n, 4), (n, 2) [W/K].

    The air is as wide as from the case to the box around the compartment; where a zone ends there is no wall.
    """
    height_m = outside_mm(room)[2] * 1e-3

    def ways(axis: int, take_mm: float) -> tuple[Floats, Floats, Flags]:
        air, walled = _to_walls_mm(layout, room, web.case, axis=axis, take_mm=take_mm)
        return air, np.asarray(gap_coefficient(air, height_m=height_m, emissivity=heat.GAP_EMISSIVITY)), walled

    found = [ways(axis, web.case.tie_mm + web.case.case_mm) for axis in lateral_axes(layout.axis)]
    sides = np.concatenate([web.side_w_k(out) * walled for _, out, walled in found], axis=1)
    air, out, walled = ways(layout.axis, web.case.end_mm)
    if filler is not None and filler.ends_w_m_k:
        out = np.where(air <= filler.reach_mm, np.maximum(out, filler.ends_w_m_k / (air * 1e-3)), out)
        # Heat comes from the whole length of the cell: as far as its middle would be over the one end that is cooled.
        out = 1.0 / (1.0 / out + 0.5e-3 * layout.size.length_mm / ALONG_W_PER_M_K)
    return sides, web.end_w_k(out, area_mm2=_end_mm2(layout)) * walled


def _to_walls_mm(
    layout: Layout, room: Compartment, case: CaseRules, *, axis: int, take_mm: float
) -> tuple[Floats, Flags]:
    """From each case to the compartment's box at both ends of an axis, shape (n, 2) [mm], and whether a wall is there.

    take_mm : from the cells' own end to that of their case [mm].
    """
    low, high = room.span_mm[axis]
    half = layout.extents_mm[:, axis] / 2.0 + take_mm
    free = np.stack([layout.centres_mm[:, axis] - half - low, high - layout.centres_mm[:, axis] - half], axis=1)
    walled = np.isclose(room.span_mm[axis], room.extent_mm[axis])
    return np.maximum(free, max(case.wall_mm, 0.1)), walled


def filled_mm3(
    layout: Layout, group: Ints, *, room: Compartment, gaps: Clearance, case: CaseRules, filler: Filler,
    open_mm3: Floats,
) -> tuple[Floats, Floats]:  # fmt: skip
    """What a filler takes, and its plates of metal, for the first 1 … G groups, shape (G,), (G,) [mm³].

    Pads and plates are as large as a square of a cell's pitch; a pad bridges the gaps to walls that it reaches.

    open_mm3 : open room around the cells in their cases, see CaseVolume, shape (G,) [mm³].
    """
    group = np.asarray(group, dtype=np.int64)
    if filler.kind == POTTING:
        return open_mm3, np.zeros(len(open_mm3))
    air, walled = _to_walls_mm(layout, room, case, axis=layout.axis, take_mm=case.end_mm)
    bridged = np.where((air <= filler.reach_mm) & walled, air, 0.0)
    met, across = _facing(layout, gaps), list(lateral_axes(layout.axis))
    area = np.prod(layout.extents_mm[:, across] + gaps.cell_gap_mm, axis=1)
    pads, plates = np.empty(int(group.max()) + 1), np.empty(int(group.max()) + 1)
    for k in range(len(pads)):
        used = (group >= 0) & (group <= k)
        deep = (2.0 * case.rim_mm + (met.ends(used) * bridged).sum(axis=1)) * area
        pads[k], plates[k] = deep[used].sum(), (2.0 * case.cover_mm * area)[used].sum()
    return pads, plates if filler.kind == PLATE else np.zeros_like(plates)


def _order(pairs: Ints, cells: int) -> Ints:
    """Cells so that neighbours have near numbers."""
    ends = np.concatenate([pairs, pairs[:, ::-1]]).T
    graph = coo_matrix((np.ones(ends.shape[1]), (ends[0], ends[1])), shape=(cells, cells)).tocsr()
    return np.asarray(reverse_cuthill_mckee(graph, symmetric_mode=True), dtype=np.int64)


def outside_mm(room: Compartment) -> tuple[float, float, float]:
    """Length, width and height of a box with as much wall to the outside as a compartment, or a zone of it [mm].

    What a zone shares with others is no wall: so much is taken off its length.
    """
    length, width, height = (high - low for low, high in room.span_mm)
    sides = {0: width * height, 1: length * height, 2: length * width}
    inner = sum(
        sides[axis] * ((low > first) + (high < last))
        for axis, ((low, high), (first, last)) in enumerate(zip(room.span_mm, room.extent_mm, strict=True))
    )
    return max(length - inner / (2.0 * (width + height)), 1.0), width, height
