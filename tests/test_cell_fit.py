"""The fit finds again what made the curves, coarse and noisy ones included."""

import numpy as np
import pytest

from optimizer.cell.fit import fit_model
from optimizer.cell.measured import Curve, Pulse, noise_of
from optimizer.cell.model import voltage
from optimizer.cell.steps import run_constant
from tests.test_cell import made


def curve(current_a: float, rows: int = 60, noise_v: float = 0.0) -> Curve:
    """Rows of a discharge of the invented cell."""
    run = run_constant(made(), current_a=current_a)
    charge = run.time_s * current_a / 3600
    grid = np.linspace(0.0, charge[-1], rows)
    shake = noise_v * np.random.default_rng(7).standard_normal(rows)
    return Curve(current_a, grid, np.interp(grid, charge, run.voltage_v) + shake)


def pulses() -> list[Pulse]:
    """Pulses of the invented cell at 1C."""
    model, out = made(), []
    for soc in (0.8, 0.5, 0.2):
        rest = float(np.interp(soc, model.soc, model.ocv_v))
        time_s = np.array([0.1, 10.0])
        volt = voltage(model, soc=soc - 3.0 * time_s / 3600 / 3.0, current_a=3.0, seconds=time_s)
        out.append(Pulse(soc, 3.0, time_s, rest - volt, rest))
    return out


@pytest.mark.parametrize(("rows", "noise_v"), [(60, 0.0), (15, 0.0), (150, 0.002)])
def test_unseen_loads_are_met(rows: int, noise_v: float):
    fit = fit_model([curve(0.15, rows, noise_v), curve(3.0, rows, noise_v)], pulses=pulses())
    for kind, load in (("current_a", 1.5), ("power_w", 10.0), ("current_a", 6.0)):
        truth, found = run_constant(made(), **{kind: load}), run_constant(fit.model, **{kind: load})
        assert found.energy_wh == pytest.approx(truth.energy_wh, rel=0.015), (kind, load)
    assert fit.model.capacity_ah == pytest.approx(3.0, rel=0.01)
    assert max(abs(e.drop_error) for e in fit.pulses) < 0.05


def test_three_curves_and_no_pulses_are_enough():
    fit = fit_model([curve(6.0), curve(0.15), curve(3.0)])
    assert [e.current_a for e in fit.curves] == [0.15, 3.0, 6.0]
    assert max(abs(e.capacity_error) for e in fit.curves) < 0.005
    assert fit.model.current_fitted_a == 6.0
    assert fit.pulses == ()


def test_scale_of_the_cell_does_not_matter():
    small = [Curve(c.current_a / 300, c.capacity_ah / 300, c.voltage_v) for c in (curve(0.15), curve(3.0))]
    thin = [Pulse(p.soc, p.current_a / 300, p.time_s, p.drop_v, p.rest_v) for p in pulses()]
    fit = fit_model(small, pulses=thin)
    whole = fit_model([curve(0.15), curve(3.0)], pulses=pulses())
    assert fit.model.capacity_ah * 300 == pytest.approx(whole.model.capacity_ah, rel=1e-4)
    assert fit.model.r_ohmic_ohm / 300 == pytest.approx(whole.model.r_ohmic_ohm, rel=0.02)


def test_inputs_are_not_changed():
    given = [curve(0.15, 60, 0.002), curve(3.0)]
    before = [c.voltage_v.copy() for c in given]
    fit_model(given)
    assert all(np.array_equal(a, c.voltage_v) for a, c in zip(before, given, strict=True))


def test_one_current_is_refused():
    with pytest.raises(ValueError, match="two curves"):
        fit_model([curve(3.0), curve(3.0)])


def test_noise_is_estimated_on_a_slope():
    # Closed form: third differences of white noise have sqrt(1 + 9 + 9 + 1) times its spread.
    x = np.linspace(0, 1, 4000)
    shaken = 4 - x + 0.003 * np.random.default_rng(3).standard_normal(4000)
    assert noise_of(shaken) == pytest.approx(0.003, rel=0.06)
    assert noise_of(4 - x) < 1e-12
