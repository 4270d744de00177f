"""Bench of the exact search, run by hand: python -m tests.bench.bench_search [plain | growth | scale | front | reuse]

A brief of 200 cells made here by rule, three compartments, S and P wide open, every strip, wire, BMS and fuse
of the demo catalogs. Answers are compared before times are: the engine's front with plain enumeration on the
largest space that can be enumerated. Memory is that of all processes of a search together, sampled 20 times a
second.
"""

from __future__ import annotations

import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from optimizer.catalog import builtin_catalogs
from optimizer.front.store import csv_bytes, parquet_bytes
from optimizer.search.exact import archive
from optimizer.search.space.setup import load_space

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
[objectives]
resolution = {{ range_km = 1.0, peak_power_w = 50.0, pack_mass_kg = 0.1, cost = 10.0 }}
[constraints]
{limits}
[vary]
series = [{series[0]}, {series[1]}]
parallel = [{parallel[0]}, {parallel[1]}]
strip_layers = [1, 2]
{parts}"""


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
        Further lines of [vary], such as which wires; "" for all.
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


def memory_mib(pid: int) -> float:
    """Resident memory of a process and all below it; pages that they share count once [MiB]."""
    children = subprocess.run(["ps", "-o", "pid=", "--ppid", str(pid)], capture_output=True, text=True).stdout.split()
    own = 0.0
    try:
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
        own = sum(float(line.split()[1]) / 1024 for line in lines if line.startswith("Pss:"))
    except OSError:
        pass
    return own + sum(memory_mib(int(child)) for child in children)


def searched(brief: Path, out: Path, *more: str, cache: Path | None = None) -> dict:
    """`cellstow search` as a user runs it: run.json with wall and processor time and the peak of memory."""
    env = dict(os.environ) | ({"CELLSTOW_CACHE": str(cache)} if cache else {})
    before, start = os.times(), time.perf_counter()
    line = [sys.executable, "-m", "optimizer", "search", str(brief), "--out", str(out), "--force", "--quiet", *more]
    process = subprocess.Popen(line, stdout=subprocess.DEVNULL, env=env)
    peak = 0.0
    while process.poll() is None:
        peak = max(peak, memory_mib(process.pid))
        time.sleep(0.05)
    wall_s, after = time.perf_counter() - start, os.times()
    cpu_s = after.children_user + after.children_system - before.children_user - before.children_system
    return json.loads((out / "run.json").read_text()) | {"wall_s": wall_s, "cpu_s": cpu_s, "peak_mib": peak}


def told(name: str, run: dict) -> None:
    """One line about a search."""
    raw, rows = run["space"]["raw"], run["front"]["before_thinning"]
    print(
        f"{name:34s} {raw:12.3g} candidates  {run['space']['scored']:9,d} scored  {rows:7,d} rows"
        f"  {run['wall_s']:6.1f} s wall  {run['cpu_s']:6.1f} s processor  {raw / run['wall_s']:9.3g} raw/s"
        f"  {run['peak_mib']:6.0f} MiB",
        flush=True,
    )


def plain(folder: Path) -> None:
    """The engine against plain vectorised enumeration where that is still possible."""
    sys.path.insert(0, str(Path(__file__).parents[1] / "search"))
    from brute import objectives

    from optimizer.search.running.run import search

    for cells in (2, 4, 8):
        brief = make_brief(
            folder / "plain", cells=cells, series=(15, 17), parallel=(8, 9), limits="",
            parts='wires = ["silicone-4", "silicone-10"]\nfuses = ["bolt-100v-*"]\n',
        )  # fmt: skip
        warm = load_space(brief)
        for task in warm.tasks():
            warm.fills(task)
        start = time.process_time()
        outcome = search(load_space(brief))
        engine_s, start = time.process_time() - start, time.process_time()
        want, count = objectives(load_space(brief))
        plain_s = time.process_time() - start
        same = len(outcome.found) == len(want) and np.allclose(
            np.sort(outcome.found.objectives, axis=0), np.sort(want, axis=0), rtol=1e-9
        )
        print(
            f"plain enumeration of {count:,} candidates: {plain_s:.1f} s, engine {engine_s:.1f} s of one processor,"
            f" ratio {plain_s / engine_s:.1f}; {len(want):,} rows, fronts {'equal' if same else 'DIFFER'}",
            flush=True,
        )


def growth(folder: Path) -> None:
    """How time grows with the raw space."""
    steps = [
        (1, (15, 15), (14, 14)), (2, (15, 16), (12, 13)), (4, (15, 17), (8, 9)), (12, (15, 18), (6, 9)),
        (40, (15, 20), (3, 10)), (120, (1, 400), (2, 14)),
    ]  # fmt: skip
    for cells, series, parallel in steps:
        brief = make_brief(folder / "growth", cells=cells, series=series, parallel=parallel)
        for state in ("cold", "warm"):
            told(f"{cells} cells, S {series}, P {parallel}, {state}", searched(
                brief, folder / "out", "--workers", "2", cache=folder / f"cache{cells}"
            ))  # fmt: skip


def scale(folder: Path) -> None:
    """The brief of 200 cells, nothing cached and then everything."""
    brief = make_brief(folder / "scale")
    for state in ("cold", "warm"):
        run = searched(brief, folder / "out", "--workers", "2", cache=folder / "cache")
        told(f"200 cells, all parts, {state}", run)
        pruned = sum(run["space"]["pruned"].values())
        assert run["space"]["raw"] == run["space"]["scored"] + pruned and run["space"]["complete"]


def front(folder: Path) -> None:
    """A front of 100,000 rows in four objectives: merged, asked and written."""
    rng = np.random.default_rng(1)
    rows = 100_000
    # On a sphere no row dominates another one.
    points = -np.abs(rng.standard_normal((rows, 4)))
    points /= np.linalg.norm(points, axis=1, keepdims=True)
    names = rng.integers(0, 50, (rows, len(archive.NAMES) + 4))
    names[:, 0] = np.arange(rows)
    whole = archive.Survivors(names, rng.random((rows, len(archive.NUMBERS))), points)
    for count in (12_500, 25_000, 50_000, 100_000):
        start = time.process_time()
        growing = archive.Front(whole.take(np.zeros(0, dtype=np.int64)))
        for k in range(0, count, 2_500):
            part = whole.take(np.arange(k, k + 2_500))
            growing.add(part.take(~growing.beats(part.objectives)))
        found = growing.settle()
        merged_s, start = time.process_time() - start, time.process_time()
        growing.beats(points * 0.9)
        asked_s = time.process_time() - start
        assert len(found) == count
        frame = pd.DataFrame(np.column_stack([found.objectives] * 10), columns=[f"figure_{k}" for k in range(40)])
        frame["split"] = "deck:14 stem:6"
        start = time.process_time()
        parquet_bytes(frame, units={})
        parquet_s, start = time.process_time() - start, time.process_time()
        csv_bytes(frame)
        print(
            f"front of {count:7,d} rows: {merged_s:5.1f} s to grow, {asked_s:5.2f} s for {rows:,} questions,"
            f" {parquet_s:.2f} s Parquet, {time.process_time() - start:.1f} s CSV",
            flush=True,
        )


def reuse(folder: Path) -> None:
    """The demo brief solved again after a change of a price, and of a constraint."""
    catalogs = builtin_catalogs()
    for path in (*catalogs.glob("*.csv"), *catalogs.glob("*/*.csv"), catalogs / "briefs" / "cargo-scooter.toml"):
        place = folder / "demo" / path.relative_to(catalogs)
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(path.read_bytes())
    brief, cells = folder / "demo" / "briefs" / "cargo-scooter.toml", folder / "demo" / "cells.csv"
    told("demo, nothing cached", searched(brief, folder / "out", "--workers", "2", cache=folder / "cache"))
    table = cells.read_text()
    line = next(line for line in table.splitlines() if line.startswith("amber-21700-e50"))
    cells.write_text(table.replace(line, line.replace(",3.95,", ",4.35,")))
    assert cells.read_text() != table
    told("demo, price of one cell changed", searched(brief, folder / "out", "--workers", "2", cache=folder / "cache"))
    text = brief.read_text()
    low = next(line for line in text.splitlines() if line.startswith("range_km_min"))
    brief.write_text(text.replace(low, "range_km_min = 45.0"))
    assert brief.read_text() != text
    told("demo, least range changed", searched(brief, folder / "out", "--workers", "2", cache=folder / "cache"))


def main() -> None:
    """Run the parts named on the command line, or all."""
    load = os.getloadavg()[0]
    print(f"{platform.machine()}, {os.cpu_count()} cores, load {load:.1f}, Python {platform.python_version()}")
    parts = {"plain": plain, "growth": growth, "scale": scale, "front": front, "reuse": reuse}
    for name in sys.argv[1:] or parts:
        with tempfile.TemporaryDirectory() as folder:
            parts[name](Path(folder))


if __name__ == "__main__":
    main()
