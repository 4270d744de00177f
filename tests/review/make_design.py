"""A small design made by hand for the tests of the review room; cells, parts and vehicle are invented."""

import numpy as np
import pandas as pd

from optimizer.design.conductors import Stock, station_records
from optimizer.design.model import Design, Drop, Station
from optimizer.fit.chain.groups import Chain
from optimizer.fit.placement.proof import prove
from optimizer.fit.region.compartment import Compartment, KeepOut, box, keep_out_box
from optimizer.fit.region.layout import CellSize, Clearance, Layout
from optimizer.pack.conductors.chained import chain_metal
from optimizer.pack.conductors.making import Way

CLEARANCE = Clearance()
SIZE = CellSize("cylinder", length_mm=70.6, diameter_mm=21.6)


def staggered(nx, ny, *, x0, z0, pitch):
    points = []
    for row in range(ny):
        for column in range(nx):
            points.append((x0 + pitch * (column + 0.5 * (row % 2)), z0 + row * pitch * 0.8661))
    return np.array(points)


def deck():
    """Tapered deck box with a keep-out, cells along y, three rows of 15, three positions left over."""
    profile = ((0.0, 0.0), (420.0, 0.0), (408.0, 78.0), (12.0, 78.0))
    keep = keep_out_box("controller", origin_mm=(372.0, 0.0, 0.0), length_mm=48.0, width_mm=118.0, height_mm=30.0)
    compartment = Compartment("deck", profile, 1, 83.0, (keep,), axes=(0, 1, 2))
    pitch = SIZE.diameter_mm + CLEARANCE.cell_gap_mm
    flat = staggered(15, 3, x0=28.0, z0=15.0, pitch=pitch)
    # Columns of three make the groups, back and forth is not needed: the chain runs along x.
    group = np.array([column for _ in range(3) for column in range(15)])
    group[14::15] = -1
    return compartment, flat, group


def _station(compartment, flat, group, *, axis, middle, groups, first):
    across = [a for a in range(3) if a != axis]
    centres = np.zeros((len(flat), 3))
    centres[:, across] = flat
    centres[:, axis] = middle
    extents = np.full((len(flat), 3), SIZE.diameter_mm)
    extents[:, axis] = SIZE.length_mm
    zeros = np.zeros(len(flat), dtype=np.int64)
    layout = Layout(
        compartment.name, SIZE, "tray", "staggered", axis, centres, extents, zeros, zeros,
        f"staggered along {'xyz'[axis]}, 1 layer",
    )  # fmt: skip
    group = group.astype(np.int64)
    held = int(group.max()) + 1
    polarity = np.where(group < 0, 0, np.where(group % 2 == 0, 1, -1))
    links = np.zeros(0, dtype=np.int64)
    chain = Chain(group, held, 3, np.full(held - 1, 2), polarity, links, "by hand")
    return Station(compartment, layout, chain, groups, first, prove(layout, compartment, CLEARANCE))


def stem():
    """Upright stem box, cells along y, two columns."""
    compartment = box("stem", length_mm=62.0, width_mm=82.0, height_mm=250.0)
    row = np.arange(14)
    flat = np.column_stack([np.where(row % 2 == 0, 19.0, 42.0), 16.0 + 16.0 * row])
    group = row // 3
    return compartment, flat, np.where(group < 4, group, -1)


def conductors(stations):
    """Nickel of 0.15 × 8 mm over both compartments."""
    stock = Stock("strip", "nickel", 0.15, 8900.0, 9.5e-8 * 1e3 / 0.15, 1, 2, 14e-3)
    found = []
    for one in stations:
        made = chain_metal(one.layout, one.chain, Way("strip", 8.0, 2), gaps=CLEARANCE, before=one.first_group)
        found += station_records(one, made, stock, series=18)
    return tuple(found)


def ride():
    time = np.arange(0.0, 4200.0, 10.0)
    speed = 6.2 + 1.2 * np.sin(time / 40.0)
    power = 260 + 140 * np.sin(time / 40.0) + 380 * (np.sin(time / 300.0) > 0.93)
    used = np.cumsum(power) * 10 / 3600
    soc = 1.0 - used / 640.0
    current = power / (58 + 18 * soc)
    return pd.DataFrame(
        {
            "time_s": time,
            "distance_km": np.cumsum(speed) * 10 / 1000,
            "soc": soc,
            "voltage_v": 58 + 17 * soc - 0.12 * current,
            "current_a": current,
            "power_w": power,
            "temp_c": 25 + 9 * (1 - np.exp(-time / 1800)) + 0.3 * np.sin(time / 300),
        }
    )


