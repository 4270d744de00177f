"""One cell's electrical model: what its voltage is under a load, over state of charge, time and temperature.

    V = U_slow(s - l_slow) + U_fast(s - l_fast)
        - I R_ohm - (2 R T / F) (asinh(I / I_x) + asinh(I / I_y)) - R1(s) i1 - R2(s) h

s is the mean state of charge. U_slow + U_fast is the OCV, split between an electrode whose surface trails its
mean for long and one whose surface trails it for a short time; the lags l follow the diffusion into a sphere
and are proportional to the current, so capacity lost at high current has a term of its own. I_x and I_y are the
exchange currents of the electrodes with the slow and with the fast surface (Butler-Volmer with equal transfer
coefficients), over the mean or the surface's state of charge; a fit at one temperature tells only one of them.
i1 and i2 are the current seen through first-order delays of tau1 and tau2; h = i2 + I_lim d(i2 / I_lim), d(x) =
atanh(x) - x, grows as the electrolyte runs dry. Where temperature laws are fitted (drying below 1), the electrolyte
has a delay of its own, drying tau2, and x, the current seen through it over I_lim, is its depletion: h = i2, the
overpotential 1.4 (2 R T / F) atanh(x) comes on top, the ohmic drop grows by 1 + 0.8 x and saturates with current, as
the reaction crowds at the separator. There the fast surface is the negative electrode's, and a diffusion time grows
by exp(steep (0.5 - s + l / 2)), since diffusion depends on charge. The OCV may shift with temperature. Each part
changes with temperature by its own law (module laws).

References
----------
Sphere, Crank, The Mathematics of Diffusion (1975) eq. 6.45; kinetics and electrolyte limit, Newman and Thomas-Alyea,
Electrochemical Systems (2004) ch. 8 and 11 (from memory); the split is this project's own.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from optimizer.base.constants import CELSIUS_K, FARADAY_C_MOL, GAS_CONSTANT_J_MOL_K
from optimizer.cell.laws import PARTS, REFERENCE_TEMP_C, Floats, Laws, factors

# Time constants of the two delays, where nothing else is known [s]: common practice for cells of 18 to 26 mm, no
# published source.
TAU1_S, TAU2_S = 3.0, 180.0
SOC_POINTS = 1001
# The limiting current never falls below this part of itself at half charge.
LEAST_LIMIT_PART = 0.15
# Overpotential of concentration over (2RT/F) atanh of the depletion: twice 1 - t+, with transference numbers of 0.22 to
# 0.40 in published sets (Newman and Thomas-Alyea, ch. 11 and 12; from memory).
CONCENTRATION = 1.4
# Growth of the ohmic drop as the electrolyte runs dry, where it conducts less and the reaction moves: 0.4 to 1.1 at
# full depletion, in ten-second discharges of full electrochemical simulations (PyBaMM's DFN, 5 to 20C, 0 and -10 degC).
THINNING = 0.8
# The salt at an electrode's back falls first by what the reaction takes there, then with the profile through the whole
# cell, which takes about four times as long: this part of the depletion goes at this rate. Set on the same simulations.
NEAR_PART, NEAR_RATE = 0.25, 4.0
# Volts, over 2RT/F, at which the ohmic drop in pores begins to saturate: at high current the reaction crowds at the
# separator. From the same simulations, 0.1 s after the start: 0.83 of the linear drop at 0.17 V, 0.48 at 0.79 V.
PORES_V = 4.0
# Most that the diffusion time of a surface grows or shrinks with the state of charge, as a logarithm.
MOST_STEEP = 2.5
SUSTAINED_LIMIT = 2.0
SURGE_LIMIT = 4.0
# Part of the electrolyte's limiting current beyond which its drop goes on straight: at depletion the front of the
# electrode goes on working, so a cell does not stop dead there. Set on published electrochemical parameter sets.
DEPLETION_SHARE = 0.9

# Response of the surface of a sphere to a constant flux, 1/15 - sum 2/(3 z^2) exp(-z^2 t / T) with tan z = z and
# T = radius^2 / diffusivity, as a chain of eight exponentials with rates 20.19 * 4^k: non-negative least
# squares on t/T from 1e-4 up, within 4 %; the gains add up to 1/15.
LAG_RATES: Floats = 20.190728556 * np.power(4.0, np.arange(8.0))
LAG_GAINS: Floats = np.array([0.034361, 0.015640, 0.008934, 0.003280, 0.002550, 0.001040, 0.0, 0.000862])
LAG_GAINS = LAG_GAINS / float(15.0 * LAG_GAINS.sum())
# The first of these modes; the others are one where a model has an early rate of its own.
SLOW_MODES = 3


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
    laws : Laws
        How each part changes with temperature.
    exchange_fast_a : ndarray, shape (n,), optional
        I_y of the kinetic drop [A]; none if left out.
    follow : float
        1 if exchange currents are looked up at their surface's state of charge, 0 at the mean [-].
    limit_slope : float
        How much the limiting current falls as the cell empties, since the reaction moves away from the separator:
        I_lim(s) = I_lim (1 + slope (s - 0.5)), with the delay tau2: the salt in the pores at the start is the same.
        In a charge it falls as the cell fills, by 0.5 - s: the other electrode takes lithium up [-].
    depletion : float
        Share of the limiting current beyond which the electrolyte's drop goes on straight [-].
    drying : float
        Delay of the electrolyte's depletion over tau2; 1: none of its own, as where one temperature was fitted [-].
    early_rate : float
        Rate, times the diffusion time, of the one mode in which the early part of the lag rises; infinite: as in an
        ideal sphere. Spread of particle sizes, and in simulations the width of a shell, slow the first seconds [-].
    entropic_v_k : ndarray, shape (n,), optional
        Rise of the voltage at rest with temperature [V/K]; none if left out.
    pore_share : float
        Share of the ohmic resistance in the pores of the electrodes, 0 to 1: its drop saturates as V asinh(I R / V)
        with V of PORES_V times 2RT/F [-].
    slow_steep, fast_steep : float
        How much the logarithm of a surface's diffusion time grows per unit of charge taken: diffusion slows as an
        electrode fills or empties [-].
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
    laws: Laws = field(default_factory=Laws)
    exchange_fast_a: Floats | None = None
    follow: float = 0.0
    limit_slope: float = 0.0
    depletion: float = DEPLETION_SHARE
    drying: float = 1.0
    early_rate: float = np.inf
    entropic_v_k: Floats | None = None
    pore_share: float = 0.0
    slow_steep: float = 0.0
    fast_steep: float = 0.0

    @property
    def r0_ohm(self) -> Floats:
        """Drop at 0.1 s over current, at the reference current [ohm], shape (n,)."""
        return pulse_resistance_ohm(self, seconds=0.1)

    @property
    def lag_chain(self) -> tuple[Floats, Floats]:
        """Rates, times the diffusion time, and gains of the modes of a surface's lag."""
        return lag_chain(self.early_rate)

    @property
    def lag_soc_per_a(self) -> float:
        """Steady distance of the mean from the surface state of charge, per ampere [1/A], slope-weighted."""
        return float(_mean_diffusion_s(self) / 15.0 / (3600.0 * self.capacity_ah))


