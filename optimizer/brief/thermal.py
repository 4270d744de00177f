"""Table of a brief that says what is around the boxes: [thermal]."""

from __future__ import annotations

from typing import Literal

from optimizer.brief.kinds import Fraction, NotNegative, Section


class ThermalSection(Section):
    """[thermal]: the wind and the sun that reach the boxes on the ride; neither on a charge, which is indoors."""

    wind_part: Fraction = 0.0
    """Share of the ride's own speed that blows over the outside of the boxes, 0 to 1; 0: still air, as in a closed
    frame; 1: in the open (plate in parallel flow, Incropera & DeWitt)."""
    sun_w_m2: NotNegative = 0.0
    """Sunlight on a surface that faces it, from where it warms the boxes most [W/m²]; 0: shade; 1000 in a clear summer
    (air mass 1.5, IEC 60904-3). Wires and fuse are warmed by [protection] box_rise_k alone: raise it for boxes in the
    sun."""
    colour: Literal["white", "light", "dark", "black"] = "dark"
    """Colour of the boxes outside, for the sun."""
