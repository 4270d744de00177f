"""Wires of one compartment up to its hub: their lengths for any first g groups.

All wires of a compartment are gathered at its hub: the connectors of a board that lies there, else the mouth of its
first passage, else the middle of its nearest wall. Each leg is as long as its way, rounded up to whole CUT_MM, so that
lengths of wires are sums of legs, whichever compartments they pass and in whichever order.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from optimizer.base.arrays import Floats, Ints
from optimizer.fit.chain.adjacency import lateral_axes
from optimizer.fit.chain.groups import Chain
from optimizer.fit.chain.terminals import terminals_mm
from optimizer.fit.region.layout import Layout
from optimizer.pack.wiring.roomy import RoomyWays
from optimizer.pack.wiring.ways import Ways, cut_length

#: No wire is as thick [mm].
ANY_WIRE_MM = 100.0


@dataclass(frozen=True, eq=False)
class Taps:
    """Where wires may be joined to a chain of G groups of P cells, in the compartment's axes.

    Parameters
    ----------
    plus_mm, minus_mm : ndarray, shape (G, P, 3)
        Middles of the cells' terminals [mm].
    entry_mm, exit_mm : ndarray, shape (G, 3)
        Where a power wire joins the plate at the negative and at the positive ends of each group [mm].
    tails_mm : (float, float, float)
        The most by which the joint of a balance lead at a positive and at a negative end, and of a power wire, lies
        off these points, whatever the stock [mm].
    """

    plus_mm: Floats
    minus_mm: Floats
    entry_mm: Floats
    exit_mm: Floats
    tails_mm: tuple[float, float, float]


def group_cells(chain: Chain) -> Ints:
    """Cells of each group, shape (G, P)."""
    used = np.flatnonzero((chain.group >= 0) & (chain.group < chain.groups))
    return used[np.argsort(chain.group[used], kind="stable")].reshape(chain.groups, chain.parallel)


def terminal_points(layout: Layout, chain: Chain, *, positive: bool) -> Floats:
    """Middles of the cells' positive or negative terminals by group, shape (G, P, 3) [mm]."""
    order = group_cells(chain).ravel()
    pole = chain.polarity[order]
    out = np.empty((len(order), 3))
    out[:, list(lateral_axes(layout.axis))] = terminals_mm(layout, order, pole, positive=positive)
    side = 1 if layout.size.same_end else pole * (1 if positive else -1)
    out[:, layout.axis] = layout.centres_mm[order, layout.axis] + side * layout.extents_mm[order, layout.axis] / 2
    return out.reshape(chain.groups, chain.parallel, 3)


def module_starts(groups: int, *, per_module: int) -> list[int]:
    """First group of each case, for so many groups in a compartment, 0 in a case for all in one.

    >>> module_starts(5, per_module=2)
    [0, 2, 4]
    """
    return list(range(0, groups, per_module or max(groups, 1)))


def lead_points(taps: Taps, groups: int, *, per_module: int, shared: bool) -> list[tuple[int, str, Floats]]:
    """Balance leads of the first groups, case by case: group, pole, and the terminals that each may be joined to.

    A case of n groups has n + 1; where cases meet, a shared lead stands for both.
    """
    starts = set(module_starts(groups, per_module=per_module))
    found = []
    for group in range(groups):
        if group in starts and (group == 0 or not shared):
            found.append((group, "−", taps.minus_mm[group]))
        found.append((group, "+", taps.plus_mm[group]))
    return found


def sensor_group(first: int, last: int) -> int:
    """Group in whose middle the sensor of a case with groups first … last − 1 sits."""
    return (first + last - 1) // 2


def sensor_groups(groups: int, *, per_module: int) -> list[int]:
    """Group in which a sensor of each case would sit, for so many groups in a compartment.

    >>> sensor_groups(5, per_module=2), sensor_groups(5, per_module=0)
    ([0, 2, 4], [2])
    """
    starts = [*module_starts(groups, per_module=per_module), groups]
    return [sensor_group(first, last) for first, last in pairwise(starts)]


