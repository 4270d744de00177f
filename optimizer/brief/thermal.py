"""Tables of a brief that say what carries heat off: [thermal], and [[thermal.filler]] between cells and boxes."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from optimizer.brief.kinds import Flag, Fraction, NotNegative, Positive, Section, Text


class FillerSection(Section):
    """[[thermal.filler]]: what may be poured or laid between cells and box; the search holds it against air."""

    name: Annotated[Text, Field(pattern=r"^[A-Za-z0-9 _.-]+$", min_length=1, max_length=40)]
    """What it is called in layouts and in the bill, letters, digits, spaces, dots and dashes; names must differ."""
    kind: Literal["potting", "pads", "plate"]
    """"potting" fills all that is open around the cells in their cases; "pads" fill the room over the cells' ends and
    the gap from there to the box; "plate": the same with covers of aluminium, weighed besides the printed ones."""
    conductivity_w_m_k: Positive
    """Conductivity of the compound or of the pads, which must insulate [W/(m K)]."""
    density_kg_m3: Positive
    """Density of the compound or of the pads [kg/m³]."""
    specific_heat_j_kg_k: Positive = 1300.0
    """Specific heat of the compound or of the pads [J/(kg K)]; default: filled silicones and epoxies have 900 to 1400
    (data sheets; from memory)."""
    price_per_kg: NotNegative
    """Price of the compound or of the pads [currency/kg]."""
    reach_mm: NotNegative = 3.0
    """Widest gap between a case and the box that a pad bridges [mm]; default: common practice, no published source."""
    plate_price_per_kg: NotNegative = 20.0
    """Price of plates of aluminium, cut to size [currency/kg]."""


class ThermalSection(Section):
    """[thermal]: the wind and the sun that reach the boxes on the ride; neither on a charge, which is indoors."""

    wind_part: Fraction = 0.0
    """Share of the ride's own speed that blows over the outside of the boxes, 0 to 1; 0: still air, as in a closed
    frame; 1: in the open (plate in parallel flow, Incropera & DeWitt)."""
    sun_w_m2: NotNegative = 0.0
    """Sunlight on a surface that faces it, from where it warms the boxes most [W/m²]; 0: shade; 1000 in a clear summer
    (air mass 1.5, IEC 60904-3). It warms cells, and the air around wires, BMS and fuse."""
    filler: Annotated[tuple[FillerSection, ...], Field(max_length=6)] = ()
    """Potting, pads or plates that may fill a compartment, each with its mass and price; empty: none."""
    always_filled: Flag = False
    """Whether every compartment must have one of the fillers; false: those that do without it stand beside."""
    colour: Literal["white", "light", "dark", "black"] = "dark"
    """Colour of the boxes outside, for the sun."""
