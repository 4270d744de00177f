"""How cells fade: published models of capacity and resistance over years, by temperature, charge, depth and rate.

Every model is one that was fitted on cells of one make, and its constants are those of the source beside it, taken
from open-source code that quotes it (blast-lite 1.1.1, BSD-3; simses-lite). None knows sudden loss near the end of
life, nor plating in the cold. Cells of one chemistry differ by more than any of them is off: `fade` gives the middle of
the published cells, and the mildest and the harshest as a band.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from optimizer.base.arrays import Floats
from optimizer.base.constants import CELSIUS_K, GAS_CONSTANT_J_MOL_K

DAYS_PER_YEAR = 365.25
#: Beyond these no cell is trusted [years].
MOST_YEARS = 30.0


@dataclass(frozen=True, eq=False)
class Duty:
    """What a cell goes through, the same all the time; arrays of shape (n,) or single numbers.

    Parameters
    ----------
    temp_c : float
        Of the cell, at rest and in use [°C].
    rest_soc : float
        State of charge at which it rests, 0 to 1 [-].
    cycles_per_day : ndarray
        Equivalent full cycles, charge drawn over the capacity when new [1/day].
    depth : ndarray
        Of each discharge from the state of charge at rest, 0 to 1 [-].
    rate : ndarray
        Mean of the discharge [1/h].
    """

    temp_c: float
    rest_soc: float
    cycles_per_day: Floats
    depth: Floats
    rate: Floats

    @property
    def kelvin(self) -> float:
        """Temperature [K]."""
        return self.temp_c + CELSIUS_K

    @property
    def middle_soc(self) -> Floats:
        """State of charge in the middle of a discharge [-]."""
        return self.rest_soc - 0.5 * self.depth


# Loss of capacity, or rise of resistance, as a part of new, of a duty after days.
Law = Callable[[Duty, Floats], Floats]


@dataclass(frozen=True)
class Published:
    """One published model.

    Parameters
    ----------
    cell : str
        That it was fitted on.
    source : str
        Where it is published.
    range : str
        Conditions that it was fitted on.
    loss : Law
        Of capacity [-].
    rise : Law, optional
        Of resistance [-]; None where none was published.
    """

    cell: str
    source: str
    range: str
    loss: Law
    rise: Law | None = None


def arrhenius(kelvin: float, energy_j_mol: float) -> float:
    """exp(−E/R · (1/T − 1/298.15 K)) [-]."""
    return float(np.exp(-energy_j_mol / GAS_CONSTANT_J_MOL_K * (1.0 / kelvin - 1.0 / 298.15)))


def _cycles(duty: Duty, days: Floats) -> Floats:
    return np.asarray(duty.cycles_per_day * days, dtype=float)


def graphite_v(soc: Floats | float) -> Floats:
    """Potential of graphite against lithium [V]: Safari and Delacourt, doi 10.1149/1.3567007, with the lithiation of
    Schimpe et al., doi 10.1149/2.1181714jes, as in blast-lite."""
    x = 8.5e-3 + np.asarray(soc, dtype=float) * (0.78 - 8.5e-3)
    return np.asarray(
        0.6379 + 0.5416 * np.exp(-305.5309 * x) + 0.044 * np.tanh(-(x - 0.1958) / 0.1088)
        - 0.1978 * np.tanh((x - 1.0571) / 0.0854) - 0.6875 * np.tanh((x + 0.0117) / 0.0529)
        - 0.0175 * np.tanh((x - 0.5692) / 0.0875)
    )  # fmt: skip


# Open-circuit voltage of the NMC111 cell of 2014 from empty to full in twentieths, from blast-lite's table [V].
NMC111_V = np.array([
    3.331, 3.4197, 3.491, 3.5436, 3.5812, 3.6079, 3.6267, 3.6411, 3.6552, 3.6726, 3.6974, 3.7322, 3.7747, 3.8209,
    3.8688, 3.9154, 3.9649, 4.0194, 4.073, 4.1183, 4.162,
])  # fmt: skip


def nmc111_v(soc: Floats | float) -> Floats:
    """Open-circuit voltage of the NMC111 cell of 2014 [V]."""
    return np.asarray(np.interp(soc, np.linspace(0.0, 1.0, len(NMC111_V)), NMC111_V))


def nmc111_loss(duty: Duty, days: Floats) -> Floats:
    """Loss of capacity of NMC111 cells of 2.15 Ah: α(V, T)·t^0.75 + β·√Q, Q in both directions [-]."""
    alpha = (7.543e6 * float(nmc111_v(duty.rest_soc)) - 23.75e6) * np.exp(-6976.0 / duty.kelvin)
    beta = 7.348e-3 * (nmc111_v(duty.middle_soc) - 3.667) ** 2 + 7.6e-4 + 4.081e-3 * duty.depth
    return np.asarray(alpha * days**0.75 + beta * np.sqrt(2.0 * 2.15 * _cycles(duty, days)))


def nmc111_rise(duty: Duty, days: Floats) -> Floats:
    """Rise of resistance of the same cells: α(V, T)·t^0.75 + β·Q [-]."""
    alpha = (5.270e5 * float(nmc111_v(duty.rest_soc)) - 16.32e5) * np.exp(-5986.0 / duty.kelvin)
    beta = 2.153e-4 * (nmc111_v(duty.middle_soc) - 3.725) ** 2 - 1.521e-5 + 2.798e-4 * duty.depth
    return np.asarray(alpha * days**0.75 + np.maximum(beta, 0.0) * 2.0 * 2.15 * _cycles(duty, days))


def lfp_loss(duty: Duty, days: Floats) -> Floats:
    """Loss of capacity of LFP cells of 3 Ah [-].

    k_T·(2.8575(z−0.5)³ + 0.60225)·√t + (0.0630·C + 0.0971)(4.0253(d−0.6)³ + 1.0923)·√n / 100, t in seconds.
    """
    rest = 1.2571e-5 * arrhenius(duty.kelvin, 17126.0) * (2.8575 * (duty.rest_soc - 0.5) ** 3 + 0.60225)
    cycle = (0.0630 * duty.rate + 0.0971) * (4.0253 * (duty.depth - 0.6) ** 3 + 1.0923) / 100.0
    return np.asarray(rest * np.sqrt(days * 86400.0) + cycle * np.sqrt(_cycles(duty, days)))


def lfp_rise(duty: Duty, days: Floats) -> Floats:
    """Rise of resistance of the same cells [-].

    Two public codes differ in the exponent of (z − 0.5), 2 or 3; here 2, which rises less off half charge.
    """
    rest = 3.4194e-10 * arrhenius(duty.kelvin, 71827.0) * (-3.3903 * (duty.rest_soc - 0.5) ** 2 + 1.5604)
    cycle = np.maximum(-0.0020 * duty.rate + 0.0021, 0.0) * (6.8477 * (duty.depth - 0.5) ** 3 + 0.9188) / 100.0
    return np.asarray(rest * days * 86400.0 + cycle * _cycles(duty, days))


def lfp_large_loss(duty: Duty, days: Floats) -> Floats:
    """Loss of capacity of prismatic LFP cells of 250 Ah [-]."""
    rest = 8.37e4 * np.exp((-5.21e3 - 3.56e3 * graphite_v(duty.rest_soc)) / duty.kelvin)
    cycle = (4.38e-8 + 1.55e-8 * duty.depth + 1.68e-7 * duty.rate) * np.exp(2.19e3 / duty.kelvin)
    return np.asarray(rest * days**0.526 + cycle * _cycles(duty, days) ** 0.828)


def nmc_pouch_loss(duty: Duty, days: Floats) -> Floats:
    """Loss of capacity of NMC pouch cells of 50 Ah [-]."""
    warm = duty.kelvin / (CELSIUS_K + 35.0)
    rest = 36.2 * np.exp(-4.4 / warm**3 * (graphite_v(duty.rest_soc) / 0.123) ** (1.0 / 3.0))
    cycle = 0.844 * (duty.depth**2 * warm**3 * np.sqrt(duty.rate)) ** 0.458
    return np.asarray(rest * (days / 1e4) ** 0.708 + cycle * (_cycles(duty, days) / 1e5) ** 0.467)


def nmc811_loss(duty: Duty, days: Floats) -> Floats:
    """Loss of capacity of NMC811 cells of 3.5 Ah with silicon in the graphite [-]."""
    rest = 0.0353 * np.exp((-1.03e3 + 57.7 * duty.rest_soc) / duty.kelvin)
    spread = np.exp(2.25e3 / duty.kelvin) + np.exp(-1.14e4 / duty.kelvin)
    cycle = (1.77e-7 + 8.08e-13 * duty.rate + 2.21e-7 * duty.depth) * spread
    return np.asarray(rest * days**0.743 + cycle * _cycles(duty, days) ** 0.695)


def nca_loss(duty: Duty, days: Floats) -> Floats:
    """Loss of capacity of NCA cells of 3.2 Ah; cycling does not depend on temperature [-]."""
    rest = 75.4 * np.exp((-3.34e3 + 353.0 * duty.rest_soc) / duty.kelvin)
    cycle = 2.0 * (1.86e-6 + 4.74e-11 * duty.rate + 1.77e-4 * duty.depth)
    return np.asarray(rest * days**0.512 + cycle * _cycles(duty, days) ** 0.699)


def lto_loss(duty: Duty, days: Floats) -> Floats:
    """Loss of capacity of NMC cells of 10 Ah with LTO, by cycles alone [-].

    At rest they gain up to 0.4 % in a year at up to 40 °C, which is left out.
    """
    cycle = 1.29 + 7.83e-5 * duty.rate + 4.02 * duty.depth**3
    warm = duty.kelvin / (CELSIUS_K + 45.0)
    return np.asarray(cycle * np.exp(-8.33 / warm) * _cycles(duty, days) ** 0.526)


def like_nmc111(loss: Law) -> Law:
    """Rise of resistance of cells of which none is published here: per capacity lost that of NMC111 [-]."""
    return lambda duty, days: nmc111_rise(duty, days) * loss(duty, days) / np.maximum(nmc111_loss(duty, days), 1e-9)


NMC111 = Published(
    "NMC111 18650, 2.15 Ah", "Schmalstieg et al., J. Power Sources 257 (2014) 325",
    "rest at 35 to 50 °C, cycles at 35 °C and 1C", nmc111_loss, nmc111_rise,
)  # fmt: skip
# Published cells by chemistry; resistance is that of the first model that has one.
PUBLISHED: dict[str, tuple[Published, ...]] = {
    "NMC": (
        NMC111,
        Published("NMC pouch, 50 Ah", "doi 10.1016/j.est.2023.109042, cell B1", "10 to 45 °C, depth 0.8 to 1, to 1.75C",
                  nmc_pouch_loss),
        Published("NMC811 with silicon 18650, 3.5 Ah", "EVERLASTING D2.3, fitted in blast-lite",
                  "0 to 50 °C, depth 0.2 to 0.8, to 3C", nmc811_loss),
    ),
    "NCA": (
        Published("NCA 18650, 3.2 Ah", "rest: doi 10.1149/2.0411609jes; cycles: doi 10.1149/1945-7111/abae37, fitted "
                  "in blast-lite; resistance borrowed from NMC111", "15 to 35 °C, depth 0.8 to 1, to 2C", nca_loss,
                  like_nmc111(nca_loss)),
    ),
    "LFP": (
        Published("LFP 26650, 3 Ah", "Naumann et al., doi 10.1016/j.est.2018.01.019 and 10.1016/j.jpowsour.2019.227666",
                  "rest at 0 to 60 °C, cycles at 25 to 45 °C, to 1C", lfp_loss, lfp_rise),
        Published("LFP prismatic, 250 Ah", "doi 10.1016/j.est.2023.109042", "10 to 45 °C, depth 0.8 to 1, to 1C; "
                  "a cycle costs more the colder it is, so LFP in daily use is told to live longest near 5 to 20 °C",
                  lfp_large_loss),
    ),
    "LTO": (
        Published("NMC with LTO, 10 Ah", "doi 10.1016/j.jpowsour.2020.228566, fitted in blast-lite, whose loss is over "
                  "the measured one for most cells; resistance borrowed from NMC111", "30 to 60 °C, to 10C", lto_loss,
                  like_nmc111(lto_loss)),
    ),
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Fade:
    """What years leave of cells; arrays of shape (n,).

    Parameters
    ----------
    capacity, harshest, mildest : ndarray
        Part of the capacity that is left: middle of the published cells, and the ends of their band [-].
    rise : ndarray
        Of the resistance, per part of capacity lost [-].
    """

    capacity: Floats
    harshest: Floats
    mildest: Floats
    rise: Floats

    @property
    def resistance(self) -> Floats:
        """Factor on the resistance when new, at the middle's capacity; at least 1 [-]."""
        return self.resistance_at(self.capacity)

    def resistance_at(self, capacity: Floats) -> Floats:
        """Factor on the resistance when new where so much of the capacity is left [-]."""
        return np.asarray(1.0 + self.rise * (1.0 - capacity))


