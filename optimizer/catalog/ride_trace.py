"""A ride's trace as a file: time, speed and grade, read and validated."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.catalog.columns import Column, Columns, read_columns

RIDE_COLUMNS = (
    Column("time_s", zero=True, high=1e11, ask="seconds"),
    Column("speed_kmh", zero=True, high=200, ask="kilometres per hour"),
    Column("grade_pct", signed=True, low=-50, high=50, ask="percent"),
)


# A ride longer than these has its time in milliseconds; a vehicle slower than this has its speed in m/s or worse.
LONGEST_S = 200_000.0
LONGEST_KM = 2_000.0
SLOWEST_KMH = 2.0
# Rows so far apart [s] tell nothing of a speed that changes by so much [km/h].
APART_S, CHANGE_KMH = 120.0, 5.0


@dataclass(frozen=True, eq=False)
class TraceColumns:
    """A ride's trace: one array per column, shape (n,)."""

    time_s: Floats
    speed_kmh: Floats
    grade_pct: Floats
    file: str
    sha256: str


def read_ride(path: Path) -> TraceColumns:
    """Read a trace (CSV or Parquet with time_s, speed_kmh, grade_pct).

    BadInput: codes of read_columns and too-short, time-order, time-gap, wrong-scale, acceleration, no-motion.
    """
    parsed = read_columns(path, RIDE_COLUMNS, unique="")
    parsed.finish()
    _check_ride(parsed)
    parsed.finish()
    time, speed, grade = (parsed.numbers(name) for name in ("time_s", "speed_kmh", "grade_pct"))
    return TraceColumns(time, speed, grade, str(path), parsed.sha256)


def _check_ride(parsed: Columns) -> None:
    time, speed = parsed.numbers("time_s"), parsed.numbers("speed_kmh")
    if len(time) < 2:
        parsed.complain("too-short", 0, "time_s", f"{len(time)} rows", "must have at least two rows")
        return
    step = np.diff(time)
    back = np.concatenate([[False], step <= 0])
    parsed.complain_where(back, "time-order", "time_s", time.tolist(), "must be later than the row before")
    if back.any():
        return
    span, length = time[-1] - time[0], float(np.trapezoid(speed, time)) / 3600
    if span > LONGEST_S or length > LONGEST_KM:
        expected = f"is this in seconds? it makes a ride of {span / 3600:.3g} h and {length:.3g} km"
        parsed.complain("wrong-scale", len(time) - 1, "time_s", f"{time[-1]:g}", expected)
        return
    if np.median(step) > APART_S and np.ptp(speed) > CHANGE_KMH:
        expected = f"is this in seconds? the rows are {np.median(step):g} s apart while the speed changes"
        parsed.complain("wrong-scale", 1, "time_s", f"{time[1]:g}", expected)
        return
    gap = np.concatenate([[False], (step > 10 * np.median(step)) & (step > 5.0)])
    parsed.complain_where(
        gap, "time-gap", "time_s", time.tolist(), "comes after a gap; fill in the rows between"
    )
    # Even hard braking on dry tarmac stays under 1 g; above that, time or speed is in another unit.
    rate = np.concatenate([[0.0], np.abs(np.diff(speed)) / 3.6 / step])
    expected = "changes by more than 10 m/s2; is it in kilometres per hour, and time in seconds?"
    parsed.complain_where(rate > 10.0, "acceleration", "speed_kmh", speed.tolist(), expected)
    if 0 < speed.max() < SLOWEST_KMH:
        expected = f"is this in kilometres per hour? expected a top speed of {SLOWEST_KMH:g} or more"
        parsed.complain("wrong-scale", int(np.argmax(speed)), "speed_kmh", f"{speed.max():g}", expected)
    if not (speed > 0).any():
        parsed.complain("no-motion", 0, "speed_kmh", "0 in every row", "must be above 0 somewhere")
