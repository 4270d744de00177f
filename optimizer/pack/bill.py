"""What a pack weighs and costs, line by line, and what cells cost with their spares and price breaks.

Totals are sums of lines and nothing else, so that every total can be audited. A line is of one pack, in numbers, or of
many at once, in arrays.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from optimizer.base.arrays import Floats, same_kind

Num = float | Floats

COLUMNS = ("item", "part", "quantity", "unit", "unit_price", "mass_g", "cost")


@dataclass(frozen=True, eq=False)
class Line:
    """One line of a pack's bill, or of the bills of n packs.

    Parameters
    ----------
    item : str
        What it is: "cell", "strip".
    unit : str
        Of the quantity: "pcs", "m", "kg".
    quantity, mass_kg, unit_price, cost : float or ndarray
        What is bought; what of it ends in the pack [kg]; what one unit of the quantity costs [currency], and all of it,
        quantity · unit_price = cost.
    ohm : float or ndarray
        In the path of the pack's current [ohm].
    """

    item: str
    unit: str
    quantity: Num
    mass_kg: Num
    unit_price: Num
    cost: Num
    ohm: Num = 0.0


def with_spares(count: ArrayLike, *, spare_fraction: ArrayLike) -> Floats:
    """Pieces to have at hand: the count and its spares, rounded up.

    Parameters
    ----------
    count : int or ndarray, shape (n,)
        In the pack [-].
    spare_fraction : float or ndarray, shape (n,)
        [-]

    Returns
    -------
    ndarray, shape (n,)
        [-]

    Raises
    ------
    ValueError
        If the fraction is negative.

    >>> float(with_spares(80, spare_fraction=0.05))
    84.0
    """
    fraction = np.asarray(spare_fraction, float)
    if np.any(fraction < 0):
        raise ValueError("spare_fraction must not be negative")
    # 100 × 1.05 is a hair over 105 in binary: a hair buys no cell.
    return same_kind(np.ceil(np.asarray(count, float) * (1.0 + fraction) - 1e-9))


def best_purchase(
    need: ArrayLike,
    *,
    price: ArrayLike,
    break_quantity: ArrayLike = (),
    break_price: ArrayLike = (),
    stock: ArrayLike = np.inf,
) -> tuple[Floats, Floats]:
    """Quantity of at least the need that costs least, and its cost.

    The unit price at a quantity is that of the largest break reached, the plain price below all. Between
    breaks cost grows with quantity, so the optimum is the need itself or a break above it: buying up to a
    break can be cheaper than buying the need. On equal cost the smaller quantity is bought.

    Parameters
    ----------
    need : float or ndarray, shape (n,)
        Pieces [-].
    price : float or ndarray, shape (n,)
        Of one below all breaks [currency].
    break_quantity, break_price : ndarray, shape (k,) or (n, k)
        From which quantity on, and the price of one then; infinite quantities fill short rows. Any order.
    stock : float or ndarray, shape (n,)
        Most that can be had: a break above it is out of reach. A need above it is left to the caller.

    Returns
    -------
    quantity, cost : ndarray, shape (n,)
        [-], [currency]

    Raises
    ------
    ValueError
        If breaks and their prices differ in shape.

    >>> [float(v) for v in best_purchase(95, price=5.0, break_quantity=[100], break_price=[4.0])]
    [100.0, 400.0]
    """
    wanted, steps = np.asarray(need, float), np.asarray(break_quantity, float)
    prices = np.asarray(break_price, float)
    if steps.shape != prices.shape:
        raise ValueError("break_quantity and break_price must have the same shape")
    order = np.argsort(steps, axis=-1)
    steps, prices = np.take_along_axis(steps, order, -1), np.take_along_axis(prices, order, -1)
    unit = np.asarray(price, float) + np.zeros(wanted.shape)
    for k in range(steps.shape[-1]):
        unit = np.where(steps[..., k] <= wanted, prices[..., k], unit)
    quantity, cost = wanted, wanted * unit
    for k in range(steps.shape[-1]):
        step = steps[..., k]
        reachable = np.isfinite(step) & (step > wanted) & (step <= np.asarray(stock, float))
        there = np.where(reachable, np.where(np.isfinite(step), step, 0.0) * prices[..., k], np.inf)
        quantity, cost = np.where(there < cost, step, quantity), np.minimum(there, cost)
    return same_kind(quantity), same_kind(cost)


def cell_lines(
    count: int,
    *,
    mass_g: float,
    price: float,
    break_quantity: ArrayLike = (),
    break_price: ArrayLike = (),
    spare_fraction: float = 0.0,
    stock: float = np.inf,
) -> tuple[Line, Line]:
    """Cells in the pack, and cells bought beyond: spares and what reaches a cheaper break.

    Parameters
    ----------
    count : int
        In the pack [-].
    mass_g, price : float
        Of one [g], [currency].
    break_quantity, break_price : ndarray, shape (k,)
        See `best_purchase`.
    spare_fraction, stock : float
        [-]

    Returns
    -------
    cells, spares : Line
        Both at the same unit price; spares weigh nothing in the pack.
    """
    bought, cost = (
        float(value)
        for value in best_purchase(
            with_spares(count, spare_fraction=spare_fraction), price=price, break_quantity=break_quantity,
            break_price=break_price, stock=stock,
        )
    )  # fmt: skip
    part = count / bought if bought else 0.0
    # The plain price, or that of the break which the purchase reaches.
    unit = cost / bought if bought else np.nan
    cells = Line("cell", "pcs", float(count), count * float(mass_g) * 1e-3, unit, cost * part)
    return cells, Line("spare cell", "pcs", bought - count, 0.0, unit, cost * (1.0 - part))


def priced(item: str, unit: str, quantity: Num, *, mass_kg: Num, price: Num, ohm: Num = 0.0) -> Line:
    """A line that costs quantity times price."""
    return Line(item, unit, quantity, mass_kg, price, quantity * price, ohm)


def pieces_line(item: str, *, count: Num, mass_g: Num, price: Num, mohm: Num = 0.0) -> Line:
    """Things bought by the piece, such as connectors: mass [g], price and resistance [mohm] of one."""
    return priced(item, "pcs", count, mass_kg=count * mass_g * 1e-3, price=price, ohm=count * mohm * 1e-3)


def wire_line(item: str, *, length_mm: Num, mass_g_per_m: Num, price_per_m: Num, ohm_per_km: Num = 0.0) -> Line:
    """Wire by length [mm]: mass, price and resistance by length [g/m], [currency/m], [ohm/km]."""
    metres = length_mm * 1e-3
    return priced(
        item, "m", metres, mass_kg=metres * mass_g_per_m * 1e-3, price=price_per_m, ohm=metres * ohm_per_km * 1e-3
    )


def totals(lines: Sequence[Line]) -> tuple[Num, Num, Num]:
    """Mass, cost and resistance of all lines [kg], [currency], [ohm]."""
    mass_kg: Num = 0.0
    cost: Num = 0.0
    ohm: Num = 0.0
    for line in lines:
        mass_kg, cost, ohm = mass_kg + line.mass_kg, cost + line.cost, ohm + line.ohm
    return mass_kg, cost, ohm


def bill_table(lines: Sequence[Line], *, parts: Mapping[str, str]) -> pd.DataFrame:
    """The bill of one pack as a table; lines of nothing are left out.

    Parameters
    ----------
    parts : mapping of str to str
        Catalog id by item, where the item has one.

    Returns
    -------
    DataFrame
        Columns COLUMNS; mass [g], unit price of one of the unit and cost [currency].
    """
    rows = [
        (x.item, parts.get(x.item, ""), float(x.quantity), x.unit, float(x.unit_price), float(x.mass_kg) * 1e3,
         float(x.cost))
        for x in lines if x.quantity
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=list(COLUMNS))
