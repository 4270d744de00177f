"""Tables of a brief that say what is driven, and where: [vehicle] and [ride]."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from optimizer.brief.kinds import Efficiency, Flag, Fraction, Name, NotNegative, Number, Positive, Section


class VehicleSection(Section):
    """[vehicle]: masses without the pack, resistances to motion, and the motor where its speed matters."""

    mass_kg: Positive
    """Mass of the vehicle without the pack [kg]."""
    rider_kg: NotNegative
    """Mass of the rider with clothes [kg]."""
    payload_kg: NotNegative = 0.0
    """Mass of what is carried besides [kg]; 0: nothing."""
    cda_m2: Positive
    """Drag area, drag coefficient times frontal area [m²]."""
    crr: Positive
    """Coefficient of rolling resistance, a fraction of the weight."""
    drivetrain_efficiency: Efficiency
    """Share of the battery's power that arrives at the road, 0 to 1."""
    regen_efficiency: Fraction = 0.0
    """Share of the braking power that comes back to the battery, 0 to 1; 0: none."""
    accessory_w: NotNegative = 0.0
    """Power that lights, display and the like draw all the time [W]; 0: none."""
    rotating_factor: Annotated[Number, Field(ge=1)] = 1.05
    """By how much wheels and motor raise the mass when speed changes; 1: not at all."""
    altitude_m: Number = 0.0
    """Height above sea level, which makes the air thinner [m]; 0: sea level."""
    wheel_diameter_mm: Positive | None = None
    """Diameter of the driven wheel [mm]; with the motor's two figures for the headroom in speed, or left out."""
    motor_speed_constant_rpm_per_v: Positive | None = None
    """Speed of the unloaded motor per volt [rpm/V]; left out: no headroom in speed."""
    motor_resistance_mohm: NotNegative | None = None
    """Resistance of motor and controller together [mΩ]; left out: no headroom in speed."""
    cda_m2_se: Positive | None = None
    """Standard error of the drag area, as `calibrate` finds it [m²]; left out: taken as exact."""
    crr_se: Positive | None = None
    """Standard error of the rolling resistance, a fraction of the weight; left out: taken as exact."""
    drivetrain_efficiency_se: Positive | None = None
    """Standard error of the drivetrain's efficiency, as a fraction; left out: taken as exact."""
    accessory_w_se: Positive | None = None
    """Standard error of the accessories' power [W]; left out: taken as exact."""
    cda_crr_correlation: Annotated[Number, Field(ge=-1, le=1)] | None = None
    """Correlation between the errors of drag area and rolling resistance, -1 to 1; left out: none."""
    balances_on_motor: Flag = False
    """Whether a rider falls when the motor runs out of voltage: the result then carries a caution."""


class RidePlan(Section):
    """[ride]: a trace, or a steady cruise; and from which state of charge to which it is repeated."""

    trace: Name | None = None
    """Table of time_s, speed_kmh and grade_pct, its path relative to the brief; left out: a steady cruise."""
    speed_kmh: Positive | None = None
    """Speed of a steady cruise in place of a trace [km/h]; left out: the trace is ridden."""
    grade_pct: Number = 0.0
    """Slope of a steady cruise [%]; 0: level."""
    length_km: Positive = 1.0
    """Length of a steady cruise before it is repeated [km]."""
    start_soc: Fraction = 1.0
    """State of charge at the start, 0 to 1; 1: full."""
    reserve_soc: Fraction = 0.1
    """State of charge at which the range ends, 0 to 1."""
    temp_c: Number = 25.0
    """Temperature of the air, and of the cells on the ride [°C]."""
    headwind_kmh: NotNegative = 0.0
    """Wind against the ride [km/h]; 0: none."""
    legal_kmh: Annotated[tuple[Positive, ...], Field(max_length=6)] = ()
    """Legal speeds where you ride [km/h], drawn as lines beside the range at each speed; left out: none."""
