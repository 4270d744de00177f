"""One cell's electrical model: what its voltage is under a load, over state of charge, time and temperature.

    V = U_slow(s - l_slow) + U_fast(s - l_fast)
        - I R_ohm - (2 R T / F) asinh(I / I_x(s)) - R1(s) i1 - R2(s) h(i2)

s is the mean state of charge. U_slow + U_fast is the OCV, split between an electrode whose surface trails its
mean for long and one whose surface trails it for a short time; the lags l follow the diffusion into a sphere
and are proportional to the current, so capacity lost at high current has a term of its own. I_x is an exchange
current (Butler-Volmer with equal transfer coefficients). i1 and i2 are the current seen through a first-order
delay of tau1 and tau2; h(i) = I_lim atanh(i / I_lim) grows as the electrolyte runs dry.

Sources: sphere, Crank, The Mathematics of Diffusion (1975) eq. 6.45; kinetics and electrolyte limit, Newman and
Thomas-Alyea, Electrochemical Systems (2004) ch. 8 and 11 (from memory); the split is this project's own.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.base.constants import CELSIUS_K, FARADAY_C_MOL, GAS_CONSTANT_J_MOL_K

Floats = NDArray[np.float64]

REFERENCE_TEMP_C = 25.0
# Time constants of the two delays, where nothing else is known [s]: common practice for cells of 18 to 26 mm, no
# published source. A fit keeps the first.
TAU1_S, TAU2_S = 3.0, 180.0
# Between electrolyte conduction (about 17 kJ/mol) and charge transfer (35 to 60 kJ/mol) of published
# electrochemical parameter sets: common practice for a whole-cell resistance, no single published source.
ACTIVATION_ENERGY_J_MOL = 30_000.0
SOC_POINTS = 1001
SUSTAINED_LIMIT = 2.0
SURGE_LIMIT = 4.0
# Part of the electrolyte's limiting current beyond which its drop goes on straight: at depletion the front of the
# electrode goes on working, so a cell does not stop dead there. Set on published electrochemical parameter sets.
DEPLETION_SHARE = 0.9

# Response of the surface of a sphere to a constant flux, 1/15 - sum 2/(3 z^2) exp(-z^2 t / T) with tan z = z and
# T = radius^2 / diffusivity, as a chain of eight exponentials with rates 20.19 * 4^k: non-negative least
# squares on t/T from 1e-4 up, within 4 %; the gains add up to 1/15.
LAG_RATES = 20.190728556 * 4.0 ** np.arange(8)
LAG_GAINS = np.array([0.034361, 0.015640, 0.008934, 0.003280, 0.002550, 0.001040, 0.0, 0.000862])
LAG_GAINS = LAG_GAINS / (15.0 * LAG_GAINS.sum())


@dataclass(frozen=True, eq=False)
class CellModel:
    """One cell, everything at 25 degC and over one state-of-charge grid.

    Parameters
    ----------
    name, chemistry, source : str
        source says where the numbers come from: "fitted" or "default for NMC".
    capacity_ah : float
        Charge between full and empty at no current [Ah].
    soc : ndarray, shape (n,)
        Uniform from 0 to 1 [-].
    ocv_v : ndarray, shape (n,)
        Voltage at rest [V], never falling.
    ocv_fast_v : ndarray, shape (n,)
        Part of the OCV that follows the fast surface [V]; the rest follows the slow one.
    r_ohmic_ohm : float
        Instantaneous, in proportion to current [ohm].
    exchange_a : ndarray, shape (n,)
        I_x of the kinetic drop [A]; infinite means none.
    r1_ohm, r2_ohm : ndarray, shape (n,)
        Resistance behind a delay of seconds and of minutes [ohm].
    tau1_s, tau2_s : float
        Those delays [s].
    diffusion_slow_s, diffusion_fast_s : float
        Radius squared over diffusivity of the two surfaces [s]; the steady lag is a fifteenth of it times the
        rate of change of state of charge.
    current_limit_a : float
        I_lim of the electrolyte [A]; infinite means none.
    reference_current_a : float
        Current at which resistances are quoted [A].
    current_fitted_a : float
        Highest current that the model has been fitted to [A].
    voltage_max_v, voltage_min_v : float
        Full and cut-off [V].
    current_continuous_a, current_pulse_a, current_charge_a : float
        Rated limits [A]; infinite where not known.
    temp_min_c, temp_max_c : float
        Rated window [degC].
    activation_energy_j_mol : float
        Of the Arrhenius factor [J/mol].
    """

    name: str
    chemistry: str
    source: str
    capacity_ah: float
    soc: Floats
    ocv_v: Floats
    ocv_fast_v: Floats
    r_ohmic_ohm: float
    exchange_a: Floats
    r1_ohm: Floats
    r2_ohm: Floats
    tau1_s: float
    tau2_s: float
    diffusion_slow_s: float
    diffusion_fast_s: float
    current_limit_a: float
    reference_current_a: float
    current_fitted_a: float
    voltage_max_v: float
    voltage_min_v: float
    current_continuous_a: float = np.inf
    current_pulse_a: float = np.inf
    current_charge_a: float = np.inf
    temp_min_c: float = -20.0
    temp_max_c: float = 60.0
    activation_energy_j_mol: float = ACTIVATION_ENERGY_J_MOL

    @property
    def r0_ohm(self) -> Floats:
        """Drop at 0.1 s over current, at the reference current [ohm], shape (n,)."""
        return pulse_resistance_ohm(self, seconds=0.1)

    @property
    def lag_soc_per_a(self) -> float:
        """Steady distance of the mean from the surface state of charge, per ampere [1/A], slope-weighted."""
        return float(_mean_diffusion_s(self) / 15.0 / (3600.0 * self.capacity_ah))


def _mean_diffusion_s(model: CellModel) -> float:
    """Diffusion time of the two surfaces weighted with their part of the OCV's rise [s]."""
    rise = model.ocv_v[-1] - model.ocv_v[0]
    fast = (model.ocv_fast_v[-1] - model.ocv_fast_v[0]) / rise
    return float(fast * model.diffusion_fast_s + (1.0 - fast) * model.diffusion_slow_s)