def lag_chain(early_rate: float) -> tuple[Floats, Floats]:
    """Modes of a surface's lag: an ideal sphere's, or their early ones as one.

    Parameters
    ----------
    early_rate : float
        Infinite for an ideal sphere [-].

    Returns
    -------
    tuple of ndarray
        Rates times the diffusion time, and gains that add up to 1/15 [-].
    """
    if not np.isfinite(early_rate):
        return LAG_RATES, LAG_GAINS
    rates = np.array([*LAG_RATES[:SLOW_MODES], early_rate])
    return rates, np.array([*LAG_GAINS[:SLOW_MODES], LAG_GAINS[SLOW_MODES:].sum()])


def _mean_diffusion_s(model: CellModel) -> float:
    """Diffusion time of the two surfaces weighted with their part of the OCV's rise [s]."""
    rise = model.ocv_v[-1] - model.ocv_v[0]
    fast = (model.ocv_fast_v[-1] - model.ocv_fast_v[0]) / rise
    return float(fast * model.diffusion_fast_s + (1.0 - fast) * model.diffusion_slow_s)


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


def surface_lag(
    model: CellModel, current_a: ArrayLike, *, seconds: ArrayLike, fast: bool, factor: ArrayLike = 1.0
) -> Floats:
    """How far a surface's state of charge trails the mean after a constant current from rest.

    l(t) = I / (3600 Q) T sum g_k (1 - exp(-z_k t / T))

    Parameters
    ----------
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
        rates, gains = model.lag_chain
        rise = (gains * -np.expm1(-rates * phase[..., None])).sum(axis=-1)
    return np.asarray(np.asarray(current_a, dtype=float) / (3600.0 * model.capacity_ah) * diffusion * rise)


def _steep_lag(
    model: CellModel, current_a: Floats, seconds: Floats, soc: Floats, factor: Floats, *, fast: bool
) -> Floats:
    """Lag of a surface whose diffusion time depends on charge, by the time of when most of the lag arose [-]."""
    steep, diffusion_s = (
        (model.fast_steep, model.diffusion_fast_s) if fast else (model.slow_steep, model.diffusion_slow_s)
    )
    rates, gains = model.lag_chain
    age_s = diffusion_s * factor * float(gains @ (1.0 / rates) / gains.sum())
    per_s = current_a / (3600.0 * model.capacity_ah)
    lag, slower = surface_lag(model, current_a, seconds=seconds, fast=fast, factor=factor), np.ones(soc.shape)
    for _ in range(0 if steep == 0.0 else 4):
        then = soc + per_s * np.minimum(age_s * slower, 0.5 * seconds)
        slower = np.exp(np.clip(steep * (0.5 - then + 0.5 * lag), -MOST_STEEP, MOST_STEEP))
        lag = surface_lag(model, current_a, seconds=seconds, fast=fast, factor=factor * slower)
    return lag


def _dry(share: Floats, depletion: float) -> Floats:
    """atanh(x) - x, continued straight beyond a depletion [-]."""
    bounded = np.clip(share, -depletion, depletion)
    return np.asarray(np.arctanh(bounded) + (share - bounded) / (1.0 - depletion**2) - share)


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
    f = dict(zip(PARTS, np.moveaxis(factors(model.laws, temp), -1, 0), strict=True))
    lag_slow = _steep_lag(model, amp, time_s, at, f["diffusion_slow"], fast=False)
    lag_fast = _steep_lag(model, amp, time_s, at, f["diffusion_fast"], fast=True)
    slow, fast = at - lag_slow, at - lag_fast
    exchange = np.interp(at - model.follow * lag_slow, model.soc, model.exchange_a) / f["kinetic"]
    kinetic = np.arcsinh(amp / exchange)
    if model.exchange_fast_a is not None:
        exchange = np.interp(at - model.follow * lag_fast, model.soc, model.exchange_fast_a) / f["kinetic_fast"]
        kinetic = kinetic + np.arcsinh(amp / exchange)
    delayed1 = -amp * np.expm1(-time_s / model.tau1_s)
    delayed2 = -amp * np.expm1(-time_s / (model.tau2_s * f["minutes"]))
    level = np.minimum(model.current_limit_a / f["minutes"], 1e12)
    left = np.maximum(1.0 + model.limit_slope * np.where(delayed2 >= 0.0, at - 0.5, 0.5 - at), LEAST_LIMIT_PART)
    limit = level * left
    linear = amp * model.r_ohmic_ohm * f["ohmic"]
    pores_v = PORES_V * thermal_voltage_v(temp)
    ohmic = linear * (1.0 - model.pore_share) + pores_v * np.arcsinh(linear * model.pore_share / pores_v)
    phase = time_s / (model.tau2_s * model.drying * f["minutes"])
    built = -(1.0 - NEAR_PART) * np.expm1(-phase) - NEAR_PART * np.expm1(-NEAR_RATE * phase)
    part = (amp * built + (1.0 / left - 1.0) * delayed2) / level
    if model.drying < 1.0:
        electrolyte = delayed2
        salt_v = CONCENTRATION * thermal_voltage_v(temp) * (_dry(part, model.depletion) + part)
        salt_v = salt_v + THINNING * np.abs(part) * ohmic
    else:
        electrolyte = delayed2 + limit * _dry(delayed2 / limit, model.depletion)
        salt_v = np.zeros(part.shape)
    drop = (
        ohmic
        + thermal_voltage_v(temp) * kinetic
        + f["seconds"] * np.interp(at, model.soc, model.r1_ohm) * delayed1
        + f["minutes"] * np.interp(at, model.soc, model.r2_ohm) * electrolyte
        + salt_v
    )
    surface = _branch(model, model.ocv_v - model.ocv_fast_v, slow) + _branch(model, model.ocv_fast_v, fast)
    if model.entropic_v_k is not None:
        surface = surface + (temp - REFERENCE_TEMP_C) * np.interp(at, model.soc, model.entropic_v_k)
    return np.asarray(surface - drop)


def pulse_resistance_ohm(
    model: CellModel, *, seconds: ArrayLike = 10.0, current_a: float | None = None, temp_c: ArrayLike = REFERENCE_TEMP_C
) -> Floats:
    """Drop from rest over current after a pulse, R0 + R1 of the quasi-steady form; 10 s is the DCIR.

    The charge that the pulse itself takes is not counted as a drop.

    Parameters
    ----------
    seconds : float or ndarray, shape (k,)
        Length of the pulse [s].
    current_a : float, optional
        Discharge positive; the model's reference current if left out [A].
    temp_c : float or ndarray, shape (k,)
        Cell temperature [degC].

    Returns
    -------
    ndarray, shape (n,) or (k, n)
        Over model.soc [ohm].
    """
    amp = model.reference_current_a if current_a is None else current_a
    after_s, temp = (np.asarray(each, dtype=float)[..., None] for each in (seconds, temp_c))
    rest = model.ocv_v
    if model.entropic_v_k is not None:
        rest = rest + (temp - REFERENCE_TEMP_C) * model.entropic_v_k
    return np.asarray((rest - voltage(model, soc=model.soc, current_a=amp, seconds=after_s, temp_c=temp)) / amp)
