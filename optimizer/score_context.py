"""What the score knows before any candidate: cells at the states asked for, the ride, the controller."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimizer.brief import Brief
from optimizer.catalog import Cells, Chargers, Ride
from optimizer.pack import limits
from optimizer.ride.bins import CompressedRide, compress
from optimizer.ride.cells import CellArrays
from optimizer.ride.headroom import Motor
from optimizer.ride.roadload import RideSteps, Vehicle, air_density, ride_steps
from optimizer.ride.trace import Trace, steady_cruise, trace_from_arrays

Floats = npt.NDArray[np.float64]

# Pack masses that the compressed ride must hold for [kg]: from nothing to more than any rider carries.
PACK_MASS_KG = (0.0, 120.0)


@dataclass(frozen=True, eq=False)
class CellTable:
    """Chosen cells at the states that the brief asks for; every array has shape (n_cells,).

    Resistances are of one cell: peak_ohm after peak_seconds at the reference state of charge, peak_low_ohm
    the same at low charge, steady_ohm with all slow parts [ohm]. Currents are ratings [A].
    """

    row: npt.NDArray[np.int64]
    mass_kg: Floats
    energy_wh: Floats
    voltage_max_v: Floats
    voltage_nominal_v: Floats
    voltage_min_v: Floats
    ocv_reference_v: Floats
    ocv_low_v: Floats
    peak_ohm: Floats
    peak_low_ohm: Floats
    steady_ohm: Floats
    peak_a: Floats
    continuous_a: Floats
    charge_a: Floats
    temp_max_c: Floats


@dataclass(frozen=True, eq=False)
class Context:
    """Everything about a brief that is the same for all candidates."""

    cells: CellTable
    arrays: CellArrays
    steps: RideSteps
    ride: CompressedRide
    trace: Trace
    vehicle_mass_kg: float
    start_soc: float
    reserve_soc: float
    reference_soc: float
    air_c: float
    voltage_min_v: float
    battery_current_a: float
    regen_current_a: float
    dcir_cv: float
    motor: Motor | None
    chargers: Chargers | None


def arrhenius(activation_k: Floats, *, temp_c: float, reference_c: Floats) -> Floats:
    """Factor on resistance at a temperature: exp(E·(1/T − 1/T_ref)), E in kelvin.

    Source: Arrhenius law; any text on chemical kinetics.
    """
    out: Floats = np.exp(activation_k * (1.0 / (temp_c + 273.15) - 1.0 / (reference_c + 273.15)))
    return out


def at_soc(grids: Floats, soc: float) -> Floats:
    """Each row's value at one state of charge, linear on the even grid 0…1, shape (n_cells,)."""
    place = soc * (grids.shape[1] - 1)
    low = min(int(place), grids.shape[1] - 2)
    out: Floats = grids[:, low] + (place - low) * (grids[:, low + 1] - grids[:, low])
    return out


def lasting_ohm(arrays: CellArrays, soc: float, *, temp_c: float) -> Floats:
    """Resistance of each cell that a lasting load meets at one state of charge [ohm], shape (n_cells,)."""
    warm = arrhenius(arrays.activation_k, temp_c=temp_c, reference_c=arrays.reference_temp_c)
    return np.asarray(at_soc(arrays.r0_ohm + arrays.r1_ohm + arrays.r2_ohm, soc) * warm)


