"""A cell's model fitted to the discharge curves of its datasheet and, when there are any, to pulses.

Resistance is fitted on voltage: the instantaneous and 10 s drops on the pulses, the slow drop on what is left
between the curves. Capacity lost with current is fitted with the lag of the surfaces. Every parameter has a
prior, stated in `_PRIORS`, so that what the data do not tell stays where cells of this kind usually are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from optimizer.cell.measured import Curve, CurveError, Fit, Pulse, PulseError, noise_of, smooth
from optimizer.cell.model import (
    DEPLETION_SHARE,
    LAG_GAINS,
    LAG_RATES,
    SOC_POINTS,
    TAU1_S,
    CellModel,
    Floats,
    thermal_voltage_v,
)
from optimizer.cell.rest import rest_points, rest_tables
from optimizer.cell.steps import step_packed

GRID = np.linspace(0.0, 1.0, SOC_POINTS)
SHAPE_SOC = np.array([0.0, 0.06, 0.12, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0])
KINETIC_V = float(thermal_voltage_v(25.0))
CURVE_GRID = np.concatenate([[0.0], np.geomspace(1e-4, 0.004, 14), np.linspace(0.004, 1.0, 300)[1:]])
PULSE_GRID = np.concatenate([[0.0], np.geomspace(1e-3, 1.0, 16)])
# Electrolyte overpotential at which depletion sets in, as volts of slow drop at the limiting current: of the
# order of 2 R T / F with part of the slow drop elsewhere; set on published electrochemical parameter sets.
LIMIT_V = 0.125
LEAST_LIMIT = 1.5
VOLT_SIGMA = 0.003
CHARGE_SIGMA = 0.0015
END_SIGMA = 0.0007
REST_SIGMA = 0.0002

# name: (centre, spread) of a normal prior on the natural logarithm, or the logit of a share.
_PRIORS = {
    "ohmic": (np.log(0.22), 0.9),  # part of the instantaneous drop that is in proportion to current
    "r1": (np.log(0.02), 0.7),  # seconds-long part over the instantaneous drop
    "r2": (np.log(0.25), 0.8),  # minutes-long part over the instantaneous drop
    "limit": (0.0, 0.4),  # volts of slow drop at the electrolyte's limiting current, over LIMIT_V
    "tau2": (np.log(100.0), 0.6),
    "slow": (np.log(4000.0), 1.3),  # diffusion times [s]
    "fast": (np.log(800.0), 1.0),
    "mid": (-0.5, 1.3),  # share of the fast surface in the OCV's slope, away from empty and near it
    "knee": (0.0, 2.0),
    "width": (np.log(0.15), 0.3),  # state of charge over which the second goes over into the first
}
_NAMES = tuple(_PRIORS)
_STARTS: tuple[dict[str, float], ...] = (
    {"knee": 1.5},
    {"slow": 1500.0, "fast": 300.0},
    {"slow": 8000.0, "fast": 600.0, "knee": -2.0},
    {"slow": 6000.0, "fast": 1000.0, "knee": 2.0},
)


@dataclass(frozen=True, eq=False)
class _Task:
    """Everything of a fit that stays the same while parameters move."""

    curves: tuple[Curve, ...]
    pulses: tuple[Pulse, ...]
    voltage_min_v: float
    noise_v: float
    drop_v: float
    reference_a: float
    kinetic_soc: Floats
    kinetic_prior: Floats


@dataclass(frozen=True, eq=False)
class _Trial:
    """A set of parameters as the stepping kernel takes it."""

    numbers: Floats
    tables: Floats


def _task(curves: Sequence[Curve], pulses: Sequence[Pulse], voltage_min_v: float) -> _Task:
    """Scales of the fit: reference current and the instantaneous drop at it."""
    ordered = sorted(curves, key=lambda c: c.current_a)
    low, high = ordered[0], ordered[-1]
    noise = max(noise_of(c.voltage_v) for c in ordered)
    ordered[0] = Curve(low.current_a, low.capacity_ah, smooth(low.voltage_v, noise_of(low.voltage_v)))
    first = [p for p in pulses if p.time_s.min() <= 1.0] or list(pulses)
    reference = high.current_a
    if first:
        drop = float(np.median([p.drop_v[np.argmin(p.time_s)] / p.current_a for p in first])) * reference
    else:
        at = 0.5 * high.capacity_ah[-1]
        gap = np.interp(at, low.capacity_ah, low.voltage_v) - np.interp(at, high.capacity_ah, high.voltage_v)
        drop = 0.6 * float(gap) * reference / (reference - low.current_a)
    inner = np.unique([p.soc for p in pulses if 0.03 < p.soc < 0.97]) if pulses else np.array([0.5])
    inner = inner if len(inner) else np.array([0.5])
    knots = np.concatenate([[0.0], inner, [1.0]])
    return _Task(
        tuple(ordered),
        tuple(pulses),
        voltage_min_v,
        noise,
        max(drop, 1e-4),
        reference,
        knots,
        _kinetic_shape(knots),
    )


def _kinetic_shape(soc: Floats) -> Floats:
    """ln sqrt(x (1 - x)) with x a little inside the window: exchange current of an intercalation electrode."""
    x = 0.05 + 0.87 * soc
    return np.asarray(0.5 * np.log(x * (1.0 - x)))


def _start(task: _Task, shift: dict[str, float]) -> Floats:
    """Parameter vector: the named ones, exchange currents at the knots, shapes of the slow and the 10 s part."""
    named = [np.log(shift[n]) if n in ("slow", "fast") and n in shift else shift.get(n, _PRIORS[n][0]) for n in _NAMES]
    asked = np.sinh(min(0.7 * task.drop_v / KINETIC_V, 20.0))
    level = -np.log(max(asked, 1e-3)) + task.kinetic_prior - task.kinetic_prior.max()
    return np.concatenate([named, level, np.zeros(len(SHAPE_SOC) + len(task.kinetic_soc))])


def _share(logit: float) -> float:
    return float(1.0 / (1.0 + np.exp(-logit)))


def _limit_a(limit_a: float, reference_a: float) -> float:
    """Limiting current, kept above LEAST_LIMIT times the highest fitted one, whose curve it did not cut off."""
    return float(((limit_a / reference_a) ** 8 + LEAST_LIMIT**8) ** 0.125 * reference_a)


def _trial(x: Floats, task: _Task) -> _Trial:
    """Kernel arrays of a parameter vector; the OCV follows from the slowest curve."""
    v = dict(zip(_NAMES, x, strict=False))
    unit = task.drop_v / task.reference_a
    knots = len(task.kinetic_soc)
    level = x[len(_NAMES) : len(_NAMES) + knots]
    exchange = task.reference_a * np.exp(np.clip(np.interp(GRID, task.kinetic_soc, level), -12, 8))
    after = len(_NAMES) + knots
    shape = np.exp(np.interp(GRID, SHAPE_SOC, x[after : after + len(SHAPE_SOC)]))
    first = np.exp(v["r1"] + np.interp(GRID, task.kinetic_soc, x[after + len(SHAPE_SOC) :]))
    r2 = unit * np.exp(v["r2"])
    numbers = np.array(
        [
            0.0,
            unit * np.exp(v["ohmic"]),
            np.exp(v["slow"]),
            np.exp(v["fast"]),
            np.exp(v["tau2"]),
            _limit_a(LIMIT_V * np.exp(v["limit"]) / r2, task.reference_a),
            KINETIC_V,
            TAU1_S,
            DEPLETION_SHARE,
        ]
    )
    mid, knee = _share(v["mid"]), _share(v["knee"])
    share = mid + (knee - mid) * np.exp(-((GRID / np.exp(v["width"])) ** 2))
    tables = np.array([GRID, GRID, exchange, unit * first, r2 * shape])
    curve = task.curves[0]
    numbers[0], soc, volt = rest_points(
        curve.capacity_ah,
        curve.voltage_v,
        curve.current_a,
        numbers,
        tables,
        share,
        task.voltage_min_v,
        LAG_RATES,
        LAG_GAINS,
    )
    tables[0], tables[1] = rest_tables(soc, volt, share)
    return _Trial(numbers, tables)


def _discharge(trial: _Trial, current_a: float, until_v: float) -> tuple[Floats, Floats]:
    """Charge given off [Ah] and voltage of a constant current from full, on past the cut-off."""
    span = 1.25 * trial.numbers[0] / current_a * 3600.0
    grid = CURVE_GRID * span
    trace, _ = step_packed(
        (trial.numbers, trial.tables),
        time_s=grid,
        load=np.full(len(grid), current_a),
        power=False,
        soc=1.0,
        cutoff_v=until_v,
    )
    return trace[:, 0] * current_a / 3600.0, trace[:, 1]


def _capacity_at(charge: Floats, volt: Floats, level_v: float) -> float:
    """Charge at which a voltage is first fallen below."""
    under = np.flatnonzero(volt < level_v)
    if not len(under) or under[0] == 0:
        return float(charge[-1] if not len(under) else charge[0])
    i = under[0]
    return float(charge[i - 1] + (charge[i] - charge[i - 1]) * (volt[i - 1] - level_v) / (volt[i - 1] - volt[i]))


def _curve_misses(trial: _Trial, task: _Task) -> list[Floats]:
    """Voltage misses, weighted down where a curve is steep, and the miss in charge at its end."""
    out = []
    sigma = np.hypot(VOLT_SIGMA, task.noise_v)
    for curve in task.curves[1:]:
        charge, volt = _discharge(trial, curve.current_a, task.voltage_min_v - 2.0)
        fitted = np.interp(curve.capacity_ah, charge, volt)
        slope = np.abs(np.gradient(fitted, curve.capacity_ah)) if len(fitted) > 1 else np.zeros(1)
        weight = np.hypot(sigma, slope * CHARGE_SIGMA * trial.numbers[0])
        late = curve.capacity_ah * 3600.0 > 20.0 * curve.current_a
        miss = (fitted - curve.voltage_v)[late] / weight[late]
        out.append(miss * 6.0 / np.sqrt(max(len(miss), 1)))
        end = _capacity_at(charge, volt, float(curve.voltage_v[-1]))
        out.append(np.array([(end - curve.capacity_ah[-1]) / trial.numbers[0] / END_SIGMA]))
        if curve.capacity_ah[0] < 1e-6 * trial.numbers[0]:
            gap = task.curves[0].voltage_v[0] - curve.voltage_v[0]
            start = _discharge(trial, task.curves[0].current_a, task.voltage_min_v)[1][0] - volt[0]
            out.append(np.array([(start - gap) / np.hypot(0.004 + 0.03 * abs(gap), task.noise_v)]))
    return out


def _pulse_drop(trial: _Trial, pulse: Pulse) -> Floats:
    """Drop of a pulse at its times [V]."""
    until = float(pulse.time_s.max())
    grid = np.unique(np.concatenate([PULSE_GRID * until, pulse.time_s]))
    trace, _ = step_packed(
        (trial.numbers, trial.tables),
        time_s=grid,
        load=np.full(len(grid), pulse.current_a),
        power=False,
        soc=pulse.soc,
        cutoff_v=-1e9,
    )
    rest = np.interp(pulse.soc, GRID, trial.tables[0] + trial.tables[1])
    return np.asarray(rest - np.interp(pulse.time_s, trace[:, 0], trace[:, 1]))


def _pulse_misses(trial: _Trial, task: _Task) -> list[Floats]:
    """Misses of the drops, and of the rest voltages that tell the slow curve's own drop."""
    out = []
    table = trial.tables[0] + trial.tables[1]
    # Between the rows of a coarse curve the OCV is uncertain, with the square of their distance.
    rest_sigma = REST_SIGMA * max(1.0, 60.0 / len(task.curves[0].voltage_v)) ** 2
    for pulse in task.pulses:
        sigma = 0.006 * np.abs(pulse.drop_v) + 0.0002
        out.append((_pulse_drop(trial, pulse) - pulse.drop_v) / sigma)
        here = np.interp(pulse.soc, GRID, table)
        slope = (np.interp(pulse.soc + 0.01, GRID, table) - np.interp(pulse.soc - 0.01, GRID, table)) / 0.02
        out.append(np.array([(here - pulse.rest_v) / np.hypot(rest_sigma + 0.0004 * slope, task.noise_v)]))
    return out


