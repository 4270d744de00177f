import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.ride.bins import compress
from optimizer.ride.kernels.cell import deliverable
from optimizer.ride.load.drivetrain import Drivetrain
from optimizer.ride.load.roadload import Vehicle, ride_steps
from optimizer.ride.load.trace import steady_cruise
from optimizer.ride.range import STOP_NAMES, PackBlock, range_block
from optimizer.ride.simulate import simulate

CAR = Vehicle(cda_m2=0.6, crr=0.012, drivetrain=Drivetrain(0.8))


def plain(samples, *, low_v=3.6, high_v=3.6, ohm=0.03, v_min=2.5, activation_k=0.0, lag_s=0.0):
    """One cell of 5 Ah with R0 alone and an OCV that is linear in SoC."""
    one = samples.cells(1)
    soc = np.linspace(0.0, 1.0, one.ocv_v.shape[1])
    zero = np.zeros_like(one.r0_ohm)
    number = lambda x: np.array([x])  # noqa: E731
    return dataclasses.replace(
        one, ocv_v=(low_v + (high_v - low_v) * soc)[None], r0_ohm=zero + ohm, r1_ohm=zero, r2_ohm=zero,
        capacity_ah=number(5.0), lag_s=number(lag_s), voltage_min_v=number(v_min), voltage_max_v=number(4.2),
        activation_k=number(activation_k),
    )  # fmt: skip


def cruise(samples, *, speed_kmh=25.0, length_km=0.5, **cell):
    steps = ride_steps(steady_cruise(speed_kmh, length_km=length_km), vehicle=CAR)
    return steps, compress(steps, cells=plain(samples, **cell), mass_min_kg=90.0, mass_max_kg=120.0)


def both(packs, steps, ride, **soc):
    return range_block(packs, ride=ride, **soc), simulate(packs, steps=steps, ride=ride, **soc)


def test_cruise_with_flat_ocv_is_the_lower_root(samples):
    # 100 kg at 25 km/h take 256.0 W; 10S3P of 3.6 V, 30 mΩ, with 20 mΩ outside.
    steps, ride = cruise(samples)
    packs = PackBlock(cell=0, series=10, parallel=3, total_mass_kg=100.0, extra_resistance_ohm=0.02)
    power, ohm = steps.battery_power_w(100.0)[0], 10 * 0.03 / 3 + 0.02
    amps = (36.0 - np.sqrt(36.0**2 - 4 * ohm * power)) / (2 * ohm)
    hours = 15.0 * 0.9 / amps
    for result in both(packs, steps, ride):
        assert result.range_km[0] == pytest.approx(25.0 * hours, rel=1e-9)
        assert result.duration_s[0] == pytest.approx(3600 * hours, rel=1e-9)
        assert result.energy_out_wh[0] == pytest.approx(power * hours, rel=1e-9)
        assert result.consumption_wh_per_km[0] == pytest.approx(power / 25.0, rel=1e-9)
        assert result.heat_w[0] == pytest.approx(0.1 * amps**2, rel=1e-9)
        assert result.current_rms_a[0] == pytest.approx(amps, rel=1e-9)
        assert result.current_max_a[0] == pytest.approx(amps, rel=1e-9)
        assert result.cell_voltage_min_v[0] == pytest.approx(3.6 - 0.01 * amps, rel=1e-9)
        assert result.temp_end_c[0] == pytest.approx(25.0)
        assert STOP_NAMES[result.stop[0]] == "reserve"


def test_range_without_resistance_is_the_energy_between_the_ends(samples):
    # ∫ OCV dz: 3.2…4.0 V from 0.2 to 0.9 has the mean 3.64 V.
    steps, ride = cruise(samples, low_v=3.2, high_v=4.0, ohm=1e-9)
    packs = PackBlock(cell=0, series=13, parallel=2, total_mass_kg=110.0)
    expected = 13 * 2 * 5.0 * 0.7 * 3.64 / steps.battery_power_w(110.0)[0] * 25.0
    for result in both(packs, steps, ride, start_soc=0.9, reserve_soc=0.2):
        # The stepping form takes OCV at the start of each second: half a second in 75 minutes.
        assert result.range_km[0] == pytest.approx(expected, rel=3e-5)


def test_stop_at_the_cell_cutoff_where_sag_meets_it(samples):
    steps, ride = cruise(samples, low_v=2.8, high_v=4.0, ohm=0.05, v_min=3.0)
    packs = PackBlock(cell=0, series=10, parallel=1, total_mass_kg=100.0)
    # At the cut-off the cell gives P/(S·3.0) A, so OCV = 3.0 + 0.05·I.
    amps = steps.battery_power_w(100.0)[0] / 30.0
    soc = (3.0 + 0.05 * amps - 2.8) / 1.2
    fast, slow = both(packs, steps, ride, reserve_soc=0.0)
    for result in (fast, slow):
        assert STOP_NAMES[result.stop[0]] == "cell cut-off"
        assert result.cell_voltage_min_v[0] == pytest.approx(3.0)
    assert fast.soc_stop[0] == pytest.approx(soc, abs=2e-4)
    assert fast.range_km[0] == pytest.approx(slow.range_km[0], rel=2e-3)


