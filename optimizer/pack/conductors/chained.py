"""The metal of a whole chain, in every way of making it: what the search multiplies by each stock."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from optimizer.base.arrays import Floats, Ints, Keyed
from optimizer.fit.chain.adjacency import lateral_axes
from optimizer.fit.chain.groups import Chain
from optimizer.fit.chain.terminals import terminals_mm
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.layout import CellSize, Clearance, Layout
from optimizer.pack.conductors.collector import with_collector
from optimizer.pack.conductors.cut import FaceShares, cut_sheet, share_out
from optimizer.pack.conductors.faces import Fault, face_name, faults_of, name_of
from optimizer.pack.conductors.joints import SHEET_WIDTH_MM, Around, Joint, joints_of_chain
from optimizer.pack.conductors.laid import lay_strip
from optimizer.pack.conductors.making import BUSBAR, PLAIN, TABBED, LayRules, Way
from optimizer.pack.conductors.pieces import CannotLay, Metal, TooShort, rounded
from optimizer.pack.conductors.sites import SERIES, Site, chain_sites
from optimizer.pack.conductors.solved import figures
from optimizer.pack.conductors.tabbed import with_tabs
from optimizer.pack.conductors.walls import wall_faults


@dataclass(frozen=True, eq=False)
class ChainMetal:
    """All conductors of a chain made in one way.

    Parameters
    ----------
    metals : tuple of Metal or None
    joints : tuple of Joint
        From layer to layer, in the order of the chain.
    """

    way: Way
    sites: tuple[Site, ...]
    metals: tuple[Metal | None, ...]
    faults: tuple[Fault, ...]
    joints: tuple[Joint, ...]

    def present(self, groups: int) -> list[int]:
        """Sites that are there when the first groups are in use."""
        return [k for k, site in enumerate(self.sites) if site.first <= groups <= site.last]

    def faults_at(self, groups: int) -> list[Fault]:
        """What stands against laying the first groups."""
        return [fault for fault in self.faults if fault.first <= groups <= fault.last]


def free_width_mm(layout: Layout, gaps: Clearance) -> float:
    """Widest strip along a row at the edge that keeps off the next row and inside its cells' sides [mm]."""
    size = layout.size
    if size.same_end:
        # Between the edge of the cells and the other terminals.
        inner = size.spacing_mm - size.terminal_mm / 2 - gaps.plate_gap_mm
        return float(np.floor(2 * max(min((size.width_mm - size.spacing_mm) / 2 - 0.5, inner), 0.0) * 2) / 2)
    side = size.diameter_mm if size.shape == "cylinder" else min(size.width_mm, size.thickness_mm)
    half = min(side / 2 - 0.5, side / 2 + gaps.cell_gap_mm - gaps.plate_gap_mm)
    return float(np.floor(2 * half * 2) / 2)


def chain_metal(
    layout: Layout,
    chain: Chain,
    way: Way,
    *,
    gaps: Clearance,
    rules: LayRules = PLAIN,
    sites: Sequence[Site] | None = None,
    before: int = 0,
    room: Compartment | None = None,
    twin: ChainMetal | None = None,
) -> ChainMetal:
    """Lay or cut every conductor of a chain.

    Parameters
    ----------
    chain : Chain
        With at least one group.
    sites : sequence of Site, optional
        Of the chain, when known.
    before : int
        Groups of the pack before the chain, for names in faults.
    room : Compartment, optional
        Whose walls and keep-outs the metal keeps off; left out: none.
    twin : ChainMetal, optional
        Of the same chain and room, in a way that differs in layers alone: it has the same outlines, so that what
        stands against them, and the joints, are the same.
    """
    places = list(chain_sites(layout, chain, cell_gap_mm=gaps.cell_gap_mm) if sites is None else sites)
    make = _sheets(layout, chain, way, gaps, rules) if way.cut else _strips(layout, way, gaps, rules)
    metals: list[Metal | None] = []
    faults: list[Fault] = []
    for site in places:
        try:
            metals.append(make(site))
        except CannotLay as no:
            metals.append(None)
            faults.append(_unlaid(layout, site, no, before))
    bound = _bound(places, metals)
    for k, (site, plain) in enumerate(zip(places, metals, strict=True)):
        if plain is not None and site.end:
            try:
                metals[k] = _strengthened(site, plain, layout.size, way, bound)
            except CannotLay as no:
                metals[k] = None
                faults.append(_unlaid(layout, site, no, before))
    if twin is not None:
        return replace(twin, way=way, metals=tuple(metals))
    faults += faults_of(
        layout, places, metals, gap_mm=gaps.plate_gap_mm, group=chain.group, groups=chain.groups,
        polarity=chain.polarity, before=before,
    )
    if room is not None:
        faults += wall_faults(layout, room, places, metals, gap_mm=gaps.plate_gap_mm, before=before)
    wide = SHEET_WIDTH_MM if way.cut else way.width_mm
    around = Around(chain.group, gaps.plate_gap_mm, gaps.stack_mm, rules.slots, room, before)
    joints, unlaid = joints_of_chain(layout, places, metals, width_mm=wide, around=around)
    return ChainMetal(way, tuple(places), tuple(metals), (*faults, *unlaid), tuple(joints))


