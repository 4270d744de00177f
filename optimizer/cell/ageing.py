"""A cell's model after years of use: less capacity, more resistance."""

from __future__ import annotations

from dataclasses import replace

from optimizer.cell.model import CellModel


def aged(model: CellModel, *, capacity_fraction: float = 1.0, resistance_factor: float = 1.0) -> CellModel:
    """The same cell after years: less capacity, more resistance.

    Parameters
    ----------
    capacity_fraction : float
        What is left of the capacity, above 0 [-].
    resistance_factor : float
        On every resistance, above 0 [-].

    Raises
    ------
    ValueError
        If a factor is not above 0.
    """
    if capacity_fraction <= 0 or resistance_factor <= 0:
        raise ValueError("capacity_fraction and resistance_factor must be above 0")
    return replace(
        model,
        capacity_ah=model.capacity_ah * capacity_fraction,
        r_ohmic_ohm=model.r_ohmic_ohm * resistance_factor,
        exchange_a=model.exchange_a / resistance_factor,
        exchange_fast_a=None if model.exchange_fast_a is None else model.exchange_fast_a / resistance_factor,
        r1_ohm=model.r1_ohm * resistance_factor,
        r2_ohm=model.r2_ohm * resistance_factor,
    )
