"""A vehicle fitted to its logs: drag area, rolling resistance and what else the data can tell, with their errors."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from optimizer.base.arrays import Floats
from optimizer.road.energy import (
    DRIVEN_S,
    Road,
    Track,
    counts_discharge_negative,
    driven_s,
    energy_height_m,
    power_of,
    track_of,
)
from optimizer.road.heightnoise import Noise, Stretch, covariance_over, innovations, likeliest_noise
from optimizer.road.ride import Ride
from optimizer.road.smooth import white_noise


@dataclass(frozen=True)
class Parameter:
    """One thing that can be fitted.

    Parameters
    ----------
    name, unit : str
    low, high : float
        Bounds.
    scale : float
        A change that matters; also the step of derivatives times 100.
    told_share, told : float
        It is told by the data when its standard error is under this share of its value, or under this amount.
    """

    name: str
    unit: str
    low: float
    high: float
    scale: float
    told_share: float = 0.0
    told: float = 0.0


PARAMETERS = {
    p.name: p
    for p in (
        Parameter("cda_m2", "m²", 0.02, 10.0, 0.1, told_share=0.5),
        Parameter("crr", "-", 0.001, 0.2, 0.002, told_share=0.5),
        Parameter("drivetrain_efficiency", "-", 0.2, 1.0, 0.05, told=0.05),
        Parameter("accessory_w", "W", 0.0, 500.0, 5.0, told_share=0.5, told=2.0),
        Parameter("mass_kg", "kg", 5.0, 10_000.0, 5.0, told_share=0.08),
        Parameter("headwind_m_s", "m/s", -15.0, 15.0, 1.0, told=1.0),
        Parameter("power_lag_s", "s", -10.0, 10.0, 0.5, told=10.0),
    )
}
ALWAYS = ("cda_m2", "crr", "accessory_w", "power_lag_s")
# How late power is logged, in rows: at its own moment, or as a mean over the row before, give or take; mean and
# standard deviation of what is known without the logs. Common practice, no published source.
LAG_ROWS, LAG_SPREAD_ROWS = 0.25, 0.4
# Residuals beyond this many standard deviations pull less than in proportion.
ROBUST = 3.0
ROUNDS = 3
# Standard error of a brief's value that is kept since the logs can't tell it, as a share of it.
GUESS_SHARE = 0.3
# What a meter's scale, and looking once a second at a power that changes, leave unknown of it, as a share.
METER_SHARE = 0.005
# Standard errors are wider by this: noise whose memory is minutes is known from few of its swings. Measured by
# tests/bench/bench_calibrate.py: without it 92 % are within two, with it and the scale 94 to 95 %.
FEW_SWINGS = 1.08
# Stands of so many seconds in all tell what is drawn at rest [s].
STANDS_S = 15


@dataclass(frozen=True)
class Value:
    """A parameter's value; its standard error, None where it was not fitted."""

    value: float
    se: float | None


@dataclass(frozen=True, eq=False)
class Calibrated:
    """What the logs tell of a vehicle.

    Parameters
    ----------
    values : mapping of name to Value
        Every parameter, fitted or kept.
    kept : mapping of name to str
        Why the others keep the brief's value.
    correlation : ndarray, shape (k, k)
        Of the fitted ones, in the order of `fitted`.
    fitted : tuple of str
    road : Road
    noise : Noise
    tracks : tuple of Track
    residuals : tuple of ndarray
        Measured less computed height, without what is a level of its own [m].
    notes : tuple of str
    """

    values: Mapping[str, Value]
    kept: Mapping[str, str]
    correlation: Floats
    fitted: tuple[str, ...]
    road: Road
    noise: Noise
    tracks: tuple[Track, ...]
    residuals: tuple[Floats, ...]
    notes: tuple[str, ...]


