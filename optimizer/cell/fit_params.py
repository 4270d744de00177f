"""Parameters of a cell's fit: their priors and starts, and how a vector of them becomes a packed model."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from optimizer.cell.kernel import NUMBERS
from optimizer.cell.laws import (
    PARTS,
    REFERENCE_TEMP_C,
    SPREAD_J_MOL,
    Floats,
    Laws,
    factors,
    lowest_bend,
)
from optimizer.cell.measured import Curve, Pulse, noise_of, smooth
from optimizer.cell.model import (
    DEPLETION_SHARE,
    NEAR_PART,
    NEAR_RATE,
    SOC_POINTS,
    lag_chain,
    thermal_voltage_v,
)
from optimizer.cell.rest import rest_points, rest_tables
from optimizer.cell.steps import law_rows, numbers_at

GRID = np.linspace(0.0, 1.0, SOC_POINTS)
SHAPE_SOC = np.array([0.0, 0.06, 0.12, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0])
KINETIC_V = float(thermal_voltage_v(25.0))
CURVE_GRID = np.concatenate([[0.0], np.geomspace(1e-4, 0.004, 14), np.linspace(0.004, 1.0, 300)[1:]])
# Coarser, where many curves are fitted at once.
FEW_GRID = np.concatenate([[0.0], np.geomspace(2e-4, 0.009, 9), np.linspace(0.009, 1.0, 110)[1:]])
PULSE_GRID = np.concatenate([[0.0], np.geomspace(1e-3, 1.0, 16)])
LEAST_SPAN_K = 5.0
# Delay of the seconds-long part in a fit: between pulses of 0.1 and 10 s only its size is told. Set, as the priors
# are, on published electrochemical parameter sets; with 3 s charges of iron phosphate come out 1.1 % long.
FIT_TAU1_S = 5.0
# Electrolyte overpotential at which depletion sets in, as volts of slow drop at the limiting current: of the
# order of 2 R T / F with part of the slow drop elsewhere; set on published electrochemical parameter sets.
LIMIT_V = 0.125
LEAST_LIMIT = 1.5
# name: (centre, spread) of a normal prior on the natural logarithm, or the logit of a share.
PRIORS = {
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
NAMES = tuple(PRIORS)
STARTS: tuple[dict[str, float], ...] = (
    {"knee": 1.5},
    {"slow": 1500.0, "fast": 300.0},
    {"slow": 8000.0, "fast": 600.0, "knee": -2.0},
    {"slow": 6000.0, "fast": 1000.0, "knee": 2.0},
)
# Exchange current of the fast surface's electrode over that of the slow one's: logarithm of the ratio.
RATIO = (0.0, 1.0)
BENDS = np.array([0.06, 0.02, 0.02, 0.05, 0.1, 0.03, 0.03])
# How much the limiting current falls as the cell empties.
SLOPE = (0.4, 0.4)
# How long 1C takes to use up the salt in the pores of an electrode, were none to come from elsewhere, as a logarithm
# [s]: porosity, thickness and salt of ten published sets give 64 (four NMC cells of much energy) to 480 (LFP). Over ten
# seconds this, not diffusion, tells at which current the electrolyte runs dry. The spread is narrower than the sets':
# curves near the electrolyte's limit would pull it away (chosen by what thirteen sets miss, ACCURACY.md).
SALT = (np.log(75.0), 0.12)
# Limiting current over the capacity [1/h], where laws are fitted: 2 (NMC cells of much energy) to 19 (LFP) in the same
# sets, by their salt, thickness and diffusivity.
COLD_LIMIT = (np.log(5.0), 0.9)
# Rate of the early part of the lags, times the diffusion time, as a logarithm.
EARLY = (np.log(1000.0), 0.7)
# 1 less the depletion beyond which the drop goes on straight, as a logarithm.
SOFT = (np.log(0.03), 0.7)
# Spread of how much the logarithm of a surface's diffusion time grows per unit of charge taken. In published sets it is
# nothing, or 2 to 80 times over the window. With 1.5, fits give it to cells that have none, and their charges come out
# up to 30 % too long.
STEEP = 0.7
# The negative electrode's potential is flat but for a foot at empty and steps between: what the OCV's slope has beyond
# a smooth line is its own, but for a part near empty and most of it near full. Of the line: slope at half charge [V],
# its rise over the window over that; the positive's part and width at empty, and at full. A judgement from the
# half-cell curves of eight published sets. They take the places of mid, knee and width in the parameter vector.
LINE_V, LINE_RISE = (np.log(0.4), 1.2), (0.4, 0.5)
FOOT_PART = (-1.5, 1.5)
FOOT_WIDTH = (np.log(0.1), 0.4)
TOP_WIDTH, TOP_PART = 0.06, 0.9
# Diffusion times where both electrodes have laws of their own: either may be the slow one.
COLD_DIFFUSION = (np.log(1800.0), 1.3)
EXTRA = 8
# The ohmic part's prior is narrower where its law is fitted: it must not trade places with charge transfer. In DFN runs
# of two NMC sets at 0 degC and 1C it is 20 mV beside 106 and 160 mV of charge transfer.
COLD_OHMIC = (np.log(0.18), 0.3)
# Nearly no minutes-long part where laws are fitted: the salt and the lags are what takes minutes there, and a third
# part would take the salt's place, on which ten-second powers rest.
COLD_R2 = (np.log(0.01), 0.5)
# Share of the ohmic resistance in the pores; the rest is metal and contacts.
PORE_SHARE = 0.85
# No measured electrolyte's resistance changes less with temperature; published sets: 14.6 kJ/mol at least.
LEAST_OHMIC_J_MOL = 12_000.0


@dataclass(frozen=True, eq=False)
class FitTask:
    """Everything of a fit that stays the same while parameters move."""

    curves: tuple[Curve, ...]
    pulses: tuple[Pulse, ...]
    voltage_min_v: float
    noise_v: float
    drop_v: float
    reference_a: float
    kinetic_soc: Floats
    kinetic_prior: Floats
    several: bool
    usual: Laws
    follow: float = 0.0
    entropic_v_k: Floats = field(default_factory=lambda: np.zeros(len(GRID)))
    slope_v: Floats = field(default_factory=lambda: np.ones(len(GRID)))

    @cached_property
    def curve_rows(self) -> RunRows:
        """Curves side by side."""
        return RunRows.of(self.curves, [c.capacity_ah for c in self.curves], [c.voltage_v for c in self.curves])

    @cached_property
    def pulse_rows(self) -> RunRows:
        """Pulses side by side."""
        return RunRows.of(self.pulses, [p.time_s for p in self.pulses], [p.drop_v for p in self.pulses])


@dataclass(frozen=True, eq=False)
class RunRows:
    """Runs side by side: currents, temperatures, where each begins in `at` (charge or time) and `values` (voltage or
    drop); for pulses also states of charge and rest voltages."""

    amps: Floats
    temp_c: Floats
    first: NDArray[np.int64]
    at: Floats
    values: Floats
    socs: Floats
    rests: Floats

    @classmethod
    def of(cls, runs: Sequence[Curve | Pulse], at: list[Floats], values: list[Floats]) -> RunRows:
        """Rows of curves or of pulses."""

        def column(name: str) -> Floats:
            return np.array([float(getattr(run, name, 0.0)) for run in runs])

        first = np.cumsum([0, *(len(one) for one in at)])
        x, y = (np.concatenate([np.zeros(0), *many]).astype(float) for many in (at, values))
        return cls(column("current_a"), column("temp_c"), first, x, y, column("soc"), column("rest_v"))


@dataclass(frozen=True, eq=False)
class Trial:
    """A set of parameters as the stepping kernel takes it, at 25 degC, and its temperature laws."""

    numbers: Floats
    tables: Floats
    laws: Laws
    rows: Floats
    early_rate: float
    chain: tuple[Floats, Floats]


def warmest_first(curves: Sequence[Curve], laws: Laws) -> list[Curve]:
    """Curves in rising order of the drop that their current and temperature make."""
    return sorted(curves, key=lambda c: c.current_a * float(factors(laws, c.temp_c)[1]))


def make_task(curves: Sequence[Curve], pulses: Sequence[Pulse], voltage_min_v: float, laws: Laws) -> FitTask:
    """Scales of the fit: reference current and the instantaneous drop at it, at the temperature nearest to 25 degC."""
    ordered = warmest_first(curves, laws)
    temps = {c.temp_c for c in curves} | {p.temp_c for p in pulses}
    usual_c = min((c.temp_c for c in curves), key=lambda t: abs(t - REFERENCE_TEMP_C))
    low, high = ordered[0], max((c for c in curves if c.temp_c == usual_c), key=lambda c: c.current_a)
    noise = max(noise_of(c.voltage_v) for c in ordered)
    smoothed = smooth(low.voltage_v, noise_of(low.voltage_v))
    ordered[0] = Curve(low.current_a, low.capacity_ah, smoothed, low.temp_c)
    nearest = min((abs(p.temp_c - REFERENCE_TEMP_C) for p in pulses), default=0.0)
    near = [p for p in pulses if abs(p.temp_c - REFERENCE_TEMP_C) == nearest]
    first = [p for p in near if p.time_s.min() <= 1.0] or near
    reference = high.current_a
    if first:
        drop = float(np.median([p.drop_v[np.argmin(p.time_s)] / p.current_a for p in first])) * reference
    elif low.current_a < reference:
        at = 0.5 * high.capacity_ah[-1]
        gap = np.interp(at, low.capacity_ah, low.voltage_v) - np.interp(at, high.capacity_ah, high.voltage_v)
        drop = 0.6 * float(gap) * reference / (reference - low.current_a)
    else:
        drop = 0.1
    inner = np.unique([p.soc for p in pulses if 0.03 < p.soc < 0.97]) if pulses else np.array([0.5])
    inner = inner if len(inner) else np.array([0.5])
    knots = np.concatenate([[0.0], inner, [1.0]])
    return FitTask(
        tuple(ordered),
        tuple(pulses),
        voltage_min_v,
        noise,
        max(drop, 1e-4),
        reference,
        knots,
        kinetic_shape(knots),
        len(temps) > 1,
        laws,
        float(len(temps) > 1),
        entropic(pulses),
        slope_of(ordered[0]),
    )


def slope_of(curve: Curve) -> Floats:
    """Slope of the slowest curve over the state of charge, over GRID, smoothed over 3 % [V]."""
    soc = 1.0 - curve.capacity_ah / curve.capacity_ah[-1]
    volt = np.interp(GRID, soc[::-1], curve.voltage_v[::-1])
    low, high = np.clip(GRID - 0.015, 0.0, 1.0), np.clip(GRID + 0.015, 0.0, 1.0)
    return np.maximum((np.interp(high, GRID, volt) - np.interp(low, GRID, volt)) / (high - low), 1e-3)


def entropic(pulses: Sequence[Pulse]) -> Floats:
    """Rise of the rest voltage with temperature over GRID [V/K], from rests at one state of charge."""
    soc, rise = [], []
    for at in sorted({p.soc for p in pulses}):
        rests = np.array([(p.temp_c, p.rest_v) for p in pulses if p.soc == at])
        if np.ptp(rests[:, 0]) >= LEAST_SPAN_K:
            soc.append(at)
            rise.append(float(np.polyfit(rests[:, 0], rests[:, 1], 1)[0]))
    return np.interp(GRID, soc, rise) if soc else np.zeros(len(GRID))


def kinetic_shape(soc: Floats) -> Floats:
    """ln sqrt(x (1 - x)) with x a little inside the window: exchange current of an intercalation electrode."""
    x = 0.05 + 0.87 * soc
    return np.asarray(0.5 * np.log(x * (1.0 - x)))


def start(task: FitTask, shift: dict[str, float]) -> Floats:
    """Parameter vector: the named ones, exchange currents at the knots, shapes of the slow and the 10 s part.

    With several temperatures, also the ratio of the two exchange currents, and energies and bends of the laws.
    """
    named = [np.log(shift[n]) if n in ("slow", "fast") and n in shift else shift.get(n, PRIORS[n][0]) for n in NAMES]
    asked = np.sinh(min(0.7 * task.drop_v / KINETIC_V, 20.0))
    level = -np.log(max(asked, 1e-3)) + task.kinetic_prior - task.kinetic_prior.max()
    cold = np.zeros(EXTRA + 2 * len(PARTS) if task.several else 0)
    return np.concatenate([named, level, np.zeros(len(SHAPE_SOC) + len(task.kinetic_soc)), cold])


def _share(logit: float) -> float:
    return float(1.0 / (1.0 + np.exp(-logit)))


def _free_limit_a(value: float, task: FitTask, r2_ohm: float, cold: Floats) -> float:
    """Limiting current by its parameter, whose prior is another where laws are fitted."""
    if not len(cold):
        return float(LIMIT_V * np.exp(value) / r2_ohm)
    charge_ah = float(task.curves[0].capacity_ah[-1])
    return charge_ah * float(np.exp(COLD_LIMIT[0] + COLD_LIMIT[1] / PRIORS["limit"][1] * value))


def _limit_a(limit_a: float, reference_a: float) -> float:
    """Limiting current, kept above LEAST_LIMIT times the highest fitted one, whose curve it did not cut off."""
    return float(((limit_a / reference_a) ** 8 + LEAST_LIMIT**8) ** 0.125 * reference_a)


def parts_of(x: Floats, task: FitTask) -> tuple[dict[str, float], Floats, Floats, Floats, Floats]:
    """A parameter vector's named values, exchange levels, slow shape, 10 s shape, and what belongs to temperature."""
    knots = len(task.kinetic_soc)
    at = np.cumsum([len(NAMES), knots, len(SHAPE_SOC), knots])
    named, level, shape, first, cold = np.split(x, at)
    return dict(zip(NAMES, named, strict=True)), level, shape, first, cold


