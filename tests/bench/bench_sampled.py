"""Bench of the sampled search, run by hand: python -m tests.bench.bench_sampled [seconds for each flat search]

Boxes of two free dimensions in so few steps that every one is solved exactly beforehand: their front is the
known answer. Printed is which share of its hypervolume each search has after so many trials and so much time.
The flat searches choose the box and everything in it (cell, S, P, strip, wire, BMS, fuse) as variables of one
problem, each trial being one pack scored as the engine scores it; what can't be built breaks a constraint.
A trial of the sampled search is a box. Geometry comes from a warm cache for all of them.
"""

from __future__ import annotations

import os
import platform
import sys
import tempfile
import time
from collections.abc import Callable
from functools import cache, cached_property
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from optimizer.brief import SearchRules, open_brief
from optimizer.front.pareto import hypervolume, nondominated, signed
from optimizer.score.score import score
from optimizer.search.boxes.freedims import Boxes, open_boxes
from optimizer.search.boxes.sampled import Explorer
from optimizer.search.space import options as op
from optimizer.search.space import parts
from optimizer.search.space.offering import Task
from optimizer.search.space.plating import plated

sys.path.insert(0, str(Path(__file__).parents[1] / "search"))
import brute
from test_sampled import BOX, FINE, brief_text, every, front_of_all

Floats = np.ndarray
# Time [s] since the start, and the objectives that a trial brought, shape (n, d).
Curve = list[tuple[float, Floats]]

SEED = 1
BOX_TRIALS = 63
SHARES = (0.5, 0.8, 0.9, 0.95, 0.98, 0.99)
CELLS = '["amber-18650-*"]'


class Flat:
    """One pack at a time: what a general optimiser sees of the problem."""

    def __init__(self, boxes: Boxes) -> None:
        self.boxes = boxes
        self.use = boxes.inputs.brief.objectives.use
        self.built = cache(self._built)

    @cached_property
    def names(self) -> dict[str, int]:
        """Variables and how many values each has, counted from 0."""
        space, inputs = self.boxes.space(tuple(0 for _ in self.boxes.free)), self.boxes.inputs
        vary = inputs.brief.vary
        return {item.name: item.points for item in self.boxes.free} | {
            "cell": len(inputs.cell_rows),
            "series": vary.series[1] - vary.series[0] + 1,
            "parallel": vary.parallel[1] - vary.parallel[0] + 1,
            "strip": len(space.builds),
            "wire": len(inputs.wire_rows),
            "bms": len(inputs.bms_rows),
            "fuse": len(inputs.fuse_rows),
        }

    def _built(self, key: tuple[int, ...], cell: int, parallel: int, series: int) -> tuple[Any, Any]:
        """Strips over the fills of one box, and the groups that it holds at most."""
        space = self.boxes.space(key)
        task = Task(int(space.size_of[cell]), parallel)
        fills = space.fills(task)
        held = max((fill.groups for each in fills for fill in each), default=0)
        if held < series:
            return None, held
        shares = brute.splits.Shares(
            space.rooms, fills=fills, rules=space.brief.harness, sensors=space.brief.parts.sensors,
            known=space.harnesses, links=space.links(0),
        )  # fmt: skip
        table = shares.of(series, reduced=False)
        # One compartment, one placement, one axis: there is nothing to choose between.
        assert len(table) == 1
        return (space, plated(space, task, fills, table)), held

    def __call__(self, values: tuple[int, ...]) -> tuple[list[float], float]:
        """Objectives, less is better, and by how much the pack can't be built."""
        free = len(self.boxes.free)
        key, (cell, s, p, strip, wire, bms, fuse) = values[:free], values[free:]
        inputs = self.boxes.inputs
        series, parallel = s + inputs.brief.vary.series[0], p + inputs.brief.vary.parallel[0]
        made, held = self.built(key, cell, parallel, series)
        cells, row = inputs.cells, self.boxes.context.cells.row[cell]
        full_v, chemistry = series * float(cells.voltage_max_v[row]), str(cells.chemistry[row])
        some_bms, bms_rows = parts.bms_options(inputs, series=series, chemistry=chemistry, full_v=full_v)
        some_fuses, fuse_rows = parts.fuse_options(inputs, full_v=full_v)
        at_bms = np.flatnonzero(bms_rows == inputs.bms_rows[bms])
        at_fuse = np.flatnonzero(fuse_rows == inputs.fuse_rows[fuse])
        window = inputs.brief.electrical
        lacking = max(series - held, 0) / series + float(not len(at_bms)) + float(not len(at_fuse))
        lacking += float(full_v > window.voltage_max_v + 1e-9)
        lacking += float(series * float(cells.voltage_min_v[row]) < window.voltage_min_v - 1e-9)
        if lacking:
            return [0.0] * len(self.use), lacking
        space, plates = made
        every_wire, ohm, kg, cost = parts.wire_options(inputs)
        one = slice(wire, wire + 1)
        choice = op.wired(
            op.Options(plates.values[strip : strip + 1], plates.picks[strip : strip + 1]),
            op.Options(every_wire.values[one], every_wire.picks[one]),
            ohm_per_mm=ohm[one], kg_per_mm=kg[one], cost_per_mm=cost[one],
        )  # fmt: skip
        for some, at in ((some_bms, at_bms), (some_fuses, at_fuse)):
            choice = op.combine(choice, op.Options(some.values[at], some.picks[at]))
        figures = score(brute.block(space, choice, cell, series, parallel), context=self.boxes.context)
        return signed(figures, objectives=self.use)[0].tolist(), 0.0


