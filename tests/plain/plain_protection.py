"""Protection a second time, in loops, from the catalogs' rows: which fuse opens before which conductor burns."""

import math
from itertools import pairwise

# J/(K·mm³), β in °C from the rise of resistance at 20 °C, and W/(m·K), see optimizer.base.materials.
METALS = {
    "copper": (3.45e-3, 1 / 0.00393 - 20, 390.0), "aluminium": (2.5e-3, 1 / 0.00403 - 20, 220.0),
    "nickel_plated_steel": (3.8e-3, 1 / 0.0045 - 20, 50.0), "nickel": (4.054e-3, 1 / 0.005 - 20, 70.0),
}  # fmt: skip


def opens_within(points, multiple):
    """Seconds by one end of a fuse's curve."""
    used = [(float(m), float(s)) for m, s in points if math.isfinite(m)]
    if multiple < used[0][0]:
        return math.inf
    for (m0, s0), (m1, s1) in pairwise(used):
        if multiple <= m1:
            part = math.log(multiple / m0) / math.log(m1 / m0)
            return s0 * (s1 / s0) ** part
    return used[-1][1] * (used[-1][0] / multiple) ** 2


def volume(size):
    if size.shape == "cylinder":
        return math.pi / 4.0 * size.diameter_mm**2 * size.length_mm
    return size.length_mm * size.width_mm * size.thickness_mm


def adiabatic_k2(metal, ohm_m, start_c, end_c):
    heat, beta, _ = METALS[metal]
    return heat * (beta + 20.0) / (ohm_m * 1000.0) * math.log((beta + end_c) / (beta + start_c))


def wire_stages(wires, row, air_c):
    """Rated current, limit, and (share, time constant) of the stages of a wire's rise."""
    rated, limit = float(wires.current_a[row]), max(float(wires.insulation_temp_c[row]), air_c + 1.0)
    area = 1.7241e-8 * 1e9 / float(wires.resistance_ohm_per_km[row])
    return rated, limit, [(1.0, adiabatic_k2("copper", 1.7241e-8, air_c, limit) * area**2 / rated**2)]


def strip_stages(strips, row, layers, *, span_mm, cell_mm3, limit_c, air_c):
    """The same of one layer of strip between two cells."""
    metal, ohm_m = str(strips.material[row]), float(strips.resistivity_ohm_m[row])
    # A sheet is looked at in stretches of 15 mm.
    width = 15.0 if strips.form[row] in ("sheet", "tabbed") else float(strips.width_mm[row])
    section = width * float(strips.thickness_mm[row])
    density, limit = float(strips.current_density_a_mm2[row]), max(limit_c, air_c + 1.0)
    _, beta, conduction = METALS[metal]
    heat = density**2 * ohm_m * 1000.0 * (1.0 + (limit - 20.0) / (beta + 20.0))
    middle = min(heat * span_mm**2 / (8.0 * conduction * 1e-3) / (limit - air_c), 1.0)
    ends_s = 0.1 * cell_mm3 * 2.2e-3 / layers * (limit - air_c) / (heat * section * span_mm)
    start = density**2 / adiabatic_k2(metal, ohm_m, air_c, limit) - (1.0 - middle) / ends_s
    return density * section, limit, [(middle, middle / start if start > 0 else ends_s), (1.0 - middle, ends_s)]


def second_metal(strips, row):
    """Resistivity, thickness, width, density of current and mass per mm of tabs or a collector; nothing without."""
    tabbed = strips.form[row] == "tabbed"
    kind, metal = ("tab", "nickel") if tabbed else ("collector", str(strips.collector_material[row]))
    if not tabbed and not float(strips.collector_mm[row]):
        return None
    ohm_m, kg_m3 = {"nickel": (9.5e-8, 8890.0), "copper": (1.7241e-8, 8890.0), "aluminium": (2.8264e-8, 2703.0),
                    "nickel_plated_steel": (1.43e-7, 7832.0)}[metal]  # fmt: skip
    thick, wide, density = (
        float(getattr(strips, f"{kind}_{name}")[row]) for name in ("mm", "width_mm", "density_a_mm2")
    )
    return ohm_m, thick, wide, density, thick * wide * kg_m3 * 1e-9


def second_stages(strips, row, *, cell_mm3, limit_c, air_c):
    """Stages of tabs on sheet, which lead their heat over 3 mm to either side, both on one cell; None without.

    A collector warms with its plate.
    """
    if strips.form[row] != "tabbed":
        return None
    metal, limit = "nickel", max(limit_c, air_c + 1.0)
    _, beta, conduction = METALS[metal]
    ohm_m, thick, wide, density, _ = second_metal(strips, row)
    k2 = adiabatic_k2(metal, ohm_m, air_c, limit)
    heat = density**2 * ohm_m * 1000.0 * (1.0 + (limit - 20.0) / (beta + 20.0))
    middle = min(heat * 3.0**2 / (8.0 * conduction * 1e-3) / (limit - air_c), 1.0)
    ends_s = 0.1 * cell_mm3 * 2.2e-3 / 2.0 * (limit - air_c) / (heat * thick * wide * 3.0)
    start = density**2 / k2 - (1.0 - middle) / ends_s
    return [(middle, middle / start if start > 0 else ends_s), (1.0 - middle, ends_s)]


def joint_stages(strips, row, layers, *, limit_c, air_c):
    """The same of a joint between layers, which lies off the cells; rated current at the pack."""
    metal, ohm_m = str(strips.material[row]), float(strips.resistivity_ohm_m[row])
    width = 15.0 if strips.form[row] in ("sheet", "tabbed") else float(strips.width_mm[row])
    density, limit = float(strips.current_density_a_mm2[row]), max(limit_c, air_c + 1.0)
    tau = adiabatic_k2(metal, ohm_m, air_c, limit) / density**2
    return density * width * float(strips.thickness_mm[row]) * layers, limit, [(1.0, tau)]


