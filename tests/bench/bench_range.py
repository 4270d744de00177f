"""Bench of the ride room, run by hand: python tests/bench/bench_range.py [packs]

First the answers: the fast range against the stepping one on random packs. Then candidates per second, by CPU
time of one process, so that other programs on the machine count less.
"""

from __future__ import annotations

import importlib.util
import platform
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import numba
import numpy as np

from optimizer.ride.bins import compress
from optimizer.ride.load.roadload import ride_steps
from optimizer.ride.load.trace import steady_cruise
from optimizer.ride.range import INTERVALS, STOP_NAMES, range_block
from optimizer.ride.simulate import simulate

SEED = 7
FEW_LAPS = 6


def samples() -> ModuleType:
    path = Path(__file__).parents[1] / "ride" / "ride_samples.py"
    spec = importlib.util.spec_from_file_location("ride_samples", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def best_seconds(run: Callable[[], object], repeats: int = 5) -> float:
    times = []
    for _ in range(repeats):
        start = time.process_time()
        run()
        times.append(time.process_time() - start)
    return min(times)


def agreement(make: ModuleType, count: int) -> None:
    steps, ride = make.town_ride()
    for warm in (False, True):
        packs = make.packs(ride, count, seed=SEED, warm=warm)
        fast, slow = range_block(packs, ride=ride), simulate(packs, steps=steps, ride=ride)
        often = slow.range_km > FEW_LAPS * ride.distance_m / 1000
        for code, name in enumerate(STOP_NAMES):
            mask = often & (slow.stop == code)
            if mask.any():
                off = 100 * (fast.range_km[mask] / slow.range_km[mask] - 1)
                print(
                    f"  self-heating {warm!s:5} stop {name:20} {mask.sum():5d} packs: mean {off.mean():+.3f} %,"
                    f" mean size {np.abs(off).mean():.3f} %, 99th {np.quantile(np.abs(off), 0.99):.3f} %,"
                    f" largest {np.abs(off).max():.3f} %"
                )


def speed(make: ModuleType) -> None:
    steps, town = make.town_ride()
    level = ride_steps(steady_cruise(25.0), vehicle=make.VEHICLE)
    cruise = compress(level, cells=make.cells(), mass_min_kg=110.0, mass_max_kg=150.0)
    for name, ride in (("town lap", town), ("cruise", cruise)):
        for warm in (False, True):
            packs = make.packs(ride, 100_000, seed=SEED, warm=warm)
            range_block(packs, ride=ride)
            seconds = best_seconds(lambda p=packs, r=ride: range_block(p, ride=r))
            rate = f"{1e5 / seconds:10,.0f} candidates/s"
            print(f"  {name:9} {len(ride.weight):3d} bins, self-heating {warm!s:5}: {rate}")
    packs = make.packs(town, 50, seed=SEED)
    simulate(packs, steps=steps, ride=town)
    seconds = best_seconds(lambda: simulate(packs, steps=steps, ride=town), 3)
    print(f"  stepping form: {50 / seconds:,.0f} candidates/s")


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    print(f"{platform.processor() or platform.machine()}, Python {platform.python_version()}")
    print(f"numpy {np.__version__}, numba {numba.__version__}, seed {SEED}, {INTERVALS} intervals")
    make = samples()
    print(f"agreement, packs that drive the lap at least {FEW_LAPS} times:")
    agreement(make, count)
    print("speed, one core:")
    speed(make)


if __name__ == "__main__":
    main()
