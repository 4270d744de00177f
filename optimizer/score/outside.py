"""What is around the compartments of a brief: the ride's wind, the sun, and walls to the air."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from optimizer.base.constants import SUN_ABSORPTIVITY
from optimizer.brief import Brief, brief_in
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.geometry import compartments
from optimizer.pack.thermal import convection, heat
from optimizer.pack.thermal.packed import AIR_C, Weather
from optimizer.ride.load.trace import Trace

# Rise at which the walls' conductance is taken: as high as that of hottest cells (thermal/packed.py), where free
# convection carries off more than at the rises of most rides [K].
RISE_K = 20.0


def forced_w_m2_k(brief: Brief, trace: Trace, room: Compartment) -> float:
    """Convection by as much of a ride's wind as reaches the boxes, its mean over time, at one of them [W/(m² K)].

    The wind is the vehicle's own speed; headwind is not counted, since it may turn.
    """
    part = brief.thermal.wind_part
    if part == 0.0:
        return 0.0
    length_m = max(high - low for low, high in room.extent_mm) * 1e-3
    each = convection.wind_coefficient(part * trace.step_speed_m_s, length_m=length_m)
    return float(np.average(each, weights=trace.step_s))


def weathers_of(
    brief: Brief, trace: Trace, rooms: Sequence[Compartment], *, air_c: float = AIR_C
) -> list[tuple[Weather, Weather]]:
    """Around each compartment of a ride: where it stands still, and in the ride's wind."""
    out = []
    forced = [forced_w_m2_k(brief, trace, room) for room in rooms]
    for winds in ([0.0] * len(rooms), forced):
        rises = [_sun_k(brief, room, forced=wind, air_c=air_c) for room, wind in zip(rooms, winds, strict=True)]
        taken = [_sun_w_m2(brief, room) for room in rooms]
        out.append([Weather(wind, sun, max(rises)) for wind, sun in zip(winds, taken, strict=True)])
    return list(zip(*out, strict=True))


def _box(room: Compartment, forced: float = 0.0) -> heat.Box:
    length, width, height = (high - low for low, high in room.extent_mm)
    return heat.Box(length, width, height, forced_w_m2_k=forced)


def _sun_w_m2(brief: Brief, room: Compartment) -> float:
    """What the walls around a compartment take up of the sun, over their area [W/m²]."""
    box = _box(room)
    sides, top, _ = box.faces()
    taken = {"sun_w_m2": brief.thermal.sun_w_m2, "absorptivity": SUN_ABSORPTIVITY[brief.thermal.colour]}
    return heat.sun_w(box, **taken) / float(sides + 2.0 * top)


def _sun_k(brief: Brief, room: Compartment, *, forced: float, air_c: float) -> float:
    """By how much the sun warms an empty compartment [K]."""
    sides = (high - low for low, high in room.extent_mm)
    thermal = brief.thermal
    return _rise_k(*sides, forced, thermal.sun_w_m2, SUN_ABSORPTIVITY[thermal.colour], air_c)


@lru_cache(maxsize=4096)
def _rise_k(
    length_mm: float, width_mm: float, height_mm: float, forced: float, sun_w_m2: float, absorptivity: float,
    air_c: float,
) -> float:  # fmt: skip
    box = heat.Box(length_mm, width_mm, height_mm, forced_w_m2_k=forced)
    return heat.sun_rise_k(box, sun_w_m2=sun_w_m2, absorptivity=absorptivity, air_c=air_c)


def outside(brief: Brief, trace: Trace) -> tuple[float, float, float, float]:
    """From the cells' holders through the walls of all compartments to the air, the walls' heat, and the sun's.

    Gap and outside in series, over each box about a compartment: no case in it is larger.

    Returns
    -------
    walls_w_k, walls_j_k, sun_k, ride_sun_k : float
        See WarmthRules [W/K], [J/K], [K], [K].
    """
    assert brief.ride is not None
    air_c, rooms = brief.ride.temp_c, compartments(brief)
    conductance = capacity = 0.0
    for room in rooms:
        box = _box(room, forced_w_m2_k(brief, trace, room))
        sides, top, _ = box.faces()
        area = float(sides + 2.0 * top)
        over = float(heat.box_conductance(box, rise_k=RISE_K, air_c=air_c))
        gap = area * float(convection.gap_coefficient(
            max(brief.clearance.wall_mm, 0.1), height_m=float(np.asarray(box.height_mm)) * 1e-3,
            emissivity=heat.GAP_EMISSIVITY,
        ))  # fmt: skip
        conductance += 1.0 / (1.0 / over + 1.0 / gap)
        capacity += area * float(np.asarray(box.wall_mm)) * 1e-3 * heat.BOX_KG_PER_M3 * heat.BOX_J_PER_KG_K
    still, ride = weathers_of(brief, trace, rooms, air_c=air_c)[0]
    return conductance, capacity, still.sun_k, ride.sun_k


def box_air_c(brief: Brief) -> float:
    """Air inside the closed box, which wires, BMS and fuse bear: the warmest of ride, powers and situations [°C].

    Each ride's with what the sun adds to the box that it warms most, in still air as before a red light; and box_rise_k
    on top of the warmest.
    """
    assert brief.ride is not None and brief.electrical is not None
    starts = [item.start_temp_c for item in brief.situation if item.start_temp_c is not None]
    warmest = max(brief.electrical.temp_c, *starts, *(_sunny_c(brief_in(brief, item)) for item in brief.situation),
                  _sunny_c(brief))  # fmt: skip
    return float(warmest + brief.protection.box_rise_k)


def _sunny_c(brief: Brief) -> float:
    """A ride's air with what the sun adds to the box that it warms most, in still air [°C]."""
    assert brief.ride is not None
    air_c = brief.ride.temp_c
    if brief.thermal.sun_w_m2 == 0.0:
        return air_c
    return air_c + max(_sun_k(brief, room, forced=0.0, air_c=air_c) for room in compartments(brief))
