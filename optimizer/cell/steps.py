"""A cell stepped through a load: constant current, constant power, or a profile repeated, down to a voltage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.cell.kernel import run_laps
from optimizer.cell.model import (
    DEPLETION_SHARE,
    LAG_GAINS,
    LAG_RATES,
    REFERENCE_TEMP_C,
    CellModel,
    Floats,
    temperature_factor,
    thermal_voltage_v,
)

CONSTANT_STEPS = 1200


@dataclass(frozen=True, eq=False)
class Run:
    """A load carried from its start to the cut-off.

    Parameters
    ----------
    time_s, voltage_v, current_a, soc, sustained_a : ndarray, shape (n,)
        The trace, its start included; sustained_a is the current seen through the slow delay [A].
    energy_wh, capacity_ah, duration_s : float
        Given off until the cut-off, what was taken back subtracted.
    lap_min_voltage_v : tuple of float
        Lowest voltage of each lap, the last one as far as it went.
    reached_cutoff : bool
        False if the load ended first.
    """

    time_s: Floats
    voltage_v: Floats
    current_a: Floats
    soc: Floats
    sustained_a: Floats
    energy_wh: float
    capacity_ah: float
    duration_s: float
    lap_min_voltage_v: tuple[float, ...]
    reached_cutoff: bool


def pack(model: CellModel, *, temp_c: float = REFERENCE_TEMP_C) -> tuple[Floats, Floats]:
    """The model as the two arrays that the stepping kernel reads.

    Parameters
    ----------
    model : CellModel
    temp_c : float
        Cell temperature [degC].

    Returns
    -------
    tuple of ndarray
        Numbers of shape (9,) and tables of shape (5, n).
    """
    factor = float(temperature_factor(temp_c, activation_energy_j_mol=model.activation_energy_j_mol))
    numbers = np.array(
        [
            model.capacity_ah,
            model.r_ohmic_ohm * factor,
            model.diffusion_slow_s * factor,
            model.diffusion_fast_s * factor,
            model.tau2_s,
            min(model.current_limit_a, 1e12),
            float(thermal_voltage_v(temp_c)),
            model.tau1_s,
            DEPLETION_SHARE,
        ]
    )
    tables = np.array(
        [
            model.ocv_v - model.ocv_fast_v,
            model.ocv_fast_v,
            np.minimum(model.exchange_a, 1e12) / factor,
            model.r1_ohm * factor,
            model.r2_ohm * factor,
        ]
    )
    return numbers, np.ascontiguousarray(tables)


def step_packed(
    packed: tuple[Floats, Floats],
    *,
    time_s: Floats,
    load: Floats,
    power: bool,
    soc: float,
    cutoff_v: float,
    laps: int = 1,
    rows: int | None = None,
) -> tuple[Floats, bool]:
    """Raw trace of a packed model: rows of time, voltage, current, soc, slow current, lap; and cut-off reached.

    Parameters
    ----------
    packed : tuple of ndarray
        From `pack`.
    time_s, load : ndarray, shape (m,)
        One lap: times from 0 [s] and load [A or W], linear in between, discharge positive.
    power : bool
        The load is a power [W], not a current [A].
    soc : float
        At the start, at rest [-].
    cutoff_v : float
        Where to stop [V].
    laps : int
        Most repetitions [-].
    rows : int, optional
        Most rows of the trace.

    Returns
    -------
    tuple
        ndarray of shape (n, 6), and bool.
    """
    out = np.empty((len(time_s) * laps + 1 if rows is None else rows, 6))
    count, reached = run_laps(time_s, load, power, laps, packed[0], packed[1], LAG_RATES, LAG_GAINS, soc, cutoff_v, out)
    return out[:count], bool(reached)


def _as_run(trace: Floats, reached: bool) -> Run:
    """Totals of a raw trace; steps between laps take no time and add nothing."""
    time_s, volt, amp, soc, slow, lap = trace.T.copy()
    watt = volt * amp
    dt = np.diff(time_s)
    number = lap.astype(int)
    lowest = tuple(float(volt[number == k].min()) for k in range(number[-1] + 1))
    return Run(
        time_s,
        volt,
        amp,
        soc,
        slow,
        float(np.sum(dt * (watt[1:] + watt[:-1])) / 7200.0),
        float(np.sum(dt * (amp[1:] + amp[:-1])) / 7200.0),
        float(time_s[-1]),
        lowest,
        reached,
    )


def run_constant(
    model: CellModel,
    *,
    current_a: float | None = None,
    power_w: float | None = None,
    start_soc: float = 1.0,
    cutoff_v: float | None = None,
    temp_c: float = REFERENCE_TEMP_C,
) -> Run:
    """A constant current or power from rest down to the cut-off.

    Parameters
    ----------
    model : CellModel
    current_a, power_w : float, optional
        Exactly one of them, above 0 [A], [W].
    start_soc : float
        [-]
    cutoff_v : float, optional
        The model's least voltage if left out [V].
    temp_c : float
        Cell temperature, held [degC].

    Returns
    -------
    Run

    Raises
    ------
    ValueError
        If not exactly one load is given or it is not above 0.
    """
    if (current_a is None) == (power_w is None):
        raise ValueError("give current_a or power_w")
    power = power_w is not None
    load = float(power_w if power_w is not None else current_a or 0.0)
    if not load > 0:
        raise ValueError("the load must be above 0")
    hours = 1.3 * model.capacity_ah * (model.voltage_max_v if power else 1.0) / load
    fine = np.geomspace(1e-6, 0.01, 60)
    grid = np.concatenate([[0.0], fine, np.linspace(0.01, 1.0, CONSTANT_STEPS)[1:]]) * hours * 3600.0
    trace, reached = step_packed(
        pack(model, temp_c=temp_c),
        time_s=grid,
        load=np.full(len(grid), load),
        power=power,
        soc=start_soc,
        cutoff_v=model.voltage_min_v if cutoff_v is None else cutoff_v,
    )
    return _as_run(trace, reached)


def fine_profile(time_s: Floats, load: Floats, *, step_s: float = 1.0) -> tuple[Floats, Floats]:
    """A profile with steps of at most step_s, linear between its rows, from time 0.

    Parameters
    ----------
    time_s, load : ndarray, shape (m,)
        Increasing times [s] and load [W or A].
    step_s : float
        Longest step [s].

    Returns
    -------
    tuple of ndarray
        Times and loads; every row of the profile is one of them.

    Raises
    ------
    ValueError
        If there are fewer than two rows or times do not increase.
    """
    if len(time_s) < 2 or np.any(np.diff(time_s) <= 0):
        raise ValueError("a profile needs two rows or more with increasing times")
    start = time_s - time_s[0]
    parts = np.maximum(1, np.ceil(np.diff(start) / step_s - 1e-9).astype(int))
    pieces = [np.linspace(a, b, n, endpoint=False) for a, b, n in zip(start[:-1], start[1:], parts, strict=True)]
    grid = np.concatenate([*pieces, start[-1:]])
    return grid, np.interp(grid, start, load)


def run_profile(
    model: CellModel,
    *,
    time_s: Floats,
    power_w: Floats,
    start_soc: float = 1.0,
    cutoff_v: float | None = None,
    temp_c: float = REFERENCE_TEMP_C,
) -> Run:
    """A power profile, repeated from rest down to the cut-off.

    Parameters
    ----------
    model : CellModel
    time_s, power_w : ndarray, shape (m,)
        Discharge positive, linear between rows; the last row is the end of a lap.
    start_soc : float
        [-]
    cutoff_v : float, optional
        The model's least voltage if left out [V].
    temp_c : float
        Cell temperature, held [degC].

    Returns
    -------
    Run

    Raises
    ------
    ValueError
        If a lap takes no energy from the cell, so that it would never end, or the profile is faulty.
    """
    grid, load = fine_profile(np.asarray(time_s, dtype=float), np.asarray(power_w, dtype=float))
    lap_wh = float(np.trapezoid(load, grid)) / 3600.0
    full_wh = model.capacity_ah * model.voltage_max_v
    if lap_wh <= full_wh * 1e-5:
        raise ValueError("a lap must take energy from the cell")
    laps = int(np.ceil(1.3 * full_wh / lap_wh)) + 1
    trace, reached = step_packed(
        pack(model, temp_c=temp_c),
        time_s=grid,
        load=load,
        power=True,
        soc=start_soc,
        cutoff_v=model.voltage_min_v if cutoff_v is None else cutoff_v,
        laps=laps,
    )
    return _as_run(trace, reached)
