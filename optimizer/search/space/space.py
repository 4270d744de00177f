"""The whole design space of a brief: which (cell, S, P) there are, in tasks that can be worked on apart."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import ClassVar

import numpy as np
import numpy.typing as npt

from optimizer.base.figures import ANY, split_name
from optimizer.brief import Brief
from optimizer.fit.placement.place import place
from optimizer.fit.placement.survey import fit_seed
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.geometry import box_walls, clearance, compartments, distinct_sizes
from optimizer.fit.region.layout import CellSize, Layout
from optimizer.pack.case.wanted import case_rules
from optimizer.pack.wiring.harness import HarnessBlock
from optimizer.score.context import Context
from optimizer.score.inputs import Inputs
from optimizer.search.space.fills import Fill, FillRules, fills
from optimizer.search.space.guard import Guard, guard, overloads
from optimizer.search.space.parts import Build, builds, lay_rules, ways_of

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# By compartment and cell size.
Layouts = Mapping[tuple[int, int], list[Layout]]

# Nominal effort for the chain of groups of one layout [s]; regular layouts take less.
CHAIN_SECONDS = 0.05

# Reasons for which a candidate is refused before it is scored, in the order in which they are tried.
VOLTAGE, ROOM, NO_PART, STOCK = "voltage window", "does not fit", "no BMS or fuse", "stock"
BREAKS, PROTECTS = "fuse cannot break the fault current", "fuse does not protect wire or plates"
JOINING, CONDUCTORS = "cannot be joined", "conductors"


@dataclass(frozen=True)
class Task:
    """All packs of one cell size with P cells in parallel."""

    size: int
    parallel: int


@dataclass(frozen=True, eq=False)
class Space:
    """A brief's design space, ready to be searched."""

    inputs: Inputs
    context: Context
    _fills: dict[Task, list[list[Fill]]] = field(default_factory=dict, repr=False)
    # Whether boxes that hold the same layout share its chain, see FillRules.
    shared_chains: ClassVar[bool] = False

    @property
    def brief(self) -> Brief:
        """The brief."""
        return self.inputs.brief

    @property
    def mass_may_help(self) -> bool:
        """Whether a heavier pack may go further, on the brief's own ride or in a situation that it asks about."""
        asked = {split_name(name)[1] for name in self.brief.figures_asked()}
        return any(
            here.mass_may_help for name, here in self.context.everywhere() if not name or asked & {name, ANY}
        )

    @cached_property
    def rooms(self) -> tuple[Compartment, ...]:
        """The compartments."""
        return compartments(self.brief)

    @cached_property
    def box(self) -> tuple[float, float]:
        """Mass and cost of the walls that [box] bills, whichever compartments are in use [kg], [currency]."""
        mass = sum(box_walls(self.brief, self.rooms).values())
        return mass, mass * (self.brief.box.price_per_kg if self.brief.box is not None else 0.0)

    @cached_property
    def sizes(self) -> list[CellSize]:
        """Distinct cell sizes."""
        return self._sized[0]

    @cached_property
    def size_of(self) -> Ints:
        """Size of each chosen cell, shape (n_cells,)."""
        return self._sized[1]

    @cached_property
    def _sized(self) -> tuple[list[CellSize], Ints]:
        return distinct_sizes(self.inputs.cells, self.inputs.cell_rows, step_mm=self.brief.fit.size_step_mm)

    @cached_property
    def builds(self) -> list[Build]:
        """Strips in their numbers of layers."""
        return builds(self.inputs)

    @cached_property
    def _guards(self) -> dict[int, Guard]:
        return {}

    def guard(self, size: int) -> Guard:
        """What the fuses ask of wires and of plates over one cell size."""
        if size not in self._guards:
            self._guards[size] = guard(self.inputs, self.builds, size=self.sizes[size])
        return self._guards[size]

    @cached_property
    def _overloads(self) -> dict[int, Floats]:
        return {}

    def overload(self, size: int) -> Floats:
        """What plates of each build over one cell size may carry over their continuous limit, shape (2, b).

        For a peak out of rest, and as the highest current of a lap that goes on and on.
        """
        if size not in self._overloads:
            assert self.brief.electrical is not None
            self._overloads[size] = overloads(
                self.inputs, self.builds, size=self.sizes[size],
                seconds=self.brief.electrical.peak_seconds, profile=self.context.profile,
            )  # fmt: skip
        return self._overloads[size]

    def fault_a(self, cell: int, parallel: int) -> float:
        """Largest current of a short circuit right behind the fuse: full, warm from use, no wiring counted [A]."""
        return parallel * float(self.context.cells.fault_a[cell])

    @cached_property
    def window(self) -> tuple[Ints, Ints]:
        """Least and most cells in series by each cell's voltage and [vary]; least > most where none is."""
        asked, cells = self.brief.electrical, self.context.cells
        assert asked is not None
        # A hair of tolerance: 15 · 4.0 V counts as 60 V whatever binary fractions make of it.
        most = np.floor(asked.voltage_max_v / cells.voltage_max_v + 1e-9).astype(np.int64)
        least = np.ceil(asked.voltage_min_v / cells.voltage_min_v - 1e-9).astype(np.int64)
        low, high = self.brief.vary.series
        return np.maximum(least, low), np.minimum(most, high)

    @cached_property
    def harnesses(self) -> dict[tuple[int, ...], tuple[Ints, HarnessBlock]]:
        """Harnesses worked out so far, see splits.Shares."""
        return {}

    @cached_property
    def _layouts(self) -> dict[tuple[int, int], list[Layout]]:
        return {}

    def layouts(self, room: int, size: int) -> list[Layout]:
        """Tray and block layouts of a cell size that enter the search, from the cache when known.

        Of all that the fit offers, the fullest of each placement and the fullest along each axis.
        """
        if (room, size) not in self._layouts:
            self._layouts[room, size] = self._find_layouts(room, size)
        return self._layouts[room, size]

    def _find_layouts(self, room: int, size: int) -> list[Layout]:
        placements = self.brief.fit.placements
        if "tray" not in self.brief.fit.ways:
            # Then they only say how many cells there is room for, and rows say it at once.
            placements = ("square", "staggered")
        offered = place(
            self.rooms[room],
            self.sizes[size],
            clearance(self.brief),
            placements=placements,
            seconds=self.brief.fit.seconds,
            seed=fit_seed(self.brief),
        )
        first: dict[object, Layout] = {}
        for layout in offered:
            first.setdefault(layout.placement, layout)
            first.setdefault(layout.axis, layout)
        return list({id(layout): layout for layout in first.values()}.values())

    def laid_out(self, room: int, size: int) -> bool:
        """Whether the layouts of a cell size are at hand."""
        return (room, size) in self._layouts

    def take_layouts(self, found: Layouts) -> None:
        """Take over layouts that were found elsewhere for this space."""
        self._layouts.update({key: value for key, value in found.items() if key not in self._layouts})

    def fills(self, task: Task) -> list[list[Fill]]:
        """Fills of every compartment for a task, from the cache when known."""
        if task not in self._fills:
            self._fills[task] = self._find_fills(task)
        return self._fills[task]

    def _find_fills(self, task: Task) -> list[list[Fill]]:
        return [self.room_fills(k, task) for k in range(len(self.rooms))]

    @cached_property
    def _room_fills(self) -> dict[tuple[int, Task], list[Fill]]:
        return {}

    def room_fills(self, room: int, task: Task) -> list[Fill]:
        """Fills of one compartment for a task, from the cache when known."""
        if (room, task) not in self._room_fills:
            rules = FillRules(
                clearance=clearance(self.brief),
                case=case_rules(self.brief),
                ways=self.brief.fit.ways,
                groups_per_module=self.brief.fit.groups_per_module,
                made=ways_of(self.builds),
                lay=lay_rules(self.brief),
                seconds=CHAIN_SECONDS,
                seed=fit_seed(self.brief),
                shared=self.shared_chains,
            )
            self._room_fills[room, task] = fills(
                self.rooms[room],
                size=self.sizes[task.size],
                parallel=task.parallel,
                trays=self.layouts(room, task.size),
                rules=rules,
            )
        return self._room_fills[room, task]

    def take_rooms(self, other: Space) -> None:
        """Take over layouts and fills of another space's compartments that are the same here.

        Parameters
        ----------
        other : Space
            Of the same cells, clearances and rules of fit.
        """
        same = {k for k, room in enumerate(self.rooms) if k < len(other.rooms) and room == other.rooms[k]}
        self._layouts.update({key: value for key, value in other._layouts.items() if key[0] in same})
        self._room_fills.update({key: value for key, value in other._room_fills.items() if key[0] in same})

    def most_cells(self, size: int) -> list[int]:
        """Most cells that each compartment holds, a bound for what to try in parallel."""
        return [
            max((layout.cells for layout in self.layouts(room, size)), default=0)
            for room in range(len(self.rooms))
        ]

    def tasks(self) -> list[Task]:
        """Tasks with at least one (cell, S) that the voltage allows and the room could hold."""
        found = []
        low, high = self.window
        for size in range(len(self.sizes)):
            members = np.flatnonzero((self.size_of == size) & (low <= high))
            if not len(members):
                continue
            held = self.most_cells(size)
            least = int(low[members].min())
            for parallel in range(self.brief.vary.parallel[0], self.brief.vary.parallel[1] + 1):
                if sum(cells // parallel for cells in held) >= least:
                    found.append(Task(size, parallel))
        return found
