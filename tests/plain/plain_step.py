"""The ride stepped through in time, one pack at a time: from the docstrings of optimizer.ride.simulate and cells.

In one cell's terms: power over the number of cells, resistance outside times P/S, limits over P.
"""

import math
from dataclasses import dataclass

from plain_cell import TAU1, TAU2, even

RESERVE, CUTOFF, CURRENT, POWER = "reserve", "cell cut-off", "current limit", "power not available"


@dataclass
class Load:
    """A pack as its cells see it."""

    cell: object
    factor: float  # on all resistances, by the temperature
    outside_ohm: float
    limit_a: float
    charge_limit_a: float


@dataclass
class State:
    z: float
    i1: float = 0.0
    i2: float = 0.0
    lag_a: float = 0.0

    def towards(self, other, part):
        return State(*(x + part * (y - x) for x, y in zip(self.values(), other.values(), strict=True)))

    def values(self):
        return self.z, self.i1, self.i2, self.lag_a


@dataclass
class Solved:
    amps: float
    margin_w: float
    why: str
    terminal_v: float
    cell_v: float


def slope(z, grid):
    n = len(grid) - 1
    k = min(int(min(max(z, 0.0), 1.0) * n), n - 1)
    return (grid[k + 1] - grid[k]) * n


def most_power(u, cell_ohm, load):
    """Most power that the cell gives, and what limits it: matched load, current limit, cut-off."""
    total = cell_ohm + load.outside_ohm
    amps, why = u / (2.0 * total), POWER
    if load.limit_a < amps:
        amps, why = load.limit_a, CURRENT
    if (u - load.cell.v_min) / cell_ohm < amps:
        amps, why = (u - load.cell.v_min) / cell_ohm, CUTOFF
    return (u - total * amps) * amps, why


def solve(state, power, seconds, load):
    """Current of a step of constant power: the lower root of r·I² − u·I + P at the middle of the step."""
    cell, f = load.cell, load.factor
    r0, r1, r2 = f * even(state.z, cell.r0), f * even(state.z, cell.r1), f * even(state.z, cell.r2)
    k1, k2 = math.exp(-seconds / 2 / TAU1), math.exp(-seconds / 2 / TAU2)
    kl = math.exp(-seconds / 2 / cell.lag_tau_s)
    surface = state.z - cell.lag_z * kl * state.lag_a
    u = even(surface, cell.ocv) - r1 * k1 * state.i1 - r2 * k2 * state.i2
    inside = r0 + r1 * (1 - k1) + r2 * (1 - k2) + cell.lag_z * (1 - kl) * slope(surface, cell.ocv)
    most, why = most_power(u, inside, load)
    total = inside + load.outside_ohm
    amps = 2.0 * power / (u + math.sqrt(max(u * u - 4.0 * total * power, 0.0)))
    # Regeneration: no more than the limits take, and not beyond the full voltage.
    amps = max(amps, -min(load.charge_limit_a, max(cell.v_max - u, 0.0) / inside))
    return Solved(amps, most - power, why, u - total * amps, u - inside * amps)


def advanced(state, amps, seconds, load):
    """Charge drawn, and the delayed currents exactly for a constant one."""
    out = State(state.z - amps * seconds / (3600.0 * load.cell.capacity_ah))
    out.i1 = amps + (state.i1 - amps) * math.exp(-seconds / TAU1)
    out.i2 = amps + (state.i2 - amps) * math.exp(-seconds / TAU2)
    out.lag_a = amps + (state.lag_a - amps) * math.exp(-seconds / load.cell.lag_tau_s)
    return out


def just_driven(before, after, power, seconds, load):
    """State of charge between two states at which a step could just be driven: bisection, 24 times."""
    low, high = 0.0, 1.0
    for _ in range(24):
        part = 0.5 * (low + high)
        if solve(before.towards(after, part), power, seconds, load).margin_w < 0.0:
            high = part
        else:
            low = part
    return before.towards(after, part).z


def fine_steps(power, seconds, metres):
    """Steps cut evenly so that none is longer than 1 s."""
    out = []
    for p, s, m in zip(power, seconds, metres, strict=True):
        parts = max(math.ceil(s - 1e-9), 1)
        out += [(p, s / parts, m / parts)] * parts
    return out


