"""The exact engine: the true front of a whole space, branch by branch.

What lies below (cell, S, P) acts through few numbers in which the score is monotone, so

* parts that another one equals or beats in every number are dropped before they multiply (options.reduce);
* the best of each number taken together bounds what lies below: if that ideal pack fails a constraint, or a
  pack already found beats it in every objective, all of it is discarded;
* bounds are taken in stages: (cell, S, P) with each BMS and fuse; then bunches of alike options; then what is
  left is scored in vectorised blocks. A few samples of each branch are scored first, so that bounds bite.

tests/search/test_exact.py compares the result with plain enumeration on random small briefs. On a ride that may
gain from mass nothing is dropped or bounded for its mass, unless every ride that was stepped through shows that no
heavier pack goes further (ride/heavier.py): a slice in which one doesn't is searched again with nothing dropped.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import partial

import numpy as np

from optimizer.base.arrays import Flags, Floats, Ints
from optimizer.base.figures import sided
from optimizer.front.pareto import nondominated, signed
from optimizer.score.score import Block, margins, score
from optimizer.score.situations import settled_in, stages_of
from optimizer.search.exact import archive
from optimizer.search.exact.branch import BUNCH, Branch, Ground, Safety
from optimizer.search.exact.ideal import best_figures, block_of
from optimizer.search.exact.pending import GroupRows, Pending, joined, names_of, picked, whole_of
from optimizer.search.exact.tally import Tally
from optimizer.search.exact.turns import Turns, burdens, confirmed, guessed
from optimizer.search.space import options as op
from optimizer.search.space import space as rules
from optimizer.search.space.offering import Task
from optimizer.search.space.slices import Slice
from optimizer.search.space.space import Space

Branches = tuple[Ground, list[Branch]]
Offer = tuple[Branch, Ints, Safety]

# Rows that one call of the score takes, and roughly those of a batch at the coarsest level; candidates that are
# scored together, and most of them whose ride is stepped through at a time: what they yield bounds the next.
BLOCK, BATCH, ROWS, STEPPED = 50_000, 4_000, 10_000, 1_000

# Options that one bound stands for, coarse to fine; the fine ones are what `Built.within` puts side by side.
LEVELS = (16 * BUNCH, BUNCH)
OTHERS_BEAT, BEATEN = "parts that others beat", "beaten by a pack found"


class Engine:
    """Searches the tasks of one space.

    Parameters
    ----------
    space : Space
    known : ndarray, shape (m, d), optional
        Objectives of packs found before: they bound, but belong to whoever found them.
    kept : dict of Task to Branches, optional
        Where the branches of each task are kept, for other searches that differ in constraints alone.
    """

    def __init__(
        self,
        space: Space,
        *,
        known: Floats | None = None,
        kept: dict[Task, Branches] | None = None,
    ) -> None:
        self.space, self.kept = space, kept
        brief = space.brief
        self.objectives = tuple(brief.objectives.use)
        self.constraints = {k: v for k, v in brief.constraints if v is not None}
        needed = set(self.objectives) | {sided(name)[0] for name in self.constraints}
        self.figures = frozenset(needed)
        self.stages = stages_of(self.figures, tuple(space.context.situations))
        # So many stages tell all objectives; those behind them are for constraints alone.
        told = [set(self.objectives) <= frozenset().union(*self.stages[:k]) for k in range(1, len(self.stages) + 1)]
        self.telling = told.index(True) + 1
        self.mass_may_help = space.mass_may_help
        # Whether a ride that was stepped through ended where a heavier pack may pass.
        self.unsettled = False
        self.known = known if known is not None else np.zeros((0, len(self.objectives)))

    def run(self, task: Task | Slice, *, samples: bool = True) -> tuple[archive.Survivors, Tally]:
        """Non-dominated candidates of one task, and what became of all of them.

        Parameters
        ----------
        task : Task or Slice
            The counts of a task are those of its slices together.
        samples : bool
            Begin with a few samples; to no use where what is known holds them.

        Returns
        -------
        Survivors, Tally
        """
        tally = Tally()
        mine = archive.Front(self._nothing(), against=self.known)
        pending = self._opened(task, mine, tally)
        if samples:
            self._sampled(pending, mine, tally)
        self.unsettled = False
        for batch in self._batches(pending, mine, tally):
            self._searched(batch, mine, tally)
            if self.unsettled and not self.mass_may_help:
                # What was dropped for a lighter pack may go further.
                again = Engine(self.space, known=self.known)
                again.mass_may_help = True
                return again.run(task, samples=samples)
        return mine.settle(), tally

    def sample(self, task: Task | Slice) -> archive.Survivors:
        """A few candidates that are good at something: found quickly, they bound what is searched later.

        Where to look the fast form of the ride says: what it leaves out bounds nothing, and is still searched.
        """
        mine = archive.Front(self._nothing(), against=self.known)
        self._sampled(self._opened(task, mine, Tally(), stepped=False), mine, Tally())
        return mine.settle()

    def _nothing(self) -> archive.Survivors:
        return archive.nothing(rooms=len(self.space.rooms), objectives=len(self.objectives))

    def _branches(self, task: Task) -> Branches:
        """What the branches of a task share, and the branches; from `kept` when they are there."""
        if self.kept is not None and task in self.kept:
            return self.kept[task]
        ground = Ground(self.space, task, mass_may_help=self.mass_may_help)
        found = ground, list(ground.branches())
        if self.kept is not None:
            self.kept[task] = found
        return found

    def _opened(
        self, task: Task | Slice, mine: archive.Front, tally: Tally, *, stepped: bool = True
    ) -> list[Pending]:
        """Cells of each branch with each BMS and fuse whose ideal pack is feasible and unbeaten."""
        part = task if isinstance(task, Slice) else Slice(task)
        ground, branches = self._branches(part.task)
        offered = [
            pair for branch in branches if part.holds(branch.series) for pair in self._offered(branch, part, tally)
        ]
        offered = self._worth_opening(ground, offered, mine, tally, stepped)
        items: list[Pending] = []
        values: list[Floats] = []
        none = np.zeros((0, len(self.objectives)))
        for branch, cells, safety in offered:
            for row in range(len(safety.choice)):
                item = Pending(branch, safety, row, cells, none)
                if item.built.empty:
                    reason = (item.built.cramped and rules.CRAMPED) or (item.built.tight and rules.BUNDLES)
                    tally.prune(reason or rules.PROTECTS, len(cells) * branch.raw)
                    continue
                items.append(item)
                values.append(np.tile(op.joined(item.part[None], item.built.ideal), (len(cells), 1)))
        if not items:
            return []
        size = np.array([len(item.cells) for item in items])
        each = np.array([item.branch.raw for item in items], dtype=object)
        series = np.array([item.branch.series for item in items])
        cell = np.concatenate([item.cells for item in items])
        block = self._block(ground.task, cell, np.repeat(series, size), np.concatenate(values))
        open_end = np.full((len(cell), len(self.objectives)), -np.inf)
        alive, bound = self._bounded(block, np.repeat(each, size), open_end, mine, tally, stepped)
        cuts = np.cumsum(size)[:-1]
        parts = zip(items, np.split(alive, cuts), np.split(bound, cuts), strict=True)
        return [replace(item, cells=item.cells[a], bound=b[a]) for item, a, b in parts if a.any()]

    def _worth_opening(
        self, ground: Ground, offered: list[Offer], mine: archive.Front, tally: Tally, stepped: bool
    ) -> list[Offer]:
        """Branches of which something stands even if strips, wires and cases weighed, cost and resisted nothing.

        This needs none of a branch's splits, which take the most time of all that is opened.
        """
        if not offered:
            return []
        bare = [op.joined(safety.choice.values.min(axis=0)[None], ground.bare) for _, _, safety in offered]
        size = np.array([len(cells) for _, cells, _ in offered])
        each = np.array([b.raw * len(safety.choice) for b, _, safety in offered], dtype=object)
        series = np.array([branch.series for branch, _, _ in offered])
        cell = np.concatenate([cells for _, cells, _ in offered])
        block = self._block(ground.task, cell, np.repeat(series, size), np.repeat(np.concatenate(bare), size, axis=0))
        open_end = np.full((len(cell), len(self.objectives)), -np.inf)
        alive, _ = self._bounded(block, np.repeat(each, size), open_end, mine, tally, stepped)
        kept = np.split(alive, np.cumsum(size)[:-1])
        return [(branch, cells[k], safety) for (branch, cells, safety), k in zip(offered, kept, strict=True) if k.any()]

    def _offered(self, branch: Branch, part: Slice, tally: Tally) -> Iterator[Offer]:
        """A branch's cells with their BMS and fuses; candidates that need no score are counted by reason."""
        ground, inputs = branch.ground, self.space.inputs
        pairs = len(ground.boards) * len(inputs.fuse_rows)
        each = max(branch.ways, 1) * ground.raw_parts
        able, stocked = (part.of(cells) for cells in ground.able(branch.series))
        if not branch.ways:
            tally.prune(rules.ROOM, len(able) * each * pairs)
            return
        tally.prune(rules.STOCK, (len(able) - len(stocked)) * each * pairs)
        for cells, safety in ground.groups(stocked, branch.series):
            tally.prune(rules.NO_PART, len(cells) * (pairs - safety.raw) * each)
            tally.prune(rules.BREAKS, len(cells) * safety.weak * each)
            strong, wires = safety.raw - safety.weak, len(inputs.wire_rows)
            tally.prune(rules.JOINING, len(cells) * strong * (each - branch.joined * wires))
            tally.prune(rules.CONDUCTORS, len(cells) * strong * (branch.joined - branch.laid) * wires)
            tally.prune(OTHERS_BEAT, len(cells) * (strong - len(safety.choice)) * branch.raw)
            if len(safety.choice) and branch.raw:
                yield branch, cells, safety

    def _bounded(
        self, block: Block, weight: Ints, bound: Floats, mine: archive.Front, tally: Tally, stepped: bool = True
    ) -> tuple[Flags, Floats]:
        """Which ideal packs are feasible and unbeaten, and their objectives; the others' candidates are counted.

        What is quick to score goes first: together with the bound known before, it discards many.

        Parameters
        ----------
        weight : ndarray of int, shape (n,)
            Candidates that each ideal pack stands for; Python's integers where they may pass 2^63.
        bound : ndarray, shape (n, d)
            Objectives that none of them is better than.
        stepped : bool
            See best_figures.
        """
        alive, best = np.ones(len(block), dtype=bool), bound.copy()
        for at, stage in enumerate(self.stages):
            rows = np.flatnonzero(alive)
            tally.bounds += len(rows) if at == min(1, len(self.stages) - 1) else 0
            with tally.timed(stage):
                figures = best_figures(block.take(rows), context=self.space.context, figures=stage, stepped=stepped)
            good = self._possible(figures, stage, weight[rows], tally)
            for column, name in enumerate(self.objectives):
                if name in stage:
                    best[rows, column] = signed(figures, objectives=[name])[:, 0]
            worse = good.copy()
            worse[good] = mine.beats(best[rows[good]])
            tally.prune(BEATEN, int(weight[rows[worse]].sum()))
            alive[rows] = good & ~worse
        return alive, best

    def _possible(self, figures: Mapping[str, Floats], stage: frozenset[str], weight: Ints, tally: Tally) -> Flags:
        """Which ideal packs meet the constraints on the figures of a stage, rounding allowed for."""
        held = {k: v for k, v in self.constraints.items() if sided(k)[0] in stage}
        gaps = margins(figures, constraints=held)
        tally.note_margins(gaps)
        alive = np.ones(len(weight), dtype=bool)
        for name, bound in held.items():
            fails = alive & (gaps[f"margin_{name}"] < -(1e-9 * abs(bound) + 1e-12))
            tally.prune(name, int(weight[fails].sum()))
            alive &= ~fails
        return alive

    def _sampled(self, pending: list[Pending], mine: archive.Front, tally: Tally) -> None:
        """Score a few options of every branch, to raise the bar; they are scored again in their turn."""
        kept = [~mine.beats(item.bound) for item in pending]
        rows = [
            whole_of(k, replace(item, cells=item.cells[alive], bound=item.bound[alive]))
            for k, (item, alive) in enumerate(zip(pending, kept, strict=True))
        ]
        if not rows:
            return
        lengths = np.array([len(item.built.samples) for item in pending])
        whole = joined(rows).finer(lengths, int(lengths.max()), 1)
        tally.bounds += len(whole)
        if not len(whole):
            return
        options = [item.built.samples for item in pending]
        tables = [choice.values for choice in options]
        self._scored(pending, self._promising(pending, whole, tables), options, tables, mine, Tally())
        mine.settle()

    def _promising(self, pending: list[Pending], rows: GroupRows, tables: list[Floats]) -> GroupRows:
        """Samples that are feasible and unbeaten by the fast form of the ride: the only ones worth stepping through.

        Samples only bound what is searched later, so that none is missed; the fast form decides which, not how good.
        """
        taken: list[GroupRows] = []
        for start in range(0, len(rows), BLOCK):
            here = rows.take(slice(start, start + BLOCK))
            figures = score(self._rows_block(pending, here, tables), context=self.space.context, figures=self.figures)
            good = np.flatnonzero(self._feasible(figures, self.figures, Tally()))
            points = signed({name: figures[name][good] for name in self.objectives}, objectives=self.objectives)
            taken.append(here.take(good[nondominated(points)]))
        return joined(taken)

    def _batches(self, pending: list[Pending], mine: archive.Front, tally: Tally) -> Iterator[list[Pending]]:
        """Pending of which something is unbeaten, in batches large enough for vectors, small enough to learn.

        Those with the most cells left come first: what they yield bounds the others.
        """
        batch: list[Pending] = []
        size = 0
        for item in sorted(pending, key=lambda item: -len(item.cells)):
            alive = ~mine.beats(item.bound)
            each = item.branch.raw
            tally.prune(BEATEN, int((~alive).sum()) * each)
            if not alive.any():
                continue
            batch.append(replace(item, cells=item.cells[alive], bound=item.bound[alive]))
            refused = item.built.refused + item.built.tight
            tally.prune(rules.PROTECTS, int(alive.sum()) * item.built.refused)
            tally.prune(rules.CRAMPED, int(alive.sum()) * item.built.cramped)
            tally.prune(rules.BUNDLES, int(alive.sum()) * (item.built.tight - item.built.cramped))
            tally.prune(OTHERS_BEAT, int(alive.sum()) * (each - refused - len(batch[-1].choice)))
            size += int(alive.sum()) * -(-len(batch[-1].choice) // LEVELS[0])
            if size > BATCH:
                yield batch
                batch, size = [], 0
        if batch:
            yield batch

    def _searched(self, batch: list[Pending], mine: archive.Front, tally: Tally) -> None:
        """All that is left of a batch: bounded bunch by bunch, ever finer, and what stands is scored."""
        lengths = np.array([len(item.choice) for item in batch])
        whole = joined([whole_of(k, item) for k, item in enumerate(batch)])
        coarse = int(-(-lengths.max() // LEVELS[0])) * LEVELS[0]
        for size in LEVELS:
            tables = [item.level(size) for item in batch]
            # A group that was bounded and is as small already has the same ideal pack.
            left = np.minimum(lengths[whole.item] - whole.group * coarse, coarse)
            same = (left <= size) & (size < LEVELS[0])
            rows = whole.take(~same).finer(lengths, coarse, size)
            kept = [whole.take(same).finer(lengths, coarse, size)]
            for start in range(0, len(rows), BLOCK):
                here = rows.take(slice(start, start + BLOCK))
                weight = np.minimum(lengths[here.item] - here.group * size, size)
                block = self._rows_block(batch, here, tables)
                alive, bound = self._bounded(block, weight, here.bound, mine, tally)
                kept.append(replace(here, bound=bound).take(alive))
            if not any(map(len, kept)):
                return
            whole, coarse = joined(kept), size
        tables = [item.level(1) for item in batch]
        self._scored(batch, whole.finer(lengths, coarse, 1), [item.choice for item in batch], tables, mine, tally)

    def _scored(
        self, batch: list[Pending], rows: GroupRows, options: list[op.Options], tables: list[Floats],
        mine: archive.Front, tally: Tally,
    ) -> None:  # fmt: skip
        """Candidates scored in blocks; what is feasible and unbeaten joins the front.

        One of each bunch comes first: it bounds its neighbours, whose ride then needs no stepping through.
        """
        quick = self.stages[0]
        rows = rows.take(np.argsort(rows.group % BUNCH, kind="stable"))
        for start in range(0, len(rows), ROWS):
            here = rows.take(slice(start, start + ROWS))
            block = self._rows_block(batch, here, tables)
            with tally.timed(quick):
                figures = score(block, context=self.space.context, figures=quick)
            keep = np.flatnonzero(self._feasible(figures, quick, tally))
            tally.count(len(here) - len(keep))
            best = here.bound[keep]
            for column, name in enumerate(self.objectives):
                if name in quick:
                    best[:, column] = signed(figures, objectives=[name])[keep, 0]
            worse = mine.beats(best)
            tally.prune(BEATEN, int(worse.sum()))
            keep = keep[~worse]
            self._ridden(batch, here.take(keep), block.take(keep), best[~worse], options, mine, tally)

    def _ridden(
        self, batch: list[Pending], rows: GroupRows, block: Block, bound: Floats, options: list[op.Options],
        mine: archive.Front, tally: Tally,
    ) -> None:  # fmt: skip
        """Candidates stepped through the ride in turn, as long as one is left that nothing rules out.

        Parameters
        ----------
        bound : ndarray, shape (n, d)
            Objectives that they are no better than; those that are quick to score are their own.
        """
        context, later = self.space.context, self.stages[1 : self.telling]
        slow = frozenset().union(*later) - self.stages[0]
        guess = guessed(block, bound, context=context, objectives=self.objectives, figures=slow)
        burden = burdens(block, context=context, mass_may_help=self.mass_may_help)
        turns, least = Turns(block.cell, block.series, burden, guess, bound), 1
        while len(turns.left):
            keep = turns.next(mine.beats(guess[turns.left]), least=least, most=STEPPED)
            tally.count(len(keep))
            for stage in later:
                figures, good = self._stepped(block.take(keep), stage, tally)
                for column, name in enumerate(self.objectives):
                    if name in slow & stage:
                        turns.learn(keep, column, signed(figures, objectives=[name])[:, 0])
                keep = keep[good]
            points = turns.bound[keep]
            alive = ~mine.beats(points)
            keep, points = keep[alive], points[alive]
            there = confirmed(points, partial(self._confirmed, block.take(keep), tally=tally))
            names = names_of(batch, rows.take(keep[there]), options)
            mine.add(archive.Survivors(names, archive.numbers_of(block.take(keep[there])), points[there]))
            # Where nothing joins the front, ever more are taken at a time.
            least = 1 if len(there) else 2 * least
            mine.settle()
            worse = mine.beats(turns.bound[turns.left])
            tally.prune(BEATEN, int(worse.sum()))
            turns.left = turns.left[~worse]

    def _stepped(self, block: Block, stage: frozenset[str], tally: Tally) -> tuple[dict[str, Floats], Flags]:
        """Figures of a stage that is no quick one, and which candidates meet the constraints on them."""
        with tally.timed(stage):
            figures = score(block, context=self.space.context, figures=stage, stepped=True)
        self.unsettled |= not all(each.all() for each in settled_in(figures, self.space.context).values())
        return figures, self._feasible(figures, stage - self.stages[0], tally)

    def _confirmed(self, block: Block, rows: Ints, tally: Tally) -> Ints:
        """Rows of a block that meet the constraints of the stages which tell no objective."""
        for stage in self.stages[self.telling :]:
            rows = rows[self._stepped(block.take(rows), stage, tally)[1]]
        return rows

    def _rows_block(self, batch: list[Pending], rows: GroupRows, tables: list[Floats]) -> Block:
        """Groups of options as the score reads them, BMS and fuse included."""
        series = np.array([item.branch.series for item in batch])
        parts = np.array([item.part for item in batch])
        values = op.joined(picked(tables, rows), parts[rows.item])
        return self._block(batch[0].branch.ground.task, rows.cell, series[rows.item], values)

    def _feasible(self, figures: Mapping[str, Floats], stage: frozenset[str], tally: Tally) -> Flags:
        """Which candidates meet the constraints on a stage's figures; the others are counted by the first they fail."""
        held = {k: v for k, v in self.constraints.items() if sided(k)[0] in stage}
        gaps = margins(figures, constraints=held)
        tally.note_margins(gaps)
        alive = np.ones(len(figures["cost"]), dtype=bool)
        for name in held:
            fails = alive & (gaps[f"margin_{name}"] < 0)
            tally.rejected[name] += int(fails.sum())
            alive &= ~fails
        return alive

    def _block(self, task: Task, cell: Ints, series: Ints, values: Floats) -> Block:
        """Options, or ideals of some, as the score reads them."""
        return block_of(self.space, cell, series, task.parallel, values)
