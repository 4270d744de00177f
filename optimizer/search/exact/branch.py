"""Branches of the space: one (cell size, S, P) with all ways to build it, made as far as they are asked for."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from optimizer.base.problems import BadInput
from optimizer.front.pareto import nondominated
from optimizer.pack.bill import with_spares
from optimizer.search.space import options as op
from optimizer.search.space import parts, ways
from optimizer.search.space.guard import breaks
from optimizer.search.space.offering import Task
from optimizer.search.space.options import Options
from optimizer.search.space.plating import has_joints, plated
from optimizer.search.space.space import Space
from optimizer.search.space.splitrows import Splits
from optimizer.search.space.splits import TooMany

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

# Columns of current limits.
CAPS = ("neg_peak_a", "neg_continuous_a", "neg_charge_a", "neg_ride_a", "neg_regen_a")

# Options in a bunch that is bounded as one before its members are scored.
BUNCH = 24


@dataclass(eq=False)
class Built:
    """Splits with strips and wires that one fuse protects.

    Parameters
    ----------
    ground : Ground
        What the task's branches share.
    plated, wires : Options
        Splits with strips, and wires, current limits cut off at what is of use.
    room_mm2 : ndarray
        Of each split of the branch, see Splits.wire_mm2.
    refused, tight, cramped : int
        Pairs of both that the fuse does not protect; those whose wires do not fit through a passage or have no room;
        and of these those that have no room.
    """

    ground: Ground
    plated: Options
    wires: Options
    per_mm: tuple[Floats, Floats, Floats]
    room_mm2: Floats
    refused: int
    tight: int = 0
    cramped: int = 0
    known: dict[tuple[float, ...], Options] = field(default_factory=dict)

    @property
    def empty(self) -> bool:
        """Whether the fuse protects no pack of the branch, or the wires of none that it protects pass."""
        return self.tight == len(self.plated) * len(self.wires)

    @cached_property
    def ideal(self) -> Floats:
        """No split with strip and wire is better than this in any column, shape (len(COLUMNS),)."""
        shortest = float(self.plated.column("power_wire_mm").min())
        row = op.ideal([self.plated, self.wires])
        for name, per_mm in zip(("resistance_ohm", "mass_kg", "cost"), self.per_mm, strict=True):
            row[op.INDEX[name]] += shortest * per_mm.min()
        row[op.INDEX["power_wire_mm"]] = 0.0
        return row

    @cached_property
    def samples(self) -> Options:
        """A few real options that are good at something: they raise the bar before all others are made."""
        return _outstanding(self._wired(_outstanding(self.plated)) if not self.tight else self.options)

    @cached_property
    def options(self) -> Options:
        """Splits with strips and wires, those that no other one equals or beats."""
        also = -np.minimum(self.room_mm2[self.plated.picks[:, 0]], 1e12)[:, None] if self.tight else None
        return self._reduce(self._wired(op.reduce(self.plated, equal_mass=self.ground.mass_may_help, also=also)))

    def within(self, cap: Floats) -> Options:
        """The options behind a BMS and a fuse that allow no more than `cap`, in the order of CAPS [A]."""
        key = tuple(cap.tolist())
        if key not in self.known:
            tight = op.capped(self.options, **dict(zip(CAPS, key, strict=True)))
            self.known[key] = op.bunched(self._reduce(tight), size=BUNCH)
        return self.known[key]

    def _reduce(self, choice: Options) -> Options:
        return op.reduce(choice, equal_mass=self.ground.mass_may_help)

    def _wired(self, choice: Options) -> Options:
        ohm, mass, cost = self.per_mm
        made = op.wired(choice, self.wires, ohm_per_mm=ohm, kg_per_mm=mass, cost_per_mm=cost)
        if not self.tight:
            return made
        passes = self.ground.wire_mm2[made.picks[:, 2]] <= self.room_mm2[made.picks[:, 0]]
        return Options(made.values[passes], made.picks[passes])


@dataclass(eq=False)
class Branch:
    """All packs of S and P over one cell size.

    Parameters
    ----------
    ground : Ground
        What the task's branches share.
    series : int
    ways : int
        Splits with fills, before any reduction.
    laid : int
        Of these with every stock, as many as can be joined and have conductors that can be laid.
    joined : int
        Of these with every stock, as many as the methods at hand can join.
    """

    ground: Ground
    series: int
    ways: int
    laid: int
    joined: int
    known: dict[tuple[bytes, bytes], Built] = field(default_factory=dict)

    @property
    def raw(self) -> int:
        """Candidates with one cell, BMS and fuse that can be laid."""
        return self.laid * len(self.ground.whole.inputs.wire_rows)

    @cached_property
    def splits(self) -> Splits:
        """Splits worth having."""
        ground = self.ground
        try:
            return ground.shares.of(self.series, reduced=not ground.mass_may_help)
        except TooMany as many:
            found, most = int(many.args[0]), ground.shares.most_kept
            raise BadInput([ways.problem(ground.whole, ground.task, found, most=most, kept=True)]) from many

    @cached_property
    def _plated(self) -> tuple[Options, Ints, Floats, Flags]:
        """Splits with strips, current limits cut off at what is of use; their builds; the plates' own continuous limits
        [A]; and whether there are joints between layers."""
        ground = self.ground
        built = plated(ground.whole, ground.task, ground.fills, self.splits, which=ground.builds)
        joined = has_joints(ground.whole, ground.fills, self.splits)[built.picks[:, 0], built.picks[:, 1]]
        build = np.ascontiguousarray(built.picks[:, 1])
        return op.capped(built, **ground.useful), build, -built.column("neg_continuous_a"), joined

    def behind(self, fuse: int) -> Built:
        """What a fuse protects; fuses that protect the same share it.

        Parameters
        ----------
        fuse : int
            Row of the catalog.
        """
        ground = self.ground
        made, build, limit_a, joined = self._plated
        wire, *per_mm = ground.wires
        at = int(np.flatnonzero(ground.whole.inputs.fuse_rows == fuse)[0])
        guard = ground.whole.guard(ground.task.size)
        holds = limit_a >= (guard.need_a[at] * (1.0 - 1e-12)).take(build)
        if not guard.joints[at].all():
            holds &= guard.joints[at].take(build) | ~joined
        bears = guard.bears[at]
        key = np.packbits(holds).tobytes(), np.packbits(bears).tobytes()
        if key not in self.known:
            left = made if holds.all() else Options(made.values[holds], made.picks[holds])
            wires = Options(wire.values[bears], wire.picks[bears])
            ohm, mass, cost = (each[bears] for each in per_mm)
            refused = len(made) * len(wire) - len(left) * len(wires)
            room = self.splits.wire_mm2
            thick, roomy = np.sort(ground.wire_mm2[wires.picks[:, 0]]), ground.shares.roomy_mm2(self.splits.metrics)
            tight, cramped = (
                int((len(thick) - np.searchsorted(thick, each, side="right"))[left.picks[:, 0]].sum())
                for each in (room, roomy)
            )
            self.known[key] = Built(ground, left, wires, (ohm, mass, cost), room, refused, tight, cramped)
        return self.known[key]

    def names(self, cell: Ints, picks: Ints, safety: Safety, row: int) -> Ints:
        """Names of candidates, see archive.NAMES, from the picks (split, build, wire) and the safety's row."""
        split, build, wire = picks.T
        ground = self.ground
        chosen = [ground.whole.builds[k] for k in build]
        columns = [
            np.full(len(picks), ground.task.size),
            cell,
            np.full(len(picks), self.series),
            np.full(len(picks), ground.task.parallel),
            np.array([item.strip for item in chosen], dtype=np.int64),
            np.array([item.layers for item in chosen], dtype=np.int64),
            ground.whole.inputs.wire_rows[wire],
            np.full(len(picks), safety.bms[row]),
            np.full(len(picks), safety.fuse[row]),
            self.splits.crossing[split],
            np.full(len(picks), ground.task.stand),
        ]
        return np.column_stack([*columns, self.splits.split[split], self.splits.fill[split]]).astype(np.int64)


