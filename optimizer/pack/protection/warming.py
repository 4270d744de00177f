"""How conductors warm over time, from what their tables give: the rating is the steady state, the metal the start.

A part warms in at most two stages, each with a share of the steady rise and a time constant:
T(t) = T_air + (T_limit − T_air) (I / I_rated)² Σ share (1 − e^(−t/τ)).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from optimizer.base.arrays import Floats
from optimizer.base.materials import MATERIALS

#: Part of a cell that warms with its end within seconds to minutes: along its axis heat goes some 7 mm in 10 s
#: (30 W/(m K), 2.2 MJ/(m³ K); Drake 2014, from memory).
END_ZONE, CELL_J_PER_K_MM3 = 0.1, 2.2e-3

#: Rises under this are not told apart [K].
LEAST_K = 1.0


@dataclass(frozen=True, eq=False)
class Warming:
    """n parts over time.

    Parameters
    ----------
    rated_a : ndarray, shape (n,)
        Current at which the steady state is the limit [A].
    limit_c : ndarray, shape (n,)
        [°C]
    air_c : float
        Of the air inside the box, where everything starts [°C].
    share, tau_s : ndarray, shape (n, 2)
        Stages of the rise: their part of the steady one, and time constants [-], [s].
    """

    rated_a: Floats
    limit_c: Floats
    air_c: float
    share: Floats
    tau_s: Floats

    def heated(self, seconds: float) -> Floats:
        """Share of the steady rise that is reached after a time, shape (n,)."""
        return heated(seconds, share=self.share, tau_s=self.tau_s)

    def _load(self, start_c: ArrayLike | None) -> Floats:
        """Square of the steady current over the rating that makes a part as warm as it starts; 0 from the air's."""
        start = np.asarray(self.air_c if start_c is None else start_c, float)
        return np.asarray((start - self.air_c) / (self.limit_c - self.air_c))

    def allowed_a(self, seconds: float, *, start_c: ArrayLike | None = None) -> Floats:
        """Current that brings each part to its limit after a time [A], shape (n,): I² h + start (1 − h) = 1.

        Parameters
        ----------
        seconds : float
            Above 0 [s]; may be infinite.
        start_c : float or ndarray, shape (n,), optional
            Of each part after a steady current; the air's by default [°C]. Over its limit nothing may flow but what
            lets it cool to its limit in time.
        """
        over = overload(seconds, share=self.share, tau_s=self.tau_s)
        left = np.maximum(1.0 - self._load(start_c) * (1.0 - self.heated(seconds)), 0.0)
        return np.asarray(self.rated_a * over * np.sqrt(left))

    def after_c(self, current_a: ArrayLike, *, seconds: float, start_c: ArrayLike | None = None) -> Floats:
        """Temperature of each part after a time at a current [°C], shape (n,); see `allowed_a`."""
        square, h = (np.asarray(current_a, float) / self.rated_a) ** 2, self.heated(seconds)
        return np.asarray(self.air_c + (self.limit_c - self.air_c) * rise(square, h, before=self._load(start_c)))

    def seconds_to_limit(self, current_a: float, *, start_c: ArrayLike | None = None) -> Floats:
        """Time until each part is at its limit [s], shape (n,): 0 where it is already, infinite where it never is."""
        square, load = (current_a / self.rated_a) ** 2, np.broadcast_to(self._load(start_c), self.rated_a.shape)
        with np.errstate(divide="ignore", invalid="ignore"):
            need = np.where(square > 1.0, np.clip((1.0 - load) / (square - load), 0.0, 1.0), np.inf)
        need = np.where(load >= 1.0, 0.0, need)
        # Halved in the logarithm, between times at which nothing and everything has warmed.
        low, high = np.full(len(need), 1e-9 * self.tau_s.min()), np.full(len(need), 50.0 * self.tau_s.max())
        for _ in range(60):
            middle = np.sqrt(low * high)
            late = heated(middle, share=self.share, tau_s=self.tau_s) >= need
            low, high = np.where(late, low, middle), np.where(late, middle, high)
        return np.where(need <= 0.0, 0.0, np.where(np.isinf(need), np.inf, high))

    def along(self, time_s: Floats, current_a: Floats) -> tuple[Floats, Floats]:
        """Highest temperature of each part along a ride from the box's air [°C], and when [s]; y' = (I² − y) / τ.

        Steps have the time of their end [s] and a current [A], shape (m,).
        """
        tau, back = np.unique(self.tau_s, return_inverse=True)
        back = back.reshape(self.tau_s.shape)
        y, most, when = np.zeros(len(tau)), np.zeros(len(self.rated_a)), np.zeros(len(self.rated_a))
        for now, seconds, amps in zip(time_s, np.diff(time_s, prepend=0.0), current_a, strict=True):
            y += (amps * amps - y) * -np.expm1(-seconds / tau)
            square = (self.share * y[back]).sum(axis=1)
            when = np.where(square > most, now, when)
            most = np.maximum(most, square)
        return self.air_c + (self.limit_c - self.air_c) * most / self.rated_a**2, when


