"""Arrays that formulas take and give."""

from __future__ import annotations

from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]


def same_kind(values: Any) -> Floats:
    """A plain number where all arguments were numbers, an array otherwise.

    Parameters
    ----------
    values : float or ndarray
        Result of a formula, of any shape.

    Returns
    -------
    float or ndarray
        A 0-dimensional array becomes a number; anything else stays as it is.
    """
    return cast(Floats, np.asarray(values, dtype=float)[()])
