"""What the score knows before any candidate: cells at the states asked for, the ride, the controller."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from optimizer.base.arrays import Floats
from optimizer.brief import Brief, brief_in
from optimizer.catalog import Cells, Chargers, TraceColumns
from optimizer.cell.fade import Fade
from optimizer.cell.model import CellModel, pulse_resistance_ohm
from optimizer.pack import limits
from optimizer.pack.sharing import drifts
from optimizer.ride.bins import CompressedRide, compress, drawn_all_the_way, falls_with_mass
from optimizer.ride.heavier import Growth, growth_of
from optimizer.ride.kernels.cells import CellArrays, from_models
from optimizer.ride.load.headroom import Motor
from optimizer.ride.load.profile import Profile, profile
from optimizer.ride.load.roadload import RideSteps, ride_steps, vehicle_of
from optimizer.ride.load.trace import Trace, steady_cruise, trace_from_arrays
from optimizer.score.cold import charge_part, coldest_c
from optimizer.score.outside import box_air_c
from optimizer.score.warmth import WarmthRules, ride_of, scaled, warmth_of
from optimizer.score.wear import Wear, wear_of

# Pack masses that the compressed ride must hold for [kg]: from nothing to more than any rider carries.
PACK_MASS_KG = (0.0, 120.0)
# And those at which its currents over time are looked at.
PROFILE_KG = (0.0, 15.0, 120.0)

# Power that lasts warms cells, but is counted with cells no warmer than this [degC]: on the safe side, and in the heat,
# where less room is left below the cells' limit, no more than in mild weather.
WARM_C = 25.0

# A short circuit is judged by the resistance after so long [s].
FAULT_S = 0.1


@dataclass(frozen=True, eq=False)
class CellTable:
    """Chosen cells at the states that the brief asks for; every array has shape (n_cells,).

    Resistances are of one cell, drop from rest over current: peak_ohm after peak_seconds at the reference
    state of charge, peak_low_ohm the same at low charge, steady_ohm under a load that lasts at the powers'
    temperature, WARM_C at most, warm_ohm the same of a cell at WARM_C [ohm];
    lasting_ohm, shape (3, n_cells), the same at the ride's start, the reference and the reserve, at the
    ride's temperature. Currents are ratings [A]: ride_a bounds the highest current of a lap so that the moving mean
    of the squares stays under the continuous rating; charge_a is what cells take where they are charged, regen_a what
    they take on the coldest ride; fault_a is that
    of a cell shorted when full, V_max over the least resistance at once, as warm as the box. drift and drift_cv are how
    shares grow over a discharge at the continuous rating (pack/sharing.py) [-]. regen_ohm and
    ocv_grid_v, shape (n_cells, GRID), are a cell's resistance to braking and its OCV by state of charge [ohm], [V];
    entropy_v_k, of the same shape, is the rise of the OCV with temperature [V/K].
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
    warm_ohm: Floats
    lasting_ohm: Floats
    peak_a: Floats
    ride_a: Floats
    continuous_a: Floats
    charge_a: Floats
    regen_a: Floats
    regen_ohm: Floats
    ocv_grid_v: Floats
    entropy_v_k: Floats
    temp_max_c: Floats
    fault_a: Floats
    drift: Floats
    drift_cv: Floats