@dataclass
class Ridden:
    range_km: float
    stop: str
    consumption_wh_per_km: float | None
    cell_v_min: float
    cell_v_max: float
    amps_max: float
    amps_min: float
    charge_ah: float
    energy_wh: float  # at one cell's share of the terminals, to the very end
    open_wh: float  # what the cell's OCV would have given for the same charge


def ride(load, lap, start_soc, reserve_soc):
    """Repeat the lap to its end; lap: (power of one cell, seconds, metres) per step."""
    state, soc_at = State(start_soc), [start_soc]
    now, before = [None] * len(lap), [None] * len(lap)
    way = energy = whole_way = whole_energy = 0.0
    out = Ridden(0.0, "", None, math.inf, -math.inf, 0.0, 0.0, 0.0, 0.0, 0.0)
    lap_m, number, s = sum(m for _, _, m in lap), 0, 0
    while True:
        power, seconds, metres = lap[s]
        got = solve(state, power, seconds, load)
        if got.margin_w < 0.0 and number == 0:
            out.range_km, out.stop = way / 1000.0, got.why
            break
        if got.margin_w < 0.0 or state.z <= reserve_soc:
            found, out.stop = _end(state, s, number, got, now, before, lap, load)
            if found <= reserve_soc:
                found, out.stop = reserve_soc, RESERVE
            if number == 0:
                drops = [start_soc - _lap_end(state, s, lap, load).z]
            else:
                drops = [soc_at[k] - soc_at[k + 1] for k in range(max(number - 2, 0), number)]
            out.range_km = lap_m * _laps(found, number, soc_at[number], drops) / 1000.0
            break
        before[s], now[s] = now[s], state
        way, energy = way + metres, energy + got.terminal_v * got.amps * seconds
        _note(out, got, seconds, even(state.z, load.cell.ocv))
        state, s = advanced(state, got.amps, seconds, load), s + 1
        if s == len(lap):
            s, number = 0, number + 1
            soc_at.append(state.z)
            whole_way, whole_energy = way, energy
    if number == 0:
        whole_way, whole_energy = way, energy
    if whole_way > 0:
        out.consumption_wh_per_km = whole_energy / 3.6 / whole_way
    return out


def _note(out, got, seconds, open_v):
    out.cell_v_min, out.cell_v_max = min(out.cell_v_min, got.cell_v), max(out.cell_v_max, got.cell_v)
    out.amps_max, out.amps_min = max(out.amps_max, got.amps), min(out.amps_min, got.amps)
    out.charge_ah += got.amps * seconds / 3600.0
    out.energy_wh += got.terminal_v * got.amps * seconds / 3600.0
    out.open_wh += open_v * got.amps * seconds / 3600.0


def _end(state, s, number, got, now, before, lap, load):
    """Highest state of charge at which step s, or any other one lap ahead, could just be driven; and why."""
    found, why = -1.0, got.why
    if got.margin_w < 0.0:
        found = just_driven(now[s], state, lap[s][0], lap[s][1], load)
    if number == 0:
        return found, why
    others, others_why = -1.0, RESERVE
    # In the second lap only the steps before this one have been driven twice.
    for k in range(len(lap) if number > 1 else s):
        ahead = before[k].towards(now[k], 2.0)
        solved = solve(ahead, lap[k][0], lap[k][1], load)
        if solved.margin_w < 0.0:
            z = just_driven(now[k], ahead, lap[k][0], lap[k][1], load)
            if z > others:
                others, others_why = z, solved.why
    return (others, others_why) if others > found else (found, why)


def _lap_end(state, s, lap, load):
    """State at the end of a first lap, limits of discharge aside."""
    for power, seconds, _ in lap[s:]:
        state = advanced(state, solve(state, power, seconds, load).amps, seconds, load)
    return state


def _laps(z, number, lap_z, drops):
    """Laps by their share of the lap's charge; the last one's is told from the two before it."""
    if z > lap_z:
        return number - (z - lap_z) / drops[-1]
    ahead = drops[-1] + (drops[-1] - drops[-2] if number > 1 else 0.0)
    return number + (lap_z - z) / ahead
