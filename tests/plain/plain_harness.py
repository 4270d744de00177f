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


def wall_point(room):
    """Middle of the nearest wall from the middle of a room, by small steps; of equal ones the first of −x, x, −y …"""
    low, high = [e[0] for e in room.extent_mm], [e[1] for e in room.extent_mm]
    middle = [(a + b) / 2 for a, b in zip(low, high, strict=True)]
    across = [k for k in range(3) if k != room.extrude]
    corners = [tuple(p) for p in room.profile_mm]

    def clear(point):
        if not -1e-9 <= point[room.extrude] <= room.depth_mm + 1e-9:
            return False
        x, y = (point[k] for k in across)
        inside = False
        for (ax, ay), (bx, by) in zip(corners, corners[1:] + corners[:1], strict=True):
            far = (bx - ax) * (y - ay) - (by - ay) * (x - ax)
            on = abs(far) < 1e-6 * math.hypot(bx - ax, by - ay)
            if on and min(ax, bx) - 1e-9 <= x <= max(ax, bx) + 1e-9 and min(ay, by) - 1e-9 <= y <= max(ay, by) + 1e-9:
                return True
            if (ay > y) != (by > y) and x < ax + (y - ay) / (by - ay) * (bx - ax):
                inside = not inside
        return inside

    best = None
    for axis in range(3):
        for sign in (-1, 1):
            near, far = 0.0, (high[axis] - low[axis]) / 2
            at = lambda t: [m + sign * t * (k == axis) for k, m in enumerate(middle)]  # noqa: B023, E731
            if not clear(at(far)):
                for _ in range(60):
                    half = (near + far) / 2
                    near, far = (half, far) if clear(at(half)) else (near, half)
            reach = near if near else far
            if best is None or reach < best[0] - 1e-4:
                best = reach, at(reach)
    return best[1]


def hub_of(room, board):
    """Where wires of a room without passages are gathered, in the vehicle: at a board that lies there, or the wall."""
    here = board is not None and board.compartment == room.name
    at = [float(v) for v in board.plug_mm] if here else wall_point(room)
    return [t + p for t, p in zip(turned(at, room.rotation_deg), room.position_mm, strict=True)]


def cut(length):
    """Whole steps of 5 mm."""
    return 5.0 * math.ceil(length / 5.0 - 1e-7)


def tap_boundaries(groups, per_module, shared):
    """Group boundaries with a balance lead: n + 1 per module of n groups, or one where modules meet."""
    size, out = per_module or groups, []
    for first in range(0, groups, max(size, 1)):
        last = min(first + size, groups)
        out += list(range(first + (1 if shared and first else 0), last + 1))
    return out


def harness_of(
    split, rooms, per_module, sensors, shared, slack_mm, bms_in=None, legs=(0.0, 0.0, None), board=None, links=None
):
    """60 g/m of power wire and 5 g/m of leads decide, then fewer crossings, then the first order tried.

    Orders that differ in empty compartments alone are one: only those of the compartments in use are tried. With
    more than five compartments the first order is that whose first, last and BMS come first. Legs from the taps to
    the hubs are added: power wires and leads, as the fit has them, to what is chosen; for each sensor two wires of its
    compartment, which count in the choice. A placed board is the BMS's place. `links`: ways between hubs through
    passages, as the fit has them; without passages they are straight.
    """
    hubs = [hub_of(room, board) for room in rooms]
    if board is not None:
        bms_in = [room.name for room in rooms].index(board.compartment)
    links = links or [[cut(math.dist(a, b)) if a is not b else 0.0 for b in hubs] for a in hubs]
    reach = legs[2] or [0.0] * len(rooms)
    best = None
    orders = list(permutations(j for j in range(len(rooms)) if split[j]))
    if len(rooms) > 5:
        orders.sort(key=lambda used: (used[0], used[-1]))
    for used in orders:
        for bms in range(len(rooms)) if bms_in is None else [bms_in]:
            found = _one(split, links, reach, per_module, sensors, shared, cut(slack_mm), used, bms)
            rank = (round(0.060 * found.power_mm * 1000 + 0.005 * found.lead_mm * 1000, 3), found.crossing)
            if best is None or rank < best[0]:
                best = rank, found
    found = best[1]
    return Harness(found.power_mm + legs[0], found.lead_mm + legs[1], found.modules, found.crossing, found.leads)


def _one(split, links, reach, per_module, sensors, shared, slack, used, bms):
    power = links[used[0]][bms] + links[used[-1]][bms] + 2 * slack
    leads = sum(len(tap_boundaries(split[j], per_module[j], shared)) for j in used)
    lead, crossing, modules = 0.0, (used[0] != bms) + (used[-1] != bms) + len(used) - 1, []
    for k, j in enumerate(used):
        size = per_module[j] or split[j]
        cases = math.ceil(split[j] / size)
        modules += [j] * cases
        power += (cases - 1) * slack
        if k:
            power += links[used[k - 1]][j] + slack
        for _ in tap_boundaries(split[j], per_module[j], shared):
            lead += links[j][bms] + slack
            crossing += j != bms
    for k in range(sensors):
        # The first module, the last, and evenly between.
        j = modules[math.floor(k / max(sensors - 1, 1) * (len(modules) - 1) + 0.5)]
        lead += 2 * (reach[j] + links[j][bms] + slack)
        crossing += 2 * (j != bms)
    return Harness(power, lead, len(modules), int(crossing), leads)
