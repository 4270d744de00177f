"""How often a calibration holds the truth within two standard errors, and how its errors compare with its scatter.

`python -m tests.bench.bench_calibrate [SEEDS] [SETTING…]`: rides are driven forward in time (tests/road/forward.py),
logged with noise, cleaned, and fitted from a wrong first guess.
"""

import sys
import time
from concurrent.futures import ProcessPoolExecutor

import numpy as np

sys.path.insert(0, "tests/road")

from forward import VEHICLES, Meters, logged

from optimizer.road.calibrate import calibrate
from optimizer.road.energy import Road
from optimizer.road.log import RawLog
from optimizer.road.ride import clean

#: Name of a setting → vehicle, its meters, what else a log is made with, logs in one fit.
SETTINGS = {
    "cargo, 2 m and drift of 300 s": ("cargo", Meters(), {}, 1),
    "cargo, drift of 60 s": ("cargo", Meters(drift_s=60.0), {}, 1),
    "cargo, drift alone, 2 m over 120 s": ("cargo", Meters(height_m=0.1, drift_s=120.0), {}, 1),
    "cargo, barometer that walks": ("cargo", Meters(height_m=0.3, drift_m=0.0, walk_m=0.05), {}, 1),
    "cargo, drift of 5 m over 600 s": ("cargo", Meters(drift_m=5.0, drift_s=600.0), {}, 1),
    "cargo, speed within 0.3 m/s": ("cargo", Meters(speed_m_s=0.3), {}, 1),
    "cargo, speed from positions": ("cargo", Meters(), {"speed": False}, 1),
    "cargo, three logs of 15 min": ("cargo", Meters(), {"seconds": 900}, 3),
    "cargo, coast-downs alone": ("cargo", Meters(), {"current": False, "coasts": 1.0, "hills_m": 2.0}, 1),
    "cargo, no current, mixed": ("cargo", Meters(), {"current": False}, 1),
    "cargo, flat": ("cargo", Meters(), {"hills_m": 1.0}, 1),
    "bicycle": ("bicycle", Meters(), {"fast_m_s": 10.0}, 1),
    "cart": ("cart", Meters(), {"fast_m_s": 8.0}, 1),
    "standing, regeneration": ("standing", Meters(), {"fast_m_s": 12.0}, 1),
    "standing, an hour": ("standing", Meters(drift_s=120.0), {"fast_m_s": 12.0, "seconds": 3600}, 1),
}


def one(job):
    """Values and standard errors of one fit."""
    name, seed = job
    kind, meters, other, logs = SETTINGS[name]
    vehicle = VEHICLES[kind]
    rides = []
    for k in range(logs):
        found = logged(1000 * k + seed, vehicle, meters, **other)
        columns = {n: each for n, each in found.items() if n not in ("time_s", "speed_kmh")}
        if "speed_kmh" in found:
            columns["speed_m_s"] = found["speed_kmh"] / 3.6
        rides.append(clean(RawLog("log", found["time_s"], columns)))
    road = Road(1.25 * vehicle.cda_m2, 1.3 * vehicle.crr, vehicle.efficiency, 5.0, vehicle.mass_kg, 0.0,
                vehicle.rotating, vehicle.density)  # fmt: skip
    done = calibrate(rides, road=road)
    return [(done.values[p].value, done.values[p].se) for p in ("cda_m2", "crr")]


def main(seeds, names):
    """Print coverage and error over scatter of each setting."""
    for name in names:
        began = time.monotonic()
        with ProcessPoolExecutor(2) as pool:
            found = list(pool.map(one, [(name, seed) for seed in range(seeds)]))
        parts = []
        for k, (parameter, truth) in enumerate(
            (("cda_m2", VEHICLES[SETTINGS[name][0]].cda_m2), ("crr", VEHICLES[SETTINGS[name][0]].crr))
        ):
            told = np.array([each[k] for each in found if each[k][1] is not None], dtype=float).reshape(-1, 2)
            if len(told) < 3:
                parts.append(f"{parameter} told {len(told)}")
                continue
            value, error = told.T
            inside = int(np.sum(np.abs(value - truth) <= 2.0 * error))
            ratio = np.sqrt(np.mean(error**2)) / value.std(ddof=1)
            parts.append(
                f"{parameter} {inside:3d}/{len(told)} se/scatter {ratio:4.2f} "
                f"bias {100 * (value.mean() / truth - 1):+5.1f} % se {100 * error.mean() / truth:4.1f} %"
            )
        print(f"{name:38} {' | '.join(parts)} [{time.monotonic() - began:.0f} s]", flush=True)


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    picked = [n for n in SETTINGS if any(word in n for word in sys.argv[2:])] if len(sys.argv) > 2 else list(SETTINGS)
    main(count, picked)
