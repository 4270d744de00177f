"""What must hold for any valid pack on any ride, whatever the figures: energy, voltages, currents, mass, resistance.

Grade: closed form (conservation and monotony); random briefs, rides and packs with fixed keys.
"""

from dataclasses import replace

import numpy as np
import pytest
from random_briefs import brief_text

from optimizer.pack.limits import LIMITS
from optimizer.ride.bins import falls_with_mass
from optimizer.ride.range import STOP_NAMES, range_block
from optimizer.ride.simulate import simulate, simulate_trace
from optimizer.score.context import WARM_C
from optimizer.score.lap import warm_ohm
from optimizer.score.score import Block, packs, powers, statics
from optimizer.search.space.setup import load_space

BRIEFS = range(8)
PACKS = 24


def random_block(context, rng, count=PACKS):
    """Packs that no fit has to hold: 6 to 24 in series, any resistance, limits and unevenness."""
    cell, series = rng.integers(0, len(context.cells.row), count), rng.integers(6, 25, count)
    energy_wh = rng.uniform(150, 1200, count)
    parallel = np.maximum(np.round(energy_wh / context.cells.energy_wh[cell] / series), 1).astype(np.int64)

    def cap(low, high):
        return np.where(rng.random(count) < 0.2, np.inf, rng.uniform(low, high, count))

    return Block(
        cell=cell, series=series, parallel=parallel, extra_ohm=rng.uniform(0, 0.05, count),
        parts_kg=rng.uniform(0.2, 2, count), parts_cost=rng.uniform(20, 200, count),
        cells_cost=rng.uniform(50, 500, count), peak_cap_a=cap(8, 90), continuous_cap_a=cap(5, 60),
        charge_cap_a=cap(1, 30),
        ride_cap_a=cap(8, 90), regen_cap_a=cap(1, 30),
        spread_ohm=rng.uniform(0, 0.01, count), hot_rise_k_per_w=rng.uniform(5, 60, count),
        ride_rise_k_per_w=rng.uniform(5, 60, count), box_k_per_w=rng.uniform(0.2, 2, count),
        plates_k_per_a2=rng.uniform(0, 0.01, count), hot_sun_rise_k_per_w=rng.uniform(5, 60, count),
        ride_sun_rise_k_per_w=rng.uniform(5, 60, count), filler_j_k=np.zeros(count),
    )  # fmt: skip


@pytest.fixture(scope="module", params=BRIEFS)
def drawn(request, tmp_path_factory):
    """A context with packs; every other brief's vehicle regenerates, some rides are traces, some cells are cold."""
    rng = np.random.default_rng([21, request.param])
    folder = tmp_path_factory.mktemp("physics")
    path = folder / "brief.toml"
    path.write_text(brief_text(rng, folder))
    context = load_space(path).context
    block = random_block(context, rng)
    return context, block, packs(block, context=context, pack_mass_kg=statics(block, context=context)["pack_mass_kg"])


def simulated(context, given):
    return simulate(given, steps=context.steps, ride=context.ride, **socs(context))


def fast(context, given):
    return range_block(given, ride=context.ride, **socs(context))


def socs(context):
    return {"start_soc": context.start_soc, "reserve_soc": context.reserve_soc}


def one_of(given, k):
    return replace(given, **{name: np.asarray(v)[k] for name, v in vars(given).items() if np.ndim(v)})


def stored_wh(context, cell, low, high):
    """∫ OCV dq of one cell from one state of charge to another, exactly for the grid that the ride reads."""
    grid = np.linspace(0, 1, context.arrays.ocv_v.shape[1])
    at = np.unique(np.clip(np.concatenate([grid, [low, high]]), low, high))
    return float(context.arrays.capacity_ah[cell] * np.trapezoid(np.interp(at, grid, context.arrays.ocv_v[cell]), at))


def test_the_ride_moves_the_whole_mass_and_keeps_to_every_limit(drawn):
    """What the ride is given: vehicle, people, load and pack; the least of what cells, parts and controller bear."""
    context, block, given = drawn
    cells, k = context.cells, block.cell
    pack_kg = block.series * block.parallel * cells.mass_kg[k] + block.parts_kg
    np.testing.assert_allclose(given.total_mass_kg, context.vehicle_mass_kg + pack_kg, rtol=1e-12)
    for amps, limits in (
        (given.current_limit_a, (block.parallel * cells.ride_a[k], block.ride_cap_a, context.battery_current_a)),
        (
            given.charge_current_limit_a,
            (block.parallel * cells.regen_a[k], block.regen_cap_a, context.regen_current_a),
        ),
    ):
        least = np.minimum.reduce(np.broadcast_arrays(*limits))
        assert np.all(amps <= least * (1 + 1e-12)) and np.all(amps >= 0)


