"""Between which ranges a pack of a finished row lies, by what cells differ and by how well the model knows them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.base.figures import in_situation
from optimizer.pack.spread import normal_max_sd
from optimizer.score.context import Context, with_own_cells
from optimizer.score.score import Block, Scores, ridden
from optimizer.score.situations import aged

# Of a normal distribution, a tenth lies so many standard deviations below the mean.
TENTH = 1.2815516
# Standard error of the energy that the cell model gives a ride, at temperatures [°C]: half of what rides are held to,
# 6 % at −10 °C, 4 % from −5 to 0 °C, 2 % from 10 °C on (ACCURACY.md). A catalog's values are taken as right.
MODEL_C, MODEL_SE = (-10.0, -5.0, 0.0, 10.0), (0.03, 0.02, 0.02, 0.01)
# Change for which the range's response is worked out.
CHANGE = 0.01


def situation_bands(block: Block, *, context: Context, figures: Scores) -> Scores:
    """The same in each situation, its cells as old as there: range_p10_km_<name>, range_p90_km_<name> [km].

    Minus infinity where no fade is published.
    """
    out: Scores = {}
    for name, here in context.situations.items():
        km = figures[in_situation("range_km", name)]
        old, cells = aged(block, here)
        fast = ridden(old, context=cells, pack_mass_kg=figures["pack_mass_kg"]).range_km
        known = {"range_km": np.maximum(km, 0.0), "fast_range_km": fast, "pack_mass_kg": figures["pack_mass_kg"]}
        for end, values in range_band(old, context=cells, figures=known).items():
            column = in_situation(f"range_{end.removeprefix('range_km_')}_km", name)
            out[column] = np.where(np.isfinite(km), values, -np.inf)
    return out


def range_band(block: Block, *, context: Context, figures: Scores) -> Scores:
    """10th and 90th percentile of the range under the brief's own conditions, by linear response.

    σ² = (range · model)² + (∂range/∂ln Q · σ_Q)² + (∂range/∂ln r · σ_r)²; σ_Q is that of the weakest of S groups,
    σ_capacity/√P times the standard deviation of the least of S normal values, σ_r = σ_dcir/√(S·P). Responses are those
    of the ride's fast form, over the fast form's own range.

    Parameters
    ----------
    block : Block
        n candidates.
    context : Context
    figures : dict of str to ndarray, shape (n,)
        range_km, fast_range_km [km] and pack_mass_kg [kg] of the block.

    Returns
    -------
    dict of str to ndarray, shape (n,)
        range_km_p10 and range_km_p90 [km], range_km between them.
    """
    km, fast = figures["range_km"], np.maximum(figures["fast_range_km"], 1e-9)
    every, same = np.arange(len(block)), np.ones(len(block))
    own = replace(block, cell=every)

    def response(capacity: float, resistance: float) -> Floats:
        changed = with_own_cells(context, block.cell, capacity=capacity * same, resistance=resistance * same)
        less = ridden(own, context=changed, pack_mass_kg=figures["pack_mass_kg"]).range_km
        return np.asarray(np.minimum(np.abs(1.0 - less / fast) / CHANGE, 10.0))

    capacity = context.capacity_cv / np.sqrt(block.parallel) * normal_max_sd(block.series)
    resistance = context.dcir_cv / np.sqrt(block.series * block.parallel)
    model = np.interp(context.air_c, MODEL_C, MODEL_SE)
    parts = model**2 + (response(1.0 - CHANGE, 1.0) * capacity) ** 2 + (response(1.0, 1.0 + CHANGE) * resistance) ** 2
    off = TENTH * km * np.sqrt(parts)
    return {"range_km_p10": np.maximum(km - off, 0.0), "range_km_p90": km + off}
