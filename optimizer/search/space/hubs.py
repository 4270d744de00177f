"""Where the board is, and how far the compartments of a split lie apart."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from optimizer.fit.region.compartment import Compartment
from optimizer.pack.wiring.harness import Places
from optimizer.pack.wiring.passages import Links
from optimizer.pack.wiring.ways import cut_length
from optimizer.search.space.fills import Fill


def board_room(rooms: Sequence[Compartment], bms_in: str, board: int | None) -> int | None:
    """Compartment of the board: where it is placed, else the brief's; None where the harness decides."""
    if board is not None:
        return board
    return [room.name for room in rooms].index(bms_in) if bms_in else None


def places(rooms: Sequence[Compartment], chosen: Sequence[Fill | None], *, links: Links) -> Places:
    """How far the compartments lie apart, and their cases.

    A sensor's wire is as long as its compartment is long, wide and high: it reaches every place there, since where
    the hottest cell is shows when the pack is built.
    """
    reach = [sum(high - low for low, high in room.extent_mm) for room in rooms]
    per_module = tuple(fill.groups_per_module if fill else 0 for fill in chosen)
    return Places(links.length_mm, cut_length(np.array(reach)), per_module)
