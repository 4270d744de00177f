"""The metal of a whole chain, in every way of making it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from optimizer.base.arrays import Flags, Floats, Ints, Keyed
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
from optimizer.pack.conductors.sites import Site, chain_sites
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
    def against() -> tuple[list[Fault], list[Joint]]:
        found = faults_of(
            layout, places, metals, gap_mm=gaps.plate_gap_mm, group=chain.group, groups=chain.groups,
            polarity=chain.polarity, before=before,
        )
        if room is not None:
            found += wall_faults(layout, room, places, metals, gap_mm=gaps.plate_gap_mm, before=before)
        wide = SHEET_WIDTH_MM if way.cut else way.width_mm
        around = Around(chain.group, gaps.plate_gap_mm, gaps.stack_mm, rules.slots, room, before)
        joints, unlaid = joints_of_chain(layout, places, metals, width_mm=wide, around=around)
        return [*found, *unlaid], joints

    standing, joints = against() if twin is None else ([*twin.faults], [*twin.joints])
    used = _used(places, [*faults, *standing], chain.groups)
    bound = _bound(places, metals) if any(used) else np.inf
    for k, (site, plain) in enumerate(zip(places, metals, strict=True)):
        if plain is not None and site.end and used[k]:
            try:
                metals[k] = _strengthened(site, plain, layout.size, way, bound)
            except CannotLay as no:
                metals[k] = None
                faults.append(_unlaid(layout, site, no, before))
    if twin is not None:
        return replace(twin, way=way, metals=tuple(metals))
    if way.bar:
        # Layers change no outline, collectors do.
        standing, joints = against()
    return ChainMetal(way, tuple(places), tuple(metals), (*faults, *standing), tuple(joints))


def _used(sites: Sequence[Site], faults: Sequence[Fault], groups: int) -> list[bool]:
    """Which sites some number of groups has that can be laid."""
    able = laid_counts(faults, groups)
    return [bool(able[site.first : site.last + 1].any()) for site in sites]


def laid_counts(faults: Sequence[Fault], groups: int) -> Flags:
    """Whether the first 0 … G groups can be laid, shape (groups + 1,)."""
    able = np.arange(groups + 1) > 0
    for fault in faults:
        able[fault.first : fault.last + 1] = False
    return able


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
