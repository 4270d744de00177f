"""Random briefs over the built-in catalogs, every part of the score drawn: what the plain score is held against."""

import re

import pandas as pd

from optimizer.catalog import builtin_catalogs

ROUND = ["amber-18650-e29", "cinder-18650-*", "birch-21700-b45", "grove-18650-e15", "iris-18650-*", "juniper-18650-*"]
FLAT = ["tarn-pouch-e52", "heath-pouch-p31", "slate-prismatic-e82", "iris-pouch-p22", "tarn-pouch-p78"]


def trace_text(rng):
    """A lap of 2 to 5 minutes with stops, hills, and steps of uneven length."""
    rows, time, speed = ["time_s,speed_kmh,grade_pct"], 0.0, 0.0
    for _ in range(int(rng.integers(40, 90))):
        grade = 0.0 if rng.random() < 0.4 else rng.uniform(-4, 4)
        rows.append(f"{time:.2f},{speed:.2f},{grade:.2f}")
        seconds = float(rng.choice([1.0, 2.0, 2.5, 7.3]))
        time += seconds
        speed = min(max(speed + rng.uniform(-3, 2.2) * seconds, 0.0), 26.0)
    rows += [f"{time:.2f},0,0", f"{time + 3:.2f},0,0"]
    return "\n".join(rows) + "\n"


def compartments_text(rng, flat, names=()):
    out = []
    names = names or ["rear", "deck", "stem"][: int(rng.integers(1, 4))]
    for k, name in enumerate(names):
        long, wide, high = rng.uniform(95, 170), rng.uniform(62, 95), rng.uniform(76, 84)
        place = f"position_mm = [{300 * k}.0, {rng.uniform(-40, 40):.1f}, {rng.uniform(0, 90):.1f}]\n"
        place += f"rotation_deg = [{rng.uniform(-90, 90):.1f}, {rng.uniform(-90, 90):.1f}, 30.0]\n"
        if flat:
            long, wide, high = long + 90, wide + 60, high + 40
        if rng.random() < 0.5:
            shape = f'shape = "box"\nlength_mm = {long:.1f}\nwidth_mm = {wide:.1f}\nheight_mm = {high:.1f}\n'
        else:
            lean = rng.uniform(0, 9)
            profile = f"[[0, 0], [{long:.1f}, 0], [{long - lean:.1f}, {high:.1f}], [{lean:.1f}, {high:.1f}]]"
            shape = f'shape = "prism"\nprofile_mm = {profile}\nextrude = "y"\ndepth_mm = {wide:.1f}\n'
        axes = sorted(str(axis) for axis in rng.choice(["x", "y", "z"], size=int(rng.integers(1, 3)), replace=False))
        out.append(f'[[compartment]]\nname = "{name}"\n{shape}{place}axes = {axes}\n')
    return "".join(out), names


def charger_file(rng, folder, low):
    """Chargers for the full voltages of every chemistry, some a little off, some too strong."""
    rows = ["id,voltage_v,current_a,efficiency,mass_g,price"]
    for series in range(low, low + 5):
        for k, full_v in enumerate((4.2, 3.65, 2.7, 3.95)):
            volts, amps = series * (full_v + rng.choice([0.0, 0.02])), rng.choice([0.3, 0.8, 2.0, 5.0])
            rows.append(f"c{series}-{k},{volts:.3f},{amps},0.9,400,{rng.uniform(10, 50):.2f}")
    path = folder / f"chargers{rng.integers(10**6)}.csv"
    path.write_text("\n".join(rows) + "\n")
    return path


def cells_file(rng, folder):
    """The cells with steps of charge current and, in most, curves that say how voltage changes with temperature."""
    catalogs = builtin_catalogs()
    cells = pd.read_csv(catalogs / "cells.csv", comment="#", dtype=str)
    limits, curves = [], []
    for _, row in cells.iterrows():
        most = float(row["current_charge_a"]) / float(row["capacity_ah"])
        cold, rates = sorted(rng.permutation(42)[:3] - 12.0), sorted(rng.uniform(0.02, 1.0, 3) * most)
        steps = ";".join(f"{c:g}:{r:.4f}" for c, r in zip(cold, rates, strict=True))
        limits.append(steps if rng.random() < 0.7 else "")
        curve = pd.read_csv(catalogs / "ocv" / f"{row['chemistry']}.csv", comment="#")
        # From -0.5 to 0.3 mV/K, as published curves of lithium-ion cells have (invented here).
        curve["entropy_mv_per_k"] = rng.uniform(-0.5, 0.3, len(curve)).round(3)
        path = folder / f"ocv{len(curves)}-{rng.integers(10**6)}.csv"
        curve.to_csv(path, index=False)
        curves.append(path.as_posix() if rng.random() < 0.8 else "")
    cells["charge_limits"], cells["ocv"] = limits, curves
    path = folder / f"cells{rng.integers(10**6)}.csv"
    cells.to_csv(path, index=False)
    return path


