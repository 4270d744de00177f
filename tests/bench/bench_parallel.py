"""Bench of parallel work, run by hand: python -m tests.bench.bench_parallel [two | many | whole | first]

two: one worker and two, wall time of the same search, nothing compiled or placed anew. many: every job's time of one
process, put on 64 workers by list scheduling, with all that is done by the parent alone counted: that it starts them,
writes what they share and sends jobs, and its waits until they have imported and read. whole: the demo with all rows
and thinned. first: nothing compiled, then everything. Fronts are compared before times are.
"""

from __future__ import annotations

import heapq
import math
import os
import pickle
import platform
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path
from typing import ClassVar

import cloudpickle

from optimizer.base import workers as workers_module
from optimizer.base.pool import Pool
from optimizer.catalog import builtin_catalogs
from optimizer.workflows.how import How
from optimizer.workflows.search import run_job
from tests.bench.bench_search import make_brief, searched

MANY = 64


def scheduled(times: list[float], count: int) -> float:
    """Time until the last of some jobs ends, each given to the first worker that is free [s]."""
    free = [0.0] * count
    for each in times:
        heapq.heapreplace(free, free[0] + each)
    return max(free)


class Timed(Pool):
    """This process, noting what each job takes; jobs that wait for no other have one function.

    So much takes it to write what is shared, once, to send each job and its result, and to read what is shared, which
    the workers do side by side; and so long lies between their start and what they share, in which they import.
    """

    times: ClassVar[dict[str, list[float]]] = defaultdict(list)
    spent_s: ClassVar[dict[str, float]] = defaultdict(float)

    def __init__(self, shared):
        self.opened_s = time.process_time()
        super().__init__(shared)

    def share(self, shared):
        super().share(shared)
        self.spent_s["making"] = time.process_time() - self.opened_s
        data = self.send("writing", shared)
        start = time.process_time()
        pickle.loads(data)
        self.spent_s["reading"] += time.process_time() - start

    def submit(self, job):
        self.send("jobs", job.args)
        start = time.process_time()
        future = super().submit(job)
        self.times[job.work.__name__].append(time.process_time() - start)
        self.send("jobs", future.result())
        return future

    def send(self, kind, what):
        """Pickle something."""
        start = time.process_time()
        data = cloudpickle.dumps(what, protocol=pickle.HIGHEST_PROTOCOL)
        self.spent_s[kind] += time.process_time() - start
        return data


def many(folder: Path) -> None:
    """Speed-up of the 600-cell brief, and of the demo, with many workers."""
    start_s, spawn_s = import_s(), starting_s()
    for name, brief in (("600 cells", make_brief(folder / "many", cells=600)), ("demo", demo())):
        # Once before, so that neither compiling nor placing is measured.
        run_job(brief, folder=folder / name / "before", how=How(workers=1))
        Timed.times.clear()
        Timed.spent_s.clear()
        opened = workers_module.Workers._opened
        workers_module.Workers._opened = lambda self: Timed(self.shared)
        try:
            start = time.process_time()
            # The jobs are those of many workers, who are done before a front is written in between.
            run_job(brief, folder=folder / name / "run", how=How(workers=MANY, refresh_s=math.inf))
            spent = Timed.spent_s
            making_s = spent.pop("making")
            whole = time.process_time() - start + start_s - sum(spent.values())
        finally:
            workers_module.Workers._opened = opened
        work = sum(map(sum, Timed.times.values()))
        wait_s = max(start_s - making_s, 0.0)
        serial = whole - work + sum(spent.values()) + spawn_s + wait_s
        on_many = serial + sum(scheduled(times, MANY) for times in Timed.times.values())
        each = sorted(time for times in Timed.times.values() for time in times)
        print(
            f"{name}: {whole:.1f} s of one processor, {serial:.2f} s of them in the parent alone"
            f" ({start_s:.2f} s start, {spawn_s:.2f} s to start workers, {wait_s:.2f} s wait for their imports,"
            f" {', '.join(f'{each:.2f} s {kind}' for kind, each in spent.items())});"
            f" {len(each)} jobs, the longest {each[-1]:.2f} s, the middle one {each[len(each) // 2]:.3f} s;"
            f" with {MANY} workers {on_many:.2f} s, {whole / on_many:.1f} times as fast"
            f" ({work / (on_many - serial):.1f} times without the parent's part)",
            flush=True,
        )
        for kind, times in Timed.times.items():
            print(f"    {kind:16s} {len(times):5d} jobs {sum(times):7.2f} s, longest {max(times):.2f} s")


