"""Strips over the plates of a fill: the geometry is known (plate_metrics), so that a strip takes a multiplication."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from optimizer.pack.case.outline import straps_per_body
from optimizer.search.space import options as op
from optimizer.search.space.options import Options

if TYPE_CHECKING:
    from optimizer.search.space.fills import Fill
    from optimizer.search.space.space import Space, Task
    from optimizer.search.space.splits import Splits

Floats = npt.NDArray[np.float64]


def strip_mm(metric: Callable[[str], Floats], *, layers: npt.ArrayLike, width_mm: npt.ArrayLike) -> Floats:
    """Strip to be cut for the plates, all layers: each piece runs half a width beyond its weld centres.

    L = (l_series + w · n_series) · layers + l_across + w · n_across

    Parameters
    ----------
    metric : callable
        From the name of a metric of `plate_metrics` to its values [mm] or [-].
    layers : int or ndarray
        In the series direction [-].
    width_mm : float or ndarray
        Of the strip [mm].

    Returns
    -------
    ndarray
        [mm], arguments broadcast.
    """
    along = metric("series_mm") + np.asarray(width_mm) * metric("series_pieces")
    return np.asarray(along * np.asarray(layers) + metric("across_mm") + np.asarray(width_mm) * metric("across_pieces"))


def plated(
    space: Space,
    task: Task,
    fills: Sequence[Sequence[Fill]],
    splits: Splits,
    *,
    which: npt.NDArray[np.int64] | None = None,
) -> Options:
    """Every split with every strip in every number of layers.

    Parameters
    ----------
    space : Space
    task : Task
    fills : sequence of sequences of Fill
        By compartment.
    splits : Splits, n rows
    which : ndarray of int, shape (b,), optional
        Numbers of the builds to take; all when left out.

    Returns
    -------
    Options, n · b rows
        Picks: row of splits, number of the build.
    """
    names = next(fill.names for each in fills for fill in each)
    metric = {name: splits.metrics[:, k][:, None] for k, name in enumerate(names)}
    which = np.arange(len(space.builds)) if which is None else which
    builds = [space.builds[k] for k in which]
    series = splits.split.sum(axis=1)[:, None]
    fixed_kg, fixed_cost = _fixed(space, splits, series * task.parallel, metric)

    def by_layers(name: str) -> Floats:
        return np.hstack([metric[f"{name}_{build.layers}"] for build in builds])

    layers = np.array([build.layers for build in builds])
    length = strip_mm(metric.__getitem__, layers=layers, width_mm=np.array([build.width_mm for build in builds]))
    weld_ohm = space.brief.parts.weld_mohm * 1e-3
    section_a = np.array([build.section_mm2 * build.density_a_mm2 for build in builds])
    limit_a = section_a / np.maximum(by_layers("segment"), 1e-12)
    sheet = np.array([build.sheet_ohm_mm for build in builds])
    peak, ride = space.overload(task.size)[:, which]
    columns = {
        "resistance_ohm": sheet * by_layers("factor") + weld_ohm * metric["weld"],
        "mass_kg": fixed_kg + length * np.array([build.kg_per_mm for build in builds]),
        "cost": fixed_cost + length * np.array([build.cost_per_mm for build in builds]),
        "power_wire_mm": np.broadcast_to(splits.power_mm[:, None], limit_a.shape),
        "neg_peak_a": -limit_a * peak,
        "neg_continuous_a": -limit_a,
        "neg_charge_a": -limit_a,
        "neg_ride_a": -limit_a * ride,
        "neg_regen_a": -limit_a,
        "spread_ohm": sheet * by_layers("spread"),
        "hot_rise_k_per_w": np.broadcast_to(metric["hot_rise_k_per_w"], limit_a.shape),
    }
    flat = op.options(limit_a.size, **{name: column.ravel() for name, column in columns.items()})
    row, build = np.indices(limit_a.shape).reshape(2, -1)
    return Options(flat.values, np.column_stack([row, which[build]]).astype(np.int64))


def _fixed(
    space: Space, splits: Splits, cells: npt.NDArray[np.int64], metric: Mapping[str, Floats]
) -> tuple[Floats, Floats]:
    """Mass and cost of case, what holds it, insulation, connectors, thin wires with their fuses, box walls, (n, 1)."""
    from optimizer.search.space.parts import lead_wire

    rules, wires = space.brief.parts, space.inputs.wires
    lead = lead_wire(space.inputs)
    case_kg = metric["case_mm3"] * 1e-9 * rules.case_density_kg_m3
    printed = space.brief.case
    screws, straps = metric["case_fasteners"], metric["case_bodies"] * straps_per_body(printed.hold)
    lead_m = splits.lead_mm[:, None] * 1e-3
    modules = splits.modules[:, None]
    fused = splits.taps[:, None] if space.brief.protection.balance_leads else np.zeros((len(splits), 1))
    box_kg, box_cost = space.box
    mass = (
        case_kg
        + (screws * printed.screw_g + straps * printed.strap_g) * 1e-3
        + cells * rules.insulation_g_per_cell * 1e-3
        + modules * rules.connector_g * 1e-3
        + lead_m * wires.mass_g_per_m[lead] * 1e-3
        + fused * rules.balance_fuse_g * 1e-3
        + box_kg
    )
    cost = (
        case_kg * rules.case_price_per_kg
        + screws * printed.screw_price
        + straps * printed.strap_price
        + cells * rules.insulation_price_per_cell
        + modules * rules.connector_price
        + lead_m * wires.price_per_m[lead]
        + fused * rules.balance_fuse_price
        + box_cost
    )
    return mass, cost
