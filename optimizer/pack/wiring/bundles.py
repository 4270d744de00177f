"""Wires through passages: how thick a power wire may be so that every bundle fits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from optimizer.base.arrays import Floats, Ints
from optimizer.pack.wiring.harness import HarnessBlock, sensor_modules
from optimizer.pack.wiring.passages import Links, room_mm2


def most_wire_mm2(
    split: Ints, per_module: Ints, block: HarnessBlock, *, links: Links, lead_mm2: float,
    sensors: int, shared: bool,
) -> Floats:  # fmt: skip
    """Largest square of a power wire's outer diameter with which all bundles of a pack fit, shape (n,) [mm²].

    Σ d² ≤ FILL · bore², over all wires in a passage

    Parameters
    ----------
    split, per_module : ndarray of int, shape (n, m)
        Groups in each compartment, and in a full case, 0 for a tray.
    block : HarnessBlock
        Of these splits.
    lead_mm2 : float
        Square of the outer diameter of balance and sensor wire [mm²].
    shared : bool
        Whether cases share the lead where they meet.

    Returns
    -------
    ndarray
        Infinite where no passage is in use, below 0 where not even the leads fit.
    """
    n, count = split.shape
    used, rows = split > 0, np.arange(n)
    cases = np.where(used, -(-split // np.where(per_module > 0, per_module, 10**9)), 0)
    leads = split + (used if shared else cases)
    thin = leads + _sensor_wires(cases, block.order, sensors)
    found = np.full(n, np.inf)
    for passage in links.passages:
        through = np.array([[passage.name in links.through[a, b] for b in range(count)] for a in range(count)])
        thick, before = np.zeros(n, dtype=np.int64), np.full(n, -1)
        for k in range(count):
            place = block.order[:, k]
            here = used[rows, place]
            # From the board to the first compartment in use, then on from one to the next.
            start = np.where(before < 0, block.bms, before)
            thick += here & through[start, place]
            before = np.where(here, place, before)
        thick += through[before, block.bms]
        fine = (thin * through[:, block.bms].T).sum(axis=1)
        left = room_mm2(passage.bore_mm) - fine * lead_mm2
        found = np.where(thick + fine > 0, np.minimum(found, left / np.maximum(thick, 1)), found)
    return found


def between_boxes(
    split: Ints, per_module: Ints, block: HarnessBlock, *, homes: Sequence[int], sensors: int, shared: bool
) -> HarnessBlock:
    """A harness whose wires from zone to zone of one compartment don't count as wires between compartments.

    Parameters
    ----------
    split, per_module, sensors, shared
        As for `most_wire_mm2`.
    block : HarnessBlock
        Of these splits.
    homes : sequence of int, length m
        Compartment of each room.
    """
    home, used, rows = np.array(homes), split > 0, np.arange(len(split))
    cases = np.where(used, -(-split // np.where(per_module > 0, per_module, 10**9)), 0)
    thin = split + (used if shared else cases) + _sensor_wires(cases, block.order, sensors)
    found = (thin * (home[None] != home[block.bms][:, None])).sum(axis=1)
    before = block.bms
    for k in range(split.shape[1]):
        place = block.order[:, k]
        here = used[rows, place]
        found = found + (here & (home[place] != home[before]))
        before = np.where(here, place, before)
    return replace(block, crossing_conductors=found + (home[before] != home[block.bms]))


def _sensor_wires(cases: Ints, order: Ints, sensors: int) -> Ints:
    """Sensor wires of each compartment, shape (n, m)."""
    out, before = np.zeros_like(cases), np.zeros(len(cases), dtype=np.int64)
    wanted, rows = sensor_modules(cases.sum(axis=1), sensors=sensors), np.arange(len(cases))
    for k in range(cases.shape[1]):
        here = cases[rows, order[:, k]]
        local = wanted - before[:, None]
        out[rows, order[:, k]] += 2 * ((local >= 0) & (local < here[:, None])).sum(axis=1)
        before = before + here
    return out
