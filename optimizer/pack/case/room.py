"""Where a case may be in its compartment; apart from the brief, since layouts are kept by the code they need."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from optimizer.fit.region.compartment import Compartment
from optimizer.fit.region.section import free_section
from optimizer.pack.case.outline import CaseRules


def room_for(room: Compartment, *, axis: int, rules: CaseRules) -> Callable[[float, float], Any]:
    """Where a case that stands between two heights of an axis may be, seen along it: clear of walls and keep-outs."""

    def free(low_mm: float, high_mm: float) -> Any:
        section = free_section(room, axis=axis, low_mm=low_mm, high_mm=high_mm)
        return section.buffer(-rules.wall_mm, join_style="mitre")

    return free
