"""Thousands of small random spaces: a few rows of the demo's tables and few choices, changed in memory."""

from dataclasses import fields, replace
from unittest import mock

import numpy as np
import pandas as pd

from optimizer.brief.joining import PowerConnector
from optimizer.brief.schema import Constraints, Objectives
from optimizer.catalog import builtin_catalogs
from optimizer.ride import bins
from optimizer.search.space.offering import Task
from optimizer.search.space.setup import make_space
from optimizer.search.space.space import Space

OBJECTIVES = ("range_km", "peak_power_w", "pack_mass_kg", "cost", "continuous_power_w", "peak_low_w",
              "hot_cell_end_c", "hot_cell_endless_c")  # fmt: skip
LIMITS = {
    "range_km_min": (1, 7), "peak_power_w_min": (50, 400), "pack_mass_kg_max": (0.8, 3), "cost_max": (60, 250),
    "hot_cell_endless_c_max": (35, 80), "continuous_power_w_min": (50, 200),
}  # fmt: skip


def small_bms(folder):
    """The demo's boards made to manage 3 to 8 cells in series, so that packs of few cells have one.

    Returns
    -------
    Path
        bms.csv in the folder.
    """
    table = pd.read_csv(builtin_catalogs() / "bms.csv", comment="#")
    table["series_min"] = 3 + np.arange(len(table)) % 3
    table["series_max"] = 8 - np.arange(len(table)) % 2
    path = folder / "bms.csv"
    table.to_csv(path, index=False)
    return path


def shaken(table, rng, names):
    """A table with some of its numbers changed by up to a third: parts that nobody tuned to each other."""
    changed = {name: getattr(table, name) * rng.uniform(0.75, 1.33, len(getattr(table, name))) for name in names}
    return replace(table, **changed)


_bins: dict[bytes, tuple] = {}
_merge = bins._merge_until


def _merged_once(steps, *, masses, tolerance):
    """A lap's power bins, worked out once: they depend on neither cells nor parts, and take most of the time."""
    key = b"".join(np.asarray(x).tobytes() for x in (steps.constant_w, steps.per_mass_w_kg, steps.duration_s, masses))
    if key not in _bins:
        _bins[key] = _merge(steps, masses=masses, tolerance=tolerance)
    return _bins[key]


def small_space(base: Space, rng) -> Space:
    """A random space inside a wide one: one or two cells, few S and P, few parts, other prices and ratings.

    Geometry, harnesses and the ride's power bins are those of the base, so that they are found at once.
    """
    with mock.patch.object(bins, "_merge_until", _merged_once):
        return _small_space(base, rng)


def _small_space(base: Space, rng) -> Space:
    inputs = base.inputs

    def some(rows, most, least=1):
        return np.sort(rng.choice(rows, size=min(len(rows), int(rng.integers(least, most + 1))), replace=False))

    # Connectors in the wires of every third, from draws of their own.
    own = rng.spawn(1)[0]
    plug = PowerConnector(
        current_a=own.uniform(8, 40), tau_s=own.uniform(5, 60), resistance_mohm=own.uniform(0, 3),
        mass_g=own.uniform(0, 40), price=own.uniform(0, 9),
    )  # fmt: skip
    low, parallel = int(rng.integers(3, 6)), int(rng.integers(1, 4))
    brief = inputs.brief.model_copy(
        update={
            "vary": inputs.brief.vary.model_copy(
                update={"series": (low, low + int(rng.integers(0, 3))), "parallel": (parallel, parallel)}
            ),
            "electrical": inputs.brief.electrical.model_copy(
                update={"battery_current_a": float(rng.uniform(8, 60)), "regen_current_a": float(rng.uniform(0, 15))}
            ),
            # Half of them without the rule that leaves fewest packs.
            "power_connector": plug if own.random() < 1 / 3 else None,
            "protection": inputs.brief.protection.model_copy(update={"fuse_protects": bool(rng.random() < 0.5)}),
        }
    )
    tables = {
        "strips": shaken(inputs.strips, rng, ("price_per_m", "current_density_a_mm2")),
        "wires": shaken(inputs.wires, rng, ("price_per_m", "current_a", "mass_g_per_m")),
        "bms": shaken(inputs.bms, rng, ("price", "mass_g", "resistance_mohm", "current_continuous_a")),
        "fuses": shaken(inputs.fuses, rng, ("price", "mass_g", "resistance_mohm")),
        "cells": shaken(inputs.cells, rng, ("price", "mass_g")),
    }
    rows = {
        "cell_rows": some(inputs.cell_rows, 2), "strip_rows": some(inputs.strip_rows, 2),
        # Leads aside: no pack's current goes through them.
        "wire_rows": some(inputs.wire_rows[inputs.wires.area_mm2[inputs.wire_rows] >= 0.5], 3, 2),
        "bms_rows": some(inputs.bms_rows, 6, 3), "fuse_rows": some(inputs.fuse_rows, 4, 2),
    }  # fmt: skip
    assert {*tables, *rows, "brief"} <= {field.name for field in fields(inputs)}
    space = make_space(replace(inputs, brief=brief, **tables, **rows))
    space.__dict__["harnesses"] = base.harnesses
    known = {size: k for k, size in enumerate(base.sizes)}
    for k, size in enumerate(space.sizes):
        for room in range(len(space.rooms)):
            space._layouts[room, k, 0] = base.layouts(room, known[size])
        space._fills[Task(k, parallel)] = base.fills(Task(known[size], parallel))
    return with_aims(space, rng)


def with_aims(space: Space, rng) -> Space:
    """The same space with other constraints and objectives."""
    limits = {name: float(rng.uniform(*LIMITS[name])) for name in sorted(LIMITS) if rng.random() < 0.25}
    varying = ("range_km", "peak_power_w", "hot_cell_end_c", "hot_cell_endless_c", "continuous_power_w")
    every = OBJECTIVES + tuple(f"{name}_{where}" for where in space.context.situations for name in varying)
    use = tuple(str(x) for x in rng.choice(every, size=rng.integers(1, 5), replace=False))
    aims = {"constraints": Constraints(**limits), "objectives": Objectives(use=use)}
    other = Space(replace(space.inputs, brief=space.brief.model_copy(update=aims)), space.context, space._fills)
    other.__dict__["harnesses"] = space.harnesses
    other._layouts.update(space._layouts)
    return other
