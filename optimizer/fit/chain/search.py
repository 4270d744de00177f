"""The best chain of groups in one region: exact when small, else sweeps and local search."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optimizer.base.arrays import Floats, Ints
from optimizer.fit.chain.adjacency import compressed
from optimizer.fit.chain.exact import EXACT_CELLS, exact_members
from optimizer.fit.chain.kernels import anneal
from optimizer.fit.chain.measure import measure, weigh
from optimizer.fit.chain.sweeps import ChainRegion, cut, most_groups, sweep_orders

Mask = NDArray[np.bool_]

# Moves that the local search makes per nominal second: what one core of a small machine does, rounded down.
MOVES_PER_SECOND = 1_000_000

# Shares of the moves: over the whole chain, then on the weakest boundaries, then on the mean.
WHOLE, LIFT, FILL = 0.4, 0.35, 0.25

# First guesses that the local search starts from, and temperatures it starts at, in pairs at a full boundary.
STARTS = 3
HEATS = (2.0, 6.0)
MENDING = (0.5, 1.0, 2.0)

# Least moves spent on mending a broken chain: a lost group weighs more than a tenth of a second.
MENDING_MOVES = 100_000
COLD = 0.05

# Groups on each side of a weak boundary that are rebuilt together, and moves for one attempt.
WINDOWS = (2, 3, 4)
ATTEMPT = 1500

# Fewer groups than hoped are tried this often before the longest sound stretch found so far is taken.
RETREATS = 6

IMPROVED = ", improved"


@dataclass(frozen=True, eq=False)
class Found:
    """Groups in chain order, shape (G, P), their boundary pairs, shape (G - 1,), and how they were found."""

    members: Ints
    pairs: Ints
    method: str


@dataclass(frozen=True, eq=False)
class _Task:
    """A region with what the kernels need."""

    region: ChainRegion
    parallel: int
    graph: tuple[Ints, Ints, Ints, Ints, Mask, Mask]


@dataclass(frozen=True, eq=False)
class _Guess:
    """A chain: faults (pieces too many, boundaries without a pair), terminals off side, boundary pairs."""

    members: Ints
    name: str
    pieces: Ints
    pairs: Ints
    missed: int

    @property
    def broken(self) -> int:
        return int(self.pieces.sum()) - len(self.pieces) + int(np.sum(self.pairs == 0))

    @property
    def least(self) -> int:
        return int(self.pairs.min()) if len(self.pairs) else self.members.shape[1]

    @property
    def key(self) -> tuple[int, int, int, int]:
        """What chains with equally many groups are ranked by, smaller is better."""
        return self.broken, self.missed, -self.least, -int(self.pairs.sum())

    @property
    def perfect(self) -> bool:
        size = self.members.shape[1]
        return not self.broken and not self.missed and bool(np.all(self.pairs == size))

    def cost(self, price: Floats) -> float:
        """What the local search lowers."""
        extra = int(self.pieces.sum()) - len(self.pieces) + self.missed
        return float(price[self.pairs].sum() + extra * price[0])


def search(
    region: ChainRegion,
    *,
    parallel: int,
    groups: int,
    regular: bool,
    start_side: Mask,
    end_side: Mask,
    seconds: float,
    seed: int,
) -> Found:
    """The best chain found in a region; see `optimizer.fit.chain.groups.chain` for what best means.

    Parameters
    ----------
    parallel, groups : int
        Cells per group, most groups wanted.
    regular : bool
        Whether cells stand in rows.
    start_side, end_side : ndarray of bool, shape (n,)
        Cells at which the chain may start and end as asked.
    seconds : float
        Nominal search effort [s].

    Returns
    -------
    Found
        With no members when no valid chain was found.
    """
    boundary = np.concatenate([region.lateral, region.axial])
    lists = (*compressed(region.lateral, region.cells), *compressed(boundary, region.cells))
    task = _Task(region, parallel, (*lists, start_side, end_side))
    wanted = min(groups, most_groups(region.level, parallel=parallel))
    if wanted == 0:
        return _found(_judged(task, np.zeros((0, parallel), dtype=np.int64), "none"))
    if region.cells <= EXACT_CELLS:
        members = exact_members(
            region.lateral,
            boundary,
            cells=region.cells,
            parallel=parallel,
            groups=wanted,
            start_side=start_side,
            end_side=end_side,
        )
        return _found(_judged(task, members, "exact"))
    return _found(_search_large(task, wanted, regular, round(seconds * MOVES_PER_SECOND), seed))


def _found(guess: _Guess) -> Found:
    return Found(guess.members, guess.pairs, guess.name)


def _search_large(task: _Task, wanted: int, regular: bool, moves: int, seed: int) -> _Guess:
    """Sweeps, then local search from the best few; fewer groups where no sound chain shows up."""
    guesses = _guesses(task, wanted, regular)
    best = _anneal_all(task, guesses, round(moves * WHOLE), seed)
    if best[0].broken:
        best = [_mend(task, best[0], max(moves, MENDING_MOVES) if moves else 0, seed)]
    if best[0].broken:
        best = [_retreat(task, best[0], moves, seed)]
    raised = [_lift(task, guess, round(moves * LIFT / len(best)), seed) for guess in best]
    return _fill(task, min(raised, key=lambda guess: guess.key), round(moves * FILL), seed)


def _judged(task: _Task, members: Ints, name: str) -> _Guess:
    """A chain with its faults and boundary pairs."""
    if not len(members):
        nothing = np.zeros(0, dtype=np.int64)
        return _Guess(members, name, nothing, nothing, 0)
    pieces, pairs = measure(members, task.region.cells, *task.graph[:4])
    start_side, end_side = task.graph[4:]
    missed = int(not start_side[members[0]].any()) + int(not end_side[members[-1]].any())
    return _Guess(members, name, pieces, pairs, missed)


def _guesses(task: _Task, groups: int, regular: bool) -> list[_Guess]:
    """The best few distinct first guesses with this many groups: by price and by rank in turn."""
    pool: dict[tuple[float, ...], _Guess] = {}
    price = _price(task.parallel)
    spare = groups * task.parallel < task.region.cells
    tails = np.array([1, 0] if spare else [1])
    for names, orders in sweep_orders(task.region, parallel=task.parallel, regular=regular):
        worth = weigh(orders, task.region.level, groups, tails, price, task.graph).reshape(-1, 5)
        for k in _picked(worth):
            members = cut(
                orders[k // len(tails)],
                task.region.level,
                parallel=task.parallel,
                groups=groups,
                tail=bool(tails[k % len(tails)]),
            )
            assert members is not None
            guess = _judged(task, members, names[k // len(tails)])
            if guess.perfect:
                return [guess]
            pool.setdefault((*guess.key, guess.cost(price)), guess)
    by_price = sorted(pool.values(), key=lambda guess: guess.cost(price))
    by_rank = sorted(pool.values(), key=lambda guess: guess.key)
    picked = [guess for both in zip(by_price, by_rank, strict=True) for guess in both]
    return list(dict.fromkeys(picked))[:STARTS]


def _picked(worth: Floats) -> list[int]:
    """Rows of `weigh`'s figures worth keeping, first come first: the perfect one, or a few by price and rank."""
    worth = worth * np.array([1.0, 1.0, -1.0, -1.0, 1.0])
    rows = np.unique(worth, axis=0, return_index=True)[1]
    rows = rows[worth[rows, 0] >= 0]
    by_rank = rows[np.lexsort((rows, *worth[rows, 3::-1].T))][:STARTS]
    by_price = rows[np.lexsort((rows, worth[rows, 4]))][:STARTS]
    return sorted({*by_rank.tolist(), *by_price.tolist()})


