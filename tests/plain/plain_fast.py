"""The fast range, one pack at a time, in loops: from the docstrings of optimizer.ride.bins, critical, rangekernel,
stepkernel.
"""

import math
from dataclasses import dataclass

from plain_cell import TAU1, TAU2, even
from plain_road import filtered
from plain_step import CURRENT, CUTOFF, POWER, RESERVE, fine_steps, slope

INTERVALS, SUB_STEPS, FIRST = 20, 8, 4
ALIKE, MOST_STEPS, REMEMBERED = (0.02, 0.03, 0.05, 0.08, 0.12, 0.2), 16, 12.0


@dataclass
class Remembered:
    """A step's own power, and by lag (τ1, τ2, the surface's) what the way there has left behind."""

    power: float
    f: list
    own: list
    lagged: list
    behind: list

    def numbers(self):
        return [self.power, *self.f, *self.own, self.lagged[1], self.behind[1], self.lagged[2], self.behind[2],
                self.behind[0]]  # fmt: skip


def remembered(powers, seconds, taus, lag_s):
    """What a repeated lap has left behind at the middle of each step: means with weights exp(−age/τ)."""
    f, square, behind, lagged, since = ([0.0] * 3 for _ in range(5))
    out, laps = [], int(REMEMBERED * max(taus) / sum(seconds)) + 2
    for lap in range(laps):
        for p, s in zip(powers, seconds, strict=True):
            for part in (0, 1):
                half, old = s / 2, list(f)
                keep = [math.exp(-half / tau) for tau in taus]
                for k in range(3):
                    since[k] = keep[k] * (since[k] + f[k] * p * half) + (1 - keep[k]) * p * p * half / 2
                    f[k] = keep[k] * f[k] + (1 - keep[k]) * p
                    square[k] = keep[k] * square[k] + (1 - keep[k]) * p * p
                for k in range(3):
                    # Behind τ1's current stands its own; behind the slower ones that of τ2.
                    other = 0 if k == 0 else 1
                    behind[k] = keep[k] * behind[k] + (1 - keep[k]) * p * (old[other] + f[other]) / 2
                    lagged[k] = keep[k] * lagged[k] + (1 - keep[k]) * p * (old[2] + f[2]) / 2
                if part == 0 and lap == laps - 1:
                    out.append(_told(p, f, square, behind, [lag_s * a - b for a, b in zip(lagged, since, strict=True)]))
    return out


def _told(p, f, square, behind, lagged):
    def over(values, least):
        return [(max(v / x, 0.0) if least else v / x) if x > 0 else 0.0 for v, x in zip(values, f, strict=True)]

    return Remembered(p, [max(x, 0.0) for x in f], over(square, False), over(lagged, True), over(behind, True))


def hardest(rows):
    """Few steps that cover all others but for a small part, from the hardest by the sum of the four loads."""
    most = [max(max(r.power if k == 0 else r.f[k - 1] for r in rows), 1e-12) for k in range(4)]
    four = [[max(x, 0.0) / m for x, m in zip([r.power, *r.f], most, strict=True)] for r in rows]
    order = sorted(range(len(rows)), key=lambda k: -sum(four[k]))
    for part in ALIKE:
        kept = []
        for k in order:
            if not any(all(a >= b * (1 - part) for a, b in zip(four[c], four[k], strict=True)) for c in kept):
                kept.append(k)
        if len(kept) <= MOST_STEPS:
            break
    return kept[:MOST_STEPS]