@dataclass(frozen=True, eq=False)
class Context:
    """Everything about a brief that is the same for all candidates, under its own conditions and in each situation.

    The profile is the hardest of all: parts are rated once, for every ride that they must bear.
    """

    cells: CellTable
    # At 25 °C, and as packs are charged; the compressed ride has its own, at the ride's temperature.
    arrays: CellArrays
    charged: CellArrays
    steps: RideSteps
    ride: CompressedRide
    trace: Trace
    vehicle_mass_kg: float
    start_soc: float
    reserve_soc: float
    reference_soc: float
    air_c: float
    powers_c: float
    charge_c: float
    voltage_min_v: float
    battery_current_a: float
    regen_current_a: float
    dcir_cv: float
    capacity_cv: float
    motor: Motor | None
    chargers: Chargers | None
    profile: Profile
    warmth: WarmthRules
    # Resistance of the worst series group over the mean one [-], one per candidate of the block that is scored,
    # where it has been drawn; None: what dcir_cv lets expect.
    weakest_group: Floats | None = None
    situations: Mapping[str, Context] = field(default_factory=dict)
    # How packs are used, under the brief's own conditions; and their age here, by that use [years].
    wear: Wear | None = None
    years: float = 0.0

    def everywhere(self) -> Iterator[tuple[str, Context]]:
        """The brief's own conditions under "", then each situation by its name."""
        yield "", self
        yield from self.situations.items()

    def fade_of(self, cell: npt.NDArray[np.int64], number: npt.NDArray[np.int64]) -> Fade:
        """What the years here leave of cells in packs of so many of them, shape (n,)."""
        if self.wear is None or self.years == 0.0:
            new = np.ones(len(cell))
            return Fade(new, new, new, np.zeros(len(cell)))
        return self.wear.after(self.years, cell=cell, number=number)

    @cached_property
    def mass_may_help(self) -> bool:
        """Whether a heavier pack may go further on this ride, wherever a lighter one ends."""
        return not self._mass_hinders and self.growth is None

    @cached_property
    def growth(self) -> Growth | None:
        """Which rides no heavier pack goes further than, where some heavier pack may; None if there is no telling."""
        return None if self._mass_hinders else growth_of(self.steps, ride=self.ride)

    @cached_property
    def _mass_hinders(self) -> bool:
        """Whether no heavier pack goes further on this ride, by either form of it."""
        masses = {"mass_min_kg": self.ride.mass_min_kg, "mass_max_kg": self.ride.mass_max_kg}
        return falls_with_mass(self.ride) and drawn_all_the_way(self.steps, **masses)


def at_soc(grids: Floats, soc: float) -> Floats:
    """Each row's value at one state of charge, linear on the even grid 0…1, shape (n_cells,)."""
    place = soc * (grids.shape[1] - 1)
    low = min(int(place), grids.shape[1] - 2)
    out: Floats = grids[:, low] + (place - low) * (grids[:, low + 1] - grids[:, low])
    return out


# States of charge at which braking is looked at, from empty to full.
GRID = 201


