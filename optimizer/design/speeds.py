"""How far designs go at a steady speed: the range against the cruising speed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from optimizer.design.select import choose, design_block
from optimizer.design.subspace import in_conditions
from optimizer.design.tolerances import stacked
from optimizer.score.score import score
from optimizer.search.space.space import Space

# Slowest cruise that is looked at [km/h], how far beyond the ride's top speed [-], and at how many speeds.
SLOWEST_KMH, BEYOND, COUNT = 10.0, 1.3, 11


def range_by_speed(space: Space, picked: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """Range of designs on the level at steady speeds, from full to the reserve, in the air and wind of the brief.

    The frame has speed_kmh, then one column of kilometres by design_id; 0 where the pack does not reach the speed.
    """
    ride = space.brief.ride
    assert ride is not None
    legal = [1.1 * speed for speed in ride.legal_kmh]
    fastest = max(BEYOND * space.context.trace.speed_max_kmh, 2.0 * SLOWEST_KMH, *legal)
    speeds = np.unique(np.round(np.linspace(SLOWEST_KMH, fastest, COUNT)))
    block = stacked([design_block(space, choose(space, row)) for row in picked])
    ranges = []
    for speed in speeds:
        steady = {"trace": None, "speed_kmh": float(speed), "grade_pct": 0.0, "length_km": 1.0}
        there = in_conditions(space, ride=ride.model_copy(update=steady), situation=())
        ranges.append(score(block, context=there.context, figures=frozenset({"range_km"}), stepped=True)["range_km"])
    names = [str(row["design_id"]) for row in picked]
    return pd.DataFrame({"speed_kmh": speeds} | dict(zip(names, np.array(ranges).T, strict=True)))
