"""The energy of a ride as a height: what the pack gave, less what the road took, is how high the vehicle stands.

η·(E − accessories·t) = ½·ρ·CdA·∫(v + w)|v + w|·v dt + Crr·m·g·s + m·g·Δh + ½·λ·m·Δv²

Solved for Δh it is compared with measured heights, not their slopes with a power: the noise of a height divides by no
step of the way, and its drift is one slow error in place of one in every grade. The form is known among cyclists as
virtual elevation (Chung, 2003: Estimating CdA with a power meter); the terms are those of `ride.load.roadload`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter, uniform_filter1d

from optimizer.base.arrays import Floats
from optimizer.base.constants import GRAVITY_M_S2
from optimizer.road.motion import runs_of
from optimizer.road.ride import Ride
from optimizer.road.timeline import row_of

Bools = NDArray[np.bool_]

# A step with less power than this share of the usual most is taken to be rolled, not driven; and at least so much [W].
IDLE_SHARE, IDLE_W = 0.02, 5.0
# Rolling counts as a coast-down when it lasts so long [s], never slower than this [m/s], and slows down by no more than
# resistances explain, within this [m/s²] over COAST_S and half of it in all; more is braking. Its speed must change by
# so much [m/s]: what rolls at one speed for long is held there by a brake.
COAST_S, COAST_M_S, COAST_M_S2, COAST_CHANGE_M_S = 6, 1.5, 0.08, 1.0
# Slowing down by so much more than resistances and slope explain is braking, even under power [m/s²].
BRAKED_M_S2 = 0.3
# So much driving tells the resistances without coast-downs, which are then looked for with them [s].
DRIVEN_S = 300
# Without current, a stretch that slows down steadily for so long is one [s], from this speed on [m/s], to this share of
# it; BARE_ENDS_S at both ends may be driven or braked.
BARE_COAST_S, BARE_FROM_M_S, BARE_BRAKES_M_S2, BARE_FALL, BARE_ENDS_S = 10, 3.0, 0.9, 0.75, 3
# Such stretches are free rolling when so many of them slow down alike, within this share of their median.
BARE_ALIKE, BARE_APART = 0.6, 0.3


@dataclass(frozen=True)
class Road:
    """Parameters of the vehicle on the road.

    Parameters
    ----------
    cda_m2, crr, drivetrain_efficiency, accessory_w : float
        As in `roadload.Vehicle`.
    mass_kg : float
        In all [kg].
    headwind_m_s : float
        [m/s]
    rotating_factor, density_kg_m3 : float
    power_lag_s : float
        Power is logged so much later than speed is [s]: half a second for a mean over the second before.
    """

    cda_m2: float
    crr: float
    drivetrain_efficiency: float
    accessory_w: float
    mass_kg: float
    headwind_m_s: float
    rotating_factor: float
    density_kg_m3: float
    power_lag_s: float = 0.0


@dataclass(frozen=True, eq=False)
class Track:
    """One log as the fit takes it: n rows, one a second.

    Parameters
    ----------
    name : str
    speed_m_s : ndarray, shape (n,)
    power_w : ndarray, shape (n,)
        From the pack, discharge positive; 0 where the log has none [W].
    height_m : ndarray, shape (n,)
        As measured; 0 where there is none [m].
    seen : ndarray of bool, shape (n,)
        Rows with a height.
    lost : ndarray of bool, shape (n - 1,)
        Steps whose work is unknown: brakes, regeneration, gaps.
    coasting : ndarray of bool, shape (n - 1,)
        Steps of coast-downs.
    flatness : ndarray, shape (n - 1,)
        Cosine of the slope.
    row_s : int
        Seconds from one reading of power to the next, between which it is taken as a straight line [s].
    """

    name: str
    speed_m_s: Floats
    power_w: Floats
    height_m: Floats
    seen: Bools
    lost: Bools
    coasting: Bools
    flatness: Floats
    row_s: int = 1

    @property
    def way_m(self) -> Floats:
        """Way in each step, shape (n - 1,) [m]."""
        return 0.5 * (self.speed_m_s[1:] + self.speed_m_s[:-1])


def energy_height_m(track: Track, road: Road) -> Floats:
    """Height that the energy tells, from 0 at the first row.

    Returns
    -------
    ndarray, shape (n,)
        [m]
    """
    first, last = track.speed_m_s[:-1], track.speed_m_s[1:]
    ends = [_drag(v, road) for v in (first, 0.5 * (first + last), last)]
    # Simpson's rule: exact for a speed that changes linearly.
    drag_j = (ends[0] + 4.0 * ends[1] + ends[2]) / 6.0
    # The integral over a step that is taken a little later: to first order, exact for means over a second.
    late_j = road.power_lag_s * np.diff(track.power_w)
    given_j = 0.5 * (track.power_w[1:] + track.power_w[:-1]) + late_j - road.accessory_w
    driven_j = np.where(track.coasting, 0.0, road.drivetrain_efficiency * given_j)
    weight_n = road.mass_kg * GRAVITY_M_S2
    work_m = (driven_j - drag_j) / weight_n - road.crr * track.flatness * track.way_m
    still = track.way_m <= 0.0
    steps = np.where(track.lost | still, 0.0, work_m)
    kinetic_m = road.rotating_factor * track.speed_m_s**2 / (2.0 * GRAVITY_M_S2)
    found: Floats = np.concatenate([[0.0], np.cumsum(steps)]) - (kinetic_m - kinetic_m[0])
    return found


def _drag(speed: Floats, road: Road) -> Floats:
    through = speed + road.headwind_m_s
    return 0.5 * road.density_kg_m3 * road.cda_m2 * through * np.abs(through) * speed


def track_of(ride: Ride, *, road: Road, coasts: bool = True) -> Track:
    """A cleaned ride as the fit takes it.

    Steps of braking and of regeneration are lost: how much a brake took nobody has measured. Steps rolled without
    current count when they slow down as the resistances of `road` say; else they are lost, too.

    Parameters
    ----------
    ride : Ride
    road : Road
        A first guess, for telling coasting from braking.
    coasts : bool
        Look for coast-downs in a log with power, too.
    """
    n = len(ride)
    power = power_of(ride)
    raw = ride.columns.get("altitude_m")
    height = np.zeros(n) if raw is None else raw.copy()
    seen = np.isfinite(height)
    if raw is not None and seen.sum() > 15:
        known = height[seen]
        away = np.abs(known - median_filter(known, size=15, mode="nearest"))
        bad = away > max(12.0, 8.0 * float(np.median(away)))
        seen[np.flatnonzero(seen)[bad]] = False
    flatness = np.cos(np.arctan(0.5 * (ride.grade[1:] + ride.grade[:-1])))
    blank = np.zeros(n - 1, dtype=bool)
    row_s = 1 if power is None else row_of(_raw_power(ride))
    track = Track(ride.name, ride.speed_m_s, np.zeros(n), np.nan_to_num(height), seen, blank, blank, flatness, row_s)
    return _marked(track, power, ride.grade, road, coasts)


def driven_s(ride: Ride) -> int:
    """Seconds in motion with more power than idling [s]."""
    power = power_of(ride)
    return 0 if power is None else int(np.sum((np.nan_to_num(power) > _idle_w(power)) & (ride.speed_m_s > 0)))


def _idle_w(power: Floats) -> float:
    return max(IDLE_W, IDLE_SHARE * float(np.nanpercentile(np.abs(power), 95)))


def power_of(ride: Ride) -> Floats | None:
    """Power from the pack, discharge positive, NaN in holes; None where the log has none.

    Returns
    -------
    ndarray, shape (n,), or None
        [W]
    """
    power = _raw_power(ride)
    known = np.isfinite(power)
    if known.sum() < 10:
        return None
    # Some meters count discharge as negative.
    power = power * (-1.0 if counts_discharge_negative(ride) else 1.0)
    filled = np.interp(np.arange(len(power)), np.flatnonzero(known), power[known])
    longest, far = max(3, row_of(power)), np.zeros(len(power), dtype=bool)
    for a, b in runs_of(~known):
        far[a:b] = b - a > longest
    return np.where(far, np.nan, filled)


def counts_discharge_negative(ride: Ride) -> bool:
    """Whether the log's meter counts what leaves the pack as negative: its mean power in motion is."""
    power = _raw_power(ride)
    moving = np.isfinite(power) & (ride.speed_m_s > 0)
    return bool(moving.any() and power[moving].mean() < 0)


