"""Bench of protection and of limits over time, run by hand: python -m tests.bench.bench_protection [brief …]

Processor time of a search per candidate scored, with all rules of [protection] and limits over time, and without: every
rule off, and each part bounded by its continuous rating alone, for a second as for an hour. Caches of layouts and
chains are filled before. Bound: 1.3 times. Both fronts are held against the rules first: with them none is broken.
"""

from __future__ import annotations

import os
import platform
import sys
import time
from contextlib import ExitStack
from unittest.mock import patch

import numpy as np

from optimizer.brief import load_brief
from optimizer.catalog import builtin_catalogs
from optimizer.design.protection import broken
from optimizer.design.rescore import scored
from optimizer.design.select import choose
from optimizer.pack.protection.fuses import continuous_current_a
from optimizer.score.inputs import read_inputs
from optimizer.search.running.run import search
from optimizer.search.space import guard, parts
from optimizer.search.space import space as space_module
from optimizer.search.space.setup import make_space

RULES = ("fuse_protects", "fuse_breaks", "bms_holds", "regen_holds", "balance_leads")
BOUND = 1.3


def steady(stack):
    """Every part by its continuous rating, however short the current."""
    def fuse_a(inputs, rows, *_, **__):
        return continuous_current_a(inputs.fuses.current_a[rows], air_c=guard.box_air_c(inputs.brief))

    for owner, name, made in (
        (space_module, "overloads", lambda inputs, builds, **_: np.array([[1.0], [1.0], [np.inf], [np.inf]]).repeat(
            len(builds), axis=1)),
        (guard, "ride_overload", lambda share, tau_s, **_: np.ones(len(share))),
        (guard.Warming, "allowed_a", lambda self, _: self.rated_a),
        (parts, "bms_ride_a", lambda steady_a, **_: steady_a), (parts, "fuse_peak_a", fuse_a),
        (parts, "fuse_ride_a", lambda inputs, rows, steady_a, **_: steady_a),
    ):  # fmt: skip
        stack.enter_context(patch.object(owner, name, made))


def run(brief, *, on):
    """Processor seconds, counts and rows of a search of a fresh space."""
    with ExitStack() as stack:
        if not on:
            steady(stack)
            brief = brief.model_copy(update={"protection": brief.protection.model_copy(
                update=dict.fromkeys(RULES, False))})  # fmt: skip
        space = make_space(read_inputs(brief))
        start = time.process_time()
        outcome = search(space, workers=1)
        return time.process_time() - start, outcome.tally, space, outcome.found


def measured(brief):
    """Least time of two each, after one that fills the caches; on and off in turns."""
    found = {}
    for turn in range(3):
        for on in (True, False):
            seconds, tally, space, rows = run(brief, on=on)
            if turn:
                found[on] = min(found.get(on, (np.inf,)), (seconds, tally.scored, tally.raw, len(rows)))
            elif on:
                for row in scored(rows, space=space).to_dict("records")[:20]:
                    assert not broken(space, choose(space, row)), row["design_id"]
    return found


def main(names):
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, NumPy {np.__version__}")
    folder = builtin_catalogs() / "briefs"
    for name in names or ("quick-36v",):
        found = measured(load_brief(folder / f"{name}.toml"))
        each = {}
        for on, (seconds, count, raw, rows) in found.items():
            each[on] = 1e6 * seconds / count
            print(f"{name:16s} {'with' if on else 'without':8s}{raw:16,} raw {count:10,} scored {rows:6,} rows "
                  f"{seconds:7.2f} s  {each[on]:8.1f} µs a candidate")  # fmt: skip
        ratio, whole = each[True] / each[False], found[True][0] / found[False][0]
        print(f"{name:16s} {ratio:.2f} times a candidate (bound {BOUND}), {whole:.2f} times the search")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
