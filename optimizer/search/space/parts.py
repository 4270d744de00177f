"""Strips, wires, BMS and fuses as options: catalog rows turned into the numbers that the score needs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimizer.brief import Brief
from optimizer.fit.region.geometry import clearance
from optimizer.fit.region.layout import Clearance
from optimizer.pack import limits
from optimizer.pack.case.outline import LEAST_COVER_MM
from optimizer.pack.conductors.joints import INSULATOR_MM, SHEET_WIDTH_MM, level_mm
from optimizer.pack.conductors.joints import SLOT_MM as JOINT_SLOT_MM
from optimizer.pack.conductors.making import SHEET, STRIP, TABBED, LayRules, Way
from optimizer.pack.conductors.sites import RING_MM
from optimizer.pack.protection.fuses import continuous_current_a, peak_current_a
from optimizer.pack.protection.warming import LEAST_K, Warming, adiabatic_k
from optimizer.pack.second import Second, second_of
from optimizer.ride.load.profile import LEVELS, Profile
from optimizer.score.inputs import Inputs
from optimizer.score.outside import box_air_c
from optimizer.search.space import guard
from optimizer.search.space import options as op
from optimizer.search.space.contents import board_of, fuse_of, wire_of
from optimizer.search.space.options import Options

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Build:
    """A stock in so many layers: what the conductors' geometry is multiplied by.

    Parameters
    ----------
    strip : int
        Row of the strip catalog.
    layers : int
        Of strip from group to group and at ends, one across a group; of sheet everywhere.
    way : Way
        What its geometry depends on.
    square_ohm : float
        ρ / thickness, resistance of a square of one layer [ohm].
    thickness_mm, width_mm : float
        Of one layer [mm].
    kg_per_mm2, cost_per_mm2 : float
        One layer [kg/mm²], [currency/mm²].
    cut_cost_per_mm : float
        Of cutting a contour through one layer [currency/mm].
    density_a_mm2 : float
        Most current density [A/mm²].
    most_stack, most_under : int
        Most layers on each other for which the cover leaves room, and under a joint to another layer; 0: no joint.
    second_mm, second_kg_per_mm, second_cost_per_mm : float
        Second metal, tabs on sheet or a collector at ends: thickness [mm], and by length [kg/mm], [currency/mm];
        0 without.
    """

    strip: int
    layers: int
    way: Way
    square_ohm: float
    thickness_mm: float
    width_mm: float
    kg_per_mm2: float
    cost_per_mm2: float
    cut_cost_per_mm: float
    density_a_mm2: float
    most_stack: int
    most_under: int
    second_mm: float = 0.0
    second_kg_per_mm: float = 0.0
    second_cost_per_mm: float = 0.0

    @property
    def section_mm2(self) -> float:
        """Of one layer; of a sheet that of a stretch as wide as its joints [mm²]."""
        return self.thickness_mm * (SHEET_WIDTH_MM if self.way.cut else self.width_mm)

    @property
    def stacked(self) -> int:
        """Layers by which whole plates are multiplied: those of sheet; strip has its layers in its geometry."""
        return self.layers if self.way.cut else 1

    def fits(self, stack: npt.ArrayLike, under: npt.ArrayLike) -> npt.NDArray[np.bool_]:
        """Whether plates of so many layers on each other, and under joints, have room under the cover."""
        return np.asarray((np.asarray(stack) <= self.most_stack) & (np.asarray(under) <= self.most_under))


def builds(inputs: Inputs) -> list[Build]:
    """Every stock that may be chosen in every number of layers, in the order strip, layers."""
    out, gaps = [], clearance(inputs.brief)
    for row in inputs.strip_rows:
        strips = inputs.strips
        width, thick = float(strips.width_mm[row]), float(strips.thickness_mm[row])
        for layers in inputs.brief.vary.strip_layers:
            form = str(strips.form[row]) or STRIP
            if form == TABBED and layers > 1:
                continue
            sheet, second = form in (SHEET, TABBED), second_of(strips, int(row))
            over_mm = 0.0 if second is None else second.thickness_mm
            stack, under = most_layers(thick, joint_mm=thick * layers, gaps=gaps, over_mm=over_mm)
            out.append(
                Build(
                    strip=int(row),
                    layers=layers,
                    way=_way(inputs, int(row), form, layers),
                    square_ohm=float(strips.resistivity_ohm_m[row]) * 1e3 / thick,
                    thickness_mm=thick,
                    width_mm=width,
                    kg_per_mm2=float(strips.density_kg_m3[row]) * thick * 1e-9,
                    cost_per_mm2=float(strips.price_per_m[row]) * 1e-3 / width,
                    cut_cost_per_mm=float(strips.price_cut_per_m[row]) * 1e-3 if sheet else 0.0,
                    density_a_mm2=float(strips.current_density_a_mm2[row]),
                    most_stack=stack // (layers if sheet else 1),
                    most_under=under // (layers if sheet else 1),
                    **({} if second is None else second.of_build),
                )
            )
    return out


def _way(inputs: Inputs, row: int, form: str, layers: int) -> Way:
    """How plates are made of a stock."""
    strips = inputs.strips
    second, width, bar = second_of(strips, row), float(strips.width_mm[row]), tuple[float, ...]()
    if second is not None:
        # Sheets are stacked, so that what lies over them is over all their layers.
        deep = layers if form == SHEET else 1
        thick = float(strips.thickness_mm[row]) * deep
        conduct = second.thickness_mm / second.resistivity_ohm_m * float(strips.resistivity_ohm_m[row]) / thick
        dense = thick * float(strips.current_density_a_mm2[row]) / (second.thickness_mm * second.density_a_mm2)
        if form != TABBED:
            # A collector warms with its plate, which holds it at every cell; nor may it be hotter in the first moments.
            dense = max(dense, thick * _quick(inputs, row) / (second.thickness_mm * _quick(inputs, row, second)))
        over = (float(f"{conduct:.6g}"), float(f"{dense:.6g}"))
        if form == TABBED:
            return Way(TABBED, second.width_mm, 1, over)
        bar = (second.width_mm, *over)
    return Way(SHEET, 0.0, 1, bar=bar) if form == SHEET else Way(form, width, layers, bar=bar)


def _quick(inputs: Inputs, row: int, second: Second | None = None) -> float:
    """What a stock or its second metal bears for a moment, per area [A √s / mm²]."""
    strips, air = inputs.strips, box_air_c(inputs.brief)
    material, ohm_m = str(strips.material[row]), float(strips.resistivity_ohm_m[row])
    if second is not None:
        material, ohm_m = second.material, second.resistivity_ohm_m
    limit = max(inputs.brief.protection.strip_limit_c, air + LEAST_K)
    return float(adiabatic_k(material, start_c=air, end_c=limit, resistivity_ohm_m=ohm_m))


def most_layers(thickness_mm: float, *, joint_mm: float, gaps: Clearance, over_mm: float = 0.0) -> tuple[int, int]:
    """How many layers may lie on each other over the ends of the cells, and how many where a joint passes over them.

    ring + layers · t ≤ room under the cover; under a joint ring + layers · t + insulation ≤ the joint's height, if the
    joint itself has room under the cover and in the case's wall.

    Parameters
    ----------
    thickness_mm, joint_mm : float
        Of a layer, of a joint with all its layers [mm].
    over_mm : float
        Of what lies on the layers besides: tabs, a collector [mm].

    Returns
    -------
    stack, under : int
        under is 0 where a joint has no room.
    """
    room, level = min(gaps.end_mm - LEAST_COVER_MM, gaps.stack_mm), level_mm(gaps.stack_mm)
    stack = int(np.floor((room - RING_MM - over_mm) / thickness_mm + 1e-6))
    joint = level + joint_mm <= room + 1e-9 and JOINT_SLOT_MM + joint_mm <= gaps.case_mm + 1e-9
    under = int(np.floor((level - RING_MM - INSULATOR_MM - over_mm) / thickness_mm + 1e-6)) if joint else 0
    return max(stack, 0), max(min(stack, under), 0)


def lay_rules(brief: Brief) -> LayRules:
    """What the brief asks of conductors besides their gaps."""
    return LayRules(
        slots=brief.case.slot_mm > 0, taps=brief.joining.taps, weld_slot_mm=brief.joining.weld_slot_mm
    )


def ways_of(found: list[Build]) -> tuple[Way, ...]:
    """The ways of some builds, each once."""
    return tuple(sorted({build.way for build in found}))


def wire_options(inputs: Inputs, *, profile: Profile) -> tuple[Options, Floats, Floats, Floats]:
    """Power wires with their connectors: current limits over time; resistance, mass and cost per millimetre of wire."""
    rows = inputs.wire_rows
    asked = inputs.brief.electrical
    assert asked is not None
    limit = _over_time(guard.wires_over_time(inputs, rows), seconds=asked.peak_seconds, profile=profile)
    plug = connector_limits(inputs.brief, profile=profile)
    choice = op.options(len(rows), **{name: np.maximum(amps, plug.get(name, -np.inf)) for name, amps in limit.items()})
    one = wire_of(inputs, rows, 1.0)
    return choice, np.asarray(one.ohm), np.asarray(one.mass_kg), np.asarray(one.cost)


def _over_time(warm: Warming, *, seconds: float, profile: Profile) -> dict[str, Floats]:
    """Current limits of conductors, negative, by the options' column [A]."""
    rated = warm.rated_a
    steady = dict.fromkeys(("neg_continuous_a", "neg_charge_a", "neg_regen_a"), -rated)
    ride = -rated * guard.ride_overload(warm, profile=profile)
    return steady | {"neg_peak_a": -warm.allowed_a(seconds), "neg_ride_a": ride}