def calibrate(rides: Sequence[Ride], *, road: Road, fit: Sequence[str] = ()) -> Calibrated:
    """Fit a vehicle to its rides.

    Heights that the energy tells are held against measured ones, freed of a noise that is found with them; see
    `heightnoise`. Parameters whose error is too large to tell anything keep their value, the worst first.

    Parameters
    ----------
    rides : sequence of Ride
    road : Road
        The brief's values.
    fit : sequence of str
        Parameters to fit besides CdA, Crr and accessories.
    """
    notes: list[str] = []
    kept: dict[str, str] = {
        name: "not asked for (--fit)" for name in PARAMETERS if name not in ALWAYS and name not in fit
    }
    road, rest = _accessories(rides, road, kept)
    if all(power_of(ride) is None for ride in rides):
        kept["power_lag_s"] = "no current in the logs"
    free = [name for name in PARAMETERS if name not in kept and name != "accessory_w"]
    untold: list[str] = []
    while True:
        found = _fitted(rides, road, free, untold)
        worst = _untold(found, free, road)
        if worst is None:
            break
        name, why = worst
        kept[name] = why
        free.remove(name)
        untold.append(name)
    values = {name: Value(float(getattr(found.road, name)), None) for name in PARAMETERS}
    for k, name in enumerate(free):
        values[name] = Value(values[name].value, float(np.sqrt(found.covariance[k, k])))
    if rest is not None:
        values["accessory_w"] = rest
    spread = np.sqrt(np.diag(found.covariance))
    correlation = found.covariance / np.outer(spread, spread) if len(free) else np.zeros((0, 0))
    notes += _notes(found, rides)
    return Calibrated(
        values,
        kept,
        correlation,
        tuple(free),
        found.road,
        found.noise,
        tuple(found.tracks),
        tuple(_left(found)),
        tuple(notes),
    )


@dataclass(frozen=True, eq=False)
class _Found:
    road: Road
    covariance: Floats
    noise: Noise
    tracks: list[Track]
    at_bound: tuple[str, ...]


def _accessories(rides: Sequence[Ride], road: Road, kept: dict[str, str]) -> tuple[Road, Value | None]:
    """What is drawn at rest tells the accessories; a meter that shows nothing at rest does not see them."""
    powers = [(power_of(ride), ride.speed_m_s) for ride in rides]
    rest = [power[(speed <= 0.0) & np.isfinite(power)] for power, speed in powers if power is not None]
    still = np.concatenate(rest) if rest else np.zeros(0)
    if len(still) < STANDS_S:
        kept["accessory_w"] = "no stands with current in the logs"
        return road, None
    middle = float(np.median(still))
    if abs(middle) < 0.05:
        kept["accessory_w"] = "the logs show no current at rest: their meter does not see the accessories"
        return replace(road, accessory_w=0.0), Value(road.accessory_w, None)
    spread = float(np.median(np.abs(still - middle))) / 0.6745
    # Readings of one stand are of one state: as many independent ones as there are ten seconds.
    error = max(spread, 0.01 * abs(middle)) / np.sqrt(max(len(still) / 10.0, 1.0))
    middle = max(middle, 0.0)
    return replace(road, accessory_w=middle), Value(middle, float(error))


def _fitted(rides: Sequence[Ride], road: Road, free: Sequence[str], untold: Sequence[str]) -> _Found:
    """Parameters and noise in turns, the marks of coasting with them."""
    noise = _first_noise(rides)
    covariance = np.zeros((len(free), len(free)))
    tracks: list[Track] = []
    at_bound: tuple[str, ...] = ()
    guessed = sum(map(driven_s, rides)) < DRIVEN_S
    for k in range(ROUNDS):
        tracks = [track_of(ride, road=road, coasts=guessed or k > 0) for ride in rides]
        if free:
            road, _, at_bound = _least(tracks, road, free, noise)
        noise = likeliest_noise(
            [_stretch(track, road, free) for track in tracks], start=noise, known=_known(tracks, road, free)
        )
        if not free:
            break
    if free:
        road, scale, at_bound = _least(tracks, road, free, noise)
        stretches = [_stretch(track, road, free) for track in tracks]
        covariance = covariance_over(stretches, noise, known=_known(tracks, road, free))
        covariance = scale * FEW_SWINGS**2 * covariance
        covariance = covariance + _by_guesses(tracks, road, free, untold, noise)
    return _Found(road, covariance, noise, tracks, at_bound)


