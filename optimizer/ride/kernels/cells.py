"""Cell models side by side in arrays, as the ride kernels read them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from optimizer.base.arrays import Floats
from optimizer.base.constants import CELSIUS_K
from optimizer.cell.laws import PARTS, REFERENCE_TEMP_C, factors
from optimizer.cell.model import (
    LAG_GAINS,
    LAG_RATES,
    CellModel,
    pulse_resistance_ohm,
)

# Columns of the table of numbers per cell that the kernels read.
CAPACITY, TAU1, TAU2, LAG, LAG_TAU, ACTIVATION, REFERENCE_K, V_MIN, V_MAX = range(9)
SHARE1, SHARE2, SHARE_LAG = 9, 10, 11
FIELDS = 12
# Mean delay of a surface's lag over its steady value.
LAG_DELAY = float((LAG_GAINS / LAG_RATES).sum() / LAG_GAINS.sum()) * 15.0
# By which a surface leads the mean in charges at half a C, roughly: 0.02 to 0.07 in published sets [-].
CHARGE_LEAD = 0.08
# Over which a cell warms in a ride, roughly [K].
WARMER_K = 10.0


@dataclass(frozen=True, eq=False)
class CellArrays:
    """Electrical models of several cells on one uniform SoC grid.

    Terminal voltage of a cell at current I (discharge > 0):
    V = OCV(z − lag) − I·R0 − v1 − v2, with τ1·dv1/dt = I·R1 − v1, τ2·dv2/dt = I·R2 − v2 and the lag of the
    surface SoC behind the mean running towards lag_s·I/(3600·capacity) with its own time constant. All
    resistances scale with exp(E·(1/T − 1/T_ref)), E = activation_k.

    Parameters
    ----------
    ocv_v, r0_ohm, r1_ohm, r2_ohm : ndarray, shape (n_cells, n_soc)
        On SoC 0…1 in even steps; OCV must not fall with SoC, r0 above 0 [V], [ohm].
    capacity_ah, tau1_s, tau2_s, lag_s, lag_tau_s : ndarray, shape (n_cells,)
        Capacity and time constants above 0, lag_s at least 0 [Ah], [s].
    voltage_min_v, voltage_max_v : ndarray, shape (n_cells,)
        Cut-off and full voltage [V].
    activation_k : ndarray, shape (n_cells,)
        Activation energy over the gas constant, at least 0 [K].
    reference_temp_c : ndarray, shape (n_cells,)
        Temperature of the resistances [°C].

    Raises
    ------
    ValueError
        If shapes disagree or a value is out of bounds.
    """

    ocv_v: Floats
    r0_ohm: Floats
    r1_ohm: Floats
    r2_ohm: Floats
    capacity_ah: Floats
    tau1_s: Floats
    tau2_s: Floats
    lag_s: Floats
    lag_tau_s: Floats
    voltage_min_v: Floats
    voltage_max_v: Floats
    activation_k: Floats
    reference_temp_c: Floats

    def __post_init__(self) -> None:
        grids = {"ocv_v": self.ocv_v, "r0_ohm": self.r0_ohm, "r1_ohm": self.r1_ohm, "r2_ohm": self.r2_ohm}
        faults = [
            f"{name} must have shape {self.ocv_v.shape}, found {grid.shape}"
            for name, grid in grids.items()
            if grid.shape != self.ocv_v.shape or grid.ndim != 2 or grid.shape[1] < 2
        ]
        faults += [
            f"{name} must have shape ({self.count},), found {values.shape}"
            for name, values in self._numbers().items()
            if values.shape != (self.count,)
        ]
        if not faults:
            faults = self._value_faults()
        if faults:
            raise ValueError("; ".join(faults))

    @property
    def count(self) -> int:
        """Number of cells."""
        return len(self.ocv_v)

    def of(self, cell: NDArray[np.int64], **changed: Floats) -> CellArrays:
        """Rows of these cells, some values changed; nothing is checked again."""
        out = object.__new__(CellArrays)
        for item in fields(self):
            value = changed[item.name] if item.name in changed else getattr(self, item.name)[cell]
            object.__setattr__(out, item.name, value)
        return out

    def _numbers(self) -> dict[str, Floats]:
        names = ("capacity_ah", "tau1_s", "tau2_s", "lag_s", "lag_tau_s", "activation_k",
                 "reference_temp_c", "voltage_min_v", "voltage_max_v")  # fmt: skip
        return {name: getattr(self, name) for name in names}

    def _value_faults(self) -> list[str]:
        above = ("r0_ohm", "capacity_ah", "tau1_s", "tau2_s", "lag_tau_s")
        least = ("r1_ohm", "r2_ohm", "lag_s", "activation_k")
        faults = [f"{name} must be > 0" for name in above if not np.all(getattr(self, name) > 0)]
        faults += [f"{name} must be >= 0" for name in least if not np.all(getattr(self, name) >= 0)]
        if not np.all(np.diff(self.ocv_v, axis=1) >= 0):
            faults.append("ocv_v must not fall with SoC")
        if not np.all((self.voltage_min_v > 0) & (self.voltage_max_v > self.voltage_min_v)):
            faults.append("voltage_max_v must be above voltage_min_v, and that above 0")
        return faults

    def table(self) -> Floats:
        """Numbers per cell in the kernels' column order, shares of the ride at 0, shape (n_cells, FIELDS)."""
        numbers = self._numbers()
        numbers["reference_temp_c"] = self.reference_temp_c + CELSIUS_K
        out = np.zeros((self.count, FIELDS))
        out[:, : len(numbers)] = np.column_stack(list(numbers.values()))
        return out

    def charging_ohm(self) -> Floats:
        """Resistance of a charge that lasts, by state of charge, the lag of the surface in it [ohm], (n_cells, n_soc).

        R0 + R1 + R2 + lag/(3600·Q) · dOCV/dz, the slope over the CHARGE_LEAD by which the surface is ahead.
        """
        soc = np.linspace(0.0, 1.0, self.ocv_v.shape[1])
        ahead = np.array([np.interp(soc + CHARGE_LEAD, soc, row) for row in self.ocv_v]).reshape(self.ocv_v.shape)
        lag = (self.lag_s / (3600.0 * self.capacity_ah))[:, None] * (ahead - self.ocv_v) / CHARGE_LEAD
        return np.asarray(self.r0_ohm + self.r1_ohm + self.r2_ohm + lag)

    def curves(self) -> Floats:
        """OCV, R0, R1, R2 per grid point, side by side in memory, shape (n_cells, n_soc, 4)."""
        return np.ascontiguousarray(np.stack([self.ocv_v, self.r0_ohm, self.r1_ohm, self.r2_ohm], axis=2))


