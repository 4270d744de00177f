"""A pack driven second by second by a logged current or by a power: voltage, charge and temperature."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.optimize import least_squares

from optimizer.base.arrays import Floats
from optimizer.road.heightnoise import Noise, Stretch, covariance_over, innovations, likeliest_noise

# Series are put in units in which noise of 1 is usual, as for heights [1/V].
VOLT_SCALE = 20.0
# A voltage at rest is known, unlike a height: within a meter's 20 mV, in those units.
LEVEL = 0.4
NAMES = ("resistance", "capacity", "start")


@dataclass(frozen=True, eq=False)
class PackModel:
    """What of a pack decides its voltage.

    Parameters
    ----------
    ocv_v, r0_ohm, r1_ohm, r2_ohm : ndarray, shape (k,)
        Of a cell, over SoC 0…1, at the air's temperature [V], [ohm].
    capacity_ah, tau1_s, tau2_s : float
        Of a cell.
    extra_ohm : float
        Plates, wires, BMS [ohm].
    rise_k_per_w, heat_j_k : float
        Hottest cell over the air per watt in a cell; heat that a cell takes [K/W], [J/K].
    air_c : float
        [°C]
    """

    series: int
    parallel: int
    ocv_v: Floats
    r0_ohm: Floats
    r1_ohm: Floats
    r2_ohm: Floats
    capacity_ah: float
    tau1_s: float
    tau2_s: float
    extra_ohm: float
    rise_k_per_w: float
    heat_j_k: float
    air_c: float

    @property
    def middle_ohm(self) -> float:
        """Resistance of the pack at once, at half its charge [ohm]."""
        return float(self.series * self.r0_ohm[len(self.r0_ohm) // 2] / self.parallel + self.extra_ohm)


@dataclass(frozen=True)
class Health:
    """Factors on a pack's resistance and capacity, and its state of charge at the start."""

    resistance: float = 1.0
    capacity: float = 1.0
    start: float = 1.0


@dataclass(frozen=True, eq=False)
class PackRun:
    """Voltage, current, state of charge and hottest cell, second by second, shape (n,)."""

    voltage_v: Floats
    current_a: Floats
    soc: Floats
    temp_c: Floats


@njit(cache=True, error_model="numpy")
def _drive(load, by_power, ocv, r0, r1, r2, ah, tau1, tau2, extra, series, parallel, factor, start, rise, heat, air):  # type: ignore[no-untyped-def]
    n, last = len(load), len(ocv) - 1
    out = np.zeros((n, 4))
    z, v1, v2, warm = start, 0.0, 0.0, 0.0
    keep1, keep2 = np.exp(-1.0 / tau1), np.exp(-1.0 / tau2)
    keep_heat = np.exp(-1.0 / max(rise * heat, 1.0))
    for i in range(n):
        at = min(max(z, 0.0), 1.0) * last
        low = min(int(at), last - 1)
        part = at - low
        rest = ocv[low] + part * (ocv[low + 1] - ocv[low]) - v1 - v2
        a = factor * (r0[low] + part * (r0[low + 1] - r0[low]))
        b = factor * (r1[low] + part * (r1[low + 1] - r1[low]))
        c = factor * (r2[low] + part * (r2[low + 1] - r2[low]))
        e, r = series * rest, series * a / parallel + extra
        amp = load[i]
        if by_power:
            root = max(e * e - 4.0 * r * load[i], 0.0)
            amp = (e - np.sqrt(root)) / (2.0 * r)
        out[i, 0], out[i, 1], out[i, 2], out[i, 3] = e - r * amp, amp, z, air + warm
        cell = amp / parallel
        z -= cell / (3600.0 * ah)
        v1 = keep1 * v1 + (1.0 - keep1) * b * cell
        v2 = keep2 * v2 + (1.0 - keep2) * c * cell
        joule = cell * cell * (a + b + c)
        warm = keep_heat * warm + (1.0 - keep_heat) * rise * joule
    return out


def drive(pack: PackModel, load: Floats, *, health: Health, by_power: bool = False) -> PackRun:
    """Run a pack.

    V = S·(OCV(z) − v1 − v2) − I·(S·R0/P + extra), dv_k/dt = (I/P·R_k − v_k)/τ_k, dz/dt = −I/(P·3600·C)

    Parameters
    ----------
    load : ndarray, shape (n,)
        Current, or power with by_power, one a second, discharge positive [A], [W].
    """
    out = _drive(
        np.ascontiguousarray(load), by_power, pack.ocv_v, pack.r0_ohm, pack.r1_ohm, pack.r2_ohm,
        pack.capacity_ah * health.capacity, pack.tau1_s, pack.tau2_s, pack.extra_ohm, pack.series, pack.parallel,
        health.resistance, health.start, pack.rise_k_per_w, pack.heat_j_k, pack.air_c,
    )  # fmt: skip
    return PackRun(*out.T.copy())


@dataclass(frozen=True, eq=False)
class Explained:
    """Factors that bring a pack's model to its log, with standard errors by name (None: it can't be told).

    left_v: root mean square of what they leave of the voltage [V].
    """

    health: Health
    errors: dict[str, float | None]
    left_v: float


