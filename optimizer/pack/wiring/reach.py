"""Whether wires have room in a compartment: ways of true thickness from taps to connectors, passages and other taps.

Between its tap and the outside of its case a wire is a bare end, a tab or a lug of its plate's potential, LUG_MM long
at most. From there on it keeps its radius from cases, parts and walls. The search asks for ways on a coarse grid of
stated lines (ROUGH_MM), files and build sheet on a fine one.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import shapely

from optimizer.base.arrays import Flags, Floats
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.layout import Layout
from optimizer.pack.case.outline import CaseRules, module_outline, tray_outlines
from optimizer.pack.case.room import room_for
from optimizer.pack.case.volume import cases_of, seats_of
from optimizer.pack.wiring.clear import PRESSED_MM, STEP_MM, Clear, Net, Upright
from optimizer.pack.wiring.legs import Measure, Taps, lead_points, module_starts

#: How far the outside of a case may be from a tap: what a tab, a bare end or a ring lug bridges [mm]
#: (common practice, no published source).
LUG_MM = 30.0

#: Between a wire and the face of its connectors, and how far off connectors or a mouth a place for it is sought [mm].
HAIR_MM, PORT_MM = 0.01, 20.0

#: Thicknesses of wires by which free room is told [mm], and how many places for a wire's end are tried.
WIDTHS_MM = [k / 10.0 for k in range(1, 101)]
TRIED = 6

#: The most between lines of the grid on which the search looks for ways [mm].
ROUGH_MM = 20.0


class NoRoomError(Exception):
    """A wire has no clear way; the words say where."""


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
        return min(ways, key=lambda each: float(np.linalg.norm(np.diff(each, axis=0), axis=1).sum()))

    def joins(self, start: Floats, end: Floats, radius: float, *, tap: bool = False) -> bool:
        """Whether a clear way joins a tap to a port, or to another tap."""
        net = self.net(radius, end, tap=tap)
        if net.empty:
            return False
        return any(net.meets(at) for part in self._tap_trials(start, radius) for at in self._first(part, radius))

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


def roomy_mm(
    reach: Reach, taps: Taps, way: Measure, hub_mm: Floats, *, ports_mm: Sequence[Floats], wires_mm: Sequence[float],
    per_module: int, shared: bool, least: int = 1,
) -> Floats:  # fmt: skip
    """Thickness of the thickest power wire with room where a chain's first 1 … G groups are in use, shape (G,) [mm].

    0 where none has, or where a balance lead or a sensor's wire has none. A wire of each thickness is asked for a
    clear way from each tap to the hub, from case to case, and from each other port to the hub.

    Parameters
    ----------
    reach : Reach
        With the cases of all G groups: with fewer there is no less room.
    taps : Taps
    way : callable
        By whose lengths the tap of a lead is chosen, see legs_of.
    hub_mm : ndarray, shape (3,)
    ports_mm : sequence of ndarray
        Mouths of the compartment's passages, from which wires of others run to the hub [mm].
    wires_mm : sequence of float
        Outer diameters: that of leads, then those of the power wires that may be chosen, thinnest first [mm].
    per_module : int
        Groups in a full case, 0 for a tray.
    shared : bool
        Whether cases share the lead where they meet.
    least : int
        Fewer groups are not looked at.
    """
    groups, (lead, *power) = len(taps.plus_mm), wires_mm
    led = groups if _passing(reach, ports_mm, hub_mm, lead) else 0
    for group, _, ends in lead_points(taps, led, per_module=per_module, shared=shared):
        if not reach.joins(ends[int(np.argmin(way(ends, hub_mm)))], hub_mm, lead / 2.0):
            led = group
            break
    starts = module_starts(led, per_module=per_module)[1:]

    def roomy(wide: float, asked: Flags) -> Flags:
        """Which of the first 1 … G groups leave a power wire room, of those asked for."""
        r, good = wide / 2.0, asked.copy()
        if not (good.any() and _passing(reach, ports_mm, hub_mm, wide) and reach.joins(taps.entry_mm[0], hub_mm, r)):
            return np.zeros(groups, dtype=bool)
        for k in starts:
            if good[k:].any() and not reach.joins(taps.exit_mm[k - 1], taps.entry_mm[k], r, tap=True):
                good[k:] = False
        return np.array([bool(ok) and reach.joins(taps.exit_mm[g], hub_mm, r) for g, ok in enumerate(good)])

    number = np.arange(groups)
    return _thickest(power, roomy, (number < led) & (number >= least - 1))


def _thickest(widths: Sequence[float], roomy: Callable[[float, Flags], Flags], asked: Flags) -> Floats:
    """The thickest of rising widths with room for each that is asked for, 0 where none has, shape (n,).

    A thicker wire has room nowhere that a thinner one has none: the widths are halved until all between have it alike.
    """
    found = np.zeros(len(asked))
    if not len(widths) or not asked.any():
        return found
    middle = len(widths) // 2
    good = roomy(widths[middle], asked)
    found[good] = widths[middle]
    thicker = _thickest(widths[middle + 1 :], roomy, good)
    thinner = _thickest(widths[:middle], roomy, asked & ~good)
    return np.maximum(found, np.maximum(thicker, thinner))


def _passing(reach: Reach, ports: Sequence[Floats], hub: Floats, wide: float) -> bool:
    """Whether a wire of one thickness passes from every port to the hub."""
    net = reach.net(wide / 2.0, hub)
    return all(any(net.meets(at) for at in reach.ports(port, wide / 2.0)) for port in ports)


def clear_of(
    room: Compartment, standing: Sequence[Upright], boxes: Sequence[tuple[Floats, Floats]]
) -> Clear:
    """A compartment as wires see it: its keep-outs are for cells alone."""
    return Clear(replace(room, keep_outs=()), (*standing, *(block(*box) for box in boxes)))