def _by_guesses(
    tracks: Sequence[Track], road: Road, free: Sequence[str], untold: Sequence[str], noise: Noise
) -> Floats:
    """What the brief's own values, kept because the logs can't tell them, and the meter's scale, which acts as an
    efficiency does, add to the covariance of the others.
    """
    scale = "drivetrain_efficiency"
    guesses = [*untold, *([scale] if scale not in (*free, *untold) else [])]
    names = [*free, *guesses]
    parts = []
    for track in tracks:
        each = _stretch(track, road, names)
        parts.append(innovations(each.slopes, seen=each.seen, lost=each.lost, noise=noise)[0])
    table = np.concatenate(parts)
    told, guessed = table[:, : len(free)], table[:, len(free) :]
    shift = np.linalg.pinv(told) @ guessed
    share = [GUESS_SHARE if name in untold else METER_SHARE for name in guesses]
    width = np.array([part * abs(float(getattr(road, name))) for part, name in zip(share, guesses, strict=True)])
    return np.asarray((shift * width) @ (shift * width).T, dtype=np.float64)


def _first_noise(rides: Sequence[Ride]) -> Noise:
    heights = [ride.columns["altitude_m"] for ride in rides if "altitude_m" in ride.columns]
    white = max((white_noise(each) for each in heights), default=0.0)
    return Noise(white_m=float(np.clip(white, 0.1, 10.0)), drift_m=1.0, drift_s=120.0, walk_m=0.01)


def _with(road: Road, free: Sequence[str], values: Floats) -> Road:
    return replace(road, **dict(zip(free, map(float, values), strict=True)))


def _residual(track: Track, road: Road) -> Floats:
    """Measured less computed height, from 0 at the first row [m]."""
    first = track.height_m[np.argmax(track.seen)] if track.seen.any() else 0.0
    return np.where(track.seen, track.height_m - first, 0.0) - energy_height_m(track, road)


def _known(tracks: Sequence[Track], road: Road, free: Sequence[str]) -> Floats:
    """What is known of parameters without the logs, as rows of a fit: residual and derivatives, shape (m, 1 + k)."""
    if "power_lag_s" not in free:
        return np.zeros((0, 1 + len(free)))
    row_s = float(np.median([track.row_s for track in tracks]))
    row = np.zeros((1, 1 + len(free)))
    row[0, 0] = (road.power_lag_s - LAG_ROWS * row_s) / (LAG_SPREAD_ROWS * row_s)
    row[0, 1 + free.index("power_lag_s")] = 1.0 / (LAG_SPREAD_ROWS * row_s)
    return row


def _stretch(track: Track, road: Road, free: Sequence[str]) -> Stretch:
    here = _residual(track, road)
    slopes = np.zeros((len(here), len(free)))
    for k, name in enumerate(free):
        step = 0.01 * PARAMETERS[name].scale
        up, down = (replace(road, **{name: getattr(road, name) + sign * step}) for sign in (1.0, -1.0))
        slopes[:, k] = (_residual(track, up) - _residual(track, down)) / (2.0 * step)
    return Stretch(here, slopes, track.seen, track.lost)


def _least(
    tracks: Sequence[Track], road: Road, free: Sequence[str], noise: Noise
) -> tuple[Road, float, tuple[str, ...]]:
    """Robust least squares on innovations, and the factor by which its robustness widens the covariance."""
    scales = np.array([PARAMETERS[name].scale for name in free])
    low, high = (np.array([getattr(PARAMETERS[name], end) for name in free]) / scales for end in ("low", "high"))

    def freed(values: Floats) -> Floats:
        now = _with(road, free, values * scales)
        parts = [
            innovations(_residual(track, now)[:, None], seen=track.seen, lost=track.lost, noise=noise)[0][:, 0]
            for track in tracks
        ]
        return np.concatenate([*parts, _known(tracks, now, free)[:, 0]])

    def slopes(values: Floats) -> Floats:
        now = _with(road, free, values * scales)
        parts = []
        for track in tracks:
            each = _stretch(track, now, free)
            parts.append(innovations(each.slopes * scales, seen=each.seen, lost=each.lost, noise=noise)[0])
        return np.concatenate([*parts, _known(tracks, now, free)[:, 1:] * scales])

    start = np.array([getattr(road, name) for name in free]) / scales
    inside = np.clip(start, low + 1e-6, high - 1e-6)
    done = least_squares(freed, inside, jac=slopes, bounds=(low, high), loss="soft_l1", f_scale=ROBUST, x_scale="jac")
    left = freed(done.x)
    # Of a robust estimate: cov = s²·(JᵀJ)⁻¹ with s² = mean ψ² / (mean ψ')² (Huber, Robust Statistics, 1981, 7.6).
    used = np.concatenate([*(_informed(track) for track in tracks), np.zeros(len(left), dtype=bool)])[: len(left)]
    ratio = (left[used] / ROBUST) ** 2
    psi, slope = left[used] / np.sqrt(1.0 + ratio), (1.0 + ratio) ** -1.5
    scale = float(np.sum(psi**2) / max(used.sum() - len(free), 1) / np.mean(slope) ** 2) if used.any() else 1.0
    bound = tuple(name for name, active in zip(free, done.active_mask, strict=True) if active)
    return _with(road, free, done.x * scales), scale, bound


