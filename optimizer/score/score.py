"""A block of candidates in, objectives and constraint margins out: the only evaluation in the program.

Both engines, the pinned packs and `rescore` call `score`. It is monotone in what parts contribute: more
resistance, mass, cost or unevenness never betters any figure, a higher current limit never worsens one. The
search's pruning rests on that (tests/search/test_monotone.py). `unproven` in base/figures.py names the
figures for which this does not hold.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace

import numpy as np
import numpy.typing as npt

from optimizer.base.arrays import Floats, Ints
from optimizer.base.constants import CELSIUS_K
from optimizer.base.figures import ANY, VARYING, in_situation, made_by, sided, split_name
from optimizer.pack import limits
from optimizer.pack.sharing import drifted_share, weakest_group_capacity, weakest_group_factor, worst_share
from optimizer.ride.bins import CompressedRide
from optimizer.ride.range import PackBlock, RangeBlock, range_block
from optimizer.ride.simulate import simulate
from optimizer.score.charging import charges
from optimizer.score.context import WARM_C, Context, at_soc
from optimizer.score.lap import headrooms, hot_cell_end_c, hot_cell_endless_c, lap_current_a, warm_ohm
from optimizer.score.situations import SETTLED, TOLD_IN_SITUATIONS, aged, needed_in, with_unknown, worst
from optimizer.score.warmth import warmed

WORK_FIGURES = ("pieces", "distinct_pieces", "distinct_plates", "welds", "folds", "build_min")


# Numbers of a block that say how warm its hottest cell gets.
WARM_NUMBERS = (
    "hot_rise_k_per_w", "ride_rise_k_per_w", "hot_sun_rise_k_per_w", "ride_sun_rise_k_per_w", "box_k_per_w",
    "plates_k_per_a2", "filler_j_k",
)  # fmt: skip


def _unasked() -> Floats:
    return np.zeros(0)


@dataclass(frozen=True, eq=False, kw_only=True)
class Block:
    """n candidates in the few numbers that the score needs; every array has shape (n,).

    Parameters
    ----------
    cell : ndarray of int
        Row in the context's cells.
    series, parallel : ndarray of int
        [-]
    extra_ohm : ndarray
        Plates, wires, BMS and fuse at pack level [ohm].
    parts_kg, parts_cost : ndarray
        All of the pack but its cells [kg], [currency].
    cells_cost : ndarray
        Cells with spares at the best price break [currency].
    peak_cap_a, continuous_cap_a, charge_cap_a : ndarray
        Least current limit of strip, wire, BMS and fuse; the controller's and the cells' come on top [A].
    ride_cap_a, regen_cap_a : ndarray
        The same for the highest current of a lap that goes on and on, and for what braking returns [A].
    spread_ohm : ndarray
        Unevenness that the plates cause: the largest current of a cell over the mean of its group is 1 plus
        this over the cell's resistance [ohm].
    hot_rise_k_per_w : ndarray
        Rise of the hottest cell over still air per watt in every cell [K/W].
    ride_rise_k_per_w, hot_sun_rise_k_per_w, ride_sun_rise_k_per_w : ndarray
        The same in the wind of the ride; and both over a box in the sun, read where the sun shines [K/W].
    box_k_per_w, plates_k_per_a2 : ndarray
        Rise of a box per watt anywhere in it; rise of the hottest cell over the box by plates and welds, over the
        square of the pack's current [K/W], [K/A²].
    filler_j_k : ndarray
        Heat capacity of what is poured or laid between cells and boxes [J/K].
    pieces, distinct_pieces, distinct_plates, welds, folds, build_min : ndarray
        Work of building, see optimizer.search.space.plating.work_of; 0 where nobody asks for it [-], [min].
    """

    cell: Ints
    series: Ints
    parallel: Ints
    extra_ohm: Floats
    parts_kg: Floats
    parts_cost: Floats
    cells_cost: Floats
    peak_cap_a: Floats
    continuous_cap_a: Floats
    charge_cap_a: Floats
    ride_cap_a: Floats
    regen_cap_a: Floats
    spread_ohm: Floats
    hot_rise_k_per_w: Floats
    ride_rise_k_per_w: Floats
    hot_sun_rise_k_per_w: Floats
    ride_sun_rise_k_per_w: Floats
    box_k_per_w: Floats
    plates_k_per_a2: Floats
    filler_j_k: Floats
    pieces: Floats = field(default_factory=_unasked)
    distinct_pieces: Floats = field(default_factory=_unasked)
    distinct_plates: Floats = field(default_factory=_unasked)
    welds: Floats = field(default_factory=_unasked)
    folds: Floats = field(default_factory=_unasked)
    build_min: Floats = field(default_factory=_unasked)

    def __post_init__(self) -> None:
        for name in WORK_FIGURES:
            if len(getattr(self, name)) != len(self.cell):
                object.__setattr__(self, name, np.zeros(len(self.cell)))

    def __len__(self) -> int:
        return len(self.cell)

    @property
    def beside_k_per_a2(self) -> Floats:
        """Rise of the hottest cell by heat beside the cells', over the square of the pack's current [K/A²].

        Plates and welds warm the cells that they join; they, wires, BMS and fuse warm the box, all the same one.
        """
        return self.plates_k_per_a2 + self.box_k_per_w * self.extra_ohm

    def standing_k_per_w(self, context: Context) -> Floats:
        """Rise of the hottest cell in still air, over a box in the sun where it shines [K/W]."""
        return self.hot_sun_rise_k_per_w if context.warmth.sun_k > 0.0 else self.hot_rise_k_per_w

    def riding_k_per_w(self, context: Context) -> Floats:
        """The same in the wind of the ride [K/W]."""
        return self.ride_sun_rise_k_per_w if context.warmth.sun_k > 0.0 else self.ride_rise_k_per_w

    def take(self, rows: npt.NDArray[np.int64] | npt.NDArray[np.bool_] | slice) -> Block:
        """The candidates of some rows."""
        return Block(**{item.name: getattr(self, item.name)[rows] for item in fields(self)})


Scores = dict[str, Floats]

# How often, in the cold, lasting power is sought anew with cells as warm as the power before has made them.
COLD_PASSES = 4

# Which figures each part computes; a caller that needs few is not charged for all.
POWER_FIGURES, RIDE_FIGURES, HEAT_FIGURES, SPEED_FIGURES, CHARGE_FIGURES, USE_FIGURES = (
    made_by(part) for part in ("powers", "ride", "heat", "speed", "charge", "use")
)


def score(
    block: Block, *, context: Context, figures: frozenset[str] | None = None, stepped: bool = False
) -> Scores:
    """Figures of every candidate, under the brief's own conditions and in its situations.

    Parameters
    ----------
    block : Block
        n candidates.
    context : Context
        What the brief says of cells, ride, controller and states.
    figures : frozenset of str, optional
        Those that are needed; when left out all, but for the worst over all situations. More may be returned than
        asked for.
    stepped : bool
        Range and consumption from stepping through the ride (`simulate`), as searches and their rows have them; else
        from the fast form, which takes a thirtieth of the time.

    Returns
    -------
    dict of str to ndarray, shape (n,)
        Figures by name with their units; `range_stop`, `peak_limit`, `peak_low_limit` and
        `continuous_limit` are indices into optimizer.ride.range.STOP_NAMES and optimizer.pack.limits.LIMITS.
        SETTLED is there where the ride was stepped through and a heavier pack may go further than some.
    """
    out: Scores = {}
    for situation, here in context.everywhere():
        needed = needed_in(situation, figures) if figures is not None else frozenset(VARYING) if situation else None
        if not situation or needed:
            found = with_unknown(_score_in(*aged(block, here), figures=needed, stepped=stepped), block, here)
            kept = found if not situation else {name: found[name] for name in TOLD_IN_SITUATIONS if name in found}
            out |= {in_situation(name, situation): values for name, values in kept.items()}
    for name in figures or ():
        if split_name(name)[1] == ANY:
            out[name] = worst(out, name, context=context)
    return out


def _score_in(block: Block, context: Context, *, figures: frozenset[str] | None, stepped: bool) -> Scores:
    """Figures under one set of conditions."""
    out = statics(block, context=context)
    mass_kg = out["pack_mass_kg"]
    if figures is None or figures & POWER_FIGURES:
        out |= powers(block, context=context)
    if figures is None or figures & RIDE_FIGURES:
        out |= ride(block, context=context, pack_mass_kg=mass_kg, stepped=stepped)
    if figures is None or figures & HEAT_FIGURES:
        for name, hot in (("hot_cell_end_c", hot_cell_end_c), ("hot_cell_endless_c", hot_cell_endless_c)):
            if figures is None or name in figures:
                out[name] = hot(block, context=context, pack_mass_kg=mass_kg)
    if context.motor is not None and (figures is None or figures & SPEED_FIGURES):
        out |= headrooms(block, context=context, pack_mass_kg=mass_kg)
    if figures is None or figures & CHARGE_FIGURES:
        out |= charges(block, context=context, pack_limit_a=charge_limit_a(block, context=context))
    if context.wear is not None and (figures is None or figures & USE_FIGURES):
        volts, current_a = lap_current_a(
            block, context=context, pack_mass_kg=mass_kg, cell_ohm=context.cells.steady_ohm[block.cell]
        )
        watt = (volts * current_a) @ context.ride.weight
        number = block.series * block.parallel
        out |= context.wear.figures(cell=block.cell, number=number, watt=watt, cost=out["cost"])
    return out


def statics(block: Block, *, context: Context) -> Scores:
    """Mass, cost, energy and voltages: what needs no current.

    energy = S·P · ∫ OCV dq from empty to full; the resistance is that of the peak at the reference state.
    """
    cells = context.cells
    k, s, p = block.cell, block.series, block.parallel
    number = s * p
    return {
        "cell_count": number.astype(float),
        "pack_mass_kg": number * cells.mass_kg[k] + block.parts_kg,
        "cost": block.cells_cost + block.parts_cost,
        "energy_wh": number * cells.energy_wh[k],
        "voltage_full_v": s * cells.voltage_max_v[k],
        "voltage_nominal_v": s * cells.voltage_nominal_v[k],
        "voltage_empty_v": s * cells.voltage_min_v[k],
        "resistance_mohm": 1e3
        * limits.pack_resistance(
            cells.peak_ohm[k], series=s, parallel=p, extra_ohm=block.extra_ohm
        ),
        **{name: getattr(block, name) for name in WORK_FIGURES},
    }


def powers(block: Block, *, context: Context) -> Scores:
    """Peak power at the reference and the low state of charge, and continuous power, each with its limit.

    In the cold a power that lasts warms its cells: it is sought from the powers' temperature on, each time with the
    resistance that the power before leads to. Less current leaves more of it, so what holds of one pass holds of all.
    """
    cells, k = context.cells, block.cell
    weakest = context.weakest_group
    if weakest is None:
        weakest = weakest_group_factor(context.dcir_cv, series=block.series, parallel=block.parallel)
    share, drifted = uneven(block, context=context), uneven(block, context=context, drifted=True)

    def most(
        ocv_v: Floats, ohm: Floats, cell_a: Floats, cap_a: Floats, thermal_a: Floats, share: Floats = share
    ) -> limits.Power:
        return limits.greatest_power(
            ocv_v[k],
            cell_ohm=ohm,
            cut_off_v=cells.voltage_min_v[k],
            series=block.series,
            parallel=block.parallel,
            caps=limits.Caps(
                cell_a=limits.cell_cap(cell_a[k], parallel=block.parallel, share=share),
                wire_a=cap_a,
                controller_a=np.full(len(block), context.battery_current_a),
                thermal_a=thermal_a,
            ),
            extra_ohm=block.extra_ohm,
            weakest_group=weakest,
            terminal_min_v=context.voltage_min_v,
        )

    def lasting(ohm: Floats) -> limits.Power:
        thermal = limits.thermal_current(
            cells.temp_max_c[k] - context.air_c - context.warmth.sun_k,
            rise_k_per_w=block.standing_k_per_w(context), heat_ohm=ohm / block.parallel**2,
            beside_k_per_a2=block.beside_k_per_a2, reversible_v=reversible_v / block.parallel,
        )  # fmt: skip
        return most(cells.ocv_reference_v, ohm, cells.continuous_a, block.continuous_cap_a, thermal, drifted)

    # Heat of the reaction where it warms; where it cools, it is left out.
    hot_k = cells.temp_max_c[k] + CELSIUS_K
    reversible_v = np.maximum(-hot_k * at_soc(cells.entropy_v_k, context.reference_soc)[k], 0.0)
    cool = np.full(len(block), np.inf)
    peak = most(cells.ocv_reference_v, cells.peak_ohm[k], cells.peak_a, block.peak_cap_a, cool)
    low = most(cells.ocv_low_v, cells.peak_low_ohm[k], cells.peak_a, block.peak_cap_a, cool)
    steady = lasting(cells.steady_ohm[k])
    for _ in range(COLD_PASSES if context.powers_c < WARM_C else 0):
        steady = lasting(warm_ohm(block, context=context, current_a=steady.current_a))
    return {
        "regen_limit_a": regen_limit_a(block, context=context),
        "peak_power_w": peak.power_w,
        "peak_limit": peak.limit.astype(float),
        "peak_current_a": peak.current_a,
        "peak_low_w": low.power_w,
        "peak_low_limit": low.limit.astype(float),
        "continuous_power_w": steady.power_w,
        "continuous_limit": steady.limit.astype(float),
        "continuous_current_a": steady.current_a,
    }


def uneven(block: Block, *, context: Context, drifted: bool = False) -> Floats:
    """Largest current of a cell over the mean of its group, by the plates and by the spread between cells [-].

    share = (1 + spread_ohm / r_cell) · (1 + what the spread of resistances adds), at first, or `drifted`: the largest
    of a discharge from the ride's start to its reserve at the continuous rating, the plates' part grown by drift.
    """
    cells, k = context.cells, block.cell
    counts = {"series": block.series, "parallel": block.parallel}
    plates = block.spread_ohm / cells.peak_ohm[k]
    if drifted:
        return (1.0 + plates * cells.drift[k]) * drifted_share(context.dcir_cv, cells.drift_cv[k], **counts)
    return (1.0 + plates) * worst_share(context.dcir_cv, **counts)


def regen_limit_a(block: Block, *, context: Context) -> Floats:
    """What braking may return at most: the asked current, or what cells in the cold, wires, BMS and fuse bear [A]."""
    share = uneven(block, context=context)
    cell_a = limits.cell_cap(context.cells.regen_a[block.cell], parallel=block.parallel, share=share)
    return np.minimum(np.minimum(cell_a, block.regen_cap_a), context.regen_current_a)


def charge_limit_a(block: Block, *, context: Context, cell_a: Floats | None = None) -> Floats:
    """What a charger may give at most: the worst cell's charge current, or another one, and what others bear [A].

    cell_a : most current of a cell, shape (n,); where it is charged, if left out [A].
    """
    most_a = context.cells.charge_a[block.cell] if cell_a is None else cell_a
    whole = limits.cell_cap(most_a, parallel=block.parallel, share=uneven(block, context=context))
    return np.minimum(whole, block.charge_cap_a)


def on_the_ride(block: Block, *, context: Context, pack_mass_kg: Floats) -> tuple[PackBlock, CompressedRide]:
    """Packs as the ride sees them, and the ride with cells of their own, as they warm on it (score/warmth.py)."""
    warm, own = warmed(context, block.cell, block.series * block.parallel, filler_j_k=block.filler_j_k)
    return replace(packs(block, context=context, pack_mass_kg=pack_mass_kg), cell=own), warm


def packs(block: Block, *, context: Context, pack_mass_kg: Floats) -> PackBlock:
    """Packs with cells of the air's temperature: masses of the whole vehicle, least of all current limits, the weakest
    group.
    """
    k = block.cell
    share = uneven(block, context=context)
    cell_a = limits.cell_cap(context.cells.ride_a[k], parallel=block.parallel, share=share)
    return PackBlock(
        cell=k,
        series=block.series,
        parallel=block.parallel,
        total_mass_kg=pack_mass_kg + context.vehicle_mass_kg,
        extra_resistance_ohm=block.extra_ohm,
        current_limit_a=np.minimum(np.minimum(cell_a, block.ride_cap_a), context.battery_current_a),
        charge_current_limit_a=regen_limit_a(block, context=context),
        air_temp_c=context.air_c,
        capacity_part=weakest_group_capacity(context.capacity_cv, series=block.series, parallel=block.parallel),
    )


def ride(block: Block, *, context: Context, pack_mass_kg: Floats, stepped: bool = False) -> Scores:
    """Range until the reserve or whatever stops the ride before."""
    run = (driven if stepped else ridden)(block, context=context, pack_mass_kg=pack_mass_kg)
    return {
        "range_km": run.range_km,
        "range_stop": run.stop.astype(float),
        "consumption_wh_per_km": run.consumption_wh_per_km,
        "energy_used_wh": run.energy_out_wh,
        **({SETTLED: run.settled.astype(float)} if stepped and context.growth is not None else {}),
    }


def driven(block: Block, *, context: Context, pack_mass_kg: Floats) -> RangeBlock:
    """The stepped form of the ride."""
    pack, warm = on_the_ride(block, context=context, pack_mass_kg=pack_mass_kg)
    return simulate(
        pack, steps=context.steps, ride=warm, start_soc=context.start_soc, reserve_soc=context.reserve_soc,
        growth=context.growth,
    )  # fmt: skip


def ridden(block: Block, *, context: Context, pack_mass_kg: Floats) -> RangeBlock:
    """The fast form of the ride."""
    pack, warm = on_the_ride(block, context=context, pack_mass_kg=pack_mass_kg)
    return range_block(pack, ride=warm, start_soc=context.start_soc, reserve_soc=context.reserve_soc)


def margins(scores: Mapping[str, Floats], *, constraints: Mapping[str, float]) -> Scores:
    """How far inside each constraint every candidate lies; below 0 it fails.

    Parameters
    ----------
    scores : mapping of str to ndarray, shape (n,)
    constraints : mapping of str to float
        Names such as range_km_min and cost_max: the figure's name and the side.

    Returns
    -------
    dict of str to ndarray, shape (n,)
        margin_<constraint>, in the figure's unit.
    """
    out: Scores = {}
    for name, bound in constraints.items():
        figure, side = sided(name)
        value = scores[figure]
        out[f"margin_{name}"] = value - bound if side == "min" else bound - value
    return out
