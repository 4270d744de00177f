"""The band that a vehicle's uncertain resistances leave of a design's range."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

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


def range_band(space: Space, row: Mapping[str, Any]) -> Band | None:
    """Band of a design's range by the standard errors in the brief's [vehicle].

    Each value is changed by its standard error both ways and the design scored again; the changes add up as errors
    do, those of drag area and rolling resistance with their correlation.

    Parameters
    ----------
    space : Space
        Best of one cell, as `read_design` gives it: the space is made anew for each change.
    row : mapping
        At least the design's choices.

    Returns
    -------
    Band or None
        None when the brief knows no errors.
    """
    vehicle = space.brief.vehicle
    assert vehicle is not None
    errors = {name: float(getattr(vehicle, f"{name}_se") or 0.0) for name in NAMES}
    known = [name for name in NAMES if errors[name] > 0.0]
    if not known:
        return None
    middle = float(score_row(space, row)["range_km"])
    change = {}
    for name in known:
        value = float(getattr(vehicle, name))
        low, high = max(value - errors[name], 0.05 * value), value + errors[name]
        if name == "drivetrain_efficiency":
            high = min(high, 1.0)
        vehicles = [vehicle.model_copy(update={name: each}) for each in (low, high)]
        ends = [float(score_row(in_conditions(space, vehicle=each), row)["range_km"]) for each in vehicles]
        change[name] = (ends[1] - ends[0]) / (high - low) * errors[name]
    variance = sum(each**2 for each in change.values())
    if {"cda_m2", "crr"} <= set(known):
        variance += 2.0 * (vehicle.cda_crr_correlation or 0.0) * change["cda_m2"] * change["crr"]
    se = float(np.sqrt(max(variance, 0.0)))
    return Band(se, max(middle - WITHIN_95 * se, 0.0), middle + WITHIN_95 * se)


