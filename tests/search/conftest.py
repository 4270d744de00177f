"""Small random briefs over the demo catalogs."""

import tomllib
from pathlib import Path

import numpy as np
import pytest
from small import small_bms

from optimizer.catalog import builtin_catalogs
from optimizer.search.space.setup import load_space

OBJECTIVES = ["range_km", "peak_power_w", "pack_mass_kg", "cost"]


def brief_text(rng, *, bms):
    """A brief with few choices of everything; every number drawn.

    Parameters
    ----------
    bms : Path
        From `small_bms`.
    """
    folder = builtin_catalogs().as_posix()
    tables = {name: f"{folder}/{name}.csv" for name in ("cells", "strips", "wires", "fuses")}
    tables["bms"] = bms.as_posix()
    ids = {name: table_ids(path) for name, path in tables.items()}
    # Leads aside: no pack's current goes through them.
    ids["wires"] = [each for each in ids["wires"] if not each.startswith("etfe")]

    def some(name, count):
        return sorted(rng.choice(ids[name], size=count, replace=False).tolist())

    cells = [x for x in ids["cells"] if "18650" in x or "21700" in x]
    chosen = sorted(rng.choice(cells, size=2, replace=False).tolist())
    boxes = "".join(
        f'[[compartment]]\nname = "{name}"\nshape = "box"\nlength_mm = {rng.integers(90, 150)}\n'
        f"width_mm = {rng.integers(60, 90)}\nheight_mm = 78\nposition_mm = [{300 * k}, 0, 0]\naxes = [\"z\"]\n"
        for k, name in enumerate(["rear", "front"][: rng.integers(1, 3)])
    )
    use = sorted(rng.choice(OBJECTIVES, size=rng.integers(1, 5), replace=False).tolist())
    limits = {
        "range_km_min": rng.uniform(1, 8), "peak_power_w_min": rng.uniform(50, 400),
        "pack_mass_kg_max": rng.uniform(1, 6), "cost_max": rng.uniform(60, 400),
        "hot_cell_endless_c_max": rng.uniform(40, 80), "continuous_power_w_min": rng.uniform(50, 200),
    }  # fmt: skip
    held = rng.choice(sorted(limits), size=rng.integers(0, 4), replace=False)
    low = int(rng.integers(3, 6))
    return f"""
title = "random"
seed = 3
[catalog]
{"".join(f'{name} = "{path}"' + chr(10) for name, path in tables.items())}
[fit]
ways = ["tray"]
placements = ["square", "staggered"]
{boxes}
[electrical]
voltage_max_v = {rng.uniform(26, 34):.2f}
voltage_min_v = 6.0
battery_current_a = {rng.uniform(10, 60):.1f}
regen_current_a = {rng.uniform(0, 15):.1f}
[vehicle]
mass_kg = 15.0
rider_kg = 75.0
cda_m2 = 0.6
crr = 0.015
drivetrain_efficiency = 0.8
regen_efficiency = 0.4
[ride]
speed_kmh = {rng.uniform(12, 28):.1f}
grade_pct = {rng.uniform(0, 2):.2f}
[constraints]
{"".join(f"{name} = {limits[name]:.3f}" + chr(10) for name in held)}
[objectives]
use = {use}
[vary]
cells = {chosen}
series = [{low}, {low + 2}]
parallel = [1, 3]
strips = {some("strips", 2)}
wires = {some("wires", 2)}
bms = ["*"]
fuses = {some("fuses", 2)}
strip_layers = [1, 2]
"""


def table_ids(path):
    rows = [line.split(",")[0] for line in Path(path).read_text().splitlines() if not line.startswith("#")]
    return rows[1:]


WIDE = """
[vary]
cells = ["amber-18650-e29", "amber-18650-e35", "birch-18650-*", "amber-21700-*"]
series = [3, 8]
parallel = [1, 3]
strip_layers = [1, 2]
"""


# Potting and plates in wind and sun, and a situation in the cold and shade: fillers cool, weigh, cost and warm slowly.
WARM = """
[[situation]]
name = "cold"
temp_c = -6.0
sun_w_m2 = 0.0
[thermal]
wind_part = 0.3
sun_w_m2 = 600.0
[[thermal.filler]]
name = "gel"
kind = "potting"
conductivity_w_m_k = 0.9
density_kg_m3 = 1450.0
price_per_kg = 18.0
[[thermal.filler]]
name = "cool covers"
kind = "plate"
conductivity_w_m_k = 3.0
density_kg_m3 = 2600.0
price_per_kg = 60.0
"""


@pytest.fixture(scope="session")
def wide_spaces(tmp_path_factory):
    """Spaces with every part to choose from: over a level cruise, a ride with braking, one mostly downhill, and one
    that slows down and speeds up, some of whose hard places ease with mass."""
    folder = tmp_path_factory.mktemp("wide")
    (folder / "downhill.csv").write_text(
        "time_s,speed_kmh,grade_pct\n0,24,-2.2\n60,24,-2.2\n62,24,1.0\n70,24,1.0\n72,24,-2.2\n90,24,-2.2\n"
    )
    (folder / "stopgo.csv").write_text(
        "time_s,speed_kmh,grade_pct\n0,17,-1\n5,8,1\n16,5,2\n20,14,-2\n33,15,-4\n45,10,-2\n50,17,-1\n"
    )
    rides = {
        "cruise": "speed_kmh = 20.0\ngrade_pct = 0.5",
        "hills": f'trace = "{builtin_catalogs().as_posix()}/rides/urban-hills.csv"',
        "downhill": 'trace = "downhill.csv"',
        "warm": "speed_kmh = 20.0\ngrade_pct = 1.0",
        "stopgo": 'trace = "stopgo.csv"',
    }
    bms, out = small_bms(folder), {}
    for k, (name, ride) in enumerate(rides.items()):
        # The last one over the compartments of the first.
        texts = (brief_text(np.random.default_rng(seed), bms=bms) for seed in range(k % 4, 99))
        text = next(text for text in texts if text.count("[[compartment]]") == 2)
        head, tail = text.split("[ride]")[0], WIDE + (WARM if name == "warm" else "")
        path = folder / f"{name}.toml"
        path.write_text(head + "[ride]\n" + ride + "\n" + tail)
        out[name] = load_space(path)
    return out


@pytest.fixture
def space_of(tmp_path):
    """Space of a random brief by seed."""

    def make(seed):
        text = brief_text(np.random.default_rng(seed), bms=small_bms(tmp_path))
        tomllib.loads(text)
        path = tmp_path / f"brief{seed}.toml"
        path.write_text(text)
        return load_space(path)

    return make
