"""The cell's model: identities, limits, and a loop of scalars as the twin of every array."""

from dataclasses import replace

import numpy as np
import pytest

from optimizer.cell.ageing import aged
from optimizer.cell.charging import charge, peak_power_w
from optimizer.cell.laws import PARTS, USUAL, Laws, factors
from optimizer.cell.model import (
    LAG_GAINS,
    LAG_RATES,
    CellModel,
    pulse_resistance_ohm,
    surface_lag,
    thermal_voltage_v,
    voltage,
)
from optimizer.cell.steps import Heat, fine_profile, run_constant, run_profile

SOC = np.linspace(0.0, 1.0, 201)


def made(**changes: object) -> CellModel:
    """An invented cell of 3 Ah."""
    table = 3.0 + 0.9 * SOC + 0.25 * np.tanh(SOC / 0.04)
    base = CellModel(
        name="made", chemistry="NMC", source="test", capacity_ah=3.0, soc=SOC, ocv_v=table,
        ocv_fast_v=0.4 * (table - table[0]), r_ohmic_ohm=0.008, exchange_a=np.full(201, 2.0),
        r1_ohm=np.full(201, 0.003), r2_ohm=np.full(201, 0.006), tau1_s=5.0, tau2_s=120.0, diffusion_slow_s=3000.0,
        diffusion_fast_s=500.0, current_limit_a=15.0, reference_current_a=3.0, current_fitted_a=3.0,
        voltage_max_v=float(table[-1]), voltage_min_v=3.0,
    )  # fmt: skip
    return replace(base, **changes)  # type: ignore[arg-type]


def bare(ohm: float = 0.05) -> CellModel:
    """OCV 3 + z behind one plain resistance: everything has a closed form."""
    nothing = np.zeros(201)
    return made(ocv_v=3 + SOC, ocv_fast_v=nothing, r_ohmic_ohm=ohm, exchange_a=np.full(201, np.inf),
                r1_ohm=nothing, r2_ohm=nothing, diffusion_slow_s=1e-6, diffusion_fast_s=1e-6,
                current_limit_a=np.inf, voltage_min_v=3.2, voltage_max_v=4.0)  # fmt: skip


def test_no_current_is_the_voltage_at_rest():
    model = made()
    at = np.array([0.0, 0.13, 0.5, 1.0])
    rest = np.interp(at, model.soc, model.ocv_v)
    assert voltage(model, soc=at, current_a=0.0, seconds=1000.0) == pytest.approx(rest, abs=1e-12)


def test_lag_chain_is_that_of_a_sphere():
    # Closed form, Crank, The Mathematics of Diffusion (1975), eq. 6.45 (from memory): the surface of a sphere
    # under constant flux is ahead of its mean by 1/5 - 2 sum exp(-z^2 t) / z^2, z the roots of tan z = z, times
    # flux radius / diffusivity; one third of that in terms of the rate of the mean.
    from scipy.optimize import brentq

    roots = np.array([brentq(lambda x: np.sin(x) - x * np.cos(x), k * np.pi + 1e-6, (k + 0.5) * np.pi) for k in
                      range(1, 3000)])  # fmt: skip
    for phase in (1e-4, 1e-3, 1e-2, 0.1, 1.0):
        exact = (0.2 - 2 * np.sum(np.exp(-(roots**2) * phase) / roots**2)) / 3
        chain = np.sum(LAG_GAINS * -np.expm1(-LAG_RATES * phase))
        assert chain == pytest.approx(exact, rel=0.05)
    assert LAG_GAINS.sum() == pytest.approx(1 / 15, rel=1e-12)


def test_lag_is_in_proportion_to_current_and_grows_to_its_steady_value():
    model = made()
    one = surface_lag(model, 1.0, seconds=np.array([1.0, 100.0, np.inf]), fast=False)
    assert np.all(np.diff(one) > 0)
    assert surface_lag(model, 6.0, seconds=100.0, fast=False) == pytest.approx(6 * one[1], rel=1e-12)
    assert one[-1] == pytest.approx(3000.0 / 15 / (3600 * 3.0), rel=1e-9)


