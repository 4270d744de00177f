"""Library side of `cellstow characterize`: read curves, fit, predict, and write row, OCV curve and plot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.base.problems import BadInput, Problem
from optimizer.base.texts import starts_formula, unseen
from optimizer.cell.charging import Charge, charge, peak_power_w
from optimizer.cell.curves import PULSE_S, TEMP_C, read_curves, read_profile, read_pulses
from optimizer.cell.fit import fit_model
from optimizer.cell.fit_record import fit_record, notes
from optimizer.cell.laws import REFERENCE_TEMP_C
from optimizer.cell.measured import Curve, Fit, Pulse
from optimizer.cell.model import SURGE_LIMIT, SUSTAINED_LIMIT, CellModel
from optimizer.cell.steps import Heat, LoadRun, run_constant, run_profile

DEPLETION_LIMIT = 1.0
# Hours in which a load may empty the cell, and seconds of a profile that are stepped through.
LEAST_H, MOST_H = 0.002, 10_000.0
MOST_STEPS = 2_000_000
# Largest error of powers on published sets over temperature, what pulses mend, and what charges rest on: ACCURACY.md.
OPEN_POWERS = (
    "powers that extrapolate were up to half again too high or a third too low on published cells in the cold; "
    "pulses of 10 s at six times the 1 h current, or at the power's own, tell them better"
)
OPEN_CHARGES = (
    "charge times are told from discharges: of two simulated cells with nearly the same curves and pulses one took "
    "up to half as long again to charge; time a charge of your own"
)


@dataclass(frozen=True, eq=False)
class CharacterizeRequest:
    """What to characterize and what to predict.

    Parameters
    ----------
    currents_a, powers_w : sequence of float
        Constant loads from full, above 0 [A], [W].
    profiles : sequence of Path
        Power profiles, each repeated from start_soc.
    charges_a : sequence of float
        Charges from rest at start_soc, at constant current, then at the full voltage; above 0 [A].
    start_soc : float
        For the profiles and charges, above 0 and at most 1 [-].
    peak_seconds : float
        How long a peak lasts [s].
    peak_socs : sequence of float
        States of charge at which peaks are asked for [-].
    temp_c : float
        Of the air, and of the cell at the start of each prediction [degC].
    heat_capacity_j_k, cooling_w_k : float, optional
        Both given: the cell warms by its own heat. Left out: it stays at temp_c [J/K], [W/K].
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
    charges_a: Sequence[float] = ()
    start_soc: float = 1.0
    peak_seconds: float = 10.0
    peak_socs: Sequence[float] = ()
    temp_c: float = REFERENCE_TEMP_C
    heat_capacity_j_k: float | None = None
    cooling_w_k: float | None = None
    cutoff_v: float | None = None
    rated_ah: float | None = None
    name: str = "cell"
    chemistry: str = ""

    @property
    def heat(self) -> Heat | None:
        """The cell's own warming, if asked for."""
        if self.heat_capacity_j_k is None or self.cooling_w_k is None:
            return None
        return Heat(self.heat_capacity_j_k, self.cooling_w_k)


@dataclass(frozen=True, eq=False)
class Prediction:
    """One predicted case; extrapolates says that the load goes beyond what the curves can tell."""

    case: str
    run: LoadRun
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
class ChargePrediction:
    """One predicted charge; charge_80_min is 0 where it starts beyond 80 %, None where it ends before."""

    case: str
    run: Charge
    extrapolates: bool

    @property
    def charge_80_min(self) -> float | None:
        """When 80 % is reached [min]."""
        minutes = self.run.minutes_to(0.8)
        return minutes if np.isfinite(minutes) else None

    def record(self) -> dict[str, Any]:
        """As it stands in the JSON."""
        return {
            "case": self.case,
            "charge_80_min": self.charge_80_min,
            "charge_min": self.run.minutes,
            "extrapolates": self.extrapolates,
        }


@dataclass(frozen=True)
class Peak:
    """Most constant power from rest at a state of charge; extrapolates as for a prediction's surge."""

    soc: float
    power_w: float
    extrapolates: bool


