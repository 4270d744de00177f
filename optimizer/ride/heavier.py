"""Rides on which a heavier pack draws more charge, yet may pass a place at which a lighter one stops."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from optimizer.base.arrays import Flags, Floats, Ints
from optimizer.ride.bins import VOLTAGE_SPAN, CompressedRide, charge_grows
from optimizer.ride.kernels.cell import AIR_K, CHARGE_PART, CURRENT, CURRENT_LIMIT, CUTOFF, RESERVE
from optimizer.ride.kernels.cells import ACTIVATION, CAPACITY, LAG, LAG_TAU, REFERENCE_K, TAU1, TAU2, V_MAX, V_MIN
from optimizer.ride.kernels.critical import REMEMBERED, STEP_MAX_S
from optimizer.ride.load.roadload import RideSteps, step_parts


@dataclass(frozen=True, eq=False)
class Growth:
    """How the load of a lap grows with mass, step by step as `simulate` cuts it.

    Let a pack X and a heavier one Y that is nowhere else better ride in step. A watt is at least 1/V_max amperes of a
    cell, and at most VOLTAGE_SPAN times as much; so what falls with mass counts VOLTAGE_SPAN times. Counted so, Y has
    drawn no less charge at the end of any step of any lap, but for those of the first lap that are not `drawn`.

    * If X is emptied to its reserve at such a place, Y has been, too, or has stopped before.
    * If X can't drive a step, Y is no fuller there, so that Y can't either if it asks for more power by as much as
      the voltages of R1, R2 and the lag, eased by the steps before, let it give more: dP ≥ dP_most.

    Of P_most = (u − R·I)·I (ride/kernels/cell.py) with u eased by r·di, di ≤ F/V_max: dP_most = I·r·di at the limit of
    current, the same with I = u/2R ≤ V_max/2r0 at the matched load, and at the cut-off at most V_min·di·r/r0. F is
    what falls of dP/dm, filtered by each time constant as currents are. Then X is settled: Y goes no further.

    Parameters
    ----------
    w_per_kg : ndarray, shape (k,)
        Least growth of the power of each time step, at the ends of the masses [W/kg].
    duration_s : ndarray, shape (k,)
        [s]
    drawn : ndarray of bool, shape (k,)
        Steps of the first lap at whose beginning and end a heavier load has drawn no less charge.
    """

    w_per_kg: Floats
    duration_s: Floats
    drawn: Flags

    def settles(
        self, stop: Ints, steps: Ints, *, candidates: Floats, cell: Ints, numbers: Floats, curves: Floats,
        reserve_soc: float,
    ) -> Flags:  # fmt: skip
        """Which rides no heavier pack that is nowhere else better goes further than, shape (n,).

        Parameters
        ----------
        stop, steps : ndarray of int, shape (n,)
            Stop code of each ride, and the time steps that were driven, the last one in part if it ends by the reserve.
        candidates : ndarray, shape (n, COLUMNS)
            As the kernels read them.
        cell : ndarray of int, shape (n,)
            Row of `numbers` and `curves`, which are as the kernels read them, too.
        """
        if not len(stop):
            return np.zeros(0, dtype=bool)
        lap, last = np.divmod(np.where(stop == RESERVE, steps - 1, steps), len(self.w_per_kg))
        used, back = np.unique(cell, return_inverse=True)
        # Usable charge is less than the cell's.
        charged = numbers * np.where(np.arange(numbers.shape[1]) == CAPACITY, candidates[:, CHARGE_PART].min(), 1.0)
        eased = np.array([self._eased(charged[row], curves[row], reserve_soc) for row in used])
        own, r0 = numbers[cell], curves[cell, _first(curves[0], reserve_soc) :, 1].max(axis=1)
        warm = np.exp(own[:, ACTIVATION] * (1.0 / candidates[:, AIR_K] - 1.0 / own[:, REFERENCE_K]))
        part = np.select(
            [stop == CURRENT, stop == CUTOFF],
            [r0 * warm * candidates[:, CURRENT_LIMIT] / own[:, V_MAX], own[:, V_MIN] / own[:, V_MAX]], 0.5,
        )  # fmt: skip
        more = self.w_per_kg[last]
        hard = (more >= 0.0) & (more >= part * eased[back.ravel(), last])
        return np.asarray((self.drawn[last] | (lap > 0)) & ((stop == RESERVE) | hard))

    def _eased(self, numbers: Floats, curves: Floats, reserve_soc: float) -> Floats:
        """Most that the steps before ease each step in any lap, times the resistances over R0, shape (k,) [W/kg]."""
        used = curves[_first(curves, reserve_soc) :]
        slow = (used[:, 2:4] / used[:, 1:2]).max(axis=0)
        # The surface lags behind the mean, down to the curve's end.
        steepest_v = np.diff(curves[:, 0]).max() * (len(curves) - 1)
        lag = numbers[LAG] / (3600.0 * numbers[CAPACITY]) * steepest_v / used[:, 1].min()
        return most_eased(self.w_per_kg, self.duration_s, numbers[[TAU1, TAU2, LAG_TAU]], np.append(slow, lag))


def _first(curves: Floats, soc: float) -> int:
    """First point of a cell's grid whose interval is in use down to a state of charge."""
    return int(soc * (len(curves) - 1))


@njit(cache=True, error_model="numpy")
def most_eased(growth: Floats, duration_s: Floats, taus: Floats, weights: Floats) -> Floats:
    """Most that what is left of the steps before eases each step, in any lap from rest on, shape (k,) [W/kg].

    Parameters
    ----------
    growth, duration_s : ndarray, shape (k,)
        See Growth.
    taus, weights : ndarray, shape (3,)
        Time constants [s]; and by what counts that which each leaves at the middle of a step, if it is below 0 [-].
    """
    laps = int(REMEMBERED * taus.max() / duration_s.sum()) + 2
    out, left = np.zeros(len(growth)), np.zeros(3)
    keep = np.empty((len(growth), 3))
    for i in range(len(growth)):
        for k in range(3):
            keep[i, k] = np.exp(-0.5 * duration_s[i] / taus[k])
    for _ in range(laps):
        for i in range(len(growth)):
            eased = 0.0
            for k in range(3):
                middle = growth[i] + (left[k] - growth[i]) * keep[i, k]
                left[k] = growth[i] + (middle - growth[i]) * keep[i, k]
                eased += weights[k] * max(-middle, 0.0)
            out[i] = max(out[i], eased)
    return out


def growth_of(steps: RideSteps, *, ride: CompressedRide) -> Growth | None:
    """How a lap's load grows with mass; None if it is not certain that a heavier load has drawn more after one lap.

    Parameters
    ----------
    ride : CompressedRide
        Of the same lap, with the masses for which it must hold.
    """
    masses = np.array([[ride.mass_min_kg], [ride.mass_max_kg]])
    wheel = steps.constant_w + steps.per_mass_w_kg * masses
    least = (steps.vehicle.drivetrain.gain(wheel) * steps.per_mass_w_kg).min(axis=0)
    parts = step_parts(steps.duration_s, step_max_s=STEP_MAX_S)
    growth = np.repeat(np.where(least < 0.0, VOLTAGE_SPAN * least, least), parts)
    duration_s = np.repeat(steps.duration_s / parts, parts)
    charge = np.append(0.0, np.cumsum(growth * duration_s))
    hair = 1e-12 * np.abs(growth * duration_s).sum()
    if not charge_grows(ride) or charge[-1] + charge.min() <= hair:
        return None
    enough = charge >= -hair
    return Growth(growth, duration_s, enough[:-1] & enough[1:])
