"""How cells warm on the ride, and the two figures of the hottest cell, against other ways to the same.

Grade: second implementation (SciPy's root finder and integrator, the ride stepped with its own temperature).
"""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.optimize import brentq
from test_monotone import packs

from optimizer.brief import Situation
from optimizer.catalog import builtin_catalogs
from optimizer.cell.default import cell_models
from optimizer.pack.case.outline import CaseRules
from optimizer.pack.thermal import convection, heat
from optimizer.pack.thermal.neighbours import facing
from optimizer.pack.thermal.webs import Webs
from optimizer.ride.kernels.cells import from_models
from optimizer.ride.simulate import simulate
from optimizer.score.inputs import load_inputs
from optimizer.score.lap import MEAN_PART, hot_cell_end_c, hot_cell_endless_c, lap_current_a
from optimizer.score.outside import box_air_c
from optimizer.score.score import POWER_FIGURES, RIDE_FIGURES, on_the_ride, score
from optimizer.score.warmth import HOLDER_PART, WARMEST_C, courses
from optimizer.search.space.setup import make_space


@pytest.fixture(scope="module")
def inputs():
    return load_inputs(builtin_catalogs() / "briefs" / "quick-36v.toml")


def space_at(inputs, temp_c):
    brief = inputs.brief
    ride, asked = (
        part.model_copy(update={"temp_c": temp_c}) for part in (brief.ride, brief.electrical)
    )
    return make_space(replace(inputs, brief=brief.model_copy(update={"ride": ride, "electrical": asked})))


def some(space, count, seed=1):
    """Packs that warm by some kelvins, and their mass."""
    rng = np.random.default_rng(seed)
    block = packs(space, rng).take(slice(0, count))
    block = replace(
        block, series=np.full(count, 10), parallel=rng.integers(2, 6, count), extra_ohm=rng.uniform(0.005, 0.05, count),
        ride_rise_k_per_w=rng.uniform(20.0, 100.0, count), box_k_per_w=rng.uniform(0.1, 0.3, count),
        plates_k_per_a2=rng.uniform(1e-4, 5e-4, count), filler_j_k=np.zeros(count),
    )  # fmt: skip
    return block, block.series * block.parallel * space.context.cells.mass_kg[block.cell] + block.parts_kg


def own_ohm(models, soc, temp_c):
    """A cell under a load that lasts, by its model at just this temperature."""
    cell, grid = from_models(models, temp_c=temp_c), np.linspace(0, 1, 101)
    at = (float(np.interp(soc, grid, each[0])) for each in (cell.r0_ohm, cell.r1_ohm, cell.r2_ohm))
    slope = float(np.interp(soc, grid, cell.ocv_v[0]) - np.interp(soc - 0.05, grid, cell.ocv_v[0])) / 0.05
    return sum(at) + cell.lag_s[0] / (3600.0 * cell.capacity_ah[0]) * slope


@pytest.mark.parametrize("air_c", [25.0, -10.0])
def test_a_ride_without_end_settles_where_heat_and_loss_meet(inputs, air_c):
    """Root of T = T_air + rise·r(T)·mean(i²), r from the model at that very temperature; and beside·mean(I²)."""
    space = space_at(inputs, air_c)
    models = cell_models(inputs.cells, inputs.cell_rows, ageing=inputs.brief.ageing)
    block, mass = some(space, 12)
    found = hot_cell_endless_c(block, context=space.context, pack_mass_kg=mass)
    for k in range(len(block)):
        one, soc = block.take(slice(k, k + 1)), space.context.reference_soc

        def left(temp_c, one=one, k=k, soc=soc):
            ohm = own_ohm([models[one.cell[0]]], soc, air_c + MEAN_PART * (temp_c - air_c))
            _, amps = lap_current_a(one, context=space.context, pack_mass_kg=mass[k : k + 1], cell_ohm=np.array([ohm]))
            square = float((amps[0] / one.parallel[0]) ** 2 @ space.context.ride.weight)
            return air_c + one.ride_rise_k_per_w[0] * ohm * square - temp_c

        root = brentq(left, air_c, air_c + 200.0)
        assert root > air_c + 1.0
        cold = np.array([own_ohm([models[one.cell[0]]], soc, air_c)])
        _, amps = lap_current_a(one, context=space.context, pack_mass_kg=mass[k : k + 1], cell_ohm=cold)
        per_a2 = (one.plates_k_per_a2 + one.box_k_per_w * one.extra_ohm)[0]
        beside = per_a2 * float(amps[0] ** 2 @ space.context.ride.weight)
        if air_c + MEAN_PART * (root - air_c) < WARMEST_C:
            assert found[k] == pytest.approx(root + beside, abs=0.3)
        else:
            assert found[k] >= root + beside - 0.3


