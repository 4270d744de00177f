"""Plausible range of each number in a brief. A value outside of it probably has another unit."""

from __future__ import annotations

from optimizer.base.figures import FIGURES, WORDS, bounded, sided, split_name
from optimizer.brief.situations import OVERRIDES

# A compartment's size and place [mm].
MOST_MM = 20000.0

_SIZE = (0.9, MOST_MM, "millimetres")
_KEEP_OUT = (0.1, MOST_MM, "millimetres")
_GAP = (0.01, 50.0, "millimetres")

# Of a part's own size [mm].
LEAST_SIDE_MM = 0.1
_ENVELOPE = (5.0, MOST_MM, "millimetres")
_PRICE = (0.001, 1e6, "whole units of the currency")

# Key → least and most that are plausible, and what the question is put in when a value lies outside. Zero is the
# schema's business. Fractions from 0 to 1 and counts have their bounds in the schema.
PLAUSIBLE: dict[str, tuple[float, float, str]] = {
    "compartment.length_mm": _SIZE,
    "compartment.width_mm": _SIZE,
    "compartment.height_mm": _SIZE,
    "compartment.depth_mm": _SIZE,
    "keep_out.length_mm": _KEEP_OUT,
    "keep_out.width_mm": _KEEP_OUT,
    "keep_out.height_mm": _KEEP_OUT,
    "keep_out.depth_mm": _KEEP_OUT,
    "part.mass_g": (0.01, 50_000, "grams"),
    "part.price": _PRICE,
    "part.gap_mm": (0.01, 200, "millimetres"),
    "part.free_mm": (0.1, 500, "millimetres"),
    "passage.bore_mm": (1, 500, "millimetres"),
    "clearance.wall_mm": _GAP,
    "clearance.case_mm": _GAP,
    "clearance.cell_gap_mm": _GAP,
    "clearance.end_mm": (0.01, 100, "millimetres"),
    "clearance.stack_mm": (0.3, 30, "millimetres"),
    "clearance.module_gap_mm": (0.01, 100, "millimetres"),
    "clearance.plate_gap_mm": (0.2, 50, "millimetres"),
    "clearance.wire_mm": (0.01, 100, "millimetres"),
    "case.nozzle_mm": (0.1, 2, "millimetres"),
    "case.bore_clearance_mm": (0.01, 2, "millimetres"),
    "case.rib_mm": (0.2, 10, "millimetres"),
    "case.lap_mm": (1, 30, "millimetres"),
    "case.joint_mm": (0.01, 2, "millimetres"),
    "case.chamfer_mm": (0.05, 2, "millimetres"),
    "case.mark_mm": (0.1, 2, "millimetres"),
    "case.slot_mm": (1, 30, "millimetres"),
    "case.screw_g": (0.05, 50, "grams"),
    "case.screw_price": _PRICE,
    "case.strap_g": (0.1, 500, "grams"),
    "case.strap_price": _PRICE,
    "case.layer_mm": (0.03, 1.5, "millimetres"),
    "case.speed_mm_s": (2, 1000, "millimetres per second"),
    "joining.fastener_g": (0.05, 200, "grams"),
    "joining.lug_g": (0.05, 200, "grams"),
    "joining.lug_mm": (0.1, 20, "millimetres"),
    "joining.weld_slot_mm": (2, 30, "millimetres"),
    "joining.top_g": (0.001, 20, "grams"),
    "joining.top_price": _PRICE,
    "joining.fastener_price": _PRICE,
    "joining.lug_price": _PRICE,
    **{f"joining.{name}_min": (0.001, 600, "minutes") for name in ("weld", "piece", "fold", "lead", "case")},
    "fit.seconds": (0.001, 86400, "seconds"),
    "electrical.voltage_max_v": (2, 1500, "volts"),
    "electrical.voltage_min_v": (1, 1500, "volts"),
    "electrical.battery_current_a": (0.2, 5000, "amperes"),
    "electrical.regen_current_a": (0.1, 5000, "amperes"),
    "electrical.controller_capacitance_uf": (1, 1e6, "microfarads"),
    "electrical.peak_seconds": (0.1, 60, "seconds"),
    "electrical.temp_c": (-40, 70, "degrees Celsius"),
    "electrical.charge_temp_c": (-40, 60, "degrees Celsius"),
    "vehicle.mass_kg": (0.5, 5000, "kilograms"),
    "vehicle.rider_kg": (5, 400, "kilograms"),
    "vehicle.payload_kg": (0.05, 5000, "kilograms"),
    "vehicle.cda_m2": (0.02, 10, "square metres"),
    "vehicle.crr": (0.001, 0.2, "a fraction of the weight"),
    "vehicle.drivetrain_efficiency": (0.2, 1, "a fraction"),
    "vehicle.regen_efficiency": (0.02, 1, "a fraction"),
    "vehicle.accessory_w": (0.01, 5000, "watts"),
    "vehicle.cda_m2_se": (1e-5, 5, "square metres"),
    "vehicle.crr_se": (1e-6, 0.1, "a fraction of the weight"),
    "vehicle.drivetrain_efficiency_se": (1e-6, 0.5, "a fraction"),
    "vehicle.accessory_w_se": (1e-5, 500, "watts"),
    "vehicle.rotating_factor": (1, 1.6, "a factor on the mass"),
    "vehicle.altitude_m": (-500, 6000, "metres"),
    "vehicle.wheel_diameter_mm": (30, 1500, "millimetres"),
    "vehicle.motor_speed_constant_rpm_per_v": (1, 5000, "revolutions per minute and volt"),
    "vehicle.motor_resistance_mohm": (0.5, 5000, "milliohms"),
    "ride.speed_kmh": (1, 200, "kilometres per hour"),
    "thermal.sun_w_m2": (1, 1400, "watts per square metre"),
    "filler.conductivity_w_m_k": (0.05, 20, "watts per metre and kelvin"),
    "filler.density_kg_m3": (20, 6000, "kilograms per cubic metre"),
    "filler.specific_heat_j_kg_k": (300, 4200, "joules per kilogram and kelvin"),
    "filler.price_per_kg": _PRICE,
    "filler.reach_mm": (0.05, 50, "millimetres"),
    "filler.plate_price_per_kg": _PRICE,
    "ride.legal_kmh": (3, 200, "kilometres per hour"),
    "ride.grade_pct": (-40, 40, "percent"),
    "ride.length_km": (0.01, 500, "kilometres"),
    "ride.temp_c": (-50, 60, "degrees Celsius"),
    "ride.headwind_kmh": (0.1, 150, "kilometres per hour"),
    **{
        f"constraints.{figure.constraint}": (*figure.limit, WORDS[figure.unit])
        for figure in FIGURES.values()
        if figure.limit
    },
    **{f"resolution.{figure.name}": (*figure.step, WORDS[figure.unit]) for figure in FIGURES.values() if figure.step},
    "box.wall_mm": (0.1, 50, "millimetres"),
    "box.density_kg_m3": (50, 22000, "kilograms per cubic metre"),
    "box.price_per_kg": _PRICE,
    "envelope.length_mm_max": _ENVELOPE,
    "envelope.width_mm_max": _ENVELOPE,
    "envelope.height_mm_max": _ENVELOPE,
    "parts.case_density_kg_m3": (50, 12000, "kilograms per cubic metre"),
    "parts.case_price_per_kg": _PRICE,
    "parts.tie_density_kg_m3": (50, 12000, "kilograms per cubic metre"),
    "parts.tie_price_per_kg": _PRICE,
    "parts.band_g_per_m": (0.1, 5000, "grams per metre"),
    "parts.band_price_per_m": _PRICE,
    "parts.weld_mohm": (0.001, 10, "milliohms"),
    "parts.insulation_g_per_cell": (0.001, 100, "grams"),
    "parts.insulation_price_per_cell": (1e-6, 1e5, "whole units of the currency"),
    "parts.connector_g": (0.1, 2000, "grams"),
    "parts.connector_price": _PRICE,
    "parts.balance_fuse_g": (0.001, 100, "grams"),
    "parts.balance_fuse_price": _PRICE,
    "power_connector.current_a": (1, 2000, "amperes"),
    "power_connector.limit_c": (50, 250, "degrees Celsius"),
    "power_connector.tau_s": (0.5, 5000, "seconds"),
    "power_connector.resistance_mohm": (0.001, 20, "milliohms"),
    "power_connector.mass_g": (0.1, 2000, "grams"),
    "power_connector.price": _PRICE,
    "protection.box_rise_k": (0.5, 60, "kelvins"),
    "protection.strip_limit_c": (50, 200, "degrees Celsius"),
    "harness.slack_mm": (0.1, 2000, "millimetres"),
    "ageing.capacity_fraction": (0.2, 1, "a fraction"),
    "ageing.resistance_factor": (1, 10, "a factor on the resistance"),
    "spread.capacity": (0, 0.2, "a fraction"),
    "spread.dcir": (0, 0.5, "a fraction"),
    "spread.diameter": (0, 0.05, "a fraction"),
    "spread.mass": (0, 0.2, "a fraction"),
    "spread.price": (0, 1, "a fraction"),
}
# Keys of a situation have the bands of the brief's own.
PLAUSIBLE |= {
    f"situation.{key}": PLAUSIBLE[f"{section}.{key}"]
    for section, keys in OVERRIDES.items() for key in keys if f"{section}.{key}" in PLAUSIBLE
}  # fmt: skip
PLAUSIBLE |= {
    "situation.start_temp_c": PLAUSIBLE["electrical.temp_c"],
    "situation.years": (0.01, 30, "years"),
    "use.rides_per_week": (0.05, 200, "rides in a week"),
    "use.ride_km": (0.1, 500, "kilometres"),
    "use.storage_temp_c": (-20, 50, "degrees Celsius"),
    "use.energy_price_per_kwh": (1e-4, 1e5, "whole units of the currency"),
}


def band_of(section: str, key: str) -> tuple[float, float, str] | None:
    """Plausible band of a key and the unit that is asked about; None where there is none.

    A constraint or resolution in a situation has the band of the brief's own.
    """
    if section == "constraints" and bounded(key) is not None:
        name, side = sided(key)
        key = f"{split_name(name)[0]}_{side}"
    elif section == "resolution":
        key = split_name(key)[0]
    return PLAUSIBLE.get(f"{section}.{key}")


SIGNED = ("_c", "_c_max", "_pct", "altitude_m", "headroom_kmh_min")

# Lists of numbers: the most that each may be away from zero, and the unit.
LISTS: dict[str, tuple[float, str]] = {
    "position_mm": (MOST_MM, "millimetres"),
    "from_mm": (MOST_MM, "millimetres"),
    "to_mm": (MOST_MM, "millimetres"),
    "origin_mm": (MOST_MM, "millimetres"),
    "bed_mm": (2000.0, "millimetres"),
    "size_mm": (MOST_MM, "millimetres"),
    "outer_max_mm": (MOST_MM, "millimetres"),
    "rotation_deg": (360.0, "degrees"),
}
