"""How cells warm and cool along the ride: one course of temperature for each cell and count of them.

A pack that loses more warms its cells more, and warm cells go further: were the course that of each pack, a worse wire
might better its range, and nothing could be dropped for it. So the course is that of the cells alone, without wiring,
behind the outer walls of all compartments: it depends on cell, S·P and the brief, on no part and no layout. A pack
draws as much or more and holds its heat better, so that its mean cell is warmer than counted; a small group alone in a
box of its own is colder (tests/search/test_warmth.py looks at packs in one box). What is poured or laid around cells
must be warmed, too: of courses with more and more of it (FILLED) the coldest counts, place by place, so that no pack
goes further for a heavier filler. The hottest cell is told without it, on the safe side. As the course is a function of
the state of charge, a warmed cell is to the ride a cell with other curves: what the range is monotone in stays so
(tests/search/test_monotone.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from optimizer.base.arrays import Floats, Ints
from optimizer.base.constants import CELSIUS_K
from optimizer.brief import Brief, brief_in
from optimizer.cell.model import CellModel
from optimizer.pack.thermal import heat
from optimizer.ride.bins import CompressedRide
from optimizer.ride.kernels.cells import CAPACITY, LAG, LAG_TAU, TAU2, CellArrays, from_models
from optimizer.ride.kernels.critical import loads_at
from optimizer.ride.load.roadload import RideSteps
from optimizer.ride.load.trace import Trace
from optimizer.score.outside import outside

if TYPE_CHECKING:
    from optimizer.score.context import Context


# Steps of the state of charge from the ride's start to its reserve.
STEPS = 20
# Mass of holders and cases over that of the cells; printed ones of the demo have 0.06 to 0.16.
HOLDER_PART = 0.12
# Heat capacity of fillers over that of the cells, for which courses are known: a pack has the next larger [-].
FILLED = np.array([0.0, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2])
# How far above air, or a warmer start, laws are told in NODES, and up to where beyond it; hotter cells count as that
# warm [K], [°C].
SPAN_K, WARMEST_C = 30.0, 60.0
# Where between the coldest and the warmest resistances are worked out; between, ln r is linear in 1/T.
NODES = (0.0, 0.4, 1.0)
# Over which the slope of the voltage is taken: a surface trails by so much, roughly [-].
SLOPE_SOC = 0.05
OHMS = ("r0_ohm", "r1_ohm", "r2_ohm")
SLOW = ("tau2_s", "lag_s", "lag_tau_s")


@dataclass(frozen=True, eq=False)
class WarmthRules:
    """What of a brief decides how its cells warm.

    Parameters
    ----------
    start_c : float
        Cells at the ride's start [°C].
    walls_w_k, walls_j_k : float
        From the cells' holders through all compartments' walls to the air, and the walls' heat capacity [W/K], [J/K].
    sun_k, ride_sun_k : float
        How much the sun warms the compartment that it warms most, in still air and in the ride's wind [K].
    temp_c : ndarray, shape (k,)
        Rising temperatures, at which cells are known [°C].
    cells : tuple of CellArrays
        The cells at each of them.
    critical : ndarray, shape (k, n_cells, steps, LOADS, 2)
        Loads of the ride's critical steps on them.
    """

    start_c: float
    walls_w_k: float
    walls_j_k: float
    sun_k: float
    ride_sun_k: float
    temp_c: Floats
    cells: tuple[CellArrays, ...]
    critical: Floats

    def of(self, cell: Ints, *, capacity: Floats, resistance: Floats) -> WarmthRules:
        """The same of other rows of cells, with factors on capacity and resistances."""
        kept = tuple(scaled(each, cell, capacity=capacity, resistance=resistance) for each in self.cells)
        return replace(self, cells=kept, critical=self.critical[:, cell])

    def between(self, temp_c: Floats) -> tuple[Ints, Floats]:
        """Node below each temperature, and the part of the way to the next in 1/T; held at both ends."""
        inverse, at = 1.0 / (self.temp_c + CELSIUS_K), 1.0 / (temp_c + CELSIUS_K)
        low = np.clip(np.searchsorted(self.temp_c, temp_c) - 1, 0, len(self.temp_c) - 2)
        part = (at - inverse[low]) / (inverse[low + 1] - inverse[low])
        return low, np.clip(part, 0.0, 1.0)


    def known_ohm(self, soc: Floats, cell: Ints) -> Floats:
        """Resistance of cells under a load that lasts at each known temperature, shape (k, n, len(soc)) [ohm]."""
        whole = np.stack([_lasting_ohm(each, cell, soc) for each in self.cells])
        # No resistance rises with temperature; rounding shall not have it so either.
        return np.asarray(np.minimum.accumulate(whole))

    def lasting_ohm(self, soc: float, temp_c: Floats) -> Floats:
        """The same at other temperatures, shape (len(temp_c), n_cells)."""
        every = np.arange(self.cells[0].count)
        known = self.known_ohm(np.array([soc]), every)[:, :, 0]
        return _between(known, *self.between(np.repeat(temp_c[:, None], len(every), axis=1)))


def warmth_of(
    brief: Brief, *, models: Sequence[CellModel], ride: CompressedRide, steps: RideSteps, trace: Trace,
    start_c: float | None = None,
) -> WarmthRules:  # fmt: skip
    """How a brief with [ride] warms its cells.

    Parameters
    ----------
    ride : CompressedRide
        With the cells at the air's temperature.
    steps : RideSteps
        Of the same lap.
    trace : Trace
    start_c : float, optional
        Cells at the start; at the air's temperature if left out [°C].
    """
    assert brief.ride is not None
    air_c = brief.ride.temp_c
    first = air_c if start_c is None else start_c
    low, high = min(air_c, first), max(air_c, first) + SPAN_K
    temps = np.array([low + part * (high - low) for part in NODES] + [WARMEST_C] * (high < WARMEST_C))
    arrays = [ride.cells if temp_c == air_c else from_models(models, temp_c=float(temp_c)) for temp_c in temps]
    # No resistance rises with temperature: laws have it so, and rounding shall.
    for cold, warm in pairwise(range(len(arrays))):
        least = {name: np.minimum(getattr(arrays[cold], name), getattr(arrays[warm], name)) for name in OHMS}
        arrays[warm] = replace(arrays[warm], **least)
    critical = [
        ride.critical if cells is ride.cells else loads_at(
            steps, cells=cells, at=ride.critical_at, mass_min_kg=ride.mass_min_kg, mass_max_kg=ride.mass_max_kg
        )
        for cells in arrays
    ]  # fmt: skip
    return WarmthRules(first, *outside(brief, trace), temps, tuple(arrays), np.stack(critical))


def in_boxes_of(context: Context, brief: Brief) -> Context:
    """A context, with those of its situations, for the compartments of another brief that is alike in all else."""
    def moved(one: Context, here: Brief) -> Context:
        walls_w_k, walls_j_k, sun_k, ride_sun_k = outside(here, one.trace)
        warmth = replace(
            one.warmth, walls_w_k=walls_w_k, walls_j_k=walls_j_k, sun_k=sun_k, ride_sun_k=ride_sun_k
        )  # fmt: skip
        return replace(one, warmth=warmth)

    situations = {item.name: moved(context.situations[item.name], brief_in(brief, item)) for item in brief.situation}
    return replace(moved(context, brief), situations=situations)


@dataclass(frozen=True, eq=False)
class WarmCourse:
    """Cells over the ride, in STEPS even steps of the state of charge.

    Parameters
    ----------
    soc : ndarray, shape (STEPS + 1,)
        From the ride's start to its reserve [-].
    temp_c : ndarray, shape (n, STEPS + 1)
        [°C]
    seconds : ndarray, shape (n, STEPS)
        Length of each step [s].
    reversible_w : ndarray, shape (n, STEPS)
        Mean heat of the reaction in each step, below 0 where it cools [W].
    """

    soc: Floats
    temp_c: Floats
    seconds: Floats
    reversible_w: Floats


def courses(context: Context, cell: Ints, number: Ints, *, filled: float = 0.0) -> WarmCourse:
    """Temperature of cells over the ride, in packs of so many of them.

    C·N·dT/dt = N·(r(T, z)·mean(i²) − T·dU/dT·mean(i)) − G·(T − T_air), exact within each step of the state of charge,
    whose length in time follows from the lap's mean current; r is that under a load that lasts. The heat of the
    reaction goes with the charge that is drawn (Bernardi et al., J. Electrochem. Soc. 132 (1985) 5), the same for every
    pack.

    Parameters
    ----------
    cell, number : ndarray of int, shape (n,)
    filled : float
        Heat capacity of fillers over that of the cells [-].
    """
    warmth, arrays, table = context.warmth, context.ride.cells, context.cells
    soc = np.linspace(context.start_soc, context.reserve_soc, STEPS + 1)
    mass_kg = context.vehicle_mass_kg + number * table.mass_kg[cell]
    power = context.ride.battery_power_w(mass_kg) / number[:, None]
    least_a = -table.regen_a[cell][:, None]
    k_per_w = number / warmth.walls_w_k
    holder = 1.0 + HOLDER_PART * heat.CASE_J_PER_KG_K / heat.CELL_J_PER_KG_K + filled
    cell_j_k = table.mass_kg[cell] * heat.CELL_J_PER_KG_K * holder + warmth.walls_j_k / number
    step_c = (soc[0] - soc[1]) * 3600.0 * arrays.capacity_ah[cell]
    temp = np.full((len(cell), STEPS + 1), warmth.start_c)
    seconds, reversible_w = np.empty((2, len(cell), STEPS))
    every_v, known = _at(arrays.ocv_v, cell, soc[:-1]), warmth.known_ohm(soc[:-1], cell)
    every_slope = _at(table.entropy_v_k, cell, 0.5 * (soc[:-1] + soc[1:]))
    for at in range(STEPS):
        volts = every_v[:, at, None]
        ohm = _between(known[:, :, at], *warmth.between(temp[:, at]))
        amps = 2.0 * power / (volts + np.sqrt(np.maximum(volts**2 - 4.0 * ohm[:, None] * power, 0.0)))
        amps = np.maximum(amps, least_a)
        mean = np.maximum(amps @ context.ride.weight, 1e-9)
        reversible_w[:, at] = -(temp[:, at] + CELSIUS_K) * every_slope[:, at] * mean
        end = context.air_c + k_per_w * (ohm * (amps**2 @ context.ride.weight) + reversible_w[:, at])
        seconds[:, at] = step_c / mean
        kept = np.exp(-seconds[:, at] / (k_per_w * cell_j_k))
        temp[:, at + 1] = end + (temp[:, at] - end) * kept
    return WarmCourse(soc, temp, seconds, reversible_w)


def _at(grid: Floats, cell: Ints, soc: Floats) -> Floats:
    """Values of cells at states of charge, shape (n, len(soc))."""
    last = grid.shape[1] - 1
    place = np.clip(soc, 0.0, 1.0) * last
    low = np.minimum(place.astype(np.int64), last - 1)
    below = grid[cell[:, None], low]
    out: Floats = below + (place - low) * (grid[cell[:, None], low + 1] - below)
    return out


def _lasting_ohm(arrays: CellArrays, cell: Ints, soc: Floats) -> Floats:
    """Resistance under a load that lasts, the lag of the surface in it, shape (n, len(soc)) [ohm]."""
    slope = (_at(arrays.ocv_v, cell, soc) - _at(arrays.ocv_v, cell, soc - SLOPE_SOC)) / SLOPE_SOC
    lag = (arrays.lag_s[cell] / (3600.0 * arrays.capacity_ah[cell]))[:, None] * slope
    return _at(arrays.r0_ohm, cell, soc) + _at(arrays.r1_ohm, cell, soc) + _at(arrays.r2_ohm, cell, soc) + lag


def _between(values: Floats, low: Ints, part: Floats) -> Floats:
    """Of values at each temperature, shape (k, n, ...), those between, ln linear in the part (..., n, ...)."""
    index = np.indices(values.shape[1:], sparse=True)
    cold, warm = values[(low, *index)], values[(low + 1, *index)]
    out: Floats = cold * (np.maximum(warm, 1e-12) / np.maximum(cold, 1e-12)) ** part
    return out


def _filled(context: Context, cell: Ints, number: Ints, filler_j_k: Floats) -> Ints:
    """Place in FILLED of what packs hold, rounded up; the last beyond it."""
    part = filler_j_k / (number * context.cells.mass_kg[cell] * heat.CELL_J_PER_KG_K)
    return np.minimum(np.searchsorted(FILLED, part * (1.0 - 1e-9)), len(FILLED) - 1).astype(np.int64)


def _coldest(context: Context, cell: Ints, number: Ints, filled: Ints) -> Floats:
    """Coldest of the courses with no more filler than packs have, shape (n, STEPS + 1) [°C]."""
    temp = courses(context, cell, number).temp_c
    for place in range(1, int(filled.max(initial=0)) + 1):
        held = filled >= place
        colder = courses(context, cell[held], number[held], filled=float(FILLED[place])).temp_c
        temp[held] = np.minimum(temp[held], colder)
    return temp


def warmed(
    context: Context, cell: Ints, number: Ints, *, filler_j_k: Floats | None = None
) -> tuple[CompressedRide, Ints]:
    """The ride with cells of their own for each cell and count of them: their resistances follow their course.

    The surface's lag and the slow delay are those of the mean of start and end, all along.

    Parameters
    ----------
    cell, number : ndarray of int, shape (n,)
    filler_j_k : ndarray, shape (n,), optional
        Heat capacity of what is poured or laid around the cells [J/K].

    Returns
    -------
    CompressedRide, ndarray of int, shape (n,)
        And which of its cells each pack has.
    """
    filled = np.zeros_like(cell) if filler_j_k is None else _filled(context, cell, number, filler_j_k)
    kinds, back = np.unique(np.column_stack([cell, number, filled]), axis=0, return_inverse=True)
    own, temp = kinds[:, 0], _coldest(context, *kinds.T)
    soc = np.linspace(context.start_soc, context.reserve_soc, STEPS + 1)
    warmth = context.warmth
    grid = np.linspace(0.0, 1.0, context.ride.cells.ocv_v.shape[1])
    along = [np.interp(grid, soc[::-1], row[::-1]) for row in temp]
    whole = warmth.between(np.reshape(along, (len(own), len(grid))))
    middle = warmth.between(0.5 * (temp[:, 0] + temp[:, -1]))
    changed = {name: _between(np.stack([getattr(each, name)[own] for each in warmth.cells]), *whole) for name in OHMS}
    for name in SLOW:
        changed[name] = _between(np.stack([getattr(each, name)[own] for each in warmth.cells]), *middle)
    ride, (low, part) = ride_of(context.ride, own, context.ride.cells.of(own, **changed)), middle
    first, then = warmth.critical[low, own], warmth.critical[low + 1, own]
    ride = replace(ride, critical=first + part[:, None, None, None] * (then - first))
    return ride, back.ravel().astype(np.int64)


def scaled(arrays: CellArrays, cell: Ints, *, capacity: Floats, resistance: Floats) -> CellArrays:
    """Rows of cells with factors on their capacity and resistances."""
    changed = {name: getattr(arrays, name)[cell] * resistance[:, None] for name in OHMS}
    return arrays.of(cell, **changed, capacity_ah=arrays.capacity_ah[cell] * capacity)


def ride_of(ride: CompressedRide, cell: Ints, arrays: CellArrays) -> CompressedRide:
    """The ride of cells of their own, which came from these rows of those it has."""
    table = ride.table[cell]
    table[:, CAPACITY], table[:, TAU2] = arrays.capacity_ah, arrays.tau2_s
    table[:, LAG], table[:, LAG_TAU] = arrays.lag_s, arrays.lag_tau_s
    return replace(
        ride, cells=arrays, table=table, critical=ride.critical[cell], critical_count=ride.critical_count[cell],
        critical_at=ride.critical_at[cell], runs=ride.runs[cell],
    )  # fmt: skip
