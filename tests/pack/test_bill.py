"""The bill: purchases against trying every quantity, lines by hand, totals as sums."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.pack import bill


@settings(max_examples=100, deadline=None)
@given(
    need=st.integers(0, 60),
    price=st.floats(0.5, 9.0),
    steps=st.dictionaries(st.integers(1, 80), st.floats(0.5, 9.0), max_size=4),
    stock=st.one_of(st.just(np.inf), st.integers(60, 90)),
)
def test_purchase_against_every_quantity(
    need: int, price: float, steps: dict[int, float], stock: float
) -> None:
    """Brute force over all quantities up to the stock."""

    def cost(quantity: int) -> float:
        reached = [step for step in steps if step <= quantity]
        return quantity * (steps[max(reached)] if reached else price)

    quantity, paid = bill.best_purchase(
        need, price=price, break_quantity=list(steps), break_price=list(steps.values()), stock=stock
    )
    tried = {q: cost(q) for q in range(need, int(min(stock, 100)) + 1)}
    assert float(paid) == pytest.approx(min(tried.values()), rel=1e-12)
    assert tried[int(quantity)] == pytest.approx(float(paid), rel=1e-12)


def test_purchase_of_many_cells_at_once() -> None:
    steps = np.array([[50.0, 100.0], [200.0, np.inf], [np.inf, np.inf]])
    prices = np.array([[4.5, 4.0], [1.0, 0.0], [0.0, 0.0]])
    quantity, cost = bill.best_purchase(
        [95, 90, 10], price=[5.0, 2.0, 3.0], break_quantity=steps, break_price=prices
    )
    assert quantity.tolist() == [100.0, 90.0, 10.0]
    assert cost.tolist() == [400.0, 180.0, 30.0]
    for k in range(3):
        one = bill.best_purchase(
            [95, 90, 10][k], price=[5.0, 2.0, 3.0][k], break_quantity=steps[k], break_price=prices[k]
        )
        assert one == (quantity[k], cost[k])


def test_a_tie_buys_less() -> None:
    quantity, cost = bill.best_purchase(80, price=5.0, break_quantity=[100], break_price=[4.0])
    assert (quantity, cost) == (80.0, 400.0)


def test_spares_round_up_but_not_for_rounding_errors() -> None:
    assert bill.with_spares([100, 101, 20, 140], spare_fraction=0.05).tolist() == [105, 107, 21, 147]
    assert bill.with_spares(80, spare_fraction=0.0) == 80.0
    with pytest.raises(ValueError, match="spare_fraction"):
        bill.with_spares(80, spare_fraction=-0.1)


def test_cells_and_spares() -> None:
    # Closed form: 80 cells, 5 % spares: 84 at 4.20 = 352.80; 80 × 48 g in the pack.
    cells, spares = bill.cell_lines(80, mass_g=48.0, price=4.2, spare_fraction=0.05)
    assert (cells.quantity, spares.quantity) == (80.0, 4.0)
    assert cells.mass_kg == pytest.approx(3.84)
    assert spares.mass_kg == 0.0
    assert cells.cost == pytest.approx(336.0)
    assert spares.cost == pytest.approx(16.8)


def test_a_break_buys_more_spares() -> None:
    cells, spares = bill.cell_lines(
        90, mass_g=48.0, price=5.0, break_quantity=[100], break_price=[4.0], spare_fraction=0.05
    )
    assert spares.quantity == 10.0
    assert cells.cost + spares.cost == pytest.approx(400.0)


def whole_bill(cells: int) -> list[bill.Line]:
    metres = cells * 0.025
    return [
        *bill.cell_lines(cells, mass_g=48.0, price=4.2, spare_fraction=0.05),
        bill.priced("strip", "m", metres, mass_kg=metres * 1.2e-6 * 8900.0, price=1.5),
        bill.pieces_line("insulation", count=cells, mass_g=0.3, price=0.05),
        bill.priced("case", "kg", cells * 0.006, mass_kg=cells * 0.006, price=25.0),
        bill.wire_line("power wire", length_mm=900.0, mass_g_per_m=70.0, price_per_m=2.0),
        bill.pieces_line("BMS", count=1, mass_g=180.0, price=60.0),
        bill.pieces_line("box wall", count=0, mass_g=100.0, price=60.0),
    ]


@pytest.mark.parametrize("cells", [40, 80])
def test_totals_are_the_sums_of_the_lines(cells: int) -> None:
    lines = whole_bill(cells)
    mass, cost, _ = bill.totals(lines)
    table = bill.bill_table(lines, parts={"cell": "invented-1"})
    assert table["mass_g"].sum() / 1e3 == pytest.approx(mass, rel=1e-12)
    assert table["cost"].sum() == pytest.approx(cost, rel=1e-12)
    assert "box wall" not in table["item"].tolist()
    assert table.loc[table["item"] == "cell", "part"].tolist() == ["invented-1"]
    if cells == 80:
        # Closed form: 3.84 + 0.02136 + 0.024 + 0.48 + 0.063 + 0.18 kg; 352.80 + 3.00 + 4.00 + 12.00 + 1.80 + 60.00
        assert mass == pytest.approx(3.84 + 2.0 * 1.2e-6 * 8900 + 0.024 + 0.48 + 0.063 + 0.18, rel=1e-12)
        assert cost == pytest.approx(352.8 + 3.0 + 4.0 + 12.0 + 1.8 + 60.0, rel=1e-12)


def test_a_line_is_quantity_times_unit_price() -> None:
    table = bill.bill_table(whole_bill(96), parts={}).set_index("item")
    assert (table["quantity"] * table["unit_price"]).tolist() == pytest.approx(table["cost"].tolist(), rel=1e-12)
    # What the catalogs and the brief ask for one of each.
    asked = {"cell": 4.2, "spare cell": 4.2, "strip": 1.5, "insulation": 0.05, "case": 25.0, "power wire": 2.0,
             "BMS": 60.0}  # fmt: skip
    assert table["unit_price"].to_dict() == pytest.approx(asked, rel=1e-12)


def test_the_unit_price_of_cells_is_that_of_the_break_reached() -> None:
    # 95 cells and no spares: 100 at 4.0 cost less than 95 at 5.0, so that the five over are bought at 4.0 too.
    for count, price, paid in ((10, 5.0, (50.0, 0.0)), (95, 4.0, (380.0, 20.0))):
        lines = bill.cell_lines(count, mass_g=48.0, price=5.0, break_quantity=[100], break_price=[4.0])
        assert [line.unit_price for line in lines] == [price, price]
        assert [line.cost for line in lines] == pytest.approx(paid, abs=1e-9)
    nothing = bill.cell_lines(0, mass_g=48.0, price=5.0)
    assert np.isnan(nothing[0].unit_price) and bill.bill_table(nothing, parts={}).empty


def test_misuse_is_refused() -> None:
    with pytest.raises(ValueError, match="same shape"):
        bill.best_purchase(5, price=1.0, break_quantity=[10], break_price=[])