def together(parts: Sequence[Warming]) -> Warming:
    """Several parts in the same air as one."""
    rated_a, limit_c, share, tau_s = (
        np.concatenate([getattr(one, name) for one in parts]) for name in ("rated_a", "limit_c", "share", "tau_s")
    )
    return Warming(rated_a, limit_c, parts[0].air_c, share, tau_s)


def heated(seconds: ArrayLike, *, share: Floats, tau_s: Floats) -> Floats:
    """Share of the steady rise that is reached after a time [s], which may be infinite: h = Σ share (1 − e^(−t/τ))."""
    return np.asarray((share * -np.expm1(-np.asarray(seconds, float)[..., None] / tau_s)).sum(axis=-1))


def rise(square: ArrayLike, h: ArrayLike, *, before: ArrayLike = 0.0) -> Floats:
    """Rise over that of the rating, 1 at the limit: before (1 − h) + square h.

    Squares of current over rating, now and of the steady one before, and `heated` [-].
    """
    return np.asarray(np.asarray(before, float) * (1.0 - np.asarray(h)) + np.asarray(square, float) * h)


def overload(seconds: ArrayLike, *, share: Floats, tau_s: Floats) -> Floats:
    """Current over rating that may flow for a time above 0 [s], from the air's temperature: 1 / √h."""
    return np.asarray(1.0 / np.sqrt(heated(seconds, share=share, tau_s=tau_s)))


def adiabatic_k(material: str, *, start_c: ArrayLike, end_c: ArrayLike, resistivity_ohm_m: ArrayLike) -> Floats:
    """Root of I²t per area squared that warms a metal when no heat leaves it.

    k = √( c (β + 20) / ρ20 · ln((β + θ_end) / (β + θ_start)) )

    Parameters
    ----------
    material : str
        Key of MATERIALS.
    start_c, end_c : float or ndarray, shape (n,)
        [°C]
    resistivity_ohm_m : float or ndarray, shape (n,)
        ρ20 [ohm m].

    Returns
    -------
    ndarray, shape (n,)
        [A √s / mm²]

    References
    ----------
    IEC 60949; IEC 60364-4-43 and 60364-5-54 print its values.

    >>> adiabatic_k("copper", start_c=70.0, end_c=160.0, resistivity_ohm_m=1.7241e-8).round(1).tolist()
    114.8
    """
    beta = MATERIALS[material].vanishing_c
    ratio = np.log((beta + np.asarray(end_c, float)) / (beta + np.asarray(start_c, float)))
    ohm_mm = np.asarray(resistivity_ohm_m, float) * 1e3
    return np.asarray(np.sqrt(MATERIALS[material].heat_j_per_k_mm3 * (beta + 20.0) / ohm_mm * ratio))


def wires(resistance_ohm_per_km: Floats, *, rated_a: Floats, insulation_c: Floats, air_c: float) -> Warming:
    """Wires: at the table's rating the insulation is at its limit, in the air of the box.

    τ = (k S / I_rated)², so that a short current heats the copper as IEC 60949 says; the insulation's own heat is
    left out, which errs on the safe side.

    Parameters
    ----------
    resistance_ohm_per_km, rated_a, insulation_c : ndarray, shape (n,)
        [ohm/km], [A], [°C]
    air_c : float
        [°C]
    """
    copper = MATERIALS["copper"].resistivity_ohm_m
    limit = np.maximum(insulation_c, air_c + LEAST_K)
    metal_mm2 = copper * 1e9 / resistance_ohm_per_km
    k = adiabatic_k("copper", start_c=air_c, end_c=limit, resistivity_ohm_m=copper)
    return one_stage(rated_a, limit_c=limit, air_c=air_c, tau_s=(k * metal_mm2 / rated_a) ** 2)


