"""Options as the score reads them, what cells cost, and the figures that no pack under a bound is better in."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from optimizer.base.figures import ANY, in_situation, split_name
from optimizer.pack.bill import best_purchase, with_spares
from optimizer.score.context import Context
from optimizer.score.score import WARM_NUMBERS, WORK_FIGURES, Block, score
from optimizer.score.situations import settled_in, worst
from optimizer.search.space import options as op
from optimizer.search.space.space import Space

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

RANGE_ANY = in_situation("range_km", ANY)

# What a bound may take a figure for when the figure need not worsen with mass.
BEST_CASE = {
    "range_km": np.inf, "consumption_wh_per_km": -np.inf, "hot_cell_end_c": -np.inf, "hot_cell_endless_c": -np.inf,
    "speed_headroom_kmh": np.inf, "cost_per_1000_km": -np.inf,
}  # fmt: skip


def best_figures(
    block: Block, *, context: Context, figures: frozenset[str], stepped: bool = True
) -> dict[str, Floats]:
    """Figures that no pack is better in which is nowhere better than one of the block.

    Parameters
    ----------
    block : Block
        n ideal packs.
    figures : frozenset of str
        Those that are needed.
    stepped : bool
        Without, by the fast form of the ride: near, but no bound.
    """
    helped = {where for where, here in context.everywhere() if here.mass_may_help}
    helped |= {ANY} if helped else set()
    named = {name: split_name(name) for name in figures}
    open_end = {name: BEST_CASE[base] for name, (base, where) in named.items() if base in BEST_CASE and where in helped}
    found = score(block, context=context, figures=figures - open_end.keys(), stepped=stepped)
    # A ride may end where a heavier pack passes.
    for where, settled in settled_in(found, context).items():
        name = in_situation("range_km", where)
        found[name] = np.where(settled > 0.0, found[name], np.inf)
    found |= {name: worst(found, name, context=context) for name in figures & found.keys() & {RANGE_ANY}}
    return {**found, **{name: np.full(len(block), best) for name, best in open_end.items()}}


def cells_cost(space: Space, cell: Ints, number: Ints) -> Floats:
    """Cost of the cells with their spares, bought up to a price break where that is cheaper.

    Parameters
    ----------
    cell : ndarray of int, shape (n,)
        Row of the context's cells.
    number : ndarray of int, shape (n,)
        Cells in the pack.
    """
    cells, row = space.inputs.cells, space.context.cells.row[cell]
    _, cost = best_purchase(
        with_spares(number, spare_fraction=space.brief.parts.spare_fraction),
        price=cells.price[row],
        break_quantity=cells.break_quantity[row],
        break_price=cells.break_price[row],
        stock=cells.stock[row],
    )
    return np.asarray(cost, dtype=float)


def block_of(space: Space, cell: Ints, series: Ints, parallel: int | Ints, values: Floats) -> Block:
    """Options, or ideals of some, as the score reads them.

    Parameters
    ----------
    cell, series : ndarray of int, shape (n,)
        Row of the context's cells; groups.
    values : ndarray, shape (n, len(options.COLUMNS))
    """
    column = {name: values[:, k] for name, k in op.INDEX.items()}
    return Block(
        cell=cell,
        series=series,
        parallel=np.full(len(cell), parallel),
        extra_ohm=column["resistance_ohm"],
        parts_kg=column["mass_kg"],
        parts_cost=column["cost"],
        cells_cost=cells_cost(space, cell, series * parallel),
        peak_cap_a=-column["neg_peak_a"],
        continuous_cap_a=-column["neg_continuous_a"],
        charge_cap_a=-column["neg_charge_a"],
        ride_cap_a=-column["neg_ride_a"],
        regen_cap_a=-column["neg_regen_a"],
        spread_ohm=column["spread_ohm"],
        **{name: column[name] for name in WARM_NUMBERS},
        **{name: column[name] for name in WORK_FIGURES},
    )
