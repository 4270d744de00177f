"""Errors over temperature of simpler models, on the references of bench_cold: one law for all, and one for each part.

one: the fit at 25 degC and one activation energy for the whole drop, as this program had before it had laws. part: the
fit at 25 degC, then activation energy and bend of each part fitted to curves and pulses of the cold, all else held.

Run by hand: python -m tests.bench.bench_simple [set ...]
"""

from __future__ import annotations

import sys
from collections import Counter
from dataclasses import replace

import numpy as np
from scipy.optimize import least_squares

from optimizer.cell import fit
from optimizer.cell.fit_params import Trial, make_task, make_trial
from optimizer.cell.laws import PARTS, USUAL, Laws, lowest_bend
from optimizer.cell.model import CellModel
from optimizer.cell.steps import law_rows
from tests.outside.cold import LIMITS, judged, names, read

SPREAD_J_MOL = np.array([15e3] * 5 + [20e3] * 2)


def one(name: str) -> CellModel:
    """Fitted at 25 degC; one activation energy for all parts."""
    curves, pulses = read(name)
    warm = [c for c in curves if c.temp_c == 25.0], [p for p in pulses if p.temp_c == 25.0]
    return fit.fit_model(warm[0], pulses=warm[1], laws=Laws()).model


def part(name: str) -> CellModel:
    """Fitted at 25 degC, then a law for each part to all temperatures."""
    curves, pulses = read(name)
    least = min(float(c.voltage_v.min()) for c in curves)
    warm = make_task([c for c in curves if c.temp_c == 25.0], [p for p in pulses if p.temp_c == 25.0], least, USUAL)
    x, _ = fit._solve(warm)
    base = make_trial(x, warm)
    task = replace(make_task(curves, pulses, least, USUAL), several=False, follow=0.0, drop_v=warm.drop_v,
                   reference_a=warm.reference_a, kinetic_soc=warm.kinetic_soc,
                   kinetic_prior=warm.kinetic_prior)  # fmt: skip

    def trial(y: np.ndarray) -> Trial:
        energy = np.clip(np.array(USUAL.energy_j_mol) + SPREAD_J_MOL * y[: len(PARTS)], 0.0, 120e3)
        bend = np.maximum(0.1 * y[len(PARTS) :], lowest_bend(energy))
        laws = Laws(tuple(energy.tolist()), tuple(bend.tolist()))
        tables = base.tables.copy()
        tables[6] = task.entropic_v_k
        return Trial(base.numbers, tables, laws, law_rows(laws), base.early_rate, base.chain)

    def misses(y: np.ndarray) -> np.ndarray:
        at = trial(y)
        every = np.concatenate([fit._curve_misses(at, task), *fit._pulse_misses(at, task), y])
        return np.where(np.isfinite(every), np.clip(every, -1e4, 1e4), 1e4)

    done = least_squares(misses, np.zeros(2 * len(PARTS)), loss="soft_l1", f_scale=3.0, max_nfev=60)
    found = trial(done.x)
    return replace(fit._as_model(found, task, name, "", least), entropic_v_k=found.tables[6])


def main() -> None:
    """Print how many figures of each kind every model misses."""
    print("| model | rides | powers | charges | all |\n|---|---|---|---|---|")
    for make in (one, part, lambda name: fit.fit_model(read(name)[0], pulses=read(name)[1]).model):
        asked, missed = Counter[str](), Counter[str]()
        for name in sys.argv[1:] or names():
            for temp_c, _, kind, error in judged(name, make(name)):
                asked[kind] += 1
                missed[kind] += abs(error) > LIMITS[kind](temp_c)
        cells = [f"{missed[k]} of {asked[k]}" for k in ("ride", "peak", "charge")]
        label = {one: "one energy", part: "a law for each part"}.get(make, "the program")
        print(f"| {label} | {' | '.join(cells)} | {missed.total()} of {asked.total()} |", flush=True)


if __name__ == "__main__":
    main()
