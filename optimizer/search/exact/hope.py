"""What is of no use whatever its layouts: tasks of which even packs that nothing but their cells hinders fail."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from optimizer.base.arrays import Flags, Floats, Ints
from optimizer.base.figures import sided
from optimizer.fit.placement.place import optimistic_cells
from optimizer.fit.region.geometry import clearance
from optimizer.front.dominance import Dominators
from optimizer.front.pareto import signed
from optimizer.pack.bill import totals, with_spares
from optimizer.score.score import WARM_NUMBERS, Block, margins, statics
from optimizer.score.situations import stages_of
from optimizer.search.exact.archive import slackened
from optimizer.search.exact.ideal import best_figures, block_of
from optimizer.search.exact.tally import Tally
from optimizer.search.space import options as op
from optimizer.search.space import parts
from optimizer.search.space.contents import Amounts, Num, entries
from optimizer.search.space.filling import filling_names
from optimizer.search.space.guard import breaks
from optimizer.search.space.offering import Offering, Task
from optimizer.search.space.space import Space

# Best BMS and fuse by (chemistry, full voltage of a cell, S), the same for all boxes.
Safety = dict[tuple[str, float, int], Floats]

# More cells than any search asks of a compartment.
MANY = 1_000_000

# Reason for which the packs of a task are refused before anything of it is laid out.
HOPELESS = "fails whatever the layout"


@dataclass(frozen=True, eq=False)
class Promising(Offering):
    """All that fits, but for tasks that are known to be of no use."""

    hopeless: frozenset[Task] = frozenset()

    def worth(self, task: Task) -> bool:
        """Whether anything of a task is laid out."""
        return task not in self.hopeless


def promising(space: Space) -> Space:
    """A space without its hopeless tasks, of which nothing needs to be laid out; as it is where all of them are.

    Where none could yield a pack, what is looked at tells which limit stands against it, and by how much.
    """
    if type(space.offer) is not Offering:
        return space
    least, most = space.brief.vary.parallel
    kinds = [
        (size, parallel)
        for size in np.unique(space.size_of[space.window[0] <= space.window[1]]).tolist()
        for parallel in range(least, most + 1)
    ]
    left = _meeting(space, kinds)
    if not 0 < len(left) < len(kinds):
        return space
    lost = [kind for kind in kinds if kind not in left]
    return replace(
        space, offer=Promising(frozenset(Task(*kind, stand) for kind in lost for stand in space.stands_of(*kind)))
    )


def _meeting(space: Space, kinds: Sequence[tuple[int, int]]) -> set[tuple[int, int]]:
    """Cell sizes and P of which some pack that nothing but its cells hinders can be had and meets every constraint."""
    low, high = space.window
    held = {size: _most_cells(space, size) for size in {size for size, _ in kinds}}
    packs = [
        (cell, series, parallel)
        for size, parallel in kinds if (most := sum(cells // parallel for cells in held[size]))
        for cell in np.flatnonzero(space.size_of == size).tolist()
        for series in range(int(low[cell]), min(int(high[cell]), most) + 1)
    ]  # fmt: skip
    if not packs:
        return set()
    cell, series, parallel = np.array(packs, dtype=np.int64).T
    block = _ideal(space, cell, series, parallel, {})
    limits = {name: bound for name, bound in space.brief.constraints if bound is not None}
    alive = np.flatnonzero(np.isfinite(block.parts_cost) & _can_be_had(space, cell, series * parallel, parallel))
    quick, *rides = stages_of(frozenset(sided(name)[0] for name in limits), tuple(space.context.situations))
    alive = alive[_reach(space, block.take(alive), [quick], limits)]
    kind = np.unique(np.column_stack([space.size_of[cell], parallel]), axis=0, return_inverse=True)[1].ravel()
    met = _kinds_met(space, block, alive, kind, rides, limits) if rides else alive
    return set(zip(space.size_of[cell[met]].tolist(), parallel[met].tolist(), strict=True))


def _kinds_met(
    space: Space, block: Block, alive: Ints, kind: Ints, rides: Sequence[frozenset[str]], limits: Mapping[str, float]
) -> Ints:
    """Packs that meet the constraints on rides, some of each kind of which any does.

    That with the most energy of each kind is stepped through first, then twice as many, and so on.
    """
    energy_wh = statics(block.take(alive), context=space.context)["energy_wh"]
    left, each, met = alive[np.argsort(-energy_wh, kind="stable")], 1, [alive[:0]]
    while len(left):
        place = pd.Series(kind[left]).groupby(kind[left]).cumcount().to_numpy()
        now, left, each = left[place < each], left[place >= each], 2 * each
        met.append(now[_reach(space, block.take(now), rides, limits)])
        left = left[~np.isin(kind[left], kind[met[-1]])]
    return np.concatenate(met)


def _reach(space: Space, block: Block, stages: Sequence[frozenset[str]], limits: Mapping[str, float]) -> Ints:
    """Rows of packs that meet the constraints of some stages."""
    alive = np.arange(len(block))
    for stage in stages:
        held = {name: bound for name, bound in limits.items() if sided(name)[0] in stage}
        if len(alive) and held:
            alive = alive[_meets(best_figures(block.take(alive), context=space.context, figures=stage), held)]
    return alive


def _most_cells(space: Space, size: int) -> list[int]:
    """More cells of a size than this no layout puts into each compartment."""
    if space.brief.fit.zones > 1:
        # Cells of one compartment that lie along several axes may be more than along any one of them.
        return [MANY for _ in space.compartments]
    rules = clearance(space.brief, space.sizes[size])
    return [optimistic_cells(room, space.sizes[size], rules) for room in space.compartments]


def _can_be_had(space: Space, cell: Ints, number: Ints, parallel: Ints) -> Flags:
    """Of which packs enough cells are in stock, and a fuse breaks their fault current."""
    stock = space.inputs.cells.stock[space.context.cells.row[cell]]
    enough = stock >= with_spares(number, spare_fraction=space.brief.parts.spare_fraction)
    pairs, back = np.unique(np.column_stack([cell, parallel]), axis=0, return_inverse=True)
    broken = np.array([breaks(space.inputs, space.fault_a(*pair)).any() for pair in pairs.tolist()], dtype=bool)
    return np.asarray(enough & broken[back.ravel()])


def _meets(figures: Mapping[str, Floats], limits: Mapping[str, float]) -> Flags:
    """Which packs meet some constraints, rounding allowed for."""
    gaps = margins(figures, constraints=limits)
    hairs = {name: 1e-9 * abs(bound) + 1e-12 for name, bound in limits.items()}
    kept = [gaps[f"margin_{name}"] >= -hair for name, hair in hairs.items()]
    return np.asarray(np.all(kept, axis=0), dtype=bool)


def refused(space: Space) -> Tally:
    """Candidates of the hopeless tasks that a space leaves out, each (cell, S, P, board) counted with one split."""
    tally, inputs = Tally(), space.inputs
    if not isinstance(space.offer, Promising):
        return tally
    low, high = space.window
    parts_of = len(space.builds) * len(inputs.wire_rows) * len(inputs.fuse_rows)
    for task in space.offer.hopeless:
        packs = int((high - low + 1).clip(min=0)[space.size_of == task.size].sum())
        tally.prune(HOPELESS, packs * len(space.boards(task)) * parts_of)
    return tally


def hopeful(
    space: Space, task: Task, *, held: Sequence[int], against: Floats, safety: Safety
) -> bool:
    """Whether a pack of a task that nothing but its cells hinders could meet every constraint unbeaten.

    Parameters
    ----------
    held : sequence of int
        Cells that each compartment holds at most.
    against : ndarray, shape (m, d)
        Objectives of packs found before.
    safety : dict
        Best BMS and fuse known so far; what is worked out is added.

    Returns
    -------
    bool
        False discards the task: plates and wires only add to the ideal's resistance, mass and cost.
    """
    low, high = space.window
    most = sum(cells // task.parallel for cells in held)
    members = np.flatnonzero((space.size_of == task.size) & (low <= np.minimum(high, most)))
    if not len(members):
        return False
    counts = [np.arange(low[cell], min(high[cell], most) + 1) for cell in members]
    cell, series = np.repeat(members, [len(c) for c in counts]).astype(np.int64), np.concatenate(counts)
    block = _ideal(space, cell, series.astype(np.int64), task.parallel, safety)
    objectives = space.brief.objectives.use
    limits = {k: v for k, v in space.brief.constraints if v is not None}
    needed = set(objectives) | {sided(name)[0] for name in limits}
    figures = best_figures(block, context=space.context, figures=frozenset(needed))
    # Without any BMS or fuse that suits there is no pack.
    good = np.isfinite(block.parts_cost) & _meets(figures, limits)
    points = signed(figures, objectives=objectives)[good]
    return bool((~Dominators(against).beat(slackened(points))).any())


def _ideal(space: Space, cell: Ints, series: Ints, parallel: int | Ints, known: Safety) -> Block:
    """Packs that none of a cell, S and P is better than: cells, insulation, the box, BMS and fuse."""
    number = (series * parallel).astype(np.float64)
    least: dict[str, Num] = dict.fromkeys(("case_mm3", "case_fasteners", "case_bodies", "tie_mm3", "band_mm"), 0.0)
    least |= dict.fromkeys((name for one in space.brief.thermal.filler for name in filling_names(one.name)), 0.0)
    amounts = Amounts(cells=number, cases=0.0, leads=0.0, plugs=0.0, lead_mm=0.0, metric=least)
    mass_kg, cost, _ = totals(entries(space, amounts))
    values = np.array([_best_safety(space, int(k), int(s), known) for k, s in zip(cell, series, strict=True)])
    values[:, op.INDEX["mass_kg"]] += mass_kg + space.box[0]
    values[:, op.INDEX["cost"]] += cost + space.box[1]
    for name in ("spread_ohm", *WARM_NUMBERS):
        values[:, op.INDEX[name]] = 1e-9 if "rise" in name else 0.0
    return block_of(space, cell, series, parallel, values)


def _best_safety(space: Space, cell: int, series: int, known: Safety) -> Floats:
    """Best of each column over the BMS and fuses that may be used; infinite cost if none exists."""
    cells, row = space.inputs.cells, space.context.cells.row[cell]
    key = chemistry, max_v, _ = str(cells.chemistry[row]), float(cells.voltage_max_v[row]), series
    if key not in known:
        full_v, profile = series * max_v, space.context.profile
        bms, _ = parts.bms_options(space.inputs, series=series, chemistry=chemistry, full_v=full_v, profile=profile)
        every, rows = space.fuses
        rated = space.inputs.fuses.voltage_dc_v[rows] >= full_v - 1e-9
        fuses = op.Options(every.values[rated], every.picks[rated])
        none = np.zeros(len(op.COLUMNS))
        none[op.INDEX["cost"]] = np.inf
        known[key] = op.ideal([bms, fuses]) if len(bms) and len(fuses) else none
    return known[key]
