"""How long a pack takes to charge, and which charger fits it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.base.arrays import Floats

TAPER_C_RATE = 0.05
"""Current over capacity at which a charge ends [1/h]; cell makers print 0.02 to 0.05."""

MATCH_V_PER_CELL = 0.025
"""How far a charger's voltage may stand from the pack's full voltage, per series group [V]; the usual
tolerance of a charge voltage. Common practice, no published source."""


@dataclass(frozen=True, eq=False)
class PackCharge:
    """What a charge takes.

    Parameters
    ----------
    hours : ndarray, shape (n,)
        [h]; infinite where the current is 0.
    soc_end : ndarray, shape (n,)
        Where it ended; below stop_soc when the taper current came first [-].
    """

    hours: Floats
    soc_end: Floats


def charge_time(
    current_a: ArrayLike,
    *,
    ocv_v: Floats,
    resistance_ohm: Floats,
    capacity_ah: ArrayLike,
    voltage_max_v: ArrayLike,
    start_soc: ArrayLike = 0.0,
    stop_soc: ArrayLike = 1.0,
    taper_a: ArrayLike | None = None,
    cell_ohm: Floats | None = None,
) -> PackCharge:
    """Time of a constant-current, constant-voltage charge of one cell.

    The current is the least of I_cc and (V_max − OCV)/R. Within a part of the SoC grid, OCV is linear in SoC
    and R its mean, so both phases have a closed form: Δz·Q/I at constant current, and Q·R/s·ln(g_a/g_b) at
    constant voltage, with slope s = dOCV/dz and gap g = V_max − OCV at the ends. The charge ends at stop_soc
    or when the current has fallen to the taper current, whichever comes first; with an I_cc below the taper
    current, at the voltage limit. Both are told by the cell's own resistance: behind wiring the current falls
    sooner, and the charge goes on until the cell is as full as without. So more resistance never charges sooner.

    Parameters
    ----------
    current_a : array_like, shape (n,)
        I_cc of one cell, at least 0 [A].
    ocv_v, resistance_ohm : ndarray, shape (n, n_soc)
        On SoC 0…1 in even steps: OCV, never falling [V], and all of the resistance that a lasting charge
        meets, the cell's share of the outside included, above 0 [ohm].
    capacity_ah, voltage_max_v : array_like, shape (n,)
        [Ah], [V]
    start_soc, stop_soc : array_like, shape (n,)
        0 ≤ start ≤ stop ≤ 1 [-].
    taper_a : array_like, shape (n,), optional
        Current at which the charge ends, above 0; TAPER_C_RATE times the capacity if left out [A].
    cell_ohm : ndarray, shape (n, n_soc), optional
        The part of resistance_ohm that is the cell's own, above 0; all of it if left out [ohm].

    Raises
    ------
    ValueError
        If a value is out of bounds.

    Notes
    -----
    The voltage part follows from R·Q·dz/dt = V_max − OCV(z), closed form for linear OCV.
    """
    count, points = ocv_v.shape
    capacity, amps, v_max, start, stop = (
        np.broadcast_to(np.asarray(value, dtype=np.float64), (count,))[:, None]
        for value in (capacity_ah, current_a, voltage_max_v, start_soc, stop_soc)
    )
    taper = TAPER_C_RATE * capacity if taper_a is None else np.broadcast_to(taper_a, (count,))[:, None]
    cell_ohm = resistance_ohm if cell_ohm is None else cell_ohm
    _check(ocv_v, resistance_ohm=resistance_ohm, cell_ohm=cell_ohm, capacity=capacity, amps=amps, start=start,
           stop=stop, taper=taper)  # fmt: skip
    soc = np.linspace(0.0, 1.0, points)
    ohms, own = (0.5 * (table[:, 1:] + table[:, :-1]) for table in (resistance_ohm, cell_ohm))
    low = np.clip(soc[:-1], start, stop)
    full = np.clip(soc[1:], start, stop)
    limit = _soc_of_gap(amps * ohms, ocv_v=ocv_v, voltage_max_v=v_max)
    ended = _soc_of_gap(np.minimum(amps, taper) * own, ocv_v=ocv_v, voltage_max_v=v_max)
    high = np.clip(ended, low, full)
    turn = np.clip(limit, low, high)
    hours = _constant_current(turn - low, amps=amps, capacity=capacity)
    hours += _constant_voltage(
        turn, high=high, ohms=ohms, ocv_v=ocv_v, voltage_max_v=v_max, capacity=capacity
    )
    # What ends the charge in one part of the grid keeps it from ever reaching the next.
    open_before = np.cumprod(np.column_stack([np.ones(count), high[:, :-1] >= full[:, :-1]]), axis=1) > 0
    charged = np.where(open_before, high - low, 0.0).sum(axis=1)
    return PackCharge(np.where(open_before, hours, 0.0).sum(axis=1), start[:, 0] + charged)


def _check(
    ocv_v: Floats, *, resistance_ohm: Floats, cell_ohm: Floats, capacity: Floats, amps: Floats, start: Floats,
    stop: Floats, taper: Floats,
) -> None:  # fmt: skip
    checks = (
        ("ocv_v, resistance_ohm and cell_ohm must have one shape",
         ocv_v.shape == resistance_ohm.shape == cell_ohm.shape),
        ("ocv_v must not fall with SoC", bool(np.all(np.diff(ocv_v, axis=1) >= 0))),
        ("resistance_ohm must be > 0", bool(np.all(resistance_ohm > 0))),
        ("cell_ohm must be > 0 and within resistance_ohm", bool(np.all((cell_ohm > 0) & (cell_ohm <= resistance_ohm)))),
        ("capacity_ah must be > 0", bool(np.all(capacity > 0))),
        ("current_a must be >= 0", bool(np.all(amps >= 0))),
        ("taper_a must be > 0", bool(np.all(taper > 0))),
        ("need 0 <= start_soc <= stop_soc <= 1", bool(np.all((start >= 0) & (start <= stop) & (stop <= 1)))),
    )
    faults = [text for text, right in checks if not right]
    if faults:
        raise ValueError("; ".join(faults))


def _soc_of_gap(gap_v: Floats, *, ocv_v: Floats, voltage_max_v: Floats) -> Floats:
    """SoC in each part of the grid, or beyond it, at which V_max − OCV has fallen to a gap."""
    points = ocv_v.shape[1]
    slope = np.diff(ocv_v, axis=1) * (points - 1)
    over = voltage_max_v - ocv_v[:, :-1] - gap_v
    flat = np.where(over > 0, 2.0, -1.0)
    after = np.divide(over, slope, out=flat, where=slope > 0)
    return np.asarray(np.linspace(0.0, 1.0, points)[:-1] + after)


def _constant_current(share: Floats, *, amps: Floats, capacity: Floats) -> Floats:
    """Hours to charge a share of the capacity at a current; infinite without current."""
    never = np.where(share > 0, np.inf, 0.0)
    return np.divide(share * capacity, amps, out=never, where=np.broadcast_to(amps > 0, share.shape))


def _constant_voltage(
    turn: Floats, *, high: Floats, ohms: Floats, ocv_v: Floats, voltage_max_v: Floats, capacity: Floats
) -> Floats:
    """Hours from SoC turn to high in each part at constant voltage."""
    points = ocv_v.shape[1]
    first = np.linspace(0.0, 1.0, points)[:-1]
    slope = np.diff(ocv_v, axis=1) * (points - 1)
    gap_turn = voltage_max_v - (ocv_v[:, :-1] + slope * (turn - first))
    falling = (high > turn) & (gap_turn > 0)
    gap = np.where(falling, gap_turn, 1.0)
    # ln(g_a/g_b)/s = −ln(1 − x)/(x·g_a)·Δz with x = s·Δz/g_a: fine for a flat OCV too, where it is Δz/g_a.
    x = np.where(falling, np.clip(slope * (high - turn) / gap, 0.0, 1.0 - 1e-12), 0.0)
    shape = np.divide(-np.log1p(-x), x, out=np.ones_like(x), where=x > 1e-12)
    return np.where(falling, capacity * ohms * (high - turn) / gap * shape, 0.0)


def rated_for(voltage_full_v: ArrayLike, *, series: ArrayLike, charger_voltage_v: ArrayLike) -> NDArray[np.bool_]:
    """Whether each charger's voltage stands within MATCH_V_PER_CELL times S of each pack's full voltage, shape (n, m).

    Parameters as in `choose_charger`.
    """
    full, count = (np.atleast_1d(np.asarray(v, dtype=np.float64))[:, None] for v in (voltage_full_v, series))
    volts = np.asarray(charger_voltage_v, dtype=np.float64)
    # A hair of slack, so that 10 groups at 4.2 V fit a charger of 42.25 V whatever the rounding.
    return np.asarray(np.abs(volts - full) <= MATCH_V_PER_CELL * count + 1e-9)


def choose_charger(
    voltage_full_v: ArrayLike,
    *,
    series: ArrayLike,
    pack_limit_a: ArrayLike,
    charger_voltage_v: ArrayLike,
    charger_current_a: ArrayLike,
    charger_price: ArrayLike,
) -> NDArray[np.int64]:
    """Charger for each pack: the strongest that fits, the cheapest among equals.

    A charger fits when its voltage stands within MATCH_V_PER_CELL times S of the pack's full voltage and its
    current is within what the pack takes: a charger is not turned down.

    Parameters
    ----------
    voltage_full_v, series, pack_limit_a : array_like, shape (n,)
        Charge voltage [V], groups in series [-], largest charge current [A] of each pack.
    charger_voltage_v, charger_current_a, charger_price : array_like, shape (m,)
        [V], [A], in the catalog's currency.

    Returns
    -------
    ndarray of int, shape (n,)
        Index of the charger, −1 where none fits.
    """
    limit = np.atleast_1d(np.asarray(pack_limit_a, dtype=np.float64))[:, None]
    amps, price = (np.asarray(v, dtype=np.float64) for v in (charger_current_a, charger_price))
    rated = rated_for(voltage_full_v, series=series, charger_voltage_v=charger_voltage_v)
    if amps.size == 0:
        return np.full(np.broadcast_shapes(rated.shape, limit.shape)[0], -1, dtype=np.int64)
    fits = rated & (amps <= limit + 1e-9)
    best_first = np.lexsort((price, -amps))
    found = best_first[np.argmax(fits[:, best_first], axis=1)]
    return np.where(fits.any(axis=1), found, -1)