def thermal_text(rng):
    """Wind, sun, and fillers of every kind."""
    colour = rng.choice(["white", "light", "dark", "black"])
    text = f"[thermal]\nwind_part = {rng.choice([0.0, 0.3, 1.0])}\nsun_w_m2 = {rng.choice([0.0, 200.0, 700.0])}\n"
    text += f'colour = "{colour}"\nalways_filled = {"true" if rng.random() < 0.6 else "false"}\n'
    for kind in rng.permutation(["potting", "pads", "plate"])[: int(rng.integers(1, 3))]:
        text += f'[[thermal.filler]]\nname = "some {kind}"\nkind = "{kind}"\n'
        text += f"conductivity_w_m_k = {rng.uniform(0.3, 5):.2f}\ndensity_kg_m3 = {rng.uniform(900, 3000):.0f}\n"
        text += f"specific_heat_j_kg_k = {rng.uniform(800, 1500):.0f}\nprice_per_kg = {rng.uniform(5, 60):.1f}\n"
        text += f"reach_mm = {rng.uniform(0.5, 12):.1f}\nplate_price_per_kg = {rng.uniform(5, 40):.1f}\n"
    return text


def warmed_brief(rng, folder):
    """A random brief with cells of `cells_file`, [thermal], and a place of its own to be charged at."""
    text = brief_text(rng, folder, flat=False)
    text = re.sub(r'cells = ".*cells.csv"', f'cells = "{cells_file(rng, folder).as_posix()}"', text)
    text = text.replace("[vehicle]", f"charge_temp_c = {rng.uniform(0, 30):.1f}\n[vehicle]")
    cold = f'[[situation]]\nname = "cold"\ntemp_c = {rng.uniform(-9, 4):.1f}\nstart_temp_c = {rng.uniform(5, 15):.1f}\n'
    cold += "sun_w_m2 = 0.0\n"
    hot = f'[[situation]]\nname = "hot"\ntemp_c = {rng.uniform(28, 38):.1f}\nsun_w_m2 = {rng.uniform(300, 1000):.0f}\n'
    return f"{text}{thermal_text(rng)}{cold}{hot}"


def brief_of_many_rooms(rng, folder, *, count, way):
    """A brief of so many compartments, with choices few enough to be drawn from with nothing left out."""
    text = brief_text(rng, folder, names=[f"box-{k}" for k in range(count)], flat=False)
    for old, new in (
        (r"axes = .*", 'axes = ["z"]'), (r"sensors = .*", f"sensors = {rng.integers(0, 3)}"),
        (r"placements = .*", 'placements = ["square"]\ngroups_per_module = [2]'), (r"ways = .*", f'ways = ["{way}"]'),
        (r"parallel = .*", "parallel = [4, 4]"),
    ):  # fmt: skip
        text = re.sub(old, new, text)
    return text


def connector_text(rng):
    """Connectors in the power wires of every second brief."""
    if rng.random() < 0.5:
        return ""
    return (
        f"[power_connector]\ncurrent_a = {rng.uniform(15, 60):.1f}\ntau_s = {rng.uniform(5, 100):.1f}\n"
        f"resistance_mohm = {rng.uniform(0.0, 1.0):.2f}\nmass_g = {rng.uniform(0, 30):.1f}\n"
        f"price = {rng.uniform(0, 9):.2f}\n"
    )


