"""Harness: vectorised figures against the wire-by-wire table, the choice against brute force."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.pack.wiring.harness import (
    HarnessBlock,
    Places,
    choose_wire,
    harness_block,
    run_length,
    sensor_modules,
    taps,
)
from optimizer.pack.wiring.table import WireKind, connector_table, harness_table

POWER = WireKind("power", 6.0, 3.3, 70.0, 2.0)
LEAD = WireKind("lead", 0.25, 80.0, 4.0, 0.3)
ALONG = np.array([100.0, 0.0, 0.0])


def places_of(*sizes: int, seed: int = 3) -> Places:
    rng = np.random.default_rng(seed)
    shape = (len(sizes), 3)
    return Places(rng.uniform(0, 500, shape), rng.uniform(0, 500, shape), rng.uniform(0, 500, shape), sizes)


@settings(max_examples=30, deadline=None)
@given(
    sizes=st.lists(st.integers(0, 5), min_size=1, max_size=3),
    data=st.data(),
    sensors=st.integers(0, 4),
    shared=st.booleans(),
)
def test_block_equals_the_table(sizes: list[int], data: st.DataObject, sensors: int, shared: bool) -> None:
    """Second implementation: rows counted and summed one by one."""
    places = places_of(*sizes)
    split = data.draw(st.lists(st.integers(0, 9), min_size=len(sizes), max_size=len(sizes)).filter(sum))
    block = harness_block(split, places=places, sensors=sensors, share_balance_leads=shared, slack_mm=40.0)
    order, bms = block.order[0].tolist(), int(block.bms[0])
    names = [f"box{k}" for k in range(len(sizes))]
    table = harness_table(
        split,
        names=names,
        places=places,
        order=order,
        bms=bms,
        power=POWER,
        lead=LEAD,
        sensors=sensors,
        share_balance_leads=shared,
        slack_mm=40.0,
    )
    by = dict(list(table.groupby("purpose")))
    for purpose, length, count in (
        ("power", block.power_length_mm, block.power_wires),
        ("balance", block.balance_length_mm, block.balance_leads),
        ("sensor", block.sensor_length_mm, block.sensor_wires),
    ):
        rows = by.get(purpose, table[:0])
        assert rows["length_mm"].sum() == pytest.approx(float(length[0]), rel=1e-9, abs=1e-9)
        assert len(rows) == count[0]
    assert table["pins"].sum() == block.pins[0]
    assert len(connector_table(table)) == block.modules[0]
    crossing = [
        a.split(" ")[0] != (b.split(" ")[0] if "BMS" not in b else names[bms])
        for a, b in zip(table["from"], table["to"], strict=True)
    ]
    assert sum(crossing) == block.crossing_conductors[0]


def test_choice_is_the_lightest_of_all() -> None:
    """Brute force over orders and places of the BMS, through the table's masses."""
    places = places_of(4, 0, 3, seed=8)
    split = [7, 5, 6]
    block = harness_block(split, places=places, power_g_per_m=70.0, lead_g_per_m=4.0)
    masses = {}
    for order in permutations(range(3)):
        for bms in range(3):
            table = harness_table(
                split, names="abc", places=places, order=order, bms=bms, power=POWER, lead=LEAD
            )
            masses[order, bms] = table["mass_g"].sum()
    chosen = masses[tuple(block.order[0].tolist()), int(block.bms[0])]
    assert chosen == pytest.approx(min(masses.values()), abs=1e-3)
    assert max(masses.values()) > 1.2 * chosen


def test_splits_are_independent() -> None:
    places = places_of(4, 0)
    splits = np.array([[8, 6], [0, 14], [14, 0], [1, 13]])
    block = harness_block(splits, places=places)
    for k, split in enumerate(splits):
        one = harness_block(split, places=places)
        for name, values in vars(block).items():
            assert np.array_equal(values[k], getattr(one, name)[0]), name


def test_bms_stays_where_the_brief_puts_it() -> None:
    places = places_of(4, 0)
    for place in (0, 1):
        assert harness_block([[8, 6]], places=places, bms_in=place).bms.tolist() == [place]


def straight(split: list[int], bms: int, **change: object) -> HarnessBlock:
    """Two boxes on a line, 100 mm each, 100 mm apart; BMS in the middle of either."""
    at = np.array([[0.0, 0, 0], [200.0, 0, 0]])
    places = Places(at, at + ALONG, at + ALONG / 2, (0, 0))
    return harness_block(split, places=places, bms_in=bms, slack_mm=0.0, **change)