def connector_limits(brief: Brief, *, profile: Profile) -> dict[str, float]:
    """Current limits of the power wires' connectors, negative, by the options' column [A]; empty for none."""
    warm, asked = guard.connector_over_time(brief), brief.electrical
    if warm is None or asked is None:
        return {}
    found = _over_time(warm, seconds=asked.peak_seconds, profile=profile)
    return {name: float(amps[0]) for name, amps in found.items()}


def bms_options(
    inputs: Inputs, *, series: int, chemistry: str, full_v: float, profile: Profile
) -> tuple[Options, Ints]:
    """BMS that manage the cells in series, as options, and their catalog rows.

    By the board's path: one for charge and discharge; a charge port of its own, braking then returns through the
    discharge port; charge only, where ride and braking go past the board.
    """
    bms = inputs.bms
    fits = bms.suits(series, chemistry)[inputs.bms_rows]
    fits &= bms.voltage_max_v[inputs.bms_rows] >= full_v - 1e-9
    rows = inputs.bms_rows[fits]
    asked = inputs.brief.electrical
    assert asked is not None
    steady, most = bms.current_continuous_a[rows], bms.current_peak_a[rows]
    peak = limits.rated_current(steady, peak_a=most, peak_s=bms.peak_s[rows], seconds=asked.peak_seconds)
    ride = bms_ride_a(steady, peak_a=most, peak_s=bms.peak_s[rows], profile=profile)
    path, holds = bms.path[rows], inputs.brief.protection.bms_holds
    past = bms.bypassed[rows]
    free = past | (not holds)
    choice = op.of_line(
        board_of(inputs, rows),
        len(rows),
        neg_peak_a=-np.where(free, np.inf, peak),
        neg_continuous_a=-np.where(free, np.inf, steady),
        neg_charge_a=-bms.current_charge_a[rows],
        neg_ride_a=-np.where(free, np.inf, ride),
        neg_regen_a=-np.where(past, np.inf, np.where(path == "separate", steady, bms.current_charge_a[rows])),
    )
    return choice, rows


