"""Fillers of a brief: their rules, and the metrics that a fill has of each."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.base.materials import MATERIALS
from optimizer.pack.thermal.filler import Filler

if TYPE_CHECKING:
    # No more: what is kept of fills must not hang on how briefs are read.
    from optimizer.brief import Brief


def fillers_of(brief: Brief) -> tuple[Filler, ...]:
    """What may be poured or laid between cells and box."""
    return tuple(
        Filler(one.name, one.kind, one.conductivity_w_m_k, one.reach_mm) for one in brief.thermal.filler
    )  # fmt: skip


def filling_names(filler: str) -> tuple[str, str]:
    """Metrics of a fill with the volume of a filler of this name, and of its plates of metal [mm³]."""
    return f"filler {filler}", f"plates {filler}"


def fillers_j_k(brief: Brief, metric: Mapping[str, Floats]) -> Floats:
    """Heat capacity of all fillers of a fill, from its metrics, and of their plates [J/K]."""
    total = np.zeros(1)
    for one in brief.thermal.filler:
        filled, plates = (metric[name] for name in filling_names(one.name))
        total = total + filled * 1e-9 * one.density_kg_m3 * one.specific_heat_j_kg_k
        total = total + plates * MATERIALS["aluminium"].heat_j_per_k_mm3
    return total


def unfilled(name: str, fillers: tuple[Filler, ...]) -> tuple[str, Filler | None]:
    """A layout's name without its filler, and the filler.

    >>> unfilled("rows, 8 x 4, gel", (Filler("gel", "potting", 0.8, 3.0),))[0]
    'rows, 8 x 4'
    """
    for one in fillers:
        if name.endswith(f", {one.name}"):
            return name.removesuffix(f", {one.name}"), one
    return name, None
