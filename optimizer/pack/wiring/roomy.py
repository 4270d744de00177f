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
from optimizer.pack.wiring.around import around
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
    spare_mm : float
        By how much a wire is longer than what is counted of it on its way through [mm].
    """

    def __init__(
        self, ways: Ways, reach: Reach, hub_mm: Floats, widths_mm: Sequence[float], *, spare_mm: float
    ) -> None:
        self.ways, self.reach, self.hub, self.widths, self.spare = ways, reach, hub_mm, widths_mm, spare_mm
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
        """Thickness of the thickest wire with a clear way from each port to the hub, 0 where none has one [mm].

        Such a way is no longer than the wire is cut: round the parts along the axes, see links_of, and what is spare.
        """
        counted = [around(port, self.hub, self.ways.parts, self.ways.room.extent_mm) for port in ports_mm]
        most = [0.0 if way is None else run_mm(way) + self.spare for way in counted]

        def narrow(wide: float) -> bool:
            net = self.reach.net(wide / 2.0, self.hub)
            for port, most_mm in zip(ports_mm, most, strict=True):
                ways = map(net.on_lines, self.reach.ports(port, wide / 2.0))
                if not any(way is not None and run_mm(np.array([port, *way, self.hub])) <= most_mm for way in ways):
                    return True
            return False

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
