"""A cell stepped through a load: constant current, constant power, or a profile repeated, down to a voltage."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.base.constants import CELSIUS_K, FARADAY_C_MOL, GAS_CONSTANT_J_MOL_K
from optimizer.cell.kernel import NUMBERS, run_laps, scaled
from optimizer.cell.laws import COLD_V, REFERENCE_TEMP_C, Floats, Laws
from optimizer.cell.model import CellModel

CONSTANT_STEPS = 1200


@dataclass(frozen=True)
class Heat:
    """A cell of one temperature that warms by its own heat and cools to the air.

    Parameters
    ----------
    capacity_j_k : float
        Heat capacity, above 0 [J/K].
    cooling_w_k : float
        Heat passed to the air for each kelvin above it, at least 0 [W/K].
    """

    capacity_j_k: float
    cooling_w_k: float


@dataclass(frozen=True, eq=False)
class LoadRun:
    """A load carried from its start to the cut-off.

    Parameters
    ----------
    time_s, voltage_v, current_a, soc, sustained_a, temp_c : ndarray, shape (n,)
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
    temp_c: Floats
    energy_wh: float
    capacity_ah: float
    duration_s: float
    lap_min_voltage_v: tuple[float, ...]
    reached_cutoff: bool


def law_rows(laws: Laws) -> Floats:
    """Temperature laws as the kernel reads them.

    Returns
    -------
    ndarray, shape (3, 7)
        E / R [K], bend [-], and in front of the last row 25 degC [K], the bend's scale [1/K] and 2 R / F [V/K].
    """
    out = np.zeros((3, len(laws.energy_j_mol)))
    out[0] = np.array(laws.energy_j_mol) / GAS_CONSTANT_J_MOL_K
    out[1] = laws.bend
    out[2, :3] = CELSIUS_K + REFERENCE_TEMP_C, COLD_V, 2.0 * GAS_CONSTANT_J_MOL_K / FARADAY_C_MOL
    return out


def numbers_at(base: Floats, rows: Floats, temp_c: float) -> Floats:
    """Numbers of a packed model at a temperature.

    Parameters
    ----------
    base : ndarray, shape (20,)
        At 25 degC.
    rows : ndarray, shape (3, 7)
        From `law_rows`.
    temp_c : float
        [degC]

    Returns
    -------
    ndarray, shape (20,)
    """
    out = np.empty_like(base)
    scaled(base, rows, temp_c + CELSIUS_K, out)
    return out


def pack(model: CellModel) -> tuple[Floats, Floats]:
    """The model at 25 degC as the two arrays that the stepping kernel reads.

    Returns
    -------
    tuple of ndarray
        Numbers of shape (20,) and tables of shape (7, n).
    """
    numbers = np.ones(NUMBERS)
    numbers[:10] = (
        model.capacity_ah,
        model.r_ohmic_ohm,
        model.diffusion_slow_s,
        model.diffusion_fast_s,
        model.tau2_s,
        min(model.current_limit_a, 1e12),
        0.0,
        model.tau1_s,
        model.depletion,
        model.follow,
    )
    numbers[14:18] = model.limit_slope, model.drying, 0.0, model.pore_share
    numbers[18:] = model.slow_steep, model.fast_steep
    none = np.full(len(model.soc), 1e12)
    tables = (
        model.ocv_v - model.ocv_fast_v,
        model.ocv_fast_v,
        np.minimum(model.exchange_a, none),
        model.r1_ohm,
        model.r2_ohm,
        none if model.exchange_fast_a is None else np.minimum(model.exchange_fast_a, none),
        np.zeros(len(none)) if model.entropic_v_k is None else model.entropic_v_k,
    )
    return numbers, np.array(tables)


