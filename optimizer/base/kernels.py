"""Kernels: loops that are compiled once they have enough to do; until then they run as plain Python.

Compiling one takes 0.3 to 8 s of a processor, more than all its work for a small brief. Both ways give the same figures
bit for bit, so a kernel has no sum or exp of NumPy's and leaves what is to be vectorised to a compiled function of its
own: tests/test_kernels.py compares the two.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from functools import cached_property, update_wrapper
from typing import Any, TypeVar, cast

import numpy as np
from numba import njit

F = TypeVar("F", bound=Callable[..., Any])


def held(compiled: Any) -> bool:
    """Whether this machine holds a function of numba's compiled, as the program stands now."""
    try:
        return bool(compiled._cache._cache_file._load_index())  # numba has no name for it
    except (AttributeError, OSError):
        return True


class Kernel:
    """A function of arrays that is compiled when it has been given more rows than it may take as plain Python."""

    def __init__(self, function: Callable[..., Any], rows: int) -> None:
        self.plain, self.left = function, rows
        self.compiled: Any = njit(cache=True, error_model="numpy")(function)
        update_wrapper(self, function)

    @cached_property
    def known(self) -> bool:
        """Whether this machine holds it compiled."""
        return held(self.compiled)

    def __call__(self, *args: Any) -> Any:
        """What the function gives; the rows are those of the first argument."""
        if self.left > 0 and not self.known:
            self.left -= len(args[0])
            if self.left > 0:
                with suppress(ArithmeticError, ValueError), np.errstate(all="ignore"):
                    return self.plain(*args)
        # Python stops at a division by zero; compiled code goes on with infinity.
        return self.compiled(*args)


def kernel(*, rows: int) -> Callable[[F], F]:
    """Decorate a function that only plain code calls; it changes none of its arguments.

    Parameters
    ----------
    rows : int
        Rows of the first argument that take plain Python about as long as compiling takes.
    """

    def decorated(function: F) -> F:
        return cast(F, Kernel(function, rows))

    return decorated
