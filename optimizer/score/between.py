"""Problems between a brief and its tables: too many compartments, a ride too fast, chargers that fit no pack."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from optimizer.base.figures import split_name
from optimizer.base.problems import Problem
from optimizer.brief import Brief
from optimizer.catalog import Cells, Chargers, TraceColumns
from optimizer.pack.charge import MATCH_V_PER_CELL
from optimizer.pack.wiring.harness import MOST_COMPARTMENTS, SENSORS_OF_MANY, TRIED_COMPARTMENTS
from optimizer.ride.load.headroom import Motor
from optimizer.ride.load.trace import KMH_PER_M_S

Rows = npt.NDArray[np.int64]


def room_count_problems(brief: Brief) -> list[Problem]:
    """More compartments, or more sensors in many of them, than the chain's order can be found for.

    `fit` has no such limit.

    Returns
    -------
    list of Problem
        Code too-many-compartments, too-many-sensors, or nothing.
    """
    zones, file = brief.fit.zones, str(brief.path)
    count = len(brief.compartment) * zones
    if count > MOST_COMPARTMENTS:
        expected = f"must be at most {MOST_COMPARTMENTS} for a search, whose time and memory double with each; "
        expected += "leave out the smallest, or join those that touch"
        expected += f"; [fit] zones = {zones} lets each count for {zones}" if zones > 1 else ""
        return [Problem("too-many-compartments", file, "", "compartment", str(count), expected)]
    if count > TRIED_COMPARTMENTS and brief.parts.sensors > SENSORS_OF_MANY:
        expected = f"must be at most {SENSORS_OF_MANY} with more than {TRIED_COMPARTMENTS} compartments or zones, of "
        expected += f"which the brief has {count}: so many orders of the chain are told apart by its ends alone"
        return [Problem("too-many-sensors", file, "", "parts.sensors", str(brief.parts.sensors), expected)]
    return []


def speed_problems(brief: Brief, ride: TraceColumns | None, *, place: str = "ride") -> list[Problem]:
    """A ride faster than the motor turns without load at the controller's highest voltage.

    Returns
    -------
    list of Problem
        Code ride-too-fast, at the first moment that is too fast; empty when the brief says nothing of the motor.
    """
    asked, vehicle, plan = brief.electrical, brief.vehicle, brief.ride
    if asked is None or vehicle is None or plan is None or vehicle.wheel_diameter_mm is None:
        return []
    if vehicle.motor_speed_constant_rpm_per_v is None:
        return []
    motor = Motor(vehicle.motor_speed_constant_rpm_per_v, 0.0, vehicle.wheel_diameter_mm)
    most = asked.voltage_max_v * motor.speed_per_volt_m_s * KMH_PER_M_S
    expected = f"asks for more than the {most:.1f} km/h that the motor turns at {asked.voltage_max_v:g} V without load"
    if ride is not None:
        fast = np.flatnonzero(ride.speed_kmh > most)
        if len(fast):
            moment = f"at {ride.time_s[fast[0]]:g} s"
            return [Problem("ride-too-fast", ride.file, moment, "speed_kmh", f"{ride.speed_kmh[fast[0]]:g}", expected)]
    elif plan.speed_kmh is not None and plan.speed_kmh > most:
        return [Problem("ride-too-fast", str(brief.path), "", f"{place}.speed_kmh", f"{plan.speed_kmh:g}", expected)]
    return []


def brief_weighs(brief: Brief, figures: frozenset[str]) -> bool:
    """Whether a brief has one of some figures as an objective or under a constraint."""
    return bool({split_name(name)[0] for name in brief.figures_asked()} & figures)


def charger_problems(brief: Brief, cells: Cells, rows: Rows, chargers: Chargers) -> list[Problem]:
    """A charger catalog of which nothing fits any pack that the voltage window allows.

    Returns
    -------
    list of Problem
        Code no-charger, or nothing.
    """
    if brief.electrical is None or not len(chargers):
        return []
    low, high = brief.vary.series
    full_v: list[float] = []
    for max_v, min_v in set(zip(cells.voltage_max_v[rows].tolist(), cells.voltage_min_v[rows].tolist(), strict=True)):
        most = int(np.floor(brief.electrical.voltage_max_v / max_v + 1e-9))
        least = max(int(np.ceil(brief.electrical.voltage_min_v / min_v - 1e-9)), 1)
        for series in range(max(least, low), min(most, high) + 1):
            if np.any(np.abs(chargers.voltage_v - series * max_v) <= MATCH_V_PER_CELL * series + 1e-9):
                return []
            full_v.append(series * max_v)
    if not full_v:
        return []
    found = ", ".join(f"{volts:g}" for volts in sorted(set(chargers.voltage_v.tolist())))
    expected = f"fits no pack: full ones of this brief have between {min(full_v):g} and {max(full_v):g} V"
    return [Problem("no-charger", chargers.file, "", "voltage_v", found, expected)]
