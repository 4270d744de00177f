"""Height along the way, smoothed over a stated length of it, and its grade."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from optimizer.base.arrays import Floats
from optimizer.road.smooth import robust_whittaker, slope_noise, smoothing_of_window, white_noise
from optimizer.road.timeline import Timeline, row_of

# Heights are averaged over so much of the way before they are smoothed [m].
SPACING_M = 5.0
# The window is as wide as it takes to leave this much noise in the grade, as a fraction.
GRADE_NOISE = 0.004
# Least noise of a height by where it comes from: what is left when its white part is small, since it is filtered [m].
LEAST_NOISE_M = {"barometer": 0.2, "satellite": 1.5, "auto": 0.5}
# Of readings every few seconds the window does not keep the noise as small as of those of every second: it would cost
# more climb than it saves. Noise of a slope falls as w^-1.5, and a bend of the road is lost as w: both together are
# least where w goes with the fifth root of the spacing, not with its third.
FEW = 0.6
NARROWEST_M, WIDEST_M = 40.0, 600.0
# A lap that ends where it began, nearer than this, ends at the height where it began, if no more than that is off [m].
LOOP_M, LOOP_RISE_M = 60.0, 20.0
STEEPEST = 0.35


@dataclass(frozen=True, eq=False)
class HeightProfile:
    """Height along the way.

    Parameters
    ----------
    height_m, grade : ndarray, shape (n,)
        Smoothed, at each second [m], [-].
    raw_climb_m : float
        All rises of the log's own heights added up [m].
    window_m : float
        Window of the smoothing; 0 where there is no height [m].
    """

    height_m: Floats
    grade: Floats
    raw_climb_m: float
    window_m: float
    changes: tuple[str, ...]


def profile(
    line: Timeline, *, speed_m_s: Floats, source: str = "auto", window_m: float | None = None, closed: bool = False
) -> HeightProfile:
    """Height and grade of a ride.

    Parameters
    ----------
    speed_m_s : ndarray, shape (n,)
        [m/s]
    source : {"auto", "barometer", "satellite"}
        Where heights come from: sets the least noise that they are taken to have.
    window_m : float or None
        Length of way over which to smooth; None finds it from the noise [m].
    closed : bool
        The ride ends where it began.
    """
    n = len(line)
    raw = line.columns.get("altitude_m")
    if raw is None or np.isfinite(raw).sum() < 3:
        text = "no heights in the log: every grade is 0"
        return HeightProfile(np.zeros(n), np.zeros(n), 0.0, 0.0, (text,))
    known = np.isfinite(raw)
    changes = []
    heights = raw.copy()
    rises = np.diff(raw[known])
    raw_climb = float(rises[rises > 0].sum())
    around = median_filter(raw[known], size=min(15, 2 * (int(known.sum()) // 2) - 1), mode="nearest")
    away = np.abs(raw[known] - around)
    bad = away > max(12.0, 8.0 * float(np.median(away)))
    if bad.any():
        changes.append(f"jumps of height: {int(bad.sum())} s left out, the largest {away[bad].max():.0f} m")
        heights[np.flatnonzero(known)[bad]] = np.nan
    row_s = row_of(heights)
    white = white_noise(heights if row_s == 1 else heights[np.isfinite(heights)])
    noise = max(white, LEAST_NOISE_M[source])
    way = np.concatenate([[0.0], np.cumsum(0.5 * (speed_m_s[1:] + speed_m_s[:-1]))])
    used, moving = np.isfinite(heights), max(float(np.mean(speed_m_s[speed_m_s > 0])), 0.5)
    if window_m is None:
        # From the noise of one reading, and the way from one to the next; wider rows take a part of it only.
        window_m = _window(noise, spacing=moving * row_s**FEW)
    place = np.round(way / SPACING_M).astype(np.int64)
    many = np.bincount(place[used], minlength=place[-1] + 1).astype(float)
    mean = np.bincount(place[used], weights=heights[used], minlength=place[-1] + 1) / np.maximum(many, 1.0)
    # A stand gives many readings of one drift: it counts as a few.
    weights = np.minimum(many, max(4.0, SPACING_M / moving))
    weights = weights / max(float(weights.sum() / np.count_nonzero(weights)), 1e-9)
    # In places without a reading nothing pulls: the weight that is there is spread over the way.
    weights *= len(weights) / max(float(weights.sum()), 1e-9) if weights.any() else 1.0
    level = noise * np.sqrt(moving / SPACING_M) if moving > SPACING_M else noise / np.sqrt(SPACING_M / moving)
    smooth = robust_whittaker(
        mean, weights=weights, smoothing=smoothing_of_window(window_m, spacing=SPACING_M), noise=max(level, 0.3)
    )
    if closed and 1e-9 < abs(smooth[-1] - smooth[0]) < LOOP_RISE_M and len(smooth) > 2:
        changes.append(f"the ride ends where it began: {smooth[-1] - smooth[0]:+.1f} m of height drift taken out")
        smooth = smooth - (smooth[-1] - smooth[0]) * np.linspace(0.0, 1.0, len(smooth))
    slope = np.gradient(smooth, SPACING_M) if len(smooth) > 1 else np.zeros(1)
    along = np.arange(len(smooth)) * SPACING_M
    grade = np.interp(way, along, slope)
    steep = np.abs(grade) > STEEPEST
    if steep.any():
        changes.append(f"grades beyond {100 * STEEPEST:.0f} % in {int(steep.sum())} s held at it")
    # The slope along the road is the sine; the trace asks for rise over run.
    grade = np.clip(grade, -STEEPEST, STEEPEST)
    grade = grade / np.sqrt(1.0 - grade**2)
    changes.append(f"height smoothed over a window of {window_m:.0f} m (noise {white:.1f} m, taken as {source})")
    return HeightProfile(np.interp(way, along, smooth), grade, raw_climb, window_m, tuple(changes))


def _window(noise_m: float, *, spacing: float) -> float:
    """Window that leaves GRADE_NOISE of noise in the grade, within what roads ask for [m]."""
    at_100 = slope_noise(noise_m, window=100.0, spacing=spacing)
    return float(np.clip(100.0 * (at_100 / GRADE_NOISE) ** (2.0 / 3.0), NARROWEST_M, WIDEST_M))