@dataclass(frozen=True, eq=False)
class Characterized:
    """Fit, predictions and powers in the order asked, and what they came from."""

    fit: Fit
    predictions: tuple[Prediction | ChargePrediction, ...]
    peaks: tuple[Peak, ...]
    peak_seconds: float
    curves: tuple[Curve, ...]
    pulses: tuple[Pulse, ...]

    @property
    def notes(self) -> tuple[str, ...]:
        """What a reader of fit, powers and charges must know."""
        powers = any(peak.extrapolates for peak in self.peaks)
        charges = any(isinstance(each, ChargePrediction) for each in self.predictions)
        return (*notes(self.fit), *[OPEN_POWERS] * powers, *[OPEN_CHARGES] * charges)

    def record(self) -> dict[str, Any]:
        """The JSON of the command."""
        fit = {**fit_record(self.fit), "notes": list(self.notes)}
        out = {"fit": fit, "predictions": [p.record() for p in self.predictions]}
        if self.peaks:
            out["peaks"] = [vars(peak) for peak in self.peaks]
        return out


def extrapolates(model: CellModel, run: LoadRun, *, cutoff_v: float, lowest_v: float) -> bool:
    """Whether a run went beyond what the curves can tell.

    True when the current, seen through the slow delay of minutes, is more than twice the highest fitted one or
    near the electrolyte's limit; when a surge is more than four times the highest fitted one; or when the
    cut-off lies under the curves.

    Parameters
    ----------
    cutoff_v, lowest_v : float
        Where the run stops, and the least voltage of the curves [V].
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


def _load_problems(asked: CharacterizeRequest) -> list[Problem]:
    """Faults of the options."""
    out = []
    for name, values in (("current", asked.currents_a), ("power", asked.powers_w), ("charge", asked.charges_a)):
        out += [
            Problem("not-positive", f"--{name}", "", "", f"{v:g}", "must be a finite number above 0")
            for v in values
            if not (np.isfinite(v) and v > 0)
        ]
    if not 0 < asked.start_soc <= 1:
        out.append(
            Problem("out-of-range", "--start-soc", "", "", f"{asked.start_soc:g}", "must be above 0 and at most 1")
        )
    out += _temperature_problems(asked)
    if asked.rated_ah is not None and not (np.isfinite(asked.rated_ah) and asked.rated_ah > 0):
        out.append(Problem("not-positive", "--rated-ah", "", "", f"{asked.rated_ah:g}", "must be above 0"))
    for option, text in (("--name", asked.name), ("--chemistry", asked.chemistry)):
        if unseen(text) or starts_formula(text) or len(text) > 100 or set(text) & set("/\\"):
            expected = "must be at most 100 visible signs, no / and no \\, and not begin with = + - or @"
            out.append(Problem("bad-name", option, "", "", repr(text[:60]), expected))
    return out


def _temperature_problems(asked: CharacterizeRequest) -> list[Problem]:
    """Faults of the options on temperature, heat and peaks."""
    out = []
    low, high = TEMP_C
    if not low <= asked.temp_c <= high:
        expected = f"must be {low:g} to {high:g} °C"
        out.append(Problem("out-of-range", "--temp-c", "", "", f"{asked.temp_c:g}", expected))
    if not 0.1 <= asked.peak_seconds <= PULSE_S:
        expected = f"must be 0.1 to {PULSE_S:g} s"
        out.append(Problem("out-of-range", "--peak-seconds", "", "", f"{asked.peak_seconds:g}", expected))
    out += [
        Problem("out-of-range", "--peak-soc", "", "", f"{soc:g}", "must be above 0 and at most 1")
        for soc in asked.peak_socs
        if not 0 < soc <= 1
    ]
    pair = (("--heat-capacity-j-k", asked.heat_capacity_j_k, 1e-3, 1e6), ("--cooling-w-k", asked.cooling_w_k, 0.0, 1e4))
    for option, value, least, most in pair:
        if value is not None and not least <= value <= most:
            out.append(Problem("out-of-range", option, "", "", f"{value:g}", f"must be {least:g} to {most:g}"))
    if (asked.heat_capacity_j_k is None) != (asked.cooling_w_k is None):
        given, other = ("--cooling-w-k", "--heat-capacity-j-k") if asked.heat_capacity_j_k is None else (
            "--heat-capacity-j-k", "--cooling-w-k")  # fmt: skip
        out.append(Problem("missing-option", given, "", "", "", f"needs {other} beside it"))
    return out


def _scale_problems(
    asked: CharacterizeRequest, curves: Sequence[Curve], profiles: Sequence[tuple[Floats, Floats]]
) -> list[Problem]:
    """Loads that would empty the cell in seconds, or not within a year: another unit, or a run without end."""
    charge_ah, top_v = float(curves[0].capacity_ah[-1]), float(curves[0].voltage_v[0])
    if not (charge_ah > 0 and top_v > 0):
        return []
    full = {"current": charge_ah, "power": charge_ah * top_v, "charge": charge_ah}
    units = {"current": "amperes", "power": "watts", "charge": "amperes"}
    out = []
    for name, values in (("current", asked.currents_a), ("power", asked.powers_w), ("charge", asked.charges_a)):
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


def read_asked(asked: CharacterizeRequest) -> tuple[list[Curve], list[Pulse], list[tuple[Floats, Floats]]]:
    """Read everything that is asked for, every fault at once.

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