def _prior_misses(x: Floats, task: _Task) -> list[Floats]:
    """Distance of the parameters from where cells usually are."""
    named = np.array([(x[i] - _PRIORS[n][0]) / _PRIORS[n][1] for i, n in enumerate(_NAMES)])
    knots = len(task.kinetic_soc)
    level = np.diff(x[len(_NAMES) : len(_NAMES) + knots] - task.kinetic_prior) / 0.5
    after = len(_NAMES) + knots
    shape, first = x[after : after + len(SHAPE_SOC)], x[after + len(SHAPE_SOC) :]
    return [named, level, shape / 0.5, np.diff(shape) / 0.4, first / 0.7]


def _misses(x: Floats, task: _Task) -> Floats:
    """All residuals of a fit."""
    trial = _trial(np.clip(x, -15.0, 15.0), task)
    every = np.concatenate([*_curve_misses(trial, task), *_pulse_misses(trial, task), *_prior_misses(x, task)])
    return np.asarray(np.where(np.isfinite(every), np.clip(every, -1e4, 1e4), 1e4))


def _solve(task: _Task) -> Floats:
    """Best parameters of a few starts, the best one carried on to the end."""
    tries = [
        least_squares(_misses, _start(task, s), args=(task,), loss="soft_l1", f_scale=3.0, max_nfev=12) for s in _STARTS
    ]
    best = min(tries, key=lambda t: t.cost)
    return np.asarray(least_squares(_misses, best.x, args=(task,), loss="soft_l1", f_scale=3.0, max_nfev=50).x)


