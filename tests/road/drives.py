"""Logs of a vehicle whose every parameter is known, with the noise that such logs have."""

import numpy as np
from rides import Truth, drift

from optimizer.road.log import RawLog

GRAVITY = 9.80665
TRUE = {"cda_m2": 0.62, "crr": 0.014, "drivetrain_efficiency": 0.8, "accessory_w": 8.0, "mass_kg": 124.0,
        "rotating_factor": 1.05, "density_kg_m3": 1.19, "regen": 0.5}  # fmt: skip


def drive(seed, *, seconds=1800, noise=1.0, memory_m=2.0, memory_s=300.0, wind=0.0, top_m_s=11.0, **other):
    """A log: height with 2 m of white noise and drift, current 1 %, speed 0.05 m/s; `noise` scales all of them."""
    p = TRUE | other
    truth, rng = Truth(seed, seconds=seconds, top_m_s=top_m_s), np.random.default_rng(1000 + seed)
    speed, n = truth.speed_m_s, seconds
    slope = np.gradient(truth.height_m) / np.maximum(np.gradient(truth.way_m), 0.2)
    air = 0.5 * p["density_kg_m3"] * p["cda_m2"] * (speed + wind) * np.abs(speed + wind)
    force = air + p["mass_kg"] * GRAVITY * (p["crr"] * np.cos(np.arcsin(slope)) + slope)
    # By the gradient of the energy, not of the speed: what is given adds up to what the vehicle has.
    wheel = force * speed + p["mass_kg"] * p["rotating_factor"] * np.gradient(0.5 * speed**2)
    battery = np.where(wheel > 0, wheel / p["drivetrain_efficiency"], p["regen"] * wheel) + p["accessory_w"]
    volts = 52.0 - 0.002 * battery
    return RawLog("log", truth.time_s, {
        "speed_m_s": np.where(speed > 0, np.abs(speed + noise * rng.normal(0, 0.05, n)), 0.0),
        "altitude_m": truth.height_m + noise * (rng.normal(0, 2.0, n) + drift(rng, n, sd=memory_m, seconds=memory_s)),
        "voltage_v": volts,
        "current_a": battery / volts * (1.0 + 0.01 * noise * rng.normal(size=n)),
    })  # fmt: skip