@dataclass(frozen=True, eq=False)
class Safety:
    """BMS and fuse that cells of one chemistry and voltage may have, those that no other pair beats.

    Parameters
    ----------
    choice : Options, n rows
    bms, fuse : ndarray of int, shape (n,)
        Catalog rows.
    raw, weak : int
        Pairs before any is left out, and those of them whose fuse cannot break the fault current.
    """

    choice: Options
    bms: Ints
    fuse: Ints
    raw: int
    weak: int


class Ground:
    """What all branches of a task share: fills, currents that are of use, wires and builds worth trying.

    Parameters
    ----------
    whole : Space
    task : Task
    mass_may_help : bool
        Whether a heavier pack may go further, so that no option is dropped for its mass.

    Raises
    ------
    BadInput
        Code too-many-ways, see ways.check_task; asking for a branch's splits may raise it, too.
    """

    def __init__(self, whole: Space, task: Task, *, mass_may_help: bool = False) -> None:
        self.whole, self.task, self.mass_may_help = whole, task, mass_may_help
        self.boards = whole.boards(task)
        self.members = np.flatnonzero(whole.size_of == task.size)
        self.fills = whole.fills(task)
        self.joinable = joinable(whole, task)
        self.builds = self.joinable if mass_may_help else _useful_builds(whole, task.size, self.joinable)
        kept = ways.most_kept(whole, len(self.builds), mass_may_help=mass_may_help)
        self.shares = ways.shares_of(whole, task, most_kept=kept)
        ways.check_task(whole, task, self.shares, mass_may_help=mass_may_help)
        self.useful = _useful_currents(whole, task, self.members)
        wire, ohm, mass, cost = parts.wire_options(whole.inputs, profile=whole.context.profile)
        self.wires = op.capped(wire, **self.useful), ohm, mass, cost
        self.wire_mm2 = whole.wires_mm2[whole.inputs.wire_rows]
        self.raw_parts = len(whole.builds) * len(whole.inputs.wire_rows)
        self._safety: dict[tuple[int, str, float, tuple[bool, ...]], Safety] = {}
        # No split with strip and wire is better than this in any column.
        self.bare = np.zeros(len(op.COLUMNS))
        for name, most in self.useful.items():
            self.bare[op.INDEX[name]] = -most

    def branches(self) -> Iterator[Branch]:
        """By rising S, those with room for their groups."""
        series = ways.series_of(self.whole, self.task)
        last = series[-1] if len(series) else 0
        counted = self.shares.ways(up_to=last)
        builds = [self.whole.builds[k] for k in self.joinable]
        kinds = {(build.way, build.most_stack, build.most_under): build for build in builds}
        laid_by = {kind: self.shares.laid(build, up_to=last) for kind, build in kinds.items()}
        by_build = [laid_by[build.way, build.most_stack, build.most_under] for build in builds]
        for groups in series:
            found = counted[groups] if groups < len(counted) else 0
            laid = sum(each[groups] for each in by_build if groups < len(each))
            yield Branch(self, groups, found, laid, found * len(builds))

    def able(self, series: int) -> tuple[Ints, Ints]:
        """Cells that the voltage allows with S in series, and those of them of which enough are in stock."""
        low, high = self.whole.window
        able = self.members[(low[self.members] <= series) & (series <= high[self.members])]
        number = series * self.task.parallel
        need = with_spares(number, spare_fraction=self.whole.brief.parts.spare_fraction)
        enough = self.whole.inputs.cells.stock[self.whole.context.cells.row[able]] >= need
        return able, able[enough]

    def groups(self, cells: Ints, series: int) -> Iterator[tuple[Ints, Safety]]:
        """Cells that share their BMS and fuses, with these."""
        table, rows = self.whole.inputs.cells, self.whole.context.cells.row
        found: dict[tuple[str, float, tuple[bool, ...]], list[int]] = {}
        for cell in cells:
            able = breaks(self.whole.inputs, self.whole.fault_a(int(cell), self.task.parallel))
            key = (str(table.chemistry[rows[cell]]), float(table.voltage_max_v[rows[cell]]), tuple(able.tolist()))
            found.setdefault(key, []).append(int(cell))
        for key, group in found.items():
            yield np.array(group, dtype=np.int64), self.safety(series, *key)

    def safety(self, series: int, chemistry: str, max_v: float, able: tuple[bool, ...]) -> Safety:
        """BMS and fuses for a chemistry and the full voltage of a cell, of the fuses that break its fault current."""
        key = (series, chemistry, max_v, able)
        if key not in self._safety:
            inputs = replace(self.whole.inputs, bms_rows=self.boards)
            full_v, profile = series * max_v, self.whole.context.profile
            bms, bms_rows = parts.bms_options(
                inputs, series=series, chemistry=chemistry, full_v=full_v, profile=profile
            )
            fuse, every = self.whole.fuses
            rated = inputs.fuses.voltage_dc_v[every] >= full_v - 1e-9
            raw = len(bms_rows) * int(rated.sum())
            strong = rated & np.array(able, dtype=bool)
            fuse_rows = every[strong]
            # A pick is a row of what was offered; only those that are left are combined.
            fuse = Options(fuse.values[strong], np.arange(len(fuse_rows), dtype=np.int64)[:, None])
            pairs = op.combine(op.capped(bms, **self.useful), op.capped(fuse, **self.useful))
            kept = pairs
            if len(pairs):
                guarded = self.whole.guard(self.task.size).classes()[np.searchsorted(every, fuse_rows)]
                kept = op.reduce(pairs, equal_mass=self.mass_may_help, also=guarded[pairs.picks[:, 1]])
            found = Safety(kept, bms_rows[kept.picks[:, 0]], fuse_rows[kept.picks[:, 1]], raw, raw - len(pairs))
            self._safety[key] = found
        return self._safety[key]


