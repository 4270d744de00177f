"""What the road asks of the wheel, and what the wheel asks of the battery.

Wheel power is affine in the total mass, P = a + b·m in every step of a ride: air drag is the part without
mass; rolling, grade and inertia scale with it. The battery's share adds the drive's losses and accessories.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from optimizer.base.constants import (
    CELSIUS_K,
    EARTH_RADIUS_M,
    GAS_CONSTANT_AIR_J_KG_K,
    GRAVITY_M_S2,
    STANDARD_PRESSURE_PA,
)
from optimizer.brief import VehicleSection
from optimizer.ride.load.drivetrain import Drivetrain, refuse_unless
from optimizer.ride.load.trace import KMH_PER_M_S, Trace

Floats = NDArray[np.float64]
Num = float | Floats

def air_density(altitude_m: Num = 0.0, *, temp_c: Num | None = None) -> Num:
    """Density of dry air at a height in the standard atmosphere, at its own or a given temperature.

    H = 6356766·h/(6356766 + h),  p = 101325·(1 − 0.0065·H/288.15)^5.25588,  ρ = p/(287.05287·T)

    Parameters
    ----------
    altitude_m : float or ndarray
        Geometric, −1000…11 000, the end of the troposphere [m].
    temp_c : float, ndarray or None
        Air temperature; None takes the standard atmosphere's, 15 − 0.0065·H [°C].

    Returns
    -------
    float or ndarray
        [kg/m³]

    Raises
    ------
    ValueError
        If a height is outside −1000…11 000 m or a temperature is not above absolute zero.

    Notes
    -----
    ISO 2533 (1975), the standard atmosphere.
    """
    if not np.all(np.abs(np.asarray(altitude_m) - 5000.0) <= 6000.0):
        raise ValueError(f"altitude_m must be within -1000 and 11000, found {altitude_m}")
    standard_k = 288.15 - 0.0065 * (EARTH_RADIUS_M * altitude_m / (EARTH_RADIUS_M + altitude_m))
    kelvin = standard_k if temp_c is None else temp_c + CELSIUS_K
    if not np.all(np.asarray(kelvin) > 0):
        raise ValueError(f"temp_c must be above -273.15, found {temp_c}")
    pressure_pa = STANDARD_PRESSURE_PA * (standard_k / 288.15) ** 5.25588
    return pressure_pa / (GAS_CONSTANT_AIR_J_KG_K * kelvin)


def rolling_force_n(mass_kg: Num, *, crr: Num, grade: Num = 0.0) -> Num:
    """Rolling resistance on a slope.

    F = crr · m · g · cos(atan(grade))

    Parameters
    ----------
    mass_kg : float or ndarray
        Vehicle, rider, load and pack together [kg].
    crr : float or ndarray
        Coefficient of rolling resistance [-].
    grade : float or ndarray
        Rise over run [-].

    Returns
    -------
    float or ndarray
        [N]

    Notes
    -----
    Martin et al. (1998), J. Appl. Biomech. 14(3), 276–291.
    """
    return crr * mass_kg * GRAVITY_M_S2 * np.cos(np.arctan(grade))


def grade_force_n(mass_kg: Num, *, grade: Num) -> Num:
    """Pull of the slope: F = m · g · sin(atan(grade)), below 0 downhill.

    Parameters
    ----------
    mass_kg : float or ndarray
        [kg]
    grade : float or ndarray
        Rise over run [-].

    Returns
    -------
    float or ndarray
        [N]

    Notes
    -----
    Martin et al. (1998).
    """
    return mass_kg * GRAVITY_M_S2 * np.sin(np.arctan(grade))


def drag_force_n(speed_m_s: Num, *, cda_m2: Num, density_kg_m3: Num, headwind_m_s: Num = 0.0) -> Num:
    """Air drag against the direction of travel.

    F = ½ · ρ · CdA · (v + w)·|v + w|

    Parameters
    ----------
    speed_m_s : float or ndarray
        Over ground [m/s].
    cda_m2 : float or ndarray
        Drag coefficient times frontal area [m²].
    density_kg_m3 : float or ndarray
        Of the air [kg/m³].
    headwind_m_s : float or ndarray
        Wind against the travel, below 0 for a tailwind [m/s].

    Returns
    -------
    float or ndarray
        [N]

    Notes
    -----
    Martin et al. (1998).
    """
    through_air = speed_m_s + headwind_m_s
    return 0.5 * density_kg_m3 * cda_m2 * through_air * np.abs(through_air)


def inertia_force_n(mass_kg: Num, *, acceleration_m_s2: Num, rotating_factor: Num = 1.0) -> Num:
    """Force that speeds up the vehicle and its turning parts: F = λ · m · a.

    Parameters
    ----------
    mass_kg : float or ndarray
        [kg]
    acceleration_m_s2 : float or ndarray
        [m/s²]
    rotating_factor : float or ndarray
        λ, at least 1: the share of wheels and rotor comes on top of the mass [-].

    Returns
    -------
    float or ndarray
        [N]

    Notes
    -----
    Larminie & Lowry, Electric Vehicle Technology Explained (Wiley), vehicle-performance modelling.
    """
    return rotating_factor * mass_kg * acceleration_m_s2


@dataclass(frozen=True)
class Vehicle:
    """What the road load needs to know of a vehicle, its mass aside.

    Parameters
    ----------
    cda_m2 : float
        Drag coefficient times frontal area, at least 0 [m²].
    crr : float
        Coefficient of rolling resistance, at least 0 [-].
    rotating_factor : float
        At least 1 [-].
    density_kg_m3 : float
        Of the air, above 0 [kg/m³].
    headwind_m_s : float
        Wind against the ride, at least 0 [m/s].

    Raises
    ------
    ValueError
        Every value out of bounds, in one message.
    """

    cda_m2: float
    crr: float
    drivetrain: Drivetrain
    rotating_factor: float = 1.05
    density_kg_m3: float = 1.225
    headwind_m_s: float = 0.0

    def __post_init__(self) -> None:
        refuse_unless(
            ("cda_m2 must be >= 0", self.cda_m2, self.cda_m2 >= 0),
            ("crr must be >= 0", self.crr, self.crr >= 0),
            ("rotating_factor must be >= 1", self.rotating_factor, self.rotating_factor >= 1),
            ("density_kg_m3 must be > 0", self.density_kg_m3, self.density_kg_m3 > 0),
            ("headwind_m_s must be >= 0", self.headwind_m_s, self.headwind_m_s >= 0),
        )


def vehicle_of(given: VehicleSection, *, temp_c: float, headwind_kmh: float = 0.0) -> Vehicle:
    """The road load's vehicle, in the air of the brief's altitude and of a temperature [°C]."""
    return Vehicle(
        cda_m2=given.cda_m2,
        crr=given.crr,
        drivetrain=Drivetrain.of(given),
        rotating_factor=given.rotating_factor,
        density_kg_m3=float(air_density(given.altitude_m, temp_c=temp_c)),
        headwind_m_s=headwind_kmh / KMH_PER_M_S,
    )


@dataclass(frozen=True, eq=False)
class RideSteps:
    """One lap as steps of constant power, affine in the total mass: wheel power = a + b·m.

    Parameters
    ----------
    constant_w : ndarray, shape (n,)
        a, mean drag power of the step [W].
    per_mass_w_kg : ndarray, shape (n,)
        b, rolling, grade and inertia power per mass; below 0 when braking or downhill [W/kg].
    duration_s, distance_m : ndarray, shape (n,)
        Of each step [s], [m].
    vehicle : Vehicle
        Its drivetrain turns wheel power into battery power.
    """

    constant_w: Floats
    per_mass_w_kg: Floats
    duration_s: Floats
    distance_m: Floats
    vehicle: Vehicle

    def battery_power_w(self, mass_kg: float | Floats) -> Floats:
        """Power at the pack's terminals in each step [W], shape (n,), at a total mass [kg]; (m, n) at (m, 1) masses."""
        return self.vehicle.drivetrain.battery_w(self.constant_w + self.per_mass_w_kg * mass_kg)