def bms_ride_a(steady_a: Floats, *, peak_a: Floats, peak_s: Floats, profile: Profile) -> Floats:
    """Highest current of an endless ride at which a board does not trip, shape (n,) [A].

    At most the peak rating; never longer in a row above the continuous one than the peak may last; and the mean of
    squares under the continuous one.
    """
    longest = profile.longest
    mean = steady_a / np.sqrt(float(profile.mean_square(np.array(np.inf))))
    # Levels from 1 down: the lowest that every run above it is short enough for.
    short = longest[None, :] <= peak_s[:, None]
    level = np.where(short.any(axis=1), short.argmax(axis=1) / LEVELS, 1.0)
    with np.errstate(divide="ignore"):
        run = np.maximum(steady_a, np.minimum(np.maximum(peak_a, steady_a), steady_a / level))
    return np.asarray(np.minimum(run, np.maximum(mean, steady_a)))


def fuse_options(inputs: Inputs, *, full_v: float, profile: Profile) -> tuple[Options, Ints]:
    """Fuses rated for the pack's full voltage in direct current, as options, and their catalog rows."""
    fuses = inputs.fuses
    asked, air = inputs.brief.electrical, box_air_c(inputs.brief)
    assert asked is not None
    rows = inputs.fuse_rows[fuses.voltage_dc_v[inputs.fuse_rows] >= full_v - 1e-9]
    steady = continuous_current_a(fuses.current_a[rows], air_c=air)
    choice = op.of_line(
        fuse_of(inputs, rows),
        len(rows),
        neg_peak_a=-fuse_peak_a(inputs, rows, asked.peak_seconds),
        neg_continuous_a=-steady,
        neg_charge_a=-steady,
        neg_ride_a=-fuse_ride_a(inputs, rows, steady, profile=profile),
        neg_regen_a=-steady,
    )
    return choice, rows


def fuse_peak_a(inputs: Inputs, rows: Ints, seconds: float) -> Floats:
    """Current that some fuses carry again and again for a time in the warm box [A]."""
    fuses, air = inputs.fuses, box_air_c(inputs.brief)
    return np.array([
        peak_current_a(float(fuses.current_a[row]), points=fuses.opens_least[row], seconds=seconds, air_c=air)
        for row in rows
    ], dtype=float)  # fmt: skip


def fuse_ride_a(inputs: Inputs, rows: Ints, steady_a: Floats, *, profile: Profile) -> Floats:
    """Highest current of an endless ride that neither opens nor ages a fuse, shape (n,) [A].

    The mean of squares stays under the continuous part, and every run above a level ends in time for that level.
    """
    most = steady_a / np.sqrt(float(profile.mean_square(np.array(np.inf))))
    for k, seconds in enumerate(profile.longest):
        if seconds > 0:
            most = np.minimum(most, fuse_peak_a(inputs, rows, float(seconds)) * LEVELS / (k + 1))
    return np.asarray(most)