@dataclass(frozen=True, eq=False)
class LayoutWires:
    """Where wires are joined to a layout's cells, and their ways from there up to the hub of the compartment.

    Parameters
    ----------
    way : Ways
        By these the tap of a lead is chosen; they are counted where no room is asked for.
    hub_mm : ndarray, shape (3,)
        [mm]
    ports_mm : sequence of ndarray
        Mouths of the compartment's passages, from which wires of others run to the hub [mm].
    thick, thin : RoomyWays, optional
        Ways of power wires and of leads where they must have room.
    """

    taps: Taps
    way: Ways
    hub_mm: Floats
    ports_mm: Sequence[Floats] = ()
    thick: RoomyWays | None = None
    thin: RoomyWays | None = None

    @property
    def power(self) -> Ways | RoomyWays:
        """Ways of power wires, as they are counted."""
        return self.thick or self.way

    @property
    def lead(self) -> Ways | RoomyWays:
        """Ways of balance leads and of sensors' wires."""
        return self.thin or self.way

    def nearest(self, points_mm: Floats) -> int:
        """Number of the point with the shortest way to the hub."""
        return int(np.argmin(self.way.lengths(points_mm, self.hub_mm)))

    def roomy_mm(self, *, per_module: int, shared: bool, least: int = 1) -> Floats:
        """Thickness of the thickest power wire with room where the first 1 … G groups are in use, shape (G,) [mm].

        0 where none has, or where a balance lead or a sensor's wire has none. A wire has room that has a clear way from
        its tap to the hub, from case to case, and from each other port to the hub, there no longer than it is cut.

        Parameters
        ----------
        per_module : int
            Groups in a full case, 0 for a tray.
        shared : bool
            Whether cases share the lead where they meet.
        least : int
            Fewer groups are not looked at.
        """
        groups, taps, hub = len(self.taps.plus_mm), self.taps, self.hub_mm
        found = np.zeros(groups)
        if self.thick is None or self.thin is None:
            return found + ANY_WIRE_MM
        leads = lead_points(taps, groups, per_module=per_module, shared=shared)
        without = (group for group, _, ends in leads if not self.thin.thick_mm(ends[self.nearest(ends)], hub))
        led = next(without, groups) if self.thin.passing_mm(self.ports_mm) else 0
        if led < least:
            return found
        free = self.thick.passing_mm(self.ports_mm)
        free = free and min(free, self.thick.thick_mm(taps.entry_mm[0], hub))
        starts = module_starts(groups, per_module=per_module)[1:]
        for group in range(led if free else 0):
            if group in starts:
                free = min(free, self.thick.thick_mm(taps.exit_mm[group - 1], taps.entry_mm[group]))
            if group >= least - 1:
                found[group] = min(free, self.thick.thick_mm(taps.exit_mm[group], hub))
        return found

    def legs_mm(self, *, per_module: int, shared: bool, thick_mm: Floats | None = None) -> Floats:
        """Lengths of legs for the first 1 … G groups, shape (G, 3) [mm]: of power wires, of balance leads, and of one
        sensor's wire.

        Power wires are one at the negative end, one at the positive end of the last group, and those from case to case.
        Wires of sensors are cut alike in a compartment, long enough for the case that is farthest from the hub.

        Parameters
        ----------
        per_module, shared
            As for roomy_mm.
        thick_mm : ndarray, shape (G,), optional
            From roomy_mm: where it is 0, legs are those of `way`, since no pack has them.
        """
        taps, way, hub, groups = self.taps, self.way.lengths, self.hub_mm, len(self.taps.plus_mm)
        has = np.ones(groups, dtype=bool) if thick_mm is None else thick_mm > 0
        thick, thin = (self.power.lengths, self.lead.lengths) if has.any() else (way, way)
        starts = module_starts(groups, per_module=per_module)
        runs = way(taps.exit_mm, hub)
        if self.thick is not None:
            runs[has] = thick(taps.exit_mm[has], hub)
        power = cut_length(runs + taps.tails_mm[2])
        power = power + cut_length(thick(taps.entry_mm[[0]], hub) + taps.tails_mm[2])[0]
        for group in starts[1:]:
            run = thick(taps.exit_mm[[group - 1]], taps.entry_mm[group])[0]
            power[group:] += cut_length(run + 2 * taps.tails_mm[2])
        lead, seat = np.zeros(groups), np.zeros(groups)
        leads = lead_points(taps, groups, per_module=per_module, shared=shared)
        # All in one call: what lies on the way to the hub is looked at once.
        runs = way(np.concatenate([points for *_, points in leads]), hub).reshape(len(leads), -1)
        if self.thin is not None:
            ends = np.array([points[pick] for (*_, points), pick in zip(leads, runs.argmin(axis=1), strict=True)])
            runs = thin(ends, hub)[:, None]
        for (group, pole, _), run in zip(leads, runs.min(axis=1).tolist(), strict=True):
            lead[group] += cut_length(run + taps.tails_mm[pole == "−"])
            if pole == "+":
                seat[group] = cut_length(run)
        sensor = [seat[sensor_groups(g, per_module=per_module)].max() for g in range(1, groups + 1)]
        return np.column_stack([power, np.cumsum(lead), sensor])