def from_models(
    models: Sequence[CellModel], *, points: int = 101, temp_c: float = REFERENCE_TEMP_C
) -> CellArrays:
    """Cell models in the form that the ride reads, at a temperature: three resistances and one lag.

    R0 is the drop after 0.1 s over the current, R1 what comes on top until 10 s, R2 what a lasting load adds;
    each less what the lag takes from the OCV by then, so that 0.1 s, 10 s and the lasting drop are the
    model's own at the reference current and the temperature. The model's two surfaces become one, whose steady lag is
    their mean weighted by voltage. A cell that warms from there has one activation energy, that of its 10 s
    resistance at half charge over the next WARMER_K.

    Parameters
    ----------
    models : sequence of CellModel
        At least one.
    points : int
        Length of the SoC grid, at least 2 [-].
    temp_c : float
        Of the cells, and of the air that they warm from [degC].

    Raises
    ------
    ValueError
        If there is no model or fewer than two points.
    """
    if not models or points < 2:
        raise ValueError("from_models needs at least one model and two points")
    soc = np.linspace(0.0, 1.0, points)
    ohms, lag, tau2, activation = zip(*(_at(model, soc=soc, temp_c=temp_c) for model in models), strict=True)
    r0_ohm, r1_ohm, r2_ohm = np.stack(ohms, axis=1)

    def column(values: Sequence[float]) -> Floats:
        return np.array(values, dtype=np.float64)

    capacity = column([m.capacity_ah for m in models])
    lag_s = column(lag)
    return CellArrays(
        ocv_v=np.array([np.maximum.accumulate(np.interp(soc, m.soc, rest_at(m, temp_c))) for m in models]),
        r0_ohm=r0_ohm, r1_ohm=r1_ohm, r2_ohm=r2_ohm, capacity_ah=capacity,
        tau1_s=column([m.tau1_s for m in models]), tau2_s=column(tau2),
        lag_s=lag_s, lag_tau_s=np.maximum(lag_s * LAG_DELAY, 1.0),
        voltage_min_v=column([m.voltage_min_v for m in models]),
        voltage_max_v=column([m.voltage_max_v for m in models]),
        activation_k=column(activation),
        reference_temp_c=np.full(len(models), temp_c),
    )  # fmt: skip


