"""Fit a cell's model to discharge curves and, if given, pulses, at one temperature or several.

The slowest curve of the warmest cell carries the OCV, freed of its own drop and lag (module rest); everything
else is fitted to the other curves and the pulses at once, by least squares with a robust loss. Each parameter has
a prior, stated in `_PRIORS`, so that what the data do not tell stays where cells of this kind usually are.
Temperature laws are fitted when there are two temperatures or more; then both electrodes have kinetics of their
own, at their surfaces. Else the laws are the chemistry's.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import OptimizeResult, least_squares

from optimizer.cell.fit_kernel import curve_misses, pulse_drops
from optimizer.cell.fit_params import (
    COLD_R2,
    CURVE_GRID,
    EXTRA,
    FEW_GRID,
    FIT_TAU1_S,
    GRID,
    NAMES,
    PULSE_GRID,
    RATIO,
    STARTS,
    FitTask,
    RunRows,
    Trial,
    make_task,
    make_trial,
    prior_misses,
    start,
)
from optimizer.cell.laws import PARTS, REFERENCE_TEMP_C, USUAL, Floats, Laws
from optimizer.cell.measured import Curve, CurveError, Fit, Pulse, PulseError
from optimizer.cell.model import CellModel
from optimizer.cell.steps import numbers_at, step_packed

VOLT_SIGMA = 0.003
CHARGE_SIGMA = 0.0015
END_SIGMA = 0.0007
REST_SIGMA = 0.0002
# Of the first voltage under load, at full charge: [V], and part of its drop. Over temperature it tells charge transfer,
# which saturates, from the ohmic part.
FIRST_SIGMA = np.array([0.004, 0.03])
COLD_FIRST_SIGMA = np.array([0.0015, 0.01])


def _discharge(
    trial: Trial, current_a: float, until_v: float, temp_c: float, grid: Floats = CURVE_GRID
) -> tuple[Floats, Floats]:
    """Charge given off [Ah] and voltage of a constant current from full, on past the cut-off."""
    span = 1.25 * trial.numbers[0] / current_a * 3600.0
    trace, _ = step_packed(
        (trial.numbers, trial.tables),
        chain=trial.chain,
        time_s=grid * span,
        load=np.full(len(grid), current_a),
        power=False,
        soc=1.0,
        cutoff_v=until_v,
        laws=trial.rows,
        temp_c=temp_c,
    )
    return trace[:, 0] * current_a / 3600.0, trace[:, 1]


def _capacity_at(charge: Floats, volt: Floats, level_v: float) -> float:
    """Charge at which a voltage is first fallen below."""
    under = np.flatnonzero(volt < level_v)
    if not len(under) or under[0] == 0:
        return float(charge[-1] if not len(under) else charge[0])
    i = under[0]
    return float(charge[i - 1] + (charge[i] - charge[i - 1]) * (volt[i - 1] - level_v) / (volt[i - 1] - volt[i]))


def _numbers(trial: Trial, temps_c: Floats) -> Floats:
    """Numbers at each of some temperatures, shape (n, 20)."""
    at = {temp_c: numbers_at(trial.numbers, trial.rows, temp_c) for temp_c in set(temps_c.tolist())}
    return np.array([at[temp_c] for temp_c in temps_c.tolist()])


def _curve_misses(trial: Trial, task: FitTask) -> Floats:
    """Voltage misses, weighted down where a curve is steep, and the misses in charge at ends and in first voltages."""
    rows = task.curve_rows
    sigmas = np.array([np.hypot(COLD_VOLT_SIGMA if task.several else VOLT_SIGMA, task.noise_v), CHARGE_SIGMA])
    ends = np.where(rows.temp_c == rows.temp_c[0], END_SIGMA, COLD_END_SIGMA)
    grid = FEW_GRID if task.several else CURVE_GRID
    out = curve_misses(rows.amps, rows.first, rows.at, rows.values, _numbers(trial, rows.temp_c), trial.tables,
                       *trial.chain, grid, task.voltage_min_v, sigmas, ends,
                       COLD_FIRST_SIGMA if task.several else FIRST_SIGMA, task.noise_v)  # fmt: skip
    return np.asarray(out)


def _pulse_drop(trial: Trial, rows: RunRows) -> Floats:
    """Drop of every row of the pulses [V]."""
    return np.asarray(pulse_drops(rows.amps, rows.socs, rows.first, rows.at, PULSE_GRID, _numbers(trial, rows.temp_c),
                                  trial.tables, *trial.chain))  # fmt: skip


def _pulse_misses(trial: Trial, task: FitTask) -> list[Floats]:
    """Misses of the drops, and of the rest voltages that tell the slow curve's own drop."""
    rows = task.pulse_rows
    if not len(rows.amps):
        return []
    sigma = 0.006 * np.abs(rows.values) + 0.0002
    table = trial.tables[0] + trial.tables[1]
    # Between the rows of a coarse curve the OCV is uncertain, with the square of their distance.
    rest_sigma = REST_SIGMA * max(1.0, 60.0 / len(task.curves[0].voltage_v)) ** 2
    warmer = rows.temp_c - REFERENCE_TEMP_C
    here = np.interp(rows.socs, GRID, table) + warmer * np.interp(rows.socs, GRID, trial.tables[6])
    slope = (np.interp(rows.socs + 0.01, GRID, table) - np.interp(rows.socs - 0.01, GRID, table)) / 0.02
    rest = (here - rows.rests) / np.hypot(rest_sigma + 0.0004 * slope, task.noise_v)
    return [(_pulse_drop(trial, rows) - rows.values) / sigma, rest]


