"""The settings of a design, what trips first and how warm its parts get, as steps of the build sheet."""

from __future__ import annotations

from dataclasses import astuple
from typing import TYPE_CHECKING

from optimizer.review.sheets.steps import WorkStep

if TYPE_CHECKING:
    from optimizer.design.model import Design
    from optimizer.design.warmth import Warmth


def bound_words(design: Design) -> dict[str, str]:
    """What binds peak power, continuous power and range, in words, by figure; empty where it is not known."""
    return {} if design.warm is None else {name: str(each["words"]) for name, each in design.warm.limits.items()}


def settings_steps(design: Design) -> list[WorkStep]:
    """Settings, what trips first, temperatures after a peak; nothing for a design without them."""
    if design.sheet is None or design.warm is None:
        return []
    sheet, heads = design.sheet, ("where", "setting", "value", "per cell [V]", "per pack [V]", "after", "remark")
    names = {"peak_power_w": "Peak power", "continuous_power_w": "Continuous power", "range_km": "The range"}
    bound = tuple(f"{names[key]} is limited by: {words}." for key, words in bound_words(design).items())
    return [
        WorkStep("Settings of controller, BMS and charger", sheet.notes,
             (heads, tuple(one.texts() for one in sheet.settings))),
        WorkStep(
            "What trips first",
            ("Check that the values set keep this order: controller, BMS, fuse; plates, connectors and wire never.",),
            (("when", "what acts, first to last", "at", "after"), tuple(astuple(one) for one in sheet.trips)),
            note="Times of the fuse are its shortest and longest. Those of the first plate, connectors and wire run "
            "until the part is at its limit, from the warmth of the fuse's continuous load.",
        ),
        WorkStep(
            "Temperatures of the parts",
            bound,
            (("part", "name", "after the peak [°C]", "ride's hottest [°C]", "continuous power [°C]"),
             _warm_rows(design.warm)),
            note="Each with its limit, from the warm air of the box. What bounds a fuse is its opening time: its limit "
            "is what its ends would reach at the current that it may carry as long.",
        ),
    ]  # fmt: skip


def _warm_rows(warm: Warmth) -> tuple[tuple[str, ...], ...]:
    """Each limited part with its temperatures and limits; plates, of which there are many, by the hottest of all."""
    rows: dict[tuple[str, str], list[str]] = {}
    for entries in warm.temps.values():
        plates = [each for each in entries if each["part"] == "strip"]
        hottest = max(plates, key=lambda each: float(each["temp_c"]))
        for each in (hottest, *(each for each in entries if each["part"] != "strip")):
            name = "hottest plate" if each["part"] == "strip" else str(each["name"])
            told = f"{each['temp_c']:.1f} of {round(float(each['limit_c']), 1):g}"
            rows.setdefault((str(each["part"]), name), []).append(told)
    return tuple((*key, *values) for key, values in rows.items())