def test_nothing_runs_away(inputs):
    """However badly a pack is cooled in the cold, resistance falls as it warms: the heat is less than at the air's."""
    context = space_at(inputs, -15.0).context
    block, mass = some(space_at(inputs, -15.0), 40)
    hot = replace(block, ride_rise_k_per_w=np.full(len(block), 150.0))
    for figure in (hot_cell_endless_c, hot_cell_end_c):
        found = figure(hot, context=context, pack_mass_kg=mass)
        assert np.all(np.isfinite(found)) and np.all(found > -15.0)
        assert np.all(found >= figure(block, context=context, pack_mass_kg=mass) - 1e-9)
    ohm = context.warmth.lasting_ohm(context.reference_soc, np.array([-15.0]))[0][hot.cell]
    _, amps = lap_current_a(hot, context=context, pack_mass_kg=mass, cell_ohm=ohm)
    cold = -15.0 + 150.0 * ohm * ((amps / hot.parallel[:, None]) ** 2 @ context.ride.weight)
    cold += hot.beside_k_per_a2 * (amps**2 @ context.ride.weight)
    assert np.all(hot_cell_endless_c(hot, context=context, pack_mass_kg=mass) < cold)


@pytest.mark.parametrize("air_c", [25.0, -10.0])
def test_the_hottest_cell_at_the_rides_end_is_that_of_an_integrator(inputs, air_c):
    """dT/dt = (rise·(r(T) + beside·P²/rise)·mean(i²) − (T − T_air))/(rise·C), by SciPy's Radau, from 0.6 K under to
    1.5 K over: what is beside the cells counts at once.
    """
    space = space_at(inputs, air_c)
    context = space.context
    block, mass = some(space, 4, seed=2)
    found = hot_cell_end_c(block, context=context, pack_mass_kg=mass)
    course = courses(context, block.cell, block.series * block.parallel)
    for k in range(len(block)):
        one = block.take(slice(k, k + 1))
        rise, out = float(one.ride_rise_k_per_w[0]), float(one.extra_ohm[0] * one.parallel[0] / one.series[0])
        beside = float(one.beside_k_per_a2[0] * one.parallel[0] ** 2)
        capacity = float(context.cells.mass_kg[one.cell[0]]) * 950.0
        ends = np.cumsum(course.seconds[k])

        def slope(t, temp, one=one, rise=rise, beside=beside, out=out, capacity=capacity, ends=ends, k=k):
            z = course.soc[min(int(np.searchsorted(ends, t)), len(ends) - 1)]
            inside = np.array([air_c + MEAN_PART * (float(temp[0]) - air_c)])
            ohm = context.warmth.lasting_ohm(float(z), inside)[0][one.cell]
            volts = np.interp(z, np.linspace(0, 1, 101), context.ride.cells.ocv_v[one.cell[0]])
            power = context.ride.battery_power_w(mass[k : k + 1] + context.vehicle_mass_kg)[0]
            power = power / (one.series[0] * one.parallel[0])
            amps = 2 * power / (volts + np.sqrt(volts**2 - 4 * (ohm[0] + out) * power))
            square = float(amps**2 @ context.ride.weight)
            return [((rise * ohm[0] + beside) * square - (temp[0] - air_c)) / (rise * capacity)]

        run = solve_ivp(slope, (0.0, ends[-1]), [air_c], method="Radau", max_step=float(ends[-1]) / 60)
        assert -0.6 < found[k] - run.y[0, -1] < 1.5