def free_strip(
    material: str, *, rated_a: float, density_a_mm2: float, resistivity_ohm_m: float, limit_c: float, air_c: float
) -> Warming:
    """Strip that lies on insulation, off the cells: joints between layers. It warms as a wire does, τ = (k / J)².

    Parameters
    ----------
    rated_a, density_a_mm2 : float
        Of the table [A], [A/mm²].
    resistivity_ohm_m : float
        At 20 °C [ohm m].
    limit_c, air_c : float
        [°C]

    Returns
    -------
    Warming
        One part.
    """
    limit = max(limit_c, air_c + LEAST_K)
    k = adiabatic_k(material, start_c=air_c, end_c=limit, resistivity_ohm_m=resistivity_ohm_m)
    tau = (k / density_a_mm2) ** 2
    return one_stage(np.array([rated_a]), limit_c=np.array([limit]), air_c=air_c, tau_s=np.atleast_1d(tau))


def one_stage(rated_a: Floats, *, limit_c: Floats, air_c: float, tau_s: Floats) -> Warming:
    """Parts that warm as one lump.

    h = 1 − e^(−t/τ)

    Parameters
    ----------
    rated_a, limit_c : ndarray, shape (n,)
        [A], [°C]
    air_c : float
        [°C]
    tau_s : ndarray, shape (n,)
        [s]
    """
    share = np.tile([1.0, 0.0], (len(rated_a), 1))
    return Warming(rated_a, limit_c, air_c, share, np.column_stack([tau_s, np.ones(len(rated_a))]))


def strip(
    material: str, *, section_mm2: float, density_a_mm2: float, resistivity_ohm_m: float, layers: int, span_mm: float,
    cell_mm3: float, limit_c: float, air_c: float,
) -> Warming:  # fmt: skip
    """One layer of strip between two cells: its middle over the cell ends, and the ends over the air.

    The middle: heat q = J² ρ leaves through the ends, (L²/8k) q at last. The ends: END_ZONE of a cell for each
    span and layer warms until, at the rated density, the whole is at the limit. What air takes from the strip is
    left out, which errs on the safe side.

    Parameters
    ----------
    section_mm2 : float
        Of one layer [mm²].
    density_a_mm2 : float
        The table's continuous density [A/mm²].
    resistivity_ohm_m : float
        At 20 °C [ohm m].
    layers : int
        In the series direction [-].
    span_mm : float
        Between the welds [mm].
    cell_mm3 : float
        Volume of a cell [mm³].
    limit_c, air_c : float
        [°C]

    Returns
    -------
    Warming
        One part.
    """
    limit = max(limit_c, air_c + LEAST_K)
    room_k = limit - air_c
    alpha = MATERIALS[material].temperature_coefficient_per_k
    hot_ohm_mm = resistivity_ohm_m * 1e3 * (1.0 + alpha * (limit - 20.0))
    heat_w_mm3 = density_a_mm2**2 * hot_ohm_mm
    conduction_w_mm_k = MATERIALS[material].conduction_w_m_k * 1e-3
    middle = min(heat_w_mm3 * span_mm**2 / (8.0 * conduction_w_mm_k) / room_k, 1.0)
    end_j_per_k = END_ZONE * cell_mm3 * CELL_J_PER_K_MM3 / layers
    end_s = end_j_per_k * room_k / (heat_w_mm3 * section_mm2 * span_mm)
    k = adiabatic_k(material, start_c=air_c, end_c=limit, resistivity_ohm_m=resistivity_ohm_m)
    # The first moments are adiabatic: share₁/τ₁ + share₂/τ₂ = J²/k².
    first = (density_a_mm2 / float(k)) ** 2 - (1.0 - middle) / end_s
    middle_s = middle / first if first > 0 else end_s
    return Warming(
        np.array([density_a_mm2 * section_mm2]), np.array([limit]), air_c,
        np.array([[middle, 1.0 - middle]]), np.array([[middle_s, end_s]]),
    )  # fmt: skip
