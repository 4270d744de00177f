"""Every box that an open brief allows: one space per choice of its free dimensions, and what bounds them."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import product
from pathlib import Path
from typing import Any, ClassVar

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.base.problems import BadInput, Problem
from optimizer.brief import FreeDimension, OpenBrief, open_brief
from optimizer.fit.placement.place import optimistic_cells
from optimizer.fit.placement.survey import compartment_problems
from optimizer.fit.region.geometry import clearance, compartments, room_margins
from optimizer.score.context import Context
from optimizer.score.inputs import Inputs, load_inputs, read_inputs
from optimizer.score.warmth import in_boxes_of
from optimizer.search.exact.hope import Safety, hopeful
from optimizer.search.space.offering import Offering, Task
from optimizer.search.space.setup import make_space
from optimizer.search.space.space import Space

# Number of each free dimension's value, from 0: names a box.
Key = tuple[int, ...]

# Spaces kept in memory; others are made again, their geometry coming from the cache on disk.
KEPT_SPACES = 8

UNUSABLE = "a compartment can hold nothing"


@dataclass(frozen=True, eq=False)
class OneBox(Offering):
    """One box, which places no cell that packs found before already beat.

    Parameters
    ----------
    against : ndarray, shape (m, d), or None
        Objectives of packs found before; None places every cell.
    safety : dict
        Worked out once for all boxes.
    """

    against: Floats | None = None
    safety: Safety = field(default_factory=dict, repr=False)
    shared_chains: ClassVar[bool] = True

    @cached_property
    def _worth(self) -> dict[int, bool]:
        return {}

    def most_cells(self, space: Space, size: int, stand: int) -> list[int]:
        """As the layouts hold; nothing for a size that is not worth placing."""
        return space.held_cells(size, stand) if self.worth_placing(space, size) else [0 for _ in space.rooms]

    def worth_placing(self, space: Space, size: int) -> bool:
        """Whether the optimistic count of cells of a size could be of use beside the packs found before."""
        if self.against is None:
            return True
        if size not in self._worth:
            rules = clearance(space.brief, space.sizes[size])
            hoped = [optimistic_cells(room, space.sizes[size], rules) for room in space.rooms]
            parallel = range(space.brief.vary.parallel[0], space.brief.vary.parallel[1] + 1)
            self._worth[size] = any(
                hopeful(space, Task(size, p), held=hoped, against=self.against, safety=self.safety) for p in parallel
            )
        return self._worth[size]


@dataclass(frozen=True, eq=False)
class Boxes:
    """All boxes of an open brief.

    Parameters
    ----------
    inputs : Inputs
        Catalogs and ride, read once; they don't depend on the box.
    """

    brief: OpenBrief
    inputs: Inputs
    context: Context
    _spaces: dict[Key, Space] = field(default_factory=dict, repr=False)
    safety: Safety = field(default_factory=dict, repr=False)

    @property
    def free(self) -> tuple[FreeDimension, ...]:
        """The free dimensions."""
        return self.brief.free

    @property
    def count(self) -> int:
        """How many boxes there are."""
        return math.prod(item.points for item in self.free)

    def values_mm(self, key: Key) -> dict[str, float]:
        """Dimensions of a box by name [mm]."""
        return {item.name: item.value(k) for item, k in zip(self.free, key, strict=True)}

    def key_of(self, values_mm: Mapping[str, float]) -> Key:
        """The box nearest to dimensions by name [mm]."""
        return tuple(item.index(float(values_mm[item.name])) for item in self.free)

    def space(self, key: Key, *, against: Floats | None = None) -> Space:
        """The space of one box.

        Parameters
        ----------
        key : tuple of int
        against : ndarray, shape (m, d), optional
            Objectives of packs found before, see OneBox.

        Raises
        ------
        BadInput
            When the brief allows no such box.
        """
        if against is None and key in self._spaces:
            return self._spaces[key]
        fixed = replace(self.inputs, brief=self.brief.fixed(self.values_mm(key)))
        here = in_boxes_of(self.context, fixed.brief)
        space = Space(fixed, here, offer=OneBox(against, self.safety))
        if against is None:
            while len(self._spaces) >= KEPT_SPACES:
                self._spaces.pop(next(iter(self._spaces)))
            self._spaces[key] = space
        return space

    def shortfalls(self, key: Key) -> dict[str, float]:
        """By how much a box breaks the vehicle's outer limits.

        Returns
        -------
        dict of str to float
            By limit, 0 where it is kept [mm]; UNUSABLE is 1 where cells can stand in some compartment nowhere.
        """
        try:
            brief = self.brief.fixed(self.values_mm(key))
        except BadInput:
            return {UNUSABLE: 1.0}
        out = {name: max(-gap, 0.0) for name, gap in room_margins(brief, compartments(brief)).items()}
        out[UNUSABLE] = float(bool(compartment_problems(brief)))
        # What rounding makes of a limit that is just kept.
        return {name: gap if gap > 1e-6 else 0.0 for name, gap in out.items()}

    def reach(self) -> list[int]:
        """Number of the largest value of each dimension that the outer limits allow while the others are least."""
        out = []
        for k, item in enumerate(self.free):
            low, high = 0, item.points - 1
            while low < high:
                middle = (low + high + 1) // 2
                key = tuple(middle if j == k else 0 for j in range(len(self.free)))
                kept = not any(gap for name, gap in self.shortfalls(key).items() if name != UNUSABLE)
                low, high = (middle, high) if kept else (low, middle - 1)
            out.append(low if low else item.points - 1)
        return out

    def grid(self, levels: int, *, most: int, seed: int) -> list[Key]:
        """A coarse grid over all that the outer limits allow, ends included; thinned by lot when too large.

        Parameters
        ----------
        levels : int
            Values of each dimension.
        most : int
            Boxes at most; the smallest and the largest box always stay.
        """
        while levels > 2 and levels ** len(self.free) > most:
            levels -= 1
        axes = [
            sorted({round(x) for x in np.linspace(0, most_k, min(levels, most_k + 1))}) if levels > 1 else [most_k // 2]
            for most_k in self.reach()
        ]
        if math.prod(map(len, axes)) <= most:
            return list(product(*axes))
        rng = np.random.default_rng([seed, 1])
        ends = {tuple(axis[0] for axis in axes), tuple(axis[-1] for axis in axes)}
        drawn = ends if most > 1 else set()
        while len(drawn) < most:
            drawn.add(tuple(int(rng.choice(axis)) for axis in axes))
        return sorted(drawn)


def open_boxes(brief: OpenBrief) -> Boxes:
    """Read all that an open brief names.

    Parameters
    ----------
    brief : OpenBrief
        With free dimensions, or without: then there is one box.

    Raises
    ------
    BadInput
        With every problem that the largest, the middle and the smallest box share; "pin-without-box" when a
        pack is pinned whose box is not.
    """
    if brief.free and "pin" in brief.data:
        text = "needs one box, and this brief's are ranges: leave [pin] out, or write numbers"
        raise BadInput([Problem("pin-without-box", str(brief.path), "", "pin", "", text)])
    problems: list[Any] = []
    for share in (1.0, 0.5, 0.0):
        key = tuple(round(share * (item.points - 1)) for item in brief.free)
        values = {item.name: item.value(k) for item, k in zip(brief.free, key, strict=True)}
        try:
            inputs = read_inputs(brief.fixed(values))
        except BadInput as bad:
            problems.append(bad)
            continue
        return Boxes(brief, inputs, make_space(inputs).context)
    raise problems[0]


def read_any(path: Path) -> tuple[Inputs, tuple[FreeDimension, ...]]:
    """All that a brief names, with the dimensions that it leaves free; the inputs are then those of one box.

    Raises
    ------
    BadInput
        As `open_boxes`.
    """
    brief = open_brief(path)
    return (open_boxes(brief).inputs, brief.free) if brief.free else (load_inputs(path), ())


def boxes_of_row(brief: OpenBrief, row: Mapping[str, Any]) -> dict[str, float]:
    """Free dimensions out of a row of the front [mm].

    Parameters
    ----------
    row : mapping
        With a column dim_… for each free dimension.

    Raises
    ------
    BadInput
        For every dimension that the row has no column for: it belongs to another brief.
    """
    missing = [item for item in brief.free if item.column not in row]
    if missing:
        raise BadInput([brief.complaint(item) for item in missing])
    return {item.name: float(row[item.column]) for item in brief.free}


def space_of_row(brief: OpenBrief, row: Mapping[str, Any]) -> Space:
    """The space that a row of the front belongs to: the brief fixed at the row's dimensions.

    Raises
    ------
    BadInput
        As `boxes_of_row`, and with every problem of the catalogs.
    """
    return replace(make_space(read_inputs(brief.fixed(boxes_of_row(brief, row)))), offer=OneBox())
