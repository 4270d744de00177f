"""Where the board is, and how far the compartments of a split lie apart."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from optimizer.base.arrays import Floats, Ints
from optimizer.fit.region.compartment import Compartment
from optimizer.pack.wiring.harness import HarnessBlock, Places
from optimizer.pack.wiring.passages import Links
from optimizer.pack.wiring.ways import cut_length
from optimizer.search.space.fills import SENSOR_LEG, Fill


def board_room(rooms: Sequence[Compartment], bms_in: str, board: int | None) -> int | None:
    """Compartment of the board: where it is placed, else the brief's; None where the harness decides."""
    if board is not None:
        return board
    return [room.name for room in rooms].index(bms_in) if bms_in else None


def places(rooms: Sequence[Compartment], chosen: Sequence[Fill | None], *, links: Links) -> Places:
    """How far the compartments lie apart, and their cases.

    For the choice of order and board, see harness_block, a sensor's wire is as long as its compartment is long, wide
    and high.
    """
    reach = [sum(high - low for low, high in room.extent_mm) for room in rooms]
    per_module = tuple(fill.groups_per_module if fill else 0 for fill in chosen)
    return Places(links.length_mm, cut_length(np.array(reach)), per_module)


def sensor_legs_mm(room: Sequence[Fill], fill: Ints, groups: Ints) -> Floats:
    """Length of a sensor's wire up to the hub of one room, shape (n,) [mm]; 0 where no group is.

    Parameters
    ----------
    room : sequence of Fill
    fill, groups : ndarray of int, shape (n,)
        Which of them each row uses, and with how many groups.
    """
    out = np.zeros(len(groups))
    for k in np.unique(fill[groups > 0]).tolist():
        rows, one = (fill == k) & (groups > 0), room[k]
        if SENSOR_LEG in one.names:
            out[rows] = one.metrics[groups[rows], one.names.index(SENSOR_LEG)]
    return out


def leads_mm(rooms: Sequence[Sequence[Fill]], fill: Ints, split: Ints, harness: HarnessBlock) -> Floats:
    """Length of balance leads and sensor wires but for the leads' legs, shape (n,) [mm].

    Parameters
    ----------
    rooms : sequence of sequences of Fill
    fill, split : ndarray of int, shape (n, m)
        Which fill of each room is used, and with how many groups.
    harness : HarnessBlock
        Of these rows.
    """
    legs = [sensor_legs_mm(room, fill[:, k], split[:, k]) for k, room in enumerate(rooms)]
    own = (harness.sensors_in * np.column_stack(legs)).sum(axis=1)
    return np.asarray(harness.balance_length_mm + harness.sensor_length_mm + 2.0 * own)