@pytest.mark.parametrize(("air_c", "most"), [(25.0, 0.004), (-5.0, 0.08)])
def test_a_warmed_cell_goes_as_far_as_a_ride_that_steps_its_temperature(inputs, air_c, most):
    """The stepped ride with a temperature of its own, and one activation energy, lumped as the course is.

    Found: 0.2 % apart at 25 °C; at −5 °C it goes 6 % farther, since each part has its own law, and the surface's lag
    follows the course and not the stepped ride.
    """
    space = space_at(inputs, air_c)
    context = space.context
    block, mass = some(space, 24, seed=3)
    block = replace(block, extra_ohm=np.full(len(block), 1e-6))
    number = block.series * block.parallel
    pack, warm = on_the_ride(block, context=context, pack_mass_kg=mass)
    how = {"steps": context.steps, "start_soc": context.start_soc, "reserve_soc": context.reserve_soc}
    own = simulate(pack, ride=warm, **how).range_km
    cells = context.cells.mass_kg[block.cell] * (950.0 + 1200.0 * HOLDER_PART) + context.warmth.walls_j_k / number

    def stepped(warms):
        plain = replace(pack, cell=block.cell, warms=warms, heat_capacity_j_k=cells,
                        thermal_resistance_k_w=number / context.warmth.walls_w_k)  # fmt: skip
        run = simulate(plain, ride=context.ride, **how)
        return run.range_km, run.temp_end_c

    warm_km, end_c = stepped(True)
    cold_km, _ = stepped(False)
    whole = warm_km > 1.0
    assert whole.sum() > 12 and np.all(own[whole] >= cold_km[whole] * (1 - 2e-3))
    assert np.median(np.abs(own[whole] / warm_km[whole] - 1.0)) < most
    assert np.all(own[whole] >= warm_km[whole] * 0.99)
    # One energy from −5 °C on keeps the drop of cold empty cells, so that the stepped ride's come out 6 K warmer.
    apart = np.median((courses(context, block.cell, number).temp_c[:, -1] - end_c)[whole])
    assert -8.0 < apart < 0.0 if air_c < 0.0 else abs(apart) < 1.5


def test_power_that_lasts_is_less_in_the_heat(inputs):
    """Cells no warmer than 25 °C are counted on: what heat lets through falls as the root of the room that is left."""
    found = {}
    for air_c in (25.0, 42.0):
        space = space_at(inputs, air_c)
        block, _ = some(space, 12)
        block = replace(block, hot_rise_k_per_w=np.full(12, 300.0), continuous_cap_a=np.full(12, 1e3))
        found[air_c] = score(block, context=space.context, figures=POWER_FIGURES)["continuous_current_a"]
        most_c = space.context.cells.temp_max_c[block.cell]
    assert found[42.0] == pytest.approx(found[25.0] * np.sqrt((most_c - 42.0) / (most_c - 25.0)))


def network(columns, rows, layers=1, *, staggered=False):
    """Rises of cells of a tray over their box at one watt in each, and the box around it."""
    shape = (columns, rows, layers)
    i, j, k = (a.ravel() for a in np.meshgrid(*map(np.arange, shape), indexing="ij"))
    high = np.sqrt(3) / 2 if staggered else 1.0
    at = np.column_stack([19.3 * (i + 0.5 * (j % 2) * staggered), 19.3 * high * j])
    met = facing(at, 70.0 * k, k, pitch_mm=19.3, reach_mm=25.0, apart_mm=25.0, length_mm=65.2)
    web, all_ = Webs(18.5, 65.2, CaseRules()), np.ones(len(at), dtype=bool)
    air = convection.gap_coefficient(1.0, height_m=0.08, emissivity=heat.GAP_EMISSIVITY)
    out = met.sides(all_).sum(axis=1) * web.side_w_k(air)
    out += met.ends(all_).sum(axis=1) * web.end_w_k(air, area_mm2=268.8)
    stacked = web.stacked_w_k(np.zeros(len(met.stacked)), area_mm2=268.8)
    between = np.r_[web.between_w_k(met.mm[met.once] - 18.5), stacked]
    over, _ = heat.over_box(np.r_[np.stack([met.own, met.other], axis=1)[met.once], met.stacked], between, out)
    return over, heat.Box(19.3 * columns + 10.0, 19.3 * rows + 10.0, 70.0 * layers + 10.0)


def own_rise(box, watts):
    """Of a box over air of 20 °C [K]."""
    return brentq(lambda rise: rise * float(heat.box_conductance(box, rise_k=rise, air_c=20.0)) - watts, 1e-6, 1e4)


def test_the_course_is_colder_than_a_packs_network(inputs):
    """Walls alone hold less heat than cells in holders do: the network's mean cell is warmer, by 1.5 to 4 times."""
    context = space_at(inputs, 20.0).context
    for columns, rows in ((10, 3), (10, 4), (5, 3)):
        over, _ = network(columns, rows)
        mean = own_rise(heat.Box(240.0, 80.0, 80.0), 0.1 * len(over)) / 0.1 + over.mean()
        assert 1.3 < float(mean) / (columns * rows / context.warmth.walls_w_k) < 4.5


