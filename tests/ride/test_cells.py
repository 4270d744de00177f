import dataclasses

import numpy as np
import pytest

from optimizer.cell.model import CellModel, voltage
from optimizer.cell.steps import run_profile
from optimizer.ride.bins import compress
from optimizer.ride.kernels.cells import CellArrays, from_models
from optimizer.ride.range import PackBlock
from optimizer.ride.simulate import simulate_trace


@pytest.fixture
def model(samples):
    """An invented 5 Ah energy cell with both surfaces, kinetics and an electrolyte limit."""
    soc = np.linspace(0.0, 1.0, 1001)
    shape = np.interp(soc, samples.SOC, samples.OXIDE)
    return CellModel(
        name="invented", chemistry="NMC", source="invented", capacity_ah=5.0, soc=soc, ocv_v=shape,
        ocv_fast_v=0.4 * shape, r_ohmic_ohm=0.014, exchange_a=np.full(1001, 12.0),
        r1_ohm=0.006 + 0.004 * np.exp(-soc / 0.1), r2_ohm=np.full(1001, 0.004), tau1_s=4.0, tau2_s=90.0,
        diffusion_slow_s=1500.0, diffusion_fast_s=400.0, current_limit_a=40.0, reference_current_a=5.0,
        current_fitted_a=10.0, voltage_max_v=float(shape[-1]), voltage_min_v=2.6,
    )  # fmt: skip


def test_drops_at_the_reference_current_are_the_models(model):
    cells = from_models([model], points=101)
    at = np.array([30, 50, 80])
    soc, amps = at / 100, 5.0
    rest = np.interp(soc, model.soc, model.ocv_v)
    for seconds, tolerance in ((0.1, 1e-3), (10.0, 3e-3), (1e9, 1e-3)):
        lag = cells.lag_s[0] * amps / (3600 * 5.0) * -np.expm1(-seconds / cells.lag_tau_s[0])
        ours = (
            np.interp(soc - lag, np.linspace(0, 1, 101), cells.ocv_v[0])
            - amps * cells.r0_ohm[0, at]
            - amps * cells.r1_ohm[0, at] * -np.expm1(-seconds / cells.tau1_s[0])
            - amps * cells.r2_ohm[0, at] * -np.expm1(-seconds / cells.tau2_s[0])
        )
        theirs = voltage(model, soc=soc, current_a=amps, seconds=seconds)
        assert rest - ours == pytest.approx(rest - theirs, abs=tolerance)


def test_ride_agrees_with_the_full_cell_model(samples, model):
    """Second implementation: the cell's own stepper, with two surfaces, kinetics and electrolyte limit.

    After each lap the state of charge agrees within 0.2 % of full, the lowest voltage of a lap within 60 mV.
    """
    steps, _ = samples.town_ride()
    ride = compress(steps, cells=from_models([model]), mass_min_kg=120.0, mass_max_kg=130.0)
    packs = PackBlock(cell=0, series=14, parallel=2, total_mass_kg=125.0)
    trace = simulate_trace(packs, steps=steps, ride=ride, reserve_soc=0.15, points=10**6)
    # The same energy from the cell in each second; below the full voltage, so that nothing is cut off.
    power = steps.battery_power_w(125.0) / 28
    edges = np.sort(np.concatenate([np.arange(0.0, 600.0) + 1e-6, np.arange(1.0, 601.0)]))
    run = run_profile(model, time_s=np.append(0.0, edges)[1:], power_w=np.repeat(power, 2), cutoff_v=2.0)
    for lap in range(2, int(trace.time_s[-1] // 600)):
        soc = np.interp(600.0 * lap, run.time_s, run.soc)
        assert trace.soc[600 * lap - 1] == pytest.approx(soc, abs=2e-3)
        ours = trace.cell_voltage_v[600 * (lap - 1) : 600 * lap].min()
        assert ours == pytest.approx(run.lap_min_voltage_v[lap - 1], abs=0.06)


def test_bad_cells_are_named(samples):
    good = samples.cells(2)
    with pytest.raises(ValueError, match="at least one model"):
        from_models([])
    for change, text in (
        ({"capacity_ah": np.array([1.0, 0.0])}, "capacity_ah must be > 0"),
        ({"lag_s": np.array([1.0, -1.0])}, "lag_s must be >= 0"),
        ({"ocv_v": good.ocv_v[:, ::-1]}, "ocv_v must not fall"),
        ({"r0_ohm": good.r0_ohm[:, 1:]}, "r0_ohm must have shape"),
        ({"tau1_s": np.ones(3)}, r"tau1_s must have shape \(2,\), found \(3,\)"),
        ({"voltage_max_v": good.voltage_min_v}, "voltage_max_v must be above"),
    ):
        with pytest.raises(ValueError, match=text):
            dataclasses.replace(good, **change)
    assert isinstance(good, CellArrays)
