"""Thousands of small random spaces: a few rows of the demo's tables and few choices, changed in memory."""

from dataclasses import fields, replace

import numpy as np

from optimizer.brief.schema import Constraints, Objectives
from optimizer.search.setup import make_space
from optimizer.search.space import Space

OBJECTIVES = ("range_km", "peak_power_w", "pack_mass_kg", "cost", "continuous_power_w", "peak_low_w", "hot_cell_c")
LIMITS = {
    "range_km_min": (1, 8), "peak_power_w_min": (50, 400), "pack_mass_kg_max": (1, 6), "cost_max": (60, 400),
    "hot_cell_c_max": (35, 70), "continuous_power_w_min": (50, 200),
}  # fmt: skip


def shaken(table, rng, names):
    """A table with some of its numbers changed by up to a third: parts that nobody tuned to each other."""
    changed = {name: getattr(table, name) * rng.uniform(0.75, 1.33, len(getattr(table, name))) for name in names}
    return replace(table, **changed)


def small_space(base: Space, rng) -> Space:
    """A random space inside a wide one: one or two cells, few S and P, few parts, other prices and ratings.

    Geometry is that of the base, so that its fills are found at once.
    """
    inputs = base.inputs

    def some(rows, most):
        return np.sort(rng.choice(rows, size=min(len(rows), int(rng.integers(1, most + 1))), replace=False))

    low = int(rng.integers(3, 6))
    limits = {
        name: float(rng.uniform(*LIMITS[name])) for name in sorted(LIMITS) if rng.random() < 0.3
    }
    use = tuple(str(x) for x in rng.choice(OBJECTIVES, size=rng.integers(1, 5), replace=False))
    parallel = int(rng.integers(1, 4))
    brief = inputs.brief.model_copy(
        update={
            "constraints": Constraints(**limits),
            "objectives": Objectives(use=use),
            "vary": inputs.brief.vary.model_copy(
                update={"series": (low, low + int(rng.integers(0, 3))), "parallel": (parallel, parallel)}
            ),
            "electrical": inputs.brief.electrical.model_copy(
                update={"battery_current_a": float(rng.uniform(8, 60)), "regen_current_a": float(rng.uniform(0, 15))}
            ),
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
        "wire_rows": some(inputs.wire_rows, 2), "bms_rows": some(inputs.bms_rows, 6),
        "fuse_rows": some(inputs.fuse_rows, 2),
    }  # fmt: skip
    assert {*tables, *rows, "brief"} <= {field.name for field in fields(inputs)}
    return make_space(replace(inputs, brief=brief, **tables, **rows))