def ride_steps(trace: Trace, *, vehicle: Vehicle) -> RideSteps:
    """The road load of a ride, step by step, with the mass still open.

    a = ½·ρ·CdA·mean((v + w)²·v), w the headwind,  b = (crr·g·cos θ + g·sin θ + λ·dv/dt) · mean(v)

    Returns
    -------
    RideSteps
        n − 1 steps for n points.
    """
    speed, grade = trace.step_speed_m_s, trace.step_grade
    per_mass = (
        rolling_force_n(1.0, crr=vehicle.crr, grade=grade)
        + grade_force_n(1.0, grade=grade)
        + inertia_force_n(
            1.0, acceleration_m_s2=trace.acceleration_m_s2, rotating_factor=vehicle.rotating_factor
        )
    ) * speed
    wind = vehicle.headwind_m_s
    flow = trace.step_speed_cubed + 2.0 * wind * trace.step_speed_squared + wind**2 * speed
    drag = 0.5 * vehicle.density_kg_m3 * vehicle.cda_m2 * flow
    return RideSteps(drag, per_mass, trace.step_s, trace.step_distance_m, vehicle)


def step_parts(duration_s: Floats, *, step_max_s: float) -> NDArray[np.int64]:
    """Into how many equal parts each step of a ride is cut so that none is longer than asked.

    Parameters
    ----------
    duration_s : ndarray, shape (n,)
        [s]
    step_max_s : float
        Above 0 [s].

    Returns
    -------
    ndarray of int, shape (n,)
        At least 1 [-].
    """
    return np.maximum(np.ceil(duration_s / step_max_s - 1e-9), 1.0).astype(np.int64)
