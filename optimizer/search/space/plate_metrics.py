"""Geometry of the conductors of a fill, whatever the stock: what the fills keep on disk."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.fit.chain.adjacency import lateral_axes
from optimizer.fit.chain.groups import Chain
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.layout import CellSize, Clearance, Layout
from optimizer.pack.conductors.chained import ChainMetal, chain_metal
from optimizer.pack.conductors.field import WELD_MM
from optimizer.pack.conductors.laid import flat_mm, tap_points, weld_points
from optimizer.pack.conductors.making import PLAIN, LayRules, Way
from optimizer.pack.conductors.sites import BESIDE_MM, EXIT, SERIES, button_mm, chain_sites, face_mm
from optimizer.pack.conductors.totals import METRICS, RULES, chain_figures
from optimizer.pack.wiring.legs import Taps, terminal_points


def plate_metrics(
    layout: Layout, chain: Chain, *, gaps: Clearance, made: Sequence[Way], rules: LayRules = PLAIN,
    room: Compartment | None = None, by_cell_k_per_w: Floats | None = None, least: int = 1,
) -> tuple[tuple[str, ...], tuple[str, ...], Floats]:
    """Geometry of the conductors of the first 1 … G groups, for each way of making them.

    Parameters
    ----------
    chain : Chain
        With at least one group.
    room : Compartment, optional
        Whose walls the metal keeps off.
    by_cell_k_per_w : ndarray, shape (G, n), optional
        Rise of the hottest cell by a watt in each, for "heated" [K/W].
    least : int
        Fewer groups are never in use: theirs are infinite.

    Returns
    -------
    names, rules : tuple of str
        weld: resistance of the welds over that of one [-]; then METRICS of each way, such as "8x2:squares"; those
        of a way in which the groups cannot be joined are infinite.
    metrics : ndarray, shape (G, len(names))
    """
    groups, parallel = chain.groups, chain.parallel
    names, how = ["weld"], ["add"]
    columns = [2.0 * np.arange(1, groups + 1)[:, None] / parallel]
    sites = chain_sites(layout, chain, cell_gap_mm=gaps.cell_gap_mm, least=least)
    twins: dict[Way, ChainMetal] = {}
    for way in made:
        # Whether an end has a collector depends on the layers.
        twin = None if way.bar else twins.get(replace(way, layers=1))
        found = chain_metal(layout, chain, way, gaps=gaps, rules=rules, sites=sites, room=room, twin=twin)
        twins.setdefault(replace(way, layers=1), found)
        names += [f"{way.name}:{name}" for name in METRICS]
        how += RULES
        columns.append(
            chain_figures(found, groups=groups, parallel=parallel, by_cell_k_per_w=by_cell_k_per_w)
        )
    metrics = np.hstack(columns)
    metrics[: least - 1] = np.inf
    return tuple(names), tuple(how), metrics


def power_ends(layout: Layout, chain: Chain, *, gaps: Clearance, taps: int = 1) -> Floats:
    """Where a power wire joins each group's plate at its negative and at its positive ends, shape (G, 2, 3) [mm].

    Of several places the middle one. Of a cell alone the middle of its terminal, since the joint beside it depends on
    the stock. No number where no wire can be joined.
    """
    out = np.full((chain.groups, 2, 3), np.nan)
    for site in chain_sites(layout, chain, cell_gap_mm=gaps.cell_gap_mm):
        if site.kind == SERIES:
            continue
        flat = site.centre_mm + (site.out_mm if layout.size.same_end else 0.0)
        if len(site.cells) > 1:
            flat = tap_points(site, layout.size, weld_points(site, layout.size), taps=taps)
        point = out[site.group, int(site.kind == EXIT)]
        point[list(lateral_axes(layout.axis))], point[layout.axis] = flat[len(flat) // 2], face_mm(layout, site)
    return out


def taps_of(layout: Layout, chain: Chain, power_mm: Floats) -> Taps:
    """Where wires may be joined to a chain.

    Parameters
    ----------
    power_mm : ndarray, shape (G, 2, 3)
        From `power_ends` [mm].
    """
    plus, minus = (terminal_points(layout, chain, positive=positive) for positive in (True, False))
    tails = _tails(layout.size, chain.parallel)
    return Taps(plus, minus, power_mm[: chain.groups, 0], power_mm[: chain.groups, 1], tails)


def _tails(size: CellSize, parallel: int) -> tuple[float, float, float]:
    """See Taps: as far as welds may move from a terminal's middle, and to the side of a cell alone."""
    side = size.diameter_mm if size.shape == "cylinder" else min(size.width_mm, size.thickness_mm)
    plus, minus = max((button_mm(size) - WELD_MM) / 2, 0.0), max(flat_mm(size), 0.0)
    return plus, minus, max(side / 2, BESIDE_MM * (size.shape == "block")) if parallel == 1 else 0.0
