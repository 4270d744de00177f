"""The exact engine: the true front of a whole space, branch by branch.

What lies below (cell, S, P) acts through few numbers in which the score is monotone, so

* parts that another one equals or beats in every number are dropped before they multiply (options.reduce);
* the best of each number taken together bounds what lies below: if that ideal pack fails a constraint, or a
  pack already found beats it in every objective, all of it is discarded;
* bounds are taken in stages: (cell, S, P) with each BMS and fuse; then bunches of alike options; then what is
  left is scored in vectorised blocks. A few samples of each branch are scored first, so that bounds bite.

tests/search/test_exact.py compares the result with plain enumeration on random small briefs. On a ride that may
gain from mass nothing is dropped or bounded for its mass.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from optimizer.front import nondominated, signed
from optimizer.pack.bill import best_purchase, with_spares
from optimizer.ride.bins import falls_with_mass
from optimizer.score import Block, margins, score
from optimizer.search import archive
from optimizer.search import options as op
from optimizer.search import space as rules
from optimizer.search.branch import BUNCH, Branch, Ground, Safety
from optimizer.search.space import Space, Task

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

BLOCK = 100_000
OTHERS_BEAT, BEATEN = "parts that others beat", "beaten by a pack found"

# What a bound may take a figure for when the figure need not worsen with mass.
BEST_CASE = {
    "range_km": np.inf, "consumption_wh_per_km": -np.inf, "hot_cell_c": -np.inf, "speed_headroom_kmh": np.inf,
}  # fmt: skip


@dataclass
class Tally:
    """What became of the candidates of a task: raw = scored + all pruned.

    Parameters
    ----------
    raw, scored : int
        Candidates in the space, and candidates evaluated.
    bounds : int
        Ideal packs and samples evaluated besides.
    pruned : Counter
        Candidates never scored, by the rule that discarded them.
    rejected : Counter
        Scored candidates that fail a constraint, by the first one they fail.
    nearest : dict
        Constraint to the least shortfall of any scored or bounded pack, in the figure's unit.
    """

    raw: int = 0
    scored: int = 0
    bounds: int = 0
    pruned: Counter[str] = field(default_factory=Counter)
    rejected: Counter[str] = field(default_factory=Counter)
    nearest: dict[str, float] = field(default_factory=dict)

    def add(self, other: Tally) -> None:
        """Take another task's figures in."""
        self.raw += other.raw
        self.scored += other.scored
        self.bounds += other.bounds
        self.pruned += other.pruned
        self.rejected += other.rejected
        for name, gap in other.nearest.items():
            self.nearest[name] = max(gap, self.nearest.get(name, -np.inf))

    def prune(self, rule: str, count: int) -> None:
        """Count candidates that a rule discards."""
        self.raw += count
        self.pruned[rule] += count

    def note_margins(self, found: Mapping[str, Floats]) -> None:
        """Remember how near the best pack came to each constraint."""
        for name, values in found.items():
            if len(values):
                best = float(np.max(values))
                self.nearest[name] = max(best, self.nearest.get(name, -np.inf))


@dataclass(frozen=True, eq=False)
class Pending:
    """Cells of a branch with one BMS and fuse, unbeaten so far; `bound` has one row of objectives per cell."""

    branch: Branch
    safety: Safety
    row: int
    cells: Ints
    bound: Floats


