"""Whose ride is stepped through next: the most promising first, since what they come to bounds the others.

A pack whose ride is the same and whose burdens are no less goes no further. So of candidates that are alike few are
stepped through: those that nothing stepped before, by its own figures, rules out. In which order they are taken the
fast form of the ride tells; it bounds nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from optimizer.base.arrays import Flags, Floats, Ints
from optimizer.front.dominance import unbeaten
from optimizer.front.pareto import dominated_by, nondominated, signed
from optimizer.score.context import Context
from optimizer.score.score import Block, packs, score
from optimizer.score.situations import aged

# Candidates of which it is found out first whether they meet what is stepped last; then twice as many, and so on.
FIRST = 16


def burdens(block: Block, *, context: Context, mass_may_help: bool) -> Floats:
    """What no ride of the same cells and counts is the better for: mass, resistance, filler, and limits of current.

    Parameters
    ----------
    block : Block
        n candidates.
    mass_may_help : bool
        Then only packs of equal mass are compared.

    Returns
    -------
    ndarray, shape (n, k)
        Less is better [kg], [ohm], [J/K], and [A] twice for each situation; tests/search/test_monotone.py shows that no
        pack that bears no less goes farther.
    """
    columns = [block.parts_kg, block.extra_ohm, block.filler_j_k]
    columns += [-block.parts_kg] if mass_may_help else []
    for _, here in context.everywhere():
        old, own = aged(block, here)
        pack = packs(old, context=own, pack_mass_kg=block.parts_kg)
        columns += [-np.asarray(pack.current_limit_a), -np.asarray(pack.charge_current_limit_a)]
    return np.column_stack([np.broadcast_to(column, len(block)) for column in columns])


def guessed(
    block: Block, bound: Floats, *, context: Context, objectives: Sequence[str], figures: frozenset[str]
) -> Floats:
    """Objectives of n candidates by the fast form of the ride, no better than their bounds, shape (n, d).

    Parameters
    ----------
    bound : ndarray, shape (n, d)
    figures : frozenset of str
        Those that the ride tells; of the others the bounds are their own.
    """
    guess = bound.copy()
    slow = [name for name in objectives if name in figures]
    if slow and len(block):
        here = [objectives.index(name) for name in slow]
        found = signed(score(block, context=context, figures=frozenset(slow)), objectives=slow)
        guess[:, here] = np.maximum(bound[:, here], found)
    return guess


class Turns:
    """Candidates that wait for their ride.

    Parameters
    ----------
    cell, series : ndarray of int, shape (n,)
        Those in which they agree have the same cells and counts.
    burden : ndarray, shape (n, k)
        From `burdens`.
    guess : ndarray, shape (n, d)
        Objectives by the fast form of the ride.
    bound : ndarray, shape (n, d)
        Objectives that none is better than; tightened here.
    """

    def __init__(self, cell: Ints, series: Ints, burden: Floats, guess: Floats, bound: Floats) -> None:
        self.burden, self.guess, self.bound = burden, guess, bound
        self.kind = np.unique(np.column_stack([cell, series]), axis=0, return_inverse=True)[1].ravel()
        self.left = np.arange(len(bound))

    def next(self, beaten: Flags, *, least: int, most: int) -> Ints:
        """Rows whose turn it is.

        Parameters
        ----------
        beaten : ndarray of bool
            Of which of those left the guess is beaten.
        least, most : int
            Taken at a time, as far as there are so many that are promising.
        """
        now, _ = _best(self.guess, self.left[~beaten], least)
        if not len(now):
            # All seem to be beaten: the least burdened of each kind tell most about the others.
            now = self.left[unbeaten(np.column_stack([self.kind, -self.kind, self.burden])[self.left])]
        now = now[:most]
        self.left = np.setdiff1d(self.left, now)
        return now

    def learn(self, rows: Ints, column: int, values: Floats) -> None:
        """Tighten an objective's bounds by what it came to for some rows, whose own it becomes."""
        self.bound[rows, column] = values
        for kind in np.unique(self.kind[rows]):
            known, open_ = self.kind[rows] == kind, self.left[self.kind[self.left] == kind]
            lighter = (self.burden[rows[known]] <= self.burden[open_][:, None]).all(axis=2)
            best = np.where(lighter, values[known], -np.inf).max(axis=1, initial=-np.inf)
            self.bound[open_, column] = np.maximum(self.bound[open_, column], best)


def _best(points: Floats, rows: Ints, least: int) -> tuple[Ints, Ints]:
    """Rows that no other one beats, then those that only these beat, until there are so many; and the others."""
    taken = rows[:0]
    while len(rows) and len(taken) < least:
        best = nondominated(points[rows])
        taken, rows = np.append(taken, rows[best]), rows[~best]
    return taken, rows


def confirmed(points: Floats, meets: Callable[[Ints], Ints]) -> Ints:
    """Candidates that meet constraints which tell no objective, and that no other such one beats or equals.

    Asked about are those alone that nothing confirmed beats.

    Parameters
    ----------
    points : ndarray, shape (n, d)
        Objectives; of equal ones the first stays.
    meets : callable
        From rows to those of them that meet the constraints.
    """
    taken, left, least = [np.zeros(0, dtype=np.int64)], np.arange(len(points)), FIRST
    while len(left):
        first, left = _best(points, left, least)
        first = meets(first)
        taken.append(first)
        left, least = left[~dominated_by(points[left], front=points[first])], 2 * least
    found = np.sort(np.concatenate(taken))
    return found[nondominated(points[found])]