def _misses(x: Floats, task: FitTask) -> Floats:
    """All residuals of a fit."""
    trial = make_trial(np.clip(x, -15.0, 15.0), task)
    every = np.concatenate([_curve_misses(trial, task), *_pulse_misses(trial, task), *prior_misses(x, task)])
    return np.asarray(np.where(np.isfinite(every), np.clip(every, -1e4, 1e4), 1e4))


# A parameter with a standard normal prior that the data have narrowed to this is told by them.
TOLD = 0.6
# Starts at several temperatures: diffusion and share of the surfaces, ratio of the two exchange currents.
JOINT_STARTS: tuple[tuple[dict[str, float], float], ...] = (
    ({"slow": 6000.0, "fast": 1000.0}, 1.5),
    ({"slow": 6000.0, "fast": 1000.0}, -1.5),
    ({"slow": 500.0, "fast": 6000.0}, -1.5),
    ({"slow": 1500.0, "fast": 1500.0}, 1.5),
)
JOINT_TRY = 40
JOINT_TURNS = 150
COLD_END_SIGMA = 0.003
# What a model of few parts misses over temperature: a smaller one would bend the parts away from where they usually
# lie, and ten-second powers with them.
COLD_VOLT_SIGMA = 0.008


def _told(jacobian: Floats, task: FitTask) -> tuple[str, ...]:
    """Parts whose activation energy the data tell: its spread has shrunk from the prior's by a good part."""
    if not task.several:
        return ()
    spread = np.sqrt(np.diag(np.linalg.pinv(jacobian.T @ jacobian, rcond=1e-12)))
    energies = spread[len(spread) - 2 * len(PARTS) : len(spread) - len(PARTS)]
    return tuple(part for part, width in zip(PARTS, energies, strict=True) if width < TOLD)


def _descend(task: FitTask, x: Floats, turns: int, free: NDArray[np.bool_] | None = None) -> OptimizeResult:
    """Least squares from a start, some parameters held."""
    moving = np.ones(len(x), dtype=bool) if free is None else free

    def misses(y: Floats) -> Floats:
        trial = x.copy()
        trial[moving] = y
        return _misses(trial, task)

    done = least_squares(misses, x[moving], loss="soft_l1", f_scale=3.0, max_nfev=turns,
                         ftol=1e-5 if task.several else 1e-8)  # fmt: skip
    full = x.copy()
    full[moving] = done.x
    done.x = full
    return done


def _solve(task: FitTask) -> tuple[Floats, tuple[str, ...]]:
    """Best parameters, from several starts, and parts whose law the data tell."""
    if not task.several:
        tries = [_descend(task, start(task, s), 12) for s in STARTS]
        return np.asarray(_descend(task, min(tries, key=lambda t: t.cost).x, 50).x), ()
    tries = [_descend(task, _joint_start(task, s, ratio), JOINT_TRY) for s, ratio in JOINT_STARTS]
    done = _descend(task, min(tries, key=lambda t: t.cost).x, JOINT_TURNS)
    return np.asarray(done.x), _told(done.jac, task)


def _joint_start(task: FitTask, shift: dict[str, float], ratio: float) -> Floats:
    """A start at several temperatures: the drop of charge transfer shared between the electrodes by a ratio."""
    x = start(task, {**shift, "r2": COLD_R2[0]})
    knots = len(task.kinetic_soc)
    x[len(NAMES) : len(NAMES) + knots] += np.log1p(np.exp(-ratio * RATIO[1]))
    x[len(x) - EXTRA - 2 * len(PARTS)] = ratio
    return x


