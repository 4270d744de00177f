"""The fast range, one pack at a time, in loops: from the docstrings of optimizer.ride.bins, critical, course,
rangekernel, stepkernel.
"""

import math
from dataclasses import dataclass

from plain_cell import TAU1, even
from plain_road import filtered
from plain_step import CURRENT, CUTOFF, POWER, RESERVE, fine_steps, slope

INTERVALS, SUB_STEPS, FIRST = 20, 8, 4
ALIKE, MOST_STEPS, REMEMBERED = (0.02, 0.03, 0.05, 0.08, 0.12, 0.2), 16, 12.0
LEVELS, SECTORS, ALIKE_RUN, MASS_PART = 1024, 24, 0.005, 0.1


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


def four_of(rows):
    """Own power and the three filtered ones of each step, over the lap's largest, none below 0."""
    most = [max(max(r.power if k == 0 else r.f[k - 1] for r in rows), 1e-12) for k in range(4)]
    return [[max(x, 0.0) / m for x, m in zip([r.power, *r.f], most, strict=True)] for r in rows]


def hardest(four):
    """Few steps that cover all others but for a small part, from the hardest by the sum of the four loads."""
    order = sorted(range(len(four)), key=lambda k: -sum(four[k]))
    for part in ALIKE:
        kept = []
        for k in order:
            if not any(all(a >= b * (1 - part) for a, b in zip(four[c], four[k], strict=True)) for c in kept):
                kept.append(k)
        if len(kept) <= MOST_STEPS:
            break
    return kept[:MOST_STEPS]


def in_sectors(four, kept, low, high):
    """And the hardest of each of 24 parts of the lap, if no load of it eases with mass."""
    size, more, begin = divmod(len(four), SECTORS), [], 0
    for k in range(SECTORS):
        end = begin + size[0] + (k < size[1])
        if end > begin:
            step = max(range(begin, end), key=lambda j: sum(four[j]))
            eases = any(b < a for a, b in zip(low[step], high[step], strict=True))
            if sum(four[step]) > 0 and step not in kept and not eases:
                more.append(step)
        begin = end
    return kept + more


def shares(values):
    out, total = [0.0], sum(values)
    for value in values:
        out.append(out[-1] + value)
    return [x / total for x in out]


class Road:
    """The level of each place of a lap, the share of its energy drawn until there, and back."""

    def __init__(self, steps):
        self.level, self.way = shares([p * s for p, s, _ in steps]), shares([m for _, _, m in steps])
        laps, self.first, reached, lap, k = min(math.ceil(max(self.level)) + 1, 8), [], -math.inf, 0, 0
        for g in range(laps * LEVELS + 1):
            # On to the first step that ends at this level, or beyond it.
            while reached < g / LEVELS - 1e-15 and not (lap == laps - 1 and k == len(steps)):
                if k == len(steps):
                    lap, k = lap + 1, 0
                k += 1
                reached = max(reached, lap + self.level[k])
            at = max(k, 1)
            begin, end = lap + self.level[at - 1], lap + self.level[at]
            part = min(max((g / LEVELS - begin) / (end - begin), 0.0), 1.0) if end > begin else 0.0
            self.first.append(lap + self.way[at - 1] + part * (self.way[at] - self.way[at - 1]))
        self.laps = laps

    def place(self, level):
        """First place of a level, in laps; from the last kept lap on laps are alike."""
        whole = max(math.ceil(level) - self.laps, 0)
        at = (level - whole) * LEVELS
        low = min(int(at), len(self.first) - 2)
        return whole + self.first[low] + (at - low) * (self.first[low + 1] - self.first[low])

    def run(self, four, step):
        """Ends of the steps around one that are alike."""
        def alike(k):
            return all(abs(a - b) <= ALIKE_RUN for a, b in zip(four[k], four[step], strict=True))

        first = last = step
        while first > 0 and alike(first - 1):
            first -= 1
        while last < len(four) - 1 and alike(last + 1):
            last += 1
        return self.level[first], self.way[first], self.level[last + 1], self.way[last + 1]


def due(run, level):
    """First place of a run of steps at a level or above."""
    begin, way, end, way_end = run
    lap = max(math.ceil(level - end), 0)
    part = min(max((level - lap - begin) / (end - begin), 0.0), 1.0) if end > begin else 0.0
    return lap + way + part * (way_end - way)


