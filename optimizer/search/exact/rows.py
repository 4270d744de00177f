"""From survivors to the front's table: re-scored by stepping through the ride, named, with units."""

from __future__ import annotations

import hashlib
from collections import deque
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from optimizer.base.arrays import Floats
from optimizer.base.figures import ANY, FIGURES, VARYING, in_situation, split_name
from optimizer.base.pool import Job
from optimizer.base.workers import Workers
from optimizer.front.pareto import nondominated, signed, thin
from optimizer.pack.conductors.totals import WORK
from optimizer.pack.limits import LIMITS, rated_current
from optimizer.pack.protection.fuses import continuous_current_a, opening_seconds
from optimizer.ride.range import STOP_NAMES
from optimizer.score.band import range_band, situation_bands
from optimizer.score.outside import box_air_c
from optimizer.score.score import Block, Scores, margins, regen_limit_a, ridden, score
from optimizer.score.situations import worst
from optimizer.score.years import ENDS, years_figures
from optimizer.search.exact.archive import NAMES, Survivors
from optimizer.search.space.guard import connector_over_time, wires_over_time
from optimizer.search.space.parts import fuse_peak_a
from optimizer.search.space.plating import BUILDING, work_of
from optimizer.search.space.space import Space

# Unit of every numeric column of the front; also what Parquet's field metadata say.
UNITS = {figure.name: figure.unit for figure in FIGURES.values() if figure.unit} | dict.fromkeys(
    ("series", "parallel", "strip_layers"), "1"
)

# Column with the places of parts, where a brief has any.
PLACED = "placed"

# Digits kept behind the point: finer than any input is known, coarse enough that the last bits of a sum
# don't show.
DIGITS = 6

# Rows that a worker steps at a time: a quarter of a second.
CHUNK = 100


def rescored(
    found: Survivors, *, space: Space, workers: Workers | None = None, stop: Callable[[], bool] = lambda: False
) -> tuple[Survivors, Scores]:
    """Survivors with every figure, the range from stepping through the ride second by second.

    First the front is thinned to the rows that [objectives] resolution asks for, since stepping takes its
    time; then rows that fail a constraint, or are dominated, by the stepped figures leave.

    Parameters
    ----------
    workers : Workers, optional
        That share this space; without, the work is done here.
    stop : callable
        Asked again and again whether to leave out the rows that were not stepped yet.

    Returns
    -------
    Survivors, dict of str to ndarray
        The rows that stay, and their figures.

    Raises
    ------
    ArithmeticError
        If a figure is not a number, see `refuse_nan`.
    """
    objectives = space.brief.objectives.use
    steps = [space.brief.objectives.resolution.get(name, 0.0) for name in objectives]
    found = found.take(thin(found.objectives, resolution=steps))
    rows, figures = _stepped(found, space, workers or Workers(space), stop)
    found = found.take(rows)
    constraints = {k: v for k, v in space.brief.constraints if v is not None}
    gaps = margins(figures, constraints=constraints)
    good = np.ones(len(found), dtype=bool)
    for values in gaps.values():
        good &= values >= 0
    points = signed(figures, objectives=objectives)
    keep = np.flatnonzero(good)
    keep = keep[nondominated(points[keep])]
    figures |= gaps | window_margins(found, figures, space=space)
    return found.take(keep), {name: values[keep] for name, values in figures.items()}


def _stepped(
    found: Survivors, space: Space, workers: Workers, stop: Callable[[], bool]
) -> tuple[npt.NDArray[np.int64], Scores]:
    """Rows that were stepped before the end, and their figures."""
    chunks = [np.arange(start, min(start + CHUNK, len(found))) for start in range(0, len(found), CHUNK)]
    jobs = deque(Job(rows, "Stepping through the ride", _chunk_figures, (found.take(rows).block(),)) for rows in chunks)
    done = [(job.key, figures) for job, figures in workers.run(jobs, stop=stop)]
    if not done:
        return np.zeros(0, dtype=np.int64), full_figures(found.take(slice(0)).block(), space=space)
    done.sort(key=lambda each: int(each[0][0]))
    names = done[0][1]
    return np.concatenate([rows for rows, _ in done]), {
        name: np.concatenate([figures[name] for _, figures in done]) for name in names
    }


def _chunk_figures(space: Space, block: Block) -> Scores:
    return full_figures(block, space=space)