def import_s() -> float:
    """What a command takes before it begins [s of one processor]."""
    before = os.times()
    os.system(f"{sys.executable} -c 'import optimizer.workflows.search, optimizer.commands.search'")
    after = os.times()
    return after.children_user + after.children_system - before.children_user - before.children_system


def starting_s() -> float:
    """What it takes to start all workers [s of the parent]."""
    start = time.process_time()
    pool = workers_module.LocalPool(None, MANY)
    pool.executor.submit(int)
    took_s = time.process_time() - start
    pool.shutdown()
    return took_s


def demo() -> Path:
    return builtin_catalogs() / "briefs" / "cargo-scooter.toml"


def two(folder: Path) -> None:
    """The demo, and the bench's brief of 60 cells and of 600, with one worker and with two."""
    briefs = {"demo": demo(), **{f"{n} cells": make_brief(folder / str(n), cells=n) for n in (60, 600)}}
    for name, brief in briefs.items():
        cache, out = folder / f"cache {name}", folder / f"runs {name}"
        searched(brief, out / "before", "--workers", "2", cache=cache)
        runs = {count: searched(brief, out / str(count), "--workers", str(count), cache=cache) for count in (1, 2)}
        assert (out / "1" / "front.csv").read_bytes() == (out / "2" / "front.csv").read_bytes()
        print(
            f"{name}: {runs[1]['wall_s']:.1f} s with one worker, {runs[2]['wall_s']:.1f} s with two:"
            f" {runs[1]['wall_s'] / runs[2]['wall_s']:.2f} times as fast, processor {runs[1]['cpu_s']:.1f} and"
            f" {runs[2]['cpu_s']:.1f} s; load {os.getloadavg()[0]:.1f}",
            flush=True,
        )


def whole(folder: Path) -> None:
    """The demo with every row of its front, and thinned to its resolution."""
    text = demo().read_text(encoding="utf-8")
    line = next(line for line in text.splitlines() if line.startswith("resolution"))
    catalogs = builtin_catalogs().as_posix()
    text = text.replace('"../', f'"{catalogs}/')
    thinned, full = folder / "thinned.toml", folder / "full.toml"
    thinned.write_text(text, encoding="utf-8")
    full.write_text(text.replace(line, ""), encoding="utf-8")
    cache = folder / "cache"
    cold = searched(thinned, folder / "cold", "--workers", "2", cache=cache)
    runs = {
        name: searched(path, folder / name, "--workers", "2", cache=cache)
        for name, path in (("thinned", thinned), ("full", full))
    }
    fresh = searched(full, folder / "full-cold", "--workers", "2", cache=folder / "other")
    for state, one, other in (("known layouts", runs["thinned"], runs["full"]), ("no layouts", cold, fresh)):
        print(
            f"demo, {state}: {one['front']['rows']} rows {one['wall_s']:.1f} s wall, {one['cpu_s']:.1f} s of processor;"
            f" {other['front']['rows']} rows {other['wall_s']:.1f} s, {other['cpu_s']:.1f} s:"
            f" {other['wall_s'] / one['wall_s']:.2f} times"
        )


def first(folder: Path) -> None:
    """The first search on a fresh machine against one with compiled kernels, layouts to be found in both."""
    for name in ("quick-36v", "cargo-scooter"):
        brief = builtin_catalogs() / "briefs" / f"{name}.toml"
        os.environ["NUMBA_CACHE_DIR"] = str(folder / f"kernels-{name}")
        runs = [searched(brief, folder / "out", cache=folder / f"{name}{k}") for k in range(2)]
        cold, warm = (run["wall_s"] for run in runs)
        print(f"{name}: {cold:.1f} s with kernels to compile, {warm:.1f} s without: {cold / warm:.2f} times")
    del os.environ["NUMBA_CACHE_DIR"]


def main() -> None:
    """Run the parts named on the command line, or all."""
    print(f"{platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, {platform.python_version()}")
    parts = {"two": two, "many": many, "whole": whole, "first": first}
    for name in sys.argv[1:] or parts:
        with tempfile.TemporaryDirectory() as folder:
            parts[name](Path(folder))


if __name__ == "__main__":
    main()