class Course:
    """A lap as the fast range sees it for one cell, over the masses it was compressed for."""

    def __init__(self, lap, bins, cell, mass_min_kg, mass_max_kg):
        self.lap, self.bins, self.cell, self.masses = lap, bins, cell, (mass_min_kg, mass_max_kg)
        taus = (TAU1, TAU2, cell.lag_tau_s)
        middle = lap.battery_w(0.5 * (mass_min_kg + mass_max_kg))
        self.shares = [min(max(filtered(middle, lap.seconds, tau)[1], 0.0), 1.0) for tau in taus]
        ends = []
        for mass in self.masses:
            steps = fine_steps(lap.battery_w(mass), lap.seconds, lap.metres)
            ends.append(remembered([p for p, _, _ in steps], [s for _, s, _ in steps], taus, cell.lag_s))
        # What is remembered never eases with mass.
        low = [r.numbers() for r in ends[0]]
        high = [[b[0], *map(max, a[1:], b[1:])] for a, b in zip(low, (r.numbers() for r in ends[1]), strict=True)]
        middle = [_row([0.5 * (x + y) for x, y in zip(a, b, strict=True)]) for a, b in zip(low, high, strict=True)]
        self.critical = [(low[k], high[k]) for k in hardest(middle)]

    def steps_at(self, mass_kg, cells):
        part = (mass_kg - self.masses[0]) / (self.masses[1] - self.masses[0])
        rows = [[(a + part * (b - a)) / cells for a, b in zip(low, high, strict=True)] for low, high in self.critical]
        return [_row([max(row[0], 0.0), *row[1:]]) for row in rows]


def _row(n):
    return Remembered(n[0], n[1:4], n[4:7], [0.0, n[7], n[9]], [n[11], n[8], n[10]])


@dataclass
class Node:
    z: float
    mean_a: float
    square: float
    voltage: float
    drawn_c: float
    mean_v: float
    ohm: tuple
    alive: bool


def built_up(amps, charge_c, tau_s):
    """1 − exp(−q/(i·τ)), exp cut after the fourth power."""
    if charge_c <= 0:
        return 0.0
    x = charge_c / (amps * tau_s)
    whole = 1 + x + x * x / 2 + x**3 / 6 + x**4 / 24
    return (whole - 1) / whole


