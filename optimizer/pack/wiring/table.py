"""The harness of one design, wire by wire, with the way of each, and its connectors."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
import pandas as pd

from optimizer.base.arrays import Floats
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.geometry import to_vehicle
from optimizer.pack.wiring.harness import sensor_modules
from optimizer.pack.wiring.legs import LayoutWires, lead_points, module_starts, sensor_group, sensor_groups
from optimizer.pack.wiring.passages import Links, from_vehicle
from optimizer.pack.wiring.ways import CUT_MM, cut_length

COLUMNS = (
    "from",
    "to",
    "purpose",
    "length_mm",
    "wire",
    "area_mm2",
    "outer_mm",
    "resistance_mohm",
    "mass_g",
    "cost",
    "connector",
    "pins",
    "pin",
    "from_mm",
    "to_mm",
    "path_mm",
    "spare_mm",
    "spare_for",
    "slack_mm",
    "through",
    "way_mm",
)

# Name of a power wire's own connector; its number follows, from the pack's negative end on.
PLUG = "power connector"

#: Least radius in which a wire that is laid once may be bent, to its inner side, over its outer diameter (common
#: practice, no published source).
BEND = 4.0


@dataclass(frozen=True)
class WireKind:
    """One row of a wire catalog.

    Parameters
    ----------
    area_mm2, resistance_ohm_per_km, mass_g_per_m, price_per_m, outer_mm : float
        [mm²], [ohm/km], [g/m], [currency/m]; over its insulation [mm]
    """

    id: str
    area_mm2: float
    resistance_ohm_per_km: float
    mass_g_per_m: float
    price_per_m: float
    outer_mm: float


@dataclass(frozen=True, eq=False)
class Wired:
    """A compartment as its wires see it; points are in its own axes.

    Parameters
    ----------
    groups, per_module : int
        In use, and in a full case, 0 for a tray.
    joints : mapping of (str, int, int) to ndarray, shape (3,)
        Where a wire is joined, by pole, group and cell of the group (-1: a power wire), where that is not the very
        tap [mm].
    """

    room: Compartment
    own: LayoutWires
    groups: int
    per_module: int
    joints: Mapping[tuple[str, int, int], Floats] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Wire:
    """One wire: names of its ends, purpose, what it is plugged into, corners in the vehicle, length without slack."""

    start: str
    end: str
    purpose: str
    connector: str
    corners_mm: Floats
    length_mm: float
    through: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Module:
    """One case: compartment, number and groups there, as boundaries; groups of the pack before the compartment."""

    place: int
    number: int
    first: int
    last: int
    name: str
    before: int


@dataclass(frozen=True, eq=False)
class _Leg:
    """Corners in the vehicle, and what is counted [mm]."""

    corners_mm: Floats
    length_mm: float


def wires_of(
    wired: Sequence[Wired | None],
    *,
    links: Links,
    order: Sequence[int],
    bms: int,
    sensors: int = 2,
    share_balance_leads: bool = False,
    past_bms: bool = False,
    plugs: bool = False,
) -> list[Wire]:
    """Every wire of a pack: power from the negative end on, then balance leads along the chain, then sensors.

    Parameters
    ----------
    wired : sequence of Wired or None, length m
        Compartments; None without cells.
    order : sequence of int, length m
        Order in which the chain runs through the compartments, as `harness_block` chose it.
    bms : int
        Compartment of the BMS.
    sensors : int
        Temperature sensors in the pack.
    share_balance_leads : bool
        Whether modules of a compartment share the lead where they meet.
    past_bms : bool
        Whether the discharge goes past the BMS: the negative wire ends at the pack's connector, which lies beside it.
    plugs : bool
        Whether each power wire has a connector, see PLUG.

    Raises
    ------
    ValueError
        If the pack has no group.
    """
    chain = _modules(wired, order)
    if not chain:
        raise ValueError("the pack has no group")
    maker = _Maker(wired, links, bms)
    power = maker.power(chain, past_bms)
    if plugs:
        power = [replace(one, connector=f"{PLUG} {k}") for k, one in enumerate(power, start=1)]
    return [*power, *maker.balance(chain, share_balance_leads), *maker.sensors(chain, sensors)]


def harness_table(wires: Sequence[Wire], *, power: WireKind, lead: WireKind, slack_mm: float = 50.0) -> pd.DataFrame:
    """One row per wire of a pack; its sums equal the figures of `harness_block`.

    Parameters
    ----------
    power, lead : WireKind
        Wire of the pack current; wire of balance leads and sensors.
    slack_mm : float
        Added to every wire, rounded up to whole CUT_MM [mm].

    Returns
    -------
    DataFrame
        Columns COLUMNS: purpose is "power", "balance" or "sensor"; connector is the case whose connector takes a
        lead, or PLUG with its number; pins is 1 for a wire in a connector, 0 for one that is bolted or welded; pin is
        its place there from 1, balance leads from the negative end first, 0 where there is no connector. from_mm and
        to_mm are its ends, "x y z" in the vehicle's axes, way_mm its corners between "; ", path_mm the length of that
        way; through names passages, or says "straight". length_mm = path_mm + spare_mm + slack_mm, to 0.001 mm;
        spare_for says in words what the spare is for.
    """
    table = []
    taken: Counter[str] = Counter()
    slack = float(cut_length(slack_mm))
    for one in wires:
        taken[one.connector] += 1
        kind = power if one.purpose == "power" else lead
        length = one.length_mm + slack
        metres = length / 1000.0
        corners = np.round(one.corners_mm, 3) + 0.0
        run = math.ceil(float(np.linalg.norm(np.diff(corners, axis=0), axis=1).sum()) * 1000.0 - 1e-6) / 1000.0
        words = [" ".join(f"{v:.3f}".rstrip("0").rstrip(".") for v in corner) for corner in corners.tolist()]
        table.append(
            (
                one.start,
                one.end,
                one.purpose,
                length,
                kind.id,
                kind.area_mm2,
                kind.outer_mm,
                metres * kind.resistance_ohm_per_km,
                metres * kind.mass_g_per_m,
                metres * kind.price_per_m,
                one.connector,
                int(bool(one.connector)),
                taken[one.connector] if one.connector else 0,
                words[0],
                words[-1],
                run,
                round(one.length_mm - run, 3) + 0.0,
                _spare_words(one),
                slack,
                ", ".join(one.through),
                "; ".join(words),
            )
        )
    return pd.DataFrame(table, columns=list(COLUMNS))


def _spare_words(wire: Wire) -> str:
    """What is counted beyond the way of a wire, besides slack."""
    words = "sensors of its box cut alike" if wire.purpose == "sensor" else "joint beside its tap"
    return f"{words}{', from box to box along their axes' if wire.through else ''}, legs in whole {CUT_MM:g} mm"


def corners_of(text: str) -> Floats:
    """Corners of a way out of the column way_mm, shape (k, 3) [mm].

    >>> corners_of("0 0 0; 1 2.5 0").tolist()
    [[0.0, 0.0, 0.0], [1.0, 2.5, 0.0]]
    """
    return np.array([[float(value) for value in corner.split()] for corner in text.split("; ")])


def _modules(wired: Sequence[Wired | None], order: Sequence[int]) -> list[_Module]:
    """Cases with groups in them, along the chain."""
    chain: list[_Module] = []
    before = 0
    for place in order:
        one = wired[place]
        if one is None:
            continue
        starts = module_starts(one.groups, per_module=one.per_module)
        for number, (first, last) in enumerate(pairwise([*starts, one.groups])):
            name = f"{one.room.name} module {number + 1}" if len(starts) > 1 else one.room.name
            chain.append(_Module(place, number, first, last, name, before))
        before += one.groups
    return chain


class _Maker:
    """Makes wires out of legs."""

    def __init__(self, wired: Sequence[Wired | None], links: Links, bms: int) -> None:
        self.wired, self.links, self.bms = wired, links, bms

    def power(self, chain: Sequence[_Module], past_bms: bool) -> list[Wire]:
        first, last = chain[0], chain[-1]
        to = "pack connector, past the BMS" if past_bms else "BMS"
        out = [self._to_bms(self._power(first, "−"), first, f"{first.name} −", to, "power", "")]
        for one, two in pairwise(chain):
            ends = f"{one.name} +", f"{two.name} −"
            if one.place == two.place:
                out.append(_wire(*ends, "power", "", [self._inside(one, two)]))
            else:
                there = self._power(two, "−")
                back = _Leg(there.corners_mm[::-1], there.length_mm)
                legs = [self._power(one, "+"), self._link(one.place, two.place), back]
                out.append(_wire(*ends, "power", "", legs, self.links.through[one.place, two.place]))
        end = self._to_bms(self._power(last, "+"), last, f"{last.name} +", "pack connector at BMS", "power", "")
        return [*out, end]

    def balance(self, chain: Sequence[_Module], shared: bool) -> list[Wire]:
        out = []
        for module in chain:
            here = self._room(module)
            leads = lead_points(here.own.taps, here.groups, per_module=here.per_module, shared=shared)
            for group, pole, points in leads:
                if not module.first <= group < module.last:
                    continue
                # By the number through the pack, as on the drawings: a lead one group off destroys a BMS.
                name = f"{module.name} group {module.before + group + 1} {pole}"
                leg = self._leg(here, points, (pole, group), here.own.taps.tails_mm[pole == "−"])
                out.append(self._to_bms(leg, module, name, "BMS", "balance", module.name))
        return out

    def sensors(self, chain: Sequence[_Module], sensors: int) -> list[Wire]:
        out = []
        for number, index in enumerate(sensor_modules(len(chain), sensors=sensors)):
            module = chain[int(index)]
            here = self._room(module)
            group = sensor_group(module.first, module.last)
            seats = sensor_groups(here.groups, per_module=here.per_module)
            # Cut alike in a compartment, see LayoutWires.legs_mm.
            ends = np.array([here.own.taps.plus_mm[k][here.own.nearest(here.own.taps.plus_mm[k])] for k in seats])
            far = float(here.own.lead.lengths(ends, here.own.hub_mm).max())
            leg = self._leg(here, here.own.taps.plus_mm[group], ("", group), 0.0)
            leg = _Leg(leg.corners_mm, float(cut_length(far)))
            name = f"{module.name} sensor {number + 1}"
            out += [self._to_bms(leg, module, f"{name} wire {k}", "BMS", "sensor", module.name) for k in (1, 2)]
        return out

    def _room(self, module: _Module) -> Wired:
        here = self.wired[module.place]
        assert here is not None
        return here

    def _inside(self, one: _Module, two: _Module) -> _Leg:
        """From case to case."""
        here = self._room(one)
        way = here.own.power
        start, end = here.own.taps.exit_mm[one.last - 1], here.own.taps.entry_mm[two.first]
        run = float(way.lengths(start[None], end)[0]) + 2 * here.own.taps.tails_mm[2]
        joints = here.joints.get(("+", one.last - 1, -1)), here.joints.get(("−", two.first, -1))
        return _Leg(to_vehicle(here.room, _with_ends(way.path(start, end), *joints)), float(cut_length(run)))

    def _power(self, module: _Module, pole: str) -> _Leg:
        here = self._room(module)
        group = module.first if pole == "−" else module.last - 1
        points = (here.own.taps.entry_mm if pole == "−" else here.own.taps.exit_mm)[[group]]
        return self._leg(here, points, (pole, group), here.own.taps.tails_mm[2], power=True)

    def _leg(
        self, here: Wired, points: Floats, at: tuple[str, int], tail_mm: float, *, power: bool = False
    ) -> _Leg:
        """The shortest leg from one of some points to the hub."""
        pick = here.own.nearest(points)
        way = here.own.power if power else here.own.lead
        run = float(way.lengths(points[[pick]], here.own.hub_mm)[0])
        joint = here.joints.get((*at, -1 if power else pick))
        corners = _with_ends(way.path(points[pick], here.own.hub_mm), joint, None)
        return _Leg(to_vehicle(here.room, corners), float(cut_length(run + tail_mm)))

    def _link(self, one: int, two: int) -> _Leg:
        """From hub to hub; nothing between zones of one compartment, which share theirs."""
        corners = [np.zeros((0, 3))]
        for piece in self.links.pieces[one, two]:
            ends = piece.corners_mm
            here = self.wired[piece.room] if piece.room >= 0 else None
            if here is not None:
                start, end = (from_vehicle(here.room, point) for point in ends[[0, -1]])
                ends = to_vehicle(here.room, here.own.way.transit(start, end))
            corners.append(ends)
        return _Leg(np.concatenate(corners), float(self.links.length_mm[one, two]))

    def _to_bms(self, leg: _Leg, module: _Module, start: str, end: str, purpose: str, connector: str) -> Wire:
        if module.place == self.bms:
            return _wire(start, end, purpose, connector, [leg])
        legs = [leg, self._link(module.place, self.bms)]
        return _wire(start, end, purpose, connector, legs, self.links.through[module.place, self.bms])


def _with_ends(corners: Floats, first: Floats | None, last: Floats | None) -> Floats:
    """A way from joint to joint."""
    parts = [*([] if first is None else [first[None]]), corners, *([] if last is None else [last[None]])]
    return np.concatenate(parts)


def _wire(
    start: str, end: str, purpose: str, connector: str, legs: Sequence[_Leg], through: tuple[str, ...] = ()
) -> Wire:
    corners = np.concatenate([leg.corners_mm for leg in legs])
    far = np.linalg.norm(np.diff(corners, axis=0), axis=1) > 1e-3
    return Wire(
        start, end, purpose, connector, corners[[True, *far.tolist()]], sum(leg.length_mm for leg in legs), through
    )
