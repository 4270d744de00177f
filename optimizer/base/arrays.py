"""Arrays that formulas take and give."""

from __future__ import annotations

from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


def same_kind(values: Any) -> Floats:
    """A plain number where all arguments of a formula were numbers (0-dimensional), an array otherwise."""
    return cast(Floats, np.asarray(values, dtype=float)[()])