def test_lengths_by_hand() -> None:
    # Closed form. Chain box 0 then box 1, BMS at 50: 50 to the start, 100 between, 250 from the far end.
    # Taps of box 0 at 0, 50, 100: 100 mm in all; of box 1 at 200, 250, 300: 600 mm. Sensors at 50 and 250.
    block = straight([2, 2], 0)
    assert block.order.tolist() == [[0, 1]]
    assert block.power_length_mm.tolist() == [400.0]
    assert block.balance_length_mm.tolist() == [700.0]
    assert block.sensor_length_mm.tolist() == [400.0]
    # 3 leads and 2 sensor wires of box 1, the link and the positive end.
    assert block.crossing_conductors.tolist() == [7]


def test_links_between_modules() -> None:
    # Closed form: 8 groups as two modules in 100 mm: one link of 50 mm, ends 50 + 50 to the middle.
    at = np.zeros((1, 3))
    places = Places(at, at + ALONG, at + ALONG / 2, (4,))
    block = harness_block([8], places=places, slack_mm=10.0)
    assert block.power_wires.tolist() == [3]
    assert block.power_length_mm.tolist() == [50.0 + 50.0 + 50.0 + 30.0]
    assert block.crossing_conductors.tolist() == [0]


def test_shared_leads() -> None:
    assert len(taps(8, per_module=4, shared=False)) == 10
    assert len(taps(8, per_module=4, shared=True)) == 9
    assert len(taps(10, per_module=4, shared=False)) == 13
    assert taps(0, per_module=4, shared=False) == []


def test_sensor_places() -> None:
    assert sensor_modules([1, 2, 7], sensors=2).tolist() == [[0, 0], [0, 1], [0, 6]]
    assert sensor_modules(7, sensors=3).tolist() == [0, 3, 6]
    assert sensor_modules(7, sensors=1).tolist() == [0]
    assert sensor_modules([7], sensors=0).shape == (1, 0)


def test_wire_by_current_and_drop() -> None:
    catalog = {
        "rating_a": [10.0, 30.0, 60.0],
        "resistance_ohm_per_km": [20.0, 7.0, 3.3],
        "mass_g_per_m": [15.0, 35.0, 70.0],
    }
    got = choose_wire([5.0, 20.0, 20.0, 100.0], length_mm=1000.0, drop_max_v=[1.0, 1.0, 0.1, 9.0], **catalog)
    # 20 A over 1 m of 7 ohm/km is 0.14 V: over 0.1 V the thicker wire is due; 100 A suit none.
    assert got.tolist() == [0, 1, 2, -1]


def test_table_adds_up() -> None:
    table = harness_table([8], names=["deck"], places=places_of(4), order=[0], bms=0, power=POWER, lead=LEAD)
    metres = table["length_mm"] / 1000.0
    power = table["purpose"] == "power"
    assert table["mass_g"].tolist() == pytest.approx(np.where(power, 70.0 * metres, 4.0 * metres).tolist())
    assert table["resistance_mohm"].tolist() == pytest.approx(
        np.where(power, 3.3 * metres, 80 * metres).tolist()
    )
    assert table["cost"].tolist() == pytest.approx(np.where(power, 2.0 * metres, 0.3 * metres).tolist())
    assert table["from"].tolist()[3:9] == [
        "deck module 1 group 1 −",
        "deck module 1 group 1 +",
        "deck module 1 group 2 +",
        "deck module 1 group 3 +",
        "deck module 1 group 4 +",
        "deck module 2 group 5 −",
    ]


def test_leads_of_a_second_compartment_are_named_by_the_groups_of_the_pack() -> None:
    # The drawings and the build sheet count groups through the pack; a lead taken for another destroys a BMS.
    given = {"names": ["deck", "stem"], "places": places_of(0, 0), "bms": 0, "power": POWER, "lead": LEAD}
    leads = {}
    for order in ([0, 1], [1, 0]):
        table = harness_table([3, 2], order=order, **given)
        leads[order[0]] = table["from"][table["purpose"] == "balance"].tolist()
    assert leads[0][4:] == ["stem group 4 −", "stem group 4 +", "stem group 5 +"]
    assert leads[1] == [
        *("stem group 1 −", "stem group 1 +", "stem group 2 +"),
        *("deck group 3 −", "deck group 3 +", "deck group 4 +", "deck group 5 +"),
    ]


def test_run_follows_the_axes() -> None:
    assert run_length([0.0, 0, 0], end_mm=[3.0, -4.0, 5.0]) == 12.0


def test_misuse_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one group"):
        harness_block([[0, 0]], places=places_of(0, 0))
    with pytest.raises(ValueError, match="count for each compartment"):
        harness_block([[4]], places=places_of(0, 0))
    with pytest.raises(ValueError, match="compartments"):
        places_of(*[0] * 11)
    with pytest.raises(ValueError, match="shape"):
        Places(np.zeros((1, 3)), np.zeros((2, 3)), np.zeros((1, 3)), (0,))