def make_row(**changes):
    row = {
        "design_id": "d-3f9a17", "cell_id": "demo-21700-hp", "series": 18, "parallel": 3, "cell_count": 54,
        "split": "deck:14 stem:4", "layout": "deck: staggered along y; stem: staggered along y",
        "strip": "ni-015", "wire": "w-6", "bms": "bms-20s-60a", "fuse": "f-60", "range_km": 31.4,
        "range_stop": "reserve", "peak_power_w": 3120.0, "peak_limit": "cell pulse current",
        "peak_low_w": 2410.0, "continuous_power_w": 1875.0, "pack_mass_kg": 5.12, "cost": 341.6,
        "energy_wh": 874.0, "consumption_wh_per_km": 25.1, "voltage_full_v": 75.6, "voltage_nominal_v": 64.8,
        "resistance_mohm": 118.0, "hot_cell_endless_c": 43.2, "speed_headroom_kmh": 4.6, "charge_min": 182.0,
        "crossing_conductors": 8, "margin_voltage_max_v": 8.4, "margin_range_km": 6.4,
        "margin_pack_mass_kg": 1.88, "margin_hot_cell_endless_c": 16.8,
    }  # fmt: skip
    return row | changes


def make_design(**changes):
    deck_box, deck_flat, deck_group = deck()
    stem_box, stem_flat, stem_group = stem()
    stations = (
        _station(deck_box, deck_flat, deck_group, axis=1, middle=41.5, groups=14, first=0),
        _station(stem_box, stem_flat, stem_group, axis=1, middle=41.0, groups=4, first=14),
    )
    bill = pd.DataFrame(
        [
            ("cells", "demo-21700-hp", 54, "piece", 54 * 69.0, 54 * 3.9),
            ("spare cells", "demo-21700-hp", 3, "piece", 0.0, 3 * 3.9),
            ("strip", "ni-015", 4.1, "m", 49.0, 6.2),
            ("case", "PETG", 412.0, "g", 412.0, 10.3),
            ("BMS", "bms-20s-60a", 1, "piece", 190.0, 48.0),
            ("fuse", "f-60", 1, "piece", 21.0, 4.5),
            ("wire", "w-6", 1.3, "m", 91.0, 5.1),
        ],
        columns=["item", "part", "quantity", "unit", "mass_g", "cost"],
    )
    bill.insert(4, "unit_price", bill["cost"] / bill["quantity"])
    harness = pd.DataFrame(
        [
            ("deck −", "BMS", "power", 210.0, "w-6", 6.0, 0.65, 15.0, 0.8, "", 0),
            ("deck +", "stem −", "power", 640.0, "w-6", 6.0, 2.0, 44.0, 2.1, "", 0),
            ("stem +", "pack connector at BMS", "power", 700.0, "w-6", 6.0, 2.2, 47.0, 2.4, "", 0),
            *[
                (f"deck group {max(k, 1)} {'+' if k else '−'}", "BMS", "balance", 180.0 + 20 * k, "w-025",
                 0.25, 12.0, 0.9, 0.05, "deck", 1)
                for k in range(15)
            ],
            *[
                (f"stem group {max(k, 15)} {'+' if k > 14 else '−'}", "BMS", "balance", 520.0 + 20 * k,
                 "w-025", 0.25, 30.0, 2.2, 0.11, "stem", 1)
                for k in range(14, 19)
            ],
        ],
        columns=["from", "to", "purpose", "length_mm", "wire", "area_mm2", "resistance_mohm", "mass_g",
                 "cost", "connector", "pins"],
    )  # fmt: skip
    harness = harness.assign(
        outer_mm=1.8 * harness["area_mm2"] ** 0.5 + 0.9,
        pin=harness.groupby("connector").cumcount() + 1, from_mm="0 0 0", to_mm="90 40 0", path_mm=130.0,
        spare_mm=harness["length_mm"] - 180.0, spare_for="joint beside its tap, legs in whole 5 mm", slack_mm=50.0,
        through="", way_mm="0 0 0; 90 0 0; 90 40 0",
    )  # fmt: skip
    plates = pd.DataFrame(
        [
            *[("deck", f"{k}-{k + 1}", 3, "nickel", 0.15, 8.0, 20.0, 2) for k in range(1, 14)],
            *[("stem", f"{k}-{k + 1}", 3, "nickel", 0.15, 8.0, 20.0, 2) for k in range(15, 18)],
        ],
        columns=["compartment", "plate", "pieces", "material", "thickness_mm", "width_mm", "length_mm", "layers"],
    )
    design = {
        "row": make_row(), "title": "cargo kick-scooter (invented)", "currency": "EUR",
        "clearance": CLEARANCE, "stations": stations,
        "cell": {
            "id": "demo-21700-hp", "format": "21700", "shape": "cylinder", "diameter_mm": 21.6,
            "length_mm": 70.6, "chemistry": "NMC", "capacity_ah": 4.5, "voltage_nominal_v": 3.6,
            "voltage_max_v": 4.2, "voltage_min_v": 2.5, "dcir_mohm": 14.0, "mass_g": 69.0, "price": 3.9,
        },
        "strip": {"id": "ni-015", "material": "nickel", "thickness_mm": 0.15, "width_mm": 8.0, "layers": 2},
        "wire": {"id": "w-6", "area_mm2": 6.0}, "bms": {"id": "bms-20s-60a", "series_max": 20},
        "fuse": {"id": "f-60", "current_a": 60.0}, "bill": bill, "harness": harness, "plates": plates,
        "ride": ride(), "conductors": conductors(stations), "rooms": tuple(one.compartment for one in stations),
        "cautions": ("Full charge is 75.6 V, above 60 V DC: live work is dangerous; local codes rule.",),
    }  # fmt: skip
    design |= {"drop": Drop(10.0, 0.5, 25.0, float(design["cell"]["dcir_mohm"]))}
    return Design(**(design | changes))


