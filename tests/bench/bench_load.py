"""Bench of size, run by hand: python tests/bench/bench_load.py [--only NAME] [--size NUMBER] [--keep FOLDER]

Every command over inputs made here by rule, at a size and at half of it: time, processor time and peak memory of the
process with all its workers, and the ratio of the two sizes (2 is linear, 4 is quadratic). A large front is made
from random points on a sphere; its rows are those of a real run.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import platform
import shutil
import subprocess
import sys
import tempfile
import time
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[2]))

from optimizer.catalog import builtin_catalogs
from optimizer.front import store
from optimizer.search.exact import rows as table
from tests.bench.bench_search import HEAD, cell_rows

RIDE = """[ride]
speed_kmh = 22.0
grade_pct = 0.5
"""


def catalog(folder: Path, cells: int, *, sizes: int = 8) -> None:
    """cells.csv of invented cells in so many sizes; more than eight differ by hundredths of a millimetre."""
    rows = cell_rows(cells)
    if sizes > 8:
        for k, row in enumerate(rows):
            parts = row.split(",")
            parts[3] = f"{float(parts[3]) - 0.01 * ((k // 8) % (sizes // 8) % 40):.2f}"
            parts[4] = f"{float(parts[4]) - 0.01 * ((k // 8) % (sizes // 8) // 40):.2f}"
            rows[k] = ",".join(parts)
    (folder / "cells.csv").write_text("\n".join([HEAD, *rows]) + "\n")


def box(name: str, k: int) -> str:
    return (
        f'[[compartment]]\nname = "{name}"\nshape = "box"\nlength_mm = {210 + 10 * k}\nwidth_mm = 84\nheight_mm = 78\n'
        f"position_mm = [{500 * k}, 0, 0]\naxes = [\"z\"]\n"
    )


def polygon(points: int) -> str:
    """A prism whose profile is an ellipse of so many corners, with a wavy edge so that it is not convex."""
    turn = [2 * math.pi * k / points for k in range(points)]
    waves = [1 + 0.01 * math.cos(40 * a) for a in turn]
    corners = [
        [round(200 + 195 * math.cos(a) * wave, 3), round(60 + 58 * math.sin(a), 3)]
        for a, wave in zip(turn, waves, strict=True)
    ]
    return (
        f'[[compartment]]\nname = "hull"\nshape = "prism"\nprofile_mm = {corners}\nextrude = "z"\ndepth_mm = 78\n'
        'axes = ["z"]\n'
    )


def brief(
    folder: Path, *, rooms: str, cells: str = '["*"]', ride: str = RIDE, fit: str = "", parallel: str = "[2, 3]",
    series: str = "[10, 10]",
) -> Path:  # fmt: skip
    """A brief over the catalog in the folder and the demo's parts."""
    demo = builtin_catalogs().as_posix()
    parts = "".join(f'{name} = "{demo}/{name}.csv"\n' for name in ("strips", "wires", "bms", "fuses"))
    path = folder / "brief.toml"
    path.write_text(
        f"""title = "load"
[catalog]
cells = "cells.csv"
ocv = "{demo}/ocv"
{parts}[fit]
ways = ["tray"]
placements = ["square", "staggered"]
{fit}
{rooms}
[electrical]
voltage_max_v = 42.0
voltage_min_v = 20.0
battery_current_a = 35.0
[vehicle]
mass_kg = 15.0
rider_kg = 75.0
cda_m2 = 0.6
crr = 0.015
drivetrain_efficiency = 0.8
{ride}
[objectives]
resolution = {{ range_km = 2.0, peak_power_w = 50.0, pack_mass_kg = 0.2, cost = 20.0 }}
[vary]
cells = {cells}
series = {series}
parallel = {parallel}
strips = ["nickel-8x0.15", "copper-8x0.10"]
strip_layers = [1]
wires = ["silicone-4"]
"""
    )
    return path


