"""Strips, wires, BMS and fuses as options: catalog rows turned into the numbers that the score needs."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimizer.pack import limits
from optimizer.score.inputs import Inputs
from optimizer.search.space import options as op
from optimizer.search.space.options import Options

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Build:
    """A strip in so many layers: what the plates' geometry is multiplied by.

    Parameters
    ----------
    strip : int
        Row of the strip catalog.
    layers : int
        In the series direction; across the group there is one.
    sheet_ohm_mm : float
        ρ / (width · thickness), resistance per length of one layer [ohm/mm].
    section_mm2, width_mm : float
        Of one layer.
    kg_per_mm, cost_per_mm : float
        One layer [kg/mm], [currency/mm].
    density_a_mm2 : float
        Most current density [A/mm²].
    """

    strip: int
    layers: int
    sheet_ohm_mm: float
    section_mm2: float
    width_mm: float
    kg_per_mm: float
    cost_per_mm: float
    density_a_mm2: float


def builds(inputs: Inputs) -> list[Build]:
    """Every strip that may be chosen in every number of layers, in the order strip, layers."""
    out = []
    for row in inputs.strip_rows:
        width, thick = inputs.strips.width_mm[row], inputs.strips.thickness_mm[row]
        section = float(width * thick)
        for layers in inputs.brief.vary.strip_layers:
            out.append(
                Build(
                    strip=int(row),
                    layers=layers,
                    sheet_ohm_mm=float(inputs.strips.resistivity_ohm_m[row]) * 1e3 / section,
                    section_mm2=section,
                    width_mm=float(inputs.strips.width_mm[row]),
                    kg_per_mm=float(inputs.strips.density_kg_m3[row]) * section * 1e-9,
                    cost_per_mm=float(inputs.strips.price_per_m[row]) * 1e-3,
                    density_a_mm2=float(inputs.strips.current_density_a_mm2[row]),
                )
            )
    return out


def wire_options(inputs: Inputs) -> tuple[Options, Floats, Floats, Floats]:
    """Power wires: their current limit, and resistance, mass and cost per millimetre."""
    rows, wires = inputs.wire_rows, inputs.wires
    rated = wires.current_a[rows]
    choice = op.options(len(rows), neg_peak_a=-rated, neg_continuous_a=-rated, neg_charge_a=-rated)
    return (
        choice,
        wires.resistance_ohm_per_km[rows] * 1e-6,
        wires.mass_g_per_m[rows] * 1e-6,
        wires.price_per_m[rows] * 1e-3,
    )


def lead_wire(inputs: Inputs) -> int:
    """Row of the wire that balance leads and sensor wires are made of.

    The thinnest of the catalog; of equal ones that whose insulation bears the most heat, then the first by id.
    """
    wires = inputs.wires
    return int(np.lexsort((wires.id, -wires.insulation_temp_c, wires.area_mm2))[0])


def bms_options(inputs: Inputs, *, series: int, chemistry: str, full_v: float) -> tuple[Options, Ints]:
    """BMS that manage the cells in series, as options, and their catalog rows."""
    bms = inputs.bms
    fits = bms.suits(series, chemistry)[inputs.bms_rows]
    fits &= bms.voltage_max_v[inputs.bms_rows] >= full_v - 1e-9
    rows = inputs.bms_rows[fits]
    asked = inputs.brief.electrical
    assert asked is not None
    peak = limits.rated_current(
        bms.current_continuous_a[rows],
        peak_a=bms.current_peak_a[rows],
        peak_s=bms.peak_s[rows],
        seconds=asked.peak_seconds,
    )
    holds = inputs.brief.protection.bms_holds
    choice = op.options(
        len(rows),
        resistance_ohm=bms.resistance_mohm[rows] * 1e-3,
        mass_kg=bms.mass_g[rows] * 1e-3,
        cost=bms.price[rows],
        neg_peak_a=-np.asarray(peak) if holds else -np.inf,
        neg_continuous_a=-bms.current_continuous_a[rows] if holds else -np.inf,
        neg_charge_a=-bms.current_charge_a[rows],
    )
    return choice, rows


def fuse_options(inputs: Inputs, *, full_v: float) -> tuple[Options, Ints]:
    """Fuses rated for the pack's full voltage in direct current, as options, and their catalog rows."""
    fuses = inputs.fuses
    rows = inputs.fuse_rows[fuses.voltage_dc_v[inputs.fuse_rows] >= full_v - 1e-9]
    choice = op.options(
        len(rows),
        resistance_ohm=fuses.resistance_mohm[rows] * 1e-3,
        mass_kg=fuses.mass_g[rows] * 1e-3,
        cost=fuses.price[rows],
        neg_peak_a=-limits.fuse_cap(fuses.current_a[rows], continuous=False),
        neg_continuous_a=-limits.fuse_cap(fuses.current_a[rows], continuous=True),
        neg_charge_a=-limits.fuse_cap(fuses.current_a[rows], continuous=True),
    )
    return choice, rows
