"""Geometry of the plates of a fill, whatever the strip: what the fills keep on disk."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from optimizer.fit.chain.groups import Chain
from optimizer.fit.region.layout import Layout
from optimizer.pack.plates.factors import chain_plates

Floats = npt.NDArray[np.float64]


def plate_metrics(
    layout: Layout, chain: Chain, *, cell_gap_mm: float, layers: Sequence[int]
) -> tuple[tuple[str, ...], tuple[str, ...], Floats]:
    """Geometry of the plates of the first 1 … G groups, for each number of layers.

    The lead at each end of a chain is laid along the end group and joined to every cell of it.

    Returns
    -------
    names, rules : tuple of str
        weld: resistance of the welds over that of one [-]; series_mm, across_mm: length of one layer of strip
        from group to group and at the ends, and inside groups, between weld centres [mm]; series_pieces,
        across_pieces: into how many it is cut [-]; for n layers in the series direction
        factor_n: length of one layer with the plates' resistance [mm], segment_n: current in one layer of the
        hottest piece over the pack's [-], spread_n: see PlateFactors.spread_mm [mm].
    metrics : ndarray, shape (G, len(names))
    """
    names, rules = ["weld", "series_mm", "across_mm", "series_pieces", "across_pieces"], ["add"] * 5
    columns: list[Floats] = []
    for n in layers:
        plates = chain_plates(
            layout, chain, cell_gap_mm=cell_gap_mm, layers_series=n, taps=chain.parallel
        )
        if not columns:
            columns = [plates.welds, plates.series_mm + plates.end_mm, plates.across_mm,
                       np.asarray(plates.series_pieces + plates.end_pieces, dtype=float),
                       np.asarray(plates.across_pieces, dtype=float)]  # fmt: skip
        names += [f"factor_{n}", f"segment_{n}", f"spread_{n}"]
        rules += ["add", "worst", "worst"]
        columns += [plates.length_mm, plates.segment, plates.spread_mm]
    return tuple(names), tuple(rules), np.column_stack(columns)
