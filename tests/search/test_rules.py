"""Rules of the search that a part breaks by a single figure: what is refused, and what is just allowed.

Grades: trade facts (a fuse and a BMS are rated for the full voltage in direct current, common practice, no published
source) and closed forms.
"""

from dataclasses import replace

import numpy as np
import pytest

from optimizer.catalog import builtin_catalogs
from optimizer.pack.bill import best_purchase
from optimizer.pack.thermal.heat import BOX_J_PER_KG_K, BOX_KG_PER_M3, CASE_J_PER_KG_K, CELL_J_PER_KG_K
from optimizer.search.space import parts
from optimizer.search.space.setup import load_space


@pytest.fixture(scope="module")
def space():
    return load_space(builtin_catalogs() / "briefs" / "quick-36v.toml")


@pytest.fixture(scope="module")
def inputs(space):
    return space.inputs


@pytest.fixture(scope="module")
def profile(space):
    return space.context.profile


def with_voltages(inputs, table, column, volts):
    """The inputs with all of a table rated for one voltage."""
    one = getattr(inputs, table)
    return replace(inputs, **{table: replace(one, **{column: np.full(len(one), volts)})})


@pytest.mark.parametrize("full_v", [16.8, 42.0, 58.8])
def test_a_fuse_is_rated_for_the_full_voltage_in_direct_current(inputs, profile, full_v):
    every = len(inputs.fuse_rows)
    for rated, allowed in ((full_v, every), (full_v + 40.0, every), (full_v - 0.1, 0)):
        given = with_voltages(inputs, "fuses", "voltage_dc_v", rated)
        choice, rows = parts.fuse_options(given, full_v=full_v, profile=profile)
        assert len(rows) == len(choice) == allowed
    # Half of them rated lower.
    mixed = np.where(np.arange(len(inputs.fuses)) % 2, full_v - 1.0, full_v)
    inputs = replace(inputs, fuses=replace(inputs.fuses, voltage_dc_v=mixed))
    _, rows = parts.fuse_options(inputs, full_v=full_v, profile=profile)
    weak = inputs.fuses.voltage_dc_v[inputs.fuse_rows] < full_v
    assert set(rows) == set(inputs.fuse_rows[~weak])


@pytest.mark.parametrize("series", [10, 13])
def test_a_bms_bears_the_full_voltage(inputs, profile, series):
    full_v = 4.2 * series
    able = int(inputs.bms.suits(series, "NMC")[inputs.bms_rows].sum())
    assert able
    for rated, allowed in ((full_v, able), (full_v + 1.0, able), (full_v - 0.1, 0)):
        given = with_voltages(inputs, "bms", "voltage_max_v", rated)
        choice, rows = parts.bms_options(given, series=series, chemistry="NMC", full_v=full_v, profile=profile)
        assert len(rows) == len(choice) == allowed
    # One that does not know the chemistry, or the count, is none either.
    assert len(parts.bms_options(inputs, series=series, chemistry="no such", full_v=full_v, profile=profile)[1]) == 0
    assert len(parts.bms_options(inputs, series=90, chemistry="NMC", full_v=1.0, profile=profile)[1]) == 0


def test_a_bms_bears_its_currents(inputs, profile):
    choice, rows = parts.bms_options(inputs, series=10, chemistry="NMC", full_v=42.0, profile=profile)
    at = {name: choice.values[:, k] for k, name in enumerate(parts.op.COLUMNS)}
    assert -at["neg_continuous_a"] == pytest.approx(inputs.bms.current_continuous_a[rows])
    assert -at["neg_charge_a"] == pytest.approx(inputs.bms.current_charge_a[rows])
    assert np.all(-at["neg_peak_a"] >= -at["neg_continuous_a"])
    assert np.any(-at["neg_peak_a"] > -at["neg_continuous_a"])


@pytest.mark.parametrize(("stock", "quantity", "cost"), [
    # 95 needed at 5.00; from 100 on 4.00: 400.00 for 100, if there are 100. With 99 in stock, 475.00 for 95.
    (np.inf, 100.0, 400.0), (100.0, 100.0, 400.0), (99.0, 95.0, 475.0), (95.0, 95.0, 475.0),
])  # fmt: skip
def test_a_price_break_beyond_the_stock_is_out_of_reach(stock, quantity, cost):
    got = best_purchase(95, price=5.0, break_quantity=[100], break_price=[4.0], stock=stock)
    assert [float(v) for v in got] == [quantity, cost]


def test_heat_capacities_are_those_of_the_literature():
    """Cylindrical lithium-ion cells 900 to 1000 J/(kg K) (Bryden et al. 2018; Maleki 1999; from memory): 48 g hold
    45.6 J/K. Aluminium 2700 kg/m³ and 896 to 903 J/(kg K) (Incropera & DeWitt, table A.1; from memory); PETG about
    1200 J/(kg K) (data sheets; from memory)."""
    assert pytest.approx(45.6, rel=1e-12) == 0.048 * CELL_J_PER_KG_K
    assert 890.0 <= BOX_J_PER_KG_K <= 905.0 and BOX_KG_PER_M3 == 2700.0
    assert 1100.0 <= CASE_J_PER_KG_K <= 1300.0


def test_strips_and_wires_by_the_millimetre(inputs, profile):
    """Closed forms: ρ/t of a square, density times thickness, price and resistance by area or length."""
    table = inputs.strips
    for build in parts.builds(inputs):
        width, thick = float(table.width_mm[build.strip]), float(table.thickness_mm[build.strip])
        ohm_m = float(table.resistivity_ohm_m[build.strip])
        assert build.square_ohm == pytest.approx(ohm_m / (thick * 1e-3), rel=1e-12)
        kg_m2 = float(table.density_kg_m3[build.strip]) * thick * 1e-3
        assert build.kg_per_mm2 == pytest.approx(kg_m2 / 1e6, rel=1e-12)
        area_m2 = width * 1e-3  # of a metre
        assert build.cost_per_mm2 == pytest.approx(float(table.price_per_m[build.strip]) / area_m2 / 1e6, rel=1e-12)
    choice, ohm, kg, cost = parts.wire_options(inputs, profile=profile)
    rows, wires = inputs.wire_rows, inputs.wires
    assert 1e6 * ohm == pytest.approx(wires.resistance_ohm_per_km[rows], rel=1e-12)
    assert 1e6 * kg == pytest.approx(wires.mass_g_per_m[rows], rel=1e-12)
    assert 1e3 * cost == pytest.approx(wires.price_per_m[rows], rel=1e-12) and len(choice) == len(rows)
