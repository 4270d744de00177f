"""The chain's order by dynamic programming against every order tried: the same mass and crossings, whatever is drawn.

Grade: second implementation, the permutations of `harness_block` itself, which tests/pack/test_harness.py holds
against wires added up one by one.
"""

import numpy as np
import pytest

from optimizer.pack.wiring import harness
from optimizer.pack.wiring import lightest as lightest_of
from optimizer.pack.wiring.harness import Places
from optimizer.pack.wiring.lightest import harness_block
from optimizer.pack.wiring.order import lightest, shortest_paths

POWER, LEAD = 60.0, 5.0


def drawn(rng, m, *, where="apart"):
    """Places, splits and rules; on a coarse grid many harnesses weigh the same, in one spot all of them."""
    shape = (m, 3)
    grid = rng.integers(0, 4 if where == "grid" else 1, shape) * 100.0
    spots = rng.uniform(0, 600, shape) if where == "apart" else grid
    links = np.linalg.norm(spots[:, None] - spots[None], axis=2)
    places = Places(links, tuple(int(k) for k in rng.integers(0, 4, m)))
    split = rng.integers(0, 8, (6, m)) * (rng.random((6, m)) < 0.7)
    split[np.arange(6), rng.integers(0, m, 6)] += 1
    rules = {
        "sensors": int(rng.integers(0, 3)), "share_balance_leads": bool(rng.random() < 0.5),
        "slack_mm": float(rng.choice([0.0, 50.0])), "bms_in": int(rng.integers(m)) if rng.random() < 0.4 else None,
        "power_g_per_m": POWER, "lead_g_per_m": LEAD, "sensor_legs_mm": rng.integers(2, 90, (6, m)) * 5.0,
    }  # fmt: skip
    return split, places, rules


def both(split, places, rules, monkeypatch):
    """The harness by dynamic programming, and by every order tried."""
    blocks = []
    for tried in (0, 99):
        monkeypatch.setattr(harness, "TRIED_COMPARTMENTS", tried)
        blocks.append(harness_block(split, places=places, **rules))
    return blocks


def grams(block, legs_mm):
    lead_mm = block.balance_length_mm + block.sensor_length_mm + 2.0 * (block.sensors_in * legs_mm).sum(axis=1)
    return np.round(block.power_length_mm * POWER + lead_mm * LEAD, 3)


def assert_equal(new, old, legs_mm):
    np.testing.assert_allclose(grams(new, legs_mm), grams(old, legs_mm), rtol=0, atol=1e-9)
    for name in ("crossing_conductors", "modules", "pins", "power_wires", "balance_leads", "sensor_wires"):
        assert getattr(new, name).tolist() == getattr(old, name).tolist(), name


@pytest.mark.parametrize("where", ["apart", "grid", "one spot"])
@pytest.mark.parametrize("m", [1, 2, 3, 4, 5])
def test_it_equals_every_order_tried(m, where, monkeypatch):
    rng = np.random.default_rng([m, len(where)])
    for _ in range(20):
        split, places, rules = drawn(rng, m, where=where)
        new, old = both(split, places, rules, monkeypatch)
        assert_equal(new, old, rules["sensor_legs_mm"])


@pytest.mark.parametrize(("m", "draws"), [(6, 1), pytest.param(7, 1, marks=pytest.mark.nightly)])
def test_it_equals_every_order_of_more_than_five(m, draws, monkeypatch):
    rng = np.random.default_rng([m, 7])
    for where in ("apart", "grid") * draws:
        split, places, rules = drawn(rng, m, where=where)
        assert_equal(*both(split, places, rules, monkeypatch), rules["sensor_legs_mm"])


def test_the_lengths_are_those_of_the_order_it_names(monkeypatch):
    """Every order tried with one order left is the harness of that order."""
    rng = np.random.default_rng(5)
    for m in (6, 10):
        split, places, rules = drawn(rng, m)
        block = harness_block(split, places=places, **rules)
        assert [sorted(order) for order in block.order.tolist()] == [list(range(m))] * len(split)
        for k, groups in enumerate(split):
            order = tuple(block.order[k].tolist())
            monkeypatch.setattr(lightest_of, "permutations", lambda _, order=order: iter([order]))
            monkeypatch.setattr(harness, "TRIED_COMPARTMENTS", 99)
            own = {"bms_in": int(block.bms[k]), "sensor_legs_mm": rules["sensor_legs_mm"][k]}
            one = harness_block(groups, places=places, **{**rules, **own})
            monkeypatch.undo()
            for name, values in vars(block).items():
                np.testing.assert_allclose(values[k], getattr(one, name)[0], rtol=1e-12, err_msg=name)


