"""Options: products, reductions and bounds against plain enumeration."""

from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.brief import load_brief
from optimizer.catalog import builtin_catalogs
from optimizer.pack.conductors.making import Way
from optimizer.pack.second import second_of
from optimizer.ride.load.profile import LEVELS, Profile
from optimizer.score.inputs import read_inputs
from optimizer.search.exact.pending import GroupRows, picked
from optimizer.search.space import options as op
from optimizer.search.space import parts

seeds = st.integers(0, 2**32 - 1)


def random_choice(rng, count):
    return op.options(
        count,
        resistance_ohm=rng.integers(0, 4, count),
        mass_kg=rng.integers(0, 4, count),
        cost=rng.integers(0, 4, count),
        neg_peak_a=-rng.integers(1, 4, count),
        spread_ohm=rng.integers(1, 3, count),
    )


@given(seeds)
def test_product_adds_what_adds_and_keeps_the_tighter_limit(seed):
    rng = np.random.default_rng(seed)
    left, right = random_choice(rng, 4), random_choice(rng, 3)
    both = op.combine(left, right)
    for row, (i, j) in zip(both.values, both.picks, strict=True):
        a, b = left.values[i], right.values[j]
        for name, rule in op.COLUMNS.items():
            k = op.INDEX[name]
            assert row[k] == (a[k] + b[k] if rule == op.ADD else max(a[k], b[k]))


@given(seeds)
def test_reducing_first_loses_nothing(seed):
    rng = np.random.default_rng(seed)
    parts = [random_choice(rng, int(n)) for n in rng.integers(2, 7, 3)]
    late = op.reduce(op.combine(op.combine(parts[0], parts[1]), parts[2]))
    first = op.reduce(op.combine(op.reduce(parts[0]), op.reduce(parts[1])))
    early = op.reduce(op.combine(first, op.reduce(parts[2])))
    as_rows = lambda o: sorted(map(tuple, o.values))  # noqa: E731
    assert as_rows(late) == as_rows(early)


@given(seeds)
def test_ideal_is_no_worse_than_any_product_row(seed):
    rng = np.random.default_rng(seed)
    parts = [random_choice(rng, 5), random_choice(rng, 4)]
    assert np.all(op.ideal(parts) <= op.combine(*parts).values)


def test_wires_act_by_the_length_each_option_needs():
    runs = op.options(2, power_wire_mm=[1000.0, 500.0])
    wire = op.options(2, neg_peak_a=[-30.0, -60.0])
    got = op.wired(runs, wire, ohm_per_mm=np.array([3e-6, 1e-6]), kg_per_mm=np.array([2e-5, 5e-5]),
                   cost_per_mm=np.array([1e-3, 2e-3]))
    np.testing.assert_allclose(got.column("resistance_ohm"), [3e-3, 1e-3, 1.5e-3, 5e-4])
    np.testing.assert_allclose(got.column("mass_kg"), [0.02, 0.05, 0.01, 0.025])
    np.testing.assert_allclose(got.column("cost"), [1.0, 2.0, 0.5, 1.0])
    np.testing.assert_array_equal(got.column("neg_peak_a"), [-30, -60, -30, -60])


@given(seeds)
def test_with_equal_mass_only_options_of_the_same_mass_beat(seed):
    """Against all pairs, one by one; of equal ones the first stays."""
    rng = np.random.default_rng(seed)
    choice, also = random_choice(rng, int(rng.integers(0, 40))), None
    if rng.random() < 0.5:
        also = rng.integers(0, 2, (len(choice), 1))
    rows = np.column_stack([choice.values, np.zeros((len(choice), 1)) if also is None else also])
    mass = choice.column("mass_kg")
    kept = [
        not any(
            mass[a] == mass[b] and (rows[a] <= rows[b]).all() and ((rows[a] < rows[b]).any() or a < b)
            for a in range(len(rows)) if a != b
        )
        for b in range(len(rows))
    ]  # fmt: skip
    got = op.reduce(choice, equal_mass=True, also=also)
    assert np.array_equal(got.values, choice.values[np.array(kept, dtype=bool)])


@given(seeds)
def test_rows_are_picked_as_from_all_tables_put_together(seed):
    rng = np.random.default_rng(seed)
    tables = [rng.normal(size=(int(rng.integers(1, 5)), 3)) for _ in range(4)]
    item = rng.integers(0, 4, int(rng.integers(0, 9)))
    group = np.array([rng.integers(len(tables[k])) for k in item], dtype=np.int64)
    rows = GroupRows(item, item, group, np.zeros((len(item), 1)))
    whole, starts = np.concatenate(tables), np.cumsum([0, *map(len, tables)])
    assert np.array_equal(picked(tables, rows), whole[starts[item] + group])


def test_a_limit_beyond_use_keeps_nothing_alive():
    wires = op.options(2, mass_kg=[1.0, 2.0], neg_peak_a=[-90.0, -200.0])
    assert len(op.reduce(wires)) == 2
    assert op.reduce(op.capped(wires, neg_peak_a=80.0)).picks.tolist() == [[0]]


def test_tabs_on_sheet_by_hand():
    """Of a millimetre of width 0.15 mm of nickel carries 9 × 0.15 A where 0.2 mm of copper carries 14 × 0.2."""
    strips = SimpleNamespace(
        thickness_mm=[0.2], resistivity_ohm_m=[1.7241e-8], current_density_a_mm2=[14.0], tab_mm=[0.15],
        tab_density_a_mm2=[9.0], tab_width_mm=[6.0], tab_price_per_m=[1.6], form=["tabbed"], width_mm=[300.0],
    )  # fmt: skip
    stock = SimpleNamespace(strips=strips)
    way = parts._way(stock, 0, "tabbed", 1)
    assert way == Way("tabbed", 6.0, 1, pytest.approx((0.15 / 9.5e-8 * 1.7241e-8 / 0.2, 2.8 / 1.35), rel=1e-5))
    assert second_of(strips, 0).of_build == pytest.approx(
        {"second_mm": 0.15, "second_kg_per_mm": 8890e-9 * 0.15 * 6.0, "second_cost_per_mm": 0.0016}
    )


def test_a_ride_ends_its_bursts_before_the_fuse_may_open():
    """Ten seconds at full current in every hundred, 0.3 of it between: no more than the fuse bears for ten seconds."""
    inputs = read_inputs(load_brief(builtin_catalogs() / "briefs" / "quick-36v.toml"))
    rows = np.arange(len(inputs.fuses.id))
    lap = Profile(np.array([[1.0, 0.3]]), np.array([10.0, 90.0]))
    steady = parts.fuse_peak_a(inputs, rows, np.inf)
    got = parts.fuse_ride_a(inputs, rows, steady, profile=lap)
    mean = np.sqrt((10.0 * 1.0 + 90.0 * 0.09) / 100.0)
    # The stretch without end lies between two levels; what is over the lower one counts as the upper.
    level = (np.floor(0.3 * LEVELS) + 1) / LEVELS
    want = np.minimum(np.minimum(steady / mean, parts.fuse_peak_a(inputs, rows, 10.0)), steady / level)
    np.testing.assert_allclose(got, want, rtol=1e-9)
    assert (got < steady / mean - 1e-6).any()
