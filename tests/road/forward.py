"""Logs of a vehicle driven forward in time: a rider works throttle and brake, mechanics decide the speed.

Nothing of the program is used: forces are summed up and stepped in 0.05 s, the road's height is a spline through random
knots, and a meter looks at it all once a second. `drives.py` goes the other way, from a speed to its power.
"""

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

STEP_S = 0.05


@dataclass(frozen=True)
class Vehicle:
    """What moves; `regen` is the share of braking power that comes back (0: brakes alone)."""

    cda_m2: float = 0.62
    crr: float = 0.014
    efficiency: float = 0.8
    accessory_w: float = 8.0
    mass_kg: float = 124.0
    rotating: float = 1.05
    density: float = 1.19
    power_w: float = 1500.0
    regen: float = 0.0
    cells: int = 14


#: Invented: a loaded kick-scooter, a light bicycle with a motor, a cart, a standing scooter that regenerates.
VEHICLES = {
    "cargo": Vehicle(),
    "bicycle": Vehicle(0.45, 0.007, 0.78, 4.0, 102.0, 1.02, 1.2, 700.0, cells=10),
    "cart": Vehicle(1.3, 0.022, 0.75, 20.0, 320.0, 1.08, 1.21, 3500.0, cells=16),
    "standing": Vehicle(0.55, 0.018, 0.82, 6.0, 95.0, 1.04, 1.17, 1200.0, regen=0.5, cells=13),
}


@dataclass(frozen=True)
class Meters:
    """Noise of what is logged; 1 standard deviation."""

    position_m: float = 3.0
    height_m: float = 2.0
    drift_m: float = 2.0
    drift_s: float = 300.0
    walk_m: float = 0.0
    current: float = 0.01
    speed_m_s: float = 0.05


def road(rng, *, length_m=40_000.0, roughness_m=12.0):
    """Height over way: knots every 150 to 450 m, with 0 mean."""
    at = np.concatenate([[0.0], np.cumsum(rng.uniform(150.0, 450.0, int(length_m / 150.0)))])
    return CubicSpline(at, 100.0 + roughness_m * rng.normal(size=len(at)))


def drift(rng, count, *, sd, seconds):
    """A first-order Gauss-Markov series."""
    out, keep = np.empty(count), np.exp(-1.0 / seconds)
    out[0] = sd * rng.normal()
    for k in range(1, count):
        out[k] = keep * out[k - 1] + sd * np.sqrt(1.0 - keep**2) * rng.normal()
    return out


def wishes(rng, seconds, *, fast_m_s, coasts):
    """What the rider wants from when on: (time [s], "drive", "coast" or "stand", speed [m/s])."""
    now, mode, plan = 20.0, "stand", []
    while now < seconds - 25.0:
        draw = rng.random()
        if mode != "drive" or draw >= coasts + 0.3:
            mode, wait = "drive", rng.uniform(30.0, 110.0)
        elif draw < coasts:
            mode, wait = "coast", rng.uniform(10.0, 30.0)
        else:
            mode, wait = "stand", rng.uniform(15.0, 50.0)
        plan.append((now, mode, rng.uniform(0.35, 1.0) * fast_m_s))
        now += wait
    return [*plan, (seconds - 25.0, "stand", 0.0), (np.inf, "stand", 0.0)]