def sampled(boxes: Boxes, sampler: str) -> Curve:
    """Cellstow's own search."""
    curve: Curve = []
    rules = SearchRules(sampler=sampler, trials=min(BOX_TRIALS, boxes.count), grid=3, patience=0)
    start = time.perf_counter()

    def seen(state: Any) -> None:
        curve.append((time.perf_counter() - start, state.found.objectives))

    Explorer(boxes, rules=rules, seed=SEED).run(progress=seen)
    return curve


def optuna_alone(flat: Flat, sampler: str, seconds: float) -> Curve:
    """Optuna on the flat problem."""
    import optuna

    optuna.logging.set_verbosity(optuna.logging.ERROR)
    curve: Curve = []
    start = time.perf_counter()
    numbers = ("series", "parallel", *(item.name for item in flat.boxes.free))

    def trial_of(trial: optuna.Trial) -> tuple[float, ...]:
        values = tuple(
            trial.suggest_int(name, 0, count - 1)
            if name in numbers
            else trial.suggest_categorical(name, list(range(count)))
            for name, count in flat.names.items()
        )
        objectives, lacking = flat(values)
        trial.set_constraint("can be built", lacking)
        curve.append((time.perf_counter() - start, np.array([objectives] if not lacking else []).reshape(-1, 3)))
        return tuple(objectives)

    how = (
        optuna.samplers.NSGAIISampler(population_size=100, seed=SEED)
        if sampler == "nsga2"
        else optuna.samplers.TPESampler(seed=SEED, multivariate=True)
    )
    study = optuna.create_study(directions=["minimize"] * len(flat.use), sampler=how)
    study.optimize(trial_of, timeout=seconds)
    return curve


