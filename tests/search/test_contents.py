"""Entries of a pack: the same for one choice and for many, and a new one shows in the batch and in the bill."""

import numpy as np
import pytest

from optimizer.catalog import builtin_catalogs
from optimizer.pack.bill import bill_table, pieces_line, totals
from optimizer.search.space import plating, ways
from optimizer.search.space.contents import Amounts, entries
from optimizer.search.space.setup import load_space

METRIC = {"case_mm3": 4e5, "case_fasteners": 8.0, "case_bodies": 2.0, "tie_mm3": 1e4, "band_mm": 900.0}


@pytest.fixture(scope="module")
def space():
    return load_space(builtin_catalogs() / "briefs" / "quick-36v.toml")


def amounts(cells, cases):
    return Amounts(cells=cells, cases=cases, leads=11.0, plugs=cases + 1.0, lead_mm=5000.0, metric=METRIC)


def test_many_choices_at_once_are_the_choices_one_by_one(space):
    """Closed form: sums of arrays are the arrays of sums."""
    cells, cases = np.array([[20.0], [40.0], [90.0]]), np.array([[1.0], [2.0], [3.0]])
    mass, cost, _ = totals(entries(space, amounts(cells, cases)))
    for k in range(3):
        one = totals(entries(space, amounts(float(cells[k, 0]), float(cases[k, 0]))))
        assert (mass[k, 0], cost[k, 0]) == pytest.approx(one[:2], rel=1e-12)


def test_only_what_the_packs_current_flows_through_has_resistance(space):
    """Balance and sensor wires are of metres, and add none; connectors of power wires do."""
    found = {line.item: line for line in entries(space, amounts(20.0, 1.0))}
    plug = space.brief.power_connector
    assert found["balance and sensor wire"].mass_kg > 0
    assert {item for item, line in found.items() if line.ohm} == ({"power connector"} if plug else set())


def test_a_new_part_is_one_entry(space, monkeypatch):
    """A heat sink for each case, put among the entries alone: bill and batch of the search both have it."""
    def with_sink(space, amounts):
        return [*entries(space, amounts), pieces_line("heat sink", count=amounts.cases, mass_g=40.0, price=3.0)]

    task = next(task for task in space.tasks() if all(space.fills(task)))
    splits = ways.shares_of(space, task).of(10)
    fills = space.fills(task)
    before = plating.plated(space, task, fills, splits)
    monkeypatch.setattr(plating, "entries", with_sink)
    after = plating.plated(space, task, fills, splits)
    cases = splits.modules[before.picks[:, 0]]
    assert after.column("mass_kg") - before.column("mass_kg") == pytest.approx(0.04 * cases, rel=1e-9)
    assert after.column("cost") - before.column("cost") == pytest.approx(3.0 * cases, rel=1e-9)
    table = bill_table(with_sink(space, amounts(20.0, 2.0)), parts={}).set_index("item")
    assert table.loc["heat sink", "mass_g"] == pytest.approx(80.0)
