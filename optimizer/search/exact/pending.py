"""What of a task is still to be searched: cells of a branch with a BMS and a fuse, and groups of their options."""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cached_property

import numpy as np

from optimizer.base.arrays import Flags, Floats, Ints
from optimizer.search.exact import archive
from optimizer.search.exact.branch import CAPS, Branch, Built, Safety
from optimizer.search.space import options as op


@dataclass(frozen=True, eq=False)
class Pending:
    """Cells of a branch with one BMS and fuse, unbeaten so far; `bound` has one row of objectives per cell."""

    branch: Branch
    safety: Safety
    row: int
    cells: Ints
    bound: Floats

    @cached_property
    def part(self) -> Floats:
        """What BMS and fuse contribute, shape (len(COLUMNS),)."""
        out: Floats = self.safety.choice.values[self.row]
        return out

    @cached_property
    def built(self) -> Built:
        """What the fuse protects."""
        return self.branch.behind(int(self.safety.fuse[self.row]))

    @cached_property
    def choice(self) -> op.Options:
        """Splits, strips and wires behind this BMS and fuse, alike ones side by side."""
        return self.built.within(-self.part[[op.INDEX[name] for name in CAPS]])

    def level(self, size: int) -> Floats:
        """Ideal of each `size` neighbours without BMS and fuse, shape (groups, len(COLUMNS))."""
        values = self.choice.values
        return np.minimum.reduceat(values, np.arange(0, len(values), size), axis=0) if size > 1 else values


@dataclass(frozen=True, eq=False)
class GroupRows:
    """Groups of options to be bounded or scored together, from several Pending; arrays of n rows.

    `bound` holds objectives that none of the group is better than, shape (n, d).
    """

    item: Ints
    cell: Ints
    group: Ints
    bound: Floats

    def __len__(self) -> int:
        return len(self.item)

    def take(self, rows: Flags | Ints | slice) -> GroupRows:
        """Some of them."""
        return GroupRows(self.item[rows], self.cell[rows], self.group[rows], self.bound[rows])

    def finer(self, lengths: Ints, size: int, into: int) -> GroupRows:
        """Each group of `size` options cut into groups of `into`; lengths: options of each Pending."""
        left = np.minimum(lengths[self.item] - self.group * size, size)
        count = -(-left // into)
        first = np.repeat(self.group * (size // into), count)
        within = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
        parent = np.repeat(np.arange(len(self)), count)
        return GroupRows(self.item[parent], self.cell[parent], first + within, self.bound[parent])


def whole_of(number: int, item: Pending) -> GroupRows:
    """All cells of one Pending with all its options as one group."""
    count = len(item.cells)
    return GroupRows(np.full(count, number), item.cells, np.zeros(count, dtype=np.int64), item.bound)


def joined(parts: list[GroupRows]) -> GroupRows:
    """Rows of all parts, one after the other."""
    return GroupRows(*(np.concatenate([getattr(part, f.name) for part in parts]) for f in fields(GroupRows)))


def picked(tables: list[Floats], rows: GroupRows) -> Floats:
    """Rows of the tables of several Pending, shape (n, len(COLUMNS)); of tables, which are large, no more is copied."""
    out = np.empty((len(rows), tables[0].shape[1]))
    order = np.argsort(rows.item, kind="stable")
    for mine in np.split(order, np.flatnonzero(np.diff(rows.item[order])) + 1):
        if len(mine):
            out[mine] = tables[rows.item[mine[0]]][rows.group[mine]]
    return out


def names_of(batch: list[Pending], rows: GroupRows, options: list[op.Options]) -> Ints:
    """Names of candidates, in the order of the rows."""
    out: list[Ints] = []
    order = np.argsort(rows.item, kind="stable")
    for k in np.unique(rows.item):
        mine = order[rows.item[order] == k]
        item = batch[k]
        picks = options[k].picks[rows.group[mine]]
        out.append(item.branch.names(rows.cell[mine], picks, item.safety, item.row))
    if not out:
        rooms = len(batch[0].branch.ground.whole.rooms)
        return np.zeros((0, len(archive.NAMES) + 2 * rooms), dtype=np.int64)
    whole = np.concatenate(out)
    back = np.empty_like(order)
    back[order] = np.arange(len(order))
    return whole[back]
