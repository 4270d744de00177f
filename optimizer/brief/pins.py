"""Pinned packs of a brief: their tables, their names, and what may be wrong with them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Annotated, Any

from pydantic import Discriminator, Field, Tag

from optimizer.brief.choice import Choice
from optimizer.brief.faults import show
from optimizer.brief.kinds import Axis, CellCount, Layers, Name, Section, Text, Whole
from optimizer.brief.situations import Complain


class Pin(Section):
    """[pin] or [[pin]]: a pack that exists or is fancied, scored beside the front; what is left out stays open."""

    name: Annotated[Text, Field(pattern=r"^[A-Za-z0-9_]*$", max_length=40)] = ""
    """What it is called beside the front, letters, digits and underscores; empty: "pinned", numbered where several."""
    cell: Name
    """Id of the cell in the catalog."""
    series: CellCount
    """Number of series groups."""
    parallel: CellCount
    """Cells in each series group."""
    split: dict[str, Annotated[Whole, Field(ge=0)]] | None = None
    """Series groups by name of compartment, or of zone ("deck zone 2") as a front's column split has them; left out:
    open."""
    groups_per_module: Annotated[Whole, Field(ge=0)] | None = None
    """Series groups in one module; 0: a tray; left out: open."""
    axes: dict[str, Axis] | None = None
    """Axis along which the cells lie, by name of compartment; left out: open."""
    strip: Name | None = None
    """Id of the strip in the catalog; left out: open."""
    strip_layers: Layers | None = None
    """Layers of strip; left out: open."""
    wire: Name | None = None
    """Id of the power wire in the catalog; left out: open."""
    bms: Name | None = None
    """Id of the BMS in the catalog; left out: open."""
    fuse: Name | None = None
    """Id of the fuse in the catalog; left out: open."""

    @property
    def choice(self) -> Choice:
        """What it asks for."""
        return Choice(**self.model_dump(exclude={"name"}))


def _how_many(value: Any) -> str:
    return "several" if isinstance(value, (list, tuple)) else "one"


Pins = Annotated[
    Annotated[Pin, Tag("one")] | Annotated[tuple[Pin, ...], Field(min_length=1, max_length=20), Tag("several")],
    Discriminator(_how_many),
]


def names_of(given: Sequence[str]) -> list[str]:
    """Names of pins by what their tables call them.

    >>> names_of([""]), names_of(["mine", ""])
    (['pinned'], ['mine', 'pinned_2'])
    """
    return [name or (f"pinned_{k}" if len(given) > 1 else "pinned") for k, name in enumerate(given, start=1)]


def split_names(rooms: Iterable[str], zones: int) -> list[str]:
    """What groups may be shared out over: compartments, and further zones of them, named as in fit.placement.zones.

    >>> split_names(["deck"], 2)
    ['deck', 'deck zone 2']
    """
    return [name for room in rooms for name in (room, *(f"{room} zone {k}" for k in range(2, zones + 1)))]


def pin_faults(given: Any, rooms: Iterable[str], zones: int, complain: Complain) -> None:
    """Pins that name no compartment, and two of one name; `given` as the file has it."""
    several = isinstance(given, list)
    pins = [pin for pin in (given if several else [given]) if isinstance(pin, dict)]
    named = [pin["name"] if isinstance(pin.get("name"), str) else "" for pin in pins]
    rooms = list(rooms)
    for at, (pin, name) in enumerate(zip(pins, names_of(named), strict=True)):
        place: tuple[str | int, ...] = ("pin", at) if several else ("pin",)
        for key, names in (("split", split_names(rooms, zones)), ("axes", rooms)):
            table = pin.get(key)
            for room in table if isinstance(table, dict) else ():
                if room not in names:
                    zone = " or a zone" if len(names) > len(rooms) else ""
                    expected = f"must be a compartment{zone}: {', '.join(names)}"
                    complain("unknown-value", (*place, key, room), expected, show(room))
        if name in names_of(named)[:at]:
            complain("duplicate-name", (*place, "name"), "must be unique", show(name))