def ride(seed, vehicle, *, seconds=1800, fast_m_s=11.0, wind_m_s=0.0, coasts=0.25, hills_m=12.0):
    """Truth once a second: time, way, height, speed, battery power, terminal voltage."""
    rng = np.random.default_rng(seed)
    height = road(rng, roughness_m=hills_m)
    rise = np.arctan(height(np.arange(0.0, 1.2 * fast_m_s * seconds + 100.0), 1))
    sine, cosine = np.sin(rise).tolist(), np.cos(rise).tolist()
    plan, mass = wishes(rng, seconds, fast_m_s=fast_m_s, coasts=coasts), vehicle.mass_kg
    weight, half = mass * 9.80665, 0.5 * vehicle.density * vehicle.cda_m2
    v, s, charge, pedal, at, mode, wish, rows = 0.0, 0.0, 1.0, 0.0, 0, "stand", 0.0, []
    each = round(1.0 / STEP_S)
    for k in range(int(seconds / STEP_S)):
        if k * STEP_S >= plan[at][0]:
            _, mode, wish = plan[at]
            at += 1
        brakes = v > 0.0 and (mode == "stand" or v > 1.25 * fast_m_s or (mode == "drive" and v > wish + 3.0))
        # The throttle follows the wish with a lag, as hands and controllers do, in watts at the wheel; nobody drives
        # and brakes at once.
        aim = 0.5 * vehicle.power_w * (wish + 1.0 - v) if mode == "drive" and not brakes else 0.0
        pedal += (min(max(aim, 0.0), vehicle.power_w) - pedal) * STEP_S / 0.4
        if pedal < 3.0:
            pedal = 0.0
        brake = 1.1 * mass if brakes else 0.0
        air, place = v + wind_m_s, int(s)
        resist = half * air * abs(air) + weight * (vehicle.crr * cosine[place] + sine[place])
        drive = pedal / max(v, 1.0)
        watts = drive * v / vehicle.efficiency + vehicle.accessory_w - 0.6 * vehicle.regen * brake * v
        if k % each == 0:
            rows.append((k * STEP_S, s, v, watts, charge))
        # A vehicle at rest is held by its brake.
        new = max(v + (drive - resist - brake) / (vehicle.rotating * mass) * STEP_S, 0.0)
        if mode == "stand" and new < 0.05:
            new = 0.0
        s += 0.5 * (v + new) * STEP_S
        v = new
        charge -= watts * STEP_S / 3600.0 / (0.7 * vehicle.power_w)
    t, s, v, watts, charge = np.array(rows).T
    open_v = vehicle.cells * (3.3 + 0.8 * np.clip(charge, 0.0, 1.0))
    amps = (open_v - np.sqrt(np.maximum(open_v**2 - 0.32 * watts, 0.0))) / 0.16
    return {"time_s": t, "way_m": s, "height_m": height(s), "speed_m_s": v, "power_w": watts, "current_a": amps,
            "voltage_v": open_v - 0.08 * amps}  # fmt: skip


def degrees(way_m):
    """Metres east and north of a way that winds, and how many of them make a degree at 47° (series of WGS 84)."""
    bend = 0.5 * np.sin(way_m / 400.0)
    step = np.gradient(way_m)
    phi = np.radians(47.0)
    north_m = 111_132.954 - 559.822 * np.cos(2 * phi) + 1.175 * np.cos(4 * phi)
    east_m = 111_412.84 * np.cos(phi) - 93.5 * np.cos(3 * phi)
    return np.cumsum(step * np.cos(bend)), np.cumsum(step * np.sin(bend)), east_m, north_m


def logged(seed, vehicle, meters=None, *, current=True, speed=True, decimals=True, **other):
    """What the meters make of a ride: columns with units of a controller's log, rounded as such logs are."""
    meters, rng = meters or Meters(), np.random.default_rng(77_000 + seed)
    truth, found = ride(seed, vehicle, **other), {}
    n, v = len(truth["time_s"]), truth["speed_m_s"]
    walk = np.cumsum(rng.normal(0.0, meters.walk_m, n)) if meters.walk_m else 0.0
    wander = drift(rng, n, sd=meters.drift_m, seconds=meters.drift_s) if meters.drift_m else 0.0
    found["time_s"] = truth["time_s"]
    if speed:
        found["speed_kmh"] = 3.6 * np.where(v > 0.0, np.abs(v + rng.normal(0.0, meters.speed_m_s, n)), 0.0)
    else:
        east, north, east_m, north_m = degrees(truth["way_m"])
        found["latitude_deg"] = 47.0 + (north + rng.normal(0, meters.position_m, n)) / north_m
        found["longitude_deg"] = 8.0 + (east + rng.normal(0, meters.position_m, n)) / east_m
    found["altitude_m"] = truth["height_m"] + rng.normal(0.0, meters.height_m, n) + wander + walk
    if current:
        found["voltage_v"] = truth["voltage_v"]
        found["current_a"] = truth["current_a"] * (1.0 + rng.normal(0.0, meters.current, n))
    if decimals:
        places = {"speed_kmh": 1, "altitude_m": 1, "voltage_v": 2, "current_a": 2}
        found = {name: np.round(each, places.get(name, 9)) for name, each in found.items()}
    return found
