"""How cells warm along the ride, step by step of their charge: from the docstrings of optimizer.score.warmth."""

import math
from dataclasses import dataclass, replace

from plain_cell import even

STEPS = 20


@dataclass
class Warm:
    """A cell at rising temperatures."""

    cells: list
    temps: list

    def __post_init__(self):
        # No part rises with temperature.
        for cold, cell in zip(self.cells, self.cells[1:], strict=False):
            for name in ("r0", "r1", "r2"):
                setattr(cell, name, [min(a, b) for a, b in zip(getattr(cold, name), getattr(cell, name), strict=True)])

    def between(self, temp_c):
        """Which two of them a temperature lies between, and the part of the way in 1/T."""
        low = sum(temp_c > each for each in self.temps[1:-1])
        at, a, b = (1.0 / (t + 273.15) for t in (temp_c, *self.temps[low : low + 2]))
        return low, min(max((at - a) / (b - a), 0.0), 1.0)

    def lasting_ohm(self, z, temp_c):
        """R0 + R1 + R2 and what the surface trails by, over 5 % of charge; ln r is linear in 1/T."""
        known = []
        for cell in self.cells:
            slope = (even(z, cell.ocv) - even(max(z - 0.05, 0.0), cell.ocv)) / 0.05
            known.append(even(z, cell.r0) + even(z, cell.r1) + even(z, cell.r2) + cell.lag_z * slope)
            known[-1] = min(known[-1], known[max(len(known) - 2, 0)])
        low, part = self.between(temp_c)
        return mixed(known[low], known[low + 1], part)


def mixed(a, b, part):
    return a * (max(b, 1e-12) / max(a, 1e-12)) ** part


# Heat capacity of fillers over that of the cells, rounded up to one of these.
FILLED = (0.0, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2)


def course(warm, plan, power, weight, least_a, cell_kg, count, walls, start_c, entropy, filled):
    """Temperatures, seconds of each step and heat of the reaction in it."""
    walls_w_k, walls_j_k = walls
    first, k_per_w = warm.cells[0], count / walls_w_k
    j_k = cell_kg * 950.0 * (1.0 + 0.12 * 1200.0 / 950.0 + filled) + walls_j_k / count
    step = (plan.start_soc - plan.reserve_soc) / STEPS
    temps, seconds, reversible = [start_c], [], []
    for k in range(STEPS):
        z = plan.start_soc - k * step
        volts, ohm = even(z, first.ocv), warm.lasting_ohm(z, temps[-1])
        amps = [max(2.0 * p / (volts + math.sqrt(max(volts * volts - 4.0 * ohm * p, 0.0))), least_a) for p in power]
        mean = sum(w * a for w, a in zip(weight, amps, strict=True))
        reversible.append(-(temps[-1] + 273.15) * even(z - 0.5 * step, entropy) * max(mean, 1e-9))
        joule = ohm * sum(w * a * a for w, a in zip(weight, amps, strict=True))
        end = plan.temp_c + k_per_w * (joule + reversible[-1])
        seconds.append(step * 3600.0 * first.capacity_ah / max(mean, 1e-9))
        temps.append(end + (temps[-1] - end) * math.exp(-seconds[-1] / (k_per_w * j_k)))
    return temps, seconds, reversible


def warmed(warm, plan, *known, filler_j_k):
    """The cell with the resistances of its course, its lag and slow delay at the mean of both ends.

    With fillers it is the coldest of the courses of all FILLED up to what the pack holds, place by place. known: as
    in course. Beside it the course without fillers, which heats the hottest cell.
    """
    cell_kg, count = known[3:5]
    part = filler_j_k * (1.0 - 1e-9) / (count * cell_kg * 950.0)
    held = [each for k, each in enumerate(FILLED) if not k or FILLED[k - 1] < part]
    every = [course(warm, plan, *known, each) for each in held]
    temps = [min(each) for each in zip(*(temps for temps, _, _ in every), strict=True)]
    first, step = warm.cells[0], (plan.start_soc - plan.reserve_soc) / STEPS
    points, changed = len(first.ocv), {"r0": [], "r1": [], "r2": []}
    for n in range(points):
        at = min(max((plan.start_soc - n / (points - 1)) / step, 0.0), float(STEPS))
        k = min(int(at), STEPS - 1)
        low, part = warm.between(temps[k] + (at - k) * (temps[k + 1] - temps[k]))
        for name, values in changed.items():
            cold, hot = (getattr(warm.cells[j], name)[n] for j in (low, low + 1))
            values.append(mixed(cold, hot, part))
    low, part = warm.between(0.5 * (temps[0] + temps[-1]))
    slow = {
        name: mixed(getattr(warm.cells[low], name), getattr(warm.cells[low + 1], name), part)
        for name in ("lag_s", "lag_tau_s", "tau2_s")
    }
    cell = replace(first, **changed, **slow)
    cell.between = low, part
    return cell, every[0]
