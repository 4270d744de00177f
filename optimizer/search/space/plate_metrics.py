"""Geometry of the conductors of a fill, whatever the stock: what the fills keep on disk."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from optimizer.fit.chain.groups import Chain
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.layout import Clearance, Layout
from optimizer.pack.conductors.chained import METRICS, PLAIN, RULES, LayRules, Way, chain_figures, chain_metal
from optimizer.pack.conductors.sites import chain_sites

Floats = npt.NDArray[np.float64]


def plate_metrics(
    layout: Layout, chain: Chain, *, gaps: Clearance, made: Sequence[Way], rules: LayRules = PLAIN,
    room: Compartment | None = None,
) -> tuple[tuple[str, ...], tuple[str, ...], Floats]:
    """Geometry of the conductors of the first 1 … G groups, for each way of making them.

    Parameters
    ----------
    layout : Layout
    chain : Chain
        With at least one group.
    gaps : Clearance
    made : sequence of Way
    rules : LayRules
    room : Compartment, optional
        Whose walls the metal keeps off.

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
    sites = chain_sites(layout, chain, cell_gap_mm=gaps.cell_gap_mm)
    for way in made:
        found = chain_metal(layout, chain, way, gaps=gaps, rules=rules, sites=sites, room=room)
        names += [f"{way.name}:{name}" for name in METRICS]
        how += RULES
        columns.append(chain_figures(found, groups=groups, parallel=parallel))
    return tuple(names), tuple(how), np.hstack(columns)