def refuse_nan(figures: Scores) -> None:
    """Refuse figures that are not numbers: a fault of the program, never of the input.

    A NaN would pass as a row that nothing dominates, or leave in silence as one that meets no constraint. What
    can't be had, such as a charge without a charger, is infinite.

    Parameters
    ----------
    figures : dict of str to ndarray, shape (n,)

    Raises
    ------
    ArithmeticError
        With the figure, in how many rows it is none, and the first of them.

    >>> refuse_nan({"cost": np.array([90.0, np.nan])})
    Traceback (most recent call last):
    ...
    ArithmeticError: cost is not a number in 1 of 2 rows, the first at 1
    """
    for name, values in figures.items():
        wrong = np.flatnonzero(np.isnan(values))
        if wrong.size:
            where = f"in {wrong.size} of {len(values)} rows, the first at {wrong[0]}"
            raise ArithmeticError(f"{name} is not a number {where}")


def full_figures(block: Block, *, space: Space) -> Scores:
    """All figures of a block, the range of the fast form and its band beside them; ArithmeticError by `refuse_nan`."""
    figures = score(block, context=space.context, stepped=True)
    for name in sorted(space.brief.figures_asked()):
        if split_name(name)[1] == ANY:
            figures[name] = worst(figures, name, context=space.context)
    if len(block):
        fast = ridden(block, context=space.context, pack_mass_kg=figures["pack_mass_kg"])
        figures["fast_range_km"] = fast.range_km
        figures |= range_band(block, context=space.context, figures=figures)
        figures |= situation_bands(block, context=space.context, figures=figures)
    else:
        named = [f"range_{end}_km_{name}" for name in space.context.situations for end in ("p10", "p90")]
        figures |= {name: np.zeros(0) for name in named}
    least_km = dict(space.brief.constraints).get("range_km_min")
    figures |= years_figures(block, context=space.context, figures=figures, least_km=least_km)
    refuse_nan(figures)
    return figures


def window_margins(found: Survivors, figures: Scores, *, space: Space) -> Scores:
    """How far the full and the empty pack lie inside the controller's window, and the full one under its BMS [V]."""
    asked = space.brief.electrical
    assert asked is not None
    bms = found.names[:, NAMES.index("bms")]
    return {
        "margin_controller_full_v": asked.voltage_max_v - figures["voltage_full_v"],
        "margin_controller_empty_v": figures["voltage_empty_v"] - asked.voltage_min_v,
        "margin_bms_full_v": space.inputs.bms.voltage_max_v[bms] - figures["voltage_full_v"],
    }


def safety_figures(found: Survivors, *, space: Space) -> Scores:
    """Current of a full pack shorted at the controller's end, how long its fuse takes, and where braking is free.

    I = S·V_max / (S·r / P + R_extra), r the least resistance of a cell at once, as warm as the box is. Braking is
    free up to the highest state of charge z with OCV(z) + r(z)·I_regen / P ≤ V_max, r after the seconds of the peak
    in the coldest air.

    Returns
    -------
    dict of str to ndarray, shape (n,)
        fault_current_a [A], fuse_opens_s [s] and regen_free_soc [-], the latter 0 where nowhere.
    """
    block, cells, fuses = found.block(), space.context.cells, space.inputs.fuses
    full_v = block.series * cells.voltage_max_v[block.cell]
    fault_a = full_v / (full_v / (block.parallel * cells.fault_a[block.cell]) + block.extra_ohm)
    fuse = found.names[:, NAMES.index("fuse")]
    multiple = fault_a / fuses.current_a[fuse]
    opens = [float(opening_seconds(m, points=fuses.opens_most[k])) for m, k in zip(multiple, fuse, strict=True)]
    cell_a = regen_limit_a(block, context=space.context) / block.parallel
    volts = cells.ocv_grid_v[block.cell] + cell_a[:, None] * cells.regen_ohm[block.cell]
    under = volts <= cells.voltage_max_v[block.cell][:, None] * (1.0 + 1e-9)
    soc = np.linspace(0.0, 1.0, under.shape[1])
    free = np.where(under, soc, 0.0).max(axis=1)
    return {
        "fault_current_a": np.asarray(fault_a, dtype=float), "fuse_opens_s": np.array(opens, dtype=float),
        "regen_free_soc": free,
    }  # fmt: skip