# Most layers that an end gets over those of the plates, so that it is no weaker than they are; by how much it may be
# before it gets another one: densities are met to 10 %, so that less is no difference.
MOST_DOUBLED = 4
WEAKER = 0.05


def _unlaid(layout: Layout, site: Site, no: CannotLay, before: int) -> Fault:
    text = f"{name_of(site, before=before)} on face {face_name(layout, site)}: {no}"
    return Fault(site.first, site.last, text)


def _bound(sites: Sequence[Site], metals: Sequence[Metal | None]) -> float:
    """How dense the current may gather at the lead of an end; infinite without a plate between groups [1/mm]."""
    plates = [(m, s) for s, m in zip(sites, metals, strict=True) if m is not None and not s.end]
    return max((figures(m, s.positive).dense_per_mm for m, s in plates), default=np.inf) * (1.0 + WEAKER)


def _strengthened(site: Site, metal: Metal, size: CellSize, way: Way, bound: float) -> Metal:
    """An end by itself made so strong that the current at its lead is no denser than in the plates between.

    A lead at one place draws half of the pack's current through the strip on either side of it, where a plate between
    groups has a tie for each cell. An end that is weak gets the way's collector, if it has one and the row is long
    enough, then as many layers as are still missing. Without plates between a collector is laid wherever it can be.

    Raises
    ------
    CannotLay
        If a collector is too narrow.
    """
    def times(made: Metal) -> int:
        dense = figures(made, site.positive).dense_per_mm
        return min(max(int(np.ceil(dense / bound)), 1), MOST_DOUBLED) if np.isfinite(bound) else 1

    if way.bar and (times(metal) > 1 or np.isinf(bound)):
        width, conduct, dense = way.bar
        with suppress(TooShort):
            metal = with_collector(metal, site, size, width_mm=width, conduct=conduct, dense=dense, cut=way.cut)
    deep = times(metal)
    if deep == 1:
        return metal
    pieces = tuple(p if p.is_tab else replace(p, layers=p.layers * deep) for p in metal.pieces)
    return replace(metal, pieces=pieces, like=None)


def _home(site: Site) -> Site:
    """A site with its first end at the origin, the same for all that are moved copies."""
    return replace(site, centre_mm=rounded(site.centre_mm - site.centre_mm[0]), out_mm=rounded(site.out_mm))


def _key(home: Site) -> bytes:
    """Of a site at home."""
    parts = (home.centre_mm, home.positive, home.inside, home.across, home.out_mm)
    return b"|".join([*(part.tobytes() for part in parts), repr((home.kind,)).encode()])


def _moved(metal: Metal, by: Floats) -> Metal:
    """The same metal elsewhere."""
    return replace(metal.mapped(lambda points: np.asarray(points + by)), like=metal)


@lru_cache(maxsize=50_000)
def laid(home: Keyed[Site], size: CellSize, width_mm: float, bar: bool, free_mm: float, taps: int) -> Metal | str:
    """Strip over a site at home, or why there can be none: moved copies are laid once, whichever comes first."""
    try:
        return lay_strip(home.value, size, width_mm=width_mm, layers=2, free_mm=free_mm, taps=taps, bar=bar)
    except CannotLay as no:
        return str(no)


