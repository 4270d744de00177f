"""Speed of a log on its seconds: from its own speed, from positions, or from the distance it counted."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from optimizer.base.arrays import Floats
from optimizer.road.log import refuse
from optimizer.road.smooth import (
    NORMAL_MEDIAN,
    THIRD_DIFFERENCE,
    robust_whittaker,
    slope_noise,
    white_noise,
    whittaker,
    window_of_smoothing,
)
from optimizer.road.timeline import Timeline

Bools = NDArray[np.bool_]

# What a small vehicle's speed changes by: standard deviations of its acceleration and of its jerk [m/s²], [m/s³].
ACCELERATION_M_S2, JERK_M_S3 = 0.7, 0.5
# No vehicle of this kind is faster [m/s].
FASTEST_M_S = 70.0
# No tyre brakes or drives harder on dry tarmac than this, with room to spare [m/s²].
GRIP_M_S2 = 7.0
# Under this speed a vehicle stands; positions with noise ask for more [m/s].
STANDS_M_S = 1.0 / 3.6
# A stand is one from so many seconds on [s].
STAND_S = 3
# What a speed reads under another unit: its unit in truth and what was taken, over each other.
SWAPPED = {"m/s, not km/h": 3.6, "mph, not km/h": 1.609344, "km/h, not mph": 1 / 1.609344, "km/h, not m/s": 1 / 3.6}
# WGS 84.
MAJOR_M, ECCENTRICITY_SQUARED = 6_378_137.0, 6.694379990141e-3


@dataclass(frozen=True, eq=False)
class Motion:
    """How the vehicle moved, second by second.

    Parameters
    ----------
    speed_m_s : ndarray, shape (n,)
        Not negative [m/s].
    stands : ndarray of bool, shape (n,)
        Seconds at rest.
    raw_distance_m : float
        Distance as the log had it before anything was changed [m].
    raw_stops : int
        Times that the log's own speed was 0.
    changes : tuple of str
    """

    speed_m_s: Floats
    stands: Bools
    raw_distance_m: float
    raw_stops: int
    changes: tuple[str, ...]


def motion(line: Timeline, *, file: str) -> Motion:
    """Speed of a log.

    Parameters
    ----------
    line : Timeline
    file : str
        For messages.

    Raises
    ------
    BadInput
        Codes: no-speed, no-movement.
    """
    has = {name: int(np.isfinite(each).sum()) for name, each in line.columns.items()}
    enough = max(3, int(0.05 * np.count_nonzero(line.count)))
    placed = min(has.get("latitude_deg", 0), has.get("longitude_deg", 0))
    if has.get("speed_m_s", 0) >= enough and np.nanmax(line.columns["speed_m_s"]) > STANDS_M_S:
        found, by = _from_speed(line), "speed_m_s"
    elif placed >= enough:
        found, by = _from_positions(line), "latitude_deg"
    elif has.get("distance_m", 0) >= enough:
        found, by = _from_distance(line), "distance_m"
    elif has.get("speed_m_s", 0):
        raise refuse("no-movement", file, "never moves: speed is 0 in every row")
    else:
        raise refuse("no-speed", file, "has neither speed, nor positions, nor distance; name a column: --column "
                     "speed_kmh=NAME")  # fmt: skip
    if not np.any(found.speed_m_s > 0.0):
        raise refuse("no-movement", file, "never moves", found=f"{found.raw_distance_m:.0f} m in the raw log")
    found = _within_known(found, np.isfinite(line.columns[by]))
    return replace(found, speed_m_s=_within_grip(found.speed_m_s))


def _within_known(found: Motion, known: Bools) -> Motion:
    """Before the first and after the last reading nobody knows of a way: it is taken as standing."""
    ends = np.ones(len(known), dtype=bool)
    first, last = np.flatnonzero(known)[[0, -1]]
    ends[first : last + 1] = False
    if ends.sum() <= STAND_S:
        return found
    text = f"speed and place are unknown in {int(ends.sum())} s at the ends of the log: taken as standing"
    speed = np.where(ends, 0.0, found.speed_m_s)
    return replace(found, speed_m_s=speed, stands=found.stands | ends, changes=(*found.changes, text))


def _within_grip(speed_m_s: Floats, *, most_m_s2: float = GRIP_M_S2) -> Floats:
    """Speed [m/s], one value a second, lowered where it changes by more than tyres allow."""
    climb = most_m_s2 * np.arange(len(speed_m_s))
    ahead = np.minimum.accumulate(speed_m_s - climb) + climb
    behind = (np.minimum.accumulate((speed_m_s + climb)[::-1]))[::-1] - climb
    return np.asarray(np.minimum(ahead, behind), dtype=np.float64)


def runs_of(mask: Bools) -> list[tuple[int, int]]:
    """First and one past the last place of each run of True.

    >>> runs_of(np.array([False, True, True, False, True]))
    [(1, 3), (4, 5)]
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def stops_within(stands: Bools) -> int:
    """Stands with movement before and after them."""
    return sum(1 for a, b in runs_of(stands) if a > 0 and b < len(stands))


