"""Heat of the reaction, from a column of the curve: sign and size on rides, charges and lasting power.

Bernardi, Pawlikowski and Newman, J. Electrochem. Soc. 132 (1985) 5: q = I (U − V) − I T dU/dT, I > 0 discharging.
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from test_charging import charged
from test_charging import some as chargeable
from test_warmth import some

from optimizer.base.problems import BadInput
from optimizer.catalog import builtin_catalogs, read_ocv
from optimizer.pack.limits import thermal_current
from optimizer.score.lap import hot_cell_end_c, hot_cell_endless_c
from optimizer.score.score import POWER_FIGURES, score
from optimizer.score.warmth import courses
from optimizer.search.space.setup import load_space


@pytest.fixture(scope="module")
def space():
    return load_space(builtin_catalogs() / "briefs" / "quick-36v.toml")


@pytest.fixture(scope="module")
def demo():
    return load_space(builtin_catalogs() / "briefs" / "cargo-scooter.toml")


def with_slope(context, mv_per_k):
    """All cells with a voltage that rises by so much per kelvin, at every charge."""
    table = context.cells
    return replace(context, cells=replace(table, entropy_v_k=np.full_like(table.entropy_v_k, 1e-3 * mv_per_k)))


def test_a_column_of_the_curve_is_read_and_kept_when_it_is_moved(tmp_path):
    path = tmp_path / "c.csv"
    path.write_text("soc,ocv_v,entropy_mv_per_k\n0,3.0,-0.4\n0.5,3.6,0.2\n1,4.2,0.1\n")
    curve = read_ocv(path)
    assert curve.entropy_v_per_k(np.array([0.0, 0.25, 1.0])) == pytest.approx([-4e-4, -1e-4, 1e-4])
    moved = curve.with_mean(3.65)
    assert moved.entropy_v_per_k(np.array([0.25])) == pytest.approx([-1e-4]) and moved.mean_v == pytest.approx(3.65)
    path.write_text("soc,ocv_v\n0,3.0\n1,4.2\n")
    assert np.all(read_ocv(path).entropy_v_per_k(np.linspace(0, 1, 5)) == 0.0)
    path.write_text("soc,ocv_v,entropy_mv_per_k\n0,3.0,-40\n1,4.2,x\n")
    with pytest.raises(BadInput) as bad:
        read_ocv(path)
    assert {p.field for p in bad.value.problems} == {"entropy_mv_per_k"} and len(bad.value.problems) == 2


def test_what_a_discharge_gives_is_t_times_the_charge(space):
    """∫ q dt = −T dU/dT · Q over the course, by the temperatures that it has."""
    context = with_slope(space.context, -0.3)
    block, _ = some(space, 6)
    course = courses(context, block.cell, block.series * block.parallel)
    kelvin = course.temp_c[:, :-1] + 273.15
    coulomb = (course.soc[:-1] - course.soc[1:]) * 3600.0 * context.ride.cells.capacity_ah[block.cell][:, None]
    assert course.reversible_w * course.seconds == pytest.approx(0.3e-3 * kelvin * coulomb, rel=1e-9)


@pytest.mark.parametrize("mv_per_k", [-0.3, 0.05])
def test_rides_against_an_integrator(space, mv_per_k):
    """C dT/dt = r i² − T dU/dT i − (T − T_air)/rise, by SciPy's Radau, i² and i as means over each step."""
    context, plain = with_slope(space.context, mv_per_k), space.context
    block, mass = some(space, 4, seed=2)
    bare = replace(block, extra_ohm=np.full(4, 1e-9), plates_k_per_a2=np.zeros(4), box_k_per_w=np.zeros(4))
    before, found = (hot_cell_end_c(bare, context=each, pack_mass_kg=mass) for each in (plain, context))
    assert np.all(found > before if mv_per_k < 0 else found < before)
    course = courses(context, bare.cell, bare.series * bare.parallel)
    for n in range(4):
        rise, heat = float(bare.ride_rise_k_per_w[n]), float(context.cells.mass_kg[bare.cell[n]]) * 950.0
        ends = np.cumsum(course.seconds[n])

        def slope(t, temp, n=n, rise=rise, heat=heat, ends=ends):
            at = min(int(np.searchsorted(ends, t)), len(ends) - 1)
            z = float(course.soc[at])
            inside = np.array([context.air_c + 0.75 * (float(temp[0]) - context.air_c)])
            ohm = float(context.warmth.lasting_ohm(z, inside)[0][bare.cell[n]])
            volts = float(np.interp(z, np.linspace(0, 1, 101), context.ride.cells.ocv_v[bare.cell[n]]))
            power = context.ride.battery_power_w(mass[n : n + 1] + context.vehicle_mass_kg)[0]
            power = power / (bare.series[n] * bare.parallel[n])
            amps = 2 * power / (volts + np.sqrt(volts**2 - 4 * ohm * power))
            mean, square = float(amps @ context.ride.weight), float(amps**2 @ context.ride.weight)
            reaction = -(float(temp[0]) + 273.15) * 1e-3 * mv_per_k * mean
            return [(ohm * square + reaction - (temp[0] - context.air_c) / rise) / heat]

        run = solve_ivp(slope, (0.0, ends[-1]), [context.air_c], method="Radau", max_step=float(ends[-1]) / 60)
        # The course draws what its own mass asks, and has its own temperature: a tenth of the reaction's part.
        assert found[n] == pytest.approx(run.y[0, -1], abs=0.6 + 0.15 * abs(found[n] - before[n]))


def test_it_cools_no_pack_below_the_air_nor_more_when_heat_stays_in(space):
    """Where the reaction takes more than resistances give, nothing is counted: a worse rise never cools."""
    context = with_slope(space.context, 3.0)
    block, mass = some(space, 40)
    worse = replace(block, ride_rise_k_per_w=3.0 * block.ride_rise_k_per_w)
    for figure in (hot_cell_end_c, hot_cell_endless_c):
        one, other = (figure(each, context=context, pack_mass_kg=mass) for each in (block, worse))
        assert np.all(other >= one - 1e-9) and np.all(one >= context.air_c - 1e-9)


def test_charges_have_the_other_sign(demo):
    block = chargeable(demo, 20)
    none, warm, cool = (charged(block, with_slope(demo.context, mv))["hot_cell_charge_c"] for mv in (0.0, 0.3, -0.05))
    assert np.all(warm > none + 0.2) and np.all(cool <= none) and np.any(cool < none - 0.05)


def test_power_that_lasts(space):
    """The root of rise·(r I²/P² + v I/P) + beside·I² = room, put back; only where the reaction warms."""
    found = thermal_current(30.0, rise_k_per_w=50.0, heat_ohm=2e-3, beside_k_per_a2=0.01, reversible_v=0.03)
    assert (50.0 * 2e-3 + 0.01) * found**2 + 50.0 * 0.03 * found == pytest.approx(30.0)
    assert float(thermal_current(0.0, rise_k_per_w=50.0, heat_ohm=2e-3, reversible_v=0.1)) == 0.0
    block, _ = some(space, 12)
    block = replace(block, hot_rise_k_per_w=np.full(12, 300.0), continuous_cap_a=np.full(12, 1e3))
    none, warm, cool = (
        score(block, context=with_slope(space.context, mv), figures=POWER_FIGURES)["continuous_current_a"]
        for mv in (0.0, -0.3, 0.3)
    )
    assert np.all(warm < none) and cool == pytest.approx(none)
