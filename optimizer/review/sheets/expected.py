"""What a builder should measure on the finished parts of a design: voltages, resistance, balance taps."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimizer.fit.chain.terminals import positive_words

if TYPE_CHECKING:
    from optimizer.design.model import Design, Station


@dataclass(frozen=True)
class Module:
    """One case with its groups, as it lies on the bench.

    Parameters
    ----------
    name : str
        Compartment, and the module's number where there are several.
    station : int
        Compartment of the design, from 0.
    first, last : int
        Groups it holds, numbered through the pack from 1.
    """

    name: str
    station: int
    first: int
    last: int

    @property
    def groups(self) -> int:
        """Number of groups."""
        return self.last - self.first + 1


@dataclass(frozen=True)
class Voltages:
    """Rest voltage of some groups in series: full, nominal, empty [V]."""

    full_v: float
    nominal_v: float
    empty_v: float


def modules(design: Design) -> list[Module]:
    """Cases of a design in the order in which the chain passes them."""
    found = []
    for place, station in enumerate(design.stations):
        if station.groups == 0:
            continue
        runs = _runs(station)
        for number, (first, last) in enumerate(runs, start=1):
            name = station.compartment.name + (f" module {number}" if len(runs) > 1 else "")
            found.append(Module(name, place, station.first_group + first + 1, station.first_group + last + 1))
    return found


def _runs(station: Station) -> list[tuple[int, int]]:
    """Groups of the station's cases, counted from 0 within it: first and last of each."""
    case = np.array(
        [int(station.layout.module[station.chain.group == k][0]) for k in range(station.groups)], dtype=int
    )
    starts = [0, *(np.flatnonzero(np.diff(case)) + 1).tolist()]
    ends = [*[s - 1 for s in starts[1:]], station.groups - 1]
    return list(zip(starts, ends, strict=True))


def voltages(design: Design, *, groups: int) -> Voltages:
    """Rest voltage of groups in series, from the cell's window [V]."""
    cell = design.cell
    return Voltages(
        groups * float(cell["voltage_max_v"]),
        groups * float(cell["voltage_nominal_v"]),
        groups * float(cell["voltage_min_v"]),
    )


def taps(design: Design, module: Module) -> list[tuple[str, str, Voltages]]:
    """Balance taps of a case, from its negative end: name, where it is joined, voltage to the first.

    One more than the case has groups. Names run through the pack: B0 is its negative terminal.
    """
    rows = []
    for boundary in range(module.first - 1, module.last + 1):
        if boundary == module.first - 1:
            place = f"negative plate of group {module.first}"
        else:
            place = f"positive plate of group {boundary}"
        rows.append((f"B{boundary}", place, voltages(design, groups=boundary - module.first + 1)))
    return rows


def group_resistance_mohm(design: Design) -> float:
    """Resistance of one group's cells, connections left out, in the state in which the pack's counts [mΩ]."""
    return design.drop.cell_mohm / int(design.row["parallel"])


def positive_faces(station: Station) -> list[tuple[int, int, str]]:
    """Which way each used group's positive ends point: group from 1 in the pack, cells in it, face such as "+y"."""
    rows = []
    for group in range(station.groups):
        members = np.flatnonzero(station.chain.group == group)
        where = positive_words(station.layout, int(members[0]), int(station.chain.polarity[members[0]]))
        rows.append((station.first_group + group + 1, len(members), where))
    return rows
