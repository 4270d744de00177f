"""What is around the compartments of a brief: the ride's wind, the sun, and walls to the air."""

from __future__ import annotations

import numpy as np

from optimizer.base.constants import SUN_ABSORPTIVITY
from optimizer.brief import Brief
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.geometry import compartments
from optimizer.pack.thermal import convection, heat
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


def outside(brief: Brief, trace: Trace) -> tuple[float, float, float, float]:
    """From the cells' holders through the walls of all compartments to the air, the walls' heat, and the sun's.

    Gap and outside in series, over each box about a compartment: no case in it is larger.

    Returns
    -------
    walls_w_k, walls_j_k, sun_k, ride_sun_k : float
        See WarmthRules [W/K], [J/K], [K], [K].
    """
    assert brief.ride is not None
    air_c, thermal = brief.ride.temp_c, brief.thermal
    sun = {"sun_w_m2": thermal.sun_w_m2, "absorptivity": SUN_ABSORPTIVITY[thermal.colour], "air_c": air_c}
    conductance = capacity = still_k = ride_k = 0.0
    for room in compartments(brief):
        length, width, height = (high - low for low, high in room.extent_mm)
        box, still = (
            heat.Box(length, width, height, forced_w_m2_k=forced)
            for forced in (forced_w_m2_k(brief, trace, room), 0.0)
        )
        sides, top, _ = box.faces()
        area = float(sides + 2.0 * top)
        over = float(heat.box_conductance(box, rise_k=RISE_K, air_c=air_c))
        gap = area * float(convection.gap_coefficient(
            max(brief.clearance.wall_mm, 0.1), height_m=height * 1e-3, emissivity=heat.GAP_EMISSIVITY
        ))  # fmt: skip
        conductance += 1.0 / (1.0 / over + 1.0 / gap)
        capacity += area * float(np.asarray(box.wall_mm)) * 1e-3 * heat.BOX_KG_PER_M3 * heat.BOX_J_PER_KG_K
        still_k = max(still_k, heat.sun_rise_k(still, **sun))
        ride_k = max(ride_k, heat.sun_rise_k(box, **sun))
    return conductance, capacity, still_k, ride_k