def step_packed(
    packed: tuple[Floats, Floats],
    *,
    chain: tuple[Floats, Floats],
    time_s: Floats,
    load: Floats,
    power: bool,
    soc: float,
    cutoff_v: float,
    laps: int = 1,
    rows: int | None = None,
    laws: Floats,
    temp_c: float = REFERENCE_TEMP_C,
    heat: Heat | None = None,
) -> tuple[Floats, bool]:
    """Raw trace of a packed model: time, voltage, current, soc, slow current, lap, kelvin; and cut-off reached.

    Parameters
    ----------
    packed : tuple of ndarray
        From `pack`.
    chain : tuple of ndarray
        The model's lag_chain.
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
    laws : ndarray, shape (3, 7)
        From `law_rows`.
    temp_c : float
        Of the air, and of the cell at the start [degC].
    heat : Heat, optional
        The cell stays at temp_c if left out.

    Returns
    -------
    tuple
        ndarray of shape (n, 7), and bool.
    """
    out = np.empty((len(time_s) * laps + 1 if rows is None else rows, 7))
    base, warming = heated(packed[0], laws, temp_c, heat)
    count, reached = run_laps(
        time_s, load, power, laps, base, packed[1], *chain, soc, cutoff_v, laws, warming, out
    )
    return out[:count], bool(reached)


def heated(base: Floats, laws: Floats, temp_c: float, heat: Heat | None) -> tuple[Floats, Floats]:
    """Numbers that a kernel starts from, and its heat row: capacity [J/K], cooling [W/K], air [K].

    Parameters
    ----------
    base : ndarray, shape (20,)
        Numbers at 25 degC.
    laws : ndarray, shape (3, 7)
        From `law_rows`.
    temp_c : float
        Of the air [degC].
    heat : Heat, optional
        The cell stays at temp_c if left out.
    """
    if heat is None:
        return numbers_at(base, laws, temp_c), np.array([np.inf, 0.0, temp_c + CELSIUS_K])
    return base, np.array([heat.capacity_j_k, heat.cooling_w_k, temp_c + CELSIUS_K])


def _as_run(trace: Floats, reached: bool) -> LoadRun:
    """Totals of a raw trace; steps between laps take no time and add nothing."""
    time_s, volt, amp, soc, slow, lap, kelvin = trace.T.copy()
    watt = volt * amp
    dt = np.diff(time_s)
    number = lap.astype(int)
    lowest = tuple(float(volt[number == k].min()) for k in range(number[-1] + 1))
    return LoadRun(
        time_s,
        volt,
        amp,
        soc,
        slow,
        kelvin - CELSIUS_K,
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
    heat: Heat | None = None,
) -> LoadRun:
    """A constant current or power from rest down to the cut-off.

    Parameters
    ----------
    current_a, power_w : float, optional
        Exactly one of them, above 0 [A], [W].
    start_soc : float
        [-]
    cutoff_v : float, optional
        The model's least voltage if left out [V].
    temp_c : float
        Of the air, and of the cell at the start [degC].
    heat : Heat, optional
        The cell stays at temp_c if left out.

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
        pack(model),
        chain=model.lag_chain,
        time_s=grid,
        load=np.full(len(grid), load),
        power=power,
        soc=start_soc,
        cutoff_v=model.voltage_min_v if cutoff_v is None else cutoff_v,
        laws=law_rows(model.laws),
        temp_c=temp_c,
        heat=heat,
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
    heat: Heat | None = None,
) -> LoadRun:
    """A power profile, repeated from rest down to the cut-off.

    Parameters
    ----------
    time_s, power_w : ndarray, shape (m,)
        Discharge positive, linear between rows; the last row is the end of a lap.
    start_soc : float
        [-]
    cutoff_v : float, optional
        The model's least voltage if left out [V].
    temp_c : float
        Of the air, and of the cell at the start [degC].
    heat : Heat, optional
        The cell stays at temp_c if left out.

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
        pack(model),
        chain=model.lag_chain,
        time_s=grid,
        load=load,
        power=True,
        soc=start_soc,
        cutoff_v=model.voltage_min_v if cutoff_v is None else cutoff_v,
        laps=laps,
        laws=law_rows(model.laws),
        temp_c=temp_c,
        heat=heat,
    )
    return _as_run(trace, reached)