def standing(speed_m_s: Floats, *, least_m_s: float) -> Bools:
    """Seconds of stands: slower than so much for STAND_S seconds or more."""
    slow = speed_m_s < least_m_s
    for a, b in runs_of(slow):
        if b - a < STAND_S and a > 0 and b < len(slow):
            slow[a:b] = False
    return slow


def _from_speed(line: Timeline) -> Motion:
    """The log's own speed: spikes out, holes filled, a little smoothed."""
    raw = line.columns["speed_m_s"]
    changes = []
    speed = np.abs(raw)
    if np.any(raw < -STANDS_M_S):
        changes.append(f"speed below 0 in {int(np.sum(raw < -STANDS_M_S))} s taken as its amount")
    known = np.isfinite(speed)
    filled = np.interp(np.arange(len(speed)), np.flatnonzero(known), speed[known])
    around = median_filter(filled, size=7, mode="nearest")
    away = np.abs(filled - around)
    bad = known & ((away > max(5.0, 8.0 * float(np.median(away[known])))) | (speed > FASTEST_M_S))
    if bad.any():
        changes.append(f"jumps of speed: {int(bad.sum())} s left out, the largest {np.max(speed[bad]) * 3.6:.0f} km/h")
    weights = (known & ~bad).astype(float)
    noise = white_noise(np.where(weights > 0, speed, np.nan))
    smoothing = (noise / JERK_M_S3) ** 2
    fine = np.where(weights > 0, speed, np.nan)
    smooth = whittaker(np.nan_to_num(fine), weights=weights, smoothing=smoothing) if smoothing > 1e-6 else filled
    held = np.interp(np.arange(len(speed)), np.flatnonzero(weights), speed[weights > 0])
    # Over longer holes the smoother overshoots; a straight line does not.
    holes = _far_from_known(weights > 0)
    smooth = np.where(holes, held, smooth)
    first, last = np.flatnonzero(known)[[0, -1]]
    blank = int(np.sum((holes & (line.count > 0))[first:last]))
    if blank:
        changes.append(f"rows without a speed: {blank} s bridged by straight lines")
    smooth = np.clip(smooth, 0.0, None)
    least = max(STANDS_M_S, 2.5 * slope_free_noise(noise, smoothing))
    stands = standing(np.where(weights > 0, smooth, held), least_m_s=least)
    for a, b in runs_of(line.in_gap):
        if min(smooth[max(a - 1, 0)], smooth[min(b, len(smooth) - 1)]) < 2.0 * STANDS_M_S:
            stands[a:b] = True
    if noise > 0.05:
        changes.append(f"speed smoothed: its noise is {noise * 3.6:.2f} km/h, window "
                       f"{window_of_smoothing(smoothing, spacing=1.0):.1f} s")  # fmt: skip
    final = np.where(stands, 0.0, smooth)
    raw_distance = float(np.nansum(np.where(known, np.abs(raw), 0.0)[line.count > 0]))
    raw_distance += float(filled[line.count == 0].sum())
    odometer = _checked(line, final)
    return Motion(final, stands, raw_distance, stops_within(filled < 1e-9), tuple(changes + odometer))


def slope_free_noise(noise: float, smoothing: float) -> float:
    """Noise that is left in a smoothed value: σ·√(0.354·ω) for a wide window, the noise itself for none."""
    if smoothing < 0.1:
        return noise
    omega = smoothing**-0.25
    return float(noise * np.sqrt(min(1.0, 3.0 * np.pi * np.sqrt(2.0) / 8.0 / (2.0 * np.pi) * 2.0 * omega)))


def _far_from_known(known: Bools) -> Bools:
    """Seconds in holes of more than three seconds."""
    far = np.zeros(len(known), dtype=bool)
    for a, b in runs_of(~known):
        far[a:b] = b - a > 3
    return far


