import numpy as np
import pytest

from optimizer.ride.kernels.critical import (
    ALIKE,
    CRITICAL_STEPS,
    F1,
    F3,
    FAST1,
    LAGGED2,
    LAGGED3,
    LOADS,
    POWER_W,
    Q1,
    SLOW2,
    SLOW3,
    hardest,
    lagged_loads,
)

TAUS, LAG_S = (3.0, 40.0, 25.0), 60.0


def brute_force(power, *, duration_s, at, fine=0.05):
    """What a lap driven many times has left behind at one moment, summed over all the past in fine steps."""
    laps = 120
    count = np.round(duration_s / fine).astype(int)
    lap = np.repeat(power, count)
    p = np.concatenate([np.tile(lap, laps), lap[: round(at / fine)]])
    dt = np.full(len(p), fine)

    def filtered(signal, tau):
        out, state = np.empty(len(signal)), 0.0
        for i, value in enumerate(signal):
            state += (value - state) * -np.expm1(-fine / tau)
            out[i] = state
        return out

    lagging = [filtered(p, tau) for tau in TAUS]
    since = np.cumsum((p * dt)[::-1])[::-1] - 0.5 * p * dt
    out = np.zeros(LOADS)
    age = (len(p) - 0.5 - np.arange(len(p))) * fine
    for k, tau in enumerate(TAUS):
        weight = np.exp(-age / tau) * fine / tau
        f = weight @ p
        out[F1 + k], out[Q1 + k] = f, weight @ p**2 / f
        lagged = (LAG_S * (weight @ (p * lagging[2])) - weight @ (p * since)) / f
        if k == 0:
            out[FAST1] = weight @ (p * lagging[0]) / f
        elif k == 1:
            out[LAGGED2], out[SLOW2] = lagged, weight @ (p * lagging[1]) / f
        else:
            out[LAGGED3], out[SLOW3] = lagged, weight @ (p * lagging[1]) / f
    return out


def test_loads_equal_sums_over_the_whole_past():
    """Grade: second implementation. Each weighted sum is taken anew, at the middle of a step of a lap of four."""
    duration = np.array([1.0, 1.0, 2.0, 1.0])
    power = np.array([300.0, 900.0, 500.0, 100.0])
    loads = lagged_loads(power, duration, TAUS, LAG_S)
    for step, middle in enumerate((0.5, 1.5, 3.0, 4.5)):
        expected = brute_force(power, duration_s=duration, at=middle)
        expected[POWER_W] = power[step]
        assert loads[step] == pytest.approx(expected, rel=0.01)
    assert np.all(loads[:, [LAGGED2, LAGGED3]] > 0)


def test_steady_power_leaves_itself_behind():
    """Closed form: f = Q = P; the surface lags by lag·P while the charge still to come is τ·P."""
    loads = lagged_loads(np.full(5, 250.0), np.full(5, 7.0), TAUS, LAG_S)
    plain = [F1, F1 + 1, F3, Q1, Q1 + 1, Q1 + 2, SLOW2, SLOW3, FAST1]
    assert loads[:, plain] == pytest.approx(np.full((5, len(plain)), 250.0), rel=1e-4)
    assert loads[:, LAGGED2] == pytest.approx(np.full(5, 250.0 * (LAG_S - 40.0)), rel=5e-3)
    assert loads[:, LAGGED3] == pytest.approx(np.full(5, 250.0 * (LAG_S - 25.0)), rel=5e-3)


def test_what_regeneration_leaves_behind_counts_as_nothing():
    loads = lagged_loads(np.array([-500.0, 400.0]), np.array([30.0, 1.0]), TAUS, LAG_S)
    assert loads[0, F1] == 0.0
    assert np.all(loads[:, F1:] >= 0.0)


def test_few_steps_cover_all():
    rng = np.random.default_rng(4)
    power = rng.gamma(2.0, 300.0, 400)
    loads = lagged_loads(power, np.ones(400), TAUS, LAG_S)
    kept = hardest(loads)
    assert power.argmax() in kept
    assert 2 <= len(kept) <= CRITICAL_STEPS
    covered = loads[kept][:, None, :4] >= loads[None, :, :4] * (1 - ALIKE[-1])
    assert covered.all(axis=2).any(axis=0).all()


def test_equal_steps_are_kept_once():
    assert len(hardest(lagged_loads(np.full(60, 90.0), np.ones(60), TAUS, LAG_S))) == 1
