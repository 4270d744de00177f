"""How a ride loads parts over time: shares of its highest current, for any pack, from the power of each step.

The current of a step is to the highest at most what its power is to the highest: a pack's voltage falls with power.
So limits of parts over time become limits of the highest current of the lap, whatever the pack.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from optimizer.base.kernels import kernel
from optimizer.ride.load.roadload import RideSteps

Floats = NDArray[np.float64]

#: Levels of the highest current that runs above them are looked for at.
LEVELS = 40


@dataclass(frozen=True, eq=False)
class Profile:
    """A lap that is ridden again and again, by the share that each step has in its highest power.

    Parameters
    ----------
    share : ndarray, shape (m, n)
        |power| over the highest power drawn, at most 1, at m total masses [-].
    seconds : ndarray, shape (n,)
        Of the steps [s].
    others : tuple of Profile
        Laps that the same parts must bear, too: the hardest of all counts.
    """

    share: Floats
    seconds: Floats
    others: tuple[Profile, ...] = ()

    def mean_square(self, tau_s: Floats) -> Floats:
        """Largest moving mean of the squared share, the past forgotten with a time constant; the worst of the masses.

        y' = (share² − y) / τ, the lap repeated for ever; the plain mean for an infinite τ.

        Parameters
        ----------
        tau_s : ndarray, any shape
            Above 0 [s].

        Returns
        -------
        ndarray, same shape
            [-], at most 1.
        """
        flat, back = np.unique(np.asarray(tau_s, dtype=float).ravel(), return_inverse=True)
        found = np.zeros(len(flat))
        for row in self.share:
            found = np.maximum(found, _moving(row**2, self.seconds, flat))
        for other in self.others:
            found = np.maximum(found, other.mean_square(flat))
        return np.asarray(found[back].reshape(np.shape(tau_s)))

    @cached_property
    def longest(self) -> Floats:
        """Longest time in a row at or above each of the shares 0, 1/LEVELS …, shape (LEVELS,); infinite without end."""
        out = np.zeros(LEVELS)
        for row in self.share:
            for k in range(LEVELS):
                out[k] = max(out[k], _longest(row >= k / LEVELS, self.seconds))
        for other in self.others:
            out = np.maximum(out, other.longest)
        return out


def profile(steps: RideSteps, *, masses_kg: tuple[float, ...]) -> Profile:
    """The profile of a ride at some total masses; braking counts as much as the same power drawn.

    Parameters
    ----------
    masses_kg : tuple of float
        [kg]
    """
    rows = []
    for mass in masses_kg:
        power = steps.battery_power_w(mass)
        highest = float(power.max())
        rows.append(np.minimum(np.abs(power) / highest, 1.0) if highest > 0 else np.ones(len(power)))
    return Profile(np.array(rows), np.asarray(steps.duration_s, dtype=np.float64))


@kernel(rows=20_000)
def _moving(square: Floats, seconds: Floats, tau_s: Floats) -> Floats:
    out = np.empty(len(tau_s))
    lap, total = 0.0, 0.0
    for i in range(len(square)):
        lap += seconds[i]
        total += square[i] * seconds[i]
    for k in range(len(tau_s)):
        if tau_s[k] == math.inf:
            out[k] = total / lap
            continue
        y, most = 0.0, 0.0
        for turn in range(2):
            for i in range(len(square)):
                left = math.exp(-seconds[i] / tau_s[k])
                y = y * left + square[i] * (1.0 - left)
                if turn == 1 and y > most:
                    most = y
            if turn == 0:
                # Where the lap ends as it began.
                y = y / -math.expm1(-lap / tau_s[k])
                most = y
        out[k] = most
    return out


def _longest(above: NDArray[np.bool_], seconds: Floats) -> float:
    """Longest run of true steps, those at the lap's end joined to those at its start."""
    if above.all():
        return float("inf")
    first = int(np.flatnonzero(~above)[0])
    turned, times = np.roll(above, -first), np.roll(seconds, -first)
    runs = np.add.reduceat(np.where(turned, times, 0.0), np.flatnonzero(~turned))
    return float(runs.max())