class Run:
    """One pack on a course."""

    def __init__(self, course, load, mass_kg, cells, start_soc):
        self.course, self.load, self.cell, self.start = course, load, course.cell, start_soc
        self.powers = [(course.lap.drawn_w(a + b * mass_kg) / cells, w) for a, b, w in course.bins]
        self.steps = course.steps_at(mass_kg, cells)

    def node(self, z, mean, times=1):
        """The lap's mean current at a state of charge, from the mean current of the node before."""
        cell, load, share = self.cell, self.load, self.course.shares
        r0, r1, r2 = (load.factor * even(z, grid) for grid in (cell.r0, cell.r1, cell.r2))
        rest, drawn = even(z, cell.ocv), (self.start - z) * 3600.0 * cell.capacity_ah
        fast = r0 + share[0] * r1 + share[1] * r2 + share[2] * cell.lag_z * slope(z, cell.ocv)
        total = fast + load.outside_ohm
        least = -min(load.charge_limit_a, max(cell.v_max - rest, 0.0) / fast)
        square, u, alive = 0.0, rest, True
        for _ in range(times):
            lagging = (1 - share[2]) * cell.lag_z * built_up(mean, drawn, cell.lag_tau_s)
            u = even(z - lagging * mean, cell.ocv)
            u -= ((1 - share[0]) * r1 + (1 - share[1]) * r2 * built_up(mean, drawn, TAU2)) * mean
            if u <= 2.0 * total * mean:
                alive = False
                break
            amps = [
                (max(2.0 * p / (u + math.sqrt(max(u * u - 4.0 * total * p, 0.0))), least), w) for p, w in self.powers
            ]
            mean, square = sum(w * i for i, w in amps), sum(w * i * i for i, w in amps)
        return Node(z, mean, square, u - total * square / mean, drawn, u - total * mean, (r0, r1, r2), alive)

    def behind_v(self, node, step):
        """Voltage behind R0 at a critical step, the lag worked out twice."""
        cell, (r0, r1, r2) = self.cell, node.ohm
        charge, fast = 3600.0 * cell.capacity_ah, r0 + self.load.outside_ohm

        def lagging(k, u, r):
            u = max(u, 0.1)
            return step.f[k] * 2.0 / (u + math.sqrt(max(u * u - 4.0 * r * step.own[k], 0.0)))

        def slow_u(k, v):
            return even(node.z - step.lagged[k] / (v * charge), cell.ocv) - r2 * step.behind[k] / v

        i3 = lagging(2, slow_u(2, node.mean_v), fast + r1)
        v = min(step.f[2] / i3, node.mean_v) if i3 > 0 else node.mean_v
        i3 = lagging(2, slow_u(2, v), fast + r1)
        i2 = lagging(1, slow_u(1, v), fast + r1)
        i2 *= built_up(i2, node.drawn_c, TAU2) if i2 > 0 else 0.0
        i3 *= built_up(i3, node.drawn_c, cell.lag_tau_s) if i3 > 0 else 0.0
        u = even(node.z - cell.lag_z * i3, cell.ocv) - r2 * i2
        return u - r1 * lagging(0, u - r1 * step.behind[0] / v, fast)

    def margin_v(self, node, step):
        """h = max over I ≤ I* of u − R·I − p/I, and what would end it."""
        u, p, outside = self.behind_v(node, step), step.power, self.load.outside_ohm
        if p <= 0:
            return u - self.cell.v_min, CUTOFF
        root, r = self.cell.v_min**2 - 4.0 * outside * p, node.ohm[0] + outside
        most, why = (2.0 * p / (self.cell.v_min + math.sqrt(root)), CUTOFF) if root >= 0 else (math.inf, POWER)
        if self.load.limit_a < most:
            most, why = self.load.limit_a, CURRENT
        if r * most * most > p:
            asked, why = 2.0 * math.sqrt(r * p), POWER
        else:
            asked = r * most + p / most if most > 0 else math.inf
        return max(u - asked, -self.cell.v_max), why

    def fails(self, node):
        """Critical steps that can't be driven at a node, and the reason of the worst; None when all pass."""
        if not node.alive:
            return list(self.steps), POWER
        margins = [(*self.margin_v(node, step), step) for step in self.steps]
        failing = [m for m in margins if m[0] < 0]
        return ([m[2] for m in failing], min(failing, key=lambda m: m[0])[1]) if failing else None

    def closer(self, old, width, failing, stop):
        """Where in an interval that fails the first of the failing steps does, in finer steps."""
        before = [max(self.margin_v(old, step)[0], 0.0) for step in failing]
        for sub in range(SUB_STEPS):
            new = self.node(old.z - width / SUB_STEPS, old.mean_a)
            if not new.alive:
                return sub / SUB_STEPS, POWER
            part, why = 1.0, None
            for k, step in enumerate(failing):
                margin, reason = self.margin_v(new, step)
                if margin < 0 and before[k] / (before[k] - margin) <= part:
                    part, why = before[k] / (before[k] - margin), reason
                before[k] = margin
            if why:
                return (sub + part) / SUB_STEPS, why
            old = new
        return 1.0, stop

    def range_km(self, reserve_soc):
        """Distance and why it ends: mean speed times the time to run down, 1/i linear between the nodes."""
        lap = self.course.lap
        mean = sum(w * max(p / even(self.start, self.cell.ocv), -self.load.charge_limit_a) for p, w in self.powers)
        old, seconds, stop = self.node(self.start, mean, FIRST), 0.0, RESERVE
        failed = self.fails(old)
        if failed:
            return 0.0, failed[1]
        width = (self.start - reserve_soc) / INTERVALS
        for _ in range(INTERVALS):
            new, part = self.node(old.z - width, old.mean_a), 1.0
            failed = self.fails(new)
            if failed:
                part, stop = self.closer(old, width, *failed)
            drop = width * 3600.0 * self.cell.capacity_ah
            seconds += drop * (part - part * part / 2) / old.mean_a
            seconds += drop * part * part / 2 / new.mean_a if new.alive else 0.0
            if failed:
                break
            old = new
        return sum(lap.metres) / sum(lap.seconds) * seconds / 1000.0, stop