def laws_of(cold: Floats, usual: Laws) -> Laws:
    """Laws from their standardised parameters; the usual ones if there are none."""
    if not len(cold):
        return usual
    energy = np.array(usual.energy_j_mol) + np.array(SPREAD_J_MOL) * cold[EXTRA : EXTRA + len(PARTS)]
    energy = np.clip(energy, 0.0, 120_000.0)
    energy[0] = max(energy[0], LEAST_OHMIC_J_MOL)
    bend = np.maximum(BENDS * cold[EXTRA + len(PARTS) :], lowest_bend(energy))
    return Laws(tuple(energy.tolist()), tuple(bend.tolist()))


def make_trial(x: Floats, task: FitTask) -> Trial:
    """Kernel arrays of a parameter vector; the OCV follows from the slowest curve."""
    v, level, shaped, first, cold = parts_of(x, task)
    unit = task.drop_v / task.reference_a
    exchange = task.reference_a * np.exp(np.clip(np.interp(GRID, task.kinetic_soc, level), -12, 8))
    other = np.full(len(GRID), 1e12)
    if len(cold):
        other = exchange * np.exp(RATIO[0] + RATIO[1] * cold[0])
    shape = np.exp(np.interp(GRID, SHAPE_SOC, shaped))
    seconds = np.exp(v["r1"] + np.interp(GRID, task.kinetic_soc, first))
    r2 = unit * np.exp(v["r2"])
    numbers = np.ones(NUMBERS)
    numbers[:10] = (
        0.0,
        unit * np.exp(v["ohmic"]),
        np.exp(v["slow"]),
        np.exp(v["fast"]),
        np.exp(v["tau2"]),
        _limit_a(_free_limit_a(v["limit"], task, r2, cold), task.reference_a),
        KINETIC_V,
        FIT_TAU1_S,
        1.0 - float(np.clip(np.exp(SOFT[0] + SOFT[1] * cold[4]), 0.005, 0.5)) if len(cold) else DEPLETION_SHARE,
        task.follow,
    )
    numbers[17] = PORE_SHARE if len(cold) else 0.0
    if len(cold):
        salt = np.exp(SALT[0] + SALT[1] * cold[2]) * task.curves[0].capacity_ah[-1]
        slope = 1.0 - NEAR_PART + NEAR_PART * NEAR_RATE
        numbers[15] = np.clip(slope * salt / (numbers[5] * numbers[4]), 0.02, 0.999)
    numbers[18:] = STEEP * cold[5:7] if len(cold) else 0.0
    numbers[14] = SLOPE[0] + SLOPE[1] * cold[1] if len(cold) else 0.0
    mid, knee = _share(v["mid"]), _share(v["knee"])
    share = mid + (knee - mid) * np.exp(-((GRID / np.exp(v["width"])) ** 2))
    if len(cold):  # the fast surface is then the negative electrode's
        share = negative_share(v, cold[7], task.slope_v)
    tables = np.array([GRID, GRID, exchange, unit * seconds, r2 * shape, other, task.entropic_v_k])
    laws = laws_of(cold, task.usual)
    rows = law_rows(laws)
    early = float(np.exp(EARLY[0] + EARLY[1] * cold[3])) if len(cold) else np.inf
    chain = lag_chain(early)
    curve = task.curves[0]
    numbers[0], soc, volt = rest_points(
        curve.capacity_ah,
        curve.voltage_v,
        curve.current_a,
        numbers_at(numbers, rows, curve.temp_c),
        tables,
        share,
        task.voltage_min_v,
        *chain,
    )
    tables[0], tables[1] = rest_tables(soc, volt, share)
    return Trial(numbers, tables, laws, rows, early, chain)