def fit_model(
    curves: Sequence[Curve],
    *,
    pulses: Sequence[Pulse] = (),
    name: str = "cell",
    chemistry: str = "",
    voltage_min_v: float | None = None,
) -> Fit:
    """Fit a cell's model to two or more discharge curves and, if given, pulses.

    Parameters
    ----------
    curves : sequence of Curve
        Two or more, of different currents.
    pulses : sequence of Pulse
        From rest.
    name, chemistry : str
        Passed on to the model.
    voltage_min_v : float, optional
        Cut-off; the least voltage of the curves if left out [V].

    Returns
    -------
    Fit

    Raises
    ------
    ValueError
        If there are fewer than two currents.
    """
    if len({c.current_a for c in curves}) < 2:
        raise ValueError("a fit needs curves at two currents or more")
    least = min(float(c.voltage_v.min()) for c in curves)
    task = _task(curves, pulses, least)
    x = _solve(task)
    trial = _trial(x, task)
    model = _as_model(trial, task, name, chemistry, least if voltage_min_v is None else voltage_min_v)
    return Fit(
        model,
        tuple(_curve_error(trial, c) for c in task.curves),
        tuple(e for p in task.pulses for e in _pulse_errors(trial, p)),
    )


def _as_model(trial: _Trial, task: _Task, name: str, chemistry: str, voltage_min_v: float) -> CellModel:
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
        tau1_s=TAU1_S,
        tau2_s=float(n[4]),
        diffusion_slow_s=float(n[2]),
        diffusion_fast_s=float(n[3]),
        current_limit_a=float(n[5]),
        reference_current_a=reference,
        current_fitted_a=task.reference_a,
        voltage_max_v=float(table[-1]),
        voltage_min_v=voltage_min_v,
    )


def _curve_error(trial: _Trial, curve: Curve) -> CurveError:
    """Compare one curve with the model."""
    end_v = float(curve.voltage_v[-1])
    charge, volt = _discharge(trial, curve.current_a, end_v - 1.0)
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
    )


def _pulse_errors(trial: _Trial, pulse: Pulse) -> list[PulseError]:
    """Compare the rows of one pulse with the model."""
    ratio = _pulse_drop(trial, pulse) / pulse.drop_v - 1.0
    return [
        PulseError(pulse.soc, pulse.current_a, float(t), float(r)) for t, r in zip(pulse.time_s, ratio, strict=True)
    ]