def pymoo_nsga2(flat: Flat, seconds: float) -> Curve:
    """pymoo's NSGA-II on the flat problem, every variable a whole number."""
    from pymoo.algorithms.moo.nsga2 import NSGA2
    from pymoo.core.problem import ElementwiseProblem
    from pymoo.operators.crossover.sbx import SBX
    from pymoo.operators.mutation.pm import PM
    from pymoo.operators.repair.rounding import RoundingRepair
    from pymoo.operators.sampling.rnd import IntegerRandomSampling
    from pymoo.optimize import minimize
    from pymoo.termination.max_time import TimeBasedTermination

    curve: Curve = []
    upper = np.array(list(flat.names.values())) - 1
    start = time.perf_counter()

    class Packs(ElementwiseProblem):  # type: ignore[misc]
        def __init__(self) -> None:
            super().__init__(n_var=len(upper), n_obj=len(flat.use), n_ieq_constr=1, xl=0, xu=upper, vtype=int)

        def _evaluate(self, x: Any, out: Any, *_: Any, **__: Any) -> None:
            out["F"], out["G"] = flat(tuple(int(v) for v in x))
            points = np.array([out["F"]] if not out["G"] else []).reshape(-1, 3)
            curve.append((time.perf_counter() - start, points))

    how = NSGA2(
        pop_size=100, sampling=IntegerRandomSampling(), eliminate_duplicates=True,
        crossover=SBX(vtype=float, repair=RoundingRepair()), mutation=PM(vtype=float, repair=RoundingRepair()),
    )  # fmt: skip
    minimize(Packs(), how, TimeBasedTermination(seconds), seed=SEED)
    return curve


def told(name: str, curve: Curve, whole: Floats) -> None:
    """The curve at trials that double, and when each share was first reached."""
    reference = whole.max(axis=0) + 0.05 * np.ptp(whole, axis=0)
    full = hypervolume(whole, reference=reference)
    found, volumes, share = np.zeros((0, whole.shape[1])), [], 0.0
    for _, points in curve:
        fresh = points[(points < reference).all(axis=1)]
        fresh = fresh[[not (found <= point).all(axis=1).any() for point in fresh]] if len(fresh) else fresh
        if len(fresh):
            found = np.concatenate([found, fresh])
            found = found[nondominated(found)]
            share = hypervolume(found, reference=reference) / full
        volumes.append(share)
    marks = sorted({k for k in (2**n for n in range(20)) if k <= len(curve)} | {len(curve)})
    print(name)
    for k in marks[-9:]:
        print(f"  {k:7,d} trials {curve[k - 1][0]:8.2f} s  {100 * volumes[k - 1]:7.2f} %")
    reached = [next((k for k, v in enumerate(volumes) if v >= share), None) for share in SHARES]
    line = ", ".join(
        f"{share:.0%} " + ("never" if k is None else f"after {k + 1:,} trials, {curve[k][0]:.2f} s")
        for share, k in zip(SHARES, reached, strict=True)
    )
    print(f"  first at {line}", flush=True)


def main() -> None:
    """Solve every box, then search."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 20.0
    load = os.getloadavg()[0]
    print(f"{platform.machine()}, {os.cpu_count()} cores, load {load:.1f}, Python {platform.python_version()}")
    print(", ".join(f"{name} {version(name)}" for name in ("optuna", "pymoo", "moocore", "numpy")), flush=True)
    with tempfile.TemporaryDirectory() as folder:
        os.environ["CELLSTOW_CACHE"] = str(Path(folder) / "cache")
        path = Path(folder) / "boxes.toml"
        path.write_text(brief_text(**FINE, box_lines=BOX, cells=CELLS).replace("[10, 10]", "[8, 10]"))
        boxes = open_boxes(open_brief(path))
        start = time.perf_counter()
        whole = front_of_all(every(boxes))
        flat = Flat(boxes)
        size = np.prod([float(n) for n in flat.names.values()])
        print(
            f"{boxes.count} boxes solved one by one in {time.perf_counter() - start:.1f} s: {len(whole):,} packs on"
            f" the front; the flat problem has {size:.3g} points ({flat.names})",
            flush=True,
        )
        runs: dict[str, Callable[[], Curve]] = {
            "cellstow, TPE over boxes": lambda: sampled(boxes, "tpe"),
            "cellstow, NSGA-II over boxes": lambda: sampled(boxes, "nsga2"),
            "Optuna NSGA-II, flat": lambda: optuna_alone(flat, "nsga2", seconds),
            "Optuna TPE, flat": lambda: optuna_alone(flat, "tpe", seconds),
            "pymoo NSGA-II, flat": lambda: pymoo_nsga2(flat, seconds),
        }
        for name, run in runs.items():
            told(name, run(), whole)


if __name__ == "__main__":
    main()
