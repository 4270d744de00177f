"""A log made into a ride: what was cleaned, and what it was before and after."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from optimizer.base.arrays import Floats
from optimizer.ride.load.trace import Trace
from optimizer.road.height import LOOP_M, profile
from optimizer.road.log import RawLog
from optimizer.road.motion import flat_metres, motion, runs_of, stops_within
from optimizer.road.timeline import PAUSE_LEFT_S, PAUSE_S, Timeline, timeline


@dataclass(frozen=True)
class Sums:
    """What a ride adds up to.

    Parameters
    ----------
    distance_km, climb_m, duration_s : float
        Climb: all rises added up [km], [m], [s].
    stops : int
        Stands with movement before and after.
    """

    distance_km: float
    climb_m: float
    duration_s: float
    stops: int


@dataclass(frozen=True, eq=False)
class Ride:
    """A cleaned ride, one row a second.

    Parameters
    ----------
    name : str
        The log's file.
    speed_m_s, grade, height_m : ndarray, shape (n,)
        [m/s], [-], [m]
    columns : mapping of name to ndarray, shape (n,)
        The log's other columns, as they are: NaN in holes.
    changes : tuple of str
        What was changed, and by how much.
    weight : int
        Times it is ridden.
    """

    name: str
    speed_m_s: Floats
    grade: Floats
    height_m: Floats
    columns: Mapping[str, Floats]
    before: Sums
    after: Sums
    changes: tuple[str, ...]
    weight: int = 1

    def __len__(self) -> int:
        return len(self.speed_m_s)

    def trace(self) -> Trace:
        """The ride as the road load takes it."""
        return Trace(np.arange(len(self), dtype=float), self.speed_m_s, self.grade)


def clean(log: RawLog, *, height: str = "auto", window_m: float | None = None, pause_s: float = PAUSE_S) -> Ride:
    """Make a ride of a log.

    Parameters
    ----------
    height : {"auto", "barometer", "satellite"}
        Where its heights come from.
    window_m : float or None
        Way over which heights are smoothed; None finds it from their noise [m].
    pause_s : float
        Stands of this length or more are pauses and cut out [s].

    Raises
    ------
    BadInput
        A log without movement, without speed, or too short.
    """
    line = timeline(log, pause_s=pause_s)
    moved = motion(line, file=log.file)
    line, speed, paused = _without_stands(line, moved.speed_m_s, moved.stands, pause_s)
    shape = profile(line, speed_m_s=speed, source=height, window_m=window_m, closed=_is_loop(line))
    before = Sums(moved.raw_distance_m / 1000.0, shape.raw_climb_m, float(np.ptp(log.time_s)), moved.raw_stops)
    after = sums_of(speed, shape.grade)
    sums = (
        f"distance {before.distance_km:.2f} km before, {after.distance_km:.2f} km after; climb {before.climb_m:.0f} m "
        f"before, {after.climb_m:.0f} m after; stops {before.stops} before, {after.stops} after; duration "
        f"{before.duration_s:.0f} s before, {after.duration_s:.0f} s after"
    )
    changes = (sums, *log.notes, *line.changes, *moved.changes, *paused, *shape.changes)
    return Ride(log.file, speed, shape.grade, shape.height_m, line.columns, before, after, changes)


def sums_of(speed_m_s: Floats, grade: Floats) -> Sums:
    """What a trace of one row a second adds up to."""
    way = 0.5 * (speed_m_s[1:] + speed_m_s[:-1])
    rise = way * np.sin(np.arctan(0.5 * (grade[1:] + grade[:-1])))
    return Sums(
        float(way.sum() / 1000.0),
        float(rise[rise > 0].sum()),
        float(len(speed_m_s) - 1),
        stops_within(speed_m_s <= 0.0),
    )


def _without_stands(
    line: Timeline, speed: Floats, stands: NDArray[np.bool_], pause_s: float
) -> tuple[Timeline, Floats, list[str]]:
    """Long stands cut short: a recorder that was left on."""
    keep = np.ones(len(line), dtype=bool)
    left = int(PAUSE_LEFT_S)
    cut = []
    for a, b in runs_of(stands):
        if b - a >= pause_s:
            keep[a + left : b] = False
            cut.append(b - a - left)
    if not cut:
        return line, speed, []
    text = f"stands of over {pause_s / 60:g} min cut out: {len(cut)}, {sum(cut) / 60:.0f} min in all"
    columns = {name: each[keep] for name, each in line.columns.items()}
    shorter = replace(line, columns=columns, count=line.count[keep], in_gap=line.in_gap[keep],
                      breaks=np.searchsorted(np.flatnonzero(keep), line.breaks))  # fmt: skip
    return shorter, speed[keep], [text]


def _is_loop(line: Timeline) -> bool:
    """Whether the last positions are those of the start."""
    if not {"latitude_deg", "longitude_deg"} <= set(line.columns):
        return False
    latitude, longitude = line.columns["latitude_deg"], line.columns["longitude_deg"]
    known = np.flatnonzero(np.isfinite(latitude) & np.isfinite(longitude))
    if len(known) < 20:
        return False
    ends = [np.array([np.median(each[known[:5]]), np.median(each[known[-5:]])]) for each in (latitude, longitude)]
    east, north = flat_metres(*ends)
    return bool(np.hypot(east[1], north[1]) < LOOP_M)