@lru_cache(maxsize=50_000)
def _laid_deep(
    home: Keyed[Site], size: CellSize, width_mm: float, bar: bool, free_mm: float, taps: int, layers: int
) -> Metal | str:
    """Strip in its layers: laid with two where the pack current flows, so that one laying tells of any number."""
    found = laid(home, size, width_mm, bar, free_mm, taps)
    if isinstance(found, str):
        return found
    return replace(found, pieces=tuple(replace(p, layers=layers if p.layers == 2 else 1) for p in found.pieces))


def _strips(layout: Layout, way: Way, gaps: Clearance, rules: LayRules) -> Callable[[Site], Metal]:
    free = free_width_mm(layout, gaps)

    def make(site: Site) -> Metal:
        home = _home(site)
        bar = way.form == BUSBAR
        found = _laid_deep(Keyed(_key(home), home), layout.size, way.width_mm, bar, free, rules.taps, way.layers)
        if isinstance(found, str):
            raise CannotLay(found)
        return _moved(found, site.centre_mm[0])

    return make


def _sheets(layout: Layout, chain: Chain, way: Way, gaps: Clearance, rules: LayRules) -> Callable[[Site], Metal]:
    axes = lateral_axes(layout.axis)
    known: dict[tuple[int, int], tuple[FaceShares, Ints]] = {}
    size = layout.size
    # Blocks are not spot welded; a tab is the metal that is welded where there is one.
    slot_mm = rules.weld_slot_mm if size.shape == "cylinder" and way.form != TABBED else 0.0

    def make(site: Site) -> Metal:
        place = (site.module, site.layer)
        if place not in known:
            here = np.flatnonzero(
                (layout.module == site.module) & (layout.layer == site.layer) & (chain.group >= 0)
            )
            row_of = np.full(layout.cells, -1, dtype=np.int64)
            row_of[here] = np.arange(len(here))
            centre, extent = layout.centres_mm[here][:, list(axes)], layout.extents_mm[here][:, list(axes)]
            if size.same_end:
                # Negative terminals behind the positive ones.
                centre = np.concatenate([
                    terminals_mm(layout, here, chain.polarity[here], positive=plus) for plus in (True, False)
                ])  # fmt: skip
                extent = np.full((len(centre), 2), size.terminal_mm)
            known[place] = share_out(
                centre, extent, round_cells=size.shape == "cylinder", gap_mm=gaps.plate_gap_mm
            ), row_of  # fmt: skip
        parts, row_of = known[place]
        rows, extent = row_of[site.cells], layout.extents_mm[site.cells][:, list(axes)]
        if size.same_end:
            rows = rows + np.where(site.positive, 0, len(parts.own) // 2)
            extent = np.full((len(rows), 2), size.terminal_mm)
        sheet = cut_sheet(site, layout, parts, rows, extent, gap_mm=gaps.plate_gap_mm, taps=rules.taps, slot_mm=slot_mm)
        return with_tabs(sheet, site, width_mm=way.width_mm, conduct=way.tab[0]) if way.form == TABBED else sheet

    return make


ELECTRIC = ("squares", "dense", "spread", "metal_mm2", "bought_mm2", "cut_mm", "second_mm")
HEIGHT = ("stack", "stack_under")
WORK = ("pieces", "distinct_pieces", "distinct_plates", "welds", "folds")
WARM = ("heated",)
METRICS = (*ELECTRIC, *HEIGHT, *WARM, *WORK)
RULES = ("add", "worst", "worst", *["add"] * 4, "worst", "worst", "worst", *["add"] * 5)


def chain_figures(
    made: ChainMetal, *, groups: int, parallel: int, by_cell_k_per_w: Floats | None = None
) -> Floats:
    """METRICS of the first 1 … G groups of a chain; infinite where its conductors cannot be laid.

    Parameters
    ----------
    groups, parallel : int
        Of the chain.
    by_cell_k_per_w : ndarray, shape (groups, n), optional
        Rise of the hottest cell by a watt in each, see thermal.packed.Heating [K/W].

    Returns
    -------
    ndarray, shape (groups, len(METRICS))
        squares: resistance over that of a square of one layer [-]; dense: current per width of one layer of the
        densest section over the pack's [1/mm]; spread: largest drop of a cell's share, over r / (squares of one
        layer) [-]; metal and stock [mm²]; contour, and tabs or collectors [mm]; most layers on each other at a weld,
        and those under a joint to another layer, 0 without one; rise of the hottest cell over the box by the square of
        the pack's current, where a square of one layer has 1 ohm [K/W]; pieces and places welded, all layers counted,
        shapes of
        pieces and of plates that differ in more than place and turn, folds [-].
    """
    out = np.zeros((groups, len(METRICS)))
    bad = np.zeros(groups + 1, dtype=bool)
    for fault in made.faults:
        bad[fault.first : fault.last + 1] = True
    enter: dict[int, Floats] = {}
    leave: dict[int, list[tuple[Site, Floats]]] = {}
    for site, metal in zip(made.sites, made.metals, strict=True):
        span = slice(site.first - 1, site.last)
        if metal is None or bad[site.first : site.last + 1].all():
            continue
        each = figures(metal, site.positive)
        sums = (each.squares, each.metal_mm2, each.bought_mm2, each.cut_mm, each.second_mm)
        out[span, 0] += sums[0]
        out[span, 1] = np.maximum(out[span, 1], max(each.dense_per_mm, each.bar_per_mm))
        out[span, 3:7] += np.array(sums[1:])
        if site.kind != "exit":
            enter[site.group + (site.kind == SERIES)] = each.potential[~site.positive]
        if site.kind != "entry":
            leave.setdefault(site.group, []).append((site, each.potential[site.positive]))
    out[:, 1] = np.maximum(out[:, 1], tab_per_mm(made.way, parallel=parallel))
    for joint in made.joints:
        out[joint.first - 1 :, : len(ELECTRIC)] += _joined(joint, made.way.layers)
        dense = 1.0 / (joint.width_mm * made.way.layers)
        out[joint.first - 1 :, 1] = np.maximum(out[joint.first - 1 :, 1], dense)
    for group, ways in leave.items():
        for site, ahead in ways:
            if group in enter:
                drop = enter[group] - ahead
                worst = parallel * float((drop - drop.mean()).max())
                span = slice(site.first - 1, site.last)
                out[span, 2] = np.maximum(out[span, 2], worst)
    out[:, METRICS.index(HEIGHT[0]) : METRICS.index(HEIGHT[-1]) + 1] = _heights(made, groups)
    if by_cell_k_per_w is not None:
        out[:, METRICS.index(WARM[0])] = _heated(made, by_cell_k_per_w)
    out[:, -len(WORK) :] = _work(made, groups)
    # What is cut and counted stays a number, so that no price of 0 meets infinity.
    out[bad[1:], :5] = np.inf
    return out


def _heated(made: ChainMetal, by_cell_k_per_w: Floats) -> Floats:
    """WARM of the first 1 … G groups, shape (G,): a plate warms the cells that it joins, all alike, a joint those of
    both its ends.
    """
    out = np.zeros(len(by_cell_k_per_w))
    for site, metal in zip(made.sites, made.metals, strict=True):
        if metal is not None:
            span = slice(site.first - 1, site.last)
            out[span] += figures(metal, site.positive).squares * by_cell_k_per_w[span][:, site.cells].mean(axis=1)
    for joint in made.joints:
        cells = np.concatenate([joint.exit.cells, joint.entry.cells])
        squares = joint.length_mm / (joint.width_mm * made.way.layers)
        out[joint.first - 1 :] += squares * by_cell_k_per_w[joint.first - 1 :][:, cells].mean(axis=1)
    return out


def tab_per_mm(way: Way, *, parallel: int) -> float:
    """Of tabs on sheet, the current per width that one of the sheet stands for, over the pack's [1/mm]; 0 without.

    A cell's share leaves its tab on both sides.
    """
    return way.tab[1] / (2.0 * way.width_mm * parallel) if way.form == TABBED else 0.0


def _joined(joint: Joint, layers: int) -> Floats:
    """ELECTRIC that a joint adds, but for its density."""
    area = sum(joint.lengths_mm) * joint.width_mm * layers
    contour = 2.0 * (sum(joint.lengths_mm) + joint.width_mm * len(joint.lengths_mm)) * layers
    squares = joint.length_mm / (joint.width_mm * layers)
    return np.array([squares, 0.0, 0.0, area, area, contour, 0.0])


def stacked_layers(metal: Metal) -> int:
    """Most layers of a plate that lie on each other at a weld, tabs not counted; pieces cross nowhere else."""
    if any(p.is_tab for p in metal.pieces):
        return max(p.layers for p in metal.pieces if not p.is_tab)
    welds = np.concatenate([p.welds for p in metal.pieces])
    layers = np.repeat([p.layers for p in metal.pieces], [len(p.welds) for p in metal.pieces])
    return int(np.bincount(welds, weights=layers, minlength=1).max())


def _heights(made: ChainMetal, groups: int) -> Floats:
    """HEIGHT of the first 1 … G groups, shape (G, len(HEIGHT))."""
    out = np.zeros((groups, len(HEIGHT)))
    for site, metal in zip(made.sites, made.metals, strict=True):
        if metal is not None:
            span = slice(site.first - 1, site.last)
            out[span, 0] = np.maximum(out[span, 0], stacked_layers(metal))
    first = min((joint.first for joint in made.joints), default=groups + 1)
    out[first - 1 :, 1] = out[first - 1 :, 0]
    return out


def _work(made: ChainMetal, groups: int) -> Floats:
    """WORK of the first 1 … G groups, shape (G, len(WORK))."""
    out = np.zeros((groups, len(WORK)))
    plates = [_shapes(metal) if metal is not None else None for metal in made.metals]
    for g in range(1, groups + 1):
        here = [plates[k] for k in made.present(g)]
        known = [one for one in here if one is not None]
        joints = [joint for joint in made.joints if joint.first <= g]
        kinds = {key for one in known for key in one.pieces}
        kinds |= {("joint", joint.width_mm, length) for joint in joints for length in joint.lengths_mm}
        out[g - 1] = (
            sum(one.count for one in known) + made.way.layers * sum(len(joint.lengths_mm) for joint in joints),
            len(kinds),
            len({one.plate for one in known}) + len({joint.lengths_mm for joint in joints}),
            sum(one.welds for one in known),
            sum(joint.folds for joint in joints),
        )
    return out


@dataclass(frozen=True)
class _Shapes:
    """What tells plates apart for whoever cuts and welds them: equal for moved, turned and turned-over copies."""

    plate: bytes
    pieces: frozenset[tuple[object, ...]]
    count: int
    welds: int


def _shapes(metal: Metal) -> _Shapes:
    corners, joints = [p.outline_mm for p in metal.drawn], () if metal.bar is None else metal.bar.joints_mm
    keys = frozenset(
        (round(p.width_mm, 2), round(p.length_mm, 2), p.is_tab, shape_key(np.concatenate(p.contours_mm)))
        for p in metal.drawn
    )  # fmt: skip
    return _Shapes(
        shape_key(np.concatenate([*corners, metal.weld_mm])),
        keys,
        sum(p.layers for p in metal.drawn),
        # A tab is joined to its sheet on both sides, too, and a collector to its plate.
        sum(p.layers * (len(p.welds) + 2 * p.is_tab) for p in metal.pieces) + len(joints),
    )


def shape_key(points_mm: Floats) -> bytes:
    """Equal for points that are a moved, turned or mirrored copy: their distances from the middle, to 0.2 mm."""
    middle = (points_mm.min(axis=0) + points_mm.max(axis=0)) / 2 if len(points_mm) < 3 else points_mm.mean(axis=0)
    far = np.sort(np.linalg.norm(points_mm - middle, axis=1))
    # Off any number that a length would round to, so that a hair does not tell equal shapes apart.
    return np.floor(far * 5.0 + 0.1371).astype(np.int64).tobytes()
