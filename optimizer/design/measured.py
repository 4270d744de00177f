"""The range of a design built of measured cells, matched or shared out at random."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from optimizer.base.arrays import Floats, Ints
from optimizer.design.select import choose, design_block
from optimizer.design.tolerances import varied
from optimizer.pack.spread import Factors
from optimizer.score.score import score
from optimizer.search.space.space import Space


def _factors_of(
    capacity_ah: Floats, resistance_mohm: Floats, packs: Ints, *, cell_ah: float, cell_mohm: float
) -> Factors:
    """What cells of their own values do to packs, as factors on the catalog's.

    capacity_ah, resistance_mohm: of each cell [Ah], [mΩ]. packs: places of the cells. cell_ah, cell_mohm: the
    catalog's cell. Returns Factors: arrays of shape (draws, 1).
    """
    groups = capacity_ah[packs].sum(axis=2)
    admittance = 1.0 / resistance_mohm[packs]
    ohm = 1.0 / admittance.sum(axis=2)
    size = packs.shape[2]
    one = np.ones((len(packs), 1))
    return Factors(
        capacity=groups.min(axis=1, keepdims=True) / (size * cell_ah),
        resistance=ohm.mean(axis=1, keepdims=True) * size / cell_mohm,
        weakest_group=ohm.max(axis=1, keepdims=True) / ohm.mean(axis=1, keepdims=True),
        share=(admittance / admittance.mean(axis=2, keepdims=True)).max(axis=(1, 2))[:, None],
        mass=one,
        price=one,
    )


def matched_range(
    space: Space,
    row: Mapping[str, Any],
    capacity_ah: Floats,
    resistance_mohm: Floats,
    groups: Ints,
    *,
    draws: int = 300,
) -> tuple[float, float, float]:
    """Range of a design with measured cells [km]: matched, and 10th and 90th percentile of random sharings.

    Cells have shape (n,), groups (S, P). Resistances of a meter at 1 kHz are less than the catalog's DCIR, so they
    count against their own median.
    """
    chosen = choose(space, row)
    block = design_block(space, chosen)
    cell = int(space.context.cells.row[chosen.cell])
    rng, flat = np.random.default_rng(0), groups.ravel()
    packs = np.stack([groups, *(rng.permutation(flat).reshape(groups.shape) for _ in range(draws))])
    factors = _factors_of(
        capacity_ah, resistance_mohm, packs, cell_ah=float(space.inputs.cells.capacity_ah[cell]),
        cell_mohm=float(np.median(resistance_mohm[flat])),
    )  # fmt: skip
    many, context = varied(block, space.context, factors)
    figures = frozenset({"range_km"})
    plain = float(score(block, context=space.context, figures=figures)["range_km"][0])
    ranges = score(many, context=context, figures=figures)["range_km"] * float(row["range_km"]) / max(plain, 1e-9)
    low, high = np.percentile(ranges[1:], [10, 90])
    return float(ranges[0]), float(low), float(high)