def share_of_limit(stages, seconds, *, before, now):
    """Share of the steady rise at the rating after a time at a current, both currents over the rating."""
    total = 0.0
    for share, tau in stages:
        left = math.exp(-seconds / tau) if math.isfinite(seconds) else 0.0
        total += share * (before**2 * left + now**2 * (1.0 - left))
    return total


def burns(fuses, row, rated_a, stages, *, steps=400):
    """The first multiple of the fuse's rating at which a conductor passes its limit before the fuse opens, or None.

    It starts warm, from the steady state at three quarters of the rating.
    """
    rating, points = float(fuses.current_a[row]), fuses.opens_most[row]
    first = max(float(points[0][0]), 1.0)
    # Just under its first point the fuse may never open.
    tried = [(first * (1.0 - 1e-12), math.inf)]
    # The last ones stand for endless currents, at which the fuse's I²t meets that of the metal.
    grid = [200.0, 4000.0] + [first * (40.0 / first) ** (k / steps) for k in range(steps + 1)]
    for multiple in sorted(grid + [float(m) for m, _ in points if math.isfinite(m)]):
        tried.append((multiple, opens_within(points, multiple)))
    for multiple, seconds in tried:
        now, before = multiple * rating / rated_a, 0.75 * rating / rated_a
        if share_of_limit(stages, seconds, before=before, now=now) > 1.0 + 1e-6:
            return multiple
    return None


_needs = {}


def must_bear(fuses, row, stages):
    """Least rating of a conductor that never burns before the fuse opens, by halving."""
    key = float(fuses.current_a[row]), fuses.opens_most[row].tobytes(), tuple(stages)
    if key not in _needs:
        low, high = 0.0, 100.0 * float(fuses.current_a[row])
        for _ in range(60):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if burns(fuses, row, middle, stages) is not None else (low, middle)
        _needs[key] = high
    return _needs[key]


# Currents over time


def moving_most(shares, seconds, tau):
    """Largest moving mean of squared shares of an endless lap, the past forgotten with a time constant."""
    lap = sum(seconds)
    if math.isinf(tau):
        return sum(x * x * t for x, t in zip(shares, seconds, strict=True)) / lap
    y = 0.0
    for x, t in zip(shares, seconds, strict=True):
        left = math.exp(-t / tau)
        y = y * left + x * x * (1.0 - left)
    y = y / -math.expm1(-lap / tau)
    most = y
    for x, t in zip(shares, seconds, strict=True):
        left = math.exp(-t / tau)
        y = y * left + x * x * (1.0 - left)
        most = max(most, y)
    return most


def longest_run(shares, seconds, level):
    """Longest time in a row at or above a level of an endless lap."""
    if all(x >= level for x in shares):
        return math.inf
    best = here = 0.0
    for x, t in list(zip(shares, seconds, strict=True)) * 2:
        here = here + t if x >= level else 0.0
        best = max(best, here)
    return best


def peak_of_fuse(fuses, row, seconds, air_c):
    """Largest current whose least opening time is the pulse's over 29 %, by halving, in the warm box."""
    used = [(float(m), float(s)) for m, s in fuses.opens_least[row] if math.isfinite(m)]
    wanted = seconds / 0.29
    factor = min(max(1.0 - 0.003 * (air_c - 25.0), 0.1), 1.0)
    if wanted >= used[0][1]:
        return used[0][0] * float(fuses.current_a[row]) * factor
    low, high = used[0][0], 1e6
    for _ in range(200):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if opens_within(used, middle) >= wanted else (low, middle)
    return low * float(fuses.current_a[row]) * factor


class Laps:
    """The lap's shares of its highest power, at a few masses."""

    def __init__(self, lap, masses):
        self.seconds = [float(t) for t in lap.seconds]
        self.rows = []
        for mass in masses:
            power = [float(w) for w in lap.battery_w(mass)]
            highest = max(power)
            self.rows.append([min(abs(w) / highest, 1.0) if highest > 0 else 1.0 for w in power])
        self._known, self._runs = {}, None

    def most(self, tau):
        if tau not in self._known:
            self._known[tau] = max(moving_most(row, self.seconds, tau) for row in self.rows)
        return self._known[tau]

    def runs(self):
        if self._runs is None:
            self._runs = [max(longest_run(row, self.seconds, k / 40) for row in self.rows) for k in range(40)]
        return self._runs

    def over(self, stages):
        """Highest current of the lap over the rating of a conductor."""
        return 1.0 / math.sqrt(sum(share * self.most(tau) for share, tau in stages))


def over_for(stages, seconds):
    """Current over rating that may flow for a time out of rest."""
    return 1.0 / math.sqrt(sum(share * (1.0 - math.exp(-seconds / tau)) for share, tau in stages))


def fuse_ride(fuses, row, steady_a, laps, air_c):
    most = steady_a / math.sqrt(laps.most(math.inf))
    for k, seconds in enumerate(laps.runs()):
        if seconds > 0:
            most = min(most, peak_of_fuse(fuses, row, seconds, air_c) * 40 / (k + 1))
    return most


def bms_ride(steady_a, peak_a, peak_s, laps):
    level = next((k / 40 for k, seconds in enumerate(laps.runs()) if seconds <= peak_s), 1.0)
    run = max(peak_a, steady_a) if level == 0 else min(max(peak_a, steady_a), steady_a / level)
    return min(max(run, steady_a), max(steady_a / math.sqrt(laps.most(math.inf)), steady_a))