def temperature_factor(temp_c: ArrayLike, *, activation_energy_j_mol: float = ACTIVATION_ENERGY_J_MOL) -> Floats:
    """How many times the resistance at 25 degC a cell has (Arrhenius).

    f = exp(E / R (1 / T - 1 / T_25))

    Parameters
    ----------
    temp_c : float or ndarray
        Cell temperature, above -273.15 [degC].
    activation_energy_j_mol : float
        E [J/mol].

    Returns
    -------
    ndarray
        [-]

    Raises
    ------
    ValueError
        If a temperature is not above absolute zero.
    """
    kelvin = np.asarray(temp_c, dtype=float) + CELSIUS_K
    if np.any(~(kelvin > 0)):
        raise ValueError("temp_c must be above -273.15")
    reference = REFERENCE_TEMP_C + CELSIUS_K
    return np.asarray(np.exp(activation_energy_j_mol / GAS_CONSTANT_J_MOL_K * (1 / kelvin - 1 / reference)))


def thermal_voltage_v(temp_c: ArrayLike) -> Floats:
    """2 R T / F, the scale of the kinetic drop [V].

    Parameters
    ----------
    temp_c : float or ndarray
        Cell temperature [degC].

    Returns
    -------
    ndarray
        [V], 0.0514 at 25 degC.
    """
    kelvin = np.asarray(temp_c, dtype=float) + CELSIUS_K
    return np.asarray(2.0 * GAS_CONSTANT_J_MOL_K * kelvin / FARADAY_C_MOL)


def ocv(model: CellModel, soc: ArrayLike) -> Floats:
    """Voltage at rest.

    Parameters
    ----------
    model : CellModel
    soc : float or ndarray
        State of charge, held within 0 to 1 [-].

    Returns
    -------
    ndarray
        [V], shape of soc.
    """
    return np.asarray(np.interp(np.asarray(soc, dtype=float), model.soc, model.ocv_v))


def surface_lag(
    model: CellModel, current_a: ArrayLike, *, seconds: ArrayLike, fast: bool, factor: ArrayLike = 1.0
) -> Floats:
    """How far a surface's state of charge trails the mean after a constant current from rest.

    l(t) = I / (3600 Q) T sum g_k (1 - exp(-z_k t / T))

    Parameters
    ----------
    model : CellModel
    current_a : float or ndarray
        Discharge positive [A].
    seconds : float or ndarray
        Time since rest, at least 0; infinite for the steady lag [s].
    fast : bool
        Which of the two surfaces.
    factor : float or ndarray
        Temperature factor on the diffusion time [-].

    Returns
    -------
    ndarray
        [-], arguments broadcast.
    """
    diffusion = (model.diffusion_fast_s if fast else model.diffusion_slow_s) * np.asarray(factor, dtype=float)
    phase = np.asarray(seconds, dtype=float) / diffusion
    with np.errstate(under="ignore"):
        rise = (LAG_GAINS * -np.expm1(-LAG_RATES * phase[..., None])).sum(axis=-1)
    return np.asarray(np.asarray(current_a, dtype=float) / (3600.0 * model.capacity_ah) * diffusion * rise)


def _electrolyte(current_a: Floats, limit_a: float) -> Floats:
    """h(i) = I_lim atanh(i / I_lim), continued straight beyond DEPLETION_SHARE I_lim [A]."""
    if not np.isfinite(limit_a):
        return current_a
    share = current_a / limit_a
    bounded = np.clip(share, -DEPLETION_SHARE, DEPLETION_SHARE)
    return np.asarray(limit_a * (np.arctanh(bounded) + (share - bounded) / (1.0 - DEPLETION_SHARE**2)))


