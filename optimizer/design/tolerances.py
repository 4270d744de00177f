"""What the spread between cells does to chosen designs: percentiles of figures, chances of constraints, the fit."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from optimizer.base.arrays import Floats, Ints
from optimizer.base.figures import sided, split_name
from optimizer.design.select import Chosen, choose, design_block
from optimizer.fit.chain.adjacency import lateral_axes
from optimizer.fit.placement.proof import prove
from optimizer.fit.region.geometry import clearance
from optimizer.pack.spread import Factors, Spread, fit_chance, monte_carlo
from optimizer.score.context import Context, with_own_cells
from optimizer.score.score import Block, margins, score
from optimizer.search.space.space import Space

DRAWS = 1000


@dataclass(frozen=True)
class Tolerances:
    """What the spread leaves of one design.

    Parameters
    ----------
    p10, p90 : mapping of figure to float
        One pack in ten is below, one in ten above.
    holds : mapping of constraint to float
        Chance that it holds, by its name in the brief [-].
    fits : float
        Chance that every cell fits where the layout puts it [-].
    """

    p10: Mapping[str, float]
    p90: Mapping[str, float]
    holds: Mapping[str, float]
    fits: float

    def columns(self) -> dict[str, float]:
        """As columns of a table: range_km_p10, range_km_p90, holds_cost_max, holds_fit."""
        out: dict[str, float] = {}
        for name in self.p10:
            out |= {f"{name}_p10": self.p10[name], f"{name}_p90": self.p90[name]}
        return out | {f"holds_{name}": value for name, value in self.holds.items()} | {"holds_fit": self.fits}


def tolerances(
    space: Space, picked: Sequence[Mapping[str, Any]], *, draws: int = DRAWS
) -> list[Tolerances]:
    """Monte Carlo over the cells of chosen rows of the front, by the brief's [spread].

    The range is that of the fast form, scaled to the row's stepped one.
    """
    chosen = [choose(space, row) for row in picked]
    block = stacked([design_block(space, each) for each in chosen])
    brief = space.brief
    spread = Spread(**brief.spread.model_dump())
    constraints = {name: bound for name, bound in brief.constraints if bound is not None}
    figures = list(dict.fromkeys([*brief.objectives.use, *(sided(name)[0] for name in constraints)]))
    plain = score(block, context=space.context, figures=frozenset(figures))
    ranges = [name for name in figures if split_name(name)[0] == "range_km"]
    ratio = {
        name: np.array([float(row[name]) for row in picked]) / np.maximum(plain[name], 1e-9) for name in ranges
    }

    def drawn(factors: Factors) -> tuple[dict[str, Floats], dict[str, Floats]]:
        shape = factors.mass.shape
        many, context = varied(block, space.context, factors)
        values = score(many, context=context, figures=frozenset(figures))
        table = {name: values[name].reshape(shape) for name in figures}
        for name in ranges:
            table[name] = table[name] * ratio[name]
        gaps = margins(table, constraints=constraints)
        return {name: table[name] for name in brief.objectives.use}, gaps

    result = monte_carlo(
        drawn, spread=spread, series=block.series, parallel=block.parallel,
        draws=draws, seed=brief.seed,
    )  # fmt: skip
    return [
        Tolerances(
            {name: float(values[k]) for name, values in result.p10.items()},
            {name: float(values[k]) for name, values in result.p90.items()},
            {name.removeprefix("margin_"): float(values[k]) for name, values in result.holds.items()},
            _chance_of_fit(space, each),
        )
        for k, each in enumerate(chosen)
    ]


def stacked(blocks: Sequence[Block]) -> Block:
    """Designs one below the other."""
    columns = {item.name: np.concatenate([getattr(b, item.name) for b in blocks]) for item in fields(Block)}
    return Block(**columns)


def varied(block: Block, context: Context, factors: Factors) -> tuple[Block, Context]:
    """The designs once per draw, each with cells of its own.

    The weakest group stands for the pack's charge, since it ends the ride. The drawn share of the hottest cell
    goes where the plates' unevenness goes: 1 + spread/r = (share by plates) · (share drawn).
    """
    draws, designs = factors.mass.shape
    flat = {name: values.ravel() for name, values in vars(factors).items()}
    back = np.tile(np.arange(designs), draws)
    cell = block.cell[back]
    ohm = context.cells.peak_ohm[cell]
    share = (1.0 + block.spread_ohm[back] / ohm) * flat["share"]
    many = replace(
        block.take(back),
        cell=np.arange(len(back)),
        cells_cost=block.cells_cost[back] * flat["price"],
        spread_ohm=(share - 1.0) * ohm * flat["resistance"],
    )
    return many, _context(context, cell, many.series * many.parallel, flat)


def _context(context: Context, cell: Ints, number: Ints, flat: Mapping[str, Floats]) -> Context:
    """A context in which every drawn pack has its own cell, in each situation as old as there."""
    others = {}
    for name, other in context.situations.items():
        left = other.fade_of(cell, number)
        aged = {"capacity": flat["capacity"] * left.capacity, "resistance": flat["resistance"] * left.resistance}
        aged = {key: np.where(np.isnan(values), flat[key], values) for key, values in aged.items()}
        others[name] = replace(_context(other, cell, number, {**flat, **aged}), years=0.0)
    own = with_own_cells(context, cell, capacity=flat["capacity"], resistance=flat["resistance"])
    cells = replace(own.cells, mass_kg=own.cells.mass_kg * flat["mass"], drift_cv=np.zeros(len(cell)))
    # Currents are held against shares that were drawn: what the score expects of the spread would count twice.
    return replace(
        own, cells=cells, dcir_cv=0.0, capacity_cv=0.0, weakest_group=flat["weakest_group"], situations=others,
        wear=None if own.wear is None else own.wear.of_cells(cell),
    )  # fmt: skip


def _chance_of_fit(space: Space, chosen: Chosen, *, draws: int = 1000) -> float:
    """Chance that every cell of a design fits where its layout puts it [-].

    A catalog's diameter is the largest a cell may have, and the layout counts on it; what [spread] diameter
    draws beyond it takes from the gaps. Neighbours are held to touch at worst: a printed wall between them
    gives way last. Cells that are no cylinders are not drawn.
    """
    cells, cv = space.inputs.cells, space.brief.spread.diameter
    row, chance = int(space.context.cells.row[chosen.cell]), 1.0
    for room, fill, groups in zip(space.rooms_of(chosen.stand), chosen.fills, chosen.split, strict=True):
        if fill is None or fill.layout.size.shape != "cylinder" or cv == 0.0:
            continue
        layout, rules = fill.layout, clearance(space.brief, fill.layout.size)
        used = (fill.chain.group >= 0) & (fill.chain.group < groups)
        proof = prove(layout, room, rules)
        wall_mm = min(proof.least_gap_wall_mm, proof.least_gap_keep_out_mm) - rules.case_mm
        chance *= fit_chance(
            layout.centres_mm[used][:, list(lateral_axes(layout.axis))],
            stack=(layout.layer * (int(layout.module.max()) + 1) + layout.module)[used],
            diameter_mm=layout.size.diameter_mm,
            cv=cv,
            tolerance_mm=float(cells.tolerance_mm[row]),
            wall_gap_mm=max(wall_mm, 0.0),
            draws=draws,
            seed=space.brief.seed,
        )
    return chance
