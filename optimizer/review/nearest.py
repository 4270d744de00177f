"""The row of a front that stands nearest to a pack that is not on it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from optimizer.front import normalise, signed


def nearest_on_front(row: Mapping[str, Any], front: pd.DataFrame, *, objectives: Sequence[str]) -> dict[str, Any]:
    """The row of the front that comes nearest to a pack in its objectives, each over its span."""
    columns = {name: np.append(front[name].to_numpy(dtype=float), float(row[name])) for name in objectives}
    scaled = normalise(signed(columns, objectives=objectives))
    k = int(np.argmin(np.abs(scaled[:-1] - scaled[-1]).max(axis=1)))
    return {str(name): value for name, value in front.iloc[k].items()}
