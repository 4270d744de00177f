"""What a lap asks whatever ends it: currents, the hottest cell in the long run, speed under load."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from optimizer.pack import limits
from optimizer.ride.load.headroom import speed_headroom_kmh
from optimizer.score.context import Context, at_soc

if TYPE_CHECKING:
    from optimizer.score.score import Block

Floats = npt.NDArray[np.float64]


def hot_cell_c(block: Block, *, context: Context, pack_mass_kg: Floats) -> Floats:
    """Temperature that the hottest cell would reach if the ride went on and on at the reference charge.

    T = T_air + rise · r_warm · mean((I/P)²), I the current of each power bin of the lap: at the sagging voltage
    where the pack gives power, P/OCV where it takes power back.

    Steady, so on the safe side of any ride that ends; and free of the pack's limits, so that a pack which
    stops early does not look cool. Braking through a resistance takes a little less current than P/OCV; counted
    so, a worse wire would cool the cells.

    r_warm is the resistance at the powers' temperature, or at WARM_C in the cold: cells that come out warmer than that
    have no more resistance, so the figure is not too low where it is above WARM_C; where it is below, so are the cells.
    """
    cell_ohm = context.cells.warm_ohm[block.cell]
    _, current_a = lap_current_a(block, context=context, pack_mass_kg=pack_mass_kg, cell_ohm=cell_ohm)
    square = (current_a**2) @ context.ride.weight / block.parallel**2
    heat_w = cell_ohm * square
    out: Floats = context.air_c + block.hot_rise_k_per_w * heat_w
    return out


def lap_current_a(
    block: Block, *, context: Context, pack_mass_kg: Floats, cell_ohm: Floats
) -> tuple[Floats, Floats]:
    """Voltage at rest at the reference charge, shape (n, 1), and the current of each power bin of the lap, (n, bins).

    [V], [A]; cell_ohm is the resistance of one cell under a load that lasts, shape (n,) [ohm].
    """
    power_w = context.ride.battery_power_w(pack_mass_kg + context.vehicle_mass_kg)
    volts = (context.cells.ocv_reference_v[block.cell] * block.series)[:, None]
    ohm = limits.pack_resistance(
        cell_ohm, series=block.series, parallel=block.parallel, extra_ohm=block.extra_ohm
    )[:, None]
    root = np.sqrt(np.maximum(volts**2 - 4.0 * ohm * power_w, 0.0))
    return volts, np.where(power_w > 0.0, 2.0 * power_w / (volts + root), power_w / volts)


def headrooms(block: Block, *, context: Context, pack_mass_kg: Floats) -> dict[str, Floats]:
    """Speed at which the voltage runs out under the ride's load, full, at the reference charge and at reserve.

    speed_headroom_kmh is what is left at the reserve over the ride's highest speed: below 0 the motor runs
    out of voltage before the ride's end.
    """
    motor, arrays, k = context.motor, context.arrays, block.cell
    assert motor is not None
    out: dict[str, Floats] = {}
    states = {"full": context.start_soc, "reference": context.reference_soc, "reserve": context.reserve_soc}
    for at, (name, soc) in enumerate(states.items()):
        ohm = limits.pack_resistance(
            context.cells.lasting_ohm[at][k],
            series=block.series,
            parallel=block.parallel,
            extra_ohm=block.extra_ohm,
        )
        left = speed_headroom_kmh(
            at_soc(arrays.ocv_v, soc)[k] * block.series,
            pack_resistance_ohm=ohm,
            mass_kg=pack_mass_kg + context.vehicle_mass_kg,
            motor=motor,
            vehicle=context.ride.vehicle,
            trace=context.trace,
        )
        out[f"speed_{name}_kmh"] = left + context.trace.speed_max_kmh
        out["speed_headroom_kmh"] = left
    return out