def characterize(asked: CharacterizeRequest) -> Characterized:
    """Read, fit and predict.

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
    where: dict[str, Any] = {"temp_c": asked.temp_c, "heat": asked.heat}
    cases = [(f"current {a:g} A", run_constant(model, current_a=a, cutoff_v=cutoff, **where)) for a in asked.currents_a]
    cases += [(f"power {p:g} W", run_constant(model, power_w=p, cutoff_v=cutoff, **where)) for p in asked.powers_w]
    where["start_soc"] = asked.start_soc
    cases += [
        (f"profile {path}", run_profile(model, time_s=t, power_w=p, cutoff_v=cutoff, **where))
        for path, (t, p) in zip(asked.profiles, profiles, strict=True)
    ]
    runs = [Prediction(c, r, extrapolates(model, r, cutoff_v=cutoff, lowest_v=lowest)) for c, r in cases]
    return Characterized(
        fit,
        (*runs, *_charges(model, asked)),
        _peaks(model, asked, pulses, cutoff_v=cutoff),
        asked.peak_seconds,
        tuple(curves),
        tuple(pulses),
    )


def read_socs(text: str | None, *, usual: bool) -> tuple[float, ...]:
    """States of charge from a list with commas.

    Parameters
    ----------
    text : str, optional
        Such as "0.8,0.5,0.2".
    usual : bool
        Take 0.8, 0.5 and 0.2 if there is no list.

    Raises
    ------
    BadInput
        If a part is not a number.
    """
    if text is None:
        return (0.8, 0.5, 0.2) if usual else ()
    try:
        return tuple(float(part) for part in text.split(","))
    except ValueError:
        expected = "must be numbers with commas between, such as 0.8,0.5,0.2"
        raise BadInput([Problem("not-a-number", "--peak-soc", "", "", repr(text[:60]), expected)]) from None


def _peaks(
    model: CellModel, asked: CharacterizeRequest, pulses: Sequence[Pulse], *, cutoff_v: float
) -> tuple[Peak, ...]:
    """Powers asked for; the current of one is taken at the cut-off, where it ends."""
    fitted = max([model.current_fitted_a, *(pulse.current_a for pulse in pulses)])
    how: dict[str, Any] = {"seconds": asked.peak_seconds, "temp_c": asked.temp_c, "heat": asked.heat}
    watts = [peak_power_w(model, soc=soc, cutoff_v=cutoff_v, **how) for soc in asked.peak_socs]
    return tuple(
        Peak(soc, watt, bool(watt / cutoff_v > 1.02 * SURGE_LIMIT * fitted))
        for soc, watt in zip(asked.peak_socs, watts, strict=True)
    )


def _charges(model: CellModel, asked: CharacterizeRequest) -> list[ChargePrediction]:
    """Charges asked for."""
    heat = asked.heat
    return [
        ChargePrediction(
            f"charge {a:g} A",
            charge(model, current_a=a, start_soc=asked.start_soc, temp_c=asked.temp_c, heat=heat),
            a > 1.02 * SUSTAINED_LIMIT * model.current_fitted_a,
        )
        for a in asked.charges_a
    ]
