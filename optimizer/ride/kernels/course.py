"""Where on the road a ride is: from charge drawn, counted in laps, to the place in the lap, and when a step comes due.

The fast form of the ride counts laps by load: so many times the lap's mean current. A lap draws its charge where its
climbs are, and a step that can't be driven stops the ride when the rider comes to it. The level of a place is the
share of the lap's energy that is drawn up to it, plus the whole laps before:

* The reserve ends the ride at the first place whose level is the one found.
* A critical step that can't be driven beyond some level ends it at its first place of that level or above.

Both places never fall as the level rises, and they depend on nothing else: so the range stays monotone in all that
the level is monotone in. For that the shares are taken at one total mass, MASS_PART of the way through the masses that
the lap was compressed for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba.extending import register_jitable
from numpy.typing import NDArray

from optimizer.base.arrays import Floats, Ints
from optimizer.ride.load.roadload import RideSteps

MASS_PART = 0.1
LEVELS = 1024
"""Levels per lap at which places are kept."""

LAPS_MOST = 8
"""Most laps kept until a lap is like the one before; with braking a level is reached again laps later."""

SECTORS = 24
"""Parts of the lap of which each has its hardest step looked at."""

ALIKE_RUN = 0.005
"""Neighbours whose loads differ by no more than this part of the lap's largest come due as one run of steps."""

# Columns of a run of steps: level and way at its beginning and its end, in laps.
RUN = 4


@dataclass(frozen=True, eq=False)
class LapCourse:
    """A lap by place: fine steps in their order, and places by level.

    Parameters
    ----------
    way, time : ndarray, shape (n + 1,)
        Share of the lap's length and duration at the ends of its n fine steps, from 0 to 1 [-].
    level : ndarray, shape (n + 1,)
        Share of the lap's energy drawn until there, from 0 to 1; above 1 or below 0 with braking [-].
    places : ndarray, shape (laps · LEVELS + 1,)
        First place of each level [laps].
    """

    way: Floats
    time: Floats
    level: Floats
    places: Floats


def course_of(
    steps: RideSteps, *, parts: Ints, mass_min_kg: float, mass_max_kg: float
) -> LapCourse:
    """Places of a lap.

    Parameters
    ----------
    parts : ndarray of int
        Fine steps in each step.
    mass_min_kg, mass_max_kg : float
        Total masses [kg].
    """
    def shares(values: Floats) -> Floats:
        whole = np.append(0.0, np.cumsum(np.repeat(values / parts, parts)))
        return np.asarray(whole / whole[-1])

    mass_kg = mass_min_kg + MASS_PART * (mass_max_kg - mass_min_kg)
    level = shares(steps.battery_power_w(float(mass_kg)) * steps.duration_s)
    way, time = shares(steps.distance_m), shares(steps.duration_s)
    laps = min(math.ceil(level.max()) + 1, LAPS_MOST)
    return LapCourse(way, time, level, _places(level, way=way, laps=laps))


def _places(level: Floats, *, way: Floats, laps: int) -> Floats:
    """First place of each level from 0 to `laps`, linear within a step."""
    count = len(level) - 1
    at = np.arange(laps * count)
    first, last = level[:-1][at % count] + at // count, level[1:][at % count] + at // count
    wanted = np.arange(laps * LEVELS + 1) / LEVELS
    step = np.minimum(np.searchsorted(np.maximum.accumulate(last), wanted), len(at) - 1)
    rise = last[step] - first[step]
    part = np.clip((wanted - first[step]) / np.where(rise > 0, rise, 1.0), 0.0, 1.0)
    begin, end = way[:-1][step % count], way[1:][step % count]
    return np.asarray(step // count + begin + part * (end - begin))


def in_sectors(loads: Floats, *, kept: Ints, never_eases: NDArray[np.bool_]) -> Ints:
    """The kept steps, and the hardest step of each sector of the lap.

    A step whose load eases with mass is left out there: more mass would let the pack go on.

    Parameters
    ----------
    loads : ndarray, shape (n, at least 4)
        Own power and three filtered ones.
    kept : ndarray of int
        Steps that are kept anyway.
    never_eases : ndarray of bool, shape (n,)
    """
    four = np.maximum(loads[:, :4], 0.0)
    hard = (four / np.maximum(four.max(axis=0), 1e-12)).sum(axis=1)
    more = [part[int(np.argmax(hard[part]))] for part in np.array_split(np.arange(len(hard)), SECTORS) if len(part)]
    more = [step for step in more if never_eases[step] and hard[step] > 0.0 and step not in kept]
    return np.append(kept, more).astype(np.int64)


def runs_of(loads: Floats, *, steps: Ints, course: LapCourse) -> Floats:
    """Where each of some steps, with the neighbours that are like it, begins and ends.

    Parameters
    ----------
    loads : ndarray, shape (n, at least 4)
        Of all fine steps.
    steps : ndarray of int, shape (k,)

    Returns
    -------
    ndarray, shape (k, RUN)
        Level and way at the beginning, level and way at the end [laps].
    """
    four = loads[:, :4] / np.maximum(np.abs(loads[:, :4]).max(axis=0), 1e-12)
    out = np.zeros((len(steps), RUN))
    for row, step in zip(out, steps, strict=True):
        other = np.any(np.abs(four - four[step]) > ALIKE_RUN, axis=1)
        first = step - int(np.argmax(np.append(other[step::-1], True))) + 1
        last = step + int(np.argmax(np.append(other[step:], True)))
        row[:] = course.level[first], course.way[first], course.level[last], course.way[last]
    return out


@register_jitable
def place_of(places: Floats, level: float) -> float:
    """First place of a level [laps].

    Parameters
    ----------
    places : ndarray, shape (laps · LEVELS + 1,)
    level : float
        At least 0 [laps].
    """
    laps = (len(places) - 1) // LEVELS
    # From the last kept lap on, laps are alike.
    whole = max(math.ceil(level) - laps, 0)
    at = (level - whole) * LEVELS
    low = min(int(at), len(places) - 2)
    return float(whole + places[low] + (at - low) * (places[low + 1] - places[low]))


@register_jitable
def due_at(run: Floats, level: float) -> float:
    """First place of a run of steps that has a level or more [laps].

    Parameters
    ----------
    run : ndarray, shape (RUN,)
    level : float
        At least 0 [laps].
    """
    lap = max(math.ceil(level - run[2]), 0)
    length = run[2] - run[0]
    part = min(max((level - lap - run[0]) / length, 0.0), 1.0) if length > 0.0 else 0.0
    return float(lap + run[1] + part * (run[3] - run[1]))