def trace(folder: Path, steps: int) -> str:
    """A ride of so many seconds: stop and go over rolling hills."""
    t = np.arange(steps)
    speed = np.clip(18 + 8 * np.sin(t / 37.0) + 5 * np.sin(t / 11.0), 0, None)
    frame = pd.DataFrame({"time_s": t, "speed_kmh": speed.round(3), "grade_pct": (1.5 * np.sin(t / 300.0)).round(3)})
    frame.to_csv(folder / "ride.csv", index=False)
    return '[ride]\ntrace = "ride.csv"\n'


def large_front(folder: Path, run: Path, rows: int) -> Path:
    """A run's folder whose front has so many rows, none of which dominates another."""
    real = pd.read_parquet(run / "front.parquet")
    rng = np.random.default_rng(4)
    frame = real.iloc[rng.integers(0, len(real), rows)].reset_index(drop=True)
    sphere = np.abs(rng.normal(size=(rows, 4)))
    sphere /= np.linalg.norm(sphere, axis=1)[:, None]
    frame["range_km"], frame["peak_power_w"] = 100 * sphere[:, 0], 1500 * sphere[:, 1]
    frame["pack_mass_kg"], frame["cost"] = 12 - 10 * sphere[:, 2], 900 - 800 * sphere[:, 3]
    # Rows of the run itself stand for those that can be unfolded.
    frame["design_id"] = [f"d{k:010x}" for k in range(rows)]
    frame = pd.concat([real, frame.iloc[len(real) :]], ignore_index=True)
    out = folder / f"front-{rows}"
    record = json.loads((run / "run.json").read_text())
    record["brief_file"] = str((run / record["brief_file"]).resolve())
    store.write_run(out, front=frame, units=table.UNITS | {"cost": "EUR"}, run=record)
    return out


