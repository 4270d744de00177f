"""What is reported of a cell's fit: its numbers, its temperature laws, and what a reader must know."""

from __future__ import annotations

from typing import Any

import numpy as np

from optimizer.cell.laws import PARTS
from optimizer.cell.measured import Fit
from optimizer.cell.model import CellModel, pulse_resistance_ohm


def fit_record(fit: Fit) -> dict[str, Any]:
    """A fit as plain numbers; soc_grid and the tables beside it hold every 50th point."""
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
        "temperature": laws_record(fit),
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


PART_WORDS = {
    "ohmic": "ohmic resistance",
    "kinetic": "charge transfer, slow electrode",
    "kinetic_fast": "charge transfer, fast electrode",
    "seconds": "10 s resistance",
    "minutes": "electrolyte",
    "diffusion_slow": "diffusion, slow electrode",
    "diffusion_fast": "diffusion, fast electrode",
}


def laws_record(fit: Fit) -> list[dict[str, Any]]:
    """Temperature law of each part, and whether the data tell it."""
    laws = fit.model.laws
    return [
        {
            "part": part,
            "energy_kj_mol": energy / 1000.0,
            "bend": bend,
            "source": "curves" if part in fit.fitted_laws else "default",
        }
        for part, energy, bend in zip(PARTS, laws.energy_j_mol, laws.bend, strict=True)
        if part != "kinetic_fast" or fit.model.exchange_fast_a is not None
    ]


def told_parts(fit: Fit) -> tuple[list[str], list[str]]:
    """Parts whose temperature law the data tell, and those where it is the usual one, in words."""
    rows = [(PART_WORDS[row["part"]], row["source"]) for row in laws_record(fit)]
    return [w for w, source in rows if source == "curves"], [w for w, source in rows if source == "default"]


# Part of the capacity that curves gave beyond which a fitted one is said to be extrapolated [-].
BEYOND = 0.02


def notes(fit: Fit) -> tuple[str, ...]:
    """What a reader of the fit must know: where it rests on defaults, and where it is poor."""
    told, usual = told_parts(fit)
    out = []
    if told:
        out.append(f"temperature: laws from the curves for {', '.join(told)}")
    if usual:
        out.append(f"temperature: usual laws, not told by the curves, for {', '.join(usual)}")
    if not fit.pulses:
        out.append("no pulses given: the split between instantaneous and slow resistance is a default")
    seen = max(e.capacity_ah for e in fit.curves)
    if fit.model.capacity_ah > seen * (1.0 + BEYOND):
        beyond = fit.model.capacity_ah / seen - 1.0
        out.append(
            f"capacity at no current, {fit.model.capacity_ah:.4g} Ah, lies {beyond:.1%} beyond "
            f"what any curve gave ({seen:.4g} Ah): extrapolated; add a slow curve"
        )
    far = (e for e in fit.curves if e.voltage_rms_mv > 20 or abs(e.capacity_error) > 0.02)
    poor = [f"{e.current_a:g} A at {e.temp_c:g} °C" for e in far]
    if poor:
        out.append(f"poor fit (over 20 mV or 2 % of capacity) of the curve of {', '.join(poor)}")
    return tuple(out)


def dcir_ohm(model: CellModel) -> float:
    """10 s resistance at half charge and the reference current.

    Returns
    -------
    float
        [ohm]
    """
    return float(np.interp(0.5, model.soc, pulse_resistance_ohm(model)))
