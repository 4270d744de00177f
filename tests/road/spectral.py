"""Logs made a third way: hills of forty waves, red lights at random places, a rider who sets power, gusts; in 1/25 s.

For how often a calibration's errors hold, on rides and noise that nothing was settled on: `forward.py` has hills of a
spline and wishes at random times, `drives.py` goes from speed to power. All vehicles are invented.
"""

import numpy as np
from numba import njit
from scipy.signal import lfilter

VEHICLES = {
    "moped": {"cda": 0.70, "crr": 0.016, "eff": 0.83, "acc": 11.0, "mass": 165.0, "lam": 1.06, "rho": 1.16,
              "pmax": 2600.0, "regen": 0.0, "fast": 12.5},
    "trike": {"cda": 0.85, "crr": 0.012, "eff": 0.79, "acc": 7.0, "mass": 150.0, "lam": 1.04, "rho": 1.22,
              "pmax": 1400.0, "regen": 0.0, "fast": 9.5},
    "kick": {"cda": 0.58, "crr": 0.013, "eff": 0.81, "acc": 5.0, "mass": 110.0, "lam": 1.03, "rho": 1.2,
             "pmax": 1300.0, "regen": 0.45, "fast": 9.0},
    "bike": {"cda": 0.48, "crr": 0.008, "eff": 0.8, "acc": 3.0, "mass": 100.0, "lam": 1.02, "rho": 1.2,
             "pmax": 800.0, "regen": 0.0, "fast": 9.5},
}  # fmt: skip
SUB = 25


@njit(cache=True)
def _driven(n, sine, cosine, wind, wish, lights, waits, draws, coasts, steps, cda, crr, eff, acc, mass, lam, rho, pmax, regen):  # noqa: E501  # type: ignore[no-untyped-def]
    """Speed, way, power now, and its mean over the second that follows, at each second."""
    dt, v, s, hold, light, power, until, coasting, at = 1.0 / SUB, 0.0, 0.0, 12.0, 0, 0.0, 0.0, False, 0
    out = np.empty((4, n))
    for i in range(n):
        out[0, i], out[1, i], energy = v, s, 0.0
        for j in range(SUB):
            t, place = i + j * dt, min(int(s), len(sine) - 1)
            air = v + wind[min(int(t), n - 1)]
            resist = 0.5 * rho * cda * air * abs(air) + mass * 9.80665 * (crr * cosine[place] + sine[place])
            want, brake, aim = wish[min(int(s / 100.0), len(wish) - 1)], 0.0, 0.0
            if hold > 0.0:
                hold -= dt
                brake = 1.5 * mass if v > 0.05 else 0.0
                v = v if v > 0.05 else 0.0
            else:
                ahead = lights[light] - s
                if ahead < 0.5 * v * v + 1.0 and v > 0:
                    brake = mass * min(2.0, v * v / (2.0 * max(ahead, 0.5)))
                    if v < 0.4:
                        hold = waits[light]
                        light += 1
                elif t > until:
                    coasting = draws[at] < coasts
                    until = t + (6.0 + 24.0 * draws[at + 1] if coasting else 20.0 + 90.0 * draws[at + 1])
                    at += 2
                if brake == 0.0 and v > want + 2.5:
                    brake = 0.8 * mass
                elif brake == 0.0 and not coasting:
                    if steps:
                        aim = pmax * (0.25 + 0.6 * draws[int(t / 40.0) % 500]) if v < want else 0.0
                    else:
                        aim = min(max(0.35 * mass * (want - v) * max(v, 1.0) + max(resist, 0.0) * v, 0.0), pmax)
            power += (aim - power) * dt / 0.5
            power = 0.0 if brake > 0 or power < 2.0 else power
            push = min(power / max(v, 0.8), 4.9 * mass)
            battery = push * v / eff + acc - 0.6 * regen * brake * v
            if j == 0:
                out[2, i] = battery
            energy += battery * dt
            if not (brake > 0 and hold > 0 and v == 0.0):
                new = max(v + (push - resist - brake) / (lam * mass) * dt, 0.0)
                s += 0.5 * (v + new) * dt
                v = new
        out[3, i] = energy
    return out


def ar1(rng, n, sd, memory_s):
    """Noise with a memory [unit of sd]."""
    keep = np.exp(-1.0 / memory_s)
    steps = rng.normal(size=n) * sd * np.sqrt(1.0 - keep * keep)
    steps[0] = rng.normal() * sd
    return lfilter([1.0], [1.0, -keep], steps)


def log(seed, kind, *, seconds=1800, grade=0.02, white=2.0, drift=2.0, memory_s=300.0, walk=0.0, gain=0.0, current=0.01,
        speed=0.05, positions=False, gust=0.0, mean=False, coasts=0.2, steps=False, stops=400.0, every=1):
    """Time and columns of a log, and the vehicle's truth; noises as standard deviations in SI units.

    A log of a row every few seconds has the mean power over those before each row.
    """
    rng, it = np.random.default_rng([7919, seed]), VEHICLES[kind]
    way, slope = np.arange(int(1.3 * it["fast"] * seconds + 500.0)), 0.0
    for wave in np.geomspace(60.0, 4000.0, 40):
        length = wave * rng.uniform(0.9, 1.1)
        slope = slope + np.sin(2.0 * np.pi * way / length + rng.uniform(0.0, 2.0 * np.pi)) * (length / 500.0) ** 0.25
    slope *= grade / slope.std()
    sine, wish = np.sin(np.arctan(slope)), it["fast"] * rng.uniform(0.5, 1.0, 4000)
    lights, waits = np.cumsum(rng.exponential(stops, 3000) + 120.0), rng.uniform(6.0, 45.0, 3000)
    wind = ar1(rng, seconds, gust, 8.0) if gust else np.zeros(seconds)
    v, s, now, over = _driven(
        seconds, sine, np.cos(np.arctan(slope)), wind, wish, lights, waits, rng.random(40_000), coasts, steps,
        *(it[name] for name in ("cda", "crr", "eff", "acc", "mass", "lam", "rho", "pmax", "regen")),
    )  # fmt: skip
    height = np.interp(s, way, 250.0 + np.concatenate([[0.0], np.cumsum(sine)[:-1]])) + rng.normal(0.0, white, seconds)
    height += ar1(rng, seconds, drift, memory_s) if drift else 0.0
    height += np.cumsum(rng.normal(0.0, walk, seconds)) if walk else 0.0
    power = over if mean else now
    volts = 50.0 - 0.001 * power
    amps = power / volts * (1.0 + gain * rng.normal()) * (1.0 + current * rng.normal(size=seconds))
    columns = {"altitude_m": height.round(1), "voltage_v": volts.round(2), "current_a": amps.round(2)}
    if positions:
        turn, step = 0.7 * np.sin(s / 300.0) + 0.5 * np.sin(s / 710.0 + 1.0), np.gradient(s)
        north, east = (np.cumsum(step * f(turn)) + rng.normal(0.0, 3.0, seconds) for f in (np.sin, np.cos))
        columns |= {"latitude_deg": 45.0 + north / 111_131.8, "longitude_deg": 7.0 + east / 78_846.8}
    else:
        columns["speed_m_s"] = np.where(v > 0.0, np.abs(v + rng.normal(0.0, speed, seconds)), 0.0)
    if every > 1:
        before = np.convolve(over, np.ones(every) / every)[: seconds - 1]
        columns["current_a"] = (np.concatenate([[now[0]], before]) / volts).round(2)
    rows = slice(None, None, every)
    return np.arange(seconds, dtype=float)[rows], {name: each[rows] for name, each in columns.items()}, it
