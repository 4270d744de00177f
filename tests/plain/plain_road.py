"""What the road asks, step by step, in loops: from optimizer.ride.load.roadload, trace and bins."""

import math
from dataclasses import dataclass

G = 9.80665
BIN_COUNTS = (8, 10, 12, 16, 20, 24, 32, 48, 64, 96, 128)


@dataclass
class Lap:
    """Steps of constant wheel power a + b·m."""

    a: list
    b: list
    seconds: list
    metres: list
    eta: float
    regen: float
    accessory_w: float
    speed_max_m_s: float
    grade_at_top: float
    crr: float
    drag: float  # ½·ρ·CdA
    wind_m_s: float = 0.0

    def battery_w(self, mass_kg):
        return [self.drawn_w(a + b * mass_kg) for a, b in zip(self.a, self.b, strict=True)]

    def drawn_w(self, wheel_w):
        """Losses when driving, η_regen of what the wheel takes in when braking."""
        return (wheel_w / self.eta if wheel_w > 0 else wheel_w * self.regen) + self.accessory_w


def air_density(altitude_m, temp_c):
    height = 6_356_766.0 * altitude_m / (6_356_766.0 + altitude_m)
    pressure = 101325.0 * (1.0 - 0.0065 * height / 288.15) ** 5.25588
    return pressure / (287.05287 * (temp_c + 273.15))


def lap_of(brief, ride):
    """The brief's ride; `ride` is the trace that was read, None for a steady cruise."""
    asked, vehicle = brief.ride, brief.vehicle
    if ride is None:
        time = [0.0, 3600.0 * asked.length_km / asked.speed_kmh]
        speed, grade = [asked.speed_kmh / 3.6] * 2, [asked.grade_pct / 100.0] * 2
    else:
        time, speed = list(ride.time_s), [v / 3.6 for v in ride.speed_kmh]
        grade = [g / 100.0 for g in ride.grade_pct]
    drag = 0.5 * air_density(vehicle.altitude_m, asked.temp_c) * vehicle.cda_m2
    top = max(speed)
    fast = [g for v, g in zip(speed, grade, strict=True) if v >= 0.99 * top]
    lap = Lap([], [], [], [], vehicle.drivetrain_efficiency, vehicle.regen_efficiency, vehicle.accessory_w,
              top, max(*fast, 0.0), vehicle.crr, drag, asked.headwind_kmh / 3.6)  # fmt: skip
    for k in range(len(time) - 1):
        dt, v0, v1 = time[k + 1] - time[k], speed[k], speed[k + 1]
        mean, slope = 0.5 * (v0 + v1), math.atan(0.5 * (grade[k] + grade[k + 1]))
        # Mean of v³ where v changes linearly: (v0³ + v0²·v1 + v0·v1² + v1³)/4.
        cubed = 0.25 * (v0**3 + v0**2 * v1 + v0 * v1**2 + v1**3)
        pull = vehicle.crr * G * math.cos(slope) + G * math.sin(slope)
        pull += vehicle.rotating_factor * (v1 - v0) / dt
        # Through the air at v + w: (v + w)²·v, with the means of v² and v on the step.
        squared, wind = (v0 * v0 + v0 * v1 + v1 * v1) / 3.0, asked.headwind_kmh / 3.6
        lap.a.append(drag * (cubed + 2.0 * wind * squared + wind * wind * mean))
        lap.b.append(pull * mean)
        lap.seconds.append(dt)
        lap.metres.append(mean * dt)
    return lap


def bins_of(lap, mass_min_kg, mass_max_kg, tolerance=5e-4):
    """Power bins (a, b, weight): neighbours merged, cheapest first, while the lap's charge stays right."""
    masses = [mass_min_kg, 0.5 * (mass_min_kg + mass_max_kg), mass_max_kg]
    total = sum(lap.seconds)
    largest = max(max(lap.battery_w(m)) for m in masses)

    def charge(bins, mass):
        # Mean current from 1 V that sags to 0.8 V at the largest power.
        out = 0.0
        for a, b, w in bins:
            p = lap.drawn_w(a + b * mass)
            out += w * 2.0 * p / (1.0 + math.sqrt(1.0 - 4.0 * 0.16 / largest * p))
        return out

    whole = [(a, b, s / total) for a, b, s in zip(lap.a, lap.b, lap.seconds, strict=True)]
    exact = [charge(whole, m) for m in masses]
    bins, best = _sorted_bins(whole, masses), whole
    ends = [bins[k][3:] for k in range(len(bins))]
    alone = {max(range(len(bins)), key=lambda k: ends[k][1]), min(range(len(bins)), key=lambda k: ends[k][1])}
    bins = [[*row, k in alone] for k, row in enumerate(bins)]
    for count in sorted((n for n in BIN_COUNTS if n < len(bins)), reverse=True):
        _merge(bins, count)
        tried = [tuple(row[:3]) for row in bins]
        if max(abs(charge(tried, m) / e - 1.0) for m, e in zip(masses, exact, strict=True)) > tolerance:
            break
        best = tried
    return best


def _sorted_bins(whole, masses):
    """Equal steps as one, by signs at both ends of the masses and then by mean wheel power."""
    found = {}
    for a, b, w in whole:
        key = (round(a, 12), round(b, 12))
        found[key] = found.get(key, 0.0) + w
    rows = []
    for (a, b), w in sorted(found.items()):
        low, high = a + b * masses[0], a + b * masses[2]
        rows.append((a, b, w, low, high))
    return sorted(rows, key=lambda r: ((r[3] > 0) + 2 * (r[4] > 0), 0.5 * (r[3] + r[4])))


def _merge(bins, count):
    while len(bins) > count:
        found = None
        for k in range(len(bins) - 1):
            one, two = bins[k], bins[k + 1]
            alike = (one[3] > 0, one[4] > 0) == (two[3] > 0, two[4] > 0)
            if not alike or one[5] or two[5]:
                continue
            harmonic = one[2] * two[2] / (one[2] + two[2])
            cost = ((two[3] - one[3]) ** 2 + (two[4] - one[4]) ** 2) * harmonic
            if found is None or cost < found[0]:
                found = cost, k
        if found is None:
            return
        k = found[1]
        one, two = bins[k], bins[k + 1]
        share = one[2] / (one[2] + two[2])
        mixed = [share * one[c] + (1.0 - share) * two[c] for c in (0, 1, 3, 4)]
        bins[k : k + 2] = [[mixed[0], mixed[1], one[2] + two[2], mixed[2], mixed[3], False]]


def filtered(power, seconds, tau):
    """Power behind a first-order lag on a repeated lap, at each step's end, and the variance that comes through."""
    total = sum(seconds)
    mean = sum(p * s for p, s in zip(power, seconds, strict=True)) / total
    state = 0.0
    for p, s in zip(power, seconds, strict=True):
        state = p + (state - p) * math.exp(-s / tau)
    state /= -math.expm1(-total / tau)
    ends, cov, var = [], 0.0, 0.0
    for p, s in zip(power, seconds, strict=True):
        kept = math.exp(-s / tau)
        inside = p + (state - p) * tau / s * (1.0 - kept)
        cov += s * (p - mean) * (inside - mean)
        var += s * (p - mean) ** 2
        state = p + (state - p) * kept
        ends.append(state)
    return ends, cov / var if var > 1e-12 * total * mean**2 else 0.0
