"""One candidate unfolded: every position, group, plate, wire and line of its bill, ready to be looked at."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from optimizer.pack.case.outline import CaseRules

if TYPE_CHECKING:
    import pandas as pd

    from optimizer.design.settings import Sheet
    from optimizer.design.warmth import Warmth
    from optimizer.fit.chain.groups import Chain
    from optimizer.fit.placement.bodies import Placed
    from optimizer.fit.placement.proof import Proof
    from optimizer.fit.region.compartment import Compartment
    from optimizer.fit.region.layout import Clearance, Layout


@dataclass(frozen=True, eq=False)
class Station:
    """One compartment of a design: which cells stand in it and which groups of the pack they form.

    Parameters
    ----------
    layout : Layout
        All positions the layout offers, used or not.
    chain : Chain
        Groups over those positions, numbered from 0 within the compartment.
    groups : int
        How many of the chain's groups are used, from its first; 0 leaves the compartment empty.
    first_group : int
        Number in the whole pack of the compartment's first group, from 0 at the pack's negative terminal.
    proof : Proof
        What the independent check says of the layout.
    """

    compartment: Compartment
    layout: Layout
    chain: Chain
    groups: int
    first_group: int
    proof: Proof

    @property
    def used(self) -> npt.NDArray[np.bool_]:
        """Mask over the layout's positions: those that hold a cell of the pack."""
        return (self.chain.group >= 0) & (self.chain.group < self.groups)


@dataclass(frozen=True)
class Drop:
    """In which state the resistances of a design count, and what one cell has in it.

    Parameters
    ----------
    seconds : float
        Time under a steady load [s].
    soc : float
        [-]
    temp_c : float
        [°C]
    cell_mohm : float
        Drop of one cell from rest over its current [mΩ].
    """

    seconds: float
    soc: float
    temp_c: float
    cell_mohm: float

    @property
    def words(self) -> str:
        """The state in words."""
        return f"after {self.seconds:g} s of a steady load at {self.soc:.0%} of charge and {self.temp_c:g} °C"


@dataclass(frozen=True, eq=False)
class Design:
    """One candidate with all that review and workshop need.

    Parameters
    ----------
    row : mapping
        The candidate's row of the front: design_id, cell_id, series, parallel, objectives, margins and so on.
    title, currency : str
        From the brief.
    stations : tuple of Station
        In the order in which the pack's chain runs through the compartments.
    cell, strip, wire, bms, fuse : mapping
        Catalog rows of the chosen parts, column name to value; the strip carries `layers` as chosen.
    bill : DataFrame
        One line per thing bought or made: item, part, quantity, unit, mass_g, cost.
    harness : DataFrame
        One row per wire: from, to, purpose, length_mm, area_mm2, resistance_mohm, mass_g, cost, pins.
    plates : DataFrame
        Cut list: plate, pieces, material, thickness_mm, width_mm, length_mm, layers.
    ride : DataFrame
        The simulated ride: time_s, distance_km, soc, voltage_v, current_a, power_w, temp_c.
    measured : tuple of (float, float)
        Capacity and resistance of each matched group, from the negative terminal [Ah], [mΩ]; empty: not measured.
    cautions : tuple of str
        The gravest first.
    general_cautions : tuple of str
        Those of them that go with every pack, whatever was chosen.
    case : CaseRules
        How cases are printed.
    drop : Drop
        In which state resistances count.
    sheet : Sheet, optional
        What to set, and what trips first.
    warm : Warmth, optional
        How warm parts get, and what binds.
    conductors : tuple of dict
        Every conductor with its outlines, see optimizer.design.conductors.conductor_records.
    placed : tuple of Placed
        Parts where they lie, the board first; empty where parts take no room.
    rooms : tuple of Compartment
        All compartments of the brief, without parts.
    """

    row: Mapping[str, Any]
    title: str
    currency: str
    clearance: Clearance
    stations: tuple[Station, ...]
    cell: Mapping[str, Any]
    strip: Mapping[str, Any]
    wire: Mapping[str, Any]
    bms: Mapping[str, Any]
    fuse: Mapping[str, Any]
    bill: pd.DataFrame
    harness: pd.DataFrame
    plates: pd.DataFrame
    ride: pd.DataFrame
    drop: Drop
    cautions: tuple[str, ...] = field(default=())
    general_cautions: tuple[str, ...] = field(default=())
    sheet: Sheet | None = None
    warm: Warmth | None = None
    case: CaseRules = field(default_factory=CaseRules)
    measured: tuple[tuple[float, float], ...] = ()
    conductors: tuple[Mapping[str, Any], ...] = field(default=())
    placed: tuple[Placed, ...] = ()
    rooms: tuple[Compartment, ...] = ()
