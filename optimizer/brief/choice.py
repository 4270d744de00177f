"""A choice of what a pack is made of, complete or in part. Pins, the command line and the library ask about it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields

from optimizer.brief.kinds import Axis


@dataclass(frozen=True)
class Choice:
    """What a pack is made of; what is None stays open.

    Parameters
    ----------
    cell, strip, wire, bms, fuse : str
        Ids of the catalogs.
    split : mapping of compartment to int
        Groups in each; a compartment left out holds none.
    groups_per_module : int
        0 for a tray.
    axes : mapping of compartment to "x", "y" or "z"
        Along which the cells lie.
    """

    cell: str | None = None
    series: int | None = None
    parallel: int | None = None
    split: Mapping[str, int] | None = None
    strip: str | None = None
    strip_layers: int | None = None
    wire: str | None = None
    bms: str | None = None
    fuse: str | None = None
    groups_per_module: int | None = None
    axes: Mapping[str, Axis] | None = None

    @property
    def is_open(self) -> bool:
        """Whether nothing at all is chosen."""
        return all(getattr(self, item.name) is None for item in fields(self))

    @property
    def groups(self) -> int | None:
        """Groups in series, by the split where it says them."""
        return sum(self.split.values()) if self.split is not None else self.series

    def text(self) -> str:
        """In words, such as "20S4P of amber-21700-e50, deck:14 stem:6"."""
        count = f"{self.series}S" * (self.series is not None) + f"{self.parallel}P" * (self.parallel is not None)
        words = [" of ".join(part for part in (count or "any pack" * (self.cell is not None), self.cell) if part)]
        if self.split is not None:
            words.append(" ".join(f"{room}:{groups}" for room, groups in self.split.items()))
        if self.strip_layers is not None:
            words.append(f"{self.strip_layers} strip layer{'s' if self.strip_layers > 1 else ''}")
        if self.groups_per_module is not None:
            per = self.groups_per_module
            words.append(f"modules of {per} group{'s' if per > 1 else ''}" if per else "trays")
        words += [f"cells along {axis} in {room}" for room, axis in (self.axes or {}).items()]
        words += [f"{name} {value}" for name in ("strip", "wire", "bms", "fuse") if (value := getattr(self, name))]
        return ", ".join(word for word in words if word) or "any pack"