def _branch(model: CellModel, values: Floats, at: Floats) -> Floats:
    """A part of the OCV at a surface state of charge, continued straight outside 0 to 1 [V]."""
    step = model.soc[1] - model.soc[0]
    low, high = (values[1] - values[0]) / step, (values[-1] - values[-2]) / step
    inside = np.interp(at, model.soc, values)
    return np.asarray(inside + low * np.minimum(at, 0.0) + high * np.maximum(at - 1.0, 0.0))


def voltage(
    model: CellModel,
    *,
    soc: ArrayLike,
    current_a: ArrayLike,
    seconds: ArrayLike = 10.0,
    temp_c: ArrayLike = REFERENCE_TEMP_C,
) -> Floats:
    """Terminal voltage after a constant current from rest, for arrays of loads and times.

    Parameters
    ----------
    model : CellModel
    soc : float or ndarray
        Mean state of charge at the moment asked for [-].
    current_a : float or ndarray
        Discharge positive [A].
    seconds : float or ndarray
        How long the current has flowed; infinite for the quasi-steady voltage [s].
    temp_c : float or ndarray
        Cell temperature [degC].

    Returns
    -------
    ndarray
        [V], arguments broadcast.

    Raises
    ------
    ValueError
        If a time is negative.
    """
    at, amp, time_s, temp = np.broadcast_arrays(
        *(np.asarray(a, dtype=float) for a in (soc, current_a, seconds, temp_c))
    )
    if np.any(time_s < 0):
        raise ValueError("seconds must be at least 0")
    factor = temperature_factor(temp, activation_energy_j_mol=model.activation_energy_j_mol)
    slow = at - surface_lag(model, amp, seconds=time_s, fast=False, factor=factor)
    fast = at - surface_lag(model, amp, seconds=time_s, fast=True, factor=factor)
    exchange = np.interp(at, model.soc, model.exchange_a) / factor
    delayed1 = -amp * np.expm1(-time_s / model.tau1_s)
    delayed2 = -amp * np.expm1(-time_s / model.tau2_s)
    drop = (
        amp * model.r_ohmic_ohm * factor
        + thermal_voltage_v(temp) * np.arcsinh(amp / exchange)
        + factor * np.interp(at, model.soc, model.r1_ohm) * delayed1
        + factor * np.interp(at, model.soc, model.r2_ohm) * _electrolyte(delayed2, model.current_limit_a)
    )
    surface = _branch(model, model.ocv_v - model.ocv_fast_v, slow) + _branch(model, model.ocv_fast_v, fast)
    return np.asarray(surface - drop)


def pulse_resistance_ohm(
    model: CellModel, *, seconds: float = 10.0, current_a: float | None = None, temp_c: float = REFERENCE_TEMP_C
) -> Floats:
    """Drop from rest over current after a pulse, R0 + R1 of the quasi-steady form; 10 s is the DCIR.

    The charge that the pulse itself takes is not counted as a drop.

    Parameters
    ----------
    model : CellModel
    seconds : float
        Length of the pulse [s].
    current_a : float, optional
        Discharge positive; the model's reference current if left out [A].
    temp_c : float
        Cell temperature [degC].

    Returns
    -------
    ndarray, shape (n,)
        Over model.soc [ohm].
    """
    amp = model.reference_current_a if current_a is None else current_a
    return np.asarray(
        (model.ocv_v - voltage(model, soc=model.soc, current_a=amp, seconds=seconds, temp_c=temp_c)) / amp
    )


def slow_resistance_ohm(
    model: CellModel, *, seconds: float = 10.0, current_a: float | None = None, temp_c: float = REFERENCE_TEMP_C
) -> Floats:
    """What a load that lasts adds to the pulse resistance: R2 of the quasi-steady form, lag included.

    Parameters
    ----------
    model : CellModel
    seconds : float
        Pulse that is already counted [s].
    current_a : float, optional
        Discharge positive; the model's reference current if left out [A].
    temp_c : float
        Cell temperature [degC].

    Returns
    -------
    ndarray, shape (n,)
        Over model.soc [ohm].
    """
    lasting = pulse_resistance_ohm(model, seconds=np.inf, current_a=current_a, temp_c=temp_c)
    return lasting - pulse_resistance_ohm(model, seconds=seconds, current_a=current_a, temp_c=temp_c)


def aged(model: CellModel, *, capacity_fraction: float = 1.0, resistance_factor: float = 1.0) -> CellModel:
    """The same cell after years: less capacity, more resistance.

    Parameters
    ----------
    model : CellModel
    capacity_fraction : float
        What is left of the capacity, above 0 [-].
    resistance_factor : float
        On every resistance, above 0 [-].

    Returns
    -------
    CellModel

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
        r1_ohm=model.r1_ohm * resistance_factor,
        r2_ohm=model.r2_ohm * resistance_factor,
    )
