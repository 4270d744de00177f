"""The ride as the rider gives it: time, speed and grade, repeated lap after lap."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.base.arrays import Floats

KMH_PER_M_S = 3.6


@dataclass(frozen=True, eq=False)
class Trace:
    """Speed and grade over time; between two points the speed changes linearly.

    Step i lies between point i and point i + 1. A lap that is repeated should end at the speed it began
    with; nothing is paid for a jump in between.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        Strictly rising [s].
    speed_m_s : ndarray, shape (n,)
        Never below 0, more than 0 somewhere [m/s].
    grade : ndarray, shape (n,)
        Rise over horizontal run [-]; 0.05 is a 5 % climb.

    Raises
    ------
    ValueError
        Every fault found, in one message with the point it concerns (counted from 0).
    """

    time_s: Floats
    speed_m_s: Floats
    grade: Floats

    def __post_init__(self) -> None:
        faults = _trace_faults(self.time_s, speed_m_s=self.speed_m_s, grade=self.grade)
        if faults:
            raise ValueError("; ".join(faults))

    @property
    def step_s(self) -> Floats:
        """Duration of each step, shape (n - 1,) [s]."""
        return np.diff(self.time_s)

    @property
    def step_speed_m_s(self) -> Floats:
        """Mean speed of each step, shape (n - 1,) [m/s]."""
        return 0.5 * (self.speed_m_s[:-1] + self.speed_m_s[1:])

    @property
    def step_speed_cubed(self) -> Floats:
        """Mean of v³ over each step, for a speed that changes linearly in it, shape (n - 1,) [m³/s³]."""
        first, last = self.speed_m_s[:-1], self.speed_m_s[1:]
        return 0.25 * (first + last) * (first**2 + last**2)

    @property
    def step_speed_squared(self) -> Floats:
        """Mean of v² over each step, for a speed that changes linearly in it, shape (n - 1,) [m²/s²]."""
        first, last = self.speed_m_s[:-1], self.speed_m_s[1:]
        return (first**2 + first * last + last**2) / 3.0

    @property
    def step_grade(self) -> Floats:
        """Mean grade of each step, shape (n - 1,) [-]."""
        return 0.5 * (self.grade[:-1] + self.grade[1:])

    @property
    def acceleration_m_s2(self) -> Floats:
        """Acceleration in each step, shape (n - 1,) [m/s²]."""
        return np.diff(self.speed_m_s) / self.step_s

    @property
    def step_distance_m(self) -> Floats:
        """Way along the road in each step, shape (n - 1,) [m]."""
        return self.step_speed_m_s * self.step_s

    @property
    def duration_s(self) -> float:
        """Duration of one lap [s]."""
        return float(self.time_s[-1] - self.time_s[0])

    @property
    def distance_m(self) -> float:
        """Length of one lap along the road [m]."""
        return float(self.step_distance_m.sum())

    @property
    def climb_m(self) -> float:
        """Height gained from the first to the last point; below 0 when the ride ends lower [m]."""
        return float((self.step_distance_m * np.sin(np.arctan(self.step_grade))).sum())

    @property
    def speed_max_kmh(self) -> float:
        """Highest speed of the ride [km/h]."""
        return float(self.speed_m_s.max()) * KMH_PER_M_S


def _trace_faults(time_s: Floats, *, speed_m_s: Floats, grade: Floats) -> list[str]:
    """What is wrong with a ride, one line per fault, with the first point it concerns.

    time_s, speed_m_s, grade: as in Trace [s], [m/s], [-]. Returns list of str: empty when the ride is sound.
    """
    if not len(time_s) == len(speed_m_s) == len(grade):
        return [f"time, speed and grade differ in length: {len(time_s)}, {len(speed_m_s)}, {len(grade)}"]
    if len(time_s) < 2:
        return [f"a ride needs at least 2 points, found {len(time_s)}"]
    wrong: list[tuple[str, NDArray[np.bool_], Floats]] = [
        ("time_s must be finite", ~np.isfinite(time_s), time_s),
        ("speed must be finite", ~np.isfinite(speed_m_s), speed_m_s),
        ("grade must be finite", ~np.isfinite(grade), grade),
        ("time_s must rise from point to point", np.append(False, np.diff(time_s) <= 0), time_s),
        ("speed must not be below 0", speed_m_s < 0, speed_m_s),
        ("grade must be within -100 % and 100 %", np.abs(grade) > 1, grade),
    ]
    faults = [
        f"point {where[0]}: {text}, found {values[where[0]]:g}"
        for text, mask, values in wrong
        if (where := np.flatnonzero(mask)).size
    ]
    if not faults and not np.any(speed_m_s > 0):
        faults.append("the ride stands still: speed is 0 at every point")
    return faults


def trace_from_arrays(time_s: ArrayLike, *, speed_kmh: ArrayLike, grade_pct: ArrayLike = 0.0) -> Trace:
    """A ride from the columns of a ride file.

    Parameters
    ----------
    time_s : array_like, shape (n,)
        Strictly rising [s].
    speed_kmh : array_like, shape (n,)
        [km/h]
    grade_pct : array_like, shape (n,) or scalar
        Rise over run [%].

    Raises
    ------
    ValueError
        See Trace.
    """
    time = np.asarray(time_s, dtype=np.float64)
    speed = np.asarray(speed_kmh, dtype=np.float64) / KMH_PER_M_S
    grade = np.asarray(grade_pct, dtype=np.float64) / 100.0
    return Trace(time, speed, np.broadcast_to(grade, time.shape).copy() if grade.ndim == 0 else grade)


def steady_cruise(speed_kmh: float, *, grade_pct: float = 0.0, length_km: float = 1.0) -> Trace:
    """A lap at constant speed on a constant grade.

    Parameters
    ----------
    speed_kmh : float
        Above 0 [km/h].
    grade_pct : float
        Rise over run [%].
    length_km : float
        Length of the lap, above 0; it does not change the range of a level lap [km].

    Returns
    -------
    Trace
        Two points.

    Raises
    ------
    ValueError
        If speed or length is not above 0, or see Trace.
    """
    if not speed_kmh > 0 or not length_km > 0:
        raise ValueError(f"speed_kmh and length_km must be > 0, found {speed_kmh:g} and {length_km:g}")
    hours = length_km / speed_kmh
    return trace_from_arrays([0.0, 3600.0 * hours], speed_kmh=[speed_kmh, speed_kmh], grade_pct=grade_pct)