def _raw_power(ride: Ride) -> Floats:
    """Power as logged, NaN where there is none, shape (n,) [W]."""
    columns = ride.columns
    if {"voltage_v", "current_a"} <= set(columns):
        return columns["voltage_v"] * columns["current_a"]
    return columns.get("power_w", np.full(len(ride), np.nan))


def _marked(track: Track, power: Floats | None, grade: Floats, road: Road, coasts: bool) -> Track:
    """The track with its lost and its coasting steps."""
    speed = track.speed_m_s
    moving = track.way_m > 0.0
    slope = 0.5 * (grade[1:] + grade[:-1])
    # Slowing down beyond what rolling, air and slope do, below 0; what remains is the brake's.
    through = track.way_m + road.headwind_m_s
    drag = 0.5 * road.density_kg_m3 * road.cda_m2 * through * np.abs(through) / road.mass_kg
    brake = road.rotating_factor * np.diff(speed) + GRAVITY_M_S2 * (np.sin(np.arctan(slope)) + road.crr) + drag
    if power is None:
        own = GRAVITY_M_S2 * road.crr + drag
        coasting = _bare_coasts(speed, against=own - brake, expected=own)
        return replace(track, lost=moving & ~coasting, coasting=coasting)
    mean = 0.5 * (power[1:] + power[:-1])
    above = mean - road.accessory_w
    known = np.isfinite(mean)
    idle = _idle_w(power)
    rolled = known & (np.abs(above) <= idle) & moving
    coasting = np.zeros(len(mean), dtype=bool)
    around = uniform_filter1d(brake, COAST_S, mode="nearest")
    free = rolled & (track.way_m >= COAST_M_S) & (np.abs(around) <= COAST_M_S2)
    for a, b in runs_of(free) if coasts else ():
        # The steps at both ends may hold a part of driving or braking.
        a, b = a + 1, b - 1
        if b - a < COAST_S or abs(speed[b] - speed[a]) < COAST_CHANGE_M_S:
            continue
        coasting[a:b] = abs(float(brake[a:b].mean())) <= 0.5 * COAST_M_S2
    # A step that is driven at one end and braked at the other holds an unknown part of both. A mean over the second
    # before shows it a row later; whoever brakes under power shows it in the speed.
    least = np.minimum(power[1:], power[:-1]) - road.accessory_w
    lost = ~known | _from_before(least < idle, track.row_s) | _around(brake < -BRAKED_M_S2, track.row_s)
    lost = moving & lost & ~coasting
    return replace(track, power_w=np.nan_to_num(power), lost=lost, coasting=coasting)


