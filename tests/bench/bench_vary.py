"""Bench of what a millimetre is worth, run by hand: python tests/bench/bench_vary.py

Twenty variations of the demo brief with warm caches, the aim being under a minute. Answers are compared before
times are: the first variations also come from a whole search of the changed brief.
"""

from __future__ import annotations

import os
import platform
import resource
import time
from importlib.metadata import version

import numpy as np

from optimizer import api
from optimizer.analysis.steps import steps
from optimizer.analysis.vary import FIGURES, changed_space, vary
from optimizer.base.figures import OBJECTIVES
from optimizer.catalog import builtin_catalogs
from optimizer.design.subspace import with_brief
from optimizer.search.running.run import search

COUNT, CHECKED = 20, (3, 5)


def timed(what):
    """A call's result, its time on the clock and on the processor [s]."""
    clock, spent = time.perf_counter(), time.process_time()
    result = what()
    return result, time.perf_counter() - clock, time.process_time() - spent


def best_by_whole_search(space, brief):
    """The best of each figure of a changed brief from its whole front."""
    wide = with_brief(changed_space(space, brief), objectives=FIGURES)
    found, clock, spent = timed(lambda: search(wide))
    frame = api.front(wide, found)
    return {n: frame[n].max() if OBJECTIVES[n] else frame[n].min() for n in FIGURES}, clock, spent


def main() -> None:
    libraries = ", ".join(f"{name} {version(name)}" for name in ("numpy", "numba", "shapely", "moocore"))
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, {libraries}")
    print(f"load before: {os.getloadavg()[0]:.1f}")
    space = api.load(builtin_catalogs() / "briefs" / "cargo-scooter.toml")
    chosen = steps(space.brief)[:COUNT]
    _, cold, cold_cpu = timed(lambda: vary(space, changes=chosen))
    fresh = api.load(builtin_catalogs() / "briefs" / "cargo-scooter.toml")
    worth, warm, warm_cpu = timed(lambda: vary(fresh, changes=chosen))
    whole_cpu = []
    for k in CHECKED:
        expected, _, spent = best_by_whole_search(fresh, chosen[k].brief)
        got = {name: worth.best[k].value(name) for name in FIGURES}
        same = all(np.isclose(got[name], expected[name], rtol=1e-6) for name in FIGURES)
        print(f"{chosen[k].text}: {'the same as' if same else 'NOT THE SAME AS'} a whole search")
        whole_cpu.append(spent)
    print(f"first call, caches as they were: {cold:.0f} s, {cold_cpu:.0f} s of processor")
    print(f"{COUNT} variations, caches warm:     {warm:.0f} s, {warm_cpu:.0f} s of processor (aim: under 60 s)")
    each = float(np.mean(whole_cpu))
    print(f"a whole search of one of them: {each:.0f} s of processor; ratio {(COUNT + 1) * each / warm_cpu:.1f}")
    print(f"memory at most {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MiB")


if __name__ == "__main__":
    main()
