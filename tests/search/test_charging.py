"""Charges by the chargers of a catalog: their own taper, and the hottest cell against SciPy's integrator."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from test_monotone import packs

from optimizer.catalog import builtin_catalogs
from optimizer.score.charging import charges
from optimizer.score.score import charge_limit_a
from optimizer.search.space.setup import load_space


@pytest.fixture(scope="module")
def demo():
    return load_space(builtin_catalogs() / "briefs" / "cargo-scooter.toml")


def some(space, count, seed=3):
    """Packs of the demo that a charger fits, with the wiring and rise of real ones."""
    rng = np.random.default_rng(seed)
    block = packs(space, rng)
    block = replace(
        block, charge_cap_a=np.full(len(block), 1e3), extra_ohm=rng.uniform(0.002, 0.05, len(block)),
        hot_rise_k_per_w=rng.uniform(40.0, 250.0, len(block)), box_k_per_w=rng.uniform(0.3, 1.0, len(block)),
        plates_k_per_a2=rng.uniform(1e-4, 1e-3, len(block)), spread_ohm=np.full(len(block), 1e-6),
    )  # fmt: skip
    found = charged(block, space.context)
    return block.take(np.flatnonzero(found["charger"] >= 0)[:count])


def charged(block, context):
    return charges(block, context=context, pack_limit_a=charge_limit_a(block, context=context))


def test_the_hottest_cell_of_a_charge_is_no_cooler_than_integrated(demo):
    """Constant current, then constant voltage, its temperature by state of charge: the figure is 0 to 6 K above."""
    context, block, air_c = demo.context, some(demo, 25), demo.brief.electrical.charge_temp_c
    found, arrays = charged(block, context), demo.context.arrays
    ohms, over = arrays.charging_ohm(), []
    for n in range(len(block)):
        k, p = block.cell[n], int(block.parallel[n])
        soc = np.linspace(0.0, 1.0, ohms.shape[1])
        limit = context.cells.charge_a[k] * p
        rated = np.abs(context.chargers.voltage_v - block.series[n] * context.cells.voltage_max_v[k])
        rated = rated <= 0.025 * block.series[n] + 1e-9
        amps = max(a for a, good in zip(context.chargers.current_a, rated, strict=True) if good and a <= limit) / p
        rise = block.hot_rise_k_per_w[n]
        heat_j_k = context.cells.mass_kg[k] * 950.0
        outside, beside = block.extra_ohm[n] * p / block.series[n], block.beside_k_per_a2[n] * p**2

        def slope(z, temp, k=k, amps=amps, rise=rise, heat=heat_j_k, outside=outside, beside=beside, soc=soc):
            ohm = np.interp(z, soc, ohms[k])
            free = (context.cells.voltage_max_v[k] - np.interp(z, soc, arrays.ocv_v[k])) / (ohm + outside)
            now = min(amps, max(free, 0.02 * amps))
            return 3600.0 * arrays.capacity_ah[k] / heat * ((ohm + beside / rise) * now - (temp - air_c) / (rise * now))

        run = solve_ivp(slope, (context.reserve_soc, 0.998), [air_c], method="LSODA", rtol=1e-7, atol=1e-7)
        over.append(found["hot_cell_charge_c"][n] - run.y.max())
    assert len(over) == 25 and min(over) > -0.05 and max(over) < 7.0 and np.ptp(found["hot_cell_charge_c"]) > 2.0


def test_a_charger_ends_at_its_own_taper(demo):
    """More taper ends sooner; C/20 of the pack's capacity is as none given."""
    context, block = demo.context, some(demo, 60)
    usual = charged(block, context)

    def with_taper(taper_a):
        return charged(block, replace(context, chargers=replace(context.chargers, taper_a=taper_a)))

    amps = context.chargers.current_a
    low, high = (with_taper(part * amps)["charge_min"] for part in (0.01, 0.9))
    assert np.all(low >= high) and np.mean(low > high) > 0.2, np.mean(low > high)
    one = block.take(slice(0, 1))
    cell_a = 0.05 * context.arrays.capacity_ah[one.cell[0]] * one.parallel[0]
    same = charged(one, replace(context, chargers=replace(context.chargers, taper_a=np.full(len(amps), cell_a))))
    assert same["charge_min"] == pytest.approx(usual["charge_min"][:1])


def test_a_pack_that_bears_less_is_never_full_sooner(demo):
    """Its charger is weaker, and may end at a current that a stronger one passes on its way."""
    context, block = demo.context, some(demo, 200, seed=8)
    amps = context.chargers.current_a
    # The weakest end at nearly their full current, the strongest at a hundredth.
    context = replace(context, chargers=replace(context.chargers, taper_a=np.where(amps < 3.0, 0.9, 0.01) * amps))
    before, differs = charged(block, context), 0
    for limit in (12.0, 6.0, 4.0, 2.5, 1.5):
        after = charged(replace(block, charge_cap_a=np.full(len(block), limit)), context)
        for name in ("charge_80_min", "charge_min", "hot_cell_charge_c"):
            assert np.all(after[name] >= before[name] * (1 - 1e-9)), (limit, name)
        differs += int(np.sum(np.isfinite(after["charge_min"]) & (after["charger"] != before["charger"])))
        before = after
    assert differs > 20
