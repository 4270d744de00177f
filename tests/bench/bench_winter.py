"""The demo's packs in the cold: range, powers, heat, charge and braking at 20, 0 and −10 °C, cells as cold as the air.

python -m tests.bench.bench_winter
"""

from __future__ import annotations

import math

from optimizer.brief import load_brief
from optimizer.brief.schema import Constraints
from optimizer.catalog import builtin_catalogs
from optimizer.score.inputs import Inputs, read_inputs
from optimizer.search.exact import rows
from optimizer.search.running.run import search
from optimizer.search.space.setup import make_space

# Cells, S and P: the demo's pick, and that for who rides for years.
PACKS = (("birch-21700-b50", 20, 3), ("dune-21700-e49", 17, 4))
TEMPS_C = (20.0, 0.0, -10.0)
FIGURES = ("range_km", "peak_power_w", "peak_low_w", "hot_cell_end_c", "hot_cell_endless_c", "charge_min",
           "regen_limit_a")  # fmt: skip


def demo_at(inputs: Inputs, cell: str, series: int, parallel: int, temp_c: float) -> dict[str, float]:
    """Figures of the pack of such cells that goes furthest at a temperature, limits and situations left out."""
    brief = inputs.brief
    assert brief.ride is not None and brief.electrical is not None
    where = {"temp_c": temp_c}
    changes = {
        "ride": brief.ride.model_copy(update=where), "situation": (), "constraints": Constraints(),
        "electrical": brief.electrical.model_copy(update=where | {"charge_temp_c": temp_c}),
        "vary": brief.vary.model_copy(
            update={"cells": (cell,), "series": (series, series), "parallel": (parallel, parallel)}
        ),
        "objectives": brief.objectives.model_copy(update={"use": ("range_km",), "resolution": {}}),
    }  # fmt: skip
    space = make_space(read_inputs(brief.model_copy(update=changes)))
    kept, figures = rows.rescored(search(space).found, space=space)
    row = rows.table(kept, figures, space=space).iloc[0]
    return {name: float(row[name]) for name in FIGURES}


def main() -> None:
    """Print a row for each pack and temperature."""
    inputs = read_inputs(load_brief(builtin_catalogs() / "briefs" / "cargo-scooter.toml"))
    print("| pack | air °C | " + " | ".join(FIGURES) + " |")
    for cell, series, parallel in PACKS:
        for temp_c in TEMPS_C:
            found = demo_at(inputs, cell, series, parallel, temp_c)
            # No charger may begin where cells take no charge.
            values = " | ".join("none" if math.isnan(found[name]) else f"{found[name]:.4g}" for name in FIGURES)
            print(f"| {series}S{parallel}P {cell} | {temp_c:g} | {values} |", flush=True)


if __name__ == "__main__":
    main()