def _price(parallel: int) -> Floats:
    """What a boundary of m pairs costs, m = 0..P: as its resistance, P² / m, and far more without a pair."""
    pairs = np.arange(parallel + 1)
    price = parallel * parallel / np.maximum(pairs, 0.5)
    price[0] = 2.0 * price[0] + 20.0
    return np.asarray(price, dtype=np.float64)


def _lifting_price(parallel: int, least: int) -> Floats:
    """Pairs missing at a boundary, and much more for each boundary with no more than `least` pairs."""
    pairs = np.arange(parallel + 1)
    price = (parallel - pairs) + np.where(pairs <= least, 2.0 * parallel + 2.0 * (least - pairs), 0.0)
    price[0] = 8.0 * price[0] + 20.0
    return np.asarray(price, dtype=np.float64)


def _anneal_all(task: _Task, guesses: list[_Guess], moves: int, seed: int) -> list[_Guess]:
    """Local search over the whole chain from each guess at each heat: the best by rank and by price."""
    if not guesses:
        return [_judged(task, np.zeros((0, task.parallel), dtype=np.int64), "none")]
    price, found = _price(task.parallel), list(guesses)
    for number, (guess, heat) in enumerate((guess, heat) for heat in HEATS for guess in guesses):
        each = 0 if guess.perfect else moves // (len(HEATS) * len(guesses))
        found.append(_annealed(task, guess, price, (0, len(guess.members) - 1), each, heat, seed + number))
    by_rank = min(found, key=lambda guess: guess.key)
    by_price = min(found, key=lambda guess: guess.cost(price))
    return [by_rank] if by_rank.broken or by_price is by_rank else [by_rank, by_price]


def _annealed(
    task: _Task, guess: _Guess, price: Floats, window: tuple[int, int], moves: int, heat: float, seed: int
) -> _Guess:
    """One run of the local search; the guess itself where nothing cheaper was met."""
    if moves < 1:
        return guess
    members, gain = anneal(
        guess.members, task.region.cells, task.graph, price, window, moves, (heat, COLD), seed
    )
    return _judged(task, members, guess.name.removesuffix(IMPROVED) + IMPROVED) if gain > 0 else guess


