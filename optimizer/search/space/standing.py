"""What wires go round in a compartment, for the search and for a chosen design alike."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.fit.chain.groups import Chain
from optimizer.fit.region.compartment import Compartment
from optimizer.pack.ties import tied
from optimizer.pack.wiring.clear import Clear
from optimizer.pack.wiring.plane import Box
from optimizer.pack.wiring.reach import Reach, block, cases_standing
from optimizer.pack.wiring.roomy import ROUGH_MM, RoomyWays
from optimizer.pack.wiring.ways import Ways, is_convex

if TYPE_CHECKING:
    from optimizer.search.space.fills import FillRules


def roomy_ways(
    ways: Ways, links: Chain, hub_mm: Floats, *, room: Compartment, rules: FillRules, bodies: Sequence[Box],
    ports_mm: Sequence[object],
) -> tuple[RoomyWays, RoomyWays] | None:  # fmt: skip
    """Ways of power wires and of leads round the cases of all groups, their tie plates and parts.

    None where no room for wires is asked for, or nobody says where they lead to.
    """
    if not rules.wires_mm or not ports_mm:
        return None
    layout = ways.layout
    stacks = tied(layout, np.flatnonzero(links.group >= 0), cell_gap_mm=rules.clearance.cell_gap_mm)
    standing = [*cases_standing(room, layout, links.group, rules.case)]
    standing += [block(*plate) for stack in stacks for plate in stack.plates]
    standing += [block(*box) for box in bodies]
    rough = {"step_mm": ROUGH_MM} if is_convex(room) else {}
    reach = Reach(Clear(ways.room, tuple(standing)), **rough)
    lead, *power = rules.wires_mm
    return RoomyWays(ways, reach, hub_mm, power), RoomyWays(ways, reach, hub_mm, (lead,))
