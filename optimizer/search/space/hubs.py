"""Where the board is, and how far the compartments of a split lie apart."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from optimizer.base.arrays import Floats, Ints
from optimizer.fit.region.compartment import Compartment
from optimizer.pack.wiring.harness import HarnessBlock, Places
from optimizer.pack.wiring.passages import Links
from optimizer.search.space.fills import SENSOR_LEG, Fill


def board_room(rooms: Sequence[Compartment], bms_in: str, board: int | None) -> int | None:
    """Compartment of the board: where it is placed, else the brief's; None where the harness decides."""
    if board is not None:
        return board
    return [room.name for room in rooms].index(bms_in) if bms_in else None


def places(chosen: Sequence[Fill | None], *, links: Links) -> Places:
    """How far the compartments lie apart, and their cases."""
    return Places(links.length_mm, tuple(fill.groups_per_module if fill else 0 for fill in chosen))


def sensor_legs_mm(rooms: Sequence[Sequence[Fill]], fill: Ints, split: Ints) -> Floats:
    """Length of a sensor's wire up to the hub of each room, shape (n, m) [mm]; 0 where no group is.

    Parameters
    ----------
    rooms : sequence of sequences of Fill
    fill, split : ndarray of int, shape (n, m)
        Which fill of each room is used, and with how many groups.
    """
    out = np.zeros(split.shape)
    for j, room in enumerate(rooms):
        for k in np.unique(fill[split[:, j] > 0, j]).tolist():
            rows = (fill[:, j] == k) & (split[:, j] > 0)
            out[rows, j] = sensor_leg_mm(room[k])[split[rows, j]]
    return out


def sensor_leg_mm(fill: Fill) -> Floats:
    """Length of a sensor's wire up to the hub, for 0, 1, 2 … groups of a fill [mm]; 0 where it isn't known."""
    at = fill.names.index(SENSOR_LEG) if SENSOR_LEG in fill.names else -1
    return fill.metrics[:, at] if at >= 0 else np.zeros(len(fill.metrics))


def leads_mm(legs_mm: Floats, harness: HarnessBlock) -> Floats:
    """Length of balance leads and sensor wires but for the leads' legs, shape (n,) [mm].

    Parameters
    ----------
    legs_mm : ndarray, shape (n, m)
        Of sensors, see sensor_legs_mm.
    harness : HarnessBlock
        Of these rows.
    """
    own = (harness.sensors_in * legs_mm).sum(axis=1)
    return np.asarray(harness.balance_length_mm + harness.sensor_length_mm + 2.0 * own)


def seats_matter(rooms: int, sensors: int) -> bool:
    """Whether the lightest order may depend on how long the wires of sensors are.

    Not where every order shares the sensors out alike over the rooms in use.
    """
    return sensors > 0 and rooms > 1 and (rooms, sensors) != (2, 2)