def _checked(line: Timeline, speed: Floats) -> list[str]:
    """What positions say of a wheel's speed that is far off: a wrong wheel size is common."""
    if not {"latitude_deg", "longitude_deg"} <= set(line.columns):
        return []
    placed = np.isfinite(line.columns["latitude_deg"]) & np.isfinite(line.columns["longitude_deg"])
    if placed.mean() < 0.5:
        return []
    by_place = _from_positions(line).speed_m_s.sum()
    ratio = speed.sum() / max(by_place, 1.0)
    if abs(ratio - 1.0) < 0.03:
        return []
    off = f"{100 * (ratio - 1):+.1f} %"
    swapped = [text for text, factor in SWAPPED.items() if abs(ratio * factor - 1.0) < 0.04]
    why = f"is its unit {swapped[0]}" if swapped else "is the wheel size right"
    return [f"speed gives {off} distance against positions: {why}? Speed is kept"]


def _from_distance(line: Timeline) -> Motion:
    """Speed as the slope of the distance that the log counted."""
    raw = line.columns["distance_m"]
    known = np.isfinite(raw)
    changes = []
    if np.any(np.diff(raw[known]) < 0):
        changes.append("distance that was counted back is taken as standing still")
    counted = np.maximum.accumulate(np.where(known, raw, -np.inf))
    noise = max(white_noise(np.where(known, counted, np.nan)), 0.05)
    smooth = robust_whittaker(
        np.where(known, counted, 0.0),
        weights=known.astype(float),
        smoothing=(noise / ACCELERATION_M_S2) ** 2,
        noise=noise,
    )
    speed = np.clip(np.gradient(smooth), 0.0, FASTEST_M_S)
    window = window_of_smoothing((noise / ACCELERATION_M_S2) ** 2, spacing=1.0)
    stands = standing(speed, least_m_s=max(STANDS_M_S, 2.5 * slope_noise(noise, window=window, spacing=1.0)))
    changes.append(f"speed found from the distance counted, window {window:.1f} s")
    total = float(raw[known][-1] - raw[known][0])
    return Motion(np.where(stands, 0.0, speed), stands, total, 0, tuple(changes))


def flat_metres(latitude_deg: Floats, longitude_deg: Floats) -> tuple[Floats, Floats]:
    """Positions as metres east and north of the first, on the ellipsoid WGS 84.

    Steps of latitude by the radius of the meridian, of longitude by that of the parallel, added up: true for steps
    that are short against the Earth.

    Parameters
    ----------
    latitude_deg, longitude_deg : ndarray, shape (n,)
        [°]

    Returns
    -------
    ndarray, ndarray, shape (n,)
        [m]

    References
    ----------
    NIMA TR8350.2 (2000), World Geodetic System 1984.
    """
    phi = np.radians(latitude_deg)
    middle = 0.5 * (phi[1:] + phi[:-1])
    flat = 1.0 - ECCENTRICITY_SQUARED * np.sin(middle) ** 2
    north = np.diff(phi) * MAJOR_M * (1.0 - ECCENTRICITY_SQUARED) / flat**1.5
    turn = np.radians((np.diff(longitude_deg) + 180.0) % 360.0 - 180.0)
    east = turn * MAJOR_M / np.sqrt(flat) * np.cos(middle)
    return np.concatenate([[0.0], np.cumsum(east)]), np.concatenate([[0.0], np.cumsum(north)])


