"""What one lap asks of a pack: currents, temperature of the hottest cell, speed under load."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.base.constants import CELSIUS_K
from optimizer.pack import limits
from optimizer.pack.thermal.heat import CELL_J_PER_KG_K
from optimizer.ride.kernels import heat as kernel
from optimizer.ride.load.headroom import speed_headroom_kmh
from optimizer.score.context import WARM_C, Context, at_soc
from optimizer.score.warmth import courses

if TYPE_CHECKING:
    from optimizer.score.score import Block


# The mean cell's rise over the hottest one's in a compartment's network: 0.77 to 0.94 in trays of 15 to 600 cells
# (tests/search/test_warmth.py). Heat follows the mean cell's resistance.
MEAN_PART = 0.75
# Steps of temperature between which the hottest cell's is sought, up to where laws are told.
HEAT_STEPS = 24
# What is told at least above the air, in the sun above the box [K].
LEAST_TOLD_K = 1.0


def hot_cell_end_c(block: Block, *, context: Context, pack_mass_kg: Floats) -> Floats:
    """Temperature of the hottest cell when the charge down to the reserve is used [°C].

    Free of the pack's limits, so that a pack that stops early does not look cool; cells start no colder than the air,
    or a box that stood in the sun.
    The lengths of its steps are those of the course that all packs of these cells have (score/warmth.py), which lasts
    no shorter than a real pack's. So heat is all that parts change, and the figure never falls as one worsens.
    """
    pairs, back = np.unique(
        np.column_stack([block.cell, block.series * block.parallel]), axis=0, return_inverse=True
    )
    course, own = courses(context, pairs[:, 0], pairs[:, 1]), back.ravel()
    return _hottest(
        block, course.soc[:-1], course.seconds[own], context=context, pack_mass_kg=pack_mass_kg,
        start_c=max(context.warmth.start_c, context.air_c), reversible_w=course.reversible_w[own],
        mean_c=course.temp_c[own, :-1],
    )  # fmt: skip


def hot_cell_endless_c(block: Block, *, context: Context, pack_mass_kg: Floats) -> Floats:
    """Temperature that the hottest cell reaches if the ride goes on and on at the reference charge [°C].

    T = T_air + rise·r(T)·mean((I/P)²) + beside·mean(I²): the steady state, with the resistance at the temperature
    that the cells' own heat leads to.
    """
    forever = np.full((len(block), 1), np.inf)
    return _hottest(
        block, np.array([context.reference_soc]), forever, context=context, pack_mass_kg=pack_mass_kg,
        start_c=context.air_c, reversible_w=_lasting_reversible_w(block, context),
        mean_c=np.full((len(block), 1), context.air_c),
    )  # fmt: skip


def _lasting_reversible_w(block: Block, context: Context) -> Floats:
    """Heat of the reaction at the reference charge, in the course's step that holds it, shape (n, 1) [W]."""
    if not context.cells.entropy_v_k.any():
        return np.zeros((len(block), 1))
    pairs, back = np.unique(np.column_stack([block.cell, block.series * block.parallel]), axis=0, return_inverse=True)
    course = courses(context, pairs[:, 0], pairs[:, 1])
    step = int(np.clip(np.searchsorted(-course.soc, -context.reference_soc) - 1, 0, len(course.soc) - 2))
    return course.reversible_w[back.ravel()][:, [step]]


def _hottest(
    block: Block, soc: Floats, seconds: Floats, *, context: Context, pack_mass_kg: Floats, start_c: float,
    reversible_w: Floats, mean_c: Floats,
) -> Floats:  # fmt: skip
    """The hottest cell after steps at states of charge (ride/kernels/heat.py).

    Braking through a resistance takes a little less current than P/OCV; counted so, a worse wire would cool the cells.
    A box in the sun is as if the air around it were so much warmer (sol-air temperature, ASHRAE
    Handbook, Fundamentals).
    """
    ride, warmth = context.ride, context.warmth
    around_c = context.air_c + warmth.ride_sun_k
    told_k = max(float(warmth.temp_c[-1]) - around_c, LEAST_TOLD_K)
    temps = np.linspace(around_c, around_c + told_k / MEAN_PART, HEAT_STEPS + 1)
    inside = around_c + MEAN_PART * (temps - around_c)
    place = np.clip((mean_c - around_c) / (told_k / HEAT_STEPS), 0.0, float(HEAT_STEPS))
    number = block.series * block.parallel
    packs = np.empty((len(block), kernel.PACK))
    packs[:, kernel.SHARE] = 1.0 / number
    packs[:, kernel.OUTSIDE] = block.extra_ohm * block.parallel / block.series
    packs[:, kernel.MASS] = pack_mass_kg + context.vehicle_mass_kg
    packs[:, kernel.RISE] = block.riding_k_per_w(context)
    packs[:, kernel.BESIDE] = block.beside_k_per_a2 * block.parallel**2
    packs[:, kernel.CAPACITY] = context.cells.mass_kg[block.cell] * CELL_J_PER_KG_K
    return np.asarray(kernel.hottest(
        block.cell, packs, max(start_c, around_c), around_c, temps,
        np.stack([warmth.lasting_ohm(float(z), inside).T for z in soc], axis=1).copy(),
        np.stack([at_soc(ride.cells.ocv_v, float(z)) for z in soc], axis=1), seconds, reversible_w, place,
        (ride.constant_w, ride.per_mass_w_kg, ride.weight),
        ride.vehicle.drivetrain.numbers,
    ))  # fmt: skip


def warm_ohm(block: Block, *, context: Context, current_a: Floats) -> Floats:
    """Resistance of cells under a load that lasts, as warm as it makes them, WARM_C at most [ohm].

    T = T_air + N·r_warm·i²/G with the walls' G (score/warmth.py) and the resistance at WARM_C, so no warmer than cells
    are; between the powers' temperature and WARM_C ln r is linear in 1/T.
    """
    cells, k = context.cells, block.cell
    k_per_w = block.series * block.parallel / context.warmth.walls_w_k
    temp_c = context.air_c + k_per_w * cells.warm_ohm[k] * (current_a / block.parallel) ** 2
    cold, here, warm = (
        1.0 / (each + CELSIUS_K) for each in (context.powers_c, np.clip(temp_c, context.powers_c, WARM_C), WARM_C)
    )
    out: Floats = cells.steady_ohm[k] * (cells.warm_ohm[k] / cells.steady_ohm[k]) ** ((here - cold) / (warm - cold))
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
