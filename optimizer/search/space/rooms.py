"""What groups are shared out over: compartments, and zones of those that a stand cuts, as cells and wires see them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import chain

import numpy as np

from optimizer.brief import Brief
from optimizer.fit.placement.bodies import with_parts
from optimizer.fit.placement.zones import zone_bodies, zone_name, zone_room
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.geometry import clearance
from optimizer.pack.wiring.passages import Links, from_vehicle, links_of, passages_of
from optimizer.pack.wiring.plane import Box
from optimizer.search.space.fills import Bodies, Point
from optimizer.search.space.stands import Stand


@dataclass(frozen=True, eq=False)
class Rooms:
    """The rooms of a space: as many of each compartment as some stand has zones there, and at least one.

    Parameters
    ----------
    brief : Brief
    compartments : tuple of Compartment
        The brief's.
    stands : sequence of Stand
    """

    brief: Brief
    compartments: tuple[Compartment, ...]
    stands: Sequence[Stand]
    _furnished: dict[int, tuple[Compartment, ...]] = field(default_factory=dict, repr=False)
    _alike: dict[tuple[int, int, bool], int] = field(default_factory=dict, repr=False)
    _links: dict[int, Links] = field(default_factory=dict, repr=False)

    @cached_property
    def homes(self) -> tuple[int, ...]:
        """Compartment of each room."""
        most = [max(len(stand.cut(room.name)) or 1 for stand in self.stands) for room in self.compartments]
        return tuple(k for k, count in enumerate(most) for _ in range(count))

    @cached_property
    def bare(self) -> tuple[Compartment, ...]:
        """The rooms without parts and cuts, by their own names."""
        homes = [self.compartments[k] for k in self.homes]
        return tuple(replace(home, name=zone_name(home.name, self._zone(k))) for k, home in enumerate(homes))

    def _zone(self, room: int) -> int:
        """Number of a room among those of its compartment."""
        return room - self.homes.index(self.homes[room])

    def of(self, stand: int) -> tuple[Compartment, ...]:
        """The rooms as cells see them: with the parts of a stand in them, and cut as it says."""
        if stand not in self._furnished:
            rules, here = clearance(self.brief), self.stands[stand]
            found = []
            for k, room in enumerate(self.bare):
                home = self.compartments[self.homes[k]]
                inside, zones = with_parts(home, here.placed, wall_mm=rules.wall_mm), here.cut(home.name)
                if zones and self.is_open(stand, k):
                    inside = zone_room(inside, zones[self._zone(k)])
                found.append(replace(inside, name=room.name))
            self._furnished[stand] = tuple(found)
        return self._furnished[stand]

    def is_open(self, stand: int, room: int) -> bool:
        """Whether a stand has the zone that a room is for; cells go nowhere else."""
        return self._zone(room) < max(len(self.stands[stand].cut(self.compartments[self.homes[room]].name)), 1)

    def like(self, room: int, stand: int, *, wired: bool = False) -> int:
        """The first stand with as much room there: their layouts are the same; wired: their fills, too."""
        if (room, stand, wired) not in self._alike:
            shape, is_open = self.of(stand)[room].shape_key, self.is_open(stand, room)
            self._alike[room, stand, wired] = next(
                k for k in range(stand + 1) if k == stand or (
                    self.is_open(k, room) == is_open and self.of(k)[room].shape_key == shape
                    and (not wired or self._wiring(k, room) == self._wiring(stand, room))
                )
            )  # fmt: skip
        return self._alike[room, stand, wired]

    def _wiring(self, stand: int, room: int) -> object:
        return self.links(stand).hubs_mm[room].tolist(), self.bodies(stand, room)

    def bodies(self, stand: int, room: int) -> Bodies:
        """What wires of a room go round: parts in its compartment, see Stand, and other zones of it."""
        return self._bodies(stand, self.homes[room], self._zone(room))

    def _bodies(self, stand: int, home: int, own: int = -1) -> Bodies:
        here, room = self.stands[stand], self.compartments[home]
        blocks = (
            zone_bodies(room, zone, here.placed, clearance(self.brief))
            for k, zone in enumerate(here.cut(room.name)) if k != own
        )  # fmt: skip
        return (*here.bodies_mm(room.name), *chain.from_iterable(blocks))

    def ports(self, stand: int, room: int) -> tuple[Point, ...]:
        """Connectors of a board in the compartment of a room, and mouths of passages, in its axes [mm]."""
        links, home, board = self.links(stand), self.homes[room], self.board(stand)
        found = [links.hubs_mm[room]] if board is not None and self.homes[board] == home else []
        for passage in passages_of(self.brief, self.compartments):
            sides = zip(passage.rooms, passage.mouths_mm, strict=True)
            found += [from_vehicle(self.compartments[home], at) for k, at in sides if k == home]
        return tuple((float(x), float(y), float(z)) for x, y, z in found)

    def board(self, stand: int) -> int | None:
        """Room of the board, the first of its compartment; None where it takes no room."""
        here = self.stands[stand]
        return next(k for k, room in enumerate(self.bare) if room.name == here.room) if here.board else None

    def links(self, stand: int) -> Links:
        """Hubs of the rooms, and the ways between them; zones of one compartment share its hub."""
        if stand not in self._links:
            room, rooms = self.board(stand), self.compartments
            board = None
            if room is not None:
                x, y, z = self.stands[stand].placed[0].plug_mm.tolist()
                board = self.homes[room], (x, y, z)
            here, ways = self.stands[stand], passages_of(self.brief, rooms)
            parts = [_boxes(here.bodies_mm(each.name)) for each in rooms]
            cells = [_boxes(self._bodies(stand, k))[len(parts[k]) :] for k in range(len(rooms))]
            self._links[stand] = links_of(rooms, ways, board, parts, cells).shared_by(self.homes)
        return self._links[stand]


def _boxes(bodies: Bodies) -> list[Box]:
    return [(np.array(low), np.array(high)) for low, high in bodies]
