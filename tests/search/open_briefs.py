"""A small brief with ranges."""

from optimizer.catalog import builtin_catalogs

LENGTH = "{ min = 104, max = 204, step = 20 }"
WIDTH = "{ min = 66, max = 126, step = 12 }"


def brief_text(
    *, length=LENGTH, width=WIDTH, more="", search="", box_lines="", outer="", cells='["amber-18650-*"]',
    wires="silicone-*",
):
    """A brief over one box whose length and width are ranges; the other words are lines that go in at their place."""
    folder = builtin_catalogs().as_posix()
    tables = "".join(f'{name} = "{folder}/{name}.csv"\n' for name in ("cells", "strips", "wires", "bms", "fuses"))
    return f"""
title = "boxes"
[catalog]
{tables}
[fit]
ways = ["tray"]
placements = ["square"]
[[compartment]]
name = "tray 1"
shape = "box"
length_mm = {length}
width_mm = {width}
height_mm = 78.0
axes = ["z"]
{outer}
{more}
[electrical]
voltage_max_v = 42.0
voltage_min_v = 20.0
battery_current_a = 30.0
[vehicle]
mass_kg = 12.0
rider_kg = 70.0
cda_m2 = 0.6
crr = 0.015
drivetrain_efficiency = 0.8
[ride]
speed_kmh = 18.0
[protection]
fuse_protects = false
[objectives]
use = ["range_km", "peak_power_w", "cost"]
[vary]
cells = {cells}
series = [10, 10]
parallel = [1, 5]
strips = ["nickel-8x0.20", "copper-8x0.10"]
wires = ["{wires}"]
{box_lines}
{search}
"""
