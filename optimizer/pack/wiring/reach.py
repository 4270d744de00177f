"""Ways of true thickness in a compartment, from taps to connectors, passages and other taps.

Between its tap and the outside of its case a wire is a bare end, a tab or a lug of its plate's potential, LUG_MM long
at most. From there on it keeps its radius from cases, parts and walls.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
import shapely

from optimizer.base.arrays import Floats
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.layout import Layout
from optimizer.pack.case.outline import CaseRules, module_outline, tray_outlines
from optimizer.pack.case.room import room_for
from optimizer.pack.case.volume import cases_of, seats_of
from optimizer.pack.ties import tied
from optimizer.pack.wiring.clear import PRESSED_MM, STEP_MM, Clear, Net, Upright

#: How far the outside of a case may be from a tap: what a tab, a bare end or a ring lug bridges [mm]
#: (common practice, no published source).
LUG_MM = 30.0

#: Between a wire and the face of its connectors, and how far off connectors or a mouth a place for it is sought [mm].
HAIR_MM, PORT_MM = 0.01, 20.0

#: Thicknesses of wires by which free room is told [mm], and how many places for a wire's end are tried.
WIDTHS_MM = [k / 10.0 for k in range(1, 101)]
TRIED = 6


class NoRoomError(Exception):
    """A wire has no clear way; the words say where."""


def run_mm(corners_mm: Floats) -> float:
    """Length of a way [mm]."""
    return float(np.linalg.norm(np.diff(corners_mm, axis=0), axis=1).sum())


def block(low: Sequence[float] | Floats, high: Sequence[float] | Floats) -> Upright:
    """A box between two corners."""
    return Upright(2, shapely.box(low[0], low[1], high[0], high[1]), float(low[2]), float(high[2]))


def cases_standing(room: Compartment, layout: Layout, group: Any, rules: CaseRules) -> Iterator[Upright]:
    """The outsides of a layout's cases, feet and all.

    Parameters
    ----------
    room : Compartment
        With the keep-outs of its cells.
    layout : Layout
    group : ndarray of int, shape (n,)
        Group of each cell, -1 for one left out.
    rules : CaseRules
    """
    free = room_for(room, axis=layout.axis, rules=rules)
    for one in cases_of(layout, group):
        seats, modular = seats_of(layout, one.index), layout.way == "modules"
        middle, reach = float(layout.centres_mm[one.index[0], layout.axis]), seats.length_mm / 2.0 + rules.end_mm
        low, high = middle - reach, middle + reach
        if modular:
            outer = module_outline(seats, rules)[0]
        else:
            outer = tray_outlines(seats, [len(one.index)], rules, free=free(low, high))[0][0]
            outer = outer.buffer(rules.foot_mm)
        yield Upright(layout.axis, outer, low, high)


def standing(
    room: Compartment, layout: Layout, group: Any, rules: CaseRules, *, cell_gap_mm: float
) -> list[Upright]:
    """What wires go round of a layout: its cases, see cases_standing, and their tie plates."""
    stacks = tied(layout, np.flatnonzero(np.asarray(group) >= 0), cell_gap_mm=cell_gap_mm)
    plates = [block(*plate) for stack in stacks for plate in stack.plates]
    return [*cases_standing(room, layout, group, rules), *plates]


class Reach:
    """Ways of true thickness in one compartment, found as they are asked for.

    Parameters
    ----------
    clear : Clear
    step_mm : float
        The most between lines of the grid [mm].
    """

    def __init__(self, clear: Clear, *, step_mm: float = STEP_MM) -> None:
        self.clear, self.step = clear, step_mm
        self._nets: dict[tuple[float, bytes], Net] = {}

    def net(self, radius: float, end: Floats, *, tap: bool = False) -> Net:
        """Ways to a port or a tap."""
        key = radius, np.round([*end, tap], 3).tobytes()
        if key not in self._nets:
            goals = self.over(end, radius) if tap else self.ports(end, radius)
            self._nets[key] = Net(self.clear, radius, goals, step_mm=self.step)
        return self._nets[key]

    def ports(self, at: Floats, radius: float) -> Floats:
        """Places from which a wire runs straight into connectors or a mouth, shape (n, 3) [mm]."""
        return self._first(self._port_trials(at, radius), radius)

    def over(self, tap: Floats, radius: float) -> Floats:
        """Places outside of its case at which a wire begins, shape (n, 3) [mm]: over its tap, and beside it."""
        return self._first(np.concatenate(self._tap_trials(tap, radius)), radius)

    def leg(self, start: Floats, end: Floats, radius: float, taps: tuple[bool, bool], where: str) -> Floats:
        """Corners of a clear way between two ends, each a tap or a port, shape (k, 3) [mm].

        Raises
        ------
        NoRoomError
            If there is none; its words say that of a place with the name `where`.
        """
        first = self.over(start, radius) if taps[0] else self.ports(start, radius)
        net = self.net(radius, end, tap=taps[1])
        for at, tap, there in ((start, taps[0], first), (end, taps[1], net.goals)):
            if not len(there):
                widest = self.widest_mm(at, tap=tap)
                what = "its tap" if tap else "its connectors or a passage"
                raise NoRoomError(f"{2 * radius:.1f} mm thick, {widest:.1f} mm are free beside {what} {where}")
        ways = [way for way in map(net.way, first) if way is not None]
        if not ways:
            raise NoRoomError(f"{2 * radius:.1f} mm thick, no way as wide as that {where}")
        return min(ways, key=run_mm)

    def on_lines(self, start: Floats, end: Floats, radius: float, *, tap: bool = False) -> Floats | None:
        """Corners of a clear way along the lines of the grid, from a tap to a port or to another tap, shape (k, 3).

        From over its case if there is a way, else from the nearest place beside it that has one.
        """
        net = self.net(radius, end, tap=tap)
        trials = (at for part in self._tap_trials(start, radius) for at in self._first(part, radius))
        way = next((way for way in map(net.on_lines, trials) if way is not None), None)
        if way is None:
            return None
        # First beside its case, then up or down: a slanted piece would run into the cell's end.
        off = np.abs(way[0] - start)
        beside = np.where(np.arange(3) == int(np.argmax(off)), way[0], start)
        return np.array([start, *([beside] if np.abs(way[0] - beside).max() > HAIR_MM else []), *way, end])

    def widest_mm(self, at: Floats, *, tap: bool) -> float:
        """Thickness of the thickest wire that has room to begin at a tap, or at connectors or a mouth [mm]."""

        def narrow(width: float) -> bool:
            return not len((self.over if tap else self.ports)(at, width / 2.0))

        # A thicker wire has room nowhere that a thinner one has none.
        return ([0.0, *WIDTHS_MM])[bisect_left(WIDTHS_MM, True, key=narrow)]

    def _port_trials(self, at: Floats, radius: float) -> Floats:
        offs = np.arange(0.0, PORT_MM, 0.5)
        trials = [at + sign * np.eye(3)[axis] * (radius + HAIR_MM + off)
                  for off in offs for axis in range(3) for sign in (-1.0, 1.0)]  # fmt: skip
        return np.array([at, *trials])

    def _tap_trials(self, tap: Floats, radius: float) -> tuple[Floats, Floats]:
        """Over each face of the case that the tap is in; and beside it, by the distance."""
        off = radius + HAIR_MM
        low, high = np.array(self.clear.room.extent_mm).T
        over, beside, fars = [], [np.zeros((0, 3))], np.arange(radius, LUG_MM, 0.5)
        for one in self.clear.uprights:
            if not one.low_mm <= tap[one.axis] <= one.high_mm or not one.shape.contains(shapely.Point(tap[one.across])):
                continue
            along = np.arange(3) == one.axis
            over += [np.where(along, height, tap) for height in (one.low_mm - off, one.high_mm + off)]
            flat = np.where(along, np.clip(tap, low + off, np.maximum(high - off, low + off)), tap)
            ways = np.concatenate([-np.eye(3)[one.across], np.eye(3)[one.across]])
            beside.append((flat + fars[:, None, None] * ways).reshape(-1, 3))
        near = [point for point in over if np.abs(point - tap).max() <= LUG_MM]
        return np.array(near).reshape(-1, 3), np.concatenate(beside)

    def _first(self, trials: Floats, radius: float) -> Floats:
        return trials[self.clear.mm(trials) >= radius - PRESSED_MM][:TRIED]
