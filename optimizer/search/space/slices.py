"""Tasks cut into slices of about the same work, so that many workers share it and none is left with the longest."""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np

from optimizer.base.arrays import Ints
from optimizer.search.space.offering import Task
from optimizer.search.space.space import Space

# Slices of a large space, roughly, and the least (cell, S) of one: less is done before it is handed out.
SLICES, LEAST = 800, 8

# From so many cells of one task and S on, they are shared out over slices, each of which works out the options anew.
MOST_CELLS = 60


@dataclass(frozen=True)
class Slice:
    """Part of a task: some numbers of groups, and some of the cells.

    Parameters
    ----------
    series, cells : (int, int)
        First and last number of groups in series, and row of the context's cells.
    """

    task: Task
    series: tuple[int, int] = (1, sys.maxsize)
    cells: tuple[int, int] = (0, sys.maxsize)

    @property
    def name(self) -> str:
        """In messages."""
        first, last = self.series
        groups = str(first) if first == last else f"{first} to {last}"
        return f"cell size {self.task.size + 1}, {groups} in series, {self.task.parallel} in parallel"

    def holds(self, series: int) -> bool:
        """Whether packs of so many groups belong to it."""
        return self.series[0] <= series <= self.series[1]

    def of(self, cells: Ints) -> Ints:
        """Those of some cells that belong to it."""
        return cells[(self.cells[0] <= cells) & (cells <= self.cells[1])]


def slices(space: Space) -> list[Slice]:
    """The tasks of a space in slices; they follow from the space alone, whoever works on them.

    Parameters
    ----------
    space : Space
        With its layouts.
    """
    tasks = space.tasks()
    counts = [_cells_by_series(space, task) for task in tasks]
    most = max(LEAST, sum(map(sum, (each.values() for each in counts))) // SLICES)
    return [part for task, each in zip(tasks, counts, strict=True) for part in _cut(space, task, each, most)]


def _cells_by_series(space: Space, task: Task) -> dict[int, int]:
    """How many cells of a task each number of groups allows, without those that have no room; the last takes the rest.

    Candidates that have no room are counted by their slice, too.
    """
    low, high = space.window
    members = np.flatnonzero((space.size_of == task.size) & (low <= high))
    held = sum(cells // task.parallel for cells in space.most_cells(task.size, task.stand))
    first, last = int(low[members].min()), int(high[members].max())
    return {
        s: int(((low[members] <= s) & (s <= high[members])).sum()) for s in range(first, min(held, last) + 1)
    }


def _cut(space: Space, task: Task, counts: dict[int, int], most: int) -> list[Slice]:
    """A task's slices, by rising S."""
    out: list[Slice] = []
    first, held = 1, 0
    last = max(counts)
    for series, cells in counts.items():
        if held and held + cells > most:
            out.append(Slice(task, (first, series - 1)))
            first, held = series, 0
        held += cells
        if series == last:
            out.append(Slice(task, (first, sys.maxsize)))
    members = np.flatnonzero(space.size_of == task.size)
    shares = -(-len(members) // max(most, MOST_CELLS))
    starts = [0, *(int(members[len(members) * k // shares]) for k in range(1, shares))]
    ends = [*(start - 1 for start in starts[1:]), sys.maxsize]
    return [Slice(task, part.series, cells) for part in out for cells in zip(starts, ends, strict=True)]