@pytest.mark.parametrize("staggered", [False, True])
@pytest.mark.parametrize("shape", [(5, 3, 1), (10, 4, 1), (12, 5, 3), (20, 12, 1), (30, 20, 1)])
def test_the_mean_cell_is_nearly_as_warm_as_the_hottest(shape, staggered):
    """By each network's own cells, from 2 to 100 K: no less than MEAN_PART of the hottest cell's rise, and not all."""
    over, box = network(*shape, staggered=staggered)
    for cell_w in (0.02, 0.1, 0.5):
        own = own_rise(box, cell_w * len(over))
        mean = own + cell_w * over.mean()
        assert MEAN_PART <= mean / (own + cell_w * over.max()) < 1.0 - 1e-6


@pytest.mark.parametrize("stepped", [False, True])
def test_braking_gives_nothing_back_to_cells_that_may_not_be_charged(wide_spaces, stepped):
    """At −5 °C, by either form of the ride: less range and more consumption than if the cells took it."""
    space = space_at(wide_spaces["hills"].inputs, -5.0)
    context = replace(space.context, battery_current_a=1e3)
    block = packs(space, np.random.default_rng(6)).take(slice(0, 40))
    strong = {"regen_cap_a": 50.0, "ride_cap_a": 300.0, "extra_ohm": 0.005, "spread_ohm": 1e-6}
    block = replace(block, parallel=np.full(40, 20), **{name: np.full(40, value) for name, value in strong.items()})
    assert np.all(context.cells.regen_a == 0.0) and context.regen_current_a > 0.0
    taking = replace(context, cells=replace(context.cells, regen_a=context.cells.charge_a))
    cold, warm = (score(block, context=each, figures=RIDE_FIGURES, stepped=stepped) for each in (context, taking))
    assert np.all(cold["range_km"] <= warm["range_km"] * (1 + 1e-9))
    went = cold["range_km"] > 0.1
    lost, more = (cold[name][went] / warm[name][went] - 1.0 for name in ("range_km", "consumption_wh_per_km"))
    assert went.any() and np.median(lost) < -0.005 and np.median(more) > 0.005, (lost, more)


def test_a_filler_is_warmed_with_the_cells(inputs):
    """Before much is lost rises are as heat capacities, and range in the cold is shorter; the hottest cell stays.

    Grade: closed form (C·dT = q·dt) and a sign.
    """
    context = space_at(inputs, -10.0).context
    block, mass = some(space_at(inputs, -10.0), 40)
    number, kg = block.series * block.parallel, context.cells.mass_kg[block.cell]
    first = {part: courses(context, block.cell, number, filled=part).temp_c[:, 1] + 10.0 for part in (0.0, 0.4)}
    walls = context.warmth.walls_j_k / number
    own = kg * heat.CELL_J_PER_KG_K * (1.0 + HOLDER_PART * heat.CASE_J_PER_KG_K / heat.CELL_J_PER_KG_K) + walls
    filled = own + 0.4 * kg * heat.CELL_J_PER_KG_K
    assert first[0.0] / first[0.4] == pytest.approx(filled / own, rel=0.05)
    gel = replace(block, filler_j_k=0.17 * number * kg * heat.CELL_J_PER_KG_K)
    dry_km, gel_km = (score(each, context=context, figures=RIDE_FIGURES)["range_km"] for each in (block, gel))
    assert np.all(gel_km <= dry_km) and np.any(gel_km < dry_km * (1.0 - 1e-4))
    ends = [hot_cell_end_c(each, context=context, pack_mass_kg=mass) for each in (block, gel)]
    assert np.array_equal(*ends)


def test_the_sun_warms_the_air_of_wires(inputs):
    """By what it adds to the box that it warms most, in still air; a situation's sun counts with its own air."""
    brief = inputs.brief
    shade = box_air_c(brief)
    thermal = brief.thermal.model_copy(update={"sun_w_m2": 900.0, "wind_part": 1.0})
    sunny = brief.model_copy(update={"thermal": thermal})
    added = space_of_brief(inputs, sunny).context.warmth.sun_k
    warmest = max(brief.electrical.temp_c, brief.ride.temp_c + added)
    assert added > 10.0 and box_air_c(sunny) == pytest.approx(warmest + brief.protection.box_rise_k)
    hot = Situation(name="hot", temp_c=38.0, sun_w_m2=900.0)
    both = brief.model_copy(update={"situation": (hot,)})
    assert box_air_c(both) > 38.0 + added - 2.0 + brief.protection.box_rise_k > shade


def space_of_brief(inputs, brief):
    return make_space(replace(inputs, brief=brief))
