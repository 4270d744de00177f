"""Pre-charge: a resistor fills the controller's capacitors before the main contact closes."""

from __future__ import annotations

from dataclasses import dataclass

#: Peak current that a pre-charge is made for [A]: common practice, no published source.
PRECHARGE_A = 2.5

#: Nominal values of a decade, IEC 60063 series E12.
E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)


@dataclass(frozen=True)
class Precharge:
    """A resistor and what it bears.

    Parameters
    ----------
    ohm : float
        Of the E12 series [ohm].
    peak_a, peak_w : float
        At the first moment [A], [W].
    energy_j : float
        In the resistor for each closing: ½ C V², whatever its value [J].
    seconds : float
        5 R C, until 99.3 % of the voltage [s].
    """

    ohm: float
    peak_a: float
    peak_w: float
    energy_j: float
    seconds: float


def precharge(voltage_v: float, *, capacitance_uf: float) -> Precharge:
    """The resistor that fills capacitors at PRECHARGE_A or a little less.

    R ≥ V / I, E = ½ C V², t = 5 R C

    Parameters
    ----------
    voltage_v : float
        Of the full pack [V].
    capacitance_uf : float
        Of the controller's input [µF].

    Raises
    ------
    ValueError
        If an argument is not positive.

    References
    ----------
    Any text on circuits; makers of resistors print the same.

    >>> precharge(84.0, capacitance_uf=2000.0).energy_j
    7.056
    """
    if not (voltage_v > 0 and capacitance_uf > 0):
        raise ValueError("voltage_v and capacitance_uf must be positive")
    least = voltage_v / PRECHARGE_A
    steps = [value * 10.0**decade for decade in range(-1, 5) for value in E12]
    ohm = next(value for value in steps if value >= least * (1 - 1e-12))
    farad = capacitance_uf * 1e-6
    energy = 0.5 * farad * voltage_v**2
    return Precharge(ohm, voltage_v / ohm, voltage_v**2 / ohm, round(energy, 9), 5.0 * ohm * farad)