def test_energy_out_never_exceeds_energy_stored(drawn):
    """At any moment of the stepped ride, regeneration included, and at the end of the fast one."""
    context, block, given = drawn
    lasting = np.flatnonzero(simulated(context, given).range_km > 0)
    for k in lasting[:8]:
        trace = simulate_trace(one_of(given, k), steps=context.steps, ride=context.ride, points=10**8, **socs(context))
        seconds = np.diff(trace.time_s, prepend=0.0)
        out = np.cumsum(trace.power_w * seconds) / 3600.0
        cells = int(block.series[k] * block.parallel[k])
        for at in np.unique(np.linspace(0, len(out) - 1, 25).astype(int)):
            held = cells * stored_wh(context, block.cell[k], min(trace.soc[at], context.start_soc), context.start_soc)
            # Charge drawn in a step counts at the OCV of its begin: a second's worth at most.
            slack = cells * 1e-3 * np.abs(trace.current_a[at] / block.parallel[k] * seconds[at] / 3600.0)
            assert out[at] <= held + slack + 1e-9
    run = fast(context, given)
    for k in range(len(block)):
        held = stored_wh(context, block.cell[k], run.soc_stop[k], context.start_soc)
        assert run.energy_out_wh[k] <= block.series[k] * block.parallel[k] * held * (1 + 1e-9)


def test_no_cell_leaves_its_window_and_no_current_its_limit(drawn):
    """At every step of the stepped ride: cell voltage, discharge and charge current."""
    context, block, given = drawn
    lasting = np.flatnonzero(simulated(context, given).range_km > 0)
    for k in lasting[:8]:
        trace = simulate_trace(one_of(given, k), steps=context.steps, ride=context.ride, points=10**8, **socs(context))
        cell = block.cell[k]
        assert trace.cell_voltage_v.min() >= context.arrays.voltage_min_v[cell] - 1e-9
        # A cell at rest may stand at its full voltage, but no current takes it there or beyond.
        charging = trace.current_a < -1e-12
        assert np.all(trace.cell_voltage_v[charging] <= context.arrays.voltage_max_v[cell] + 1e-9)
        assert trace.current_a.max() <= given.current_limit_a[k] * (1 + 1e-9)
        assert trace.current_a.min() >= -given.charge_current_limit_a[k] * (1 + 1e-9) - 1e-12
        assert np.all(np.diff(trace.time_s) > 0) and np.all(np.diff(trace.distance_km) >= 0)


@pytest.mark.parametrize(("start_soc", "temp_c"), [(1.0, 25.0), (0.99, 0.0)])
def test_braking_takes_no_cell_over_its_full_voltage_or_its_capacity(tmp_path, start_soc, temp_c):
    """A ride that begins downhill, on full cells and on cold ones: what they can't take goes to the brakes.

    At 0 °C a fifth of the charge current is left, so that only cells all but full meet their voltage.
    """
    lines = brief_text(np.random.default_rng(5), tmp_path).splitlines()
    (tmp_path / "hill.csv").write_text(
        "time_s,speed_kmh,grade_pct\n0,25,-6\n60,25,-6\n62,25,0\n200,25,4\n201,25,4\n300,25,4\n301,25,0\n"
    )
    fixed = {"regen_efficiency": 0.6, "regen_current_a": 30.0, "start_soc": start_soc, "temp_c": temp_c}
    lines = [f"{key} = {fixed[key]}" if (key := line.split(" ")[0]) in fixed else line for line in lines]
    ride = next(k for k, line in enumerate(lines) if line == "[ride]")
    end = next(k for k, line in enumerate(lines) if line.startswith("start_soc"))
    lines[ride + 1 : end] = ['trace = "hill.csv"']
    (tmp_path / "hill.toml").write_text("\n".join(lines))
    context = load_space(tmp_path / "hill.toml").context
    block = random_block(context, np.random.default_rng(6), 12)
    given = packs(block, context=context, pack_mass_kg=statics(block, context=context)["pack_mass_kg"])
    held = 0
    for k in np.flatnonzero(simulated(context, given).range_km > 0):
        trace = simulate_trace(one_of(given, k), steps=context.steps, ride=context.ride, points=10**8, **socs(context))
        charging, most_v = trace.current_a < -1e-12, context.arrays.voltage_max_v[block.cell[k]]
        assert np.all(trace.cell_voltage_v[charging] <= most_v + 1e-9)
        assert trace.soc.max() <= 1.0 + 1e-9
        met = trace.soc > 1.0 - 1e-9 if start_soc == 1.0 else trace.cell_voltage_v[charging] > most_v - 1e-6
        held += bool(np.any(met))
    assert held > 3


