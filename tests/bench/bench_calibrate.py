"""How often a calibration holds the truth within two standard errors, and how its errors compare with its scatter.

`python -m tests.bench.bench_calibrate [SEEDS] [SETTING…]`: rides are driven forward in time (tests/road/forward.py, and
tests/road/spectral.py, on whose rides nothing was settled), logged with noise, cleaned, and fitted from a wrong first
guess.
"""

import sys
import time
from concurrent.futures import ProcessPoolExecutor

import numpy as np

sys.path.insert(0, "tests/road")

import spectral
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
#: Of spectral.py: name → vehicle, what its log is made with.
SPECTRAL = {
    "moped, 2 m and drift of 300 s": ("moped", {}),
    "moped, drift of 60 s": ("moped", {"memory_s": 60.0}),
    "moped, drift of 3 m over 900 s": ("moped", {"drift": 3.0, "memory_s": 900.0}),
    "moped, walk of 0.05 m": ("moped", {"drift": 0.0, "walk": 0.05}),
    "moped, walk of 0.15 m": ("moped", {"drift": 0.0, "walk": 0.15}),
    "moped, barometer that walks": ("moped", {"white": 0.3, "drift": 0.0, "walk": 0.03}),
    "moped, white noise alone": ("moped", {"drift": 0.0}),
    "moped, meter off by 1 % in each log": ("moped", {"gain": 0.01, "current": 0.0}),
    "moped, speed from positions": ("moped", {"positions": True}),
    "moped, speed within 0.2 m/s": ("moped", {"speed": 0.2}),
    "moped, gusts of 1 m/s": ("moped", {"gust": 1.0}),
    "light bike": ("bike", {}),
    "kick, regeneration": ("kick", {}),
    "trike, power in steps": ("trike", {"steps": True}),
    "moped, power as means of a second": ("moped", {"mean": True}),
    "moped, grades of 4 %": ("moped", {"grade": 0.04}),
    "moped, few stops": ("moped", {"stops": 3000.0, "coasts": 0.02}),
    "moped, an hour": ("moped", {"seconds": 3600}),
    "moped, rows every 5 s": ("moped", {"seconds": 3600, "every": 5}),
    "moped, 15 min": ("moped", {"seconds": 900}),
}


def made(name, seed):
    """Logs of one fit, what is known of the vehicle, and what is to be found."""
    if name in SPECTRAL:
        kind, other = SPECTRAL[name]
        time_s, columns, it = spectral.log(seed + 1000 * (1 + list(SPECTRAL).index(name)), kind, **other)
        known = (it["eff"], it["mass"], it["lam"], it["rho"])
        return [RawLog("log", time_s, columns)], known, (it["cda"], it["crr"])
    kind, meters, other, logs = SETTINGS[name]
    it, found = VEHICLES[kind], []
    for k in range(logs):
        log = logged(1000 * k + seed, it, meters, **other)
        columns = {n: each for n, each in log.items() if n not in ("time_s", "speed_kmh")}
        if "speed_kmh" in log:
            columns["speed_m_s"] = log["speed_kmh"] / 3.6
        found.append(RawLog("log", log["time_s"], columns))
    return found, (it.efficiency, it.mass_kg, it.rotating, it.density), (it.cda_m2, it.crr)


def one(job):
    """Values and standard errors of one fit."""
    name, seed = job
    logs, (efficiency, mass_kg, rotating, density), truth = made(name, seed)
    road = Road(1.25 * truth[0], 1.3 * truth[1], efficiency, 5.0, mass_kg, 0.0, rotating, density)
    done = calibrate([clean(log) for log in logs], road=road)
    return [(done.values[p].value, done.values[p].se, true) for p, true in zip(("cda_m2", "crr"), truth, strict=True)]


def main(seeds, names):
    """Print coverage and error over scatter of each setting."""
    for name in names:
        began = time.monotonic()
        with ProcessPoolExecutor(2) as pool:
            found = list(pool.map(one, [(name, seed) for seed in range(seeds)]))
        parts = []
        for k, parameter in enumerate(("cda_m2", "crr")):
            told = np.array([each[k][:2] for each in found if each[k][1] is not None], dtype=float).reshape(-1, 2)
            truth = found[0][k][2]
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
    every = [*SETTINGS, *SPECTRAL]
    picked = [name for name in every if any(word in name for word in sys.argv[2:])] if len(sys.argv) > 2 else every
    main(count, picked)