def _lift(task: _Task, guess: _Guess, moves: int, seed: int) -> _Guess:
    """Raise the least number of pairs: rebuild the groups around each weakest boundary until none is left."""
    best, spent = guess, 0
    while spent < moves and not best.perfect and len(best.pairs) and best.least < task.parallel:
        least = best.least
        price = _lifting_price(task.parallel, least)
        trial = best
        for width in _cycle(WINDOWS):
            weak = np.flatnonzero(trial.pairs <= least)
            if not len(weak) or spent >= moves:
                break
            at = int(weak[spent // ATTEMPT % len(weak)])
            window = (max(at + 1 - width, 0), min(at + width, len(trial.members) - 1))
            trial = _annealed(task, trial, price, window, ATTEMPT, 0.6 * task.parallel, seed + spent)
            spent += ATTEMPT
        if trial.key >= best.key:
            break
        best = trial
    return best


def _mend(task: _Task, guess: _Guess, moves: int, seed: int) -> _Guess:
    """Rebuild the groups around faults until none is left: around one, then, warm, along the whole chain."""
    price, best, last = _price(task.parallel), guess, len(guess.members) - 1
    for attempt in range(moves // (3 * ATTEMPT)):
        faults = np.flatnonzero(best.pairs == 0).tolist() + np.flatnonzero(best.pieces > 1).tolist()
        if not faults or last < 1:
            break
        at, width = faults[attempt % len(faults)], WINDOWS[attempt % len(WINDOWS)]
        window = (max(at + 1 - width, 0), min(at + width, last))
        best = _annealed(task, best, price, window, ATTEMPT, 2.0 * task.parallel, seed + attempt)
        best = _annealed(
            task, best, price, (0, last), 2 * ATTEMPT, MENDING[attempt % len(MENDING)], seed - attempt
        )
    return best


def _cycle(values: tuple[int, ...]) -> Iterator[int]:
    """The values again and again."""
    while True:
        yield from values


def _fill(task: _Task, guess: _Guess, moves: int, seed: int) -> _Guess:
    """Raise the mean number of pairs and keep the least: over the whole chain, then window by window."""
    if guess.perfect or not len(guess.pairs) or guess.broken:
        return guess
    price = _lifting_price(task.parallel, guess.least - 1)
    last = len(guess.members) - 1
    best = _annealed(task, guess, price, (0, last), moves // 2, 0.5, seed)
    for attempt in range(moves // 2 // ATTEMPT):
        at = (attempt * 7919 + seed) % len(best.pairs)
        width = WINDOWS[attempt % len(WINDOWS)]
        window = (max(at + 1 - width, 0), min(at + width, last))
        best = _annealed(task, best, price, window, ATTEMPT, 1.0, seed + attempt)
    return best


def _retreat(task: _Task, failed: _Guess, moves: int, seed: int) -> _Guess:
    """A sound chain of fewer groups: the broken one with its worst groups taken out, improved again."""
    sound, price = _longest_sound(task, failed), _price(task.parallel)
    for attempt in range(RETREATS):
        room = len(failed.members) - len(sound.members)
        if room < 2:
            break
        tried = _thinned(task, failed, min(max(failed.broken // 2, attempt + 1), room - 1))
        whole = (0, len(tried.members) - 1)
        tried = _annealed(task, tried, price, whole, moves // RETREATS // 2, HEATS[0], seed + attempt)
        tried = _mend(task, tried, moves // RETREATS // 2, seed + attempt)
        sound = max(sound, _longest_sound(task, tried), key=lambda guess: len(guess.members))
        if tried.broken:
            failed = tried
    return sound


def _thinned(task: _Task, guess: _Guess, lost: int) -> _Guess:
    """A broken chain without the groups next to its faults: their cells are room to mend the rest."""
    faults = np.concatenate([np.flatnonzero(guess.pairs == 0) + 0.5, np.flatnonzero(guess.pieces > 1)])
    distance = np.abs(np.arange(len(guess.members))[:, None] - faults[None, :]).min(axis=1)
    kept = np.sort(np.argsort(distance, kind="stable")[lost:])
    return _judged(task, np.ascontiguousarray(guess.members[kept]), guess.name)


def _longest_sound(task: _Task, guess: _Guess) -> _Guess:
    """Longest stretch of a chain in which every group is connected and every boundary has a pair."""
    best, start = (0, 0), 0
    for g in range(len(guess.members)):
        if g and (guess.pairs[g - 1] == 0 or guess.pieces[g - 1] > 1):
            start = g
        if guess.pieces[g] == 1 and g + 1 - start > best[1] - best[0]:
            best = (start, g + 1)
    return _judged(task, np.ascontiguousarray(guess.members[best[0] : best[1]]), guess.name)