def cell_table(
    cells: Cells, rows: npt.NDArray[np.int64], *, arrays: CellArrays, brief: Brief
) -> CellTable:
    """Chosen cells at the brief's states of charge and temperature.

    Parameters
    ----------
    cells : Cells
    rows : ndarray of int, shape (n,)
        Chosen rows of the catalog, in the order of `arrays`.
    arrays : CellArrays
        Electrical models, ageing included.
    brief : Brief
        With [electrical].
    """
    asked = brief.electrical
    assert asked is not None
    warm = arrhenius(arrays.activation_k, temp_c=asked.temp_c, reference_c=arrays.reference_temp_c)
    built_up = 1.0 - np.exp(-asked.peak_seconds / arrays.tau1_s)
    slow_up = 1.0 - np.exp(-asked.peak_seconds / arrays.tau2_s)

    def ohm(soc: float, part1: Floats | float, part2: Floats | float) -> Floats:
        r0, r1, r2 = (at_soc(grid, soc) for grid in (arrays.r0_ohm, arrays.r1_ohm, arrays.r2_ohm))
        return np.asarray((r0 + part1 * r1 + part2 * r2) * warm)

    charge = np.linspace(0.0, 1.0, arrays.ocv_v.shape[1])
    return CellTable(
        row=rows,
        mass_kg=cells.mass_g[rows] / 1000.0,
        energy_wh=arrays.capacity_ah * np.trapezoid(arrays.ocv_v, charge, axis=1),
        voltage_max_v=cells.voltage_max_v[rows],
        voltage_nominal_v=cells.voltage_nominal_v[rows],
        voltage_min_v=cells.voltage_min_v[rows],
        ocv_reference_v=at_soc(arrays.ocv_v, asked.reference_soc),
        ocv_low_v=at_soc(arrays.ocv_v, asked.low_soc),
        peak_ohm=ohm(asked.reference_soc, built_up, slow_up),
        peak_low_ohm=ohm(asked.low_soc, built_up, slow_up),
        steady_ohm=ohm(asked.reference_soc, 1.0, 1.0),
        peak_a=np.asarray(
            limits.rated_current(
                cells.current_continuous_a[rows],
                peak_a=cells.current_pulse_a[rows],
                peak_s=cells.pulse_s[rows],
                seconds=asked.peak_seconds,
            )
        ),
        continuous_a=cells.current_continuous_a[rows],
        charge_a=cells.current_charge_a[rows],
        temp_max_c=cells.temp_max_c[rows],
    )


def build_context(
    brief: Brief,
    *,
    cells: Cells,
    rows: npt.NDArray[np.int64],
    arrays: CellArrays,
    trace: Ride | None,
    chargers: Chargers | None,
) -> Context:
    """Context of a brief that has [electrical], [vehicle] and [ride].

    Parameters
    ----------
    brief : Brief
    cells : Cells
    rows : ndarray of int, shape (n,)
        Cells that may be chosen.
    arrays : CellArrays
        Their electrical models.
    trace : Ride or None
        The ride's trace; None for a steady cruise.
    chargers : Chargers or None
    """
    asked, vehicle, ride = brief.electrical, brief.vehicle, brief.ride
    assert asked is not None and vehicle is not None and ride is not None
    lap = (
        trace_from_arrays(trace.time_s, speed_kmh=trace.speed_kmh, grade_pct=trace.grade_pct)
        if trace is not None
        else steady_cruise(ride.speed_kmh or 0.0, grade_pct=ride.grade_pct, length_km=ride.length_km)
    )
    steps = ride_steps(lap, vehicle=_vehicle(brief))
    mass_kg = vehicle.mass_kg + vehicle.rider_kg + vehicle.payload_kg
    return Context(
        cells=cell_table(cells, rows, arrays=arrays, brief=brief),
        arrays=arrays,
        steps=steps,
        ride=compress(
            steps, cells=arrays, mass_min_kg=mass_kg + PACK_MASS_KG[0], mass_max_kg=mass_kg + PACK_MASS_KG[1]
        ),
        trace=lap,
        vehicle_mass_kg=mass_kg,
        start_soc=ride.start_soc,
        reserve_soc=ride.reserve_soc,
        reference_soc=asked.reference_soc,
        air_c=ride.temp_c,
        voltage_min_v=asked.voltage_min_v,
        battery_current_a=asked.battery_current_a,
        regen_current_a=asked.regen_current_a,
        dcir_cv=brief.spread.dcir,
        motor=_motor(brief),
        chargers=chargers,
    )


def _vehicle(brief: Brief) -> Vehicle:
    """The road load's vehicle, in the air of the ride's altitude and temperature."""
    given, ride = brief.vehicle, brief.ride
    assert given is not None and ride is not None
    return Vehicle(
        cda_m2=given.cda_m2,
        crr=given.crr,
        drivetrain_efficiency=given.drivetrain_efficiency,
        regen_efficiency=given.regen_efficiency,
        accessory_w=given.accessory_w,
        rotating_factor=given.rotating_factor,
        density_kg_m3=float(air_density(given.altitude_m, temp_c=ride.temp_c)),
    )


def _motor(brief: Brief) -> Motor | None:
    """The motor, when the brief gives enough of it."""
    given = brief.vehicle
    if given is None or given.motor_speed_constant_rpm_per_v is None or given.wheel_diameter_mm is None:
        return None
    return Motor(
        given.motor_speed_constant_rpm_per_v,
        (given.motor_resistance_mohm or 0.0) * 1e-3,
        given.wheel_diameter_mm,
    )
