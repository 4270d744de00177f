"""Library side of `cellstow characterize`: read curves, fit, predict, and write row, OCV curve and plot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from optimizer.base.problems import BadInput, Problem
from optimizer.base.texts import starts_formula, unseen
from optimizer.cell.curves import read_curves, read_profile, read_pulses
from optimizer.cell.fit import fit_model
from optimizer.cell.measured import Curve, Fit, Pulse
from optimizer.cell.model import SURGE_LIMIT, SUSTAINED_LIMIT, CellModel, Floats, pulse_resistance_ohm
from optimizer.cell.steps import Run, run_constant, run_profile

DEPLETION_LIMIT = 1.0
# Hours in which a load may empty the cell, and seconds of a profile that are stepped through.
LEAST_H, MOST_H = 0.002, 10_000.0
MOST_STEPS = 2_000_000


@dataclass(frozen=True, eq=False)
class Asked:
    """What to characterize and what to predict.

    Parameters
    ----------
    curves : Path
    pulses : Path, optional
    currents_a, powers_w : sequence of float
        Constant loads from full, above 0 [A], [W].
    profiles : sequence of Path
        Power profiles, each repeated from start_soc.
    start_soc : float
        For the profiles, above 0 and at most 1 [-].
    cutoff_v : float, optional
        The least voltage of the curves if left out [V].
    rated_ah : float, optional
        Capacity of the catalog row [Ah].
    name, chemistry : str
        For the catalog row.
    """

    curves: Path
    pulses: Path | None = None
    currents_a: Sequence[float] = ()
    powers_w: Sequence[float] = ()
    profiles: Sequence[Path] = ()
    start_soc: float = 1.0
    cutoff_v: float | None = None
    rated_ah: float | None = None
    name: str = "cell"
    chemistry: str = ""


@dataclass(frozen=True, eq=False)
class Prediction:
    """One predicted case; extrapolates says that the load goes beyond what the curves can tell."""

    case: str
    run: Run
    extrapolates: bool

    def record(self) -> dict[str, Any]:
        """As it stands in the JSON."""
        return {
            "case": self.case,
            "energy_wh": self.run.energy_wh,
            "capacity_ah": self.run.capacity_ah,
            "duration_s": self.run.duration_s,
            "lap_min_voltage_v": list(self.run.lap_min_voltage_v),
            "extrapolates": self.extrapolates,
        }


@dataclass(frozen=True, eq=False)
class Characterized:
    """Fit, predictions in the order asked, and what they came from."""

    fit: Fit
    predictions: tuple[Prediction, ...]
    curves: tuple[Curve, ...]
    pulses: tuple[Pulse, ...]

    def record(self) -> dict[str, Any]:
        """The JSON of the command."""
        return {"fit": fit_record(self.fit), "predictions": [p.record() for p in self.predictions]}


def fit_record(fit: Fit) -> dict[str, Any]:
    """A fit as plain numbers; soc_grid and the tables beside it hold every 50th point.

    Parameters
    ----------
    fit : Fit

    Returns
    -------
    dict
    """
    model = fit.model
    thin = slice(None, None, 50)
    return {
        "name": model.name,
        "chemistry": model.chemistry,
        "capacity_ah": model.capacity_ah,
        "voltage_max_v": model.voltage_max_v,
        "voltage_min_v": model.voltage_min_v,
        "voltage_nominal_v": float(np.mean(model.ocv_v)),
        "dcir_mohm": 1000.0 * dcir_ohm(model),
        "reference_current_a": model.reference_current_a,
        "current_fitted_a": model.current_fitted_a,
        "lag_soc_per_a": model.lag_soc_per_a,
        "diffusion_slow_s": model.diffusion_slow_s,
        "diffusion_fast_s": model.diffusion_fast_s,
        "tau1_s": model.tau1_s,
        "tau2_s": model.tau2_s,
        "r_ohmic_mohm": 1000.0 * model.r_ohmic_ohm,
        "soc_grid": model.soc[thin].tolist(),
        "ocv_v": model.ocv_v[thin].tolist(),
        "r0_mohm": (1000.0 * model.r0_ohm)[thin].tolist(),
        "dcir_10s_mohm": (1000.0 * pulse_resistance_ohm(model))[thin].tolist(),
        "r2_mohm": (1000.0 * model.r2_ohm)[thin].tolist(),
        "curves": [vars(e) for e in fit.curves],
        "pulses": [vars(e) for e in fit.pulses],
        "notes": list(notes(fit)),
    }


# Part of the capacity that curves gave beyond which a fitted one is said to be extrapolated [-].
BEYOND = 0.02


def notes(fit: Fit) -> tuple[str, ...]:
    """What a reader of the fit must know: where it rests on defaults, and where it is poor.

    Parameters
    ----------
    fit : Fit

    Returns
    -------
    tuple of str
    """
    out = [
        f"temperature: curves are taken as measured at 25 degC; Arrhenius factor with "
        f"{fit.model.activation_energy_j_mol / 1000:g} kJ/mol, a default"
    ]
    if not fit.pulses:
        out.append("no pulses given: the split between instantaneous and slow resistance is a default")
    seen = max(e.capacity_ah for e in fit.curves)
    if fit.model.capacity_ah > seen * (1.0 + BEYOND):
        beyond = fit.model.capacity_ah / seen - 1.0
        out.append(
            f"capacity at no current, {fit.model.capacity_ah:.4g} Ah, lies {beyond:.1%} beyond "
            f"what any curve gave ({seen:.4g} Ah): extrapolated; add a slow curve"
        )
    poor = [f"{e.current_a:g} A" for e in fit.curves if e.voltage_rms_mv > 20 or abs(e.capacity_error) > 0.02]
    if poor:
        out.append(f"poor fit (over 20 mV or 2 % of capacity) of the curve of {', '.join(poor)}")
    return tuple(out)


def dcir_ohm(model: CellModel) -> float:
    """10 s resistance at half charge and the reference current.

    Parameters
    ----------
    model : CellModel

    Returns
    -------
    float
        [ohm]
    """
    return float(np.interp(0.5, model.soc, pulse_resistance_ohm(model)))


def extrapolates(model: CellModel, run: Run, *, cutoff_v: float, lowest_v: float) -> bool:
    """Whether a run went beyond what the curves can tell.

    True when the current, seen through the slow delay of minutes, is more than twice the highest fitted one or
    near the electrolyte's limit; when a surge is more than four times the highest fitted one; or when the
    cut-off lies under the curves.

    Parameters
    ----------
    model : CellModel
    run : Run
    cutoff_v, lowest_v : float
        Where the run stops, and the least voltage of the curves [V].

    Returns
    -------
    bool
    """
    sustained = float(np.max(run.sustained_a, initial=0.0))
    # A constant load may end within seconds, so its mean current counts as well.
    mean = 3600.0 * run.capacity_ah / run.duration_s if run.duration_s > 0 else float(run.current_a.max())
    surge = float(np.max(np.abs(run.current_a), initial=0.0))
    fitted = model.current_fitted_a
    return bool(
        max(sustained, mean) > 1.02 * SUSTAINED_LIMIT * fitted
        or sustained > DEPLETION_LIMIT * model.current_limit_a
        or surge > 1.02 * SURGE_LIMIT * fitted
        or cutoff_v < lowest_v - 0.02
    )


def _load_problems(asked: Asked) -> list[Problem]:
    """Faults of the options."""
    out = []
    for name, values in (("current", asked.currents_a), ("power", asked.powers_w)):
        out += [
            Problem("not-positive", f"--{name}", "", "", f"{v:g}", "must be a finite number above 0")
            for v in values
            if not (np.isfinite(v) and v > 0)
        ]
    if not 0 < asked.start_soc <= 1:
        out.append(
            Problem("out-of-range", "--start-soc", "", "", f"{asked.start_soc:g}", "must be above 0 and at most 1")
        )
    if asked.rated_ah is not None and not (np.isfinite(asked.rated_ah) and asked.rated_ah > 0):
        out.append(Problem("not-positive", "--rated-ah", "", "", f"{asked.rated_ah:g}", "must be above 0"))
    for option, text in (("--name", asked.name), ("--chemistry", asked.chemistry)):
        if unseen(text) or starts_formula(text) or len(text) > 100 or set(text) & set("/\\"):
            expected = "must be at most 100 visible signs, no / and no \\, and not begin with = + - or @"
            out.append(Problem("bad-name", option, "", "", repr(text[:60]), expected))
    return out


def _scale_problems(asked: Asked, curves: Sequence[Curve], profiles: Sequence[tuple[Floats, Floats]]) -> list[Problem]:
    """Loads that would empty the cell in seconds, or not within a year: another unit, or a run without end."""
    charge_ah, top_v = float(curves[0].capacity_ah[-1]), float(curves[0].voltage_v[0])
    if not (charge_ah > 0 and top_v > 0):
        return []
    full = {"current": charge_ah, "power": charge_ah * top_v}
    units = {"current": "amperes", "power": "watts"}
    out = []
    for name, values in (("current", asked.currents_a), ("power", asked.powers_w)):
        for value in values:
            hours = full[name] / value if value > 0 else 1.0
            if np.isfinite(hours) and not LEAST_H <= hours <= MOST_H:
                expected = f"is this in {units[name]}? it would empty this cell in {hours:.3g} h"
                out.append(Problem("wrong-scale", f"--{name}", "", "", f"{value:g}", expected))
    for path, (time_s, power_w) in zip(asked.profiles, profiles, strict=True):
        if len(time_s) < 2 or np.any(np.diff(time_s) <= 0):
            continue
        span, lap_wh = float(time_s[-1] - time_s[0]), float(np.trapezoid(power_w, time_s)) / 3600.0
        if lap_wh > 0 and (steps := 1.3 * full["power"] / lap_wh * (span + len(time_s))) > MOST_STEPS:
            expected = f"is this in watts, and time in seconds? it would empty this cell in {steps / 3600:.3g} h"
            out.append(Problem("wrong-scale", str(path), "", "power_w", f"{power_w.max():g} at most", expected))
        elif float(np.max(np.abs(power_w))) > full["power"] / LEAST_H:
            expected = f"is this in watts? this cell holds {full['power']:.3g} Wh"
            out.append(Problem("wrong-scale", str(path), "", "power_w", f"{power_w.max():g} at most", expected))
    return out


def read_asked(asked: Asked) -> tuple[list[Curve], list[Pulse], list[tuple[Floats, Floats]]]:
    """Read everything that is asked for, every fault at once.

    Parameters
    ----------
    asked : Asked

    Returns
    -------
    tuple
        Curves, pulses, and a profile (times, power) for each file.

    Raises
    ------
    BadInput
        With every problem of options and files.
    """
    problems = _load_problems(asked)
    curves = read_curves(asked.curves, problems, rated_ah=asked.rated_ah)
    pulses = read_pulses(asked.pulses, problems) if asked.pulses is not None else []
    profiles = [read_profile(path, problems) for path in asked.profiles]
    if asked.cutoff_v is not None and curves:
        top = float(curves[0].voltage_v[0])
        if not 0 < asked.cutoff_v < top:
            problems.append(
                Problem(
                    "out-of-range",
                    "--cutoff",
                    "",
                    "",
                    f"{asked.cutoff_v:g}",
                    f"must be above 0 and below the {top:g} V at which the curves start",
                )
            )
    if curves and not problems:
        problems += _scale_problems(asked, curves, profiles)
    if problems:
        raise BadInput(problems)
    return curves, pulses, profiles


def characterize(asked: Asked) -> Characterized:
    """Read, fit and predict.

    Parameters
    ----------
    asked : Asked

    Returns
    -------
    Characterized

    Raises
    ------
    BadInput
        With every problem of options and files.
    """
    curves, pulses, profiles = read_asked(asked)
    fit = fit_model(curves, pulses=pulses, name=asked.name, chemistry=asked.chemistry)
    model = fit.model
    lowest = model.voltage_min_v
    cutoff = lowest if asked.cutoff_v is None else asked.cutoff_v
    cases = [(f"current {a:g} A", run_constant(model, current_a=a, cutoff_v=cutoff)) for a in asked.currents_a]
    cases += [(f"power {p:g} W", run_constant(model, power_w=p, cutoff_v=cutoff)) for p in asked.powers_w]
    cases += [
        (f"profile {path}", run_profile(model, time_s=t, power_w=p, start_soc=asked.start_soc, cutoff_v=cutoff))
        for path, (t, p) in zip(asked.profiles, profiles, strict=True)
    ]
    return Characterized(
        fit,
        tuple(Prediction(c, r, extrapolates(model, r, cutoff_v=cutoff, lowest_v=lowest)) for c, r in cases),
        tuple(curves),
        tuple(pulses),
    )
