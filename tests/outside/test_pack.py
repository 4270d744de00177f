"""Pack limits against values from circuit theory and from statistics tables."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from optimizer.fit.region.compartment import box
from optimizer.pack.limits import LIMITS, Caps, greatest_power, pack_resistance
from optimizer.pack.protection.fuses import continuous_current_a
from optimizer.pack.spread import Spread, draw_factors, expected_normal_max
from optimizer.pack.wiring.harness import Places
from optimizer.pack.wiring.legs import LayoutWires, Taps
from optimizer.pack.wiring.lightest import harness_block
from optimizer.pack.wiring.passages import links_of
from optimizer.pack.wiring.table import Wired, WireKind, harness_table, wires_of


def test_matched_load_power() -> None:
    # Closed form (Jacobi 1840; any text on circuits): V² / 4R, 36 V and 0.10 ohm give 3240 W at 180 A.
    power = greatest_power(36.0, cell_ohm=0.10, cut_off_v=0.0, series=1, parallel=1, caps=Caps())
    assert float(power.power_w) == pytest.approx(3240.0, rel=1e-12)
    assert float(power.current_a) == pytest.approx(180.0, rel=1e-12)
    assert LIMITS[int(power.limit)] == "matched load"


def test_series_parallel_resistance() -> None:
    # Closed form: 10S4P of 30 mΩ cells is 75 mΩ; 40 A sag 3.0 V and lose 120 W.
    resistance = pack_resistance(0.030, series=10, parallel=4)
    assert resistance == pytest.approx(0.075, rel=1e-12)
    assert 40.0 * resistance == pytest.approx(3.0, rel=1e-12)
    assert 40.0**2 * resistance == pytest.approx(120.0, rel=1e-12)


def test_constant_power_root_is_under_the_limits_of_the_same_source() -> None:
    # Closed form: 1000 W from 36 V, 0.1 ohm is 30.3337 A; capped there the pack gives 1000 W.
    power = greatest_power(
        36.0, cell_ohm=0.10, cut_off_v=0.0, series=1, parallel=1, caps=Caps(controller_a=30.3337)
    )
    assert float(power.power_w) == pytest.approx(1000.0, abs=0.002)


def test_fuse_rule() -> None:
    # From memory, fuse makers' guides on UL 248-14 types: at most 75 % without end; 30 A ask for 40 A.
    assert continuous_current_a(40.0, air_c=25.0) == pytest.approx(30.0, rel=1e-12)


@pytest.mark.parametrize(
    ("count", "printed"),
    [(2, 0.56419), (3, 0.84628), (5, 1.16296), (10, 1.53875), (14, 1.70338), (20, 1.86748)],
)
def test_order_statistics_of_the_normal(count: int, printed: float) -> None:
    # From memory: Harter, Biometrika 48 (1961) 151, table of expected values, largest of n, five decimals.
    assert expected_normal_max(count) == pytest.approx(printed, abs=6e-6)


def test_order_statistics_closed_forms() -> None:
    # Closed form: 1/√π for two, 3/(2√π) for three.
    root = np.sqrt(np.pi)
    assert expected_normal_max([1, 2, 3]) == pytest.approx([0.0, 1 / root, 1.5 / root], abs=1e-12)


def two_boxes(groups_per_module: int) -> Places:
    return Places(np.array([[0.0, 600.0], [600.0, 0.0]]), (groups_per_module,) * 2)


class Nowhere:
    """Ways of no length: what is counted here is wires and pins."""

    def lengths(self, points_mm, target_mm):
        return np.zeros(len(points_mm))

    def path(self, point_mm, target_mm):
        return np.array([point_mm, target_mm])

    transit = path


def test_a_module_of_four_groups_has_five_leads_and_seven_pins() -> None:
    # Common practice, no published source: n + 1 balance leads; a two-wire sensor shares the connector.
    places = two_boxes(4)
    kind = WireKind("any", 1.0, 1.0, 1.0, 1.0, 1.0)
    block = harness_block([12, 8], places=places)
    rooms = [box(name, length_mm=300.0, width_mm=100.0, height_mm=60.0) for name in ("deck", "stem")]
    taps = Taps(*(np.zeros((12, *shape)) for shape in ((1, 3), (1, 3), (3,), (3,))), (0.0, 0.0, 0.0))
    own = LayoutWires(taps, Nowhere(), np.zeros(3))
    wired = [Wired(room, own, n, 4) for room, n in zip(rooms, (12, 8), strict=True)]
    wires = wires_of(
        wired, links=links_of(rooms), order=block.order[0].tolist(), bms=int(block.bms[0])
    )
    table = harness_table(wires, power=kind, lead=kind)
    plugs = pd.crosstab(table["connector"], table["purpose"], dropna=False).loc[table["connector"].unique()[1:]]
    assert plugs["balance"].tolist() == [5, 5, 5, 5, 5]
    # Common practice, no published source: sensors on the first and on the last module.
    assert plugs["sensor"].tolist() == [2, 0, 0, 0, 2]
    assert not plugs["power"].any() and (table["pins"] == (table["connector"] != "")).all()


@pytest.mark.parametrize("per_module", [0, 4])
def test_bms_beside_more_groups_means_fewer_crossings(per_module: int) -> None:
    # Common practice, no published source: BMS and charge port go where more of the groups are.
    places = two_boxes(per_module)
    beside = harness_block([[14, 6]], places=places, bms_in=0).crossing_conductors
    away = harness_block([[14, 6]], places=places, bms_in=1).crossing_conductors
    assert beside < away


@pytest.mark.parametrize(("series", "c_n"), [(10, 1.5388), (14, 1.7034), (20, 1.8675)])
def test_weakest_group_in_series(series: int, c_n: float) -> None:
    # From memory: E[min of n normal] = μ − σ c_n, Harter 1961 / Pearson & Hartley tables, four decimals.
    # 40,000 draws: 1 % of the shift is over three standard errors.
    drawn = draw_factors(Spread(capacity=0.02), series=series, parallel=4, draws=40000)
    assert 1.0 - drawn.capacity.mean() == pytest.approx(0.02 / np.sqrt(4) * c_n, rel=0.01)
