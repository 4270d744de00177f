"""Plain cautions that go with a pack: thresholds it passes, and what every home-built pack asks for.

A caution informs; it is no certificate and replaces neither local codes nor licensed practice.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

Level = Literal["note", "caution", "warning"]

#: Direct current, ripple-free: touchable without basic protection in the dry (IEC 60364-4-41 cl. 414.4.5,
#: UN R100/R136 call more "high voltage"), and the end of extra-low voltage (IEC 61140). Both from memory.
TOUCH_V, EXTRA_LOW_V = 60.0, 120.0

#: Energy of a battery in a passenger's baggage: free, and with the operator's approval (IATA Dangerous Goods
#: Regulations 2.3; from memory).
AIR_FREE_WH, AIR_APPROVAL_WH = 100.0, 160.0

COLD_DEFAULTS = (
    "Cold figures from defaults: range and powers at {0:g} °C rest on what cells of this chemistry usually do. At "
    "-10 °C published cells have {1:g} to {2:g} times their resistance at 25 °C; `cellstow characterize` fits "
    "a cell's own."
)
_LAW = "Local codes decide; where they ask for it, leave the work to licensed practice."


@dataclass(frozen=True)
class Caution:
    """One caution.

    Parameters
    ----------
    code : str
        Stable name, such as "voltage-over-60".
    level : "note", "caution" or "warning"
    text : str
        What a person reads.
    """

    code: str
    level: Level
    text: str

    @property
    def general(self) -> bool:
        """Whether it goes with every pack, whatever was chosen."""
        return self.code in GENERAL


#: What a BMS leaves unguarded, by its path.
PATHS = {
    "separate": Caution(
        "bms-charge-port", "caution",
        "This BMS has a charge port of its own: braking returns through the discharge port, past its charge "
        "protection. The controller's settings alone guard the cells then.",
    ),
    "charge only": Caution(
        "bms-bypassed", "warning",
        "This BMS guards charging only: the discharge goes past it. Nothing but the controller's cut-off keeps a group "
        "from being emptied for good, and nothing but the fuse ends an overload or a short circuit.",
    ),
}  # fmt: skip


def voltage_class(voltage_v: float) -> Literal["extra-low", "over-60", "over-120"]:
    """Band of a direct voltage: up to and with 60 V, up to and with 120 V, above.

    Parameters
    ----------
    voltage_v : float
        Highest the pack reaches, at full charge [V].

    Raises
    ------
    ValueError
        If the voltage is not positive.

    >>> voltage_class(60.0), voltage_class(60.1)
    ('extra-low', 'over-60')
    """
    if not voltage_v > 0:
        raise ValueError("voltage_v must be positive")
    if _over(voltage_v, EXTRA_LOW_V):
        return "over-120"
    return "over-60" if _over(voltage_v, TOUCH_V) else "extra-low"


def air_class(energy_wh: float) -> Literal["free", "approval", "forbidden"]:
    """Band of a battery's energy for carriage in a passenger's baggage.

    Up to and with 100 Wh, up to and with 160 Wh, above.

    Parameters
    ----------
    energy_wh : float
        Nominal voltage times rated capacity [Wh].

    Raises
    ------
    ValueError
        If the energy is not positive.

    >>> air_class(36.0 * 2.7), air_class(36.0 * 4.5)
    ('free', 'forbidden')
    """
    if not energy_wh > 0:
        raise ValueError("energy_wh must be positive")
    if _over(energy_wh, AIR_APPROVAL_WH):
        return "forbidden"
    return "approval" if _over(energy_wh, AIR_FREE_WH) else "free"


def _over(value: float, limit: float) -> bool:
    """Above a limit, products such as 15 × 4.0 V taken as the 60 V they mean."""
    return value > limit * (1.0 + 1e-9)


# Common practice, no published source.
FILLERS = {
    "potting": Caution(
        "filler-potting", "caution",
        "Potting must not close the cells' vents: leave their ends free, or take a compound that gives way. It must "
        "not conduct electricity nor eat sleeves, and what is potted can't be repaired: test every group before.",
    ),
    "pads": Caution(
        "filler-pads", "caution",
        "Pads over live metal must insulate: take those rated for the pack's voltage when pressed, and measure against "
        "the box before the first charge.",
    ),
    "plate": Caution(
        "filler-plate", "warning",
        "Covers of metal lie over live plates with pads as the only insulation: a burr or a screw through one shorts "
        "the pack. Deburr, add a sheet of insulation, keep vents free and measure against the box before the first "
        "charge.",
    ),
}  # fmt: skip


def pack_cautions(
    *,
    voltage_full_v: float,
    energy_wh: float,
    balances_on_motor: bool = False,
    regenerates: bool = False,
    unprotected: Sequence[str] = (),
    cold_defaults: tuple[float, float, float] | None = None,
    bms_path: str = "common",
    fillers: Sequence[str] = (),
) -> tuple[Caution, ...]:
    """All cautions of one pack, the gravest first.

    Parameters
    ----------
    voltage_full_v : float
        At full charge [V].
    energy_wh : float
        At most some percent above nominal voltage times rated capacity, by which carriers count [Wh].
    balances_on_motor : bool
        Whether the rider stands only as long as the motor pushes.
    regenerates : bool
        Whether braking feeds the pack.
    unprotected : sequence of str
        Rules of protection that are broken or turned off, in words: they come first of all.
    cold_defaults : tuple of float, optional
        Where the cell's figures in the cold rest on defaults: the temperature [°C], and least and most of what
        published cells have at -10 °C as a multiple of their resistance at 25 °C.
    bms_path : str
        What runs through the BMS, one of optimizer.catalog.types.BMS_PATHS.
    fillers : sequence of str
        Kinds of what fills compartments: "potting", "pads", "plate".

    Raises
    ------
    ValueError
        If voltage or energy is not positive.
    """
    found = [Caution("unprotected", "warning", f"{text} {_LAW}") for text in unprotected]
    found += [*_voltage(voltage_full_v), *_rider(balances_on_motor)]
    found += [PATHS[bms_path]] if bms_path in PATHS else []
    found += [FILLERS[kind] for kind in FILLERS if kind in fillers]
    if cold_defaults is not None:
        found.append(Caution("cold-defaults", "note", COLD_DEFAULTS.format(*cold_defaults)))
    found += [_cold(regenerates), *_transport(energy_wh), *_ALWAYS]
    order = ("warning", "caution", "note")
    return tuple(sorted(found, key=lambda caution: order.index(caution.level)))


def _voltage(volts: float) -> list[Caution]:
    kind = voltage_class(volts)
    if kind == "over-120":
        text = (
            f"{volts:.1f} V at full charge is over 120 V DC, the end of extra-low voltage: contact can kill. "
            f"This is work for licensed practice under local codes, not for a home bench."
        )
        return [Caution("voltage-over-120", "warning", text)]
    if kind == "over-60":
        text = (
            f"{volts:.1f} V at full charge is over 60 V DC: live parts must be guarded against touch, and no "
            f"single failure may bare them. {_LAW}"
        )
        return [Caution("voltage-over-60", "warning", text)]
    return []


def _rider(balances: bool) -> list[Caution]:
    if not balances:
        return []
    text = (
        "The rider balances on the motor and falls when its power fails. Keep the margins of peak power and "
        "speed headroom at low charge; a BMS that cuts the discharge without warning throws the rider."
    )
    return [Caution("rider-falls", "warning", text)]


def _cold(regenerates: bool) -> Caution:
    text = "Do not charge below 0 °C: lithium plates onto the anode and the cell is harmed for good."
    if regenerates:
        text += " Regeneration charges too: limit it when the pack is cold."
    return Caution("charge-cold", "caution", text)


def _transport(energy_wh: float) -> list[Caution]:
    kind = air_class(energy_wh)
    texts = {
        "free": "up to 100 Wh is free in a passenger's baggage, but only of a type that has passed UN 38.3.",
        "approval": "over 100 Wh needs the airline's approval in a passenger's baggage, and UN 38.3.",
        "forbidden": "over 160 Wh is not allowed in a passenger's baggage.",
    }
    text = (
        f"{energy_wh:.0f} Wh: {texts[kind]} Carriers ask for the tests of UN 38.3 by land and sea too, and a "
        f"home-built pack has not passed them. Ask the carrier; {_LAW[0].lower()}{_LAW[1:]}"
    )
    return [Caution(f"transport-{kind}", "note" if kind == "free" else "caution", text)]


_BUILDING = {
    "local-codes": f"These figures are calculated, not tested, and certify nothing. {_LAW}",
    "live-work": "A pack cannot be switched off while it is built: no jewellery, insulated tools, live "
    "groups covered, one hand where you can.",
    "welding": "Weld strips to cells, or bolt them where cells have threads; do not solder: heat ruins seals. Keep the "
    "insulating ring at the positive end, try the joints on a dead cell, and wear eye protection.",
    "matching": "Use new cells of one type and batch, measured for capacity and resistance; bring cells to "
    "the same voltage before they are put in parallel.",
    "protection": "Watch every series group for over- and under-voltage, fuse the positive end for direct "
    "current of the full voltage, and leave gas a way out.",
    "charging": "Charge with the charger of this series count, under a watchful eye and clear of the way "
    "out; stop at swelling, smell or heat.",
}
_STORAGE = "Store half charged, cool, away from what burns; recycle at a collection point."
_ALWAYS = (
    *(Caution(code, "caution", text) for code, text in _BUILDING.items()),
    Caution("storage", "note", _STORAGE),
)

#: Codes of the cautions that go with every pack.
GENERAL = frozenset(
    {"charge-cold", "transport-free", "transport-approval", "transport-forbidden", *(each.code for each in _ALWAYS)}
)
