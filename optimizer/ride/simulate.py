"""The ride stepped through in time: the slow twin of `range_block`, and the traces that people look at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optimizer.base.constants import CELSIUS_K
from optimizer.ride.bins import CompressedRide
from optimizer.ride.heavier import Growth
from optimizer.ride.kernels import cell as cellkernel
from optimizer.ride.kernels import sim as simkernel
from optimizer.ride.kernels.cells import CAPACITY
from optimizer.ride.kernels.critical import STEP_MAX_S
from optimizer.ride.load.roadload import RideSteps, step_parts
from optimizer.ride.range import PackBlock, RangeBlock, candidate_table, check_soc, mean_power_w

Floats = NDArray[np.float64]

MAX_STEPS = 20_000_000
"""Bound on the time steps of one run, some 230 days at 1 s: a pack that lasts longer is no result."""


TOGETHER = 8
"""Packs that are stepped through at a time."""


@dataclass(frozen=True, eq=False)
class RideTrace:
    """One design over the ride, every array of shape (n,).

    Parameters
    ----------
    time_s, distance_km : ndarray
        Since the start, at the end of each recorded step [s], [km].
    soc : ndarray
        [-]
    voltage_v, current_a, power_w : ndarray
        At the pack's terminals, discharge > 0 [V], [A], [W].
    cell_voltage_v : ndarray
        At a cell's terminals [V].
    temp_c : ndarray
        Of the cells [°C].
    """

    time_s: Floats
    distance_km: Floats
    soc: Floats
    voltage_v: Floats
    current_a: Floats
    power_w: Floats
    cell_voltage_v: Floats
    temp_c: Floats


def simulate(
    packs: PackBlock,
    *,
    steps: RideSteps,
    ride: CompressedRide,
    start_soc: float = 1.0,
    reserve_soc: float = 0.1,
    step_max_s: float = STEP_MAX_S,
    growth: Growth | None = None,
) -> RangeBlock:
    """Range of every candidate by stepping through the repeated ride with the cell's full dynamics.

    In each step the power is constant and the current is the lower root of r·I² − u·I + P = 0; the voltages
    of R1, R2 and the lag are advanced exactly for constant current, and enter the solution at mid-step. A step
    can't be driven when it asks for more than the pack gives at the cut-off, the current limit or the matched
    load. Regeneration is cut where it would pass a charge limit, the full voltage or the capacity.

    The ride ends where it ends: the range is the way along the road, whole laps and the part of the last one, up
    to the first step that can't be driven, or to the point within a step at which the reserve is reached. Nothing
    is interpolated between laps, and what the rest of the lap would ask doesn't count. So the range changes in
    steps where a lap does: a pack that just reaches the top rolls down for nothing, one that comes to a hard place
    a little too empty ends there. It never rises as a pack gets worse.

    Duration and energy are those up to the stop. Consumption, heat and rms current are means over whole laps, or
    over what was driven of the first.

    Parameters
    ----------
    packs : PackBlock
        n candidates.
    steps : RideSteps
        The lap.
    ride : CompressedRide
        Of the same lap; its cells and masses are used, not its bins.
    start_soc, reserve_soc : float
        0 ≤ reserve < start ≤ 1 [-].
    step_max_s : float
        Longest time step, above 0 [s].
    growth : Growth, optional
        Of the lap in time steps of STEP_MAX_S: tells RangeBlock.settled.

    Raises
    ------
    ValueError
        If a value is out of bounds, or a pack is never emptied.
    """
    check_soc(start_soc, reserve_soc=reserve_soc)
    cell, series, parallel, table = candidate_table(packs, ride=ride)
    curves = ride.cells.curves()
    rows = np.zeros((len(cell), simkernel.RESULT))
    for start in range(0, len(cell), TOGETHER):
        here = slice(start, start + TOGETHER)
        rows[here] = simkernel.run(
            *_fine_steps(steps, table[here], step_max_s=step_max_s), curves, cell[here],
            _usable(ride.table[cell[here]], table[here]), table[here], (start_soc, reserve_soc), MAX_STEPS,
            np.empty((0, simkernel.RECORD)), 1,
        )  # fmt: skip
    if np.any(rows[:, simkernel.STOP] < 0):
        raise ValueError(f"candidate {int(np.argmin(rows[:, simkernel.STOP]))} is never emptied by this ride")
    settled = np.zeros(len(cell), dtype=bool) if growth is None else growth.settles(
        *rows[:, [simkernel.STOP, simkernel.STEPS]].astype(np.int64).T, candidates=table, cell=cell,
        numbers=ride.table, curves=curves, reserve_soc=reserve_soc,
    )  # fmt: skip
    return _assemble(rows, cells=series * parallel, parallel=parallel, ride=ride,
                     mass_kg=table[:, cellkernel.MASS], settled=settled)  # fmt: skip


def simulate_trace(
    packs: PackBlock,
    *,
    steps: RideSteps,
    ride: CompressedRide,
    start_soc: float = 1.0,
    reserve_soc: float = 0.1,
    points: int = 2000,
) -> RideTrace:
    """The run of one design over time, thinned to about `points` steps, for a plot.

    Parameters
    ----------
    packs : PackBlock
        One candidate.
    steps, ride, start_soc, reserve_soc
        As in `simulate`.
    points : int
        Most points to return, at least 1 [-].

    Raises
    ------
    ValueError
        As in `simulate`, or if there is more than one candidate.
    """
    check_soc(start_soc, reserve_soc=reserve_soc)
    cell, series, parallel, table = candidate_table(packs, ride=ride)
    if len(cell) != 1:
        raise ValueError(f"a trace is of one design, found {len(cell)}")
    fixed = (*_fine_steps(steps, table, step_max_s=STEP_MAX_S), ride.cells.curves(), cell,
             _usable(ride.table[cell], table), table, (start_soc, reserve_soc), MAX_STEPS)  # fmt: skip
    first = simkernel.run(*fixed, np.empty((0, simkernel.RECORD)), 1)[0]
    count = int(first[simkernel.STEPS])
    every = max(count // points + 1, 1)
    record = np.full((count // every + 1, simkernel.RECORD), np.nan)
    simkernel.run(*fixed, record, every)
    record = record[np.isfinite(record[:, 0])]
    if len(record):
        # The thinned run ends where the ride does.
        end = record[-1].copy()
        end[[0, 1, 2, -1]] = first[[simkernel.RANGE_S, simkernel.RANGE_M, simkernel.SOC, simkernel.TEMP_END]]
        record = np.vstack([record[record[:, 0] < end[0]], end])
    time, way, z, cell_v, pack_v, current, temp = record.T
    volts, amps = pack_v * series[0], current * parallel[0]
    return RideTrace(time, way / 1000.0, z, volts, amps, volts * amps, cell_v, temp - CELSIUS_K)


def _usable(numbers: Floats, candidates: Floats) -> Floats:
    """Numbers of the cells of candidates, one each, with the capacity that can be used."""
    out = numbers.copy()
    out[:, CAPACITY] *= candidates[:, cellkernel.CHARGE_PART]
    return out


def _fine_steps(steps: RideSteps, candidates: Floats, *, step_max_s: float) -> tuple[Floats, Floats, Floats]:
    """The lap in steps of at most step_max_s: power of a cell of each candidate, shape (m, n); duration; distance."""
    parts = step_parts(steps.duration_s, step_max_s=step_max_s)
    power = steps.battery_power_w(candidates[:, cellkernel.MASS, None]) / candidates[:, cellkernel.CELLS, None]
    return np.repeat(power, parts, axis=1), np.repeat(steps.duration_s / parts, parts), np.repeat(
        steps.distance_m / parts, parts
    )  # fmt: skip


def _assemble(
    rows: Floats, *, cells: NDArray[np.int64], parallel: NDArray[np.int64], ride: CompressedRide, mass_kg: Floats,
    settled: NDArray[np.bool_],
) -> RangeBlock:
    """From one cell's sums to the figures of the pack."""
    way_m, time_s = rows[:, simkernel.WAY], rows[:, simkernel.TIME]
    moved = way_m > 0
    still = mean_power_w(ride, mass_kg=mass_kg) * ride.duration_s / 3.6 / ride.distance_m
    energy_wh = rows[:, simkernel.ENERGY] * cells / 3600.0
    safe_s = np.where(time_s > 0, time_s, 1.0)
    return RangeBlock(
        range_km=rows[:, simkernel.RANGE_M] / 1000.0,
        stop=rows[:, simkernel.STOP].astype(np.int64),
        soc_stop=rows[:, simkernel.SOC],
        duration_s=rows[:, simkernel.RANGE_S],
        energy_out_wh=rows[:, simkernel.RANGE_J] * cells / 3600.0,
        consumption_wh_per_km=np.where(moved, energy_wh / np.where(moved, way_m / 1000.0, 1.0), still),
        heat_w=rows[:, simkernel.HEAT_J] * cells / safe_s,
        current_rms_a=np.sqrt(rows[:, simkernel.SQUARE_S] / safe_s) * parallel,
        current_max_a=rows[:, simkernel.I_MAX] * parallel,
        cell_voltage_min_v=rows[:, simkernel.V_LOW],
        temp_end_c=rows[:, simkernel.TEMP_END] - CELSIUS_K,
        settled=settled,
    )