def test_the_figures_of_both_rides_keep_the_limits(drawn):
    context, block, given = drawn
    for run in (simulated(context, given), fast(context, given)):
        assert np.all(run.cell_voltage_min_v >= context.arrays.voltage_min_v[block.cell] - 1e-9)
        assert np.all(run.current_max_a <= np.asarray(given.current_limit_a) * (1 + 1e-9))
        assert np.all((run.soc_stop <= context.start_soc + 1e-9) & (run.range_km >= 0))
        at_limit = run.stop == STOP_NAMES.index("current limit")
        np.testing.assert_allclose(run.current_max_a[at_limit], np.asarray(given.current_limit_a)[at_limit], rtol=1e-9)


def test_range_never_rises_with_mass_where_that_is_certain(drawn):
    context, _, given = drawn
    if not falls_with_mass(context.ride):
        pytest.skip("a ride on which a heavier pack may go further")
    heavier = replace(given, total_mass_kg=np.asarray(given.total_mass_kg) * 1.01)
    assert np.all(fast(context, heavier).range_km <= fast(context, given).range_km * (1 + 1e-9))
    # Where the steps cut the lap, the stepped range is smooth within a few ten-thousandths only.
    assert np.all(simulated(context, heavier).range_km <= simulated(context, given).range_km * (1 + 5e-4))


def test_range_never_rises_with_resistance_nor_falls_with_a_higher_limit(drawn):
    context, _, given = drawn
    base = fast(context, given).range_km
    for change in ({"extra_resistance_ohm": np.asarray(given.extra_resistance_ohm) * 1.1 + 1e-3},
                   {"current_limit_a": np.asarray(given.current_limit_a) * 0.9}):  # fmt: skip
        worse = replace(given, **change)
        assert np.all(fast(context, worse).range_km <= base * (1 + 1e-9)), change.keys()
        assert np.all(simulated(context, worse).range_km <= simulated(context, given).range_km * (1 + 5e-4)), change


def named_limits_kept(context, block):
    """Current within each limit, cells over their cut-off, and the named one is met; names of the peak's limits."""
    out, cells, k = powers(block, context=context), context.cells, block.cell
    peak, steady = out["peak_current_a"], out["continuous_current_a"]
    assert np.all(peak <= np.minimum(block.peak_cap_a, context.battery_current_a) * (1 + 1e-9))
    assert np.all(steady <= np.minimum(block.continuous_cap_a, context.battery_current_a) * (1 + 1e-9))
    assert np.all(peak <= block.parallel * cells.peak_a[k] * (1 + 1e-9))
    assert np.all(steady <= block.parallel * cells.continuous_a[k] * (1 + 1e-9))
    group_v = cells.ocv_reference_v[k] - peak / block.parallel * cells.peak_ohm[k]
    assert np.all((group_v >= cells.voltage_min_v[k] - 1e-9) | (peak == 0))
    terminal_v = out["peak_power_w"] / np.where(peak > 0, peak, 1)
    assert np.all((terminal_v >= context.voltage_min_v - 1e-9) | (peak == 0))
    ohm = cells.steady_ohm[k]
    if context.powers_c < WARM_C:  # there cells are as warm as the power has made them
        ohm = warm_ohm(block, context=context, current_a=steady)
    heat_w = (steady / block.parallel) ** 2 * ohm
    assert np.all(context.air_c + block.hot_rise_k_per_w * heat_w <= np.maximum(cells.temp_max_c[k], context.air_c)
                  + 1e-6)  # fmt: skip
    named, volts = np.asarray(LIMITS)[out["peak_limit"].astype(int)], block.series * cells.ocv_reference_v[k]
    met = {"wire": (peak, block.peak_cap_a), "controller": (peak, np.full(len(block), context.battery_current_a)),
           "controller cut-off": (terminal_v, np.full(len(block), context.voltage_min_v)),
           "matched load": (terminal_v, 0.5 * volts)}  # fmt: skip
    for name, (value, limit) in met.items():
        np.testing.assert_allclose(value[named == name], limit[named == name], rtol=1e-9)
    if context.dcir_cv == 0.0:  # else the weakest group reaches it before the mean one
        np.testing.assert_allclose(group_v[named == "sag"], cells.voltage_min_v[k][named == "sag"], rtol=1e-9)
    # Half of the open voltage is the least at which any power comes out: beyond, current only heats.
    assert np.all(terminal_v >= 0.5 * volts * (peak > 0) * (1 - 1e-12))
    assert np.all(out["continuous_power_w"] >= 0) and np.all(out["peak_low_w"] >= 0)
    return set(named.tolist())


