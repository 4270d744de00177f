"""Current and power limits: closed forms, identities, and the spread formulas against simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.pack import limits
from optimizer.pack.limits import LIMITS, Caps, greatest_power
from optimizer.pack.sharing import weakest_group_capacity
from optimizer.pack.spread import Spread, draw_factors

SCOOTER = {"ocv_v": 3.7, "cell_ohm": 0.030, "cut_off_v": 2.5, "series": 10, "parallel": 4}


def name_of(power: limits.Power) -> str:
    return str(power.names())


def test_each_cap_can_bind_and_is_named() -> None:
    # Closed form: 10S4P of 30 mΩ is 75 mΩ; 20 A × (37 V − 20 A × 75 mΩ) = 710 W.
    caps = {
        "cell_a": "cell current", "strip_a": "strip", "wire_a": "wire", "bms_a": "BMS", "fuse_a": "fuse",
        "controller_a": "controller", "thermal_a": "temperature",
    }  # fmt: skip
    for field, name in caps.items():
        power = greatest_power(**SCOOTER, caps=Caps(**{field: 20.0}))
        assert name_of(power) == name
        assert float(power.power_w) == pytest.approx(710.0, rel=1e-12)
        assert float(power.current_a) == 20.0


def test_sag_binds_at_the_cut_off_of_the_cells() -> None:
    # Closed form: (3.7 − 2.5) V / (30 mΩ / 4) = 160 A, terminals at 25 V: 4000 W.
    power = greatest_power(**SCOOTER, caps=Caps())
    assert name_of(power) == "sag"
    assert float(power.power_w) == pytest.approx(4000.0, rel=1e-12)


def test_the_weakest_group_meets_the_cut_off_first() -> None:
    power = greatest_power(**SCOOTER, caps=Caps(), weakest_group=1.25)
    assert float(power.current_a) == pytest.approx(128.0, rel=1e-12)
    assert float(power.power_w) == pytest.approx(128.0 * (37.0 - 128.0 * 0.075), rel=1e-12)


def test_resistance_outside_the_groups_moves_power_not_the_cell_cut_off() -> None:
    bare = greatest_power(**SCOOTER, caps=Caps())
    wired = greatest_power(**SCOOTER, caps=Caps(), extra_ohm=0.010)
    assert float(wired.current_a) == float(bare.current_a)
    assert float(bare.power_w - wired.power_w) == pytest.approx(160.0**2 * 0.010, rel=1e-12)


def test_controller_cut_off_binds_at_the_terminals() -> None:
    # Closed form: (37 − 30) V / 75 mΩ = 93.33 A.
    power = greatest_power(**SCOOTER, caps=Caps(), terminal_min_v=30.0)
    assert name_of(power) == "controller cut-off"
    assert float(power.current_a) == pytest.approx(7.0 / 0.075, rel=1e-12)


def test_empty_cell_gives_nothing() -> None:
    power = greatest_power(2.4, cell_ohm=0.03, cut_off_v=2.5, series=10, parallel=4, caps=Caps(cell_a=20.0))
    assert (float(power.power_w), float(power.current_a), name_of(power)) == (0.0, 0.0, "sag")


def test_equal_caps_name_the_first() -> None:
    power = greatest_power(**SCOOTER, caps=Caps(bms_a=20.0, cell_a=20.0))
    assert name_of(power) == "cell current"


def test_one_cell_is_a_pack_of_one() -> None:
    power = greatest_power(3.7, cell_ohm=0.03, cut_off_v=2.5, series=1, parallel=1, caps=Caps())
    assert float(power.power_w) == pytest.approx(40.0 * 2.5, rel=1e-12)


@settings(max_examples=50, deadline=None)
@given(st.data())
def test_arrays_equal_a_loop_of_numbers(data: st.DataObject) -> None:
    n = 5

    def some(low: float, high: float) -> np.ndarray:
        values = data.draw(st.lists(st.floats(low, high), min_size=n, max_size=n))
        return np.array(values)

    series, parallel = some(1, 20).astype(int), some(1, 9).astype(int)
    fields = {"ocv_v": some(2.6, 4.2), "cell_ohm": some(0.005, 0.1), "extra_ohm": some(0.0, 0.05)}
    bms = some(5.0, 300.0)
    block = greatest_power(
        **fields, cut_off_v=2.5, series=series, parallel=parallel, caps=Caps(bms_a=bms), terminal_min_v=20.0
    )
    for k in range(n):
        one = greatest_power(
            **{key: float(value[k]) for key, value in fields.items()}, cut_off_v=2.5, series=int(series[k]),
            parallel=int(parallel[k]), caps=Caps(bms_a=float(bms[k])), terminal_min_v=20.0,
        )  # fmt: skip
        assert float(one.power_w) == block.power_w[k]
        assert int(one.limit) == block.limit[k]


@settings(max_examples=300, deadline=None)
@given(
    ocv=st.floats(2.0, 4.3),
    ohm=st.floats(0.002, 0.2),
    series=st.integers(1, 24),
    parallel=st.integers(1, 12),
    extra=st.floats(0.0, 0.1),
    cap=st.floats(1.0, 500.0),
)
def test_no_current_inside_the_limits_gives_more(
    ocv: float, ohm: float, series: int, parallel: int, extra: float, cap: float
) -> None:
    """Second implementation: a scan over all currents that break no limit."""
    power = greatest_power(
        ocv,
        cell_ohm=ohm,
        cut_off_v=2.5,
        series=series,
        parallel=parallel,
        caps=Caps(bms_a=cap),
        extra_ohm=extra,
    )

    def best_up_to(most: float) -> float:
        current = np.linspace(0.0, most, 20001)
        allowed = (ocv - current * ohm / parallel >= 2.5) & (current <= cap)
        return (current * series * (ocv - current * (ohm / parallel + extra / series)) * allowed).max()

    found = float(power.power_w)
    assert best_up_to(cap) <= found * (1 + 1e-9) + 1e-9
    # The scan misses the best current by a step at most, and a step is worth no more than this.
    near = 1.1 * float(power.current_a) + 0.01
    assert best_up_to(near) == pytest.approx(found, abs=near / 20000 * series * ocv)


def test_ratings_step_down_when_the_peak_is_too_short() -> None:
    got = limits.rated_current(
        [30.0, 30.0, 30.0], peak_a=[60.0, 60.0, 20.0], peak_s=[10.0, 5.0, 10.0], seconds=10
    )
    assert got.tolist() == [60.0, 30.0, 30.0]


def test_share_lowers_the_cell_cap() -> None:
    assert limits.cell_cap(10.0, parallel=4, share=1.25) == 32.0
    with pytest.raises(ValueError, match="share must be at least 1"):
        limits.cell_cap(10.0, parallel=4, share=0.9)


def test_thermal_current() -> None:
    # Closed form: 30 K of room, 12 K/W, 30 mΩ over 4²: √(30 / (12 × 0.001875)) = 36.515 A.
    assert limits.thermal_current(30.0, rise_k_per_w=12.0, heat_ohm=0.030 / 16) == pytest.approx(
        36.5148, rel=1e-5
    )
    assert limits.thermal_current(-1.0, rise_k_per_w=12.0, heat_ohm=0.002) == 0.0
    assert limits.thermal_current(30.0, rise_k_per_w=12.0, heat_ohm=0.0) == np.inf


@pytest.mark.parametrize(("series", "parallel"), [(1, 2), (1, 8), (2, 4), (10, 2), (10, 4), (20, 8)])
def test_spread_formulas_against_simulation(series: int, parallel: int) -> None:
    """Second implementation: 10,000 packs drawn cell by cell, σ = 2 %."""
    rng = np.random.default_rng(7)
    admittance = 1.0 / (1.0 + 0.02 * rng.standard_normal((10000, series, parallel)))
    share = (admittance / admittance.mean(axis=2, keepdims=True)).max(axis=(1, 2)).mean()
    group = 1.0 / admittance.mean(axis=2)
    weakest = (group.max(axis=1) / group.mean(axis=1)).mean()
    assert limits.worst_share(0.02, series=series, parallel=parallel) - 1 == pytest.approx(
        share - 1, rel=0.08
    )
    got = limits.weakest_group_factor(0.02, series=series, parallel=parallel)
    assert got - 1 == pytest.approx(weakest - 1, rel=0.03, abs=1e-12)


def test_spread_vanishes_where_it_must() -> None:
    assert limits.worst_share(0.05, series=10, parallel=1) == 1.0
    assert limits.worst_share(0.0, series=10, parallel=4) == 1.0
    assert limits.weakest_group_factor(0.05, series=1, parallel=4) == 1.0


@pytest.mark.parametrize(("series", "parallel", "expected"), [
    # Closed form for two: 1 − σ/√π/√P; order statistics for ten: c = 1.53875 (Harter 1961).
    (1, 4, 1.0), (2, 1, 1 - 0.03 / math.sqrt(math.pi)), (2, 4, 1 - 0.03 / math.sqrt(math.pi) / 2),
    (10, 1, 1 - 0.03 * 1.53875), (10, 9, 1 - 0.01 * 1.53875),
])  # fmt: skip
def test_the_weakest_group_holds_less(series, parallel, expected) -> None:
    got = weakest_group_capacity(0.03, series=series, parallel=parallel)
    assert got == pytest.approx(expected, rel=1e-6)


def test_the_weakest_group_is_that_of_drawn_packs() -> None:
    """Grade: simulation, 20,000 packs drawn cell by cell."""
    drawn = draw_factors(Spread(capacity=0.02), series=14, parallel=3, draws=20_000).capacity.mean()
    assert weakest_group_capacity(0.02, series=14, parallel=3) == pytest.approx(drawn, abs=2e-4)
    with pytest.raises(ValueError, match="must not be negative"):
        weakest_group_capacity(-0.01, series=2, parallel=2)
    assert weakest_group_capacity(0.9, series=20, parallel=1) == 0.05
    with pytest.raises(ValueError, match="must not be negative"):
        limits.worst_share(-0.01, series=1, parallel=2)


def test_misuse_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 1"):
        limits.pack_resistance(0.03, series=0, parallel=4)
    with pytest.raises(ValueError, match="negative"):
        limits.pack_resistance(-0.03, series=1, parallel=4)
    with pytest.raises(ValueError, match="seconds must be positive"):
        limits.rated_current(1.0, peak_a=2.0, peak_s=1.0, seconds=0.0)


def test_names_are_stable() -> None:
    assert LIMITS[:9] == (
        "sag", "cell current", "strip", "wire", "BMS", "fuse", "controller", "matched load", "temperature",
    )  # fmt: skip


def test_limits_at_their_very_edges() -> None:
    """Closed forms at the ends of what is allowed: nothing that is sound is refused, and nothing else taken."""
    assert limits.pack_resistance(0.0, series=1, parallel=1, extra_ohm=0.01) == 0.01
    for share, fine in ((1.0, True), (1.05, True), (0.99, False)):
        if fine:
            got = limits.cell_cap(10.0, parallel=4, share=share)
            assert got == pytest.approx(40.0 / share, rel=1e-12)
        else:
            with pytest.raises(ValueError, match="share must be at least 1"):
                limits.cell_cap(10.0, parallel=4, share=share)
    given = {"cut_off_v": 2.5, "parallel": 4}
    assert limits.sag_current(3.7, cell_ohm=0.03, **given) == pytest.approx(1.2 * 4 / 0.03, rel=1e-12)
    # Nothing resists: endless while there is voltage to spare, nothing at the cut-off and below.
    assert limits.sag_current(3.7, cell_ohm=0.0, **given) == np.inf
    for volts in (2.5, 2.0):
        assert limits.sag_current(volts, cell_ohm=0.0, **given) == 0.0
        assert limits.sag_current(volts, cell_ohm=0.03, **given) == 0.0