def _informed(track: Track) -> NDArray[np.bool_]:
    """Rows whose innovation has the noise's variance: not the first one of each stretch, whose level is unknown."""
    piece = np.concatenate([[0], np.cumsum(track.lost)])
    at = np.flatnonzero(track.seen)
    first = np.concatenate([[True], np.diff(piece[at]) > 0]) if len(at) else np.zeros(0, dtype=bool)
    found = np.zeros(len(piece), dtype=bool)
    found[at[~first]] = True
    return found


def _untold(found: _Found, free: Sequence[str], brief: Road) -> tuple[str, str] | None:
    """The parameter that the data tells least of, and why; None when all are told."""
    worst: tuple[float, str, str] | None = None
    for k, name in enumerate(free):
        parameter, value = PARAMETERS[name], float(getattr(found.road, name))
        error = float(np.sqrt(max(found.covariance[k, k], 0.0)))
        # Against the brief's value, or an estimate that is surely larger: one that only came out small is not told
        # worse, nor one that came out large better, else what is kept would be large ones.
        least = max(abs(value) - 2.0 * error, abs(float(getattr(brief, name))))
        allowed = max(parameter.told, parameter.told_share * least)
        rate, why = error / max(allowed, 1e-12), f"the logs can't tell it: {value:.4g} ± {error:.2g} {parameter.unit}"
        if name in found.at_bound:
            rate, why = max(rate, 1.0) * 10.0, f"the fit runs into the bound {value:.4g} {parameter.unit}"
        if error <= 0.0:
            rate, why = 1e9, "nothing in the logs depends on it"
        if rate > 1.0 and (worst is None or rate > worst[0]):
            worst = (rate, name, why)
    return None if worst is None else worst[1:]


def _left(found: _Found) -> list[Floats]:
    """Residuals with the level of each stretch between unknown steps taken out; NaN where nothing was measured."""
    out = []
    for track in found.tracks:
        here = np.where(track.seen, _residual(track, found.road), np.nan)
        piece = np.concatenate([[0], np.cumsum(track.lost)])
        many = np.bincount(piece[track.seen], minlength=piece[-1] + 1)
        mean = np.bincount(piece[track.seen], weights=here[track.seen], minlength=piece[-1] + 1) / np.maximum(many, 1)
        # A level of its own leaves nothing of a single reading.
        out.append(np.where(many[piece] > 1, here - mean[piece], np.nan))
    return out


def _notes(found: _Found, rides: Sequence[Ride]) -> list[str]:
    """What was used."""
    notes = []
    for track, ride in zip(found.tracks, rides, strict=True):
        moving = track.way_m > 0
        used, coast = int((moving & ~track.lost).sum()), int(track.coasting.sum())
        text = f"{track.name}: {used} of {int(moving.sum())} s in motion used"
        if coast:
            text += f", {coast} s of them coast-downs"
        if "altitude_m" not in ride.columns:
            text += "; no heights: the road is taken as level"
        if counts_discharge_negative(ride):
            text += "; current is negative while it is driven: its sign was turned"
        notes.append(text + "; braking, regeneration and gaps left out")
    noise = found.noise
    notes.append(
        f"noise of heights found: white {noise.white_m:.2f} m, drift {noise.drift_m:.2f} m over {noise.drift_s:.0f} s, "
        f"random walk {noise.walk_m:.3f} m in a second"
    )
    return notes