def measured(*args: object, ready: tuple[int, ...] = (0,)) -> dict[str, float]:
    """Time, processor time [s] and peak memory [MiB] of a command with its workers."""
    line = [sys.executable, "-m", "optimizer", *map(str, args)]
    begun = time.perf_counter()
    process = subprocess.Popen(line, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    out = process.stdout.read()
    _, status, used = os.wait4(process.pid, 0)
    code = os.waitstatus_to_exitcode(status)
    if code not in ready:
        raise SystemExit(f"{' '.join(line)} ended with {code}:\n{out[-2000:]}")
    return {
        "time_s": time.perf_counter() - begun, "cpu_s": used.ru_utime + used.ru_stime,
        "memory_mib": used.ru_maxrss / 1024, "printed_kb": len(out) / 1e3,
    }  # fmt: skip


def cells_case(folder: Path, size: int, *, sizes: int = 8) -> dict[str, tuple[object, ...]]:
    catalog(folder, size, sizes=sizes)
    path = brief(folder, rooms=box("rear", 0) + box("front", 3), parallel="[2, 2]")
    return {
        "check": ("check", path, "--quiet"),
        "fit": ("fit", path),
        "search": ("search", path, "--out", folder / "run", "--force", "--quiet", "--workers", 1),
        "why": ("why", folder / "run", "--cell", "c003-21700", "--quiet"),
    }


def sizes_case(folder: Path, size: int) -> dict[str, tuple[object, ...]]:
    found = cells_case(folder, size, sizes=size)
    found.pop("why")
    return found


def polygon_case(folder: Path, size: int) -> dict[str, tuple[object, ...]]:
    catalog(folder, 16)
    path = brief(folder, rooms=polygon(size), fit="seconds = 1.0")
    path.write_text(path.read_text().replace('["square", "staggered"]', '["square", "staggered", "free"]'))
    return {
        "check": ("check", path, "--quiet"),
        "fit": ("fit", path),
        "search": ("search", path, "--out", folder / "run", "--force", "--quiet", "--workers", 1),
        "shortlist": ("shortlist", folder / "run", "--count", 1, "--quiet"),
    }


def rooms_case(folder: Path, size: int) -> dict[str, tuple[object, ...]]:
    catalog(folder, 8)
    path = brief(folder, rooms="".join(box(f"box-{k}", k) for k in range(size)), parallel="[4, 4]")
    # Two placements in each of ten compartments are more ways than a search takes on.
    path.write_text(path.read_text().replace('["square", "staggered"]', '["square"]'))
    return {
        "check": ("check", path, "--quiet"),
        "fit": ("fit", path),
        "search": ("search", path, "--out", folder / "run", "--force", "--quiet", "--workers", 1),
        "shortlist": ("shortlist", folder / "run", "--count", 1, "--quiet"),
    }


def trace_case(folder: Path, size: int) -> dict[str, tuple[object, ...]]:
    catalog(folder, 16)
    path = brief(folder, rooms=box("rear", 0), ride=trace(folder, size))
    return {
        "check": ("check", path, "--quiet"),
        "search": ("search", path, "--out", folder / "run", "--force", "--quiet", "--workers", 1),
        "shortlist": ("shortlist", folder / "run", "--count", 1, "--quiet"),
        "report": ("report", folder / "run", "--quiet"),
    }


def front_case(folder: Path, size: int) -> dict[str, tuple[object, ...]]:
    catalog(folder, 64)
    path = brief(folder, rooms=box("rear", 0))
    run = folder / "run"
    if not run.exists():
        measured("search", path, "--out", run, "--quiet", "--workers", 1)
    large, other = large_front(folder, run, size), large_front(folder / "other", run, size)
    best = pd.read_parquet(run / "front.parquet")["design_id"][0]
    return {
        "shortlist": ("shortlist", large, "--design", best, "--quiet"),
        "report": ("report", large, "--quiet"),
        "compare": ("compare", large, other),
        "why": ("why", large, "--cell", "c003-21700", "--quiet"),
    }


CASES = {
    "cells": (cells_case, 10_000, "cells in the catalog, 8 sizes"),
    "sizes": (sizes_case, 1_000, "cells in the catalog, each of its own size"),
    "polygon": (polygon_case, 500, "corners of a compartment's profile"),
    "rooms": (rooms_case, 10, "compartments"),
    "trace": (trace_case, 100_000, "steps of the ride"),
    "front": (front_case, 200_000, "rows of the front"),
}


def machine() -> str:
    """What the figures hold for."""
    names = ("numpy", "pandas", "numba", "moocore", "shapely", "cellstow")
    packages = ", ".join(f"{name} {version(name)}" for name in names)
    return f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, {packages}"


def main() -> None:
    """Print the table."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--only", choices=[*CASES])
    asked.add_argument("--size", type=int)
    asked.add_argument("--command")
    asked.add_argument("--keep", type=Path)
    given = asked.parse_args()
    print(machine())
    print(f"{'case':8} {'command':10} {'size':>7} {'time s':>7} {'cpu s':>7} {'MiB':>6} {'printed kB':>10}  cpu ratio")
    base = given.keep or Path(tempfile.mkdtemp(prefix="cellstow-load-"))
    os.environ["CELLSTOW_CACHE"] = str(base / "cache")
    for name in [given.only] if given.only else CASES:
        make, size, _ = CASES[name]
        size = given.size or size
        before: dict[str, float] = {}
        for count in (size // 2, size):
            folder = base / f"{name}-{count}"
            (folder / "other").mkdir(parents=True, exist_ok=True)
            for command, args in make(folder, count).items():
                if given.command and command != given.command:
                    continue
                found = measured(*args, ready=(0, 3))
                ratio = f"{found['cpu_s'] / before[command]:.2f}" if command in before else ""
                before[command] = found["cpu_s"]
                print(
                    f"{name:8} {command:10} {count:7,} {found['time_s']:7.1f} {found['cpu_s']:7.1f} "
                    f"{found['memory_mib']:6.0f} {found['printed_kb']:10.1f}  {ratio}", flush=True,
                )  # fmt: skip
    if given.keep is None:
        shutil.rmtree(base)


if __name__ == "__main__":
    main()
