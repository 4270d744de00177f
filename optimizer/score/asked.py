"""What is asked for of one pack, by [pin] or by the command line, against catalogs and compartments."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from optimizer.base.problems import Problem, nearest
from optimizer.brief import Brief
from optimizer.brief.choice import Choice
from optimizer.brief.pins import split_names

PARTS = {"cell": "cells", "strip": "strips", "wire": "wires", "bms": "bms", "fuse": "fuses"}


def asked_problems(
    brief: Brief, tables: Mapping[str, Any], asked: Choice, *, left_out: Mapping[str, str], place: str = ""
) -> list[Problem]:
    """What is asked for and known to no catalog, no compartment, or contradicts itself.

    Parameters
    ----------
    tables : mapping of str to Catalog or None
        By the values of PARTS; None where a table can't be read.
    left_out : mapping of str to str
        Why cells are left out, by id.
    place : str
        Put before each key, such as "pin.".
    """
    file, rooms = str(brief.path), [room.name for room in brief.compartment]
    found = []

    def tell(code: str, key: str, value: object, expected: str) -> None:
        found.append(Problem(code, file, "", place + key, str(value), expected))

    for name, kind in PARTS.items():
        wanted, table = getattr(asked, name), tables[kind]
        if wanted is not None and table is not None and wanted not in table.id.tolist():
            tell("unknown-part", name, wanted, f"is not in {table.file}{_near(wanted, table.id.tolist())}")
        if name == "cell" and wanted in left_out:
            tell("left-out", name, wanted, left_out[wanted])
    for named, names in ((asked.split, split_names(rooms, brief.fit.zones)), (asked.axes, rooms)):
        for room in (room for room in named or {} if room not in names):
            tell("unknown-part", "compartment", room, f"is not in the brief{_near(room, names)}")
    for name in ("series", "parallel", "strip_layers"):
        value = getattr(asked, name)
        if value is not None and value < 1:
            tell("not-positive", name, value, "must be at least 1")
    total, per = asked.groups, asked.groups_per_module
    if asked.series not in (None, total):
        tell("split-sum", "split", total, f"must add up to the {asked.series} groups in series")
    most = asked.series if asked.series is not None else total
    if per is not None and most is not None and per > most:
        tell("module-over-series", "groups_per_module", per, f"must be at most the {most} groups in series; 0: a tray")
    return found


def pin_problems(brief: Brief, tables: Mapping[str, Any], *, left_out: Mapping[str, str]) -> list[Problem]:
    """As `asked_problems`, for all pins of a brief."""
    several = isinstance(brief.pin, tuple)
    return [
        problem
        for k, pin in enumerate(brief.pins.values(), start=1)
        for problem in asked_problems(
            brief, tables, pin.choice, left_out=left_out, place=f"pin[{pin.name or k}]." if several else "pin."
        )
    ]


def _near(value: str, known: list[str]) -> str:
    near = nearest(value, known)
    return f"; nearest: {near}" if near else ""