def rest_at(model: CellModel, temp_c: float) -> Floats:
    """Voltage at rest at a temperature over the model's own grid [V]."""
    shift = 0.0 if model.entropic_v_k is None else (temp_c - REFERENCE_TEMP_C) * model.entropic_v_k
    return np.asarray(model.ocv_v + shift)


def _slower(model: CellModel, temp_c: float) -> tuple[float, float]:
    """Steady lag of the surface over the rate of change of charge, and the slow delay, at a temperature [s]."""
    f = dict(zip(PARTS, factors(model.laws, temp_c).tolist(), strict=True))
    there = replace(
        model,
        diffusion_slow_s=model.diffusion_slow_s * f["diffusion_slow"],
        diffusion_fast_s=model.diffusion_fast_s * f["diffusion_fast"],
    )
    return there.lag_soc_per_a * 3600.0 * model.capacity_ah, model.tau2_s * f["minutes"]


def _at(model: CellModel, *, soc: Floats, temp_c: float) -> tuple[Floats, float, float, float]:
    """R0, R1, R2 over the grid, so that the drops after 0.1 s, 10 s and for ever are the model's own; what `_slower`
    tells; and the activation energy over the gas constant of the 10 s resistance at half charge [K].
    """
    amps = model.reference_current_a
    seconds, temps = np.array([0.1, 10.0, np.inf, 10.0]), temp_c + np.array([0.0, 0.0, 0.0, WARMER_K])
    curves = pulse_resistance_ohm(model, seconds=seconds, temp_c=temps)
    first, ten, ever = (np.interp(soc, model.soc, curve) for curve in curves[:3])
    here, warmer = (float(np.interp(0.5, model.soc, curve)) for curve in curves[1::2])
    span = 1.0 / (temp_c + CELSIUS_K) - 1.0 / (temp_c + WARMER_K + CELSIUS_K)
    lag_s, tau2_s = _slower(model, temp_c)
    behind = lag_s * amps / (3600.0 * model.capacity_ah)
    rest = rest_at(model, temp_c)
    lagged = (np.interp(soc, model.soc, rest) - np.interp(soc - behind, model.soc, rest)) / amps
    grown10 = -np.expm1(-10.0 / max(lag_s * LAG_DELAY, 1.0))
    r1 = np.maximum(ten - first - lagged * grown10, 0.0)
    r1 = r1 / -np.expm1(-10.0 / model.tau1_s)
    ohms = np.stack([np.maximum(first, 1e-6), r1, np.maximum(ever - first - r1 - lagged, 0.0)])
    return ohms, lag_s, tau2_s, max(float(np.log(here / warmer)) / span, 0.0)