def test_the_lasting_drop_is_more_than_that_of_a_pulse():
    model = made()
    lasting = (model.ocv_v - voltage(model, soc=SOC, current_a=3.0, seconds=np.inf)) / 3.0
    assert np.all(lasting > pulse_resistance_ohm(model))
    assert np.all(pulse_resistance_ohm(model)[5:] > model.r0_ohm[5:])


def test_array_equals_a_loop_of_scalars():
    model = made()
    soc, amp = np.array([0.2, 0.5, 0.9]), np.array([1.0, -2.0, 7.0])
    time_s, temp = np.array([0.1, 10.0, 600.0]), np.array([-10.0, 25.0, 40.0])
    loop = [float(voltage(model, soc=s, current_a=a, seconds=t, temp_c=c)) for s, a, t, c in
            zip(soc, amp, time_s, temp, strict=True)]  # fmt: skip
    assert voltage(model, soc=soc, current_a=amp, seconds=time_s, temp_c=temp) == pytest.approx(loop, rel=1e-14)
    pulses = [pulse_resistance_ohm(model, seconds=t, temp_c=c) for t, c in zip(time_s, temp, strict=True)]
    assert pulse_resistance_ohm(model, seconds=time_s, temp_c=temp) == pytest.approx(np.array(pulses), rel=1e-14)


def test_temperature_laws_by_hand():
    # Closed form: exp(30000/8.314462618 (1/273.15 - 1/298.15)) = exp(1.10762) = 3.0271.
    assert factors(Laws(), 0.0) == pytest.approx(3.0271, rel=2e-4)
    assert np.all(factors(USUAL, 25.0) == 1.0)
    # 2RT/F at 25 degC: 51.39 mV, any electrochemistry text.
    assert thermal_voltage_v(25.0) == pytest.approx(0.05139, abs=5e-6)
    with pytest.raises(ValueError, match="above -273"):
        factors(USUAL, -300.0)
    with pytest.raises(ValueError, match="no part may shrink"):
        Laws(energy_j_mol=(10_000.0,) * 7, bend=(-5.0,) * 7)


def test_no_part_ever_falls_with_falling_temperature():
    from optimizer.cell.laws import lowest_bend

    energy = (12_000.0,) * 7
    steep = Laws(energy_j_mol=energy, bend=tuple(lowest_bend(np.array(energy)).tolist()))
    for laws in (USUAL, steep, Laws(energy_j_mol=energy, bend=(0.8,) * 7)):
        f = factors(laws, np.linspace(60.0, -45.0, 500))
        assert f.shape == (500, len(PARTS)) and np.all(np.diff(f, axis=0) >= -1e-12)


