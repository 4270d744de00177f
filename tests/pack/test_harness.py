"""Harness: vectorised figures against the wire-by-wire table, the choice against brute force."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.fit.region.compartment import box
from optimizer.pack.wiring.harness import HarnessBlock, Places, sensor_modules, taps
from optimizer.pack.wiring.legs import LayoutWires, Taps
from optimizer.pack.wiring.lightest import harness_block
from optimizer.pack.wiring.passages import Links, links_of
from optimizer.pack.wiring.table import Wired, WireKind, harness_table, wires_of

POWER = WireKind("power", 6.0, 3.3, 70.0, 2.0, 5.3)
LEAD = WireKind("lead", 0.25, 80.0, 4.0, 0.3, 1.2)


class Straight:
    """Ways straight through everything."""

    def lengths(self, points_mm, target_mm):
        return np.linalg.norm(points_mm - target_mm, axis=1)

    def path(self, point_mm, target_mm):
        return np.array([point_mm, target_mm])

    transit = path


class Pack:
    """Boxes at random places, with random taps, modules of the sizes given (0: trays)."""

    def __init__(self, *sizes: int, seed: int = 3, groups: int = 9) -> None:
        rng = np.random.default_rng(seed)
        at = rng.uniform(0, 500, (len(sizes), 3))
        self.rooms = [
            box(f"box{k}", length_mm=90.0, width_mm=70.0, height_mm=60.0, position_mm=tuple(p))
            for k, p in enumerate(at)
        ]
        self.links: Links = links_of(self.rooms)
        self.sizes = sizes
        shape = (groups, 3)
        self.taps = [
            Taps(rng.uniform(0, 60, (groups, 2, 3)), rng.uniform(0, 60, (groups, 2, 3)), rng.uniform(0, 60, shape),
                 rng.uniform(0, 60, shape), (1.0, 2.0, 3.0)) for _ in sizes
        ]  # fmt: skip
        self.places = Places(self.links.length_mm, sizes)

    def table(self, split, order, bms, *, sensors=2, shared=False, slack_mm=50.0):
        wired = [
            Wired(room, LayoutWires(taps, Straight(), hub), groups, size) if groups else None
            for room, taps, groups, size, hub in zip(
                self.rooms, self.taps, split, self.sizes, self.links.hubs_mm, strict=True
            )
        ]
        wires = wires_of(
            wired, links=self.links, order=order, bms=bms, sensors=sensors,
            share_balance_leads=shared,
        )  # fmt: skip
        return harness_table(wires, power=POWER, lead=LEAD, slack_mm=slack_mm)

    def legs(self, split, shared):
        """Power wires and leads up to the hubs, as the search adds them; one sensor's wire in each compartment."""
        total = np.zeros(2), np.zeros(len(split))
        for k, (own, groups, size, hub) in enumerate(
            zip(self.taps, split, self.sizes, self.links.hubs_mm, strict=True)
        ):
            if groups:
                wires = LayoutWires(own, Straight(), hub)
                *legs, total[1][k] = wires.legs_mm(per_module=size, shared=shared)[groups - 1]
                total[0][:] += legs
        return total


@settings(max_examples=30, deadline=None)
@given(
    sizes=st.lists(st.integers(0, 5), min_size=1, max_size=3),
    data=st.data(),
    sensors=st.integers(0, 4),
    shared=st.booleans(),
)
def test_block_equals_the_table(sizes: list[int], data: st.DataObject, sensors: int, shared: bool) -> None:
    """Second implementation: rows counted and summed one by one, on their ways through the vehicle."""
    pack = Pack(*sizes)
    split = data.draw(st.lists(st.integers(0, 9), min_size=len(sizes), max_size=len(sizes)).filter(sum))
    (power, lead), sensor = pack.legs(split, shared)
    how = {"sensors": sensors, "share_balance_leads": shared, "slack_mm": 38.0, "sensor_legs_mm": [sensor]}
    block = harness_block(split, places=pack.places, **how)
    order, bms = block.order[0].tolist(), int(block.bms[0])
    table = pack.table(split, order, bms, sensors=sensors, shared=shared, slack_mm=38.0)
    by = dict(list(table.groupby("purpose")))
    for purpose, length, count in (
        ("power", block.power_length_mm + power, block.power_wires),
        ("balance", block.balance_length_mm + lead, block.balance_leads),
        ("sensor", block.sensor_length_mm + 2.0 * block.sensors_in @ sensor, block.sensor_wires),
    ):
        rows = by.get(purpose, table[:0])
        assert rows["length_mm"].sum() == float(length[0])
        assert len(rows) == count[0]
    assert table["pins"].sum() == block.pins[0]
    assert table.loc[table["connector"] != "", "connector"].nunique() == block.modules[0]
    names = [room.name for room in pack.rooms]
    crossing = [
        a.split(" ")[0] != (b.split(" ")[0] if "BMS" not in b else names[bms])
        for a, b in zip(table["from"], table["to"], strict=True)
    ]
    assert sum(crossing) == block.crossing_conductors[0]
    assert (table["length_mm"] % 5.0 == 0.0).all()
    assert (table["spare_mm"] >= 0.0).all() and (table["slack_mm"] == 40.0).all()
    made_of = table["path_mm"] + table["spare_mm"] + table["slack_mm"]
    assert (table["length_mm"] - made_of).abs().max() <= 0.001
    assert (table["spare_for"].str.contains("cut alike") == (table["purpose"] == "sensor")).all()
    assert (table["spare_for"].str.contains("box to box") == (table["through"] != "")).all()


