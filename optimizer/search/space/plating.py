"""Stock over the conductors of a fill: geometry is known (plate_metrics), so that a stock takes a multiplication."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from optimizer.base.arrays import Floats
from optimizer.base.figures import sided
from optimizer.brief import Brief, JoiningRules
from optimizer.pack.bill import totals
from optimizer.pack.conductors.totals import METRICS, WORK
from optimizer.search.space import options as op
from optimizer.search.space.contents import Amounts, entries, joint_entries, metal_entries
from optimizer.search.space.filling import fillers_j_k
from optimizer.search.space.options import Options

if TYPE_CHECKING:
    from optimizer.search.space.fills import Fill
    from optimizer.search.space.offering import Task
    from optimizer.search.space.parts import Build
    from optimizer.search.space.space import Space
    from optimizer.search.space.splitrows import Splits


def plated(
    space: Space,
    task: Task,
    fills: Sequence[Sequence[Fill]],
    splits: Splits,
    *,
    which: npt.NDArray[np.int64] | None = None,
) -> Options:
    """Every split with every stock in every number of layers, as far as its conductors can be laid.

    Parameters
    ----------
    fills : sequence of sequences of Fill
        By compartment.
    splits : Splits, n rows
    which : ndarray of int, shape (b,), optional
        Numbers of the builds to take; all when left out.

    Returns
    -------
    Options, at most n · b rows
        Picks: row of splits, number of the build.
    """
    names = next(fill.names for each in fills for fill in each)
    metric = {name: splits.metrics[:, k][:, None] for k, name in enumerate(names)}
    which = np.arange(len(space.builds)) if which is None else which
    builds = [space.builds[k] for k in which]
    series = splits.split.sum(axis=1)[:, None]
    amounts = amounts_of(splits, metric, parallel=task.parallel)
    fixed_kg, fixed_cost, plugs_ohm = totals(entries(space, amounts))
    box_kg, box_cost = space.box
    (bolts_kg, bolts_cost, _), (tops_kg, tops_cost, _) = map(totals, joint_entries(space, amounts))
    bolted, topped = space.bolted(task.size)[which], space.topped(task.size)[which]
    weld_ohm = space.brief.parts.weld_mohm * 1e-3
    metrics = [{name: metric[f"{build.way.name}:{name}"] for name in METRICS} for build in builds]
    each = [stocked(one, build) for one, build in zip(metrics, builds, strict=True)]

    def by_build(name: str) -> Floats:
        return np.hstack([one[name] for one in each])

    limit_a = by_build("limit_a")
    peak, ride, joint_peak, joint_ride = space.overload(task.size)[:, which]
    joined = np.hstack([one["stack_under"] > 0 for one in metrics])
    columns = {
        "resistance_ohm": by_build("ohm") + weld_ohm * metric["weld"] + plugs_ohm,
        "mass_kg": fixed_kg + box_kg + by_build("kg") + bolted * bolts_kg + topped * tops_kg,
        "cost": fixed_cost + box_cost + by_build("cost") + bolted * bolts_cost + topped * tops_cost,
        "power_wire_mm": splits.power_mm[:, None],
        "neg_peak_a": -np.minimum(limit_a * peak, np.where(joined, joint_peak, np.inf)),
        "neg_continuous_a": -limit_a,
        "neg_charge_a": -limit_a,
        "neg_ride_a": -np.minimum(limit_a * ride, np.where(joined, joint_ride, np.inf)),
        "neg_regen_a": -limit_a,
        "spread_ohm": by_build("spread_ohm"),
        "plates_k_per_a2": by_build("heated") + weld_ohm * metric["weld_heated"],
        "filler_j_k": fillers_j_k(space.brief, metric),
        **{name: metric[name] for name in BY_FILL},
    }
    if asks_for_work(space.brief):
        work = [work_of(each_metric, build, space.brief.joining, series=series, modules=splits.modules[:, None])
                for each_metric, build in zip(metrics, builds, strict=True)]  # fmt: skip
        columns |= {name: np.hstack([one[name] for one in work]) for name in BUILDING}
    # What cannot be laid, often most of it, is left out before there are rows.
    laid = np.isfinite(columns["resistance_ohm"])
    flat = op.options(
        int(laid.sum()), **{name: np.broadcast_to(column, laid.shape)[laid] for name, column in columns.items()}
    )
    row, build = np.nonzero(laid)
    return Options(flat.values, np.column_stack([row, which[build]]).astype(np.int64))


def amounts_of(splits: Splits, metric: Mapping[str, Floats], *, parallel: int) -> Amounts:
    """What the parts of some splits are counted by, each of shape (n, 1); one more connector than cases."""
    cases = splits.modules[:, None].astype(np.float64)
    return Amounts(
        cells=splits.split.sum(axis=1)[:, None] * float(parallel), cases=cases,
        leads=splits.taps[:, None].astype(np.float64), plugs=cases + 1.0, lead_mm=splits.lead_mm[:, None],
        metric=metric,
    )  # fmt: skip


def has_joints(space: Space, fills: Sequence[Sequence[Fill]], splits: Splits) -> npt.NDArray[np.bool_]:
    """Whether conductors go from layer to layer, for each split in each build, shape (n, builds); in none that isn't
    joined to these cells.
    """
    names = next(fill.names for each in fills for fill in each)
    asked = [f"{build.way.name}:stack_under" for build in space.builds]
    none = np.zeros(len(splits.metrics), dtype=bool)
    return np.column_stack([splits.metrics[:, names.index(name)] > 0 if name in names else none for name in asked])


def stocked(metric: dict[str, Floats], build: Build) -> dict[str, Floats]:
    """What the conductors come to in one stock.

    limit = J · t / dense; the rest by `contents.metal_entries`.

    Parameters
    ----------
    metric : dict of str to ndarray
        METRICS of the build's way.

    Returns
    -------
    dict of str to ndarray
        ohm, spread_ohm [ohm], kg [kg], cost [currency], limit_a [A], heated: rise of the hottest cell over the box
        [K/A²].
    """
    kg, cost, ohm = totals(metal_entries(metric, build))
    return {
        "ohm": np.where(build.fits(metric["stack"], metric["stack_under"]), ohm, np.inf),
        "spread_ohm": metric["spread"] * build.square_ohm / build.stacked,
        "heated": metric["heated"] * build.square_ohm / build.stacked,
        "kg": np.asarray(kg),
        "cost": np.asarray(cost),
        "limit_a": build.thickness_mm * build.stacked * build.density_a_mm2 / np.maximum(metric["dense"], 1e-12),
    }


BUILDING = (*WORK, "build_min")
# Columns that are a fill's own metrics, whatever its metal.
BY_FILL = (
    "hot_rise_k_per_w", "ride_rise_k_per_w", "hot_sun_rise_k_per_w", "ride_sun_rise_k_per_w", "box_k_per_w"
)  # fmt: skip


def asks_for_work(brief: Brief) -> bool:
    """Whether the brief has an objective or a constraint on the work of building."""
    asked = set(brief.objectives.use) | {sided(name)[0] for name, bound in brief.constraints if bound}
    return bool(asked & set(BUILDING))


def work_of(
    metric: Mapping[str, Floats], build: Build, rules: JoiningRules, *, series: npt.ArrayLike, modules: npt.ArrayLike
) -> dict[str, Floats]:
    """Work of building in one stock.

    minutes = welds · weld_min + pieces · piece_min + folds · fold_min + leads · lead_min + cases · case_min

    Leads are a balance lead for each group, one more for each case, and two of power.

    Parameters
    ----------
    metric : mapping of str to ndarray
        WORK of the build's way.
    series, modules : int or ndarray
        Groups and cases [-].

    Returns
    -------
    dict of str to ndarray
        BUILDING.
    """
    out = {name: np.asarray(metric[name], dtype=float) for name in WORK}
    for name in ("pieces", "welds"):
        out[name] = out[name] * build.stacked
    leads = np.asarray(series) + np.asarray(modules) + 2
    out["build_min"] = np.asarray(
        out["welds"] * rules.weld_min + out["pieces"] * rules.piece_min + out["folds"] * rules.fold_min
        + leads * rules.lead_min + np.asarray(modules) * rules.case_min
    )  # fmt: skip
    return out
