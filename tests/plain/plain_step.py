"""The ride stepped through in time, one pack at a time: from the docstrings of optimizer.ride.simulate and cells.

In one cell's terms: power over the number of cells, resistance outside times P/S, limits over P.
"""

import math
from dataclasses import dataclass

from plain_cell import TAU1, even

RESERVE, CUTOFF, CURRENT, POWER = "reserve", "cell cut-off", "current limit", "power not available"


@dataclass
class Load:
    """A pack as its cells see it."""

    cell: object
    outside_ohm: float
    limit_a: float
    charge_limit_a: float


@dataclass
class State:
    z: float
    i1: float = 0.0
    i2: float = 0.0
    lag_a: float = 0.0


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
    cell = load.cell
    r0, r1, r2 = even(state.z, cell.r0), even(state.z, cell.r1), even(state.z, cell.r2)
    k1, k2 = math.exp(-seconds / 2 / TAU1), math.exp(-seconds / 2 / cell.tau2_s)
    kl = math.exp(-seconds / 2 / cell.lag_tau_s)
    surface = state.z - cell.lag_z * kl * state.lag_a
    u = even(surface, cell.ocv) - r1 * k1 * state.i1 - r2 * k2 * state.i2
    inside = r0 + r1 * (1 - k1) + r2 * (1 - k2)
    if 0.0 < surface < 1.0:
        inside += cell.lag_z * (1 - kl) * slope(surface, cell.ocv)
    most, why = most_power(u, inside, load)
    total = inside + load.outside_ohm
    amps = 2.0 * power / (u + math.sqrt(max(u * u - 4.0 * total * power, 0.0)))
    # Regeneration: no more than the limits take, and beyond neither the full voltage nor the capacity.
    room = max(1.0 - state.z, 0.0) * 3600.0 * cell.capacity_ah / seconds
    amps = max(amps, -min(load.charge_limit_a, max(cell.v_max - u, 0.0) / inside, room))
    return Solved(amps, most - power, why, u - total * amps, u - inside * amps)


def advanced(state, amps, seconds, load):
    """Charge drawn, and the delayed currents exactly for a constant one."""
    out = State(state.z - amps * seconds / (3600.0 * load.cell.capacity_ah))
    out.i1 = amps + (state.i1 - amps) * math.exp(-seconds / TAU1)
    out.i2 = amps + (state.i2 - amps) * math.exp(-seconds / load.cell.tau2_s)
    out.lag_a = amps + (state.lag_a - amps) * math.exp(-seconds / load.cell.lag_tau_s)
    return out


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
    state, way, energy, whole_way, whole_energy = State(start_soc), 0.0, 0.0, 0.0, 0.0
    out = Ridden(0.0, "", None, math.inf, -math.inf, 0.0, 0.0, 0.0, 0.0, 0.0)
    last, z_before, s = (0.0, 0.0), start_soc, 0
    while True:
        power, seconds, metres = lap[s]
        got = solve(state, power, seconds, load)
        if state.z <= reserve_soc:
            # Back to the reserve, within the step before.
            over = (reserve_soc - state.z) / (z_before - state.z)
            way, energy = way - over * last[0], energy - over * last[1]
            out.stop = RESERVE
            break
        if got.margin_w < 0.0:
            out.stop = got.why
            break
        if s == 0:
            whole_way, whole_energy = way, energy
        last, z_before = (metres, got.terminal_v * got.amps * seconds), state.z
        way, energy = way + last[0], energy + last[1]
        _note(out, got, seconds, even(state.z, load.cell.ocv))
        state, s = advanced(state, got.amps, seconds, load), (s + 1) % len(lap)
    out.range_km = way / 1000.0
    if whole_way == 0:
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