def make_front(rows=60):
    """An invented front: three cells, more cells in parallel give more of everything."""
    rng = np.random.default_rng(11)
    found = []
    for k in range(rows):
        kind, parallel = k % 3, 2 + (k // 3) % 5
        series = 16 + (k // 15) % 5
        energy = series * parallel * (9.5, 14.0, 16.8)[kind] * rng.uniform(0.98, 1.02)
        power = series * parallel * (95.0, 70.0, 42.0)[kind] * rng.uniform(0.97, 1.03)
        mass = 1.1 + series * parallel * (0.047, 0.066, 0.069)[kind]
        found.append(
            make_row(
                design_id=f"d{kind}-{k:03d}", cell_id=f"demo-{('a', 'b', 'c')[kind]}", series=series,
                parallel=parallel, cell_count=series * parallel, range_km=energy / 24.0, peak_power_w=power,
                split=f"deck:{series - 4} stem:4", pack_mass_kg=mass, energy_wh=energy,
                cost=55 + series * parallel * (3.1, 4.2, 4.9)[kind] * rng.uniform(0.95, 1.05),
                peak_low_w=power * 0.8, continuous_power_w=power * 0.55, voltage_full_v=4.2 * series,
                voltage_nominal_v=3.6 * series, hot_cell_endless_c=rng.uniform(36, 55),
            )
        )  # fmt: skip
    return pd.DataFrame(found)


def make_run():
    """An invented run.json."""
    return {
        "title": "cargo kick-scooter (invented)",
        "brief": {
            "title": "cargo kick-scooter (invented)", "currency": "EUR",
            "compartment": [
                {
                    "name": "deck", "shape": "prism", "extrude": "y", "depth_mm": 83.0,
                    "profile_mm": [[0, 0], [420, 0], [408, 78], [12, 78]],
                    "keep_out": [{"name": "controller"}],
                },
                {"name": "stem", "shape": "box", "length_mm": 62.0, "width_mm": 82.0, "height_mm": 250.0},
            ],
            "electrical": {
                "voltage_max_v": 84.0, "voltage_min_v": 44.0, "battery_current_a": 45.0,
                "regen_current_a": 10.0,
            },
            "vehicle": {"mass_kg": 14.0, "rider_kg": 80.0, "payload_kg": 25.0},
            "ride": {"speed_kmh": 22.0, "grade_pct": 1.0, "reserve_soc": 0.1, "temp_c": 20.0},
            "constraints": {"range_km_min": 10.0, "pack_mass_kg_max": 9.0, "cost_max": None},
            "objectives": {"use": ["range_km", "peak_power_w", "pack_mass_kg", "cost"]},
        },
        "inputs": {"brief.toml": "0" * 64, "cells.csv": "1" * 64},
        "versions": {"cellstow": "0.1.0", "numpy": "2.4"},
        "space": {"raw": 1234567, "scored": 4321, "pruned": {"bound on range": 900000}, "complete": True},
        "rejected": {"does not fit": 3100, "peak_power_w_min": 611, "voltage_max_v": 550},
        "timing": {"search_s": 3.21, "fit_s": 8.4},
    }  # fmt: skip


__all__ = ["KeepOut", "make_design", "make_front", "make_row", "make_run"]
