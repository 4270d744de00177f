"""Arrays that formulas take and give."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Value = TypeVar("Value")


@dataclass(frozen=True)
class Keyed(Generic[Value]):
    """A value that lru_cache knows by its key alone: arrays have no hash."""

    key: Hashable
    value: Value = field(compare=False)


def same_kind(values: Any) -> Floats:
    """A plain number where all arguments of a formula were numbers (0-dimensional), an array otherwise."""
    return cast(Floats, np.asarray(values, dtype=float)[()])