# A factor whose standard error is larger than this is not told by the log; so far from 1 it may be.
TOLD, NEAREST, FURTHEST = 0.15, 0.3, 3.0
# The start is where the first seconds' voltage puts it [s], within a meter's error of a cell's voltage [V] and so much.
START_S, START_V, START_SOC = 5, 0.03, 0.1


def explain(pack: PackModel, current_a: Floats, voltage_v: Floats) -> Explained:
    """Factors on resistance and capacity, and the state of charge at the start, under which the voltage is as logged.

    The logged current drives the model. Residuals have a memory, so that errors come of innovations, as in `calibrate`.

    Parameters
    ----------
    current_a, voltage_v : ndarray, shape (n,)
        [A], [V]; voltage NaN in holes.
    """
    seen = np.isfinite(voltage_v)
    lost = np.zeros(len(seen) - 1, dtype=bool)
    lowest, first_guess, highest = _start(pack, current_a, voltage_v)
    first = Health(start=first_guess)
    free = list(NAMES)
    noise, health, covariance = Noise(0.5, 1.0, 60.0, 0.001), first, np.zeros((0, 0))
    while True:

        def residual(values: Floats, free: Sequence[str] = tuple(free), base: Health = first) -> Floats:
            now = replace(base, **dict(zip(free, map(float, values), strict=True)))
            found = VOLT_SCALE * (voltage_v - drive(pack, current_a, health=now).voltage_v)
            return np.asarray(np.where(seen, found, 0.0), dtype=np.float64)

        def slopes(values: Floats, free: Sequence[str] = tuple(free)) -> Floats:
            steps = 1e-3 * np.eye(len(free))
            return np.stack([(residual(values + s) - residual(values - s)) / 2e-3 for s in steps], axis=1)

        low = [NEAREST if name != "start" else lowest for name in free]
        high = [FURTHEST if name != "start" else highest for name in free]
        point = np.clip([getattr(first, name) for name in free], np.add(low, 1e-6), np.subtract(high, 1e-6))
        for _ in range(2):

            def freed(values: Floats, noise: Noise = noise) -> Floats:
                return innovations(residual(values)[:, None], seen=seen, lost=lost, noise=noise, level_m=LEVEL)[0][:, 0]

            def jacobian(values: Floats, noise: Noise = noise) -> Floats:
                return innovations(slopes(values), seen=seen, lost=lost, noise=noise, level_m=LEVEL)[0]

            solved = least_squares(
                freed, point, jac=jacobian, bounds=(low, high), loss="soft_l1", f_scale=3.0, x_scale="jac"
            )
            point = solved.x
            stretch = Stretch(residual(point), slopes(point), seen, lost, LEVEL)
            noise = likeliest_noise([stretch], start=noise)
        covariance = covariance_over([stretch], noise)
        health = replace(first, **dict(zip(free, map(float, point), strict=True)))
        wide = [(float(covariance[k, k]) ** 0.5, name) for k, name in enumerate(free) if name != "start"]
        worst = max(wide, default=(0.0, ""))
        if worst[0] <= TOLD:
            break
        free.remove(worst[1])
    errors: dict[str, float | None] = dict.fromkeys(NAMES)
    for k, name in enumerate(free):
        errors[name] = float(covariance[k, k]) ** 0.5
    left = (voltage_v - drive(pack, current_a, health=health).voltage_v)[seen]
    return Explained(health, errors, float(np.sqrt(np.mean(left**2))))


def _start(pack: PackModel, current_a: Floats, voltage_v: Floats) -> tuple[float, float, float]:
    """State of charge at the start by the first seconds' voltage, freed of its sag: least, likeliest, most."""
    soc = np.linspace(0.0, 1.0, len(pack.ocv_v))
    sag = current_a[:START_S] * pack.middle_ohm
    if not np.isfinite(voltage_v[:START_S]).any():
        return 0.02, 0.9, 1.0
    rest = float(np.nanmedian(voltage_v[:START_S] + sag)) / pack.series
    near = soc[np.abs(pack.ocv_v - rest) <= max(START_V, float(np.min(np.abs(pack.ocv_v - rest))))]
    guess = float(np.clip(np.interp(rest, pack.ocv_v, soc), 0.05, 0.999))
    return max(float(near.min()) - START_SOC, 0.02), guess, min(float(near.max()) + START_SOC, 1.0)


def ratio_error(top: Floats, bottom: Floats, *, blocks: int = 20) -> tuple[float, float]:
    """Ratio of two sums and its standard error by leaving out one block of the series after another (jackknife).

    Parameters
    ----------
    top, bottom : ndarray, shape (n,)

    Returns
    -------
    (float, float)

    References
    ----------
    Efron, The Jackknife, the Bootstrap and Other Resampling Plans (SIAM 1982), chapter 3.
    """
    parts: list[tuple[float, float]] = [
        (float(a.sum()), float(b.sum()))
        for a, b in zip(np.array_split(top, blocks), np.array_split(bottom, blocks), strict=True)
    ]
    whole = (sum(a for a, _ in parts), sum(b for _, b in parts))
    without: NDArray[np.float64] = np.array([(whole[0] - a) / (whole[1] - b) for a, b in parts])
    spread = float(np.sqrt((blocks - 1) / blocks * np.sum((without - without.mean()) ** 2)))
    return whole[0] / whole[1], spread
