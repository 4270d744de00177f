"""How far a pack goes: the fast form that the search calls for blocks of candidates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.base.arrays import Flags, Floats, Ints
from optimizer.base.constants import CELSIUS_K
from optimizer.ride.bins import CompressedRide
from optimizer.ride.kernels import cell as cellkernel
from optimizer.ride.kernels import range as kernel
from optimizer.ride.load.trace import KMH_PER_M_S

STOP_NAMES = ("reserve", "cell cut-off", "current limit", "power not available")
"""Why a range ends, by stop code."""

INTERVALS = 20
"""SoC intervals of the fast form."""


@dataclass(frozen=True, eq=False)
class RangeBlock:
    """Ranges of n candidates; every array has shape (n,).

    Parameters
    ----------
    range_km : ndarray
        Distance until the stop [km].
    stop : ndarray of int
        Index into STOP_NAMES.
    soc_stop : ndarray
        State of charge at the stop [-].
    duration_s : ndarray
        Riding time [s].
    energy_out_wh, consumption_wh_per_km : ndarray
        Net energy at the pack's terminals [Wh], and per distance [Wh/km]; consumption at the start where the
        range is 0.
    heat_w : ndarray
        Mean heat of all cells together, overvoltage times current [W].
    current_rms_a, current_max_a : ndarray
        Of the pack [A].
    cell_voltage_min_v : ndarray
        Lowest voltage of a cell at its terminals [V].
    temp_end_c : ndarray
        Cell temperature at the stop [°C].
    settled : ndarray of bool
        Which no heavier pack that is nowhere else better goes further than, see heavier.py; False where not known.
    """

    range_km: Floats
    stop: Ints
    soc_stop: Floats
    duration_s: Floats
    energy_out_wh: Floats
    consumption_wh_per_km: Floats
    heat_w: Floats
    current_rms_a: Floats
    current_max_a: Floats
    cell_voltage_min_v: Floats
    temp_end_c: Floats
    settled: Flags


@dataclass(frozen=True, eq=False)
class PackBlock:
    """Candidates as the ride sees them; arrays of shape (n,), or scalars that stand for all.

    Parameters
    ----------
    cell : array_like of int
        Row of the cell in the ride's CellArrays.
    series, parallel : array_like of int
        At least 1 [-].
    extra_resistance_ohm : array_like
        Plates, wires, BMS and fuse at pack level, at least 0 [ohm].
    total_mass_kg : array_like
        Vehicle, rider, load and pack, within the masses the ride was compressed for [kg].
    current_limit_a, charge_current_limit_a : array_like
        Of the pack, least of all parts, at least 0 [A].
    air_temp_c : array_like
        Also the cells' temperature at the start [°C].
    thermal_resistance_k_w, heat_capacity_j_k : array_like
        One cell to air [K/W], and its own [J/K]; resistance 0 keeps the cells at air temperature.
    capacity_part : array_like
        Capacity that can be used over that of the cells, such as the weakest group's over the mean, 0…1 [-].
    warms : array_like of bool
        Whether resistances follow the cells' temperature; else they stay those at the air's.
    """

    cell: ArrayLike
    series: ArrayLike
    parallel: ArrayLike
    total_mass_kg: ArrayLike
    extra_resistance_ohm: ArrayLike = 0.0
    current_limit_a: ArrayLike = np.inf
    charge_current_limit_a: ArrayLike = np.inf
    air_temp_c: ArrayLike = 25.0
    thermal_resistance_k_w: ArrayLike = 0.0
    heat_capacity_j_k: ArrayLike = 50.0
    capacity_part: ArrayLike = 1.0
    warms: ArrayLike = True


def candidate_table(packs: PackBlock, *, ride: CompressedRide) -> tuple[Ints, Ints, Ints, Floats]:
    """Candidates in one cell's terms, as the kernels read them, checked.

    Returns
    -------
    cell, series, parallel : ndarray of int, shape (n,)
    table : ndarray, shape (n, COLUMNS)
        Number of cells, outside resistance per cell, mass, limits per cell, temperatures, heat and usable charge.

    Raises
    ------
    ValueError
        If a value is out of bounds.
    """
    arrays = [np.atleast_1d(np.asarray(value)) for value in vars(packs).values()]
    shape = np.broadcast_shapes(*(array.shape for array in arrays))
    named = {
        name: np.broadcast_to(array, shape)
        for name, array in zip(vars(packs), arrays, strict=True)
    }  # fmt: skip
    _check(named, ride=ride)
    cell, series, parallel = (named[key].astype(np.int64) for key in ("cell", "series", "parallel"))
    table = np.empty((*shape, cellkernel.COLUMNS))
    table[:, cellkernel.CELLS] = series * parallel
    table[:, cellkernel.OUTSIDE] = named["extra_resistance_ohm"] * parallel / series
    table[:, cellkernel.MASS] = named["total_mass_kg"]
    table[:, cellkernel.CURRENT_LIMIT] = named["current_limit_a"] / parallel
    table[:, cellkernel.CHARGE_LIMIT] = named["charge_current_limit_a"] / parallel
    table[:, cellkernel.AIR_K] = named["air_temp_c"] + CELSIUS_K
    table[:, cellkernel.RESISTANCE_K_W] = named["thermal_resistance_k_w"]
    table[:, cellkernel.CAPACITY_J_K] = named["heat_capacity_j_k"]
    table[:, cellkernel.CHARGE_PART] = named["capacity_part"]
    table[:, cellkernel.WARMS] = named["warms"]
    return cell, series, parallel, table


def _check(named: dict[str, NDArray[np.float64]], *, ride: CompressedRide) -> None:
    slack = 1e-9 * ride.mass_max_kg
    bounds = {
        "cell": (0, ride.cells.count - 1), "series": (1, np.inf), "parallel": (1, np.inf),
        "extra_resistance_ohm": (0, np.inf), "current_limit_a": (0, np.inf),
        "charge_current_limit_a": (0, np.inf), "air_temp_c": (-60.0, 120.0),
        "total_mass_kg": (ride.mass_min_kg - slack, ride.mass_max_kg + slack),
        "thermal_resistance_k_w": (0, np.inf), "heat_capacity_j_k": (1e-9, np.inf),
        "capacity_part": (1e-3, 1.0), "warms": (0, 1),
    }  # fmt: skip
    faults = []
    for name, (low, high) in bounds.items():
        wrong = np.flatnonzero(~((named[name] >= low) & (named[name] <= high)))
        if wrong.size:
            faults.append(
                f"{name} must be within {low:g} and {high:g}, found {named[name][wrong[0]]:g} at {wrong[0]}"
            )
    if faults:
        raise ValueError("; ".join(faults))


def check_soc(start_soc: float, *, reserve_soc: float) -> None:
    """Raise ValueError unless 0 ≤ reserve_soc < start_soc ≤ 1."""
    if not 0.0 <= reserve_soc < start_soc <= 1.0:
        raise ValueError(f"need 0 <= reserve_soc < start_soc <= 1, found {reserve_soc:g}, {start_soc:g}")


def range_block(
    packs: PackBlock,
    *,
    ride: CompressedRide,
    start_soc: float = 1.0,
    reserve_soc: float = 0.1,
    intervals: int = INTERVALS,
) -> RangeBlock:
    """Range of every candidate when the ride is repeated until the pack stops.

    Quasi-steady: at each SoC the lap's mean current follows from its power bins (see rangekernel), and the laps driven
    from v̄ · ∫ capacity/ī dz. From these follows the place where the ride ends (course.py): where the reserve is
    reached, or where a critical step comes due that can no longer be driven.

    Never rises with total mass (if `falls_with_mass(ride)`) or extra resistance, never falls with a higher
    current limit, at constant cell temperature; compare with a relative tolerance of 1e-9.

    A hair of charge may lie between the foot of a hill and its top: so no percentage bounds how far this differs
    from `simulate`.

    Parameters
    ----------
    packs : PackBlock
        n candidates.
    start_soc, reserve_soc : float
        0 ≤ reserve < start ≤ 1 [-].
    intervals : int
        SoC intervals, at least 1 [-].

    Raises
    ------
    ValueError
        If a value is out of bounds.
    """
    check_soc(start_soc, reserve_soc=reserve_soc)
    cell, series, parallel, table = candidate_table(packs, ride=ride)
    raw = kernel.run_block(
        cell, table, ride.cells.curves(), ride.table, ride.critical, ride.critical_count,
        (ride.constant_w, ride.per_mass_w_kg, ride.weight),
        ride.vehicle.drivetrain.numbers,
        (ride.mass_min_kg, ride.mass_max_kg), (start_soc, reserve_soc, intervals), ride.runs,
        ride.course.places, ride.duration_s,
    )  # fmt: skip
    return _assemble(raw, series=series, parallel=parallel, ride=ride, table=table)


def _assemble(
    raw: Floats, *, series: Ints, parallel: Ints, ride: CompressedRide, table: Floats
) -> RangeBlock:
    """From sums of one cell to the figures of the pack."""
    cells = series * parallel
    speed_m_s = ride.distance_m / ride.duration_s
    time_s, place = raw[:, kernel.TIME], raw[:, kernel.PLACE]
    moved = time_s > 0
    energy_wh = np.where(moved, raw[:, kernel.ENERGY] * cells / 3600.0, 0.0)
    safe_s = np.where(moved, time_s, 1.0)
    # Of the lap as a whole: the distance that its mean power would have gone.
    consumption = energy_wh / (speed_m_s * safe_s / 1000.0)
    whole = np.floor(place)
    time_laps = whole + np.interp(place - whole, ride.course.way, ride.course.time)
    if not moved.all():
        still_w = mean_power_w(ride, mass_kg=table[~moved, cellkernel.MASS])
        consumption[~moved] = still_w / (KMH_PER_M_S * speed_m_s)
    return RangeBlock(
        range_km=place * ride.distance_m / 1000.0,
        stop=raw[:, kernel.STOP].astype(np.int64),
        soc_stop=raw[:, kernel.SOC_STOP],
        duration_s=time_laps * ride.duration_s,
        energy_out_wh=energy_wh,
        consumption_wh_per_km=consumption,
        heat_w=np.where(moved, raw[:, kernel.HEAT_J] * cells / safe_s, 0.0),
        current_rms_a=np.sqrt(raw[:, kernel.SQUARE_S] / safe_s) * parallel,
        current_max_a=raw[:, kernel.I_MAX] * parallel,
        cell_voltage_min_v=raw[:, kernel.V_LOW],
        temp_end_c=raw[:, kernel.TEMP_END] - CELSIUS_K,
        settled=np.zeros(len(table), dtype=bool),
    )


def mean_power_w(ride: CompressedRide, *, mass_kg: Floats) -> Floats:
    """Mean battery power of the lap at each total mass, limits of the pack aside.

    Parameters
    ----------
    mass_kg : ndarray, shape (n,)
        [kg]

    Returns
    -------
    ndarray, shape (n,)
        [W]
    """
    return np.asarray(ride.battery_power_w(mass_kg) @ ride.weight)
