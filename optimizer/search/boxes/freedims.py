"""Every box that an open brief allows: one space per choice of its free dimensions, and what bounds them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import product
from pathlib import Path
from typing import Any, ClassVar

import numpy as np

from optimizer.base.arrays import Floats, Ints
from optimizer.base.figures import sided
from optimizer.base.problems import BadInput, Problem
from optimizer.brief import FreeDimension, OpenBrief, open_brief
from optimizer.fit.placement.survey import compartment_problems
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.geometry import clearance, compartments, room_margins
from optimizer.fit.region.layout import CellSize, Clearance
from optimizer.front.dominance import Dominators
from optimizer.front.pareto import signed
from optimizer.pack.bill import totals
from optimizer.score.context import Context
from optimizer.score.inputs import Inputs, load_inputs, read_inputs
from optimizer.score.score import WARM_NUMBERS, Block, margins
from optimizer.score.warmth import in_boxes_of
from optimizer.search.exact.archive import slackened
from optimizer.search.exact.ideal import best_figures, block_of
from optimizer.search.space import options as op
from optimizer.search.space import parts
from optimizer.search.space.contents import Amounts, Num, entries
from optimizer.search.space.filling import filling_names
from optimizer.search.space.setup import make_space
from optimizer.search.space.space import Offering, Space, Task

# Number of each free dimension's value, from 0: names a box.
Key = tuple[int, ...]

# Spaces kept in memory; others are made again, their geometry coming from the cache on disk.
KEPT_SPACES = 8

UNUSABLE = "a compartment can hold nothing"


# Best BMS and fuse by (cell, S), the same for all boxes.
Safety = dict[tuple[int, int], Floats]


@dataclass(frozen=True, eq=False)
class OneBox(Offering):
    """One box, which places no cell that packs found before already beat.

    Parameters
    ----------
    against : ndarray, shape (m, d), or None
        Objectives of packs found before; None places every cell.
    safety : dict
        Worked out once for all boxes.
    """

    against: Floats | None = None
    safety: Safety = field(default_factory=dict, repr=False)
    shared_chains: ClassVar[bool] = True

    @cached_property
    def _worth(self) -> dict[int, bool]:
        return {}

    def most_cells(self, space: Space, size: int, stand: int) -> list[int]:
        """As the layouts hold; nothing for a size that is not worth placing."""
        return space.held_cells(size, stand) if self.worth_placing(space, size) else [0 for _ in space.rooms]

    def worth_placing(self, space: Space, size: int) -> bool:
        """Whether the optimistic count of cells of a size could be of use beside the packs found before."""
        if self.against is None:
            return True
        if size not in self._worth:
            rules = clearance(space.brief, space.sizes[size])
            hoped = [optimistic_cells(room, space.sizes[size], rules) for room in space.rooms]
            parallel = range(space.brief.vary.parallel[0], space.brief.vary.parallel[1] + 1)
            self._worth[size] = any(
                hopeful(space, Task(size, p), held=hoped, against=self.against, safety=self.safety) for p in parallel
            )
        return self._worth[size]


@dataclass(frozen=True, eq=False)
class Boxes:
    """All boxes of an open brief.

    Parameters
    ----------
    inputs : Inputs
        Catalogs and ride, read once; they don't depend on the box.
    """

    brief: OpenBrief
    inputs: Inputs
    context: Context
    _spaces: dict[Key, Space] = field(default_factory=dict, repr=False)
    safety: Safety = field(default_factory=dict, repr=False)

    @property
    def free(self) -> tuple[FreeDimension, ...]:
        """The free dimensions."""
        return self.brief.free

    @property
    def count(self) -> int:
        """How many boxes there are."""
        return math.prod(item.points for item in self.free)

    def values_mm(self, key: Key) -> dict[str, float]:
        """Dimensions of a box by name [mm]."""
        return {item.name: item.value(k) for item, k in zip(self.free, key, strict=True)}

    def key_of(self, values_mm: Mapping[str, float]) -> Key:
        """The box nearest to dimensions by name [mm]."""
        return tuple(item.index(float(values_mm[item.name])) for item in self.free)

    def space(self, key: Key, *, against: Floats | None = None) -> Space:
        """The space of one box.

        Parameters
        ----------
        key : tuple of int
        against : ndarray, shape (m, d), optional
            Objectives of packs found before, see OneBox.

        Raises
        ------
        BadInput
            When the brief allows no such box.
        """
        if against is None and key in self._spaces:
            return self._spaces[key]
        fixed = replace(self.inputs, brief=self.brief.fixed(self.values_mm(key)))
        here = in_boxes_of(self.context, fixed.brief)
        space = Space(fixed, here, offer=OneBox(against, self.safety))
        if against is None:
            while len(self._spaces) >= KEPT_SPACES:
                self._spaces.pop(next(iter(self._spaces)))
            self._spaces[key] = space
        return space

    def shortfalls(self, key: Key) -> dict[str, float]:
        """By how much a box breaks the vehicle's outer limits.

        Returns
        -------
        dict of str to float
            By limit, 0 where it is kept [mm]; UNUSABLE is 1 where cells can stand in some compartment nowhere.
        """
        try:
            brief = self.brief.fixed(self.values_mm(key))
        except BadInput:
            return {UNUSABLE: 1.0}
        out = {name: max(-gap, 0.0) for name, gap in room_margins(brief, compartments(brief)).items()}
        out[UNUSABLE] = float(bool(compartment_problems(brief)))
        # What rounding makes of a limit that is just kept.
        return {name: gap if gap > 1e-6 else 0.0 for name, gap in out.items()}

    def reach(self) -> list[int]:
        """Number of the largest value of each dimension that the outer limits allow while the others are least."""
        out = []
        for k, item in enumerate(self.free):
            low, high = 0, item.points - 1
            while low < high:
                middle = (low + high + 1) // 2
                key = tuple(middle if j == k else 0 for j in range(len(self.free)))
                kept = not any(gap for name, gap in self.shortfalls(key).items() if name != UNUSABLE)
                low, high = (middle, high) if kept else (low, middle - 1)
            out.append(low if low else item.points - 1)
        return out

    def grid(self, levels: int, *, most: int, seed: int) -> list[Key]:
        """A coarse grid over all that the outer limits allow, ends included; thinned by lot when too large.

        Parameters
        ----------
        levels : int
            Values of each dimension.
        most : int
            Boxes at most; the smallest and the largest box always stay.
        """
        while levels > 2 and levels ** len(self.free) > most:
            levels -= 1
        axes = [
            sorted({round(x) for x in np.linspace(0, most_k, min(levels, most_k + 1))}) if levels > 1 else [most_k // 2]
            for most_k in self.reach()
        ]
        if math.prod(map(len, axes)) <= most:
            return list(product(*axes))
        rng = np.random.default_rng([seed, 1])
        ends = {tuple(axis[0] for axis in axes), tuple(axis[-1] for axis in axes)}
        drawn = ends if most > 1 else set()
        while len(drawn) < most:
            drawn.add(tuple(int(rng.choice(axis)) for axis in axes))
        return sorted(drawn)


def open_boxes(brief: OpenBrief) -> Boxes:
    """Read all that an open brief names.

    Parameters
    ----------
    brief : OpenBrief
        With free dimensions, or without: then there is one box.

    Raises
    ------
    BadInput
        With every problem that the largest, the middle and the smallest box share; "pin-without-box" when a
        pack is pinned whose box is not.
    """
    if brief.free and "pin" in brief.data:
        text = "needs one box, and this brief's are ranges: leave [pin] out, or write numbers"
        raise BadInput([Problem("pin-without-box", str(brief.path), "", "pin", "", text)])
    problems: list[Any] = []
    for share in (1.0, 0.5, 0.0):
        key = tuple(round(share * (item.points - 1)) for item in brief.free)
        values = {item.name: item.value(k) for item, k in zip(brief.free, key, strict=True)}
        try:
            inputs = read_inputs(brief.fixed(values))
        except BadInput as bad:
            problems.append(bad)
            continue
        return Boxes(brief, inputs, make_space(inputs).context)
    raise problems[0]


def read_any(path: Path) -> tuple[Inputs, tuple[FreeDimension, ...]]:
    """All that a brief names, with the dimensions that it leaves free; the inputs are then those of one box.

    Raises
    ------
    BadInput
        As `open_boxes`.
    """
    brief = open_brief(path)
    return (open_boxes(brief).inputs, brief.free) if brief.free else (load_inputs(path), ())


def boxes_of_row(brief: OpenBrief, row: Mapping[str, Any]) -> dict[str, float]:
    """Free dimensions out of a row of the front [mm].

    Parameters
    ----------
    row : mapping
        With a column dim_… for each free dimension.

    Raises
    ------
    BadInput
        For every dimension that the row has no column for: it belongs to another brief.
    """
    missing = [item for item in brief.free if item.column not in row]
    if missing:
        raise BadInput([brief.complaint(item) for item in missing])
    return {item.name: float(row[item.column]) for item in brief.free}


def space_of_row(brief: OpenBrief, row: Mapping[str, Any]) -> Space:
    """The space that a row of the front belongs to: the brief fixed at the row's dimensions.

    Raises
    ------
    BadInput
        As `boxes_of_row`, and with every problem of the catalogs.
    """
    return replace(make_space(read_inputs(brief.fixed(boxes_of_row(brief, row)))), offer=OneBox())


def optimistic_cells(room: Compartment, size: CellSize, rules: Clearance) -> int:
    """More cells than this no layout puts into a compartment.

    Layers along an axis times the most points at a distance p in the rectangle of centres,
    N ≤ 2/√3 · A/p² + C/(2p) + 1 with its area A and perimeter C; by volume for blocks.

    Parameters
    ----------
    room : Compartment
        Stands in by its bounding box, keep-outs left out.

    Notes
    -----
    Source: Oler, Acta Mathematica 105 (1961) 19.
    """
    sides = [high - low for low, high in room.extent_mm]
    if size.shape == "block":
        return math.floor(math.prod(sides) / (size.length_mm * size.width_mm * size.thickness_mm) + 1e-9)
    pitch = size.diameter_mm + rules.cell_gap_mm
    most = 0
    for axis in room.axes:
        across = [side for k, side in enumerate(sides) if k != axis]
        free = [side - size.diameter_mm - 2.0 * (rules.wall_mm + rules.case_mm) + 1e-6 for side in across]
        layers = math.floor((sides[axis] - 2.0 * rules.wall_mm) / (size.length_mm + 2.0 * rules.along_mm) + 1e-6)
        if min(free) < 0 or layers < 1:
            continue
        points = 2.0 / math.sqrt(3.0) * free[0] * free[1] / pitch**2 + (free[0] + free[1]) / pitch + 1.0
        most = max(most, layers * math.floor(points + 1e-6))
    return most


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
    block = _ideal(space, cell, series.astype(np.int64), task, safety)
    objectives = space.brief.objectives.use
    limits = {k: v for k, v in space.brief.constraints if v is not None}
    needed = set(objectives) | {sided(name)[0] for name in limits}
    figures = best_figures(block, context=space.context, figures=frozenset(needed))
    # Without any BMS or fuse that suits there is no pack.
    good = np.isfinite(block.parts_cost)
    for name, gap in margins(figures, constraints=limits).items():
        good &= gap >= -(1e-9 * abs(limits[name.removeprefix("margin_")]) + 1e-12)
    points = signed(figures, objectives=objectives)[good]
    return bool((~Dominators(against).beat(slackened(points))).any())


def _ideal(space: Space, cell: Ints, series: Ints, task: Task, known: Safety) -> Block:
    """Packs that none of a task is better than: cells, insulation, the box, the least case, BMS and fuse."""
    number = (series * task.parallel).astype(np.float64)
    case_mm3 = number * _least_case_mm3(space.sizes[task.size], clearance(space.brief))
    least: dict[str, Num] = dict.fromkeys(("case_fasteners", "case_bodies", "tie_mm3", "band_mm"), 0.0)
    least |= dict.fromkeys((name for one in space.brief.thermal.filler for name in filling_names(one.name)), 0.0)
    amounts = Amounts(
        cells=number, cases=0.0, leads=0.0, plugs=0.0, lead_mm=0.0, metric={**least, "case_mm3": case_mm3}
    )
    mass_kg, cost, _ = totals(entries(space, amounts))
    values = np.array([_best_safety(space, int(k), int(s), known) for k, s in zip(cell, series, strict=True)])
    values[:, op.INDEX["mass_kg"]] += mass_kg + space.box[0]
    values[:, op.INDEX["cost"]] += cost + space.box[1]
    for name in ("spread_ohm", *WARM_NUMBERS):
        values[:, op.INDEX[name]] = 1e-9 if "rise" in name else 0.0
    return block_of(space, cell, series, task.parallel, values)


def _best_safety(space: Space, cell: int, series: int, known: Safety) -> Floats:
    """Best of each column over the BMS and fuses that may be used; infinite cost if none exists."""
    if (cell, series) not in known:
        cells, row = space.inputs.cells, space.context.cells.row[cell]
        chemistry, full_v = str(cells.chemistry[row]), series * float(cells.voltage_max_v[row])
        profile = space.context.profile
        bms, _ = parts.bms_options(space.inputs, series=series, chemistry=chemistry, full_v=full_v, profile=profile)
        fuses, _ = parts.fuse_options(space.inputs, full_v=full_v, profile=profile)
        none = np.zeros(len(op.COLUMNS))
        none[op.INDEX["cost"]] = np.inf
        known[cell, series] = op.ideal([bms, fuses]) if len(bms) and len(fuses) else none
    return known[cell, series]


def _least_case_mm3(size: CellSize, rules: Clearance) -> float:
    """No case has less wall per cell than this [mm³]: two covers over the cell's own cross-section."""
    face = math.pi / 4.0 * size.diameter_mm**2 if size.shape == "cylinder" else 0.0
    return 2.0 * face * max(rules.end_mm - rules.stack_mm, 0.0)
