"""Wires of one layout up to the compartment's hub: the same taps and ways for the search and for a chosen design."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.fit.chain.groups import Chain
from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.layout import Layout
from optimizer.pack.wiring.clear import Clear
from optimizer.pack.wiring.legs import LayoutWires
from optimizer.pack.wiring.reach import Reach, block, standing
from optimizer.pack.wiring.roomy import ROUGH_MM, RoomyWays
from optimizer.pack.wiring.ways import Ways, is_convex
from optimizer.search.space.plate_metrics import taps_of

if TYPE_CHECKING:
    from optimizer.search.space.fills import Bodies, FillRules, Point

def layout_wires(
    layout: Layout, links: Chain, power_mm: Floats, *, room: Compartment, rules: FillRules, hub_mm: Point,
    bodies_mm: Bodies, ports_mm: Sequence[Point], **_: object,
) -> LayoutWires:  # fmt: skip
    """Wires of a layout with its chain.

    Parameters
    ----------
    power_mm : ndarray, shape (G, 2, 3)
        From `power_ends` [mm].
    room : Compartment
        With the keep-outs that cells give way to, parts among them: they shape the cases that wires go round.
    hub_mm, bodies_mm, ports_mm
        See `fills`.
    """
    hub, taps = np.array(hub_mm), taps_of(layout, links, power_mm)
    bodies = [(np.array(low), np.array(high)) for low, high in bodies_mm]
    way = Ways(room, layout, targets_mm=hub[None], bodies_mm=bodies)
    if not rules.wires_mm or not ports_mm:
        return LayoutWires(taps, way, hub)
    round_it = standing(room, layout, links.group, rules.case, cell_gap_mm=rules.clearance.cell_gap_mm)
    rough = {"step_mm": ROUGH_MM} if is_convex(room) else {}
    reach = Reach(Clear(way.room, (*round_it, *(block(*box) for box in bodies))), **rough)
    power, lead = (
        RoomyWays(way, reach, hub, widths, spare_mm=rules.slack_mm)
        for widths in (rules.wires_mm[1:], rules.wires_mm[:1])
    )
    return LayoutWires(taps, way, hub, [np.array(at) for at in ports_mm if at != hub_mm], power, lead)
