"""Protection a second time, in loops, from the catalogs' rows: which fuse opens before which conductor burns."""

import math
from itertools import pairwise

# By IEC 60949: J/(K·mm³), β in °C, and how metals conduct heat in W/(m·K), see optimizer.pack.protection.warming.
METALS = {
    "copper": (3.45e-3, 234.5, 390.0), "aluminium": (2.5e-3, 228.0, 220.0),
    "nickel_plated_steel": (3.8e-3, 202.0, 50.0), "nickel": (4.054e-3, 180.0, 70.0),
}  # fmt: skip


def box_air(brief):
    return max(brief.ride.temp_c, brief.electrical.temp_c) + brief.protection.box_rise_k


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


def adiabatic_k2(metal, ohm_m, start_c, end_c):
    heat, beta, _ = METALS[metal]
    return heat * (beta + 20.0) / (ohm_m * 1000.0) * math.log((beta + end_c) / (beta + start_c))


def wire_stages(wires, row, air_c):
    """Rated current, limit, and (share, time constant) of the stages of a wire's rise."""
    rated, limit = float(wires.current_a[row]), max(float(wires.insulation_temp_c[row]), air_c + 1.0)
    area = 1.7241e-8 * 1e9 / float(wires.resistance_ohm_per_km[row])
    return rated, limit, [(1.0, adiabatic_k2("copper", 1.7241e-8, air_c, limit) * area**2 / rated**2)]


def strip_stages(strips, row, layers, *, span_mm, cell_kg, limit_c, air_c):
    """The same of one layer of strip between two cells."""
    metal, ohm_m = str(strips.material[row]), float(strips.resistivity_ohm_m[row])
    section = float(strips.width_mm[row] * strips.thickness_mm[row])
    density, limit = float(strips.current_density_a_mm2[row]), max(limit_c, air_c + 1.0)
    _, beta, conduction = METALS[metal]
    heat = density**2 * ohm_m * 1000.0 * (1.0 + (limit - 20.0) / (beta + 20.0))
    middle = min(heat * span_mm**2 / (8.0 * conduction * 1e-3) / (limit - air_c), 1.0)
    ends_s = 0.1 * cell_kg * 950.0 / layers * (limit - air_c) / (heat * section * span_mm)
    start = density**2 / adiabatic_k2(metal, ohm_m, air_c, limit) - (1.0 - middle) / ends_s
    return density * section, limit, [(middle, middle / start if start > 0 else ends_s), (1.0 - middle, ends_s)]


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


def unprotected(inputs, *, fuse, wire, strip, layers, strip_a, span_mm, cell_kg):
    """What a pack's fuse does not protect: "wire", "plates", both or nothing.

    strip_a: continuous limit of the plates, by the table's density and the hottest piece [A].
    """
    brief = inputs.brief
    air = box_air(brief)
    rated, _, stages = wire_stages(inputs.wires, wire, air)
    found = ["wire"] if burns(inputs.fuses, fuse, rated, stages) is not None else []
    limit = {"span_mm": span_mm, "cell_kg": cell_kg, "limit_c": brief.protection.strip_limit_c, "air_c": air}
    _, _, stages = strip_stages(inputs.strips, strip, layers, **limit)
    return found + (["plates"] if burns(inputs.fuses, fuse, strip_a, stages) is not None else [])