def _outstanding(choice: Options) -> Options:
    """The best by each number, of equal ones the best all round, and the best all round."""
    low, high = choice.values.min(axis=0), choice.values.max(axis=0)
    telling = np.isfinite(low) & (high > low)
    scaled = (choice.values[:, telling] - low[telling]) / (high - low)[telling]
    total = scaled.sum(axis=1)
    # The scaled columns begin at 0.
    best = [int(np.argmin(np.where(column > 0, np.inf, total))) for column in scaled.T]
    rows = np.unique([*best, int(np.argmin(total))])
    return Options(choice.values[rows], choice.picks[rows])


def joinable(whole: Space, task: Task) -> Ints:
    """Builds that some method at hand joins to the cells of a task."""
    return np.array([k for k, rule in enumerate(whole.joined_by(task.size)) if rule is not None], dtype=np.int64)


def _useful_builds(whole: Space, size: int, among: Ints) -> Ints:
    """Stocks that no other one made in the same way equals or beats in everything that multiplies the geometry."""
    rows = [np.zeros(0, dtype=np.int64)]
    bolted, topped = whole.bolted(size), whole.topped(size)
    kinds = {k: (whole.builds[k].way, whole.builds[k].stacked) for k in among.tolist()}
    for kind in sorted(set(kinds.values())):
        same = np.array([k for k in among.tolist() if kinds[k] == kind], dtype=np.int64)
        numbers = [
            (b.square_ohm, b.kg_per_mm2, b.cost_per_mm2, b.cut_cost_per_mm, -b.thickness_mm * b.density_a_mm2,
             -b.most_stack, -b.most_under, bolted[k], topped[k], b.second_kg_per_mm, b.second_cost_per_mm)
            for k, b in ((k, whole.builds[k]) for k in same)
        ]  # fmt: skip
        # A stock's worth behind each fuse: how much current in one layer the fuse lets it take.
        limit = np.array([whole.builds[k].thickness_mm * whole.builds[k].density_a_mm2 for k in same])
        guard, (peak, ride, *joints) = whole.guard(size), whole.overload(size)[:, same]
        worth = -limit / np.maximum(guard.need_a[:, same], 1e-12)
        joint = np.vstack([~guard.joints[:, same], *(-amps for amps in joints)])
        columns = [np.array(numbers), worth.T, (-limit * peak), (-limit * ride), joint.T]
        rows.append(same[nondominated(np.column_stack(columns))])
    return np.sort(np.concatenate(rows))


def _useful_currents(whole: Space, task: Task, cells: Ints) -> dict[str, float]:
    """Largest currents that the controller, the charger and the best of the cells could ever use."""
    asked, tables = whole.brief.electrical, [here.cells for _, here in whole.context.everywhere()]
    assert asked is not None
    charger = whole.context.chargers
    filling = float(charger.current_a.max()) if charger is not None else 0.0

    def most(name: str) -> float:
        return task.parallel * max(float(getattr(table, name)[cells].max()) for table in tables)

    return {
        "neg_peak_a": min(asked.battery_current_a, most("peak_a")),
        "neg_continuous_a": min(asked.battery_current_a, most("continuous_a")),
        "neg_charge_a": min(filling, most("charge_a")),
        "neg_ride_a": min(asked.battery_current_a, most("ride_a")),
        "neg_regen_a": min(asked.regen_current_a, most("regen_a")),
    }
