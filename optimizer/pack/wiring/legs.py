"""Wires of one compartment up to its hub: their lengths for any first g groups.

All wires of a compartment are gathered at its hub: the connectors of a board that lies there, else the mouth of its
first passage, else the middle of its nearest wall. Each leg is as long as its way, rounded up to whole CUT_MM, so that
lengths of wires are sums of legs, whichever compartments they pass and in whichever order.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from optimizer.base.arrays import Flags, Floats, Ints
from optimizer.fit.chain.adjacency import lateral_axes
from optimizer.fit.chain.groups import Chain
from optimizer.fit.chain.terminals import terminals_mm
from optimizer.fit.region.layout import Layout
from optimizer.pack.wiring.ways import cut_length

# Lengths of ways from points, shape (n, 3), to a target, shape (3,): shape (n,) [mm].
Measure = Callable[[Floats, Floats], Floats]


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


def legs_of(
    taps: Taps, way: Measure, hub_mm: Floats, *, per_module: int, shared: bool,
    roomy: tuple[Measure, Measure, Flags] | None = None,
) -> Floats:  # fmt: skip
    """Lengths of a chain's legs for its first 1 … G groups, shape (G, 3) [mm]: of power wires, of balance leads, and
    of one sensor's wire.

    Power wires are one at the negative end, one at the positive end of the last group, and those from case to case.
    Wires of sensors are cut alike in a compartment, long enough for the case that is farthest from the hub.

    Parameters
    ----------
    taps : Taps
        Of G groups.
    way : callable
        Lengths of ways from points, shape (n, 3), to a target, shape (3,).
    hub_mm : ndarray, shape (3,)
        [mm]
    per_module : int
        Groups in a full case, 0 for a tray.
    shared : bool
        Whether cases share the lead where they meet.
    roomy : (callable, callable, ndarray of bool with shape (G,)), optional
        Ways of power wires and of leads at their thickness, and for which of the first 1 … G groups there are some; the
        tap of a lead is that of the shortest `way` still.
    """
    groups = len(taps.plus_mm)
    starts = module_starts(groups, per_module=per_module)
    thick, thin, has = roomy or (way, way, np.zeros(groups, dtype=bool))
    runs = way(taps.exit_mm, hub_mm)
    runs[has] = thick(taps.exit_mm[has], hub_mm)
    power = cut_length(runs + taps.tails_mm[2])
    power = power + cut_length(thick(taps.entry_mm[[0]], hub_mm) + taps.tails_mm[2])[0]
    for group in starts[1:]:
        run = thick(taps.exit_mm[[group - 1]], taps.entry_mm[group])[0]
        power[group:] += cut_length(run + 2 * taps.tails_mm[2])
    lead, seat = np.zeros(groups), np.zeros(groups)
    leads = lead_points(taps, groups, per_module=per_module, shared=shared)
    # All in one call: what lies on the way to the hub is looked at once.
    runs = way(np.concatenate([points for *_, points in leads]), hub_mm).reshape(len(leads), -1)
    if roomy:
        ends = np.array([points[pick] for (*_, points), pick in zip(leads, runs.argmin(axis=1), strict=True)])
        runs = thin(ends, hub_mm)[:, None]
    runs = runs.min(axis=1)
    for (group, pole, _), run in zip(leads, runs.tolist(), strict=True):
        lead[group] += cut_length(run + taps.tails_mm[pole == "−"])
        if pole == "+":
            seat[group] = cut_length(run)
    sensor = [seat[sensor_groups(g, per_module=per_module)].max() for g in range(1, groups + 1)]
    return np.column_stack([power, np.cumsum(lead), sensor])
