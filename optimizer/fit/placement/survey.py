"""How many cells of each size every compartment holds, with the proof: what `cellstow fit` reports."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.base.arrays import Ints
from optimizer.base.problems import BadInput, Problem
from optimizer.brief import Brief
from optimizer.brief.spaces import PartSection
from optimizer.catalog import Cells, matching
from optimizer.catalog.types import Fuses
from optimizer.fit.placement.bodies import Body, Point, places, poses
from optimizer.fit.placement.place import place
from optimizer.fit.placement.proof import Proof, prove
from optimizer.fit.placement.zones import best_cut, cuts, zone_name, zone_room
from optimizer.fit.region.compartment import Compartment, faults
from optimizer.fit.region.geometry import clearance, compartment, compartments, sizes_of
from optimizer.fit.region.layout import AXES, CellSize, Layout


@dataclass(frozen=True, eq=False)
class Finding:
    """The best layout of one cell size in one compartment.

    Parameters
    ----------
    cell_ids : tuple of str
        All cells of the catalog with this size.
    layout : Layout or None
        None when not one cell fits.
    proof : Proof or None
        What the independent check says of the layout.
    regular : int
        Cells of the best layout in regular rows, to show what free placement gained.
    zones : tuple of Finding
        Of the zones that hold the most cells in rows together, where [fit] zones allows some and they hold more.
    """

    compartment: Compartment
    size: CellSize
    cell_ids: tuple[str, ...]
    layout: Layout | None
    proof: Proof | None
    regular: int
    zones: tuple[Finding, ...] = ()

    @property
    def cells(self) -> int:
        """Cells held."""
        return self.layout.cells if self.layout else 0

    def record(self) -> dict[str, object]:
        """The finding as JSON's types; a gap to something that is not there is null."""
        gaps = self.proof and {
            "cell": self.proof.least_gap_cell_mm,
            "wall": self.proof.least_gap_wall_mm,
            "keep_out": self.proof.least_gap_keep_out_mm,
        }
        finite = {name: round(gap, 6) for name, gap in (gaps or {}).items() if np.isfinite(gap)}
        span = {"low_mm": 0, "high_mm": 1} if self.compartment.zone_mm else {}
        return {
            "compartment": self.compartment.name,
            **{name: [ends[k] for ends in self.compartment.span_mm] for name, k in span.items()},
            "cell_ids": list(self.cell_ids),
            "cells": self.cells,
            "layout": self.layout.name if self.layout else "",
            "least_gap_mm": min(finite.values()) if finite else None,
            "gaps_mm": {name: finite.get(name) for name in ("cell", "wall", "keep_out")},
            "regular_cells": self.regular,
            "proven": bool(self.proof and self.proof.ok),
            **({"zones": [zone.record() for zone in self.zones]} if self.zones else {}),
        }


def compartment_problems(brief: Brief) -> dict[str, list[Problem]]:
    """What makes compartments unusable, by compartment name; sound ones are not in it."""
    rules = clearance(brief)
    found = {}
    for item in brief.compartment:
        try:
            wrong = faults(compartment(brief, item), clearance=rules)
        except BadInput as bad:
            found[item.name] = list(bad.problems)
            continue
        if wrong:
            file = str(brief.path)
            found[item.name] = [Problem(code, file, expected=text) for code, text in wrong]
    return found


def body_of(part: PartSection, size_mm: Point) -> Body:
    """A part of the brief as a body."""
    return Body(
        part.name, size_mm, tuple(AXES.index(axis) for axis in part.up), part.gap_mm,
        ("length", "width", "height").index(part.free_face), part.free_mm,
    )  # fmt: skip


def nowhere(brief: Brief, part: PartSection, found: str) -> Problem:
    """A part that finds no place; `found` says how large it is."""
    where = ", ".join(part.within) or "any compartment"
    number = brief.part.index(part) + 1
    return Problem(
        "part-fits-nowhere", str(brief.path), f"[[part]] {number}", part.name, found,
        f"fits nowhere in {where}, with {part.gap_mm:g} mm around it and {part.free_mm:g} mm at its connectors"
        + (", and passages with half their bore free at their mouths" if brief.passage else ""),
    )  # fmt: skip


