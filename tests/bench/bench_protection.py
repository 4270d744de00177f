"""Bench of protection and of limits over time, run by hand: python -m tests.bench.bench_protection [brief …]

Processor time of a search per candidate scored: with limits over time and all rules of [protection], with limits over
time alone, and with neither, each part bounded by its continuous rating for a second as for an hour. Layouts and
plates are there before, what fuses ask of conductors is not. Bound: 1.3 times. Rows keep the rules, that is checked.
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
from optimizer.score.outside import box_air_c
from optimizer.search.running.run import search
from optimizer.search.space import guard, parts
from optimizer.search.space import space as space_module
from optimizer.search.space.setup import make_space

RULES = ("fuse_protects", "fuse_breaks", "bms_holds", "regen_holds", "balance_leads")
BOUND = 1.3


def steady(stack):
    """Every part by its continuous rating, however short the current."""
    def fuse_a(inputs, rows, *_, **__):
        return continuous_current_a(inputs.fuses.current_a[rows], air_c=box_air_c(inputs.brief))

    for owner, name, made in (
        (space_module, "overloads", lambda inputs, builds, **_: np.array([[1.0], [1.0], [np.inf], [np.inf]]).repeat(
            len(builds), axis=1)),
        (guard, "ride_overload", lambda parts, **_: np.ones(len(parts.rated_a))),
        (guard.Warming, "allowed_a", lambda self, _: self.rated_a),
        (parts, "bms_ride_a", lambda steady_a, **_: steady_a), (parts, "fuse_peak_a", fuse_a),
        (parts, "fuse_ride_a", lambda inputs, rows, steady_a, **_: steady_a),
    ):  # fmt: skip
        stack.enter_context(patch.object(owner, name, made))


KINDS = {"neither": (False, False), "over time": (True, False), "both": (True, True)}


def spent(brief, *, over_time, rules):
    """Processor seconds, counts and rows of a search, its layouts known; the space."""
    with ExitStack() as stack:
        if not over_time:
            steady(stack)
        if not rules:
            off = brief.protection.model_copy(update=dict.fromkeys(RULES, False))
            brief = brief.model_copy(update={"protection": off})
        space = make_space(read_inputs(brief))
        search(space, workers=1)
        best = np.inf
        for _ in range(3):
            for name in ("_guards", "_overloads"):
                space.__dict__.pop(name, None)
            start = time.process_time()
            outcome = search(space, workers=1)
            best = min(best, time.process_time() - start)
        return best, outcome, space


def main(names):
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, NumPy {np.__version__}")
    folder = builtin_catalogs() / "briefs"
    for name in names or ("quick-36v",):
        each, whole = {}, {}
        for kind, (over_time, rules) in KINDS.items():
            seconds, outcome, space = spent(load_brief(folder / f"{name}.toml"), over_time=over_time, rules=rules)
            tally, rows = outcome.tally, outcome.found
            if rules:
                for row in scored(rows, space=space).to_dict("records")[:20]:
                    assert not broken(space, choose(space, row)), row["design_id"]
            each[kind], whole[kind] = 1e6 * seconds / (tally.scored + tally.bounds), seconds
            print(f"{name:14s} {kind:10s}{tally.raw:16,} raw {tally.scored:9,} scored {tally.bounds:8,} bounds "
                  f"{len(rows):6,} rows {seconds:7.2f} s {each[kind]:8.1f} µs a candidate or bound")  # fmt: skip
        for kind in ("over time", "both"):
            ratio = each[kind] / each["neither"]
            print(f"{name:14s} {kind:10s} {ratio:.2f} times a candidate or bound (limit {BOUND}), "
                  f"{whole[kind] / whole['neither']:.2f} times the search")  # fmt: skip


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