def test_splits_are_independent_in_however_many_pieces(monkeypatch):
    split, places, rules = drawn(np.random.default_rng(8), 8)
    whole = harness_block(split, places=places, **rules)
    monkeypatch.setattr(lightest_of, "AT_ONCE", 2)
    for name, values in vars(harness_block(split, places=places, **rules)).items():
        assert np.array_equal(values, getattr(whole, name)), name


def test_groups_per_module_of_each_split(monkeypatch):
    rng = np.random.default_rng(9)
    split, places, rules = drawn(rng, 6)
    cases = rng.integers(0, 4, split.shape)
    block = harness_block(split, places=places, per_module=cases, **rules)
    for k, groups in enumerate(split):
        own = Places(places.links_mm, tuple(cases[k].tolist()))
        one = harness_block(groups, places=own, **{**rules, "sensor_legs_mm": rules["sensor_legs_mm"][k]})
        for name, values in vars(block).items():
            assert np.array_equal(values[k], getattr(one, name)[0]), name


def test_shortest_chains_by_hand():
    # Closed form: links 0→1→2 of 1 mm each, all others 10 mm: the chain of all three from 0 to 2 takes 2 mm.
    link = np.full((3, 3), 10.0)
    link[0, 1] = link[1, 2] = 1.0
    paths = shortest_paths(link)
    assert paths.length_mm[0b111, 0, 2] == 2.0
    assert paths.length_mm[0b101, 0, 2] == 10.0
    assert paths.length_mm[0b111, 0, 1] == 20.0
    assert np.isinf(paths.length_mm[0b111, 0, 0])
    one = np.array([0b111])
    assert paths.order(one, first=np.array([0]), last=np.array([1])).tolist() == [[0, 2, 1]]


def test_equal_by_the_third_decimal_fewer_conductors_then_the_first():
    # By hand: two compartments, both in use. Columns: first 0 with the BMS in 0 and 1, then first 1.
    def chosen(grams, crossing=(0, 0)):
        paths = np.full((4, 2, 2), np.inf)
        paths[3, 0, 1] = paths[3, 1, 0] = 0.0
        first, last = np.array(grams, dtype=float).reshape(1, 2, 2), np.zeros((1, 2, 2))
        found = lightest(
            np.array([3]), paths_g=paths, first_g=first, last_g=last, bms_g=np.zeros((1, 2)), sites=np.arange(2),
            crossing=np.array([crossing]), first_wires=3, last_wires=1,
        )  # fmt: skip
        return [int(each[0]) for each in found]

    assert chosen([[5.0, 5.0], [5.0, 4.9]]) == [1, 0, 1]
    # 3 wires of the first and 1 of the last: a BMS beside the first takes 1 conductor, beside the last 3.
    assert chosen([[5.0, 5.0], [5.0, 5.0]]) == [0, 1, 0]
    assert chosen([[5.0, 5.0], [5.0, 5.0]], crossing=(2, 0)) == [1, 0, 1]
    assert chosen([[5.0, 5.0], [5.0, 5.0004]], crossing=(2, 0)) == [1, 0, 1]
    assert chosen([[5.0, 5.0], [5.0, 5.001]], crossing=(2, 0)) == [0, 1, 0]


def test_what_many_compartments_do_not_allow_is_refused():
    split, places, rules = drawn(np.random.default_rng(1), 6)
    with pytest.raises(ValueError, match="sensors"):
        harness_block(split, places=places, **{**rules, "sensors": 3})
    split, places, rules = drawn(np.random.default_rng(1), 5)
    with pytest.raises(ValueError, match="groups per module"):
        harness_block(split, places=places, per_module=split, **rules)
