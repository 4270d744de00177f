"""How much current and power a pack can give, and which limit stops it.

Every current here is at the pack's terminals unless the name says cell. A limit that does not apply is
infinite. Sign: discharge is positive.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.base.arrays import Floats, same_kind
from optimizer.pack.sharing import weakest_group_factor as weakest_group_factor
from optimizer.pack.sharing import worst_share as worst_share

#: Names of the limits; a result holds the index. The order is kept: new ones go to the end.
LIMITS = (
    "sag",
    "cell current",
    "strip",
    "wire",
    "BMS",
    "fuse",
    "controller",
    "matched load",
    "temperature",
    "controller cut-off",
)


@dataclass(frozen=True, eq=False)
class Caps:
    """The most current that each part of the pack allows, at the pack's terminals.

    Parameters
    ----------
    cell_a, strip_a, wire_a, bms_a, fuse_a, controller_a, thermal_a : float or ndarray, shape (n,)
        [A]; infinite where a part sets no limit.
    """

    cell_a: ArrayLike = np.inf
    strip_a: ArrayLike = np.inf
    wire_a: ArrayLike = np.inf
    bms_a: ArrayLike = np.inf
    fuse_a: ArrayLike = np.inf
    controller_a: ArrayLike = np.inf
    thermal_a: ArrayLike = np.inf


@dataclass(frozen=True, eq=False)
class Power:
    """The most power at the terminals, and what stops it.

    Parameters
    ----------
    power_w, current_a : ndarray, shape (n,)
        [W], [A]
    limit : ndarray of int, shape (n,)
        Index into LIMITS.
    """

    power_w: Floats
    current_a: Floats
    limit: NDArray[np.int64]

    def names(self) -> NDArray[np.str_]:
        """Name of the binding limit of each candidate."""
        return np.asarray(LIMITS)[self.limit]


def pack_resistance(
    cell_ohm: ArrayLike, *, series: ArrayLike, parallel: ArrayLike, extra_ohm: ArrayLike = 0.0
) -> Floats:
    """Resistance between the pack's terminals.

    R = r · S / P + R_extra

    Parameters
    ----------
    cell_ohm : float or ndarray, shape (n,)
        One cell, for the duration, charge and temperature of interest [ohm].
    series, parallel : int or ndarray, shape (n,)
        Groups in series and cells per group, at least 1 [-].
    extra_ohm : float or ndarray, shape (n,)
        Plates, wires, BMS and fuse together [ohm].

    Returns
    -------
    ndarray, shape (n,)
        [ohm]

    Raises
    ------
    ValueError
        If a count is below 1 or a resistance is negative.

    >>> round(float(pack_resistance(0.030, series=10, parallel=4)), 6)
    0.075
    """
    cell, extra = np.asarray(cell_ohm, float), np.asarray(extra_ohm, float)
    groups, cells = np.asarray(series, float), np.asarray(parallel, float)
    if np.any(groups < 1) or np.any(cells < 1):
        raise ValueError("series and parallel must be at least 1")
    if np.any(cell < 0) or np.any(extra < 0):
        raise ValueError("a resistance must not be negative")
    return same_kind(cell * groups / cells + extra)


def rated_current(continuous_a: ArrayLike, *, peak_a: ArrayLike, peak_s: ArrayLike, seconds: float) -> Floats:
    """Current that a part is rated for over a given time.

    The peak rating where it holds at least that long, the continuous one otherwise: a maker vouches for
    nothing in between.

    Parameters
    ----------
    continuous_a, peak_a : float or ndarray, shape (n,)
        Ratings [A].
    peak_s : float or ndarray, shape (n,)
        How long the peak rating holds [s].
    seconds : float
        How long the current must flow [s].

    Returns
    -------
    ndarray, shape (n,)
        [A]; never under the continuous rating.

    Raises
    ------
    ValueError
        If seconds is not positive.
    """
    if not seconds > 0:
        raise ValueError("seconds must be positive")
    steady = np.asarray(continuous_a, float)
    brief = np.where(np.asarray(peak_s, float) >= seconds, np.asarray(peak_a, float), steady)
    return same_kind(np.maximum(brief, steady))


def pulse_memory_s(continuous_a: ArrayLike, *, pulse_a: ArrayLike, pulse_s: ArrayLike) -> Floats:
    """Time constant of a cell's moving mean of squared currents: a pulse out of rest ends at the continuous rating.

    i_pulse² (1 − e^(−t_pulse/τ)) = i_continuous², so that a pulse cannot be used back to back

    Parameters
    ----------
    continuous_a, pulse_a, pulse_s : ndarray, shape (n,)
        Ratings of a cell [A], [A], [s].

    Returns
    -------
    ndarray, shape (n,)
        [s]; next to nothing where the pulse is no more than the continuous rating.

    >>> pulse_memory_s([10.0], pulse_a=[20.0], pulse_s=[10.0]).round(2).tolist()
    [34.76]
    """
    ratio = np.asarray(continuous_a, float) / np.maximum(pulse_a, continuous_a)
    with np.errstate(divide="ignore"):
        memory = -np.asarray(pulse_s, float) / np.log1p(-np.minimum(ratio**2, 1.0))
    return np.asarray(np.maximum(memory, 1e-6))


def pulse_current(continuous_a: Floats, *, pulse_a: Floats, memory_s: Floats, seconds: float) -> Floats:
    """Current that a cell may give for a time out of rest: the pulse rating at most, and no more than its mean allows.

    i = min(i_pulse, i_continuous / √(1 − e^(−t/τ)))

    Parameters
    ----------
    continuous_a, pulse_a, memory_s : ndarray, shape (n,)
        Ratings, and the time constant of `pulse_memory_s` [A], [A], [s].
    seconds : float
        Above 0 [s].

    Returns
    -------
    ndarray, shape (n,)
        [A]
    """
    mean = continuous_a / np.sqrt(-np.expm1(-seconds / memory_s))
    return np.asarray(np.minimum(np.maximum(pulse_a, continuous_a), mean))


def cell_cap(cell_current_a: ArrayLike, *, parallel: ArrayLike, share: ArrayLike = 1.0) -> Floats:
    """Pack current at which the most loaded cell reaches its own limit.

    I = i · P / share

    Parameters
    ----------
    cell_current_a : float or ndarray, shape (n,)
        Limit of one cell [A].
    parallel : int or ndarray, shape (n,)
        Cells per group [-].
    share : float or ndarray, shape (n,)
        Largest current of a cell over the mean of its group, at least 1; uneven plates and the spread
        between cells multiply [-].

    Returns
    -------
    ndarray, shape (n,)
        [A]

    Raises
    ------
    ValueError
        If a share is below 1.
    """
    factor = np.asarray(share, float)
    if np.any(factor < 1.0 - 1e-9):
        raise ValueError("share must be at least 1")
    return same_kind(np.asarray(cell_current_a, float) * np.asarray(parallel, float) / factor)


def sag_current(
    ocv_v: ArrayLike,
    *,
    cut_off_v: ArrayLike,
    cell_ohm: ArrayLike,
    parallel: ArrayLike,
    weakest_group: ArrayLike = 1.0,
) -> Floats:
    """Pack current at which the weakest series group falls to the cut-off of its cells.

    I = (ocv − v_cut) · P / (r · k), never negative

    The BMS reads the groups themselves, so strips and wires don't count here.

    Parameters
    ----------
    ocv_v, cut_off_v : float or ndarray, shape (n,)
        Of one cell [V].
    cell_ohm : float or ndarray, shape (n,)
        One cell, for the duration, charge and temperature of interest [ohm].
    parallel : int or ndarray, shape (n,)
        [-]
    weakest_group : float or ndarray, shape (n,)
        Resistance of the worst group over the mean [-].

    Returns
    -------
    ndarray, shape (n,)
        [A]; infinite for a cell without resistance.

    >>> float(sag_current(3.7, cut_off_v=2.5, cell_ohm=0.030, parallel=4).round(6))
    160.0
    """
    group_ohm = np.asarray(cell_ohm, float) * np.asarray(weakest_group, float) / np.asarray(parallel, float)
    return _current_for_drop(np.asarray(ocv_v, float) - np.asarray(cut_off_v, float), group_ohm)


def thermal_current(
    headroom_k: ArrayLike, *, rise_k_per_w: ArrayLike, heat_ohm: ArrayLike, beside_k_per_a2: ArrayLike = 0.0,
    reversible_v: ArrayLike = 0.0,
) -> Floats:  # fmt: skip
    """Steady pack current at which the hottest cell reaches its limit.

    (rise · r_heat + beside) · I² + rise · v · I = headroom

    Parameters
    ----------
    headroom_k : float or ndarray, shape (n,)
        Limit of the cell less the temperature of the air [K].
    rise_k_per_w : float or ndarray, shape (n,)
        Rise of the hottest cell per watt in every cell, see optimizer.pack.thermal.heat [K/W].
    heat_ohm : float or ndarray, shape (n,)
        Heat of one cell over the square of the pack current: for even sharing r / P² [ohm].
    beside_k_per_a2 : float or ndarray, shape (n,)
        Rise of the hottest cell by heat beside the cells', over the square of the pack current [K/A²].
    reversible_v : float or ndarray, shape (n,)
        Heat of the reaction in one cell over the pack current, for even sharing −T · dU/dT / P, at least 0 [V].

    Returns
    -------
    ndarray, shape (n,)
        [A]; 0 where the air is as hot as the limit, infinite where no heat arises.
    """
    room = np.maximum(np.asarray(headroom_k, float), 0.0)
    rise = np.asarray(rise_k_per_w, float)
    per_a2 = rise * np.asarray(heat_ohm, float) + np.asarray(beside_k_per_a2, float)
    per_a = rise * np.asarray(reversible_v, float)
    # The root that keeps its digits where one of both terms is small.
    return _current_for_drop(2.0 * room, per_a + np.sqrt(per_a**2 + 4.0 * per_a2 * room))


def greatest_power(
    ocv_v: ArrayLike,
    *,
    cell_ohm: ArrayLike,
    cut_off_v: ArrayLike,
    series: ArrayLike,
    parallel: ArrayLike,
    caps: Caps,
    extra_ohm: ArrayLike = 0.0,
    weakest_group: ArrayLike = 1.0,
    terminal_min_v: ArrayLike = 0.0,
) -> Power:
    """The most power at the pack's terminals with no cell under its cut-off and no current over a limit.

    P = I · (S · ocv − I · R) at I = least of all limits and of V / 2R, where power is at its summit V² / 4R

    The same form serves the peak (resistance and caps of the pulse), the continuous power (slow resistance,
    continuous caps, the temperature's cap) and both at low charge (ocv and resistance there). The fall of
    OCV during a pulse is left out: a resistance measured as voltage drop over current holds it.

    Parameters
    ----------
    ocv_v, cut_off_v : float or ndarray, shape (n,)
        Of one cell [V].
    cell_ohm : float or ndarray, shape (n,)
        One cell, for the duration, charge and temperature of interest [ohm].
    series, parallel : int or ndarray, shape (n,)
        [-]
    caps : Caps
        Current limits [A].
    extra_ohm : float or ndarray, shape (n,)
        Plates, wires, BMS and fuse together [ohm].
    weakest_group : float or ndarray, shape (n,)
        Resistance of the worst group over the mean [-].
    terminal_min_v : float or ndarray, shape (n,)
        Voltage at which the controller gives up, 0 for none [V].

    Returns
    -------
    Power
        Where two limits are equal, the first in LIMITS is named.

    Raises
    ------
    ValueError
        If a count is below 1 or a resistance is negative.

    References
    ----------
    Matched load, Jacobi 1840; any text on circuits.
    """
    resistance = pack_resistance(cell_ohm, series=series, parallel=parallel, extra_ohm=extra_ohm)
    volts = np.asarray(ocv_v, float) * np.asarray(series, float)
    sag = sag_current(
        ocv_v, cut_off_v=cut_off_v, cell_ohm=cell_ohm, parallel=parallel, weakest_group=weakest_group
    )
    low = _current_for_drop(volts - np.asarray(terminal_min_v, float), resistance)
    matched = _current_for_drop(volts, 2.0 * resistance)
    currents = (
        sag,
        caps.cell_a,
        caps.strip_a,
        caps.wire_a,
        caps.bms_a,
        caps.fuse_a,
        caps.controller_a,
        matched,
        caps.thermal_a,
        low,
    )
    current, limit = _least(currents)
    power = current * (volts - current * resistance)
    return Power(same_kind(power), same_kind(current), limit)


def _least(currents: tuple[ArrayLike, ...]) -> tuple[Floats, NDArray[np.int64]]:
    """The least of several currents, not under 0, and the index of the first that is least."""
    arrays = [np.asarray(current, float) for current in currents]
    least = np.full(np.broadcast_shapes(*(array.shape for array in arrays)), np.inf)
    which = np.zeros(least.shape, dtype=np.int64)
    for index, array in enumerate(arrays):
        # A cap that binds nobody costs nothing: most blocks have several.
        if array.ndim == 0 and np.isinf(array):
            continue
        lower = array < least
        np.copyto(which, index, where=lower)
        np.minimum(least, array, out=least)
    return np.maximum(least, 0.0), which


def _current_for_drop(drop: Floats, resistance: Floats) -> Floats:
    """drop / resistance, 0 where the drop is not positive and infinite where nothing resists."""
    room, ohm = np.broadcast_arrays(np.maximum(drop, 0.0), resistance)
    out = np.where(room > 0, np.inf, 0.0)
    return same_kind(np.divide(room, ohm, out=out, where=ohm > 0))