def with_fuse_room(brief: Brief, fuses: Fuses, rows: Sequence[int] | Ints) -> tuple[Brief, list[Problem]]:
    """A brief whose fuse is as large as the largest of some rows along each side, and what is wrong with that.

    A size that the brief gives stands. Fuses without sizes in their table are taken to find room there.
    """
    at = next((k for k, part in enumerate(brief.part) if part.kind == "fuse" and part.size_mm is None), None)
    if at is None:
        return brief, []
    sides = np.array([fuses.length_mm, fuses.width_mm, fuses.height_mm]).reshape(3, -1)[:, rows]
    sized = sides[:, np.isfinite(sides).all(axis=0)]
    if not sized.shape[1]:
        expected = (
            "is missing: length, width, height [mm], since no fuse of [vary] has length_mm, width_mm, height_mm in its "
            "table"
        )
        return brief, [Problem("missing-key", str(brief.path), f"[[part]] {at + 1}", "size_mm", "", expected)]
    x, y, z = sized.max(axis=1).tolist()
    part = brief.part[at].model_copy(update={"size_mm": (x, y, z)})
    return brief.model_copy(update={"part": (*brief.part[:at], part, *brief.part[at + 1 :])}), []


def part_problems(brief: Brief, boards_mm: Sequence[Point] = ()) -> list[Problem]:
    """Parts, each board that may be chosen among them, that fit in no compartment that may hold them, not even alone.

    Compartments must be sound; whether parts find room beside each other is seen later. Without boards_mm, lengths,
    widths and heights [mm], nothing is said of the board.
    """
    rooms = compartments(brief)
    found = []
    for part in brief.part:
        sizes = [part.size_mm] if part.size_mm is not None else sorted(set(boards_mm), key=math.prod)
        if part.outside or not sizes or (part.kind == "fuse" and part.size_mm is None):
            continue
        allowed = [room for room in rooms if not part.within or room.name in part.within]
        bodies = [body_of(part, size) for size in sizes]
        if not any(places(room, body, pose) for body in bodies for room in allowed for pose in poses(body)):
            least = " × ".join(f"{side:g}" for side in sizes[0]) + " mm"
            found.append(nowhere(brief, part, least + f", the smallest of {len(sizes)} boards" * (len(sizes) > 1)))
    return found


def survey(brief: Brief, cells: Cells, *, progress: Callable[[int, int], None] | None = None) -> list[Finding]:
    """Best layout of every distinct cell size in every sound compartment, by rising size.

    Of the brief only [catalog] cells, [clearance], [fit], [[compartment]] and [vary] cells are used; `progress` is told
    the layouts done and to do.
    """
    rows = np.flatnonzero(matching(cells.id.tolist(), brief.vary.cells))
    sizes, size_of = sizes_of(brief, cells, rows)
    order = np.argsort(size_of, kind="stable")
    members = np.split(rows[order], np.cumsum(np.bincount(size_of, minlength=len(sizes)))[:-1])
    ids = [tuple(str(cells.id[row]) for row in each) for each in members]
    unusable = compartment_problems(brief)
    rooms = [compartment(brief, item) for item in brief.compartment if item.name not in unusable]
    found = []
    for room in rooms:
        for size, names in zip(sizes, ids, strict=False):
            whole = _finding(brief, room, size, names)
            found.append(replace(whole, zones=_in_zones(brief, whole)) if brief.fit.zones > 1 else whole)
            if progress is not None:
                progress(len(found), len(rooms) * len(sizes))
    return found


def _finding(brief: Brief, room: Compartment, size: CellSize, ids: tuple[str, ...]) -> Finding:
    layouts = place(
        room,
        size,
        clearance(brief, size),
        placements=brief.fit.placements,
        seconds=brief.fit.seconds,
        seed=fit_seed(brief),
    )
    regular = max((x.cells for x in layouts if x.placement != "free"), default=0)
    if not layouts:
        return Finding(room, size, ids, None, None, 0)
    return Finding(room, size, ids, layouts[0], prove(layouts[0], room, clearance(brief, size)), regular)


def _in_zones(brief: Brief, whole: Finding) -> tuple[Finding, ...]:
    room, size = whole.compartment, whole.size
    cut = best_cut(*cuts(room, size, clearance(brief, size), zones=brief.fit.zones), 1)
    if cut is None:
        return ()
    rooms = [replace(zone_room(room, zone), name=zone_name(room.name, k)) for k, zone in enumerate(cut[0])]
    found = tuple(_finding(brief, each, size, whole.cell_ids) for each in rooms)
    return found if sum(each.cells for each in found) > whole.cells else ()


def fit_seed(brief: Brief) -> int:
    """The fit's own seed, or the brief's."""
    return brief.seed if brief.fit.seed is None else brief.fit.seed
