"""Fuses over time: how soon and how late they open, and what they carry in a warm box without ageing."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.pack.protection.warming import heated, rise

Floats = NDArray[np.float64]

#: Part of its rating that a fuse carries without end, UL 248-14 type; fuse makers' guides (from memory).
CONTINUOUS = 0.75

#: Share of the melting I²t that a pulse may use if a fuse is to last 10,000 of them; fuse makers' guides.
PULSE_SHARE = 0.29

#: Rating lost per kelvin above 25 °C: ×0.9 at 60 °C and ×0.8 at 85 °C for blade and bolt-in fuses (from memory).
DERATING_PER_K = 0.003


def ambient_factor(air_c: ArrayLike) -> Floats:
    """What the air around a fuse leaves of its rating.

    k = 1 − 0.003 (T − 25 °C), at most 1 and at least 0.1

    Parameters
    ----------
    air_c : float or ndarray
        Inside the box [°C].

    Returns
    -------
    ndarray
        [-]

    References
    ----------
    Makers' curves for blade and bolt-in fuses (from memory).

    >>> ambient_factor(60.0).round(3).tolist()
    0.895
    """
    return np.asarray(np.clip(1.0 - DERATING_PER_K * (np.asarray(air_c, float) - 25.0), 0.1, 1.0))


def opening_seconds(multiple: ArrayLike, *, points: Floats) -> Floats:
    """Time until a fuse opens, by one end of its curve.

    Straight between the points in the logarithms of both; never before the first; I²t stays that of the last
    point behind it, where all heat stays in the element.

    Parameters
    ----------
    multiple : float or ndarray, shape (m,)
        Current over rating [-].
    points : ndarray, shape (k, 2)
        Multiples, rising, and seconds, falling; infinite rows are unused.

    Returns
    -------
    ndarray, shape (m,)
        [s]; infinite where the fuse need never open.

    >>> opening_seconds([1.2, 1.35, 4.0], points=np.array([[1.35, 3600.0], [2.0, 120.0]])).round(6).tolist()
    [inf, 3600.0, 30.0]
    """
    used = points[np.isfinite(points[:, 0])]
    ratio = np.asarray(multiple, float)
    with np.errstate(divide="ignore"):
        within = np.exp(np.interp(np.log(ratio), np.log(used[:, 0]), np.log(used[:, 1])))
    last, seconds = used[-1]
    with np.errstate(divide="ignore"):
        out = np.where(ratio > last, seconds * (last / ratio) ** 2, within)
    return np.where(ratio < used[0, 0], np.inf, out)


def peak_current_a(rating_a: float, *, points: Floats, seconds: float, air_c: float) -> float:
    """Current that may flow for a time again and again: it ends before the fuse may open, and does not age it.

    The largest I with t_least(I) ≥ t / PULSE_SHARE: at one current the share of I²t is one of time.

    Parameters
    ----------
    rating_a : float
        [A]
    points : ndarray, shape (k, 2)
        Least times, see `opening_seconds`.
    seconds : float
        Length of the peak [s].
    air_c : float
        Inside the box [°C].

    Returns
    -------
    float
        [A]
    """
    used = points[np.isfinite(points[:, 0])]
    wanted = seconds / PULSE_SHARE
    last, shortest = used[-1]
    if wanted <= shortest:
        multiple = last * np.sqrt(shortest / wanted)
    elif wanted >= used[0, 1]:
        multiple = used[0, 0]
    else:
        multiple = np.exp(np.interp(np.log(wanted), np.log(used[::-1, 1]), np.log(used[::-1, 0])))
    return float(multiple * rating_a * ambient_factor(air_c))


def continuous_current_a(rating_a: ArrayLike, *, air_c: float) -> Floats:
    """Current that a fuse carries without end in the air of its box.

    I = 0.75 · k(T) · I_rated

    Parameters
    ----------
    rating_a : float or ndarray, shape (n,)
        [A]
    air_c : float
        Inside the box [°C].

    Returns
    -------
    ndarray, shape (n,)
        [A]

    >>> continuous_current_a(40.0, air_c=25.0).tolist()
    30.0
    """
    return np.asarray(CONTINUOUS * np.asarray(rating_a, float) * ambient_factor(air_c))


# How finely the curve is gone through, and up to which multiple; what lies behind comes down to I²t.
_STEPS, _MOST = 240, 40.0


def must_bear_a(rating_a: float, *, points: Floats, share: Floats, tau_s: Floats) -> Floats:
    """Continuous rating that a conductor needs, so that a fuse opens before the conductor is at its limit.

    At every multiple m from 1 on, for the longest time t that the fuse may take, out of the steady state at the
    fuse's continuous part c: I ≥ I_fuse · √(c² (1 − h(t)) + m² h(t)), h the share of the steady rise after t.

    Parameters
    ----------
    rating_a : float
        Of the fuse [A].
    points : ndarray, shape (k, 2)
        Most times, see `opening_seconds`.
    share, tau_s : ndarray, shape (n, 2)
        Of each conductor's rise, see `warming.Warming` [-], [s].

    Returns
    -------
    ndarray, shape (n,)
        [A]
    """
    first = float(points[0, 0])
    multiples = np.unique(np.concatenate([
        [max(first, 1.0)], points[np.isfinite(points[:, 0]), 0], np.geomspace(max(first, 1.0), _MOST, _STEPS),
    ]))  # fmt: skip
    seconds = opening_seconds(multiples, points=points)
    h = heated(seconds, share=share[:, None, :], tau_s=tau_s[:, None, :])
    square = rise(multiples**2, h, before=CONTINUOUS**2)
    # Just under the first point the fuse may never open; at endless currents no heat leaves the conductor.
    last, shortest = points[np.isfinite(points[:, 0])][-1]
    adiabatic = CONTINUOUS**2 + last**2 * shortest * (share / tau_s).sum(axis=1)
    worst = np.maximum(np.maximum(square.max(axis=1), adiabatic), max(first, 1.0) ** 2)
    return np.asarray(rating_a * np.sqrt(worst))