def brief_text(rng, folder, *, names=(), flat=None):
    """A brief; its trace, if it has one, is written into the folder."""
    catalogs = builtin_catalogs().as_posix()
    chargers = ""
    low = int(rng.integers(9, 12))
    if rng.random() < 0.7:
        chargers = f'chargers = "{charger_file(rng, folder, low).as_posix()}"'
    flat = rng.random() < 0.2 if flat is None else flat
    rooms, names = compartments_text(rng, flat, names)
    if rng.random() < 0.6:
        trace = folder / f"ride{rng.integers(10**6)}.csv"
        trace.write_text(trace_text(rng))
        ride = f'trace = "{trace.as_posix()}"'
    else:
        ride = f"speed_kmh = {rng.uniform(10, 28):.2f}\ngrade_pct = {rng.uniform(-0.5, 3):.2f}\nlength_km = 0.7"
    motor = "wheel_diameter_mm = 254.0\nmotor_speed_constant_rpm_per_v = 60.0\nmotor_resistance_mohm = 70.0\n"
    walls = f'[box]\ncompartments = ["{names[0]}"]\nwall_mm = 2.0\ndensity_kg_m3 = 2700.0\nprice_per_kg = 18.0\n'
    walls = walls if rng.random() < 0.3 else ""
    bms_in = rng.choice(names) if rng.random() < 0.3 else ""
    cells = rng.choice(FLAT if flat else ROUND, size=2, replace=False)
    # Bolted in every second brief of blocks; drawn from nothing, so that all others stay as they were.
    bolts = '[joining]\nmethods = ["bolt"]\n' if flat and low % 2 else ""
    return f"""
title = "random"
seed = 3
[catalog]
{"".join(f'{name} = "{catalogs}/{name}.csv"' + chr(10) for name in ("cells", "strips", "wires", "bms", "fuses"))}
{chargers}
[clearance]
wall_mm = {rng.uniform(0.5, 1.5):.2f}
case_mm = {rng.uniform(1.0, 2.0):.2f}
cell_gap_mm = {rng.uniform(0.4, 1.2):.2f}
end_mm = {rng.uniform(1.8, 3.0):.2f}
{bolts}[fit]
ways = {["tray"] if rng.random() < 0.6 else ["modules"]}
placements = {["square"] if rng.random() < 0.6 else ["square", "staggered"]}
{rooms}
[electrical]
voltage_max_v = 110.0
voltage_min_v = 12.0
battery_current_a = {rng.uniform(15, 60):.1f}
regen_current_a = {rng.uniform(0, 15):.1f}
peak_seconds = {rng.choice([2.0, 10.0, 20.0])}
reference_soc = {rng.uniform(0.4, 0.8):.3f}
low_soc = {rng.uniform(0.1, 0.3):.3f}
temp_c = {rng.uniform(-5, 40):.1f}
[vehicle]
mass_kg = 15.0
rider_kg = {rng.uniform(50, 110):.1f}
payload_kg = {rng.uniform(0, 20):.1f}
cda_m2 = {rng.uniform(0.4, 0.8):.3f}
crr = {rng.uniform(0.008, 0.02):.4f}
drivetrain_efficiency = {rng.uniform(0.7, 0.9):.3f}
regen_efficiency = {rng.choice([0.0, 0.4, 0.6])}
accessory_w = {rng.choice([0.0, 6.0])}
rotating_factor = {rng.uniform(1.0, 1.1):.3f}
altitude_m = {rng.uniform(0, 2000):.0f}
{motor if rng.random() < 0.6 else ""}
[ride]
{ride}
start_soc = {rng.choice([1.0, 0.95])}
reserve_soc = {rng.choice([0.05, 0.1, 0.2])}
temp_c = {rng.uniform(-5, 35):.1f}
[vary]
cells = {[str(cell) for cell in cells]}
series = [{low}, {low + int(rng.integers(0, 5))}]
parallel = [1, {2 if flat else 4}]
strip_layers = [1, 2]
[parts]
spare_fraction = {rng.choice([0.0, 0.05, 0.1])}
weld_mohm = {rng.uniform(0.0, 0.3):.2f}
sensors = {rng.integers(0, 4)}
[harness]
bms_in = "{bms_in}"
share_balance_leads = {"true" if rng.random() < 0.5 else "false"}
slack_mm = {rng.uniform(0, 80):.1f}
[ageing]
capacity_fraction = {rng.choice([1.0, 0.8])}
resistance_factor = {rng.choice([1.0, 1.4])}
[spread]
dcir = {rng.choice([0.0, 0.02, 0.05])}
{walls}
[case]
lid = "{rng.choice(["snaps", "screws", "none"])}"
hold = "{rng.choice(["feet", "straps", "none"])}"
bore_clearance_mm = {rng.uniform(0.1, 0.4):.2f}
mark_mm = {rng.choice([0.0, 0.4])}
{connector_text(rng)}
"""
