"""Which boards use which place of a stand, for each cell size and P; worked out once and kept on disk."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, replace
from functools import cached_property
from itertools import product
from operator import le
from typing import Any

import numpy as np
import numpy.typing as npt

from optimizer.base.cache import Arrays, cached
from optimizer.base.problems import BadInput
from optimizer.brief import Brief
from optimizer.catalog import Cells, matching
from optimizer.catalog.types import Bms
from optimizer.fit.placement.bodies import Placed, Point, with_parts
from optimizer.fit.placement.stacks import row_count
from optimizer.fit.placement.zones import Found, best_cut, cuts
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.geometry import clearance, sizes_of
from optimizer.fit.region.layout import CellSize
from optimizer.search.space.stands import BMS, Stand, stands

# Sizes of cells by which places of parts are looked for.
MOST_SIZES = 8

# Stand → catalog rows of the boards that lie in its place.
Classes = dict[int, tuple[int, ...]]


@dataclass(frozen=True, eq=False)
class Seats:
    """The stands of a brief and who uses them: of its whole catalogs, so that a part of the space has the same.

    Parameters
    ----------
    rooms : sequence of Compartment
        Without parts.
    fixed : sequence of Stand, optional
        Stands that are known, such as a design's own.
    """

    brief: Brief
    rooms: Sequence[Compartment]
    cells: Cells
    bms: Bms
    fixed: Sequence[Stand] = ()
    _chosen: dict[CellSize, list[int]] = field(default_factory=dict, repr=False)
    _known: dict[tuple[CellSize, int], Classes] = field(default_factory=dict, repr=False)
    _rows: dict[tuple[int, CellSize], tuple[int, ...]] = field(default_factory=dict, repr=False)
    _zones: dict[tuple[int, CellSize], list[tuple[int, Found]]] = field(default_factory=dict, repr=False)

    @cached_property
    def _places_board(self) -> bool:
        return any(part.kind == BMS for part in self.brief.part)

    @cached_property
    def _cells(self) -> npt.NDArray[np.int64]:
        """Rows of all cells that the brief allows."""
        return np.flatnonzero(matching(self.cells.id.tolist(), self.brief.vary.cells)).astype(np.int64)

    @cached_property
    def _boards(self) -> list[int]:
        """Rows of the boards that manage as many cells in series as the controller's window lets some cell have."""
        asked, cells = self.brief.electrical, self.cells
        low, high = 1.0, np.inf
        if asked is not None:
            low = asked.voltage_min_v / float(cells.voltage_min_v[self._cells].max())
            high = asked.voltage_max_v / float(cells.voltage_max_v[self._cells].min())
        able = (self.bms.series_max >= low - 1e-9) & (self.bms.series_min <= high + 1e-9)
        return np.flatnonzero(able).tolist()

    @cached_property
    def _sized(self) -> dict[CellSize, int]:
        """Sizes of all cells that the brief allows, with the most groups that the voltage lets them have."""
        rows = self._cells
        sizes, size_of = sizes_of(self.brief, self.cells, rows)
        most_v = self.brief.electrical.voltage_max_v if self.brief.electrical is not None else np.inf
        volts = [float(self.cells.voltage_max_v[rows[size_of == k]].min()) for k in range(len(sizes))]
        return {size: int(min(most_v / volt + 1e-9, 5000)) for size, volt in zip(sizes, volts, strict=True)}

    def board_mm(self, row: int) -> Point:
        """Length, width and height of a board."""
        return float(self.bms.length_mm[row]), float(self.bms.width_mm[row]), float(self.bms.height_mm[row])

    @property
    def stands(self) -> Sequence[Stand]:
        """All stands: first without cuts, see `_bare`, then those whose compartments are cut into zones."""
        return self.fixed or self._cut[0]

    @cached_property
    def _bare(self) -> Sequence[Stand]:
        """Every place that some cell size has best; one without parts where the brief has none."""
        if not any(not part.outside for part in self.brief.part):
            return (Stand(),)
        found: dict[Stand, None] = {}
        for k, size in enumerate(self._telling):
            try:
                found |= dict.fromkeys(self._stands_by(size))
            except BadInput:
                # Parts are placed one after the other: by another size the last may find no place.
                if k == 0:
                    raise
        return tuple(found)

    @cached_property
    def _telling(self) -> list[CellSize]:
        """Sizes by which places are found: the middle one first, then at most MOST_SIZES spread over all."""
        sizes = sorted(self._sized, key=lambda s: (s.shape, s.length_mm * max(s.diameter_mm, s.width_mm)))
        # Cylinders tell places apart sooner than blocks do.
        round_ones = [size for size in sizes if size.shape == "cylinder"] or sizes
        spread = np.unique(np.linspace(0, len(sizes) - 1, MOST_SIZES).round().astype(int))
        return list(dict.fromkeys([round_ones[len(round_ones) // 2], *(sizes[k] for k in spread)]))

    def _stands_by(self, size: CellSize) -> tuple[Stand, ...]:
        """A place for each board in each compartment, as cells of one size have it best; kept on disk once found."""
        boards = [self.board_mm(row) for row in self._boards]
        found: list[Stand] = []

        def compute() -> Arrays:
            found.extend(stands(self.brief, self.rooms, boards_mm=boards, size=size))
            return {"stands": np.array(json.dumps([asdict(stand) for stand in found]))}

        parts = {
            "rooms": [(room.shape_key, room.name, room.position_mm, room.rotation_deg) for room in self.rooms],
            "parts": [repr(part) for part in (*self.brief.part, *self.brief.passage)], "boards": boards, "size": size,
            "gaps": clearance(self.brief, size),
        }  # fmt: skip
        arrays = cached("stands", parts, compute)
        return tuple(found) or tuple(map(_stand, json.loads(str(arrays["stands"]))))

    def _best_places(self, size: CellSize) -> list[int]:
        """Of the places of each board in each compartment the one beside which most cells of a size lie in rows.

        Of equal ones that which was found by the middle size; the largest boards first.
        """
        if size not in self._chosen:
            best: dict[tuple[tuple[float, ...], str], tuple[int, int]] = {}
            for k, stand in enumerate(self._bare):
                what = tuple(sorted(stand.placed[0].extents_mm)) if stand.board else (), stand.room
                cells = sum(self._row_counts(k, size)) if len(self._bare) > 1 else 0
                if what not in best or cells > best[what][0]:
                    best[what] = cells, k
            # As the middle size has them in order.
            self._chosen[size] = [k for _, k in best.values()]
        return self._chosen[size]

    def classes(self, size: CellSize, parallel: int) -> Classes:
        """Stands in use for a cell size and P, each with the boards that lie in its place.

        In each compartment the largest board comes first, and all that find room there may lie in its place. A smaller
        one has a place besides where rows of cells there make another group of P in some compartment, of those that
        voltage and board let a pack have: its own, or that of another which gains as much. So places of their own
        only add packs. A stand is there a second time, its compartments cut into zones, where that makes another group.
        """
        if self.fixed:
            return {0: tuple(range(len(self.bms.id)))}
        bare, cut = self._uncut(size, parallel), self._cut[1]
        return bare | {cut[k, size, parallel]: rows for k, rows in bare.items() if (k, size, parallel) in cut}

    @cached_property
    def _cut(self) -> tuple[tuple[Stand, ...], dict[tuple[int, CellSize, int], int]]:
        """All stands, and the number of that with cuts for a bare one, a cell size and P."""
        found = {stand: k for k, stand in enumerate(self._bare)}
        number: dict[tuple[int, CellSize, int], int] = {}
        low, high = self.brief.vary.parallel
        for size, parallel in product(self._sized, range(low, high + 1) if self.brief.fit.zones > 1 else ()):
            for k in self._uncut(size, parallel):
                cut = self._with_zones(k, size, parallel)
                if cut is not None:
                    number[k, size, parallel] = found.setdefault(cut, len(found))
        return tuple(found), number

    def _with_zones(self, stand: int, size: CellSize, parallel: int) -> Stand | None:
        """A stand with every compartment cut that then holds another group; None where that is of no use."""
        most = self._sized[size]
        if sum(cells // parallel for cells in self._row_counts(stand, size)) >= most:
            return None
        here, rules, chosen = self._bare[stand], clearance(self.brief, size), []
        if (stand, size) not in self._zones:
            self._zones[stand, size] = [
                cuts(with_parts(room, here.placed, wall_mm=rules.wall_mm), size, rules, zones=self.brief.fit.zones)
                for room in self.rooms
            ]
        found = self._zones[stand, size]
        if sum(base // parallel for base, _ in found) >= most:
            return None
        for room, (base, several) in zip(self.rooms, found, strict=True):
            best = best_cut(base, several, parallel)
            chosen += [(room.name, best[0])] if best is not None else []
        return replace(here, cuts=tuple(chosen)) if chosen else None

    def _uncut(self, size: CellSize, parallel: int) -> Classes:
        """Classes of the bare stands."""
        if not self._places_board:
            return {self._best_places(size)[0]: tuple(range(len(self.bms.id)))}
        if (size, parallel) not in self._known:
            self._known[size, parallel] = self._classes(size, parallel)
        return self._known[size, parallel]

    def _classes(self, size: CellSize, parallel: int) -> Classes:
        hosts: dict[int, list[int]] = {}
        by_size: dict[Point, list[int]] = {}
        for row in self._boards:
            by_size.setdefault(self.board_mm(row), []).append(row)
        for k in self._best_places(size):
            stand = self._bare[k]
            for dims, rows in ((dims, rows) for dims, rows in by_size.items() if _same(stand, dims)):
                most = min(self._sized.get(size, 5000), int(self.bms.series_max[rows].max()))

                def groups(place: int, most: int = most) -> list[int]:
                    return [min(cells // parallel, most) for cells in self._row_counts(place, size)]

                roomy = [h for h in hosts if self._bare[h].room == stand.room and self._bare[h].holds(dims)]
                as_good = [h for h in roomy if all(map(le, groups(k), groups(h)))]
                for host in {*roomy[:1], *(as_good[:1] or [k])}:
                    hosts.setdefault(host, []).extend(rows)
        return {host: tuple(rows) for host, rows in hosts.items()}

    def _row_counts(self, stand: int, size: CellSize) -> tuple[int, ...]:
        """Cells in rows in each compartment beside the parts of a stand."""
        if (stand, size) not in self._rows:
            rules = clearance(self.brief, size)
            counts = []
            for room in self.rooms:
                here = with_parts(room, self._bare[stand].placed, wall_mm=rules.wall_mm)
                parts = {"room": here.shape_key, "size": size, "gaps": rules}

                def compute(here: Compartment = here) -> Arrays:
                    return {"count": np.array(row_count(here, size, rules))}

                counts.append(int(cached("rows", parts, compute)["count"]))
            self._rows[stand, size] = tuple(counts)
        return self._rows[stand, size]


def _same(stand: Stand, dims: Point) -> bool:
    return sorted(stand.placed[0].extents_mm) == sorted(dims)


def _stand(data: dict[str, Any]) -> Stand:
    """A stand out of what `asdict` made of it."""
    def placed(each: dict[str, Any]) -> Placed:
        corner, extents = tuple(each["corner_mm"]), tuple(each["extents_mm"])
        return Placed(**(each | {"corner_mm": corner, "extents_mm": extents}))

    return Stand(tuple(map(placed, data["placed"])), bool(data["board"]))
