"""A brief whose search takes many short tasks, and searches of it as commands of their own."""

import contextlib
import os
import subprocess
import sys
import time
from pathlib import Path

from optimizer.catalog import builtin_catalogs
from optimizer.search.running.checkpoint import decode
from optimizer.search.running.run import SAMPLES

CELLS = ["amber-18650-*", "birch-18650-*", "amber-21700-*", "cinder-21700-*"]


def brief_of_many_tasks(folder: Path, *, most_parallel: int = 9, cost_max: float = 900.0) -> Path:
    """Two boxes, two sizes of cell, 1 to `most_parallel` in parallel: about twice as many tasks."""
    catalogs = builtin_catalogs().as_posix()
    tables = "".join(f'{name} = "{catalogs}/{name}.csv"\n' for name in ("cells", "strips", "wires", "bms", "fuses"))
    boxes = "".join(
        f'[[compartment]]\nname = "{name}"\nshape = "box"\nlength_mm = {length}\nwidth_mm = 84\nheight_mm = 76\n'
        f"position_mm = [{400 * k}, 0, 0]\naxes = [\"z\"]\n"
        for k, (name, length) in enumerate((("rear", 210), ("front", 330)))
    )
    path = folder / "many.toml"
    path.write_text(
        f"""title = "many tasks"
seed = 5
[catalog]
{tables}[fit]
ways = ["tray"]
placements = ["square"]
{boxes}
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
[ride]
speed_kmh = 22.0
grade_pct = 0.5
[constraints]
cost_max = {cost_max}
[objectives]
resolution = {{ range_km = 2.0, peak_power_w = 50.0, pack_mass_kg = 0.2, cost = 20.0 }}
[vary]
cells = {CELLS}
series = [8, 10]
parallel = [1, {most_parallel}]
strips = ["nickel-8x0.15", "nickel-8x0.20", "copper-8x0.10"]
strip_layers = [1, 2]
"""
    )
    return path


def command(brief: Path, out: Path, *more: str) -> list[str]:
    """The command line of a search by one process."""
    return [sys.executable, "-m", "optimizer", "search", str(brief), "--out", str(out), "--workers", "1", *more]


def start(brief: Path, out: Path, *more: str) -> subprocess.Popen:
    """`cellstow search` as a process of its own group."""
    return subprocess.Popen(
        command(brief, out, *more), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        env={**os.environ, "NUMBA_NUM_THREADS": "1"},
    )  # fmt: skip


def wait_for(ready, process: subprocess.Popen, *, seconds: float = 120.0) -> None:
    """Wait until something is so while a process runs; it must not end before."""
    end = time.monotonic() + seconds
    while not ready():
        assert process.poll() is None, f"ended too early: {process.communicate()}"
        assert time.monotonic() < end, "took too long"
        time.sleep(0.02)


def tasks_kept(out: Path) -> int:
    """Slices whose results are kept in a run's folder."""
    kept = 0
    for path in (out / "checkpoints").glob("task-*.npz"):
        with contextlib.suppress(FileNotFoundError):  # the search has just ended
            kept += sum(number != SAMPLES for number in decode(path.read_bytes()))
    return kept


def front_of(out: Path) -> bytes:
    return (out / "front.csv").read_bytes()