def _from_before(steps: Bools, count: int) -> Bools:
    """Steps, and so many before each of them."""
    return np.convolve(steps, np.ones(count + 1))[count:] > 0.5


def _around(steps: Bools, count: int) -> Bools:
    """Steps, and so many to both sides of each of them."""
    return np.convolve(steps, np.ones(2 * count + 1))[count:-count] > 0.5


def _bare_coasts(speed: Floats, *, against: Floats, expected: Floats) -> Bools:
    """Coast-downs of a log without current: steady slowing down from some speed, all alike.

    A hill that is climbed with power slows down less than free rolling does, a brake more: what most stretches have in
    common is free rolling, and where they have nothing in common, none is.

    Parameters
    ----------
    speed : ndarray, shape (n,)
        [m/s]
    against, expected : ndarray, shape (n - 1,)
        What slowed the vehicle down beside the slope, and what rolling and air should [m/s²].
    """
    if len(speed) <= BARE_COAST_S:
        return np.zeros(len(speed) - 1, dtype=bool)
    smooth = np.convolve(np.diff(speed), np.ones(5) / 5.0, mode="same")
    runs = []
    for a, b in runs_of((smooth < -0.01) & (smooth > -BARE_BRAKES_M_S2) & (speed[1:] > 0.5)):
        a, b = a + BARE_ENDS_S, b - BARE_ENDS_S
        if b - a >= BARE_COAST_S and speed[a] >= BARE_FROM_M_S and speed[b] <= BARE_FALL * speed[a]:
            runs.append((a, b))
    rates = np.array([float(against[a:b].mean() / expected[a:b].mean()) for a, b in runs])
    middle = float(np.median(rates)) if runs else 0.0
    alike = np.abs(rates - middle) <= BARE_APART * middle
    found = np.zeros(len(speed) - 1, dtype=bool)
    if runs and alike.mean() >= BARE_ALIKE:
        for (a, b), kept in zip(runs, alike.tolist(), strict=True):
            found[a:b] = kept
    return found
