"""Noise of heights along a ride: white, with a memory, and a random walk; a series freed of it.

A receiver's height is wrong by white noise and by drift that lasts minutes, and what is not modelled of a ride (gusts,
small errors of power and speed, summed up) walks at random. To take such residuals for independent would make standard
errors many times too small. A Kalman filter of these two states turns a series into its innovations, which are
independent and have a standard deviation of 1 when the noise is as described.

References
----------
Harvey, Forecasting, Structural Time Series Models and the Kalman Filter (Cambridge 1989), chapter 3; restricted
likelihood: Patterson and Thompson, Biometrika 58 (1971) 545.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.optimize import minimize

from optimizer.base.arrays import Floats

Bools = NDArray[np.bool_]

# What nobody knows of a height before the first reading, and after a step of unknown work [m].
UNKNOWN_M = 100.0
# What is usual of receivers' and barometers' heights, and how many times more or less would not surprise (a factor e
# for a spread of 1): a short ride tells little of a noise whose memory is minutes. From common practice; no published
# source: 2 m of white noise, 1.5 m of drift over some minutes.
USUAL = np.log([1.0, 1.5, 200.0, 0.02])
SURPRISE = np.array([2.0, 0.9, 0.8, 1.2])
LOWEST = np.log([0.02, 0.005, 10.0, 1e-4])
HIGHEST = np.log([30.0, 30.0, 3000.0, 1.0])


@dataclass(frozen=True)
class Noise:
    """What makes measured heights differ from those that the energy tells.

    Parameters
    ----------
    white_m : float
        Standard deviation, independent from second to second [m].
    drift_m, drift_s : float
        Standard deviation and memory of a first-order Gauss-Markov process [m], [s].
    walk_m : float
        Standard deviation of the step of a random walk in one second [m].
    """

    white_m: float = 1.0
    drift_m: float = 1.0
    drift_s: float = 120.0
    walk_m: float = 0.01

    def logs(self) -> Floats:
        """Natural logarithms, shape (4,)."""
        return np.log([self.white_m, self.drift_m, self.drift_s, self.walk_m])


def noise_of(logs: Floats) -> Noise:
    """The noise of four logarithms, held within bounds."""
    return Noise(*np.exp(np.clip(logs, LOWEST, HIGHEST)).tolist())


@njit(cache=True, error_model="numpy")
def _filter(series, seen, lost, white, drift, keep, walk, unknown):  # type: ignore[no-untyped-def]
    """Innovations over their standard deviations, shape of series, and the sum of log variances."""
    rows, columns = series.shape
    out = np.zeros((rows, columns))
    level, drifts = np.zeros(columns), np.zeros(columns)
    p_level, p_both, p_drift = unknown, 0.0, drift
    total = 0.0
    for i in range(rows):
        if i > 0:
            p_level += walk + unknown * lost[i - 1]
            p_both *= keep
            p_drift = keep * keep * p_drift + drift * (1.0 - keep * keep)
            for c in range(columns):
                drifts[c] *= keep
        if not seen[i]:
            continue
        spread = p_level + 2.0 * p_both + p_drift + white
        gain_level, gain_drift = (p_level + p_both) / spread, (p_both + p_drift) / spread
        root = np.sqrt(spread)
        total += np.log(spread)
        for c in range(columns):
            new = series[i, c] - level[c] - drifts[c]
            out[i, c] = new / root
            level[c] += gain_level * new
            drifts[c] += gain_drift * new
        to_level, to_drift = p_level + p_both, p_both + p_drift
        p_level -= gain_level * to_level
        p_both -= gain_level * to_drift
        p_drift -= gain_drift * to_drift
    return out, total


def innovations(
    series: Floats, *, seen: Bools, lost: Bools, noise: Noise, level_m: float = UNKNOWN_M
) -> tuple[Floats, float]:
    """Series freed of the noise: what each value brings that those before did not tell.

    Parameters
    ----------
    series : ndarray, shape (n, k)
        Heights of k kinds, one row a second [m].
    seen : ndarray of bool, shape (n,)
        Rows with a reading; the others bring nothing.
    lost : ndarray of bool, shape (n - 1,)
        Steps over which nothing is known of the height.
    level_m : float
        Standard deviation of the level before the first reading and after a lost step [m].

    Returns
    -------
    ndarray, shape (n, k), and float
        Over their standard deviations [-], 0 where not seen; sum of the log variances.
    """
    keep = float(np.exp(-1.0 / noise.drift_s))
    out, total = _filter(
        np.ascontiguousarray(series), seen, lost.astype(np.float64), noise.white_m**2, noise.drift_m**2, keep,
        noise.walk_m**2, level_m**2,
    )  # fmt: skip
    return out, float(total)


@dataclass(frozen=True, eq=False)
class Stretch:
    """Residuals of one log and what the parameters change in them.

    Parameters
    ----------
    residual : ndarray, shape (n,)
        [m]
    slopes : ndarray, shape (n, k)
        Derivatives by the parameters.
    seen, lost : ndarray of bool, shape (n,), (n - 1,)
    level_m : float
        See `innovations` [m].
    """

    residual: Floats
    slopes: Floats
    seen: Bools
    lost: Bools
    level_m: float = UNKNOWN_M


def _unlikely(stretches: list[Stretch], logs: Floats, known: Floats | None) -> tuple[float, Floats, Floats]:
    """−2 log L of a noise with what is usual, and under it the parameters' change and their covariance."""
    noise = noise_of(logs)
    square, total = np.zeros(()) if known is None else known.T @ known, 0.0
    for each in stretches:
        table = np.column_stack([each.residual, each.slopes])
        free, log_det = innovations(table, seen=each.seen, lost=each.lost, noise=noise, level_m=each.level_m)
        square = square + free.T @ free
        total += log_det
    slopes, against = square[1:, 1:], square[1:, 0]
    scale = np.sqrt(np.maximum(np.diag(slopes), 1e-300))
    sign, log_det = np.linalg.slogdet(slopes / np.outer(scale, scale))
    if sign <= 0:
        return 1e12, np.zeros(len(scale)), np.zeros_like(slopes)
    covariance = np.linalg.inv(slopes / np.outer(scale, scale)) / np.outer(scale, scale)
    change = covariance @ against
    away = np.sum((logs - np.clip(logs, LOWEST, HIGHEST)) ** 2)
    unusual = float(np.sum(((logs - USUAL) / SURPRISE) ** 2))
    left = square[0, 0] - against @ change
    return float(total + left + log_det + 2.0 * np.log(scale).sum() + unusual + 100.0 * away), change, covariance


