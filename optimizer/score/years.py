"""Range of finished rows after years of use: its band, and the years until it falls below the brief's limit."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.base.figures import in_situation
from optimizer.cell.fade import MOST_YEARS
from optimizer.score.context import Context
from optimizer.score.score import Block, Scores, ride
from optimizer.score.situations import aged, faded

# Steps of the search for a year at most; five or six are common.
STEPS = 20

ENDS = {"least": "harshest", "most": "mildest"}


def years_figures(block: Block, *, context: Context, figures: Scores, least_km: float | None) -> Scores:
    """Band of the range in each situation of years, and the life of packs until their range is under a limit.

    Parameters
    ----------
    block : Block
        n candidates.
    figures : dict of str to ndarray
        Of the block; pack_mass_kg is read.
    least_km : float or None
        The brief's limit on the range under its own conditions [km].

    Returns
    -------
    dict of str to ndarray, shape (n,)
        range_least_km_<name> and range_most_km_<name>, by the published cells that fade most and least [km];
        life_range_years, life_range_km where there is a limit. Minus infinity where no fade is published.
    """
    out: Scores = {}
    if context.wear is None:
        return out
    mass_kg = figures["pack_mass_kg"]
    known = np.isfinite(context.wear.after(0.0, cell=block.cell, number=block.series * block.parallel).capacity)
    for name, here in context.situations.items():
        for end, by in ENDS.items() if here.years else ():
            old, cells = aged(block, here, by=by)
            km = ride(old, context=cells, pack_mass_kg=mass_kg, stepped=True)["range_km"]
            out[in_situation(f"range_{end}_km", name)] = np.where(known, km, -np.inf)
    if least_km is not None:
        years = np.where(known, years_to(block, context=context, pack_mass_kg=mass_kg, least_km=least_km), -np.inf)
        out |= {"life_range_years": years, "life_range_km": years * context.wear.km_per_year}
    return out


def range_after(years: Floats, block: Block, *, context: Context, pack_mass_kg: Floats) -> Floats:
    """Range under the brief's own conditions of packs as old as each is, by the middle of published cells [km]."""
    assert context.wear is not None
    left = context.wear.after(years, cell=block.cell, number=block.series * block.parallel)
    old = faded(context, block.cell, capacity=left.capacity, fade=left)
    own = replace(block, cell=np.arange(len(block)))
    return ride(own, context=old, pack_mass_kg=pack_mass_kg, stepped=True)["range_km"]


def years_to(block: Block, *, context: Context, pack_mass_kg: Floats, least_km: float) -> Floats:
    """Years until the range is under a limit, 0 where it is from the first day, at most MOST_YEARS [years].

    By false position in the root of time, in which fade is nearly straight; where one end stays, its value is halved.
    """
    low, high = np.zeros(len(block)), np.full(len(block), np.sqrt(MOST_YEARS))

    def over(root: Floats) -> Floats:
        return range_after(root**2, block, context=context, pack_mass_kg=pack_mass_kg) - least_km

    above, below = over(low), over(high)
    out = np.where(above <= 0.0, 0.0, np.where(below >= 0.0, MOST_YEARS, np.nan))
    middle, side = high, np.zeros(len(block))
    for _ in range(STEPS):
        if not np.isnan(out).any():
            break
        middle = np.where(np.isnan(out), low + (high - low) * above / np.maximum(above - below, 1e-12), low)
        found = over(middle)
        out = np.where(np.isnan(out) & (np.abs(found) < 1e-3), middle**2, out)
        short = found < 0.0
        above = np.where(short & (side < 0), 0.5 * above, np.where(short, above, found))
        below = np.where(~short & (side > 0), 0.5 * below, np.where(short, found, below))
        low, high, side = np.where(short, low, middle), np.where(short, middle, high), np.where(short, -1.0, 1.0)
    return np.where(np.isnan(out), middle**2, out)