def fit_model(
    curves: Sequence[Curve],
    *,
    pulses: Sequence[Pulse] = (),
    name: str = "cell",
    chemistry: str = "",
    voltage_min_v: float | None = None,
    laws: Laws = USUAL,
) -> Fit:
    """Fit a cell's model to two or more discharge curves and, if given, pulses.

    Parameters
    ----------
    curves : sequence of Curve
        Two or more, of different currents or temperatures.
    pulses : sequence of Pulse
        From rest.
    name, chemistry : str
        Passed on to the model.
    voltage_min_v : float, optional
        Cut-off; the least voltage of the curves if left out [V].
    laws : Laws
        Temperature laws where the data are of one temperature; where they usually lie if of several.

    Raises
    ------
    ValueError
        If there are fewer than two curves.
    """
    if len({(c.current_a, c.temp_c) for c in curves}) < 2 or not curves:
        raise ValueError("a fit needs two curves or more, of different currents or temperatures")
    least = min(float(c.voltage_v.min()) for c in curves)
    task = make_task(curves, pulses, least, laws)
    x, told = _solve(task)
    trial = make_trial(x, task)
    model = _as_model(trial, task, name, chemistry, least if voltage_min_v is None else voltage_min_v)
    return Fit(
        model,
        tuple(_curve_error(trial, c) for c in task.curves),
        _pulse_errors(trial, task),
        told,
    )


def _as_model(trial: Trial, task: FitTask, name: str, chemistry: str, voltage_min_v: float) -> CellModel:
    """The public model of a trial."""
    n, t = trial.numbers, trial.tables
    table = t[0] + t[1]
    reference = task.pulses[0].current_a if task.pulses else task.reference_a
    return CellModel(
        name=name,
        chemistry=chemistry,
        source="fitted",
        capacity_ah=float(n[0]),
        soc=GRID,
        ocv_v=table,
        ocv_fast_v=t[1],
        r_ohmic_ohm=float(n[1]),
        exchange_a=t[2],
        r1_ohm=t[3],
        r2_ohm=t[4],
        tau1_s=FIT_TAU1_S,
        tau2_s=float(n[4]),
        diffusion_slow_s=float(n[2]),
        diffusion_fast_s=float(n[3]),
        current_limit_a=float(n[5]),
        reference_current_a=reference,
        current_fitted_a=task.reference_a,
        voltage_max_v=float(table[-1]),
        voltage_min_v=voltage_min_v,
        laws=trial.laws,
        exchange_fast_a=t[5] if task.several else None,
        follow=float(task.several),
        limit_slope=float(n[14]),
        depletion=float(n[8]),
        drying=float(n[15]),
        early_rate=trial.early_rate,
        pore_share=float(n[17]),
        slow_steep=float(n[18]),
        fast_steep=float(n[19]),
        entropic_v_k=t[6] if task.several else None,
    )


def _curve_error(trial: Trial, curve: Curve) -> CurveError:
    """Compare one curve with the model."""
    end_v = float(curve.voltage_v[-1])
    charge, volt = _discharge(trial, curve.current_a, end_v - 1.0, curve.temp_c)
    end = _capacity_at(charge, volt, end_v)
    inner = curve.capacity_ah <= 0.97 * curve.capacity_ah[-1]
    miss = 1000.0 * (np.interp(curve.capacity_ah, charge, volt) - curve.voltage_v)[inner]
    upto = charge < end
    energy = np.trapezoid(np.append(volt[upto], end_v), np.append(charge[upto], end))
    measured = np.trapezoid(np.append(curve.voltage_v[0], curve.voltage_v), np.append(0.0, curve.capacity_ah))
    return CurveError(
        curve.current_a,
        float(np.sqrt(np.mean(miss**2))),
        float(np.abs(miss).max()),
        float(end / curve.capacity_ah[-1] - 1.0),
        float(energy / measured - 1.0),
        float(curve.capacity_ah[-1]),
        curve.temp_c,
    )


def _pulse_errors(trial: Trial, task: FitTask) -> tuple[PulseError, ...]:
    """Compare the rows of the pulses with the model."""
    rows = task.pulse_rows
    if not len(rows.amps):
        return ()
    ratio = _pulse_drop(trial, rows) / rows.values - 1.0
    every = [(pulse, float(t)) for pulse in task.pulses for t in pulse.time_s]
    return tuple(
        PulseError(pulse.soc, pulse.current_a, t, float(r), pulse.temp_c)
        for (pulse, t), r in zip(every, ratio, strict=True)
    )