class Engine:
    """Searches the tasks of one space.

    Parameters
    ----------
    space : Space
    known : ndarray, shape (m, d), optional
        Objectives of packs found before: they bound, but belong to whoever found them.
    """

    def __init__(self, space: Space, *, known: Floats | None = None) -> None:
        self.space = space
        brief = space.brief
        self.objectives = tuple(brief.objectives.use)
        self.constraints = {k: v for k, v in brief.constraints if v is not None}
        needed = set(self.objectives) | {name.rsplit("_", 1)[0] for name in self.constraints}
        self.figures = frozenset(needed)
        self.mass_may_help = not falls_with_mass(space.context.ride)
        self.known = known if known is not None else np.zeros((0, len(self.objectives)))

    def run(self, task: Task) -> tuple[archive.Survivors, Tally]:
        """Non-dominated candidates of one task, and what became of all of them.

        Parameters
        ----------
        task : Task

        Returns
        -------
        Survivors, Tally
        """
        tally = Tally()
        nothing = archive.nothing(rooms=len(self.space.rooms), objectives=len(self.objectives))
        mine = archive.Front(nothing, against=self.known)
        ground = Ground(self.space, task, mass_may_help=self.mass_may_help)
        pending = [item for branch in ground.branches() for item in self._opened(branch, mine, tally)]
        for item in pending:
            self._sampled(item, mine, tally)
        mine.settle()
        # Those that may hold the most come first: what they yield bounds the others.
        for item in sorted(pending, key=lambda item: -len(item.cells)):
            self._searched(item, mine, tally)
        found = mine.settle()
        self.known = archive.merge_objectives(self.known, found.objectives)
        return found, tally

    def _opened(self, branch: Branch, mine: archive.Front, tally: Tally) -> Iterator[Pending]:
        """A branch's cells with each BMS and fuse, whose ideal pack is feasible and unbeaten."""
        ground, inputs = branch.ground, self.space.inputs
        pairs = len(inputs.bms_rows) * len(inputs.fuse_rows)
        each = max(branch.ways, 1) * ground.raw_parts
        able, stocked = ground.able(branch.series)
        if not branch.ways:
            tally.prune(rules.ROOM, len(able) * each * pairs)
            return
        tally.prune(rules.STOCK, (len(able) - len(stocked)) * each * pairs)
        for cells, safety in ground.groups(stocked, branch.series):
            tally.prune(rules.NO_PART, len(cells) * (pairs - safety.raw) * each)
            tally.prune(OTHERS_BEAT, len(cells) * (safety.raw - len(safety.choice)) * each)
            if not len(safety.choice):
                continue
            values = op.joined(safety.choice.values, branch.ideal)
            cell, row = (grid.ravel() for grid in np.meshgrid(cells, np.arange(len(values)), indexing="ij"))
            alive, bound = self._bounded(branch, cell, values[row], each, mine, tally)
            for k in range(len(values)):
                mask = alive & (row == k)
                if mask.any():
                    yield Pending(branch, safety, k, cell[mask], bound[mask])

    def _bounded(
        self, branch: Branch, cell: Ints, values: Floats, weight: int, mine: archive.Front, tally: Tally
    ) -> tuple[Flags, Floats]:
        """Which ideal packs are feasible and unbeaten, and their objectives; the others' candidates are counted.

        Parameters
        ----------
        weight : int
            Candidates that each ideal pack stands for.
        """
        tally.bounds += len(cell)
        figures = score(self._block(branch, cell, values), context=self.space.context, figures=self.figures)
        if self.mass_may_help:
            figures |= {k: np.full(len(cell), v) for k, v in BEST_CASE.items() if k in figures}
        gaps = margins(figures, constraints=self.constraints)
        tally.note_margins(gaps)
        alive = np.ones(len(cell), dtype=bool)
        for name, bound in self.constraints.items():
            fails = alive & (gaps[f"margin_{name}"] < -(1e-9 * abs(bound) + 1e-12))
            tally.prune(name, int(fails.sum()) * weight)
            alive &= ~fails
        best = signed(figures, objectives=self.objectives)
        worse = np.zeros(len(cell), dtype=bool)
        worse[alive] = mine.beats(best[alive])
        tally.prune(BEATEN, int(worse.sum()) * weight)
        return alive & ~worse, best

    def _sampled(self, item: Pending, mine: archive.Front, tally: Tally) -> None:
        """Score a few options of a branch, to raise the bar; they are scored again in their turn."""
        cells = item.cells[~mine.beats(item.bound)]
        tally.bounds += len(cells) * len(item.branch.samples)
        self._scored(item, cells, item.branch.samples, None, mine, Tally())

    def _searched(self, item: Pending, mine: archive.Front, tally: Tally) -> None:
        """All that is left of a branch with one BMS and fuse."""
        branch, safety = item.branch, item.safety
        each = branch.ways * branch.ground.raw_parts
        alive = ~mine.beats(item.bound)
        tally.prune(BEATEN, int((~alive).sum()) * each)
        cells = item.cells[alive]
        if not len(cells):
            return
        row = safety.choice.values[item.row]
        cap = -row[[op.INDEX[name] for name in ("neg_peak_a", "neg_continuous_a", "neg_charge_a")]]
        choice = branch.within(cap)
        tally.prune(OTHERS_BEAT, len(cells) * (each - len(choice)))
        for cell in cells:
            rows = self._bunches(item, cell, choice, mine, tally)
            self._scored(item, np.array([cell]), choice, rows, mine, tally)

    def _bunches(self, item: Pending, cell: int, choice: op.Options, mine: archive.Front, tally: Tally) -> Ints:
        """Options of the bunches whose ideal pack is feasible and unbeaten."""
        starts = np.arange(0, len(choice), BUNCH)
        sizes = np.minimum(len(choice) - starts, BUNCH)
        ideal = np.minimum.reduceat(choice.values, starts, axis=0)
        values = op.joined(ideal, item.safety.choice.values[item.row])
        alive = np.zeros(len(starts), dtype=bool)
        for size in np.unique(sizes):
            same = np.flatnonzero(sizes == size)
            cells = np.full(len(same), cell)
            alive[same], _ = self._bounded(item.branch, cells, values[same], int(size), mine, tally)
        return np.flatnonzero(np.repeat(alive, sizes))

    def _scored(
        self, item: Pending, cells: Ints, choice: op.Options, rows: Ints | None, mine: archive.Front, tally: Tally
    ) -> None:
        """Options of a branch with one BMS and fuse, scored for some cells; what is unbeaten joins the front."""
        rows = np.arange(len(choice)) if rows is None else rows
        tally.scored += len(cells) * len(rows)
        tally.raw += len(cells) * len(rows)
        for cell in cells:
            for start in range(0, len(rows), BLOCK):
                here = rows[start : start + BLOCK]
                values = op.joined(choice.values[here], item.safety.choice.values[item.row])
                block = self._block(item.branch, np.full(len(here), cell), values)
                figures = score(block, context=self.space.context, figures=self.figures)
                points = signed(figures, objectives=self.objectives)
                keep = np.flatnonzero(self._feasible(figures, tally))
                keep = keep[~mine.beats(points[keep])]
                keep = keep[nondominated(points[keep])]
                picks = choice.picks[here][keep]
                names = item.branch.names(int(cell), picks, item.safety, item.row)
                mine.add(archive.Survivors(names, _numbers(block.take(keep)), points[keep]))

    def _feasible(self, figures: Mapping[str, Floats], tally: Tally) -> Flags:
        """Which candidates meet every constraint; the others are counted by the first that they fail."""
        gaps = margins(figures, constraints=self.constraints)
        tally.note_margins(gaps)
        alive = np.ones(len(figures["cost"]), dtype=bool)
        for name in self.constraints:
            fails = alive & (gaps[f"margin_{name}"] < 0)
            tally.rejected[name] += int(fails.sum())
            alive &= ~fails
        return alive

    def _block(self, branch: Branch, cell: Ints, values: Floats) -> Block:
        """Options of a branch, or its ideal, as the score reads them."""
        column = {name: values[:, k] for name, k in op.INDEX.items()}
        series, parallel = branch.series, branch.ground.task.parallel
        return Block(
            cell=cell,
            series=np.full(len(cell), series),
            parallel=np.full(len(cell), parallel),
            extra_ohm=column["resistance_ohm"],
            parts_kg=column["mass_kg"],
            parts_cost=column["cost"],
            cells_cost=cells_cost(self.space, cell, np.full(len(cell), series * parallel)),
            peak_cap_a=-column["neg_peak_a"],
            continuous_cap_a=-column["neg_continuous_a"],
            charge_cap_a=-column["neg_charge_a"],
            spread_ohm=column["spread_ohm"],
            hot_rise_k_per_w=column["hot_rise_k_per_w"],
        )


def cells_cost(space: Space, cell: Ints, number: Ints) -> Floats:
    """Cost of the cells with their spares, bought up to a price break where that is cheaper.

    Parameters
    ----------
    space : Space
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


def _numbers(block: Block) -> Floats:
    """The block's columns that go with a survivor."""
    return np.column_stack([getattr(block, name) for name in archive.NUMBERS])
