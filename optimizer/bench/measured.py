"""A table of measured cells, and the rules by which some of them are not built in."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from optimizer.base.arrays import Floats
from optimizer.base.problems import BadInput, Problem
from optimizer.catalog.columns import Column, read_columns

COLUMNS = (
    Column("id", kind="text", label=True),
    Column("capacity_ah", filled=False, low=0.02, high=1000, ask="ampere-hours"),
    Column("resistance_mohm", needed=False, filled=False, low=0.02, high=2000, ask="milliohms"),
    Column("rest_voltage_v", needed=False, filled=False, low=0.5, high=5, ask="volts"),
    Column("self_discharge_mv_per_day", needed=False, filled=False, zero=True, signed=True, low=-50, high=500,
           ask="millivolts per day"),
    Column("mass_g", needed=False, filled=False, low=1, high=5000, ask="grams"),
)  # fmt: skip

# A cell is rejected when it is further from the middle of the batch than so many of its robust standard deviations,
# and than a floor below which meters and batches differ anyway; and always beyond the last value, whatever the batch.
DEVIATIONS = 5.0
# (column, floor, always), the first two shares of the median by logarithm, the voltage in volts. Common practice, no
# published source: 5 % of capacity, 25 % of resistance, 50 mV at rest.
RULES = {
    "capacity_ah": (0.05, 0.4),
    "resistance_mohm": (0.25, 1.0),
    "rest_voltage_v": (0.05, 0.5),
    "self_discharge_mv_per_day": (2.0, 20.0),
    "mass_g": (0.05, 0.25),
}
BY_SHARE = {"capacity_ah", "resistance_mohm", "mass_g"}


@dataclass(frozen=True, eq=False)
class Measured:
    """A table of measured cells; NaN where something was not measured.

    Parameters
    ----------
    id : ndarray of str, shape (n,)
    values : dict of column to ndarray, shape (n,)
    """

    file: str
    id: NDArray[np.str_]
    values: dict[str, Floats]
    sha256: str

    def __len__(self) -> int:
        return len(self.id)


@dataclass(frozen=True)
class Rejected:
    """A cell that is not built in, and why."""

    id: str
    why: str


def read_measured(path: Path) -> Measured:
    """Read a table of measured cells.

    Parameters
    ----------
    path : Path
        CSV or Parquet with id and capacity_ah; resistance_mohm, rest_voltage_v, self_discharge_mv_per_day and mass_g
        where they were measured.

    Raises
    ------
    BadInput
        Codes of read_columns: an id twice among them.
    """
    read = read_columns(path, COLUMNS)
    read.finish()
    values = {column.name: read.numbers(column.name) for column in COLUMNS if column.kind == "number"}
    if not np.isfinite(values["capacity_ah"]).any():
        text = "is empty in every row: without capacities nothing can be matched"
        raise BadInput([Problem("not-measured", str(path), "", "capacity_ah", "", text)])
    return Measured(str(path), read.texts("id"), values, read.sha256)


def outliers(cells: Measured) -> list[Rejected]:
    """Cells that are unlike their batch, by the rules of RULES; a value that was not measured breaks none.

    Returns
    -------
    list of Rejected
        In the table's order, with every reason.
    """
    reasons: list[list[str]] = [[] for _ in range(len(cells))]
    for name, (floor, always) in RULES.items():
        raw = cells.values[name]
        known = np.isfinite(raw)
        if known.sum() < 4:
            continue
        scaled = np.log(raw) if name in BY_SHARE else raw
        middle = float(np.median(scaled[known]))
        spread = float(np.median(np.abs(scaled[known] - middle))) / 0.674490
        limit = min(max(DEVIATIONS * spread, floor), always)
        for k in np.flatnonzero(known & (np.abs(scaled - middle) > limit)):
            # Losing little by itself is no fault.
            if name == "self_discharge_mv_per_day" and scaled[k] < middle:
                continue
            reasons[k].append(_reason(name, float(raw[k]), middle, limit))
    return [Rejected(str(cells.id[k]), "; ".join(each)) for k, each in enumerate(reasons) if each]


def _reason(name: str, value: float, middle: float, limit: float) -> str:
    if name in BY_SHARE:
        centre = float(np.exp(middle))
        away, allowed = 100.0 * (value / centre - 1.0), 100.0 * (np.exp(limit) - 1.0)
        return f"{name} {value:g} is {away:+.1f} % from the batch's middle {centre:.4g}; {allowed:.0f} % is allowed"
    return f"{name} {value:g} is {value - middle:+.3g} from the batch's middle {middle:.4g}; {limit:.3g} is allowed"


def rules_told() -> list[str]:
    """The rules of rejection in words."""
    lines = []
    for name, (floor, always) in RULES.items():
        unit = " of the middle" if name in BY_SHARE else (" V" if name.endswith("_v") else " mV a day")
        shown = [f"{100 * (np.exp(x) - 1):.0f} %" if name in BY_SHARE else f"{x:g}" for x in (floor, always)]
        lines.append(
            f"{name}: rejected beyond {DEVIATIONS:g} robust standard deviations (median, MAD), but not within "
            f"{shown[0]}{unit}, and always beyond {shown[1]}"
        )
    return lines
