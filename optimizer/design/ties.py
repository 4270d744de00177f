"""Tie plates and bands of a design, for its file, its build sheet and its drawings."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.fit.region.layout import Clearance
from optimizer.pack.ties import Tied, tied

if TYPE_CHECKING:
    from optimizer.design.model import Station


def stacks_of(station: Station, clearance: Clearance) -> list[Tied]:
    """Stacks of the cells in use in a compartment."""
    return tied(station.layout, np.flatnonzero(station.used), cell_gap_mm=clearance.cell_gap_mm)


def tie_records(stations: Sequence[Station], clearance: Clearance) -> list[dict[str, Any]]:
    """Every stack of a design, for design.json: cells of the layout, plates as low and high corners [mm], bands.

    Coordinates are the compartment's own; the force is the pressure over the wide sides of the cells [N].
    """
    return [
        {
            "compartment": station.compartment.name, "layer": stack.layer, "module": stack.module,
            "cells": stack.cells.tolist(), "along": "xyz"[stack.along], "force_n": round(stack.force_n, 3),
            "plates": [
                {"low_mm": np.round(low, 4).tolist(), "high_mm": np.round(high, 4).tolist()}
                for low, high in stack.plates
            ],
            "bands": stack.bands, "band_mm": round(stack.band_mm(station.layout.axis), 3),
        }
        for station in stations if station.groups
        for stack in stacks_of(station, clearance)
    ]  # fmt: skip
