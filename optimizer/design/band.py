"""The range of designs as a band, from the standard errors of the vehicle's resistances."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.design.rescore import score_row
from optimizer.design.subspace import in_conditions
from optimizer.search.space.space import Space

NAMES = ("cda_m2", "crr", "drivetrain_efficiency", "accessory_w")
# Of a normal distribution, 95 % lie within so many standard deviations.
WITHIN_95 = 1.959964


@dataclass(frozen=True)
class Band:
    """Range with its uncertainty.

    Parameters
    ----------
    se_km : float
        Standard error [km].
    low_km, high_km : float
        Between them the range lies with 95 % probability, as far as the vehicle's values go [km].
    """

    se_km: float
    low_km: float
    high_km: float


def range_bands(space: Space, rows: Sequence[Mapping[str, Any]]) -> list[Band]:
    """Bands of designs' ranges by the standard errors in the brief's [vehicle].

    Each value is changed by its standard error both ways and the designs scored again; the changes add up as errors
    do, those of drag area and rolling resistance with their correlation.

    Parameters
    ----------
    space : Space
        At home to all rows; it is made anew for each change.
    rows : sequence of mapping
        At least the designs' choices.

    Returns
    -------
    list of Band
        Empty when the brief knows no errors.
    """
    vehicle = space.brief.vehicle
    assert vehicle is not None
    errors = {name: float(getattr(vehicle, f"{name}_se") or 0.0) for name in NAMES}
    known = [name for name in NAMES if errors[name] > 0.0]
    if not known:
        return []

    def ranges(space: Space) -> Floats:
        return np.array([float(score_row(space, row)["range_km"]) for row in rows])

    middle, change = ranges(space), {}
    for name in known:
        value = float(getattr(vehicle, name))
        low, high = max(value - errors[name], 0.05 * value), value + errors[name]
        if name == "drivetrain_efficiency":
            high = min(high, 1.0)
        ends = [ranges(in_conditions(space, vehicle=vehicle.model_copy(update={name: end}))) for end in (low, high)]
        change[name] = (ends[1] - ends[0]) / (high - low) * errors[name]
    variance = sum((each**2 for each in change.values()), np.zeros(len(rows)))
    if {"cda_m2", "crr"} <= set(known):
        variance = variance + 2.0 * (vehicle.cda_crr_correlation or 0.0) * change["cda_m2"] * change["crr"]
    spread = np.sqrt(np.maximum(variance, 0.0)).tolist()
    return [
        Band(se, max(here - WITHIN_95 * se, 0.0), here + WITHIN_95 * se)
        for here, se in zip(middle.tolist(), spread, strict=True)
    ]
