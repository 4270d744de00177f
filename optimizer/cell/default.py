"""A cell's model when no curves are at hand: its catalog row, its chemistry's curve, and a stated split.

The catalog gives the resistance after 10 s (DCIR). How much of it is there at once, how much a lasting load
adds, and how far the surface trails the mean, is taken from the chemistry. These figures are rounded from fits
of published electrochemical parameter sets (tests/outside/reference): right in kind, not for any one cell. A
cell fitted by `cellstow characterize` is worth more.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from optimizer.base.arrays import Floats
from optimizer.brief import Ageing
from optimizer.catalog import Cells
from optimizer.cell.ageing import aged
from optimizer.cell.laws import REFERENCE_TEMP_C, USUAL
from optimizer.cell.model import TAU1_S, TAU2_S, CellModel, pulse_resistance_ohm, thermal_voltage_v
from optimizer.cell.stored import from_stored

POINTS = 101
PULSE_S = 10.0
# SoC at which a datasheet's DCIR is taken: common practice, no published source.
DCIR_SOC = 0.5
# No more than this part of the DCIR may be the lag of the surface within the pulse: where a chemistry's usual
# diffusion would take more, the cell is a power type with thinner electrodes, and diffuses faster.
LAG_PART = 0.3


@dataclass(frozen=True)
class Split:
    """What a chemistry says of a cell's resistance beyond its DCIR.

    Parameters
    ----------
    at_once : float
        Part of the DCIR, lag left out, that is there within 0.1 s [-].
    slow : float
        What a load of many minutes adds, as a part of the DCIR, lag left out [-].
    low_soc : float
        How much the resistance has grown at empty, over that at half charge less 1 [-].
    diffusion_s : float
        Radius squared over diffusivity of the slower electrode [s].
    kinetic : float
        Part of the DCIR, lag left out, that is charge transfer at 1C and 25 degC; of at_once [-].
    """

    at_once: float
    slow: float
    low_soc: float
    diffusion_s: float
    kinetic: float


SPLITS = {
    "NMC": Split(at_once=0.65, slow=0.25, low_soc=0.8, diffusion_s=3000.0, kinetic=0.35),
    "NCA": Split(at_once=0.65, slow=0.25, low_soc=0.8, diffusion_s=3000.0, kinetic=0.20),
    "LFP": Split(at_once=0.60, slow=0.35, low_soc=1.0, diffusion_s=2000.0, kinetic=0.35),
    "LTO": Split(at_once=0.70, slow=0.25, low_soc=0.5, diffusion_s=1000.0, kinetic=0.30),
    "Na-ion": Split(at_once=0.60, slow=0.35, low_soc=1.0, diffusion_s=3000.0, kinetic=0.35),
}
OTHER = Split(at_once=0.60, slow=0.35, low_soc=1.0, diffusion_s=3000.0, kinetic=0.35)
# Resistance after 10 s at 1C and -10 degC over that at 25 degC: least and most of published sets, and of cells without
# any a judgement. tests/test_cell_default.py holds the defaults within.
COLD_BAND = {"NMC": (1.7, 5.5), "NCA": (2.0, 5.0), "LFP": (2.0, 5.0)}
OTHER_BAND = (1.5, 5.0)
# Below this, figures rest on temperature laws so much that it is said where they are defaults [degC].
COLD_C = 15.0
# Charge transfer at 1C over 2RT/F is no more than this; what a cell of more resistance has beyond it is ohmic.
MOST_KINETIC = 3.0
# Width in SoC of the rise towards empty [-].
LOW_SOC_WIDTH = 0.1


def default_model(
    chemistry: str,
    *,
    capacity_ah: float,
    dcir_ohm: float,
    ocv_v: Floats,
    voltage_min_v: float,
    voltage_max_v: float,
    current_continuous_a: float,
    name: str = "cell",
) -> CellModel:
    """Model of a cell of which only the catalog row is known.

    With a, s, g, T of the chemistry's Split (at once, slow, growth towards empty, diffusion time) and z the state
    of charge:

        shape(z) = (1 + g·exp(−z/0.1)) / (1 + g·exp(−0.5/0.1))
        r = (DCIR − lag) / (a + (1 − a)·(1 − exp(−10/τ1)) + s·(1 − exp(−10/τ2))),  τ1 = 3 s, τ2 = 180 s
        R_ohm = (a − k)·r,  I_0 = 1C / sinh(k·r·1C / (2RT/F)),  R1(z) = (shape(z) − a)·r,  R2(z) = s·shape(z)·r

    k: the part of charge transfer, which is k·r at 1C and 25 °C and saturates in the cold; each part with the usual
    temperature law (laws.USUAL).

    lag: drop of the OCV by the surface's lag after 10 s at 1C and half charge, over the current. Where it is more
    than LAG_PART of the DCIR, T is taken a fifth less, again and again, until it is not.

    Parameters
    ----------
    chemistry : str
        Key of SPLITS; OTHER applies to any other.
    capacity_ah, dcir_ohm : float
        Above 0 [Ah], drop after 10 s over current at half charge and 25 °C [ohm].
    ocv_v : ndarray, shape (POINTS,)
        Open-circuit voltage on SoC 0 to 1 in even steps, never falling [V].
    voltage_min_v, voltage_max_v : float
        [V]
    current_continuous_a : float
        Rated; beyond it the model extrapolates [A].

    Returns
    -------
    CellModel
        Its resistance after 10 s at half charge is dcir_ohm.

    Raises
    ------
    ValueError
        If capacity or resistance is not above 0, or the curve has the wrong length.
    """
    if not (capacity_ah > 0 and dcir_ohm > 0):
        raise ValueError(f"capacity and DCIR must be above 0, found {capacity_ah:g} Ah, {dcir_ohm:g} ohm")
    if np.shape(ocv_v) != (POINTS,):
        raise ValueError(f"ocv_v must have shape ({POINTS},), found {np.shape(ocv_v)}")
    split = SPLITS.get(chemistry, OTHER)
    soc = np.linspace(0.0, 1.0, POINTS)
    nothing = np.zeros(POINTS)
    bare = CellModel(
        name=name,
        chemistry=chemistry,
        source=f"default for {chemistry if chemistry in SPLITS else 'any chemistry'}",
        capacity_ah=capacity_ah,
        soc=soc,
        ocv_v=np.asarray(ocv_v, dtype=float),
        ocv_fast_v=nothing,
        r_ohmic_ohm=0.0,
        exchange_a=np.full(POINTS, np.inf),
        r1_ohm=nothing,
        r2_ohm=nothing,
        tau1_s=TAU1_S,
        tau2_s=TAU2_S,
        diffusion_slow_s=split.diffusion_s,
        diffusion_fast_s=split.diffusion_s,
        current_limit_a=np.inf,
        reference_current_a=capacity_ah,
        current_fitted_a=current_continuous_a,
        voltage_max_v=voltage_max_v,
        voltage_min_v=voltage_min_v,
    )
    bare, lag_ohm = _with_lag_within(bare, LAG_PART * dcir_ohm)
    shape = (1.0 + split.low_soc * np.exp(-soc / LOW_SOC_WIDTH)) / (
        1.0 + split.low_soc * np.exp(-DCIR_SOC / LOW_SOC_WIDTH)
    )
    grown1, grown2 = (-np.expm1(-PULSE_S / tau) for tau in (TAU1_S, TAU2_S))
    # (at_once + part1·grown1 + slow·grown2) · r = DCIR less lag, with at_once + part1 = 1.
    unit = split.at_once + (1.0 - split.at_once) * grown1 + split.slow * grown2
    ohm = (dcir_ohm - lag_ohm) / unit
    asked = min(split.kinetic * ohm * capacity_ah / float(thermal_voltage_v(REFERENCE_TEMP_C)), MOST_KINETIC)
    kinetic_ohm = asked * float(thermal_voltage_v(REFERENCE_TEMP_C)) / capacity_ah
    return replace(
        bare,
        r_ohmic_ohm=split.at_once * ohm - kinetic_ohm,
        exchange_a=np.full(POINTS, capacity_ah / np.sinh(asked)),
        laws=USUAL,
        r1_ohm=((1.0 - split.at_once) * shape + split.at_once * (shape - 1.0)) * ohm,
        r2_ohm=split.slow * shape * ohm,
    )


def cell_models(cells: Cells, rows: NDArray[np.int64], *, ageing: Ageing) -> list[CellModel]:
    """Model of each chosen cell, aged: that of its file, else its OCV curve and the default split of its DCIR.

    Parameters
    ----------
    rows : ndarray of int, shape (n,)
        Rows of the catalog.
    ageing : Ageing
        Capacity left and resistance grown.
    """
    curves = cells.ocv_v(np.linspace(0.0, 1.0, POINTS))
    models = []
    for row in rows:
        fitted = cells.fitted_of(int(row))
        known = {
            "capacity_ah": float(cells.capacity_ah[row]),
            "dcir_ohm": float(cells.dcir_mohm[row]) * 1e-3,
            "voltage_min_v": float(cells.voltage_min_v[row]),
            "voltage_max_v": float(cells.voltage_max_v[row]),
        }
        chemistry, name = str(cells.chemistry[row]), str(cells.id[row])
        continuous = float(cells.current_continuous_a[row])
        if fitted is not None:
            model = from_stored(fitted, chemistry=chemistry, name=name, **known)
        else:
            model = default_model(chemistry, ocv_v=curves[row], current_continuous_a=continuous, name=name, **known)
        models.append(
            aged(
                model, capacity_fraction=ageing.capacity_fraction, resistance_factor=ageing.resistance_factor
            )
        )
    return models


def _with_lag_within(model: CellModel, most_ohm: float) -> tuple[CellModel, float]:
    """The model with diffusion so fast that its lag takes no more than this in the pulse, and what it takes."""
    for _ in range(60):
        drop = pulse_resistance_ohm(model, seconds=PULSE_S)
        lag_ohm = float(np.interp(DCIR_SOC, model.soc, drop))
        if lag_ohm <= most_ohm:
            break
        faster = 0.8
        model = replace(
            model,
            diffusion_slow_s=model.diffusion_slow_s * faster,
            diffusion_fast_s=model.diffusion_fast_s * faster,
        )
    return model, lag_ohm
