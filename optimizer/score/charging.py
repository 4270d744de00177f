"""Charges of many packs: how long they take, by which charger, and how hot the hottest cell gets."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.base.constants import CELSIUS_K
from optimizer.catalog.types import Chargers
from optimizer.pack.charge import TAPER_C_RATE, charge_time, choose_charger, rated_for
from optimizer.pack.thermal.heat import CELL_J_PER_KG_K
from optimizer.score.context import Context, at_soc

if TYPE_CHECKING:
    from optimizer.score.score import Block

# Of the state of charge, from the reserve to full.
STEPS = 24


def charges(block: Block, *, context: Context, pack_limit_a: Floats) -> dict[str, Floats]:
    """Minutes from the reserve to 80 % and to full with the best charger of the catalog, and the hottest cell.

    All are infinite without a charger that fits; `charger` is its row, −1 where none does.

    Constant current until the voltage limit, then constant voltage until the current has tapered, the lag of the
    surface counted as a resistance: the tail of a charge may last up to 8 % longer (see tests/outside/test_charge.py).
    It ends when the cells are as full as they would be without wiring: behind more of it the current has tapered
    sooner, and a worse pack would seem to charge sooner.

    Parameters
    ----------
    block : Block
    context : Context
    pack_limit_a : ndarray, shape (n,)
        What a charger may give at most [A].
    """
    chargers, arrays, k = context.chargers, context.charged, block.cell
    never = np.full(len(block), np.inf)
    if chargers is None or not len(chargers):
        out = dict.fromkeys(("charge_80_min", "charge_min", "hot_cell_charge_c"), never)
        return out | {"charger": np.full(len(block), -1.0)}
    full_v = block.series * context.cells.voltage_max_v[k]

    def picked_for(limit_a: Floats) -> np.ndarray:
        return choose_charger(
            full_v, series=block.series, pack_limit_a=limit_a, charger_voltage_v=chargers.voltage_v,
            charger_current_a=chargers.current_a, charger_price=chargers.price,
        )  # fmt: skip

    picked = picked_for(pack_limit_a)
    current_a = np.where(picked >= 0, chargers.current_a[picked], 0.0) / block.parallel
    outside = block.extra_ohm * block.parallel / block.series
    own = arrays.charging_ohm()[k]
    out = {}
    for name, stop in (("charge_80_min", 0.8), ("charge_min", 1.0)):
        hours = charge_time(
            current_a,
            ocv_v=arrays.ocv_v[k],
            resistance_ohm=own + outside[:, None],
            cell_ohm=own,
            capacity_ah=arrays.capacity_ah[k],
            voltage_max_v=context.cells.voltage_max_v[k],
            start_soc=context.reserve_soc,
            stop_soc=stop,
            taper_a=_taper_a(block, chargers, picked, full_v=full_v, capacity_ah=arrays.capacity_ah[k]),
        ).hours
        out[name] = np.where(picked >= 0, 60.0 * hours, np.inf)
    strongest = picked_for(context.cells.charge_a[k] * block.parallel)
    hot = _hottest(block, context=context, ohm=own, current_a=chargers.current_a[strongest] / block.parallel)
    return out | {"hot_cell_charge_c": np.where(picked >= 0, hot, np.inf), "charger": picked.astype(float)}


def _taper_a(
    block: Block, chargers: Chargers, picked: np.ndarray, *, full_v: Floats, capacity_ah: Floats
) -> Floats:
    """Current of a cell at which its charge ends: what the charger's own taper leaves of it, or C/20 [A].

    A charger ends no sooner than a stronger one of its voltage would: a pack that bears less shall not be full sooner.
    """
    usual = TAPER_C_RATE * capacity_ah
    if np.all(np.isnan(chargers.taper_a)):
        return np.asarray(usual)
    taper = np.where(
        np.isnan(chargers.taper_a), usual[:, None], chargers.taper_a / np.asarray(block.parallel)[:, None]
    )
    rated = rated_for(full_v, series=block.series, charger_voltage_v=chargers.voltage_v)
    stronger = rated & (chargers.current_a >= chargers.current_a[picked][:, None])
    least = np.min(np.where(stronger, taper, np.inf), axis=1)
    return np.where(np.isfinite(least), least, usual)


def _hottest(block: Block, *, context: Context, ohm: Floats, current_a: Floats) -> Floats:
    """Hottest cell of a charge from the reserve on that keeps its current to the end, in STEPS of charge [°C].

    T = T·k + (T_room + rise·(r·i² + T_room·dU/dT·i))·(1 − k), k = exp(−t/(rise·C)) in each step, and beside·I² of the
    steady state for what is warm beside the cells. By state of charge, C·dT/dz = Q·(r·i + T·dU/dT − (T − T_room)/
    (rise·i)): with the current of the voltage limit, which is less, cells are nowhere warmer. The charger is the
    strongest that the cells bear, whatever their parts do: parts that bear less shall not make a pack look cool.
    Resistances are those of T_room, so more than those of warm cells.
    """
    cells, k, start, room_c = context.cells, block.cell, context.reserve_soc, context.charge_c
    rise, beside = block.hot_rise_k_per_w, block.beside_k_per_a2 * block.parallel**2
    step = (1.0 - start) / STEPS
    seconds = step * 3600.0 * context.charged.capacity_ah[k] / current_a
    kept = np.exp(-seconds / (rise * cells.mass_kg[k] * CELL_J_PER_KG_K))
    temp = np.full(len(block), room_c)
    most = temp
    for at in range(STEPS):
        z = start + (at + 0.5) * step
        reversible_w = (room_c + CELSIUS_K) * at_soc(cells.entropy_v_k, z)[k] * current_a
        end = room_c + rise * np.maximum(at_soc(ohm, z) * current_a**2 + reversible_w, 0.0)
        temp = temp * kept + end * (1.0 - kept)
        most = np.maximum(most, temp)
    return most + beside * current_a**2