def test_lag_takes_charge_away_in_proportion_to_current(samples):
    # Surface SoC trails by lag·I/(3600·Q): the cut-off comes that much earlier in the mean SoC.
    steps, ride = cruise(samples, low_v=3.0, high_v=4.2, ohm=1e-6, v_min=3.3, lag_s=120.0)
    packs = PackBlock(cell=0, series=10, parallel=1, total_mass_kg=100.0)
    amps = steps.battery_power_w(100.0)[0] / 33.0
    fast, slow = both(packs, steps, ride, reserve_soc=0.0)
    assert fast.soc_stop[0] == pytest.approx(0.25 + 120.0 * amps / (3600 * 5.0), abs=1e-3)
    assert fast.range_km[0] == pytest.approx(slow.range_km[0], rel=3e-3)


def test_stop_at_the_current_limit_and_what_can_not_start(samples):
    steps, ride = cruise(samples, low_v=3.0, high_v=4.2, ohm=0.03)
    power = steps.battery_power_w(100.0)[0]
    # 10S1P: the limit is met where the terminal voltage has fallen to P/I.
    limit = power / 35.0
    packs = PackBlock(
        cell=0, series=10, parallel=1, total_mass_kg=100.0, current_limit_a=[limit, 1.0, np.inf],
        extra_resistance_ohm=[0.0, 0.0, 3.0],
    )  # fmt: skip
    fast, slow = both(packs, steps, ride)
    assert [STOP_NAMES[code] for code in fast.stop] == [
        "current limit", "current limit", "power not available"
    ]  # fmt: skip
    assert list(slow.stop) == list(fast.stop)
    assert fast.soc_stop[0] == pytest.approx((3.5 + 0.03 * limit - 3.0) / 1.2, abs=2e-4)
    assert fast.current_max_a[0] == pytest.approx(limit)
    assert list(fast.range_km[1:]) == [0.0, 0.0] == list(slow.range_km[1:])
    assert fast.consumption_wh_per_km[1] == pytest.approx(power / 25.0)


def test_deliverable_power_and_its_limit():
    # Matched load, V²/(4R): 36 V, 0.1 Ω give 3240 W; 0.08 of it in the cell, cut-off out of the way.
    most, why = deliverable(36.0, 0.08, 0.02, 1.0, np.inf)
    assert (most, STOP_NAMES[why]) == (pytest.approx(3240.0), "power not available")
    most, why = deliverable(36.0, 0.08, 0.02, 1.0, 50.0)
    assert (most, STOP_NAMES[why]) == (pytest.approx(31.0 * 50.0), "current limit")
    # Cut-off of 32 V over 0.08 Ω: 50 A, of which 0.02 Ω outside takes another volt.
    most, why = deliverable(36.0, 0.08, 0.02, 32.0, 80.0)
    assert (most, STOP_NAMES[why]) == (pytest.approx(31.0 * 50.0), "cell cut-off")
    assert deliverable(2.9, 0.05, 0.0, 3.0, 80.0)[0] < 0


def test_vector_equals_loop_and_inputs_stay(samples, town_ride):
    ride = town_ride[1]
    packs = samples.packs(ride, 30)
    before = {name: np.array(value, copy=True) for name, value in vars(packs).items()}
    whole = range_block(packs, ride=ride)
    for n in range(30):
        one = PackBlock(**{name: value if value.ndim == 0 else value[n] for name, value in before.items()})
        alone = range_block(one, ride=ride)
        for name, values in vars(whole).items():
            assert getattr(alone, name)[0] == values[n], name
    assert all(np.array_equal(before[name], value) for name, value in vars(packs).items())


def test_equal_packs_in_series_and_parallel_scale(samples, town_ride):
    """S·P cells that carry the same mass go equally far however they are wired."""
    ride = town_ride[1]
    result = range_block(
        PackBlock(cell=2, series=[10, 20, 40], parallel=[8, 4, 2], total_mass_kg=130.0), ride=ride
    )
    assert result.range_km == pytest.approx(np.full(3, result.range_km[0]), rel=1e-12)
    assert result.current_rms_a * [10, 20, 40] == pytest.approx(np.full(3, 10 * result.current_rms_a[0]))


