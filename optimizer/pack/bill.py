"""What a pack weighs and costs, line by line, for many candidates at once or for one as a table.

Totals are sums of lines and nothing else, so that every total can be audited.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from optimizer.base.arrays import Floats, same_kind

COLUMNS = ("item", "part", "quantity", "unit", "unit_price", "mass_g", "cost")


@dataclass(frozen=True, eq=False)
class Line:
    """One line of the bill for every candidate.

    Parameters
    ----------
    item : str
        What it is: "cell", "strip".
    unit : str
        Of the quantity: "pcs", "m", "kg".
    quantity, mass_kg, cost : float or ndarray, shape (n,)
        What is bought; what of it ends in the pack [kg]; [currency].
    unit_price : float or ndarray, shape (n,)
        What one unit of the quantity costs [currency]; quantity · unit_price = cost.
    """

    item: str
    unit: str
    quantity: Floats
    mass_kg: Floats
    cost: Floats
    unit_price: Floats


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
    count: ArrayLike,
    *,
    mass_g: ArrayLike,
    price: ArrayLike,
    break_quantity: ArrayLike = (),
    break_price: ArrayLike = (),
    spare_fraction: ArrayLike = 0.0,
    stock: ArrayLike = np.inf,
) -> tuple[Line, Line]:
    """Cells in the pack, and cells bought beyond: spares and what reaches a cheaper break.

    Parameters
    ----------
    count : int or ndarray, shape (n,)
        In the pack [-].
    mass_g, price : float or ndarray, shape (n,)
        Of one [g], [currency].
    break_quantity, break_price : ndarray, shape (k,) or (n, k)
        See `best_purchase`.
    spare_fraction, stock : float or ndarray, shape (n,)
        [-]

    Returns
    -------
    cells, spares : Line
        Both at the same unit price; spares weigh nothing in the pack.
    """
    used = np.asarray(count, float)
    bought, cost = best_purchase(
        with_spares(used, spare_fraction=spare_fraction),
        price=price,
        break_quantity=break_quantity,
        break_price=break_price,
        stock=stock,
    )
    some = np.asarray(bought) > 0
    part = np.divide(used, bought, out=np.zeros(np.shape(bought)), where=some)
    # The plain price, or that of the break which the purchase reaches.
    unit = same_kind(np.divide(cost, bought, out=np.full(np.shape(bought), np.nan), where=some))
    mass = used * np.asarray(mass_g, float) * 1e-3
    cells = Line("cell", "pcs", same_kind(used), same_kind(mass), same_kind(cost * part), unit)
    over = same_kind(np.asarray(bought - used))
    return cells, Line("spare cell", "pcs", over, same_kind(0.0 * mass), same_kind(cost * (1.0 - part)), unit)


def strip_line(
    length_mm: ArrayLike,
    *,
    width_mm: ArrayLike,
    thickness_mm: ArrayLike,
    layers: ArrayLike,
    density_kg_m3: ArrayLike,
    price_per_m: ArrayLike,
) -> Line:
    """Strip by cut length.

    m = ρ · length · width · thickness · layers

    Parameters
    ----------
    length_mm : float or ndarray, shape (n,)
        All pieces of one layer end to end, what overlaps at the welds included [mm].
    width_mm, thickness_mm : float or ndarray, shape (n,)
        Of the strip [mm].
    layers : int or ndarray, shape (n,)
        [-]
    density_kg_m3, price_per_m : float or ndarray, shape (n,)
        [kg/m³], [currency/m]

    Returns
    -------
    Line
        Quantity in metres, all layers.
    """
    metres = np.asarray(length_mm, float) * 1e-3 * np.asarray(layers, float)
    section = np.asarray(width_mm, float) * np.asarray(thickness_mm, float) * 1e-6
    return _priced("strip", "m", metres, metres * section * np.asarray(density_kg_m3, float), price_per_m)


def area_line(item: str, *, area_mm2: ArrayLike, mass_kg: ArrayLike, price_per_mm2: ArrayLike) -> Line:
    """Sheet by the rectangles that its plates are cut from.

    Parameters
    ----------
    item : str
        Name of the line.
    area_mm2 : float or ndarray, shape (n,)
        Bought [mm²].
    mass_kg : float or ndarray, shape (n,)
        Of the plates [kg].
    price_per_mm2 : float or ndarray, shape (n,)
        [currency/mm²]

    Returns
    -------
    Line
        Quantity in square metres.
    """
    area = np.asarray(area_mm2, float) * 1e-6
    return _priced(item, "m²", area, np.asarray(mass_kg, float), np.asarray(price_per_mm2, float) * 1e6)


def pieces_line(item: str, *, count: ArrayLike, mass_g: ArrayLike, price: ArrayLike) -> Line:
    """Things bought by the piece: insulation, connectors, BMS, fuse.

    Parameters
    ----------
    item : str
        Name of the line.
    count : int or ndarray, shape (n,)
        [-]
    mass_g, price : float or ndarray, shape (n,)
        Of one [g], [currency].
    """
    number = np.asarray(count, float)
    return _priced(item, "pcs", number, number * np.asarray(mass_g, float) * 1e-3, price)


def wire_line(item: str, *, length_mm: ArrayLike, mass_g_per_m: ArrayLike, price_per_m: ArrayLike) -> Line:
    """Wire by length.

    Parameters
    ----------
    item : str
        Name of the line: "power wire", "balance and sensor wire".
    length_mm : float or ndarray, shape (n,)
        [mm]
    mass_g_per_m, price_per_m : float or ndarray, shape (n,)
        [g/m], [currency/m]
    """
    metres = np.asarray(length_mm, float) * 1e-3
    return _priced(item, "m", metres, metres * np.asarray(mass_g_per_m, float) * 1e-3, price_per_m)


def material_line(item: str, *, mass_kg: ArrayLike, price_per_kg: ArrayLike) -> Line:
    """Material by mass: printed cases, walls of a box that is still to be made.

    Parameters
    ----------
    item : str
        Name of the line.
    mass_kg, price_per_kg : float or ndarray, shape (n,)
        [kg], [currency/kg]
    """
    mass = np.asarray(mass_kg, float)
    return _priced(item, "kg", mass, mass, price_per_kg)


def _priced(item: str, unit: str, quantity: Floats, mass_kg: Floats, unit_price: ArrayLike) -> Line:
    """A line that costs quantity times price."""
    price = np.asarray(unit_price, float)
    return Line(
        item, unit, same_kind(quantity), same_kind(mass_kg), same_kind(quantity * price), same_kind(price)
    )


def totals(lines: Sequence[Line]) -> tuple[Floats, Floats]:
    """Mass and cost of all lines.

    Parameters
    ----------
    lines : sequence of Line
        At least one.

    Returns
    -------
    mass_kg, cost : ndarray, shape (n,)
        [kg], [currency]

    Raises
    ------
    ValueError
        If there is no line.
    """
    if not lines:
        raise ValueError("a bill needs at least one line")
    mass, cost = np.zeros(()), np.zeros(())
    for line in lines:
        mass, cost = mass + line.mass_kg, cost + line.cost
    return same_kind(mass), same_kind(cost)


def bill_table(lines: Sequence[Line], *, parts: Mapping[str, str], index: int = 0) -> pd.DataFrame:
    """The bill of one candidate; lines of nothing are left out.

    Parameters
    ----------
    lines : sequence of Line
    parts : mapping of str to str
        Catalog id by item, where the item has one.
    index : int
        Candidate.

    Returns
    -------
    DataFrame
        Columns COLUMNS; mass [g], unit price of one of the unit and cost [currency].
    """
    rows = []
    for line in lines:
        quantity, price, mass, cost = (
            float(np.ravel(values)[index if np.size(values) > 1 else 0])
            for values in (line.quantity, line.unit_price, line.mass_kg, line.cost)
        )
        if quantity:
            rows.append((line.item, parts.get(line.item, ""), quantity, line.unit, price, mass * 1e3, cost))
    return pd.DataFrame(rows, columns=list(COLUMNS))
