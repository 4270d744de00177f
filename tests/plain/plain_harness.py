"""The lightest harness of one split, by trying everything.

From the docstrings of optimizer.pack.wiring.harness and splits.
"""

import math
from dataclasses import dataclass
from itertools import permutations


@dataclass
class Harness:
    power_mm: float
    lead_mm: float
    modules: int
    crossing: int
    leads: int


def turned(point, degrees):
    """Rotation about x, then y, then z."""
    x, y, z = point
    a, b, c = (math.radians(d) for d in degrees)
    y, z = y * math.cos(a) - z * math.sin(a), y * math.sin(a) + z * math.cos(a)
    x, z = x * math.cos(b) + z * math.sin(b), -x * math.sin(b) + z * math.cos(b)
    x, y = x * math.cos(c) - y * math.sin(c), x * math.sin(c) + y * math.cos(c)
    return [x, y, z]


def ends_of(room):
    """Start and end of a compartment's chain along its longest side, and its middle, in the vehicle."""
    low, high = [e[0] for e in room.extent_mm], [e[1] for e in room.extent_mm]
    middle = [(a + b) / 2 for a, b in zip(low, high, strict=True)]
    along = max(range(3), key=lambda k: high[k] - low[k])
    start, end = list(middle), list(middle)
    start[along], end[along] = low[along], high[along]
    return [
        [t + p for t, p in zip(turned(point, room.rotation_deg), room.position_mm, strict=True)]
        for point in (start, end, middle)
    ]


def run(a, b):
    return sum(abs(x - y) for x, y in zip(a, b, strict=True))


def between(a, b, part):
    return [x + part * (y - x) for x, y in zip(a, b, strict=True)]


def tap_boundaries(groups, per_module, shared):
    """Group boundaries with a balance lead: n + 1 per module of n groups, or one where modules meet."""
    size, out = per_module or groups, []
    for first in range(0, groups, max(size, 1)):
        last = min(first + size, groups)
        out += list(range(first + (1 if shared and first else 0), last + 1))
    return out


def harness_of(split, rooms, per_module, sensors, shared, slack_mm, bms_in=None):
    """60 g/m of power wire and 5 g/m of leads decide, then fewer crossings, then the first order tried.

    Orders that differ in empty compartments alone are one: only those of the compartments in use are tried. With
    more than five compartments the first order is that whose first, last and BMS come first.
    """
    places = [ends_of(room) for room in rooms]
    best = None
    orders = list(permutations(j for j in range(len(rooms)) if split[j]))
    if len(rooms) > 5:
        orders.sort(key=lambda used: (used[0], used[-1]))
    for used in orders:
        for bms in range(len(rooms)) if bms_in is None else [bms_in]:
            found = _one(split, places, per_module, sensors, shared, slack_mm, used, bms)
            rank = (round(0.060 * found.power_mm * 1000 + 0.005 * found.lead_mm * 1000, 3), found.crossing)
            if best is None or rank < best[0]:
                best = rank, found
    return best[1]


def _one(split, places, per_module, sensors, shared, slack_mm, used, bms):
    site = places[bms][2]
    power = run(places[used[0]][0], site) + run(places[used[-1]][1], site) + 2 * slack_mm
    leads = sum(len(tap_boundaries(split[j], per_module[j], shared)) for j in used)
    lead, crossing, modules = 0.0, (used[0] != bms) + (used[-1] != bms) + len(used) - 1, []
    for k, j in enumerate(used):
        start, end, _ = places[j]
        size = per_module[j] or split[j]
        cases = math.ceil(split[j] / size)
        modules += [(j, first, min(first + size, split[j])) for first in range(0, split[j], size)]
        power += (cases - 1) * (run(start, end) / cases + slack_mm)
        if k:
            power += run(places[used[k - 1]][1], start) + slack_mm
        for boundary in tap_boundaries(split[j], per_module[j], shared):
            lead += run(between(start, end, boundary / split[j]), site) + slack_mm
            crossing += j != bms
    for k in range(sensors):
        # The first module, the last, and evenly between.
        at = math.floor(k / max(sensors - 1, 1) * (len(modules) - 1) + 0.5)
        j, first, last = modules[at]
        where = between(places[j][0], places[j][1], (first + last) / 2 / split[j])
        lead += 2 * (run(where, site) + slack_mm)
        crossing += 2 * (j != bms)
    return Harness(power, lead, len(modules), int(crossing), leads)
