"""The settings of a design, what trips first and how warm its parts get, as steps of the build sheet."""

from __future__ import annotations

from typing import TYPE_CHECKING

from optimizer.review.sheets.steps import Step

if TYPE_CHECKING:
    from optimizer.design.model import Design


def settings_steps(design: Design) -> list[Step]:
    """Settings, what trips first, temperatures after a peak; nothing for a design without them."""
    if not design.settings:
        return []
    heads = ("where", "setting", "value", "per cell [V]", "per pack [V]", "after", "remark")
    names = {"peak_power_w": "Peak power", "continuous_power_w": "Continuous power", "range_km": "The range"}
    bound = tuple(f"{names[key]} is limited by: {words}." for key, words in design.limits.items())
    return [
        Step("Settings of controller, BMS and charger", design.setting_notes, (heads, design.settings)),
        Step(
            "What trips first",
            ("Check that the values set keep this order: controller, BMS, fuse, and the wire never.",),
            (("when", "what acts, first to last", "at", "after"), design.trips),
            note="Times of the fuse are its shortest and longest. The wire's time runs until its insulation is at its "
            "limit, from the warmth of the fuse's continuous load.",
        ),
        Step(
            "Temperatures of the parts",
            bound,
            (("part", "name", "after the peak [°C]", "ride's hottest [°C]", "continuous power [°C]"), design.warm),
            note="Each with its limit, from the warm air of the box. What bounds a fuse is its opening time: its limit "
            "is what its ends would reach at the current that it may carry as long.",
        ),
    ]
