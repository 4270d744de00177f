"""The stamps of a log put in order: zones, midnight, shuffled and doubled rows, gaps, pauses; then one row a second."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optimizer.base.arrays import Floats, Ints
from optimizer.road.log import RawLog, refuse

# A clock that jumps by a whole number of these changed its zone [s].
ZONE_STEP_S = 1800.0
DAY_S = 86400.0
# A hole between rows is a gap from here on, and from so many usual steps on [s].
GAP_S, GAP_STEPS = 10.0, 5.0
# A gap or stand of this length is a pause: no part of the ride [s].
PAUSE_S = 600.0
# What is left of a pause [s].
PAUSE_LEFT_S = 5.0
MOST_SECONDS = 5_000_000
# A counter that begins anew does so within so much of where the log began [s], so many times at most; dated stamps
# are from the year 1998 on and don't.
ANEW_S, MOST_ANEW, DATED_S = 10.0, 50, 9e8


@dataclass(frozen=True, eq=False)
class Timeline:
    """A log with one row a second.

    Parameters
    ----------
    columns : mapping of name to ndarray, shape (n,)
        Means of the rows of each second; NaN where there is none.
    count : ndarray of int, shape (n,)
        Rows that fell into each second.
    in_gap : ndarray of bool, shape (n,)
        Seconds within a gap.
    breaks : ndarray of int, shape (m,)
        Rows before which a pause was cut out: what was travelled in it is no part of the ride.
    changes : tuple of str
        What was mended.
    """

    columns: Mapping[str, Floats]
    count: Ints
    in_gap: NDArray[np.bool_]
    breaks: Ints
    changes: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.count)


def timeline(log: RawLog, *, pause_s: float = PAUSE_S) -> Timeline:
    """Order, merge and space out the rows of a log.

    Parameters
    ----------
    pause_s : float
        Gaps of this length or more are cut out [s].

    Raises
    ------
    BadInput
        Code "empty-log" or "too-long".
    """
    changes: list[str] = []
    time = log.time_s.copy()
    columns = _with_a_fix(log.columns, changes)
    if not log.zoned:
        time = _one_clock(time, changes)
    time = _counted_on(time, columns, changes, pause_s)
    time, columns = _near(time, columns, changes)
    late = int(np.sum(np.diff(time) < 0))
    if late:
        changes.append(f"rows out of order: sorted by time ({late} times a row was earlier than the one before)")
        order = np.argsort(time, kind="stable")
        time, columns = time[order], {name: each[order] for name, each in columns.items()}
    doubled = int(np.sum(np.diff(time) == 0))
    if doubled:
        changes.append(f"doubled stamps: {doubled} rows joined with the row of the same time")
    if len(time) < 2 or time[-1] - time[0] < 2.0:
        raise refuse("empty-log", log.file, "holds less than two seconds of a ride", found=f"{len(time)} rows")
    step = np.diff(time)
    usual = float(np.median(step[step > 0]))
    limit = max(GAP_S, GAP_STEPS * usual)
    shift = np.zeros(len(time))
    pauses = np.flatnonzero(step >= max(pause_s, 2.0 * limit))
    for at in pauses:
        shift[at + 1 :] += step[at] - PAUSE_LEFT_S
    if len(pauses):
        text = ", ".join(f"{step[at] / 60:.0f} min" for at in pauses[:5])
        changes.append(f"pauses without rows cut out: {len(pauses)} ({text}{', …' if len(pauses) > 5 else ''})")
    gaps = np.flatnonzero((step > limit) & (step < max(pause_s, 2.0 * limit)))
    if len(gaps):
        long = step[gaps]
        changes.append(f"gaps bridged: {len(gaps)}, {long.sum():.0f} s in all, the longest {long.max():.0f} s")
    if usual > 1.5:
        changes.append(f"rows every {usual:g} s put on a step of 1 s")
    offset = float(time[0])
    seconds = np.floor(time - offset - shift + 1e-6).astype(np.int64)
    if seconds[-1] >= MOST_SECONDS:
        text = f"lasts {seconds[-1] / 3600:.0f} h without its pauses: at most {MOST_SECONDS / 3600:.0f} h can be read"
        raise refuse("too-long", log.file, text)
    in_gap = np.zeros(int(seconds[-1]) + 1, dtype=bool)
    for at in gaps:
        in_gap[seconds[at] + 1 : seconds[at + 1]] = True
    breaks = np.array([seconds[at] + 1 for at in pauses], dtype=np.int64)
    binned, count = _binned(seconds, columns)
    return Timeline(binned, count, in_gap, breaks, tuple(changes))


def row_of(values: Floats) -> int:
    """Seconds from one reading to the next, as most of them are apart: 1 where there are none [s]."""
    at = np.flatnonzero(np.isfinite(values))
    return max(1, round(float(np.median(np.diff(at))))) if len(at) > 1 else 1


def _with_a_fix(columns: Mapping[str, Floats], changes: list[str]) -> dict[str, Floats]:
    """What a receiver writes without a fix, 0 and 0, is no position, and the height beside it is none."""
    found = dict(columns)
    if not {"latitude_deg", "longitude_deg"} <= set(found):
        return found
    blank = (np.abs(found["latitude_deg"]) < 1e-6) & (np.abs(found["longitude_deg"]) < 1e-6)
    if blank.any():
        changes.append(f"positions of 0, 0 in {int(blank.sum())} rows left out, and the heights beside them")
        for name in {"latitude_deg", "longitude_deg", "altitude_m"} & set(found):
            found[name] = np.where(blank, np.nan, found[name])
    return found


def _one_clock(time: Floats, changes: list[str]) -> Floats:
    """Local stamps freed of what the clock did: midnight for plain clocks, a change of zone by whole half hours."""
    step = np.diff(time)
    usual = float(np.median(step[step > 0])) if np.any(step > 0) else 1.0
    if time.max() < 2 * DAY_S:
        nights = np.flatnonzero(step < -0.5 * DAY_S)
        for at in nights:
            time[at + 1 :] += DAY_S
        if len(nights):
            changes.append(f"the clock passed midnight {len(nights)} time(s)")
    back = np.flatnonzero(np.diff(time) < 0)
    jumps = usual - np.diff(time)[back]
    whole = np.round(jumps / ZONE_STEP_S)
    told = (whole >= 1) & (np.abs(jumps - whole * ZONE_STEP_S) <= max(5.0 * usual, 15.0))
    if len(back) and len(back) <= 3 and told.all():
        for at, steps in zip(back, whole, strict=True):
            time[at + 1 :] += steps * ZONE_STEP_S
        hours = ", ".join(f"{steps * ZONE_STEP_S / 3600:g} h" for steps in whole)
        changes.append(f"the clock went back by {hours}, a change of time zone: stamps after it moved on")
    return time


def _counted_on(time: Floats, columns: Mapping[str, Floats], changes: list[str], pause_s: float) -> Floats:
    """Stamps that begin anew, as they do when a logger is switched on again: what follows comes after a pause."""
    again = np.flatnonzero(np.diff(time) < 0) + 1
    anew = np.abs(time[again] - time[0]) <= ANEW_S
    if not 0 < len(again) <= MOST_ANEW or time[0] > DATED_S or not anew.all():
        return time
    rows = np.column_stack([time, *(np.nan_to_num(each) for each in columns.values())])
    if len(np.unique(rows, axis=0)) < len(rows) - 0.5 * (len(rows) - again[0]):
        return time  # the same rows once more
    for at in again:
        time[at:] += time[at - 1] + pause_s + 1.0 - time[at]
    changes.append(f"the time begins anew {len(again)} time(s): taken as switched off and on, with a pause between")
    return time


def _near(time: Floats, columns: dict[str, Floats], changes: list[str]) -> tuple[Floats, dict[str, Floats]]:
    """Leave out a few rows that are days away from all others: a clock that was not set yet."""
    order = np.sort(time)
    cuts = np.flatnonzero(np.diff(order) > DAY_S)
    if not len(cuts):
        return time, columns
    edges = [-np.inf, *((order[cuts] + order[cuts + 1]) / 2).tolist(), np.inf]
    block = np.searchsorted(np.array(edges[1:-1]), time)
    sizes = np.bincount(block)
    keep = sizes[block] > 0.02 * len(time)
    if keep.all():
        return time, columns
    changes.append(f"{int((~keep).sum())} rows with a date days away from the others left out")
    return time[keep], {name: each[keep] for name, each in columns.items()}


def _binned(seconds: Ints, columns: Mapping[str, Floats]) -> tuple[dict[str, Floats], Ints]:
    """Mean of each column in each second."""
    length = int(seconds[-1]) + 1
    found = {}
    for name, each in columns.items():
        known = np.isfinite(each)
        many = np.bincount(seconds[known], minlength=length)
        total = np.bincount(seconds[known], weights=each[known], minlength=length)
        found[name] = np.where(many > 0, total / np.maximum(many, 1), np.nan)
    return found, np.bincount(seconds, minlength=length)