@pytest.mark.parametrize("seed", range(8))
def test_choice_is_the_lightest_of_all(seed: int) -> None:
    """Brute force over orders and places of the BMS, through the masses of the table of all wires."""
    pack, rng = Pack(4, 0, 3, seed=seed), np.random.default_rng(seed)
    split, sensors = rng.integers(1, 9, 3).tolist(), int(rng.integers(1, 4))
    # Legs of sensors that differ by more than the boxes are apart: they decide on the order.
    for own in pack.taps:
        own.plus_mm[:] += rng.uniform(0, 900, 3)
    legs = pack.legs(split, False)[1]
    how = {"sensors": sensors, "power_g_per_m": 70.0, "lead_g_per_m": 4.0, "places": pack.places}
    block = harness_block(split, sensor_legs_mm=[legs], **how)
    masses = {
        (order, bms): pack.table(split, order, bms, sensors=sensors)["mass_g"].sum()
        for order in permutations(range(3)) for bms in range(3)
    }  # fmt: skip
    chosen = masses[tuple(block.order[0].tolist()), int(block.bms[0])]
    assert chosen == pytest.approx(min(masses.values()), abs=1e-3)
    assert max(masses.values()) > 1.05 * chosen


def test_legs_of_sensors_decide_where_all_else_is_alike() -> None:
    # Closed form. Three boxes in a row, 100 mm apart, board in the middle: the chain may begin at either end and
    # end in the middle, and its two sensors sit in its first and last box: the one with the shorter wire.
    far = np.abs(np.subtract.outer(np.arange(3), np.arange(3))) * 100.0
    for legs, first in (([50.0, 0.0, 300.0], 0), ([300.0, 0.0, 50.0], 2)):
        ends = harness_block([2, 2, 2], places=Places(far, (0, 0, 0)), bms_in=1, sensors=1, sensor_legs_mm=[legs])
        assert ends.order[0, 0] != 2 - first and ends.sensors_in[0].tolist()[2 - first] == 0


def test_splits_are_independent() -> None:
    places = Pack(4, 0).places
    splits = np.array([[8, 6], [0, 14], [14, 0], [1, 13]])
    block = harness_block(splits, places=places)
    for k, split in enumerate(splits):
        one = harness_block(split, places=places)
        for name, values in vars(block).items():
            assert np.array_equal(values[k], getattr(one, name)[0]), name


def test_bms_stays_where_the_brief_puts_it() -> None:
    for place in (0, 1):
        assert harness_block([[8, 6]], places=Pack(4, 0).places, bms_in=place).bms.tolist() == [place]


def test_lengths_by_hand() -> None:
    # Closed form. Hubs 100 mm apart, BMS in box 0, two groups in each, 10 mm for every wire: the link, and the far
    # end's wire, 110 each, the near end's 10; 3 leads here and 3 there; two wires each of a sensor here and there.
    places = Places(np.array([[0.0, 100.0], [100.0, 0.0]]), (0, 0))
    block: HarnessBlock = harness_block([2, 2], places=places, bms_in=0, slack_mm=8.0)
    assert block.order.tolist() == [[0, 1]]
    assert block.power_length_mm.tolist() == [110.0 + 110.0 + 10.0]
    assert block.balance_length_mm.tolist() == [3 * 10.0 + 3 * 110.0]
    assert block.sensor_length_mm.tolist() == [2 * 10.0 + 2 * 110.0] and block.sensors_in.tolist() == [[1, 1]]
    # 3 leads and 2 sensor wires of box 1, the link and the positive end.
    assert block.crossing_conductors.tolist() == [7]


