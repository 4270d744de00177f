"""From a brief to how its cases are printed, and what no printer of the brief's can make."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict

from optimizer.base.problems import Problem
from optimizer.brief import Brief
from optimizer.fit.region.geometry import clearance
from optimizer.fit.region.layout import CellSize
from optimizer.pack.case.outline import CaseRules


def case_rules(brief: Brief, size: CellSize) -> CaseRules:
    """How a brief's cases are printed around cells of a size: [case] with the walls and gaps of [clearance]."""
    kept = asdict(clearance(brief, size))
    gaps = {name: kept[name] for name in ("cell_gap_mm", "end_mm", "wall_mm", "stack_mm")}
    gaps |= {"case_mm": brief.clearance.case_mm, "over_mm": size.over_mm, "tie_mm": size.tie_mm}
    asked = brief.case.model_dump(include={
        "nozzle_mm", "bed_mm", "bore_clearance_mm", "rib_mm", "lap_mm", "joint_mm", "lid", "hold", "chamfer_mm",
        "mark_mm", "slot_mm", "layer_mm", "speed_mm_s",
    })  # fmt: skip
    return CaseRules(**gaps, **asked)


def bed_problems(brief: Brief, sizes: Sequence[CellSize]) -> list[Problem]:
    """A print bed that takes not one group of any cell that may be chosen: code "bed-too-small"."""
    parallel = brief.vary.parallel[0]
    if not sizes or any(_group_fits(size, parallel, case_rules(brief, size)) for size in sizes):
        return []
    found = " × ".join(f"{side:g}" for side in brief.case.bed_mm)
    expected = f"is smaller than the case of one group of {parallel}: no cell that may be chosen fits"
    return [Problem("bed-too-small", str(brief.path), "", "case.bed_mm", found, expected)]


def _group_fits(size: CellSize, parallel: int, rules: CaseRules) -> bool:
    """Whether some block of rows of a group, standing on its end, lies on the bed with its walls."""
    wide, high = (size.diameter_mm,) * 2 if size.shape == "cylinder" else (size.width_mm, size.thickness_mm)
    if size.length_mm + 2.0 * rules.rim_mm > rules.bed_mm[2]:
        return False
    edge, gap = 2.0 * (rules.case_mm + rules.tie_mm), rules.cell_gap_mm
    shapes = ((rows, -(-parallel // rows)) for rows in range(1, parallel + 1))
    return any(
        rules.fits_bed(rows * (high + gap) - gap + edge, columns * (wide + gap) - gap + edge)
        for rows, columns in shapes
    )
