"""Branches of the space: one (cell size, S, P) with all ways to build it, and the cells that may use them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from optimizer.pack.bill import with_spares
from optimizer.search import options as op
from optimizer.search import parts, space
from optimizer.search.fills import Fill
from optimizer.search.options import Options
from optimizer.search.plating import plated
from optimizer.search.space import Space, Task
from optimizer.search.splits import Splits, split_table

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(eq=False)
class Branch:
    """All packs of S and P over one cell size and one set of BMS and fuses.

    Parameters
    ----------
    series, parallel, size : int
    cells : ndarray of int
        Rows of the context's cells that may be used.
    stages : list of Options
        Splits with strips, BMS, fuses; and the wires, each reduced.
    raw : int
        Candidates per cell before any reduction.
    """

    space: Space
    series: int
    parallel: int
    size: int
    cells: Ints
    splits: Splits
    layout: Options
    wires: tuple[Options, Floats, Floats, Floats]
    bms: tuple[Options, Ints]
    fuses: tuple[Options, Ints]
    raw: int
    known: dict[tuple[int, ...], Options] = field(default_factory=dict)

    @property
    def ideal(self) -> Floats:
        """No pack of the branch is better than this in any column, shape (len(COLUMNS),)."""
        wire, ohm, mass, cost = self.wires
        shortest = float(self.layout.column("power_wire_mm").min())
        row = op.ideal([self.layout, wire, self.bms[0], self.fuses[0]])
        row[op.INDEX["resistance_ohm"]] += shortest * ohm.min()
        row[op.INDEX["mass_kg"]] += shortest * mass.min()
        row[op.INDEX["cost"]] += shortest * cost.min()
        row[op.INDEX["power_wire_mm"]] = 0.0
        return row

    def options(self) -> Options:
        """Every way to build the branch that no other one equals or beats; worked out once."""
        key = (self.series, *self.bms[1], -1, *self.fuses[1])
        if key not in self.known:
            wire, ohm, mass, cost = self.wires
            choice = op.reduce(
                op.wired(self.layout, wire, ohm_per_mm=ohm, kg_per_mm=mass, cost_per_mm=cost)
            )
            safety = op.reduce(op.combine(op.reduce(self.bms[0]), op.reduce(self.fuses[0])))
            self.known[key] = op.reduce(op.combine(choice, safety))
        return self.known[key]

    def names(self, cell: int, picks: Ints) -> Ints:
        """Names of candidates, see archive.NAMES, from the picks (split, build, wire, BMS, fuse)."""
        split, build, wire, bms, fuse = picks.T
        chosen = [self.space.builds[k] for k in build]
        inputs = self.space.inputs
        columns = [
            np.full(len(picks), self.size),
            np.full(len(picks), cell),
            np.full(len(picks), self.series),
            np.full(len(picks), self.parallel),
            np.array([item.strip for item in chosen], dtype=np.int64),
            np.array([item.layers for item in chosen], dtype=np.int64),
            inputs.wire_rows[wire],
            self.bms[1][bms],
            self.fuses[1][fuse],
            self.splits.crossing[split],
        ]
        return np.column_stack([*columns, self.splits.split[split], self.splits.fill[split]]).astype(np.int64)


def branches(whole: Space, task: Task, pruned: Counter[str]) -> Iterator[Branch]:
    """Branches of a task; what is refused before scoring is counted by reason.

    Parameters
    ----------
    whole : Space
    task : Task
    pruned : Counter
        Takes the candidates that are refused for voltage, room, stock or want of a part.

    Yields
    ------
    Branch
        By rising S, then by the BMS and fuses that the cells allow.
    """
    low, high = whole.window
    members = np.flatnonzero(whole.size_of == task.size)
    bounds = (int(low[members].min()), int(high[members].max()))
    fills = whole.fills(task)
    table, splits_before = split_table(
        whole.rooms, fills=fills, series=bounds, rules=whole.brief.harness, sensors=whole.brief.parts.sensors
    )
    known: dict[tuple[int, ...], Options] = {}
    raw_parts = len(whole.builds) * len(whole.inputs.wire_rows)
    for series in range(bounds[0], bounds[1] + 1):
        able = members[(low[members] <= series) & (series <= high[members])]
        rows = np.flatnonzero(table.split.sum(axis=1) == series)
        count = raw_parts * len(whole.inputs.bms_rows) * len(whole.inputs.fuse_rows)
        if not len(rows):
            pruned[space.ROOM] += len(able) * count
            continue
        ways = splits_before[series]
        able = _in_stock(whole, able, series * task.parallel, ways * count, pruned)
        if not len(able):
            continue
        splits = table.take(rows)
        useful = _useful_currents(whole, task, able)
        layout, wires = _stages(whole, task, fills, splits, useful)
        for group, bms, fuses in _by_parts(whole, able, series, ways * count, pruned):
            yield Branch(
                whole, series, task.parallel, task.size, group, splits, layout, wires,
                (op.capped(bms[0], **useful), bms[1]), (op.capped(fuses[0], **useful), fuses[1]),
                ways * raw_parts * len(bms[1]) * len(fuses[1]), known,
            )  # fmt: skip


def _in_stock(whole: Space, able: Ints, number: int, raw: int, pruned: Counter[str]) -> Ints:
    """Cells of which enough are to be had, spares included."""
    need = with_spares(number, spare_fraction=whole.brief.parts.spare_fraction)
    enough = whole.inputs.cells.stock[whole.context.cells.row[able]] >= need
    pruned[space.STOCK] += int((~enough).sum()) * raw
    return able[enough]


def _useful_currents(whole: Space, task: Task, cells: Ints) -> dict[str, float]:
    """Largest currents that the controller, the charger and the best of the cells could ever use."""
    table, asked = whole.context.cells, whole.brief.electrical
    assert asked is not None
    charger = whole.context.chargers
    filling = max(asked.regen_current_a, float(charger.current_a.max()) if charger is not None else 0.0)
    p = task.parallel
    return {
        "neg_peak_a": min(asked.battery_current_a, p * float(table.peak_a[cells].max())),
        "neg_continuous_a": min(asked.battery_current_a, p * float(table.continuous_a[cells].max())),
        "neg_charge_a": min(filling, p * float(table.charge_a[cells].max())),
    }


def _stages(
    whole: Space, task: Task, fills: list[list[Fill]], splits: Splits, useful: dict[str, float]
) -> tuple[Options, tuple[Options, Floats, Floats, Floats]]:
    """Splits with strips, and wires, with current limits capped at what is of use; splits reduced."""
    layout = op.reduce(op.capped(plated(whole, task, fills, splits), **useful))
    wire, ohm, mass, cost = parts.wire_options(whole.inputs)
    return layout, (op.capped(wire, **useful), ohm, mass, cost)


def _by_parts(
    whole: Space, able: Ints, series: int, raw: int, pruned: Counter[str]
) -> Iterator[tuple[Ints, tuple[Options, Ints], tuple[Options, Ints]]]:
    """Cells that share their BMS and fuses, with these."""
    cells, rows = whole.inputs.cells, whole.context.cells.row
    groups: dict[tuple[str, float], list[int]] = {}
    for cell in able:
        key = (str(cells.chemistry[rows[cell]]), float(cells.voltage_max_v[rows[cell]]))
        groups.setdefault(key, []).append(int(cell))
    for (chemistry, max_v), group in groups.items():
        full_v = series * max_v
        bms = parts.bms_options(whole.inputs, series=series, chemistry=chemistry, full_v=full_v)
        fuses = parts.fuse_options(whole.inputs, full_v=full_v)
        if len(bms[1]) and len(fuses[1]):
            yield np.array(group, dtype=np.int64), bms, fuses
        else:
            pruned[space.NO_PART] += len(group) * raw
