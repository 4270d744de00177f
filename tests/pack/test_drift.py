"""Shares of cells in parallel over a discharge: against the cells themselves, integrated by SciPy, and drawn packs."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from optimizer.catalog import builtin_catalogs
from optimizer.pack.sharing import drifted_share, drifts
from optimizer.search.space.setup import load_space

GRID = np.linspace(0.0, 1.0, 201)
# A flat cell with a knee, and one that slopes all the way; resistance rises towards empty.
FLAT = 3.2 + 0.15 * GRID + 0.15 * np.exp((GRID - 1.0) / 0.03) - 0.7 * np.exp(-GRID / 0.05)
SLOPED = 3.0 + 1.1 * GRID + 0.1 * np.tanh((GRID - 0.25) / 0.08)
OHM = 0.040 * (1.0 + 1.2 * np.exp(-GRID / 0.12))
CURVES = {"flat": FLAT, "sloped": SLOPED}


def shares(ocv_v, *, rho, kappa, amps, capacity_ah, end_soc):
    """Current of each cell of one group over the mean, at 0, 1, … 60 parts of the discharge, shape (61, cells)."""
    ohm, hold = (1.0 + rho), capacity_ah * (1.0 + kappa)

    def currents(soc):
        volts, r = np.interp(soc, GRID, ocv_v), np.interp(soc, GRID, OHM) * ohm
        terminal = (np.sum(volts / r) - amps * len(rho)) / np.sum(1.0 / r)
        return (volts - terminal) / r

    hours = (1.0 - end_soc) * hold.mean() / amps
    run = solve_ivp(lambda t, soc: -currents(soc) / hold, (0.0, hours), np.ones(len(rho)), rtol=1e-9, atol=1e-11,
                    t_eval=np.linspace(0.0, hours, 61))  # fmt: skip
    return np.array([currents(soc) / amps for soc in run.y.T])


@pytest.mark.parametrize("curve", CURVES)
@pytest.mark.parametrize("rate", [0.5, 1.0, 3.0])
def test_the_largest_deviations_are_those_of_the_cells(curve, rate):
    """One cell off by 0.1 % in resistance, and in capacity: to first order its deviation over that is what is told."""
    ocv, capacity = CURVES[curve], 3.0
    amps = rate * capacity
    asked = {"current_a": [amps], "start_soc": 1.0, "end_soc": 0.1}
    grown, most = drifts(ocv[None], OHM[None], **asked, dcir_cv=0.02, capacity_cv=0.0)
    off = np.array([1e-3, -1e-3, 0.0, 0.0])
    run = shares(ocv, rho=off, kappa=0.0 * off, amps=amps, capacity_ah=capacity, end_soc=0.1)
    told = np.abs(run - 1.0).max(axis=0)[:2] / 1e-3
    assert told.mean() == pytest.approx(float(grown[0]), rel=0.06) and float(most[0]) == pytest.approx(0.02 * grown[0])
    _, alone = drifts(ocv[None], OHM[None], **asked, dcir_cv=0.0, capacity_cv=0.003)
    run = shares(ocv, rho=0.0 * off, kappa=off, amps=amps, capacity_ah=capacity, end_soc=0.1)
    assert np.abs(run - 1.0).max(axis=0)[:2].mean() / 1e-3 * 0.003 == pytest.approx(float(alone[0]), rel=0.06)


def test_a_slope_that_is_even_leaves_resistances_nothing():
    """Closed form: F = (1 − e^(−a y))/a, so that m never passes 1 and the first share is the largest."""
    ocv, ohm = 3.0 + 1.2 * GRID, np.full_like(GRID, 0.05)
    grown, most = drifts(ocv[None], ohm[None], current_a=[3.0], start_soc=1.0, end_soc=0.0, dcir_cv=0.02,
                         capacity_cv=0.003)  # fmt: skip
    assert grown[0] == 1.0 and most[0] == 0.02
    # With capacity alone its deviation rises to σ (1 − e^(−a)), a = 1.2/(3·0.05).
    _, most = drifts(ocv[None], ohm[None], current_a=[3.0], start_soc=1.0, end_soc=0.0, dcir_cv=0.0, capacity_cv=0.003)
    assert most[0] == pytest.approx(0.003 * (1.0 - np.exp(-8.0)), rel=1e-9)


def test_drawn_packs_of_20s4p_at_1c():
    """Spread of 0.3 and 2 %: 1.044 at the start and 1.070 over a discharge to 10 %, an LFP cell of the demo's catalog.

    By the formula, and of 60 packs drawn cell by cell.
    """
    space = load_space(builtin_catalogs() / "briefs" / "cargo-scooter.toml")
    row = list(space.inputs.cells.id[space.context.cells.row]).index("grove-21700-e30")
    arrays = space.context.arrays
    ocv, ohm = arrays.ocv_v[row], (arrays.r0_ohm + arrays.r1_ohm + arrays.r2_ohm)[row]
    grid, amps = np.linspace(0.0, 1.0, len(ocv)), float(arrays.capacity_ah[row])
    rng, steps, end = np.random.default_rng(4), 600, 0.1
    rho, kappa = 0.02 * rng.standard_normal((60, 20, 4)), 0.003 * rng.standard_normal((60, 20, 4))
    soc, worst = np.ones(rho.shape), []
    for _ in range(steps):
        volts, r = np.interp(soc, grid, ocv), np.interp(soc, grid, ohm) * (1.0 + rho)
        terminal = ((volts / r).sum(-1, keepdims=True) - 4 * amps) / (1.0 / r).sum(-1, keepdims=True)
        now = (volts - terminal) / r
        worst.append(now.max(axis=(1, 2)) / amps)
        soc = soc - now / amps * (1.0 - end) / steps / (1.0 + kappa)
    _, spread = drifts(ocv[None], ohm[None], current_a=[amps], start_soc=1.0, end_soc=end, dcir_cv=0.02,
                       capacity_cv=0.003)  # fmt: skip
    first, drifted = (float(drifted_share(0.02, cv, series=20, parallel=4)) for cv in (0.0, spread[0]))
    assert first == pytest.approx(1.044, abs=0.0005) and worst[0].mean() == pytest.approx(first, abs=0.003)
    assert drifted == pytest.approx(1.070, abs=0.004)
    assert 0.80 < (np.max(worst, axis=0).mean() - 1.0) / (drifted - 1.0) < 1.05