def negative_share(v: dict[str, float], rise: float, slope_v: Floats) -> Floats:
    """Part of the OCV's slope that is the negative electrode's, over GRID, by standardised parameters."""
    line, foot, width = ((v[n] - PRIORS[n][0]) / PRIORS[n][1] for n in ("mid", "knee", "width"))
    tilt = 1.0 + (LINE_RISE[0] + LINE_RISE[1] * rise) * (GRID - 0.5)
    smooth_v = np.exp(LINE_V[0] + LINE_V[1] * line) * np.maximum(tilt, 0.1)
    beyond = 1.0 - smooth_v / (smooth_v**4 + slope_v**4) ** 0.25
    low_width = np.exp(FOOT_WIDTH[0] + FOOT_WIDTH[1] * width)
    low = _share(FOOT_PART[0] + FOOT_PART[1] * foot) * np.exp(-((GRID / low_width) ** 2))
    high = TOP_PART * np.exp(-(((1.0 - GRID) / TOP_WIDTH) ** 2))
    return np.asarray(np.clip(beyond * (1.0 - low) * (1.0 - high), 0.02, 0.98))


def prior_misses(x: Floats, task: FitTask) -> list[Floats]:
    """Distance of the parameters from where cells usually are."""
    v, level, shape, first, cold = parts_of(x, task)
    named = np.array([(v[n] - PRIORS[n][0]) / PRIORS[n][1] for n in NAMES])
    if len(cold):
        for n in ("slow", "fast"):
            named[NAMES.index(n)] = (v[n] - COLD_DIFFUSION[0]) / COLD_DIFFUSION[1]
        for n, (centre, spread) in (("ohmic", COLD_OHMIC), ("r2", COLD_R2)):
            named[NAMES.index(n)] = (v[n] - centre) / spread
    return [named, np.diff(level - task.kinetic_prior) / 0.5, shape / 0.5, np.diff(shape) / 0.4, first / 0.7, cold]