# Models are not followed below this part of the capacity.
LEAST_CAPACITY = 0.3


def fade(models: Sequence[Published], duty: Duty, *, days: npt.ArrayLike) -> Fade:
    """What a duty leaves of a chemistry's cells after some days.

    Resistance rises for each part of capacity lost as it does in the published cell of which both are known.

    Parameters
    ----------
    models : sequence of Published
        At least one, of which one knows resistance.
    duty : Duty
        n duties.
    days : array_like, shape (n,) or one number
        [d]
    """
    time = np.broadcast_to(np.asarray(days, dtype=float), np.shape(duty.cycles_per_day))
    left = np.array([np.clip(1.0 - model.loss(duty, time), LEAST_CAPACITY, 1.0) for model in models])
    middle = np.median(left, axis=0)
    known, rise = next((model, model.rise) for model in models if model.rise is not None)
    per_loss = np.maximum(rise(duty, time), 0.0) / np.maximum(known.loss(duty, time), 1e-9)
    return Fade(middle, left.min(axis=0), left.max(axis=0), per_loss)


def days_until(models: Sequence[Published], duty: Duty, *, capacity: float = 0.8, most: float = MOST_YEARS) -> Floats:
    """Days until so much of the capacity is left, in the middle, the harshest and the mildest published cell.

    Parameters
    ----------
    duty : Duty
        n duties.
    capacity : float
        [-]
    most : float
        Years beyond which no cell is trusted.

    Returns
    -------
    ndarray, shape (3, n)
        [d]
    """
    shape = np.shape(duty.cycles_per_day)
    out = []
    for name in ("capacity", "harshest", "mildest"):
        low, high = np.zeros(shape), np.full(shape, most * DAYS_PER_YEAR)
        for _ in range(50):
            middle = 0.5 * (low + high)
            more = getattr(fade(models, duty, days=middle), name) > capacity
            low, high = np.where(more, middle, low), np.where(more, high, middle)
        out.append(high)
    return np.array(out)