def test_legs_by_hand() -> None:
    # Closed form: taps on a line, 10 mm from group to group, hub at its beginning; cases of two groups.
    at = np.zeros((4, 1, 3))
    at[:, 0, 0] = [10.0, 20.0, 30.0, 40.0]
    here = Taps(at, at - [10.0, 0.0, 0.0], at[:, 0] - [10.0, 0.0, 0.0], at[:, 0], (0.0, 0.0, 0.0))
    legs = LayoutWires(here, Straight(), np.zeros(3)).legs_mm(per_module=2, shared=False)
    # Power: from 0 and from the last group's end; from case to case 20 → 20, no way at all.
    assert legs[:, 0].tolist() == [10.0, 20.0, 30.0, 40.0]
    # Leads: 0 and 10, 20; then 20 and 30, 40.
    assert legs[:, 1].tolist() == [10.0, 30.0, 80.0, 120.0]
    # Sensors: in the first group of each case (10, 10, 30, 30), the farther one counts.
    assert legs[:, 2].tolist() == [10.0, 10.0, 30.0, 30.0]
    # One case for all: in the middle group of 1, 2, 3, 4.
    whole = LayoutWires(here, Straight(), np.zeros(3)).legs_mm(per_module=0, shared=False)
    assert whole[:, 2].tolist() == [10.0, 10.0, 20.0, 20.0]
    shared = LayoutWires(here, Straight(), np.zeros(3)).legs_mm(per_module=2, shared=True)
    assert shared[:, 1].tolist() == [10.0, 30.0, 60.0, 100.0]


def test_links_between_modules() -> None:
    # Closed form: 8 groups as two modules: three power wires, 10 mm each beside their legs.
    block = harness_block([8], places=Places(np.zeros((1, 1)), (4,)), slack_mm=10.0)
    assert block.power_wires.tolist() == [3]
    assert block.power_length_mm.tolist() == [30.0]
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


def test_table_adds_up() -> None:
    table = Pack(4).table([8], [0], 0)
    metres = table["length_mm"] / 1000.0
    power = table["purpose"] == "power"
    assert table["mass_g"].tolist() == pytest.approx(np.where(power, 70.0 * metres, 4.0 * metres).tolist())
    assert table["resistance_mohm"].tolist() == pytest.approx(
        np.where(power, 3.3 * metres, 80 * metres).tolist()
    )
    assert table["cost"].tolist() == pytest.approx(np.where(power, 2.0 * metres, 0.3 * metres).tolist())
    assert table["from"].tolist()[3:9] == [
        "box0 module 1 group 1 −",
        "box0 module 1 group 1 +",
        "box0 module 1 group 2 +",
        "box0 module 1 group 3 +",
        "box0 module 1 group 4 +",
        "box0 module 2 group 5 −",
    ]


def test_leads_of_a_second_compartment_are_named_by_the_groups_of_the_pack() -> None:
    # The drawings and the build sheet count groups through the pack; a lead taken for another destroys a BMS.
    leads = {}
    for order in ([0, 1], [1, 0]):
        table = Pack(0, 0).table([3, 2], order, 0)
        leads[order[0]] = table["from"][table["purpose"] == "balance"].tolist()
    assert leads[0][4:] == ["box1 group 4 −", "box1 group 4 +", "box1 group 5 +"]
    assert leads[1] == [
        *("box1 group 1 −", "box1 group 1 +", "box1 group 2 +"),
        *("box0 group 3 −", "box0 group 3 +", "box0 group 4 +", "box0 group 5 +"),
    ]


def test_misuse_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one group"):
        harness_block([[0, 0]], places=Pack(0, 0).places)
    with pytest.raises(ValueError, match="count for each compartment"):
        harness_block([[4]], places=Pack(0, 0).places)
    with pytest.raises(ValueError, match="compartments"):
        Places(np.zeros((11, 11)), (0,) * 11)
    with pytest.raises(ValueError, match="shape"):
        Places(np.zeros((1, 2)), (0,))
