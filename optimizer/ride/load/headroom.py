"""How fast a motor can still turn the wheel on the voltage that the pack has left.

At full duty the motor sees the pack's voltage and draws its current. A wheel at speed v under a load needs

    u_motor(v) = v / (r·k) + R_motor·I(v),    I(v) = F(v)·r·k,    k = K_v·2π/60

with r the wheel's radius, K_v the motor's speed constant referred to the wheel [rpm/V], so 1/k is both the
back-EMF per speed of turning and the torque per current. The pack gives u − R_pack·I(v).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from optimizer.base.arrays import Floats
from optimizer.ride.load.roadload import Vehicle, drag_force_n, grade_force_n, rolling_force_n
from optimizer.ride.load.trace import KMH_PER_M_S, Trace

BISECTIONS = 60


@dataclass(frozen=True)
class Motor:
    """Motor and wheel; a gear belongs into the speed constant, which is referred to the wheel.

    Parameters
    ----------
    speed_constant_rpm_per_v : float
        Wheel speed per volt without load, above 0 [rpm/V].
    resistance_ohm : float
        Winding, as the full-duty voltage sees it, at least 0 [ohm].
    wheel_diameter_mm : float
        Above 0 [mm].

    Raises
    ------
    ValueError
        Every value out of bounds, in one message.
    """

    speed_constant_rpm_per_v: float
    resistance_ohm: float
    wheel_diameter_mm: float

    def __post_init__(self) -> None:
        checks = (
            ("speed_constant_rpm_per_v must be > 0", self.speed_constant_rpm_per_v,
             self.speed_constant_rpm_per_v > 0),
            ("resistance_ohm must be >= 0", self.resistance_ohm, self.resistance_ohm >= 0),
            ("wheel_diameter_mm must be > 0", self.wheel_diameter_mm, self.wheel_diameter_mm > 0),
        )  # fmt: skip
        faults = [f"{text}, found {value:g}" for text, value, right in checks if not right]
        if faults:
            raise ValueError("; ".join(faults))

    @property
    def speed_per_volt_m_s(self) -> float:
        """Speed of the vehicle per volt of back-EMF, r·k [m/(s·V)]; also newton per ampere, upside down."""
        turns_per_s = self.speed_constant_rpm_per_v / 60.0
        return math.pi * self.wheel_diameter_mm / 1000.0 * turns_per_s


def motor_current_a(force_n: ArrayLike, *, motor: Motor) -> Floats:
    """Motor current for a force at the wheel's rim: I = F·r·k.

    Parameters
    ----------
    force_n : array_like
        [N]

    Returns
    -------
    ndarray
        [A]
    """
    return np.asarray(force_n, dtype=np.float64) * motor.speed_per_volt_m_s


def _steady_force_n(
    speed_m_s: ArrayLike, *, mass_kg: ArrayLike, vehicle: Vehicle, grade: ArrayLike = 0.0
) -> Floats:
    """Force at the wheel's rim at constant speed: drag, rolling and grade [N]; arguments broadcast."""
    speed, mass, slope = (np.asarray(value, dtype=np.float64) for value in (speed_m_s, mass_kg, grade))
    drag = drag_force_n(
        speed, cda_m2=vehicle.cda_m2, density_kg_m3=vehicle.density_kg_m3, headwind_m_s=vehicle.headwind_m_s
    )
    return np.asarray(
        drag + rolling_force_n(mass, crr=vehicle.crr, grade=slope) + grade_force_n(mass, grade=slope)
    )


def top_speed_kmh(
    open_voltage_v: ArrayLike,
    *,
    pack_resistance_ohm: ArrayLike,
    mass_kg: ArrayLike,
    motor: Motor,
    vehicle: Vehicle,
    grade: ArrayLike = 0.0,
) -> Floats:
    """Speed at which the voltage runs out under the steady load at that speed.

    Solves v/(r·k) + R_motor·I(v) = u − R_pack·(I(v) + P_acc/u) for v by bisection; the left side rises with v
    and the right side falls. The motor draws its full current downhill too: a slope that drives the vehicle
    beyond is not counted as speed the voltage gives.

    Parameters
    ----------
    open_voltage_v : array_like
        Pack's OCV at the SoC of interest, above 0 [V].
    pack_resistance_ohm : array_like
        Cells, with their slow part for a load that lasts, plates, wires, BMS, fuse, at least 0 [ohm].
    mass_kg : array_like
        Total mass, above 0 [kg].
    vehicle : Vehicle
        Its drag, rolling and accessories count; its drivetrain efficiency does not, as the voltage pays for
        the winding itself.
    grade : array_like
        At least 0: level, or the climb of interest [-].

    Returns
    -------
    ndarray
        [km/h], arguments broadcast; 0 where even standing still asks for more than there is.

    Raises
    ------
    ValueError
        If a voltage or mass is not above 0, or a resistance or grade below 0.
    """
    given = (open_voltage_v, pack_resistance_ohm, mass_kg, grade)
    volts, ohms, mass, slope = np.broadcast_arrays(*(np.asarray(value, dtype=np.float64) for value in given))
    if not (np.all(volts > 0) and np.all(mass > 0) and np.all(ohms >= 0) and np.all(slope >= 0)):
        raise ValueError("need open_voltage_v > 0, mass_kg > 0, pack_resistance_ohm >= 0 and grade >= 0")
    low, high = np.zeros(volts.shape), volts * motor.speed_per_volt_m_s
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        current = motor_current_a(
            _steady_force_n(middle, mass_kg=mass, vehicle=vehicle, grade=slope), motor=motor
        )
        left = volts - ohms * (current + vehicle.drivetrain.accessory_w / volts)
        enough = left >= middle / motor.speed_per_volt_m_s + motor.resistance_ohm * current
        low, high = np.where(enough, middle, low), np.where(enough, high, middle)
    return np.asarray(low * KMH_PER_M_S)


def speed_headroom_kmh(
    open_voltage_v: ArrayLike,
    *,
    pack_resistance_ohm: ArrayLike,
    mass_kg: ArrayLike,
    motor: Motor,
    vehicle: Vehicle,
    trace: Trace,
) -> Floats:
    """Top speed less the ride's highest speed, on the steepest climb that is driven at that speed.

    The grade is the largest among the points of the ride at its highest speed (within 1 %), level when it
    falls there. Below 0, the pack cannot hold the ride's highest speed at this SoC.

    Parameters
    ----------
    open_voltage_v, pack_resistance_ohm, mass_kg, motor, vehicle
        As in `top_speed_kmh`; call it once each for full, reference and reserve SoC.
    trace : Trace
        The ride.

    Returns
    -------
    ndarray
        [km/h]

    Raises
    ------
    ValueError
        As in `top_speed_kmh`.
    """
    fastest = trace.speed_m_s >= 0.99 * trace.speed_m_s.max()
    grade = max(float(trace.grade[fastest].max()), 0.0)
    top = top_speed_kmh(
        open_voltage_v,
        pack_resistance_ohm=pack_resistance_ohm,
        mass_kg=mass_kg,
        motor=motor,
        vehicle=vehicle,
        grade=grade,
    )
    return top - trace.speed_max_kmh
