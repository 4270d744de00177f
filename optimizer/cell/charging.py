"""Charging at constant current and then at constant voltage, and the most power a cell gives for some seconds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.base.arrays import Floats
from optimizer.base.constants import CELSIUS_K
from optimizer.cell.kernel import run_charge
from optimizer.cell.laws import REFERENCE_TEMP_C
from optimizer.cell.model import CellModel
from optimizer.cell.steps import Heat, heated, law_rows, pack, step_packed


@dataclass(frozen=True, eq=False)
class Charge:
    """A charge at constant current, then at constant voltage; time_s, voltage_v, current_a (> 0), soc, temp_c (n,)."""

    time_s: Floats
    voltage_v: Floats
    current_a: Floats
    soc: Floats
    temp_c: Floats

    def minutes_to(self, soc: float) -> float:
        """When a mean state of charge is reached [min]; infinite if it is not."""
        if self.soc[0] >= soc:
            return 0.0
        if self.soc[-1] < soc:
            return float("inf")
        return float(np.interp(soc, self.soc, self.time_s) / 60.0)

    @property
    def minutes(self) -> float:
        """How long it takes [min]."""
        return float(self.time_s[-1] / 60.0)


END_C_RATE = 0.05
CHARGE_STEP_S = 5.0
MOST_CHARGE_STEPS = 60_000


def charge(
    model: CellModel,
    *,
    current_a: float,
    start_soc: float = 0.0,
    temp_c: float = REFERENCE_TEMP_C,
    heat: Heat | None = None,
) -> Charge:
    """Constant current up to the full voltage, held there until the current has fallen to 0.05C; from rest.

    A current below 0.05C ends at the full voltage.

    Parameters
    ----------
    current_a : float
        Above 0 [A].
    start_soc : float
        [-]
    temp_c : float
        Of the air, and of the cell at the start [degC].
    heat : Heat, optional
        The cell stays at temp_c if left out.

    Raises
    ------
    ValueError
        If the current is not above 0, or the charge does not end.
    """
    if not current_a > 0:
        raise ValueError("current_a must be above 0")
    rows = law_rows(model.laws)
    numbers, tables = pack(model)
    base, warming = heated(numbers, rows, temp_c, heat)
    step_s = CHARGE_STEP_S * max(1.0, 0.1 * model.capacity_ah / current_a)
    out = np.empty((MOST_CHARGE_STEPS, 5))
    count = run_charge(current_a, model.voltage_max_v, END_C_RATE * model.capacity_ah, step_s, base, tables,
                       *model.lag_chain, start_soc, rows, warming, out)  # fmt: skip
    if count == len(out):
        raise ValueError("the charge does not end")
    time_s, volt, amp, soc, kelvin = np.vstack([[0.0, np.nan, current_a, start_soc, temp_c + CELSIUS_K], out[:count]]).T
    volt[0], amp[0] = volt[1], amp[1]  # a current that is too much from the start never flows
    return Charge(time_s, volt, amp, soc, kelvin - CELSIUS_K)


def peak_power_w(
    model: CellModel,
    *,
    soc: float,
    seconds: float = 10.0,
    cutoff_v: float | None = None,
    temp_c: float = REFERENCE_TEMP_C,
    heat: Heat | None = None,
) -> float:
    """Most constant power that a cell at rest gives for some seconds, no voltage under the cut-off.

    Parameters
    ----------
    soc : float
        At the start [-].
    seconds : float
        [s]
    cutoff_v : float, optional
        The model's least voltage if left out [V].
    temp_c : float
        Of the air, and of the cell at the start [degC].
    heat : Heat, optional
        The cell stays at temp_c if left out.

    Returns
    -------
    float
        [W]; 0 if the cell at rest is at its cut-off.
    """
    floor_v = model.voltage_min_v if cutoff_v is None else cutoff_v
    grid = np.concatenate([[0.0], np.geomspace(1e-3, 1.0, 40)]) * seconds
    packed, rows = pack(model), law_rows(model.laws)

    def lasts(watt: float) -> bool:
        load = np.full(len(grid), watt)
        _, reached = step_packed(
            packed,
            chain=model.lag_chain,
            time_s=grid,
            load=load,
            power=True,
            soc=soc,
            cutoff_v=floor_v,
            laws=rows,
            temp_c=temp_c,
            heat=heat,
        )
        return not reached

    low, high = 0.0, model.capacity_ah * model.voltage_max_v
    while lasts(high) and high < 1e9:
        low, high = high, 2.0 * high
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if lasts(middle) else (low, middle)
    return low
