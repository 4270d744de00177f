"""A log as it was read: time stamps and columns in SI units, not corrected yet."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from optimizer.base.arrays import Floats
from optimizer.base.problems import BadInput, Problem

#: Called now and then while a large file is read: share that is done, 0 to 1.
Progress = Callable[[float], None]

#: What a log may hold besides its stamps, each in the unit of its name.
QUANTITIES = (
    "speed_m_s", "latitude_deg", "longitude_deg", "altitude_m", "distance_m", "voltage_v", "current_a", "power_w",
    "temp_c", "cell_temp_c",
)  # fmt: skip


def silent(share: float) -> None:
    """Progress that nobody watches."""


@dataclass(frozen=True, eq=False)
class RawLog:
    """One log.

    Parameters
    ----------
    file : str
        As the user named it.
    time_s : ndarray, shape (n,)
        Stamps, NaN where they could not be read; since 1970 where they are dated [s].
    columns : mapping of name to ndarray, shape (n,)
        Some of QUANTITIES; NaN where a row has none.
    zoned : bool
        Whether the stamps count from one clock: dated with a zone, or plain seconds. Local times are not.
    notes : tuple of str
        What was recognised and repaired while it was read.
    """

    file: str
    time_s: Floats
    columns: Mapping[str, Floats]
    zoned: bool = True
    notes: tuple[str, ...] = field(default=())

    def __len__(self) -> int:
        return len(self.time_s)


def refuse(code: str, file: str, expected: str, *, found: str = "", name: str = "", where: str = "") -> BadInput:
    """A log that can't be used, as one problem ready to raise."""
    return BadInput([Problem(code, file, where, name, found, expected)])