def test_the_kernel_steps_what_the_closed_form_says_at_any_temperature():
    model = made(laws=USUAL, exchange_fast_a=np.full(201, 6.0), entropic_v_k=np.full(201, -2e-4), pore_share=0.3,
                 limit_slope=0.5, drying=0.5, depletion=0.98, early_rate=900.0, follow=0.0,
                 slow_steep=0.8, fast_steep=-1.0)  # fmt: skip
    for temp_c in (-10.0, 25.0, 40.0):
        run = run_constant(model, current_a=2.0, temp_c=temp_c, cutoff_v=2.5)
        for i in (1, len(run.time_s) // 3, 2 * len(run.time_s) // 3):
            found = voltage(model, soc=run.soc[i], current_a=2.0, seconds=run.time_s[i], temp_c=temp_c)
            assert run.voltage_v[i] == pytest.approx(float(found), abs=1.5e-3 if temp_c < 0 else 2e-4)


def shells_lag(steep, rate, seconds, diffusion_s=2000.0, shells=120):
    """How far the surface of a sphere trails its mean where diffusion slows with charge: finite volumes, implicit."""
    edges = np.linspace(0.0, 1.0, shells + 1)
    volume, area = np.diff(edges**3) / 3.0, edges[1:-1] ** 2
    soc, dt = np.ones(shells), seconds / 600
    for _ in range(600):
        between = np.exp(-steep * (0.5 - 0.5 * (soc[1:] + soc[:-1]))) / diffusion_s
        flow = area * between * shells
        matrix = np.diag(volume) + dt * (np.diag(np.append(flow, 0.0)) + np.diag(np.append(0.0, flow)))
        matrix -= dt * (np.diag(flow, 1) + np.diag(flow, -1))
        taken = np.zeros(shells)
        taken[-1] = rate / 3.0
        soc = np.linalg.solve(matrix, volume * soc - dt * taken)
    # The last shell's middle, and on to the surface by the gradient that the flux asks for.
    surface = soc[-1] - rate / 3.0 * diffusion_s * np.exp(steep * (0.5 - soc[-1])) * 0.5 / shells
    return 1.0 - rate * seconds - surface


@pytest.mark.parametrize("steep", [-1.5, 0.0, 1.5])
def test_a_lag_where_diffusion_depends_on_charge_is_that_of_a_sphere_of_shells(steep):
    """Fick's law with a diffusivity that depends on charge, by finite volumes (second implementation)."""
    model = replace(bare(), diffusion_slow_s=2000.0, diffusion_fast_s=2000.0, slow_steep=steep, fast_steep=steep)
    # The OCV rises by 1 V over the window, so millivolts below it are thousandths of lag.
    run = run_constant(model, current_a=3.0, cutoff_v=2.0)
    for i in np.searchsorted(run.time_s, (300.0, 1500.0, 2700.0)):
        lag = 3.0 + run.soc[i] - 3.0 * 0.05 - run.voltage_v[i]
        assert lag == pytest.approx(shells_lag(steep, 1.0 / 3600.0, run.time_s[i]), rel=0.05)


def test_a_charge_meets_the_limit_of_the_electrode_that_it_fills():
    model = made(laws=USUAL, limit_slope=0.8, drying=0.5, depletion=0.98, current_limit_a=8.0, early_rate=900.0)
    # What the slope takes from the limit in a discharge near empty it takes in a charge near full.
    level = replace(model, limit_slope=0.0)
    for amp, soc, sign in ((3.0, 0.2, -1), (3.0, 0.8, 1), (-3.0, 0.2, -1), (-3.0, 0.8, 1)):
        sloped, flat = (voltage(m, soc=soc, current_a=amp, seconds=600.0) for m in (model, level))
        assert np.sign(sloped - flat) == sign, (amp, soc)
    # No jump where a ride turns to braking: from one second to the next the voltage changes as before.
    load = np.where(np.arange(900) < 600, 8.0, -4.0)
    braked = run_profile(model, time_s=np.arange(900.0), power_w=load, start_soc=0.35)
    volt = braked.voltage_v[620:900]
    assert len(volt) == 280 and np.abs(np.diff(volt, 2)).max() < 1e-4
    run = charge(model, current_a=3.0, start_soc=0.2)
    i = np.flatnonzero(run.current_a < 3.0)[0] - 2
    found = voltage(model, soc=run.soc[i], current_a=-3.0, seconds=run.time_s[i])
    assert run.voltage_v[i] == pytest.approx(float(found), abs=2e-3)


def test_a_charge_below_the_ending_current_goes_to_full_and_a_strong_one_starts_at_what_flows():
    # 0.8 of 3 Ah at 0.1 A, a thirtieth of the capacity, are 24 h by hand; 50 mohm end it 5 mV early.
    slow, less = (charge(bare(), current_a=amp, start_soc=0.2) for amp in (0.1, 0.05))
    assert slow.minutes == pytest.approx(0.8 * 3 / 0.1 * 60, rel=0.02) and slow.soc[-1] > 0.98
    assert less.minutes == pytest.approx(0.8 * 3 / 0.05 * 60, rel=0.02)
    # Just above 0.05C, 0.15 A, nothing jumps.
    near, above = (charge(bare(), current_a=amp, start_soc=0.2) for amp in (0.1499, 0.1501))
    assert near.minutes == pytest.approx(above.minutes, rel=0.01)
    strong = charge(bare(), current_a=1500.0, start_soc=0.9)
    taken_ah = np.trapezoid(strong.current_a, strong.time_s) / 3600.0
    assert taken_ah == pytest.approx(3.0 * (strong.soc[-1] - 0.9), rel=0.01)


def test_a_charge_is_longer_in_the_cold_and_ends_full():
    model = made(laws=USUAL)
    warm, cold = (charge(model, current_a=1.5, start_soc=0.2, temp_c=t) for t in (25.0, -10.0))
    assert cold.minutes > warm.minutes and cold.minutes_to(0.8) >= warm.minutes_to(0.8)
    assert warm.soc[-1] > 0.97 and np.all(np.diff(warm.soc) > 0)
    assert warm.voltage_v.max() <= model.voltage_max_v + 1e-6
    # Constant current: 0.6 of 3 Ah at 1.5 A are 72 min by hand.
    assert charge(bare(), current_a=0.3, start_soc=0.2).minutes_to(0.8) == pytest.approx(0.6 * 3 / 0.3 * 60, rel=1e-3)


def test_peak_power_of_a_plain_resistance_by_hand():
    # From rest at 3.6 V behind 50 mohm down to 3.2 V: 8 A at 3.2 V, less what 10 s of it take from the OCV.
    found = peak_power_w(bare(), soc=0.6, seconds=10.0)
    amp = 0.4 / (0.05 + 10 / 3600 / 3)
    assert found == pytest.approx(3.2 * amp, rel=2e-3)


def test_a_cell_warms_by_its_own_heat_and_cools_to_the_air():
    # All heat stays: energy given off and heat are what the OCV gave; C dT by hand.
    ohm, amp = 0.05, 3.0
    cell = replace(bare(ohm), laws=Laws(energy_j_mol=(0.0,) * 7))
    run = run_constant(cell, current_a=amp, heat=Heat(40.0, 0.0))
    assert run.temp_c[-1] - 25.0 == pytest.approx(amp**2 * ohm * run.duration_s / 40.0, rel=0.01)
    steady = run_constant(cell, current_a=0.5, heat=Heat(0.5, 0.01), cutoff_v=3.2)
    assert steady.temp_c[-1] - 25.0 == pytest.approx(0.25 * ohm / 0.01, rel=0.05)


def test_an_old_cell_holds_less_and_resists_more():
    old = aged(made(), capacity_fraction=0.8, resistance_factor=1.5)
    assert old.capacity_ah == pytest.approx(2.4)
    assert old.r_ohmic_ohm == pytest.approx(0.012)
    assert np.all(pulse_resistance_ohm(old)[20:] > pulse_resistance_ohm(made())[20:])
    with pytest.raises(ValueError, match="above 0"):
        aged(made(), capacity_fraction=0.0)


def test_constant_current_behind_a_resistance_has_its_closed_form():
    # 3 + z - 2 A 0.05 ohm = 3.2 at z = 0.3: 0.7 of 3 Ah; mean voltage (3.9 + 3.2) / 2.
    run = run_constant(bare(), current_a=2.0)
    assert run.reached_cutoff
    assert run.capacity_ah == pytest.approx(2.1, rel=1e-6)
    assert run.energy_wh == pytest.approx(2.1 * 3.55, rel=1e-6)
    assert run.duration_s == pytest.approx(2.1 / 2 * 3600, rel=1e-6)
    assert run.lap_min_voltage_v == (3.2,)
    # One percent of resistance must show.
    assert run_constant(bare(0.0505), current_a=2.0).capacity_ah != pytest.approx(2.1, rel=1e-5)


def test_constant_power_gives_power_times_time():
    run = run_constant(bare(), power_w=8.0)
    assert run.energy_wh == pytest.approx(8.0 * run.duration_s / 3600, rel=1e-6)
    assert run.voltage_v * run.current_a == pytest.approx(8.0, rel=1e-8)
    # At the end V = 3.2 and I = 2.5 A: z = 0.2 + 2.5 0.05 = 0.325.
    assert run.capacity_ah == pytest.approx((1 - 0.325) * 3.0, rel=1e-4)


def test_power_beyond_what_the_cell_can_give_ends_at_once():
    run = run_constant(bare(), power_w=1000.0)  # most is 4^2 / (4 0.05) = 80 W
    assert run.reached_cutoff
    assert run.energy_wh == 0.0
    assert run.duration_s == 0.0


def test_step_and_closed_form_of_the_full_model_agree():
    model = made(voltage_min_v=2.0)
    run = run_constant(model, current_a=4.0, cutoff_v=2.5)
    at = np.searchsorted(run.time_s, [5.0, 60.0, 900.0])
    expected = voltage(model, soc=run.soc[at], current_a=4.0, seconds=run.time_s[at])
    assert run.voltage_v[at] == pytest.approx(expected, abs=1e-9)


def test_profile_of_constant_power_equals_constant_power():
    model = made()
    flat = run_profile(model, time_s=np.array([0.0, 600.0]), power_w=np.array([9.0, 9.0]))
    constant = run_constant(model, power_w=9.0)
    assert flat.energy_wh == pytest.approx(constant.energy_wh, rel=1e-4)
    assert flat.capacity_ah == pytest.approx(constant.capacity_ah, rel=1e-4)
    assert len(flat.lap_min_voltage_v) == int(flat.duration_s // 600) + 1
    assert np.all(np.diff(flat.lap_min_voltage_v) < 0)


def test_regeneration_gives_back_and_lifts_the_voltage():
    model = made()
    time_s, power = np.array([0.0, 50.0, 51.0, 70.0]), np.array([12.0, 12.0, -6.0, -6.0])
    run = run_profile(model, time_s=time_s, power_w=power, start_soc=0.9)
    lap = run.time_s < 70.0
    assert run.current_a[lap].min() < 0
    assert run.voltage_v[lap & (run.time_s > 52)].min() > run.voltage_v[lap & (run.time_s < 50)].min()
    assert run.soc[lap][-1] > run.soc[lap].min()


def test_charge_is_kept_between_state_and_total():
    run = run_profile(made(), time_s=np.array([0.0, 30.0, 60.0]), power_w=np.array([0.0, 20.0, 1.0]), start_soc=0.8)
    assert (0.8 - run.soc[-1]) * 3.0 == pytest.approx(run.capacity_ah, rel=1e-3)


def test_fine_profile_is_linear_and_keeps_every_row():
    grid, load = fine_profile(np.array([10.0, 12.5, 13.0]), np.array([0.0, 5.0, -5.0]))
    assert np.max(np.diff(grid)) <= 1.0
    assert set(np.round([0.0, 2.5, 3.0], 9)) <= set(np.round(grid, 9))
    assert load[grid < 2.5] == pytest.approx(2.0 * grid[grid < 2.5])
    with pytest.raises(ValueError, match="increasing"):
        fine_profile(np.array([0.0, 0.0]), np.array([1.0, 1.0]))


def test_misuse_is_refused():
    with pytest.raises(ValueError, match="current_a or power_w"):
        run_constant(made())
    with pytest.raises(ValueError, match="above 0"):
        run_constant(made(), current_a=-1.0)
    with pytest.raises(ValueError, match="take energy"):
        run_profile(made(), time_s=np.array([0.0, 1.0]), power_w=np.array([-1.0, 0.0]))
    with pytest.raises(ValueError, match="seconds"):
        voltage(made(), soc=0.5, current_a=1.0, seconds=-1.0)