HARDER = st.fixed_dictionaries({
    "cell": st.integers(0, 11), "series": st.integers(8, 20), "parallel": st.integers(1, 6),
    "mass": st.floats(110.0, 149.0), "ohm": st.floats(0.0, 0.15), "amps": st.floats(15.0, 90.0),
    "charge": st.floats(0.0, 30.0), "temp": st.floats(-15.0, 35.0), "reserve": st.floats(0.0, 0.3),
    "more": st.floats(1e-4, 1.0),
})  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(case=HARDER)
def test_a_harder_pack_never_goes_farther(samples, town_ride, case):
    """Mass, outside resistance up, limits down: the pruning of the search stands on this."""
    more = case["more"]
    packs = PackBlock(
        cell=case["cell"], series=case["series"], parallel=case["parallel"], air_temp_c=case["temp"],
        total_mass_kg=case["mass"] + np.array([0.0, more, 0, 0, 0]),
        extra_resistance_ohm=case["ohm"] + 0.05 * np.array([0.0, 0, more, 0, 0]),
        current_limit_a=case["amps"] - 10.0 * np.array([0.0, 0, 0, more, 0]),
        charge_current_limit_a=case["charge"] * np.array([1.0, 1, 1, 1, 1 - more]),
    )  # fmt: skip
    km = range_block(packs, ride=town_ride[1], reserve_soc=case["reserve"]).range_km
    assert np.all(km[1:] <= km[0] * (1 + 1e-9))


@pytest.mark.parametrize("scale", [1e-4, 1e-2, 1.0])
def test_no_harder_pack_of_many_goes_farther(samples, scale):
    """The same in bulk, with packs that stop for every reason, changed by a hair and by much."""
    ride, rng, n = samples.town_ride(hill=0.08)[1], np.random.default_rng(8), 20_000
    given = {
        "cell": rng.integers(0, 12, n), "series": rng.integers(8, 21, n), "parallel": rng.integers(1, 5, n),
        "total_mass_kg": rng.uniform(110.0, 149.0, n), "extra_resistance_ohm": rng.uniform(0.0, 0.25, n),
        "current_limit_a": np.where(rng.random(n) < 0.2, np.inf, rng.uniform(12.0, 90.0, n)),
        "charge_current_limit_a": rng.uniform(0.0, 30.0, n), "air_temp_c": rng.uniform(-15.0, 35.0, n),
    }  # fmt: skip
    base = range_block(PackBlock(**given), ride=ride, reserve_soc=0.05)
    assert np.all(np.bincount(base.stop) > 1000)
    for name, change in (("total_mass_kg", 1.0), ("extra_resistance_ohm", 0.05)):
        harder = given | {name: given[name] + scale * change * rng.random(n)}
        found = range_block(PackBlock(**harder), ride=ride, reserve_soc=0.05)
        assert np.all(found.range_km <= base.range_km * (1 + 1e-9)), name
    for name in ("current_limit_a", "charge_current_limit_a"):
        harder = given | {name: given[name] * (1.0 - 0.5 * scale * rng.random(n))}
        found = range_block(PackBlock(**harder), ride=ride, reserve_soc=0.05)
        assert np.all(found.range_km <= base.range_km * (1 + 1e-9)), name


def test_monotone_along_fine_sweeps(town_ride):
    """Steps so fine that a jump in the discretisation would show."""
    sweep = np.linspace(0.0, 1.0, 5001)
    for cell in range(0, 12, 3):
        base = {"cell": cell, "series": 14, "parallel": 2, "total_mass_kg": 130.0, "air_temp_c": 5.0}
        for change, sign in (
            ({"total_mass_kg": 110.0 + 40.0 * sweep}, -1), ({"extra_resistance_ohm": 0.3 * sweep}, -1),
            ({"current_limit_a": 10.0 + 50.0 * sweep}, 1), ({"charge_current_limit_a": 20.0 * sweep}, 1),
        ):  # fmt: skip
            km = range_block(PackBlock(**(base | change)), ride=town_ride[1]).range_km
            assert np.all(sign * np.diff(km) >= -1e-9 * km.max())


def test_warmth_helps_in_the_cold(samples, town_ride):
    ride = town_ride[1]
    packs = PackBlock(
        cell=2, series=14, parallel=2, total_mass_kg=130.0, air_temp_c=[-10.0, -10.0, 25.0],
        thermal_resistance_k_w=[0.0, 20.0, 0.0],
    )  # fmt: skip
    cold, warmed, mild = range_block(packs, ride=ride).range_km
    assert cold < warmed < mild


def test_out_of_bounds_is_named(town_ride):
    ride = town_ride[1]
    good = {"cell": 0, "series": 10, "parallel": 2, "total_mass_kg": 120.0}
    for change, text in (
        ({"cell": 12}, "cell must be within 0 and 11, found 12"),
        ({"series": 0}, "series must be within 1"),
        ({"total_mass_kg": 151.0}, "total_mass_kg must be within 110 and 150, found 151 at 0"),
        ({"extra_resistance_ohm": [0.1, -0.1]}, "must be within 0 and inf, found -0.1 at 1"),
        ({"current_limit_a": np.nan}, "current_limit_a must be within"),
        ({"charge_current_limit_a": -1.0}, "charge_current_limit_a must be within"),
        ({"heat_capacity_j_k": 0.0}, "heat_capacity_j_k must be within"),
    ):
        with pytest.raises(ValueError, match=text):
            range_block(PackBlock(**(good | change)), ride=ride)
    with pytest.raises(ValueError, match="reserve_soc < start_soc"):
        range_block(PackBlock(**good), ride=ride, start_soc=0.2, reserve_soc=0.2)
