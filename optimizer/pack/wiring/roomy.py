"""Where each wire must have room: ways of true thickness round the cases of one layout, and what is as thick.

Ways run along the lines of a coarse grid (ROUGH_MM), at right angles. A power wire's is that of the thickest wire of
those at hand that has one, so that the way is clear for every thinner one and its length does not hang on the choice.
What the search counts is what harness.csv tells and pack.glb shows.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Sequence

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.pack.wiring.legs import Taps, lead_points, module_starts
from optimizer.pack.wiring.reach import Reach, run_mm
from optimizer.pack.wiring.ways import Ways

#: The most between lines of the grid on which the search looks for ways [mm].
ROUGH_MM = 20.0


class RoomyWays:
    """Ways of wires of given thicknesses in one compartment; where none has room, those of `Ways` stand in.

    Parameters
    ----------
    ways : Ways
    reach : Reach
        With the cases of all groups: with fewer there is no less room.
    hub_mm : ndarray, shape (3,)
        What ways lead to; any other target is a tap [mm].
    widths_mm : sequence of float
        Outer diameters of the wires at hand, thinnest first [mm].
    """

    def __init__(self, ways: Ways, reach: Reach, hub_mm: Floats, widths_mm: Sequence[float]) -> None:
        self.ways, self.reach, self.hub, self.widths = ways, reach, hub_mm, widths_mm
        self._known: dict[bytes, tuple[float, Floats | None]] = {}

    def thick_mm(self, point_mm: Floats, target_mm: Floats) -> float:
        """Thickness of the thickest wire with a clear way from a tap to a target, 0 where none has one [mm]."""
        return self._thickest(point_mm, target_mm)[0]

    def lengths(self, points_mm: Floats, target_mm: Floats) -> Floats:
        """Length of the way from each tap to a target, shape (n,) [mm]."""
        return np.array([run_mm(self.path(point, target_mm)) for point in points_mm])

    def path(self, point_mm: Floats, target_mm: Floats) -> Floats:
        """Corners of the way from a tap to a target, both ends too, shape (k, 3) [mm]."""
        found = self._thickest(point_mm, target_mm)[1]
        return self.ways.path(point_mm, target_mm) if found is None else found

    def passing_mm(self, ports_mm: Sequence[Floats]) -> float:
        """Thickness of the thickest wire with a clear way from each port to the hub, 0 where none has one [mm]."""

        def narrow(wide: float) -> bool:
            net = self.reach.net(wide / 2.0, self.hub)
            return not all(any(map(net.meets, self.reach.ports(port, wide / 2.0))) for port in ports_mm)

        return self._widest(narrow)

    def _thickest(self, point: Floats, target: Floats) -> tuple[float, Floats | None]:
        key = np.concatenate([point, target]).tobytes()
        if key not in self._known:
            tap = not np.array_equal(target, self.hub)
            ways: dict[float, Floats] = {}

            def narrow(wide: float) -> bool:
                way = self.reach.on_lines(point, target, wide / 2.0, tap=tap)
                if way is not None:
                    ways[wide] = way
                return way is None

            wide = self._widest(narrow)
            self._known[key] = wide, ways.get(wide)
        return self._known[key]

    def _widest(self, narrow: Callable[[float], bool]) -> float:
        # A thicker wire has room nowhere that a thinner one has none.
        return ([0.0, *self.widths])[bisect_left(self.widths, True, key=narrow)]


def roomy_mm(
    power: RoomyWays, lead: RoomyWays, taps: Taps, ports_mm: Sequence[Floats], *, per_module: int, shared: bool,
    least: int = 1,
) -> Floats:  # fmt: skip
    """Thickness of the thickest power wire with room where a chain's first 1 … G groups are in use, shape (G,) [mm].

    0 where none has, or where a balance lead or a sensor's wire has none. A wire has room that has a clear way from
    its tap to the hub, from case to case, and from each other port to the hub.

    Parameters
    ----------
    power, lead : RoomyWays
        Of the power wires that may be chosen, and of leads.
    taps : Taps
    ports_mm : sequence of ndarray
        Mouths of the compartment's passages, from which wires of others run to the hub [mm].
    per_module : int
        Groups in a full case, 0 for a tray.
    shared : bool
        Whether cases share the lead where they meet.
    least : int
        Fewer groups are not looked at.
    """
    groups, hub = len(taps.plus_mm), power.hub
    found = np.zeros(groups)
    leads = lead_points(taps, groups, per_module=per_module, shared=shared)
    without = (group for group, _, ends in leads if not lead.thick_mm(_nearest(lead.ways, ends, hub), hub))
    led = next(without, groups) if lead.passing_mm(ports_mm) else 0
    if led < least:
        return found
    free = power.passing_mm(ports_mm)
    free = free and min(free, power.thick_mm(taps.entry_mm[0], hub))
    starts = module_starts(groups, per_module=per_module)[1:]
    for group in range(led if free else 0):
        if group in starts:
            free = min(free, power.thick_mm(taps.exit_mm[group - 1], taps.entry_mm[group]))
        if group >= least - 1:
            found[group] = min(free, power.thick_mm(taps.exit_mm[group], hub))
    return found


def _nearest(ways: Ways, ends: Floats, hub: Floats) -> Floats:
    """The terminal to which a lead is joined, see legs_of."""
    return np.asarray(ends[int(np.argmin(ways.lengths(ends, hub)))])
