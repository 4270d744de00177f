"""Bench of the exact search, run by hand: python tests/bench/bench_search.py [--scale | --growth | --plain]

A brief of 200 cells made here by rule, three compartments, S and P wide open, every strip, wire, BMS and fuse
of the demo catalogs. Answers are compared before times are: the engine's front with plain enumeration on the
largest space that can be enumerated.
"""

from __future__ import annotations

from pathlib import Path

from optimizer.catalog import builtin_catalogs

# Diameter, length [mm], capacity [Ah], mass [g] of the energy cell that each size is scaled from.
SIZES = {
    "18650": (18.6, 65.4, 3.45, 48.6), "18700": (18.7, 70.4, 3.7, 52.0), "20700": (20.4, 70.6, 4.2, 61.0),
    "21700": (21.6, 70.6, 5.0, 69.5), "22700": (22.3, 70.6, 5.3, 73.0), "26650": (26.6, 65.6, 5.8, 92.0),
    "26700": (26.7, 70.6, 6.2, 97.0), "32700": (32.6, 70.8, 7.2, 145.0),
}  # fmt: skip
VOLTS = {"NMC": (3.65, 4.2, 2.5), "NCA": (3.6, 4.2, 2.5), "LFP": (3.2, 3.65, 2.0)}
HEAD = (
    "id,format,shape,diameter_mm,length_mm,width_mm,thickness_mm,chemistry,capacity_ah,capacity_min_ah,"
    "voltage_nominal_v,voltage_max_v,voltage_min_v,dcir_mohm,current_continuous_a,current_pulse_a,pulse_s,"
    "current_charge_a,mass_g,price,price_breaks,stock,temp_min_c,temp_max_c"
)


def cell_rows(count: int) -> list[str]:
    """Invented cells: sizes in turn, each between energy and power, with chemistries two to one to one."""
    rows = []
    for k in range(count):
        name, (diameter, length, capacity, mass) = list(SIZES.items())[k % len(SIZES)]
        chemistry = ("NMC", "NCA", "NMC", "LFP")[(k // len(SIZES)) % 4]
        nominal, most, least = VOLTS[chemistry]
        power = (k * 0.618034) % 1.0  # evenly spread by the golden ratio
        luck = (k * 0.754878) % 1.0
        ah = capacity * (1.0 - 0.45 * power) * (0.62 if chemistry == "LFP" else 1.0) * (0.94 + 0.06 * luck)
        ohm = 150.0 / ah * (1.0 - 0.75 * power) * (0.9 + 0.2 * luck)
        steady = ah * (2.0 + 8.0 * power)
        price = (0.55 * ah + 1.2 + 1.4 * power) * (0.85 + 0.3 * luck)
        rows.append(
            f"c{k:03d}-{name},{name},cylinder,{diameter},{length},,,{chemistry},{ah:.3f},{0.97 * ah:.3f},{nominal},"
            f"{most},{least},{ohm:.2f},{steady:.1f},{1.5 * steady:.1f},10,{0.5 * ah:.2f},{mass:.1f},{price:.2f}"
            ",,,-20,60"
        )
    return rows


def brief_text(catalogs: str, *, series: tuple[int, int], parallel: tuple[int, int], parts: str, limits: str) -> str:
    """A brief of three boxes over the cells made here and the demo's parts."""
    rooms = ((430, 80, 78), (300, 150, 78), (310, 62, 78))
    boxes = "".join(
        f'[[compartment]]\nname = "{name}"\nshape = "box"\nlength_mm = {length}\nwidth_mm = {width}\n'
        f"height_mm = {height}\nposition_mm = [{500 * j}, 0, {60 * j}]\naxes = [\"z\"]\n"
        for j, (name, (length, width, height)) in enumerate(zip(("deck", "rear", "stem"), rooms, strict=True))
    )
    tables = "".join(f'{name} = "{catalogs}/{name}.csv"\n' for name in ("strips", "wires", "bms", "fuses"))
    vary = "".join(f"{name} = {parts}\n" for name in ("wires", "bms", "fuses")) if parts else ""
    return f"""title = "bench"
[catalog]
cells = "cells.csv"
{tables}ocv = "{catalogs}/ocv"
[fit]
ways = ["tray"]
placements = ["square", "staggered"]
{boxes}
[electrical]
voltage_max_v = 84.0
voltage_min_v = 36.0
battery_current_a = 80.0
regen_current_a = 30.0
[vehicle]
mass_kg = 24.0
rider_kg = 80.0
payload_kg = 20.0
cda_m2 = 0.75
crr = 0.015
drivetrain_efficiency = 0.80
regen_efficiency = 0.5
[ride]
trace = "{catalogs}/rides/urban-hills.csv"
[constraints]
{limits}
[vary]
series = [{series[0]}, {series[1]}]
parallel = [{parallel[0]}, {parallel[1]}]
strip_layers = [1, 2]
{vary}"""


LIMITS = "range_km_min = 20.0\npeak_power_w_min = 2000.0\npack_mass_kg_max = 16.0\ncost_max = 1200.0\n"


def make_brief(
    folder: Path, *, cells: int = 200, series: tuple[int, int] = (1, 400), parallel: tuple[int, int] = (1, 400),
    parts: str = "", limits: str = LIMITS,
) -> Path:  # fmt: skip
    """Write cells.csv and the brief into a folder.

    Parameters
    ----------
    folder : Path
    cells : int
        How many of the cells made here.
    series, parallel : (int, int)
        As in [vary].
    parts : str
        Pattern list for wires, BMS and fuses, TOML; "" for all.
    limits : str
        Lines of [constraints].
    """
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "cells.csv").write_text("\n".join([HEAD, *cell_rows(cells)]) + "\n")
    brief = folder / "bench.toml"
    brief.write_text(
        brief_text(
            builtin_catalogs().as_posix(), series=series, parallel=parallel, parts=parts, limits=limits
        )
    )
    return brief
