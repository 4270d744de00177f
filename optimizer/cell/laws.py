"""How each part of a cell's model changes with temperature: one law for each, relative to 25 degC.

    ln f(T) = (E / R) v + b g(v),   v = 1 / T - 1 / T_25,
    g(v) = (v / v_k)^2 for v from 0 to v_k, straight on beyond, 0 below;  v_k: -10 degC

Arrhenius with activation energy E, and a bend b for a part that stiffens in the cold more than that, as
measured electrolytes do. Every f is 1 at 25 degC and never rises with temperature.

References
----------
Arrhenius; that electrolytes bend: Landesfeind and Gasteiger, J. Electrochem. Soc. 166 (2019) A3079 (from memory). The
two-term form is this project's own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.base.constants import CELSIUS_K, GAS_CONSTANT_J_MOL_K

Floats = NDArray[np.float64]

REFERENCE_TEMP_C = 25.0
COLD_V = 1.0 / (CELSIUS_K - 10.0) - 1.0 / (CELSIUS_K + REFERENCE_TEMP_C)
# Parts in order: drop in proportion to current; exchange currents of the slow and of the fast surface's electrode;
# the part that takes seconds; the electrolyte (minutes: its resistance, its delay, its limiting current); diffusion
# into the slow and the fast particles.
PARTS = ("ohmic", "kinetic", "kinetic_fast", "seconds", "minutes", "diffusion_slow", "diffusion_fast")
# One law for all, as when only a whole resistance is known. Between electrolyte conduction (about 17 kJ/mol) and
# charge transfer (35 to 60 kJ/mol) of published electrochemical parameter sets: common practice for a whole-cell
# resistance, no single published source.
ONE_ENERGY_J_MOL = 30_000.0


@dataclass(frozen=True)
class Laws:
    """Temperature laws of the parts, in the order of PARTS.

    Parameters
    ----------
    energy_j_mol : tuple of float
        E of each part, at least 0 [J/mol].
    bend : tuple of float
        b of each part [-]; never so negative that f would rise with temperature.
    """

    energy_j_mol: tuple[float, ...] = (ONE_ENERGY_J_MOL,) * len(PARTS)
    bend: tuple[float, ...] = (0.0,) * len(PARTS)

    def __post_init__(self) -> None:
        if len(self.energy_j_mol) != len(PARTS) or len(self.bend) != len(PARTS):
            raise ValueError(f"laws must have {len(PARTS)} energies and bends")
        least = lowest_bend(np.array(self.energy_j_mol))
        if min(self.energy_j_mol) < 0 or np.any(np.array(self.bend) < least - 1e-9):
            raise ValueError("no part may shrink with falling temperature")


def lowest_bend(energy_j_mol: Floats) -> Floats:
    """Least bend with which f still never rises with temperature.

    Parameters
    ----------
    energy_j_mol : ndarray
        [J/mol]

    Returns
    -------
    ndarray
        [-], at most 0.
    """
    return np.asarray(-0.5 * energy_j_mol / GAS_CONSTANT_J_MOL_K * COLD_V)


def factors(laws: Laws, temp_c: ArrayLike) -> Floats:
    """How many times its value at 25 degC each part has.

    Parameters
    ----------
    temp_c : float or ndarray
        Cell temperature, above -273.15 [degC].

    Returns
    -------
    ndarray, shape of temp_c and then (7,)
        Resistances and times grow by it; exchange and limiting currents shrink by it [-].

    Raises
    ------
    ValueError
        If a temperature is not above absolute zero.
    """
    kelvin = np.asarray(temp_c, dtype=float)[..., None] + CELSIUS_K
    if np.any(~(kelvin > 0)):
        raise ValueError("temp_c must be above -273.15")
    v = 1.0 / kelvin - 1.0 / (CELSIUS_K + REFERENCE_TEMP_C)
    inside = np.clip(v / COLD_V, 0.0, 1.0)
    bent = inside**2 + 2.0 * np.maximum(v / COLD_V - 1.0, 0.0)
    log = np.array(laws.energy_j_mol) / GAS_CONSTANT_J_MOL_K * v + np.array(laws.bend) * bent
    return np.asarray(np.exp(np.clip(log, -60.0, 60.0)))


# Usual activation energies of the parts [J/mol], and the spread of published sets [J/mol], in the order of PARTS.
# Rounded from parameter sets measured over temperature: O'Regan et al. (2022), Ecker et al. (2015), O'Kane et al.
# (2022), Kim et al. (2011), as PyBaMM holds them: electrolyte conduction 15 to 17, its diffusion 17 to 30, exchange
# currents 18 to 53, diffusion in graphite 4 to 43, in positive electrodes 12 to 81.
USUAL_J_MOL = (18_000.0, 35_000.0, 35_000.0, 20_000.0, 20_000.0, 28_000.0, 25_000.0)
SPREAD_J_MOL = (8_000.0, 8_000.0, 8_000.0, 8_000.0, 8_000.0, 18_000.0, 18_000.0)
USUAL = Laws(energy_j_mol=USUAL_J_MOL)