class Course:
    """A lap as the fast range sees it for one cell, over the masses it was compressed for."""

    def __init__(self, lap, bins, cell, mass_min_kg, mass_max_kg, *, known):
        self.lap, self.bins, self.cell, self.masses = lap, bins, cell, (mass_min_kg, mass_max_kg)
        # Shares and steps are those of the cell in the air; loads lie between those of the two nearest temperatures.
        first = known.cells[0]
        taus = (TAU1, first.tau2_s, first.lag_tau_s)
        middle = lap.battery_w(0.5 * (mass_min_kg + mass_max_kg))
        self.shares = [min(max(filtered(middle, lap.seconds, tau)[1], 0.0), 1.0) for tau in taus]
        low, high = self.loads(first)
        middle = [_row([0.5 * (x + y) for x, y in zip(a, b, strict=True)]) for a, b in zip(low, high, strict=True)]
        four = four_of(middle)
        kept = in_sectors(four, hardest(four), low, high)
        at, part = cell.between
        cold, warm = self.loads(known.cells[at]), self.loads(known.cells[at + 1])
        self.critical = [
            tuple([a + part * (b - a) for a, b in zip(cold[m][k], warm[m][k], strict=True)] for m in (0, 1))
            for k in kept
        ]
        mass = mass_min_kg + MASS_PART * (mass_max_kg - mass_min_kg)
        self.road = Road(fine_steps(lap.battery_w(mass), lap.seconds, lap.metres))
        self.runs = [self.road.run(four, k) for k in kept]

    def loads(self, cell):
        """Loads of all steps at both masses; what is remembered never eases with mass."""
        ends = []
        for mass in self.masses:
            steps = fine_steps(self.lap.battery_w(mass), self.lap.seconds, self.lap.metres)
            taus = (TAU1, cell.tau2_s, cell.lag_tau_s)
            ends.append(remembered([p for p, _, _ in steps], [s for _, s, _ in steps], taus, cell.lag_s))
        low = [r.numbers() for r in ends[0]]
        return low, [[b[0], *map(max, a[1:], b[1:])] for a, b in zip(low, (r.numbers() for r in ends[1]), strict=True)]

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
        self.course, self.load, self.cell, self.start = course, load, load.cell, start_soc
        self.powers = [(course.lap.drawn_w(a + b * mass_kg) / cells, w) for a, b, w in course.bins]
        self.steps = course.steps_at(mass_kg, cells)

    def node(self, z, mean, times=1):
        """The lap's mean current at a state of charge, from the mean current of the node before."""
        cell, load, share = self.cell, self.load, self.course.shares
        r0, r1, r2 = (even(z, grid) for grid in (cell.r0, cell.r1, cell.r2))
        rest, drawn = even(z, cell.ocv), (self.start - z) * 3600.0 * cell.capacity_ah
        fast = r0 + share[0] * r1 + share[1] * r2 + share[2] * cell.lag_z * slope(z, cell.ocv)
        total = fast + load.outside_ohm
        least = -min(load.charge_limit_a, max(cell.v_max - rest, 0.0) / fast)
        square, u, alive = 0.0, rest, True
        for _ in range(times):
            lagging = (1 - share[2]) * cell.lag_z * built_up(mean, drawn, cell.lag_tau_s)
            u = even(z - lagging * mean, cell.ocv)
            u -= ((1 - share[0]) * r1 + (1 - share[1]) * r2 * built_up(mean, drawn, cell.tau2_s)) * mean
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
        i2 *= built_up(i2, node.drawn_c, cell.tau2_s) if i2 > 0 else 0.0
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

    def failing(self, node):
        """Numbers of the critical steps that can't be driven at a node."""
        return [k for k, step in enumerate(self.steps) if not node.alive or self.margin_v(node, step)[0] < 0]

    def closer(self, old, new, width, step):
        """Where in an interval a step that fails at its end does, in finer steps, and why."""
        before = max(self.margin_v(old, step)[0], 0.0)
        for sub in range(SUB_STEPS):
            fine = self.node(old.z - width / SUB_STEPS, old.mean_a)
            if not fine.alive:
                return sub / SUB_STEPS, POWER
            margin, why = self.margin_v(fine, step)
            if margin < 0:
                return (sub + before / (before - margin)) / SUB_STEPS, why
            old, before = fine, margin
        return 1.0, self.margin_v(new, step)[1] if new.alive else POWER

    def range_km(self, reserve_soc):
        """Distance and why it ends: time to run down, 1/i linear between the nodes; from it laps, and the place."""
        lap, road = self.course.lap, self.course.road
        mean = sum(w * max(p / even(self.start, self.cell.ocv), -self.load.charge_limit_a) for p, w in self.powers)
        old, level, failed = self.node(self.start, mean, FIRST), 0.0, {}
        for k in self.failing(old):
            failed[k] = (due(self.course.runs[k], 0.0), self.margin_v(old, self.steps[k])[1] if old.alive else POWER)
        width = (self.start - reserve_soc) / INTERVALS
        laps = width * 3600.0 * self.cell.capacity_ah / sum(lap.seconds)
        for _ in range(INTERVALS):
            if not old.alive:
                break
            new = self.node(old.z - width, old.mean_a)

            def grown(part, old=old, new=new):
                last = laps * part * part / 2 / new.mean_a if new.alive else 0.0
                return laps * (part - part * part / 2) / old.mean_a + last

            for k in self.failing(new):
                if k not in failed:
                    part, why = self.closer(old, new, width, self.steps[k])
                    failed[k] = due(self.course.runs[k], level + grown(part)), why
            level += grown(1.0)
            old = new
        # What fails after the first of these places comes due is later than it.
        place, stop = min(failed.values(), key=lambda x: x[0], default=(math.inf, RESERVE))
        if old.alive and road.place(level) < place:
            place, stop = road.place(level), RESERVE
        return sum(lap.metres) * place / 1000.0, stop