def _cell_table(
    cells: Cells, rows: npt.NDArray[np.int64], *, models: Sequence[CellModel], brief: Brief, profile: Profile
) -> CellTable:
    """Chosen cells at the brief's states of charge and temperature; rows are in the order of the models, aged ones."""
    asked, ride = brief.electrical, brief.ride
    assert asked is not None and ride is not None
    steady_a, pulse_a = cells.current_continuous_a[rows], cells.current_pulse_a[rows]
    memory_s = limits.pulse_memory_s(steady_a, pulse_a=pulse_a, pulse_s=cells.pulse_s[rows])

    def at(socs: float | Sequence[float] | Floats, curves: Iterable[Floats]) -> Floats:
        return np.array([np.interp(socs, m.soc, curve) for m, curve in zip(models, curves, strict=True)])

    # One call works out a cell's curves under all loads, which is what takes the time in a long catalog.
    loads_s = np.array([asked.peak_seconds, asked.peak_seconds, np.inf, np.inf, np.inf, FAULT_S])
    temps = [asked.temp_c, min(ride.temp_c, asked.temp_c), min(asked.temp_c, WARM_C), WARM_C, ride.temp_c]
    fault_c = np.minimum(box_air_c(brief), cells.temp_max_c[rows])
    peak, regen, steady, warm, lasting, fault = zip(*(
        pulse_resistance_ohm(model, seconds=loads_s, temp_c=np.array([*temps, warm_c]))
        for model, warm_c in zip(models, fault_c, strict=True)
    ), strict=True)  # fmt: skip
    ocv, grid = [model.ocv_v for model in models], np.linspace(0.0, 1.0, GRID)
    ocv_grid_v, steady_ohm = at(grid, ocv), at(asked.reference_soc, steady)
    drift, drift_cv = drifts(
        ocv_grid_v, at(grid, steady), current_a=steady_a, start_soc=ride.start_soc, end_soc=ride.reserve_soc,
        dcir_cv=brief.spread.dcir, capacity_cv=brief.spread.capacity,
    )  # fmt: skip
    return CellTable(
        row=rows,
        mass_kg=cells.mass_g[rows] / 1000.0,
        energy_wh=np.array([m.capacity_ah * np.trapezoid(m.ocv_v, m.soc) for m in models]),
        voltage_max_v=cells.voltage_max_v[rows],
        voltage_nominal_v=cells.voltage_nominal_v[rows],
        voltage_min_v=cells.voltage_min_v[rows],
        ocv_reference_v=at(asked.reference_soc, ocv),
        ocv_low_v=at(asked.low_soc, ocv),
        peak_ohm=at(asked.reference_soc, peak),
        peak_low_ohm=at(asked.low_soc, peak),
        steady_ohm=steady_ohm,
        warm_ohm=np.minimum(at(asked.reference_soc, warm), steady_ohm),
        lasting_ohm=at((ride.start_soc, asked.reference_soc, ride.reserve_soc), lasting).T,
        peak_a=limits.pulse_current(steady_a, pulse_a=pulse_a, memory_s=memory_s, seconds=asked.peak_seconds),
        ride_a=np.minimum(np.maximum(pulse_a, steady_a), steady_a / np.sqrt(profile.mean_square(memory_s))),
        continuous_a=steady_a,
        charge_a=cells.current_charge_a[rows] * charge_part(cells, rows, asked.charge_temp_c),
        regen_ohm=at(grid, regen),
        ocv_grid_v=ocv_grid_v,
        regen_a=cells.current_charge_a[rows] * charge_part(cells, rows, coldest_c(brief)),
        entropy_v_k=cells.entropy_v_per_k(grid)[rows],
        temp_max_c=cells.temp_max_c[rows],
        drift=drift,
        drift_cv=drift_cv,
        fault_a=cells.voltage_max_v[rows] / np.array([curve.min() for curve in fault]),
    )


def build_context(
    brief: Brief,
    *,
    cells: Cells,
    rows: npt.NDArray[np.int64],
    models: Sequence[CellModel],
    trace: TraceColumns | None,
    chargers: Chargers | None,
    traces: Mapping[str, TraceColumns] | None = None,
) -> Context:
    """Context of a brief that has [electrical], [vehicle] and [ride], with those of its situations.

    Parameters
    ----------
    brief : Brief
    cells : Cells
    rows : ndarray of int, shape (n,)
        Cells that may be chosen.
    models : sequence of CellModel
        Their electrical models.
    trace : TraceColumns or None
        The ride's trace; None for a steady cruise.
    chargers : Chargers or None
    traces : mapping of str to Ride, optional
        Rides of situations that have their own, by the situation's name.
    """
    what: dict[str, Any] = {"cells": cells, "rows": rows, "models": models, "chargers": chargers}
    own = _context_of(brief, trace=trace, **what)
    found: dict[str, Context] = {}
    for situation in brief.situation:
        ride = (traces or {}).get(situation.name, trace if situation.speed_kmh is None else None)
        here = _context_of(brief_in(brief, situation), trace=ride, start_c=situation.start_temp_c, **what)
        found[situation.name] = replace(here, wear=own.wear, years=situation.years)
    if not found:
        return own
    hardest = replace(own.profile, others=tuple(each.profile for each in found.values()))
    return replace(own, situations=found, profile=hardest)


