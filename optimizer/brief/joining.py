"""Tables of a brief that say how metal is joined to cells, how long it takes, and how power wires are joined."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from optimizer.brief.kinds import Flag, NotNegative, Number, Positive, Section, Whole


class JoiningRules(Section):
    """[joining]: what the builder joins metal to cells with, and what the cases leave room for."""

    methods: Annotated[tuple[Literal["spot", "laser", "ultrasonic", "bolt", "solder"], ...], Field(min_length=1)] = (
        "spot",
        "laser",
        "ultrasonic",
        "bolt",
        "solder",
    )
    """Methods at hand, the preferred one first: resistance spot welder, laser, ultrasonic welder, bolts, soldering iron
    (collectors to plates, away from the cells, and nothing else); default: any, and each design says which one it
    takes."""
    spot_energy: Literal["small", "large"] = "large"
    """Energy of the spot welder: small joins nickel to 0.2 mm, large to 0.3 mm."""
    taps: Annotated[Whole, Field(ge=1, le=100)] = 1
    """Places at which each lead is joined to its end plate, the current shared evenly; default: one."""
    weld_slot_mm: NotNegative = 0.0
    """Length of a slot of 1 mm in cut sheet between the two spots of each weld of a round cell, which keeps a spot
    welder's current from passing beside the cell; 0: none; 8 is usual (common practice, no published source) [mm]."""
    fastener_g: NotNegative = 3.0
    """Mass of what holds one bolted terminal, a short M5 screw or a nut, with washers; default: common practice, no
    published source [g]."""
    fastener_price: NotNegative = 0.1
    """Price of what holds one bolted terminal; default: common practice, no published source [currency]."""
    lug_g: NotNegative = 2.0
    """Mass of one ring lug, at each end of a lead that a bolt holds; default: common practice, no published source
    [g]."""
    lug_price: NotNegative = 0.15
    """Price of one ring lug; default: common practice, no published source [currency]."""
    top_g: NotNegative = 0.06
    """Mass of one top of steel or nickel on a weld through copper; default: nickel of 8 × 6 × 0.12 mm, common practice,
    no published source [g]."""
    top_price: NotNegative = 0.02
    """Price of one top on a weld through copper; default: common practice, no published source [currency]."""
    lug_mm: NotNegative = 1.0
    """Height of a ring lug between metal and washer; default: that of a lug for 6 mm², common practice, no published
    source [mm]."""
    bolt_room: Flag | None = None
    """Whether blocks keep room over their metal for lugs, nuts or studs, without which nothing is bolted; left out:
    where a stock that may be chosen is bolted. Stocks that are welded beside it then have that room, too."""
    weld_min: NotNegative = 0.2
    """Time for one weld, two spots, checked and pulled [min]; default: common practice, no published source."""
    piece_min: NotNegative = 0.5
    """Time to cut, clean and lay one piece of metal [min]; default: common practice, no published source."""
    fold_min: NotNegative = 1.0
    """Time for one fold with its insulation [min]; default: common practice, no published source."""
    lead_min: NotNegative = 4.0
    """Time to join and route one lead [min]; default: common practice, no published source."""
    case_min: NotNegative = 20.0
    """Time to fill and close one case [min]; default: common practice, no published source."""


class PowerConnector(Section):
    """[power_connector]: a connector in each power wire, so that every case can be unplugged."""

    current_a: Positive
    """Current that it carries without end at its limit, in the air of the box [A]."""
    limit_c: Number = 105.0
    """Highest temperature of its contacts; default: bodies of heat-resistant plastic (from memory) [°C]."""
    tau_s: Positive = 60.0
    """Time constant of its warming; default: contacts of some grams (common practice, no published source) [s]."""
    resistance_mohm: NotNegative = 0.3
    """Resistance of its contacts [mΩ]."""
    mass_g: NotNegative = 12.0
    """Mass of one with its counterpart [g]."""
    price: NotNegative = 3.0
    """Price of one with its counterpart [currency]."""