def _from_positions(line: Timeline) -> Motion:
    """Speed as the slope of smoothed positions."""
    latitude, longitude = line.columns["latitude_deg"], line.columns["longitude_deg"]
    sound = np.isfinite(latitude) & np.isfinite(longitude) & (np.abs(latitude) <= 90) & (np.abs(longitude) <= 180)
    at = np.flatnonzero(sound)
    changes: list[str] = []
    if len(at) < 3:
        return Motion(np.zeros(len(line)), np.ones(len(line), dtype=bool), 0.0, 0, ())
    east, north = flat_metres(latitude[at], longitude[at])
    raw_distance = float(np.hypot(np.diff(east), np.diff(north)).sum())
    keep = _not_spikes(at, east, north)
    if not keep.all():
        changes.append(f"jumps of position: {int((~keep).sum())} points left out")
        at, east, north = at[keep], east[keep], north[keep]
    east, north, shifted = _without_shifts(at, east, north, breaks=line.breaks)
    changes += shifted
    n = len(line)
    weights = np.zeros(n)
    weights[at] = 1.0
    series = []
    noises = []
    # Readings every few seconds differ by what the vehicle does between them, too.
    step_s = float(np.median(np.diff(at)))
    moved = ACCELERATION_M_S2**2 * step_s**3 / THIRD_DIFFERENCE if step_s > 1.0 else 0.0
    for values in (east, north):
        grid = np.full(n, np.nan)
        grid[at] = values
        series.append(grid)
        noises.append(max(white_noise(values if step_s > 1.0 else grid) ** 2 - moved, 0.0))
    noise = max(float(np.sqrt(np.mean(noises))), 0.3)
    smoothing = (noise / ACCELERATION_M_S2) ** 2
    window = window_of_smoothing(step_s * smoothing, spacing=1.0)
    paths = [robust_whittaker(np.nan_to_num(g), weights=weights, smoothing=smoothing, noise=noise) for g in series]
    velocity = np.hypot(np.gradient(paths[0]), np.gradient(paths[1]))
    spread = slope_noise(noise, window=window, spacing=step_s)
    # Noise across the way only ever lengthens it: E|v|² = v² + σ².
    speed = np.sqrt(np.maximum(velocity**2 - spread**2, 0.0))
    speed = np.minimum(speed, FASTEST_M_S)
    least = max(STANDS_M_S, 2.5 * spread)
    stands = standing(speed, least_m_s=least)
    for a, b in runs_of(line.in_gap):
        ahead = np.hypot(*(path[min(b, n - 1)] - path[max(a - 1, 0)] for path in paths))
        if ahead < 0.5 * (b - a):
            stands[a:b] = True
    _join_stands(stands, paths, near_m=max(8.0, 4.0 * noise))
    changes.append(f"speed found from positions: their noise is {noise:.1f} m, window {window:.0f} s; under "
                   f"{least * 3.6:.1f} km/h counts as standing")  # fmt: skip
    return Motion(np.where(stands, 0.0, speed), stands, raw_distance, 0, tuple(changes))


def _join_stands(stands: Bools, paths: list[Floats], *, near_m: float, within_s: int = 40) -> None:
    """Make one stand of those between which the vehicle got nowhere: it was the receiver that moved."""
    runs = runs_of(stands)
    for (_, end), (start, _) in pairwise(runs):
        here = [path[end - 1 : start + 1] for path in paths]
        furthest = float(np.max(np.hypot(here[0] - here[0][0], here[1] - here[1][0])))
        if start - end <= within_s and furthest < near_m:
            stands[end:start] = True


def _not_spikes(at: NDArray[np.int64], east: Floats, north: Floats) -> Bools:
    """Points that lie where those around them do."""
    width = min(7, len(at) - (len(at) + 1) % 2)
    if width < 3:
        return np.ones(len(at), dtype=bool)
    away = np.hypot(east - median_filter(east, size=width, mode="nearest"),
                    north - median_filter(north, size=width, mode="nearest"))  # fmt: skip
    step = np.hypot(np.diff(east), np.diff(north))
    usual = float(np.median(step)) if len(step) else 0.0
    limit = max(15.0, 6.0 * float(np.median(away)) / NORMAL_MEDIAN, 3.0 * usual)
    return np.asarray(away <= limit, dtype=bool)


def _without_shifts(
    at: NDArray[np.int64], east: Floats, north: Floats, *, breaks: NDArray[np.int64]
) -> tuple[Floats, Floats, list[str]]:
    """Positions whose jumps to another place, and back or not, are no way that was travelled; pauses likewise."""
    step_s = np.diff(at).astype(float)
    dx, dy = np.diff(east), np.diff(north)
    speed = np.hypot(dx, dy) / step_s
    usual = float(np.percentile(speed, 90)) if len(speed) else 0.0
    jump = (speed > max(3.0 * usual + 10.0, 25.0)) & (np.hypot(dx, dy) > 30.0)
    paused = np.searchsorted(breaks, at, side="right")
    cut = np.diff(paused) > 0
    notes = []
    if jump.any():
        lost = float(np.hypot(dx, dy)[jump].sum())
        notes.append(f"shifts of position: {int(jump.sum())}, {lost:.0f} m that nobody rode taken out")
    if cut.any():
        lost = float(np.hypot(dx, dy)[cut & ~jump].sum())
        if lost > 100.0:
            notes.append(f"{lost / 1000:.1f} km travelled in pauses without rows are not counted")
    good = np.flatnonzero(~(jump | cut))
    wrong = np.flatnonzero(jump)
    for way in (dx, dy):
        # In place of the jump: what the steps around it go.
        way[wrong] = np.interp(wrong, good, (way / step_s)[good]) * step_s[wrong] if len(good) else 0.0
        way[cut] = 0.0
    return np.concatenate([[0.0], np.cumsum(dx)]), np.concatenate([[0.0], np.cumsum(dy)]), notes