def _work_figures(found: Survivors, *, space: Space) -> Scores:
    """Work of building of every row, asked for or not: pieces, welds, folds, minutes."""
    rooms = len(space.rooms)
    builds = {(build.strip, build.layers): build for build in space.builds}
    out = {name: np.zeros(len(found)) for name in BUILDING}
    for k, row in enumerate(found.names):
        build = builds[int(row[NAMES.index("strip")]), int(row[NAMES.index("layers")])]
        fills = space.fills(space.task_of(row))
        counts, picks = row[len(NAMES) : len(NAMES) + rooms], row[len(NAMES) + rooms :]
        used = [(fills[j][picks[j]], int(counts[j])) for j in range(rooms) if counts[j]]
        metric = {
            name: sum(float(fill.metrics[g, fill.names.index(f"{build.way.name}:{name}")]) for fill, g in used)
            for name in WORK
        }
        modules = sum(-(-g // fill.groups_per_module) if fill.groups_per_module else 1 for fill, g in used)
        work = work_of(
            {name: np.asarray(value) for name, value in metric.items()}, build, space.brief.joining,
            series=int(row[NAMES.index("series")]), modules=modules,
        )  # fmt: skip
        for name in BUILDING:
            out[name][k] = float(work[name])
    return out


def table(found: Survivors, figures: Scores, *, space: Space) -> pd.DataFrame:
    """The front as people and programs read it, sorted by the first objective, best first.

    Parameters
    ----------
    figures : dict of str to ndarray
        From `rescored`.

    Returns
    -------
    DataFrame
        Columns in a fixed order; margin_* for each constraint last.
    """
    inputs = space.inputs
    figures = figures | safety_figures(found, space=space) | _work_figures(found, space=space)
    name = {key: found.names[:, k] for k, key in enumerate(NAMES)}
    row = space.context.cells.row[name["cell"]]
    frame = pd.DataFrame(
        {
            "cell_id": inputs.cells.id[row].astype(object),
            "series": name["series"],
            "parallel": name["parallel"],
            "cell_count": figures["cell_count"].astype(np.int64),
            "split": _splits(found, space),
            "layout": _layouts(found, space),
            "strip": inputs.strips.id[name["strip"]].astype(object),
            "strip_layers": name["layers"],
            "wire": inputs.wires.id[name["wire"]].astype(object),
            "bms": inputs.bms.id[name["bms"]].astype(object),
            "fuse": inputs.fuses.id[name["fuse"]].astype(object),
        }
    )
    if space.is_furnished:
        # What a design consists of, too: its name depends on it.
        frame[PLACED] = [placed_words(space, k, b) for k, b in zip(name["stand"], name["bms"], strict=True)]
    frame.insert(0, "design_id", design_ids(frame))
    table: dict[str, npt.NDArray[Any]] = {}
    for column in _figure_columns(figures):
        known = np.where(np.isfinite(figures[column]), figures[column], np.nan)
        table[column] = np.round(known, DIGITS) + 0.0
        if column == "range_km":
            table["range_stop"] = _named(figures["range_stop"], STOP_NAMES)
        if column == "peak_power_w":
            table["peak_limit"] = _limit_names(found, figures, space=space, continuous=False)
        if column == "continuous_power_w":
            table["continuous_limit"] = _limit_names(found, figures, space=space, continuous=True)
    for situation in space.context.situations:
        here = {key: figures[in_situation(key, situation)] for key in ("peak_limit", "peak_current_a")}
        table[f"range_stop_{situation}"] = _named(figures[f"range_stop_{situation}"], STOP_NAMES)
        for each in (f"range_{end}_km_{situation}" for end in ("p10", "p90")):
            table[each] = np.round(np.where(np.isfinite(figures[each]), figures[each], np.nan), DIGITS)
        if space.context.situations[situation].years:
            for each in (f"range_{end}_km_{situation}" for end in ENDS):
                table[each] = np.round(np.where(np.isfinite(figures[each]), figures[each], np.nan), DIGITS)
            left = space.context.situations[situation].fade_of(name["cell"], name["series"] * name["parallel"])
            for end, part in (("", left.capacity), ("_least", left.harshest), ("_most", left.mildest)):
                table[f"capacity_left{end}_{situation}"] = np.round(part, DIGITS)
        table[f"peak_limit_{situation}"] = _limit_names(found, here, space=space, continuous=False)
    table["crossing_conductors"] = name["crossing"]
    chargers = inputs.chargers
    names = np.append(chargers.id if chargers is not None else np.array([], dtype=str), "none").astype(object)
    table["charger"] = names[figures["charger"].astype(np.int64)]
    # At once: a frame that grows by many columns, one after the other, is slow and warns.
    frame = pd.concat([frame, pd.DataFrame(table, index=frame.index)], axis=1)
    points = signed(figures, objectives=space.brief.objectives.use)
    order = np.lexsort((frame["design_id"].to_numpy(dtype=str), *points.T[::-1]))
    return frame.iloc[order].reset_index(drop=True)


def placed_words(space: Space, stand: int, board: int) -> str:
    """Where the parts and zones of a design lie, in words."""
    parts = [part.words for part in space.placed(stand, board)]
    return "; ".join(parts + space.stands[stand].zone_words) or "no compartment cut"


def _figure_columns(figures: Scores) -> list[str]:
    """Figures that the table shows, in its order."""
    names = [figure.name for figure in FIGURES.values() if figure.part != "row" and figure.name in figures]
    varying = [name for name in FIGURES if name in VARYING]
    names += [name for each in varying for name in figures if split_name(name)[0] == each and name not in names]
    return names + [name for name in figures if name.startswith("margin_")]


def _limit_names(
    found: Survivors, figures: Scores, *, space: Space, continuous: bool
) -> npt.NDArray[np.object_]:
    """What binds the peak or (continuous) the continuous power of each row, by its figures from `score`, shape (n,).

    The score knows strip, wire, connector, BMS and fuse only as the least of them, cut off at what is of use; here the
    current is held against the rating of each.
    """
    name = {key: found.names[:, k] for k, key in enumerate(NAMES)}
    kind = "continuous" if continuous else "peak"
    out = _named(figures[f"{kind}_limit"], LIMITS)
    asked, bms, fuses = space.brief.electrical, space.inputs.bms, space.inputs.fuses
    assert asked is not None
    inputs, rows = space.inputs, name["bms"]
    seconds = np.inf if continuous else asked.peak_seconds
    bms_a = rated_current(
        bms.current_continuous_a[rows], peak_a=bms.current_peak_a[rows], peak_s=bms.peak_s[rows], seconds=seconds
    )
    plug, free = connector_over_time(space.brief), bms.bypassed[rows] | (not space.brief.protection.bms_holds)
    steady_a = continuous_current_a(fuses.current_a[name["fuse"]], air_c=box_air_c(space.brief))
    ratings = {
        "controller": np.full(len(found), asked.battery_current_a),
        "connector": np.full(len(found), np.inf if plug is None else plug.allowed_a(seconds)[0]),
        "wire": wires_over_time(inputs, name["wire"]).allowed_a(seconds),
        "BMS": np.where(free, np.inf, bms_a),
        "fuse": steady_a if continuous else fuse_peak_a(inputs, name["fuse"], seconds),
    }
    parts = np.isin(out, ("wire", "controller"))
    out[parts] = "strip"
    for part, rating in reversed(ratings.items()):
        out[parts & (np.asarray(rating) <= figures[f"{kind}_current_a"] * (1 + 1e-9))] = part
    return out


def _named(codes: Floats, names: tuple[str, ...]) -> npt.NDArray[np.object_]:
    return np.asarray(names, dtype=object)[codes.astype(np.int64)]


def _splits(found: Survivors, space: Space) -> list[str]:
    """Groups by compartment in words, such as "deck:14 stem:6"; compartments left empty are left out."""
    rooms = [room.name for room in space.rooms]
    counts = found.names[:, len(NAMES) : len(NAMES) + len(rooms)]
    return [
        " ".join(f"{room}:{count}" for room, count in zip(rooms, row, strict=True) if count) for row in counts
    ]


def _layouts(found: Survivors, space: Space) -> list[str]:
    """Layout of each compartment in use, in words."""
    rooms = len(space.rooms)
    out = []
    for row in found.names:
        fills = space.fills(space.task_of(row))
        counts, picks = row[len(NAMES) : len(NAMES) + rooms], row[len(NAMES) + rooms :]
        parts = [
            f"{space.rooms[j].name}: {fills[j][picks[j]].layout.name}" for j in range(rooms) if counts[j]
        ]
        out.append("; ".join(parts))
    return out


def design_ids(frame: pd.DataFrame) -> list[str]:
    """Stable ids derived from what a design consists of: equal choices have equal ids in every run."""
    ids = []
    for values in frame.itertuples(index=False):
        text = "|".join(str(value) for value in values)
        ids.append("d" + hashlib.sha256(text.encode()).hexdigest()[:10])
    return ids
