"""From power at the wheel to power at the pack's terminals: the one place that knows the drive's losses.

A motor map goes here: `battery_w` is what the road load, the power bins and the compiled kernels all ask.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba.extending import register_jitable

from optimizer.base.arrays import Floats
from optimizer.brief import VehicleSection

# Efficiency when driving and when braking [-], and what always runs [W]: a drivetrain as compiled code takes it.
Drive = tuple[float, float, float]


@register_jitable
def battery_w(wheel_w: Floats, drive: Drive) -> Floats:
    """Power at the pack's terminals for power at the wheel, below 0 when braking: numbers or arrays [W].

    P = max(P_wheel / η, P_wheel · η_regen) + accessories: driving costs the drive's losses, braking gives back
    η_regen of what the wheel takes in. As η_regen ≤ 1 ≤ 1/η, the larger one is the right one.
    """
    return np.maximum(wheel_w / drive[0], wheel_w * drive[1]) + drive[2]


@dataclass(frozen=True)
class Drivetrain:
    """Motor, controller and gears, with what always runs beside them.

    Parameters
    ----------
    efficiency : float
        Battery to wheel, above 0, at most 1 [-].
    regen_efficiency : float
        Wheel to battery, 0…1 [-].
    accessory_w : float
        Always on, at least 0 [W].

    Raises
    ------
    ValueError
        Every value out of bounds, in one message.
    """

    efficiency: float
    regen_efficiency: float = 0.0
    accessory_w: float = 0.0

    @classmethod
    def of(cls, given: VehicleSection) -> Drivetrain:
        """That of a brief's vehicle."""
        return cls(given.drivetrain_efficiency, given.regen_efficiency, given.accessory_w)

    @property
    def numbers(self) -> Drive:
        """What `battery_w` asks for."""
        return self.efficiency, self.regen_efficiency, self.accessory_w

    def battery_w(self, wheel_w: Floats) -> Floats:
        """As the function of this name [W]."""
        return battery_w(wheel_w, self.numbers)

    def gain(self, wheel_w: Floats, *, back: float = 1.0) -> Floats:
        """By how much battery power grows with power at the wheel [-]; what braking gives back counts `back` times."""
        return np.where(wheel_w > 0, 1.0 / self.efficiency, back * self.regen_efficiency)

    def __post_init__(self) -> None:
        refuse_unless(
            ("efficiency must be in (0, 1]", self.efficiency, 0 < self.efficiency <= 1),
            ("regen_efficiency must be in [0, 1]", self.regen_efficiency, 0 <= self.regen_efficiency <= 1),
            ("accessory_w must be >= 0", self.accessory_w, self.accessory_w >= 0),
        )


def refuse_unless(*checks: tuple[str, float, bool]) -> None:
    """ValueError with every check that fails, as (what must be, what was found, whether it is so); NaN fails."""
    faults = [f"{text}, found {value:g}" for text, value, right in checks if not right]
    if faults:
        raise ValueError("; ".join(faults))