def covariance_over(
    stretches: list[Stretch], noise: Noise, *, known: Floats | None = None, draws: int = 120, width: float = 0.5
) -> Floats:
    """Covariance of the parameters with the noise itself uncertain.

    Noises around the likeliest one are drawn and weighted by how likely they are (importance sampling); the covariance
    is the mean of theirs and the spread of their estimates (law of total variance).

    Parameters
    ----------
    stretches : list of Stretch
        About the best parameters.
    noise : Noise
        The likeliest.
    known : ndarray, shape (m, 1 + k), or None
        What is known of the parameters without the logs: residuals over their standard deviation, and derivatives.
    width : float
        Standard deviation of the logarithms drawn [-].

    Returns
    -------
    ndarray, shape (k, k)
    """
    rng = np.random.default_rng(0)
    centre = noise.logs()
    away = np.vstack([np.zeros((1, 4)), rng.normal(size=(draws, 4)) * width])
    found = [_unlikely(stretches, centre + step, known) for step in away]
    cost = np.array([each[0] for each in found])
    weight = np.exp(-0.5 * (cost - cost.min()) + 0.5 * np.sum((away / width) ** 2, axis=1))
    # A draw far out that happens to be likely must not stand for all: weights are cut at a tenth of their sum.
    weight = np.minimum(weight, 0.1 * weight.sum())
    weight /= weight.sum()
    changes = np.array([each[1] for each in found])
    mean = weight @ changes
    spread = (changes - mean).T @ ((changes - mean) * weight[:, None])
    return np.asarray(sum(w * each[2] for w, each in zip(weight, found, strict=True)) + spread, dtype=np.float64)


def likeliest_noise(stretches: list[Stretch], *, start: Noise, known: Floats | None = None) -> Noise:
    """Noise under which residuals are likeliest, the parameters left free (restricted maximum likelihood).

    −2 log L = Σ log S + min Σ e² + log det XᵀX, with e and X freed of the noise; what is usual of such noise is
    added as a log-normal prior.
    """

    def cost(logs: Floats) -> float:
        return _unlikely(stretches, logs, known)[0]

    best = None
    for first in (start.logs(), Noise(start.white_m, 0.3 * start.drift_m, 40.0, 0.03).logs()):
        simplex = np.vstack([first, *(first + 0.7 * row for row in np.eye(4))])
        found = minimize(
            cost, first, method="Nelder-Mead",
            options={"initial_simplex": simplex, "maxfev": 400, "xatol": 0.02, "fatol": 0.02},
        )  # fmt: skip
        if best is None or found.fun < best.fun:
            best = found
    assert best is not None
    return noise_of(best.x)