def test_powers_keep_within_every_limit_that_they_name(drawn):
    context, block, _ = drawn
    assert named_limits_kept(context, block) <= {"wire", "controller", "cell current", "sag", "controller cut-off"}


def test_powers_keep_within_the_voltages_where_no_rating_holds_them_back(drawn):
    """The same packs with parts and cells of any rating: what sags first, cell, controller or the power itself."""
    context, block, _ = drawn
    count, cells = len(context.cells.row), context.cells
    bare = replace(context, battery_current_a=1e9, dcir_cv=0.0, weakest_group=None, cells=replace(
        cells, peak_a=np.full(count, 1e9), continuous_a=np.full(count, 1e9)))  # fmt: skip
    caps = {"peak_cap_a": np.full(len(block), np.inf), "continuous_cap_a": np.full(len(block), np.inf)}
    thin = replace(block, extra_ohm=np.geomspace(1e-3, 3.0, len(block)), **caps)
    nothing = replace(thin, extra_ohm=np.zeros(len(block)))
    assert named_limits_kept(replace(bare, voltage_min_v=1.0), nothing) == {"sag"}
    low_v = 0.9 * float((block.series * cells.ocv_reference_v[block.cell]).min())
    assert "controller cut-off" in named_limits_kept(replace(bare, voltage_min_v=low_v), thin)
    assert named_limits_kept(replace(bare, voltage_min_v=1.0), thin) >= {"sag", "matched load"}


def test_full_and_empty_voltages_are_s_times_the_cells(drawn):
    context, block, _ = drawn
    out = statics(block, context=context)
    for name, of in (("full", "max"), ("nominal", "nominal"), ("empty", "min")):
        each = getattr(context.cells, f"voltage_{of}_v")[block.cell]
        want = [s * v for s, v in zip(block.series, each, strict=True)]
        np.testing.assert_array_equal(out[f"voltage_{name}_v"], want)
    # Stored energy lies between the capacity at the two ends of the window.
    charge_ah = block.series * block.parallel * context.arrays.capacity_ah[block.cell]
    assert np.all(out["energy_wh"] <= charge_ah * context.cells.voltage_max_v[block.cell] * (1 + 1e-9))
    assert np.all(out["energy_wh"] >= charge_ah * context.cells.voltage_min_v[block.cell])


def test_a_ride_downhill_may_gain_from_mass_and_says_so(tmp_path):
    """Slightly downhill the slope pays for the mass: a heavier pack goes further, and nothing is said to be certain."""
    rng = np.random.default_rng(4)
    lines = ["crr = 0.012" if line.startswith("crr") else line for line in brief_text(rng, tmp_path).splitlines()]
    head, tail = "\n".join(lines).split("[ride]")
    tail = tail.split("start_soc", 1)[1]
    (tmp_path / "d.toml").write_text(f"{head}[ride]\nspeed_kmh = 25.0\ngrade_pct = -1.8\nstart_soc{tail}")
    context = load_space(tmp_path / "d.toml").context
    assert not falls_with_mass(context.ride)
    block = random_block(context, rng)
    given = packs(block, context=context, pack_mass_kg=statics(block, context=context)["pack_mass_kg"])
    light, heavy = (fast(context, replace(given, total_mass_kg=np.asarray(given.total_mass_kg) + x)) for x in (0, 5))
    assert np.all(heavy.range_km >= light.range_km) and np.any(heavy.range_km > light.range_km)
