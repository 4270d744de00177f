"""The whole design space of a brief: which (cell, S, P) there are, in tasks that can be worked on apart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from optimizer.base.arrays import Floats, Ints
from optimizer.base.figures import ANY, split_name
from optimizer.brief import Brief, brief_in
from optimizer.fit.placement.bodies import Placed
from optimizer.fit.placement.place import most_groups, place
from optimizer.fit.placement.survey import fit_seed
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.geometry import clearance, compartments, sizes_of
from optimizer.fit.region.layout import CellSize, Layout
from optimizer.pack.bill import totals
from optimizer.pack.case.wanted import case_rules
from optimizer.pack.joining import BOLT, Rule, method_for
from optimizer.pack.thermal.packed import Weather
from optimizer.pack.wiring.lightest import Harnesses
from optimizer.pack.wiring.passages import Links, wires_mm2
from optimizer.score.context import Context
from optimizer.score.inputs import Inputs
from optimizer.score.outside import weathers_of
from optimizer.search.space.contents import entries_of_brief, roomy_wires_mm
from optimizer.search.space.filling import fillers_of
from optimizer.search.space.fills import Bodies, Fill, FillRules, Point, Weathers, fills
from optimizer.search.space.guard import Guard, guard, overloads
from optimizer.search.space.hubs import seats_matter
from optimizer.search.space.offering import Offering, Task
from optimizer.search.space.options import Options
from optimizer.search.space.parts import Build, builds, fuse_options, lay_rules, ways_of
from optimizer.search.space.rooms import Rooms
from optimizer.search.space.seats import Seats
from optimizer.search.space.stands import Stand

# By compartment, cell size and stand.
Place = tuple[int, int, int]
Layouts = Mapping[Place, list[Layout]]

# Column of a candidate's name with its stand.
STAND = 10

# Nominal effort for the chain of groups of one layout [s]; regular layouts take less.
CHAIN_SECONDS = 0.05

# Reasons for which a candidate is refused before it is scored, in the order in which they are tried.
VOLTAGE, ROOM, NO_PART, STOCK = "voltage window", "does not fit", "no BMS or fuse", "stock"
BREAKS, PROTECTS = "fuse cannot break the fault current", "fuse does not protect wire or plates"
JOINING, CONDUCTORS, BUNDLES = "cannot be joined", "conductors", "wires do not pass"
CRAMPED = "wires have no room"


@dataclass(frozen=True, eq=False)
class Space:
    """A brief's design space, ready to be searched."""

    inputs: Inputs
    context: Context
    _fills: dict[Task, list[list[Fill]]] = field(default_factory=dict, repr=False)
    offer: Offering = field(default_factory=Offering)

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
    def compartments(self) -> tuple[Compartment, ...]:
        """The brief's compartments."""
        return compartments(self.brief)

    @cached_property
    def _rooms(self) -> Rooms:
        return Rooms(self.brief, self.compartments, self.stands)

    @property
    def rooms(self) -> tuple[Compartment, ...]:
        """What groups are shared out over: the compartments, and further zones of those that some stand cuts."""
        return self._rooms.bare

    @cached_property
    def _seats(self) -> Seats:
        return Seats(self.brief, self.compartments, self.inputs.cells, self.inputs.bms)

    @property
    def stands(self) -> Sequence[Stand]:
        """Where parts may lie, see stands.py; one without any where the brief has no parts."""
        return self._seats.stands

    def rooms_of(self, stand: int) -> tuple[Compartment, ...]:
        """The rooms as cells see them: with the parts of a stand in them, and cut as it says."""
        return self._rooms.of(stand)

    def bodies(self, stand: int, room: int) -> Bodies:
        """What wires of a room go round: parts in its compartment, see Stand, and other zones of it."""
        return self._rooms.bodies(stand, room)

    def stands_of(self, size: int, parallel: int) -> list[int]:
        """Stands in use for a cell size and P."""
        return list(self._seats.classes(self.sizes[size], parallel))

    def boards(self, task: Task) -> Ints:
        """Catalog rows of the boards that may be chosen and lie as the task's stand has it."""
        rows = self.inputs.bms_rows
        return rows[np.isin(rows, self._seats.classes(self.sizes[task.size], task.parallel).get(task.stand, ()))]

    def ports(self, stand: int, room: int) -> tuple[Point, ...]:
        """Where wires leave a room: connectors of a board that has a place there, mouths of passages."""
        return self._rooms.ports(stand, room)

    def board(self, stand: int) -> int | None:
        """Room of the board, the first of its compartment; None where it takes no room."""
        return self._rooms.board(stand)

    @cached_property
    def wires_mm2(self) -> Floats:
        """Square of the outer diameter of each wire of the catalog [mm²]."""
        return wires_mm2(self.inputs.wires)

    def links(self, stand: int) -> Links:
        """Hubs of the rooms, and the ways between them."""
        return self._rooms.links(stand)

    def task_of(self, name: Sequence[int] | Ints) -> Task:
        """The task of a candidate by its name, see archive.NAMES: size, then P and stand."""
        return Task(int(name[0]), int(name[3]), int(name[STAND]))

    def placed(self, stand: int, board: int) -> tuple[Placed, ...]:
        """Parts of a stand with a board of the catalog in the board's place."""
        return self.stands[stand].with_board(self._seats.board_mm(board))

    @cached_property
    def box(self) -> tuple[float, float]:
        """Mass and cost of the walls that [box] bills, and of the brief's own parts [kg], [currency]."""
        mass_kg, cost, _ = totals(entries_of_brief(self))
        return float(mass_kg), float(cost)

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
        return sizes_of(self.brief, self.inputs.cells, self.inputs.cell_rows)

    @cached_property
    def builds(self) -> list[Build]:
        """Strips in their numbers of layers."""
        return builds(self.inputs)

    @cached_property
    def fuses(self) -> tuple[Options, Ints]:
        """Fuses of [vary] as options, whatever their voltage, and their catalog rows."""
        return fuse_options(self.inputs, full_v=0.0, profile=self.context.profile)

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
        """What plates of each build over one cell size may carry over their continuous limit [-], shape (4, b).

        For a peak out of rest, and as the highest current of a lap that goes on and on; then the same of joints
        between layers [A].
        """
        if size not in self._overloads:
            assert self.brief.electrical is not None
            self._overloads[size] = overloads(
                self.inputs, self.builds, size=self.sizes[size],
                seconds=self.brief.electrical.peak_seconds, profile=self.context.profile,
            )  # fmt: skip
        return self._overloads[size]

    def joined_by(self, size: int) -> tuple[Rule | None, ...]:
        """How each build is joined to cells of one size; None where no method at hand does."""
        block, brief = self.sizes[size].shape == "block", self.brief
        return tuple(
            method_for(self.inputs.strips, build.strip, block=block, rules=brief.joining) for build in self.builds
        )

    def bolted(self, size: int) -> npt.NDArray[np.bool_]:
        """Whether each build is bolted to cells of one size, shape (b,)."""
        return np.array([rule is not None and rule.method == BOLT for rule in self.joined_by(size)], dtype=bool)

    def topped(self, size: int) -> npt.NDArray[np.bool_]:
        """Whether each build is welded to cells of one size through tops, shape (b,)."""
        return np.array([rule is not None and rule.top for rule in self.joined_by(size)], dtype=bool)

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
    def harnesses(self) -> dict[tuple[object, ...], tuple[Ints, Harnesses]]:
        """Harnesses worked out so far, see splits.Shares."""
        return {}

    @cached_property
    def _layouts(self) -> dict[Place, list[Layout]]:
        return {}

    def layouts(self, room: int, size: int, stand: int = 0) -> list[Layout]:
        """Tray and block layouts of a cell size that enter the search, from the cache when known.

        Of all that the fit offers, the fullest of each placement and the fullest along each axis; of blocks all, since
        those with turned ones among them hold the most cells but often no whole stacks.
        """
        key = room, size, self._rooms.like(room, stand)
        if not self._rooms.is_open(stand, room):
            return []
        if key not in self._layouts:
            self._layouts[key] = self._find_layouts(*key)
        return self._layouts[key]

    def layouts_of(self, task: Task) -> Layouts:
        """Layouts of a task by place, to be taken over elsewhere."""
        return {
            (room, task.size, self._rooms.like(room, task.stand)): self.layouts(room, task.size, task.stand)
            for room in range(len(self.rooms)) if self._rooms.is_open(task.stand, room)
        }

    def _find_layouts(self, room: int, size: int, stand: int) -> list[Layout]:
        placements = self.brief.fit.placements
        if "tray" not in self.brief.fit.ways:
            # Then they only say how many cells there is room for, and rows say it at once.
            placements = ("square", "staggered")
        offered = place(
            self.rooms_of(stand)[room],
            self.sizes[size],
            clearance(self.brief, self.sizes[size]),
            placements=placements,
            seconds=self.brief.fit.seconds,
            seed=fit_seed(self.brief),
        )
        first: dict[object, Layout] = {}
        for layout in offered:
            for kind in (layout.name,) if layout.size.shape == "block" else (layout.placement, layout.axis):
                first.setdefault(kind, layout)
        return list({id(layout): layout for layout in first.values()}.values())

    def wanted(self, size: int) -> list[Place]:
        """Places whose layouts the search of a cell size asks for and which are not at hand."""
        low, high = self.brief.vary.parallel
        tasks = [Task(size, p, stand) for p in range(low, high + 1) for stand in self.stands_of(size, p)]
        asked = {task.stand for task in tasks if self.offer.worth(task)}
        places = {
            (room, size, self._rooms.like(room, stand))
            for room in range(len(self.rooms)) for stand in asked if self._rooms.is_open(stand, room)
        }  # fmt: skip
        return sorted(places - set(self._layouts))

    def take_layouts(self, found: Layouts) -> None:
        """Take over layouts that were found elsewhere for this space."""
        self._layouts.update({key: value for key, value in found.items() if key not in self._layouts})

    def fills(self, task: Task) -> list[list[Fill]]:
        """Fills of every compartment for a task, from the cache when known."""
        if task not in self._fills:
            self._fills[task] = [self.room_fills(k, task) for k in range(len(self.rooms))]
        return self._fills[task]

    def fill_rules(self, size: int) -> FillRules:
        """What fills of a cell size depend on besides compartment and P."""
        brief, cell = self.brief, self.sizes[size]
        # What can't be joined to these cells is of no use; where nothing can, `why` is told what stands against it.
        joined = [build for build, rule in zip(self.builds, self.joined_by(size), strict=True) if rule is not None]
        return FillRules(
            clearance=clearance(brief, cell), case=case_rules(brief, cell), ways=brief.fit.ways,
            groups_per_module=brief.fit.groups_per_module, made=ways_of(joined or self.builds), lay=lay_rules(brief),
            seconds=CHAIN_SECONDS, seed=fit_seed(brief), shared=self.offer.shared_chains,
            share_leads=brief.harness.share_balance_leads, seated=seats_matter(len(self.rooms), brief.parts.sensors),
            wires_mm=roomy_wires_mm(self.inputs), fillers=fillers_of(brief), always_filled=brief.thermal.always_filled,
            slack_mm=brief.harness.slack_mm if brief.harness.wires_have_room else 0.0,
        )  # fmt: skip

    @cached_property
    def _room_fills(self) -> dict[tuple[int, Task, int], list[Fill]]:
        return {}

    def room_fills(self, room: int, task: Task) -> list[Fill]:
        """Fills of one compartment for a task, as they are offered."""
        return self.offer.fills(self, room, task)

    def found_fills(self, room: int, task: Task) -> list[Fill]:
        """Fills of one compartment for a task, all that fit, from the cache when known."""
        if not self._rooms.is_open(task.stand, room):
            return []
        least = self._least_groups(room, task)
        task = replace(task, stand=self._rooms.like(room, task.stand, wired=True))
        if (room, task, least) not in self._room_fills:
            self._room_fills[room, task, least] = fills(
                self.rooms_of(task.stand)[room],
                size=self.sizes[task.size],
                parallel=task.parallel,
                trays=self.layouts(room, task.size, task.stand),
                rules=self.fill_rules(task.size),
                least=least,
                **self.around(task.stand, room),
            )
        return self._room_fills[room, task, least]

    def _least_groups(self, room: int, task: Task) -> int:
        """Groups that a room holds at least in every pack of a task; 1 for boxes, which share what they find."""
        low, high = self.window
        lows = low[(self.size_of == task.size) & (low <= high)]
        if self.offer.shared_chains or not len(lows):
            return 1
        size, rooms = self.sizes[task.size], self.rooms_of(task.stand)
        others = (*rooms[:room], *rooms[room + 1 :])
        most = most_groups(others, size, clearance(self.brief, size), parallel=task.parallel)
        return max(int(lows.min()) - most, 1)

    def around(self, stand: int, room: int) -> dict[str, Any]:
        """What fills of a compartment depend on around it, see `fills`."""
        x, y, z = self.links(stand).hubs_mm[room].tolist()
        return {
            "hub_mm": (x, y, z), "bodies_mm": self.bodies(stand, room), "ports_mm": self.ports(stand, room),
            "weathers": self._weathers_at(room),
        }  # fmt: skip

    def _weathers_at(self, room: int) -> Weathers:
        return tuple(each[room] for each in self._weathers)

    @cached_property
    def _weathers(self) -> list[list[tuple[Weather, Weather]]]:
        """Of each ride, around every compartment."""
        briefs = {"": self.brief} | {item.name: brief_in(self.brief, item) for item in self.brief.situation}
        return [weathers_of(briefs[name], here.trace, self.rooms) for name, here in self.context.everywhere()]

    def take_rooms(self, other: Space) -> None:
        """Take over layouts and fills of another space's compartments that are the same here.

        Parameters
        ----------
        other : Space
            Of the same cells, clearances and rules of fit. Where parts or zones take room, nothing is taken over.
        """
        if self.is_furnished or other.is_furnished:
            return
        same = {
            k for k, room in enumerate(self.rooms)
            if k < len(other.rooms) and room == other.rooms[k] and self._weathers_at(k) == other._weathers_at(k)
        }  # fmt: skip
        self._layouts.update({key: value for key, value in other._layouts.items() if key[0] in same})
        self._room_fills.update({key: value for key, value in other._room_fills.items() if key[0] in same})

    @property
    def is_furnished(self) -> bool:
        """Whether parts or zones take room: a row then says where they lie."""
        return any(stand.placed or stand.cuts for stand in self.stands)

    def most_cells(self, size: int, stand: int = 0) -> list[int]:
        """Most cells that each compartment offers to hold, a bound for what to try in parallel."""
        return self.offer.most_cells(self, size, stand)

    def held_cells(self, size: int, stand: int) -> list[int]:
        """Most cells that the layouts of each compartment hold."""
        return [
            max((layout.cells for layout in self.layouts(room, size, stand)), default=0)
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
            least = int(low[members].min())
            for parallel in range(self.brief.vary.parallel[0], self.brief.vary.parallel[1] + 1):
                for stand in self.stands_of(size, parallel):
                    task = Task(size, parallel, stand)
                    if not self.offer.worth(task):
                        continue
                    held = self._most_groups(size, parallel, stand)
                    if held >= least and len(self.boards(task)) and held > self._most_in_one_way(size, parallel, stand):
                        found.append(task)
        return found

    def _most_groups(self, size: int, parallel: int, stand: int) -> int:
        return sum(cells // parallel for cells in self.most_cells(size, stand))

    def _most_in_one_way(self, size: int, parallel: int, stand: int) -> int:
        """Groups that the compartments hold as a stand has them but for its cuts; -1 for one without."""
        here = self.stands[stand]
        if not here.cuts:
            return -1
        return self._most_groups(size, parallel, self.stands.index(replace(here, cuts=())))
