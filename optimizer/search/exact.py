"""The exact engine: the true front of a whole space, branch by branch.

A branch is one cell with S in series and P in parallel. What lies below it (splits, fills, strips, wires,
BMS, fuses) acts through few numbers in which the score is monotone, so

* parts that another one equals or beats in every number are dropped before they multiply (options.reduce);
* the best of each number taken together bounds the branch: if that ideal pack fails a constraint, or a pack
  already found beats it in every objective, the branch is discarded whole;
* what is left is scored in vectorised blocks.

tests/search/test_exact.py compares the result with plain enumeration on random small briefs.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from optimizer.front import nondominated, signed
from optimizer.pack.bill import best_purchase, with_spares
from optimizer.score import Block, margins, score
from optimizer.search import archive
from optimizer.search import options as op
from optimizer.search.branch import Branch, branches
from optimizer.search.space import Space, Task

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

BLOCK = 200_000


@dataclass
class Tally:
    """What became of the candidates of a task.

    Parameters
    ----------
    raw, scored : int
        Candidates in the space, and candidates evaluated.
    pruned : Counter
        Candidates never scored, by the rule that discarded them.
    rejected : Counter
        Scored candidates that fail a constraint, by the first one they fail.
    nearest : dict
        Constraint to the least shortfall of any scored or bounded pack, in the figure's unit.
    """

    raw: int = 0
    scored: int = 0
    pruned: Counter[str] = field(default_factory=Counter)
    rejected: Counter[str] = field(default_factory=Counter)
    nearest: dict[str, float] = field(default_factory=dict)

    def add(self, other: Tally) -> None:
        """Take another task's figures in."""
        self.raw += other.raw
        self.scored += other.scored
        self.pruned += other.pruned
        self.rejected += other.rejected
        for name, gap in other.nearest.items():
            self.nearest[name] = max(gap, self.nearest.get(name, -np.inf))

    def note_margins(self, found: Mapping[str, Floats]) -> None:
        """Remember how near the best pack came to each constraint."""
        for name, values in found.items():
            if len(values):
                best = float(np.max(values))
                self.nearest[name] = max(best, self.nearest.get(name, -np.inf))


class Engine:
    """Searches the tasks of one space; keeps what it has found to bound what comes after."""

    def __init__(self, space: Space) -> None:
        self.space = space
        brief = space.brief
        self.objectives = tuple(brief.objectives.use)
        self.constraints = {k: v for k, v in brief.constraints if v is not None}
        needed = set(self.objectives) | {name.rsplit("_", 1)[0] for name in self.constraints}
        self.figures = frozenset(needed)
        self.found = archive.nothing(rooms=len(space.rooms), objectives=len(self.objectives))

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
        mine = archive.nothing(rooms=len(self.space.rooms), objectives=len(self.objectives))
        for branch in branches(self.space, task, tally.pruned):
            tally.raw += branch.raw * len(branch.cells)
            kept = self._bounded(branch, tally)
            for cell in kept:
                mine = self._scored(branch, cell, mine, tally)
        self.found = archive.merge([self.found, mine])
        return mine, tally

    def _bounded(self, branch: Branch, tally: Tally) -> Ints:
        """Cells of the branch whose ideal pack is feasible and unbeaten."""
        cells = branch.cells
        ideal = np.tile(branch.ideal, (len(cells), 1))
        block = self._block(branch, cells, ideal)
        figures = score(block, context=self.space.context, figures=self.figures)
        slack = {name: 1e-9 * abs(bound) + 1e-12 for name, bound in self.constraints.items()}
        gaps = margins(figures, constraints=self.constraints)
        tally.note_margins(gaps)
        alive = np.ones(len(cells), dtype=bool)
        for name in self.constraints:
            fails = alive & (gaps[f"margin_{name}"] < -slack[name])
            tally.pruned[name] += int(fails.sum()) * branch.raw
            alive &= ~fails
        best = signed(figures, objectives=self.objectives)
        beaten = alive & archive.beaten(best, front=self.found.objectives)
        tally.pruned["beaten by a pack found"] += int(beaten.sum()) * branch.raw
        return cells[alive & ~beaten]

    def _scored(
        self, branch: Branch, cell: int, mine: archive.Survivors, tally: Tally
    ) -> archive.Survivors:
        """The branch of one cell, scored in blocks and merged into what the task has."""
        choice = branch.options()
        tally.pruned["parts that others beat"] += branch.raw - len(choice)
        tally.scored += len(choice)
        parts = [mine]
        for start in range(0, len(choice), BLOCK):
            rows = slice(start, start + BLOCK)
            values = choice.values[rows]
            block = self._block(branch, np.full(len(values), cell), values)
            figures = score(block, context=self.space.context, figures=self.figures)
            good = self._feasible(figures, tally)
            points = signed(figures, objectives=self.objectives)
            good &= ~archive.beaten(points, front=self.found.objectives)
            keep = np.flatnonzero(good)
            keep = keep[nondominated(points[keep])]
            names = branch.names(cell, choice.picks[rows][keep])
            parts.append(archive.Survivors(names, _numbers(block.take(keep)), points[keep]))
        return archive.merge(parts)

    def _feasible(self, figures: Mapping[str, Floats], tally: Tally) -> npt.NDArray[np.bool_]:
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
        number = np.full(len(cell), branch.series * branch.parallel)
        return Block(
            cell=cell,
            series=np.full(len(cell), branch.series),
            parallel=np.full(len(cell), branch.parallel),
            extra_ohm=column["resistance_ohm"],
            parts_kg=column["mass_kg"],
            parts_cost=column["cost"],
            cells_cost=cells_cost(self.space, cell, number),
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