def _context_of(
    brief: Brief,
    *,
    cells: Cells,
    rows: npt.NDArray[np.int64],
    models: Sequence[CellModel],
    trace: TraceColumns | None,
    chargers: Chargers | None,
    start_c: float | None = None,
) -> Context:
    """Context of one set of conditions; cells start the ride at the air's temperature unless start_c is given."""
    asked, vehicle, ride = brief.electrical, brief.vehicle, brief.ride
    assert asked is not None and vehicle is not None and ride is not None
    lap = (
        trace_from_arrays(trace.time_s, speed_kmh=trace.speed_kmh, grade_pct=trace.grade_pct)
        if trace is not None
        else steady_cruise(ride.speed_kmh or 0.0, grade_pct=ride.grade_pct, length_km=ride.length_km)
    )
    steps = ride_steps(lap, vehicle=vehicle_of(vehicle, temp_c=ride.temp_c, headwind_kmh=ride.headwind_kmh))
    arrays = from_models(models)
    mass_kg = vehicle.mass_kg + vehicle.rider_kg + vehicle.payload_kg
    lap_profile = profile(steps, masses_kg=tuple(mass_kg + pack_kg for pack_kg in PROFILE_KG))
    table = _cell_table(cells, rows, models=models, brief=brief, profile=lap_profile)
    short = compress(
        steps,
        cells=from_models(models, temp_c=ride.temp_c),
        mass_min_kg=mass_kg + PACK_MASS_KG[0],
        mass_max_kg=mass_kg + PACK_MASS_KG[1],
    )
    return Context(
        cells=table,
        arrays=arrays,
        charged=arrays if asked.charge_temp_c == 25.0 else from_models(models, temp_c=asked.charge_temp_c),
        steps=steps,
        ride=short,
        trace=lap,
        vehicle_mass_kg=mass_kg,
        start_soc=ride.start_soc,
        reserve_soc=ride.reserve_soc,
        reference_soc=asked.reference_soc,
        air_c=ride.temp_c,
        powers_c=asked.temp_c,
        charge_c=asked.charge_temp_c,
        voltage_min_v=asked.voltage_min_v,
        battery_current_a=asked.battery_current_a,
        regen_current_a=asked.regen_current_a,
        dcir_cv=brief.spread.dcir,
        weakest_group=_weakest_group(brief),
        capacity_cv=brief.spread.capacity,
        motor=_motor(brief),
        chargers=chargers,
        profile=lap_profile,
        warmth=warmth_of(brief, models=models, ride=short, steps=steps, trace=lap, start_c=start_c),
        wear=wear_of(
            brief, ride=short, vehicle_mass_kg=mass_kg, chemistry=cells.chemistry[rows], cell_kg=table.mass_kg,
            cell_wh=table.energy_wh,
        ),
    )  # fmt: skip


def with_own_cells(context: Context, cell: npt.NDArray[np.int64], *, capacity: Floats, resistance: Floats) -> Context:
    """A context of one set of conditions in which every pack has its own cell, by factors on capacity and resistance.

    Parameters
    ----------
    context : Context
    cell : ndarray of int, shape (n,)
        Cell of each pack in the context.
    capacity, resistance : ndarray, shape (n,)
        [-]

    Returns
    -------
    Context
        Of n cells.
    """
    by: dict[str, Floats] = {"capacity": capacity, "resistance": resistance}
    ride = ride_of(context.ride, cell, scaled(context.ride.cells, cell, **by))
    warmth = context.warmth.of(cell, **by)
    taken = {item.name: getattr(context.cells, item.name) for item in fields(context.cells)}
    taken = {name: values[:, cell] if name == "lasting_ohm" else values[cell] for name, values in taken.items()}
    for name in ("peak_ohm", "peak_low_ohm", "steady_ohm", "warm_ohm", "lasting_ohm"):
        taken[name] = taken[name] * resistance
    taken["energy_wh"] = taken["energy_wh"] * capacity
    arrays, charged = (scaled(each, cell, **by) for each in (context.arrays, context.charged))
    out = replace(context, cells=CellTable(**taken), arrays=arrays, charged=charged, ride=ride, warmth=warmth)
    # The lap is the same, and this is asked for block by block.
    out.__dict__["growth"] = context.growth
    return out


def _weakest_group(brief: Brief) -> Floats | None:
    """Resistance of the worst measured group over the mean one, shape (1,); None where no groups were measured."""
    groups = brief.measured
    if groups is None:
        return None
    return np.array([max(groups.resistance_mohm) / float(np.mean(groups.resistance_mohm))])


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
