"""One cell, number by number: its default model from a catalog row, and what the ride reads of it.

Written from the docstrings of optimizer.cell, cell_default, ride.cells and score_context, in loops.
"""

import math
from dataclasses import dataclass

POINTS = 101
GAS = 8.314462618

# Chain of exponentials for the surface of a sphere (optimizer.cell): rates 20.19·4^k, gains scaled to 1/15.
RATES = [20.190728556 * 4.0**k for k in range(8)]
_RAW = [0.034361, 0.015640, 0.008934, 0.003280, 0.002550, 0.001040, 0.0, 0.000862]
GAINS = [g / (15.0 * sum(_RAW)) for g in _RAW]
DELAY = 15.0 * sum(g / r for g, r in zip(GAINS, RATES, strict=True)) / sum(GAINS)

# at once, slow, growth towards empty, diffusion time [s], charge transfer of each chemistry
# (optimizer.cell.default.SPLITS).
SPLITS = {
    "NMC": (0.65, 0.25, 0.8, 3000.0, 0.35), "NCA": (0.65, 0.25, 0.8, 3000.0, 0.20),
    "LFP": (0.60, 0.35, 1.0, 2000.0, 0.35), "LTO": (0.70, 0.25, 0.5, 1000.0, 0.30),
    "Na-ion": (0.60, 0.35, 1.0, 3000.0, 0.35),
}  # fmt: skip
OTHER = (0.60, 0.35, 1.0, 3000.0, 0.35)
# Activation energies [J/mol] (optimizer.cell.laws.USUAL).
OHMIC, KINETIC, SECONDS, MINUTES, DIFFUSION = 18_000.0, 35_000.0, 20_000.0, 20_000.0, 28_000.0
TAU1, TAU2 = 3.0, 180.0


def line(x, xs, ys):
    """Linear between points, ends held."""
    if x <= xs[0]:
        return ys[0]
    for k in range(1, len(xs)):
        if x <= xs[k]:
            return ys[k - 1] + (ys[k] - ys[k - 1]) * (x - xs[k - 1]) / (xs[k] - xs[k - 1])
    return ys[-1]


def even(z, ys):
    """Linear on an even grid from 0 to 1, ends held."""
    x = min(max(z, 0.0), 1.0) * (len(ys) - 1)
    k = min(int(x), len(ys) - 2)
    return ys[k] + (x - k) * (ys[k + 1] - ys[k])


def beyond(z, ys):
    """The same, going on straight below 0 and above 1."""
    n = len(ys) - 1
    out = even(z, ys)
    if z < 0.0:
        out += (ys[1] - ys[0]) * n * z
    if z > 1.0:
        out += (ys[n] - ys[n - 1]) * n * (z - 1.0)
    return out


def arrhenius(temp_c, energy_j_mol):
    return math.exp(energy_j_mol / GAS * (1.0 / (temp_c + 273.15) - 1.0 / 298.15))


def two_rt_f(temp_c):
    """Scale of charge transfer [V]."""
    return 2.0 * GAS * (temp_c + 273.15) / 96485.33212


@dataclass
class Cell:
    """A cell's numbers; lists run over POINTS even states of charge."""

    capacity_ah: float
    reference_a: float
    soc: list
    ocv: list
    ohmic_ohm: float
    exchange_a: float
    r1: list
    r2: list
    diffusion_s: float
    v_min: float
    v_max: float

    def lag(self, amps, seconds, factor=1.0):
        """l(t) = I/(3600 Q) T Σ g (1 − exp(−z t/T)), T the diffusion time at the temperature."""
        time_s = self.diffusion_s * factor
        rise = 0.0
        for gain, rate in zip(GAINS, RATES, strict=True):
            rise += gain * (1.0 if math.isinf(seconds) else -math.expm1(-rate * seconds / time_s))
        return amps / (3600.0 * self.capacity_ah) * time_s * rise

    def ohms(self, seconds, temp_c=25.0):
        """Drop from rest over current after a pulse of the reference current, at each grid point."""
        amps, slow = self.reference_a, arrhenius(temp_c, MINUTES)
        lag = self.lag(amps, seconds, arrhenius(temp_c, DIFFUSION))
        part1 = 1.0 if math.isinf(seconds) else -math.expm1(-seconds / TAU1)
        part2 = 1.0 if math.isinf(seconds) else -math.expm1(-seconds / (TAU2 * slow))
        part1 *= arrhenius(temp_c, SECONDS)
        at_once = amps * self.ohmic_ohm * arrhenius(temp_c, OHMIC)
        at_once += two_rt_f(temp_c) * math.asinh(amps / self.exchange_a * arrhenius(temp_c, KINETIC))
        out = []
        for z, rest, r1, r2 in zip(self.soc, self.ocv, self.r1, self.r2, strict=True):
            surface = beyond(z - lag, self.ocv)
            drop = at_once + amps * (r1 * part1 + r2 * part2 * slow)
            out.append((rest - surface + drop) / amps)
        return out

    def ohm(self, soc, seconds, temp_c):
        return line(soc, self.soc, self.ohms(seconds, temp_c))

    def open_v(self, soc):
        return line(soc, self.soc, self.ocv)

    def energy_wh(self):
        """Capacity times the integral of the OCV over the state of charge."""
        total = 0.0
        for k in range(1, len(self.soc)):
            total += 0.5 * (self.ocv[k] + self.ocv[k - 1]) * (self.soc[k] - self.soc[k - 1])
        return self.capacity_ah * total


def moved(curve, cells, row):
    """The curve of a chemistry moved to the nominal voltage in the mean, its ends held: δ by bisection."""
    at, volts = [float(z) for z in curve.soc], [float(v) for v in curve.ocv_v]
    if cells.own_curve[row]:
        return at, volts
    points = sorted({*at, 0.1, 0.95})
    flat = [line(z, at, volts) for z in points]
    low, high, wanted = flat[0] - flat[-1], flat[-1] - flat[0], float(cells.voltage_nominal_v[row])
    for _ in range(60):
        shift, out = (low + high) / 2, []
        for z, v in zip(points, flat, strict=True):
            new = min(max(v + shift * min(1.0, z / 0.1, (1 - z) / 0.05), flat[0]), flat[-1])
            out.append(max(new, out[-1]) if out else new)
        mean = sum((out[k] + out[k - 1]) / 2 * (points[k] - points[k - 1]) for k in range(1, len(points)))
        low, high = (shift, high) if mean < wanted else (low, shift)
    return points, out


def cell_of(cells, row, ageing):
    """The default model of a catalog row, aged."""
    at_once, slow, low_soc, diffusion, kinetic = SPLITS.get(str(cells.chemistry[row]), OTHER)
    curve = cells.curves[cells.curve[row]]
    soc = [k / (POINTS - 1) for k in range(POINTS)]
    ocv = [line(z, *moved(curve, cells, row)) for z in soc]
    capacity, dcir = float(cells.capacity_ah[row]), float(cells.dcir_mohm[row]) / 1000.0
    nothing = [0.0] * POINTS
    bare = Cell(capacity, capacity, soc, ocv, 0.0, math.inf, nothing, nothing, diffusion,
                float(cells.voltage_min_v[row]), float(cells.voltage_max_v[row]))  # fmt: skip
    # Diffusion a fifth faster, again and again, until the lag takes at most 0.3 of the DCIR.
    while line(0.5, soc, bare.ohms(10.0)) > 0.3 * dcir:
        bare.diffusion_s *= 0.8
    lag_ohm = line(0.5, soc, bare.ohms(10.0))
    grown1, grown2 = 1.0 - math.exp(-10.0 / TAU1), 1.0 - math.exp(-10.0 / TAU2)
    ohm = (dcir - lag_ohm) / (at_once + (1.0 - at_once) * grown1 + slow * grown2)
    # Charge transfer is its part of the resistance at 1C and 25 °C, at most 3 times 2RT/F.
    asked = min(kinetic * ohm * capacity / two_rt_f(25.0), 3.0)
    ohmic, exchange = at_once * ohm - asked * two_rt_f(25.0) / capacity, capacity / math.sinh(asked)
    ohmic, exchange = ohmic * ageing.resistance_factor, exchange / ageing.resistance_factor
    ohm *= ageing.resistance_factor
    r1, r2 = [], []
    for z in soc:
        shape = (1.0 + low_soc * math.exp(-z / 0.1)) / (1.0 + low_soc * math.exp(-0.5 / 0.1))
        # What the whole fast part grows by towards empty is all behind the delay.
        r1.append((shape - at_once) * ohm)
        r2.append(slow * shape * ohm)
    return Cell(capacity * ageing.capacity_fraction, capacity, soc, ocv, ohmic, exchange, r1, r2,
                bare.diffusion_s, bare.v_min, bare.v_max)  # fmt: skip


@dataclass
class RideCell:
    """Three resistances and one lag, as the ride reads them; lists over POINTS states of charge."""

    ocv: list
    r0: list
    r1: list
    r2: list
    capacity_ah: float
    lag_s: float
    lag_tau_s: float
    tau2_s: float
    v_min: float
    v_max: float

    @property
    def lag_z(self):
        """State of charge that the surface trails by, per ampere."""
        return self.lag_s / (3600.0 * self.capacity_ah)


def ride_cell(cell, temp_c):
    """0.1 s, 10 s and the lasting drop of the model, each less what the lag takes of the OCV by then."""
    amps = cell.reference_a
    lag_s = cell.diffusion_s / 15.0 * arrhenius(temp_c, DIFFUSION)
    tau = max(lag_s * DELAY, 1.0)
    first, ten, ever = (cell.ohms(seconds, temp_c) for seconds in (0.1, 10.0, math.inf))
    tau2 = TAU2 * arrhenius(temp_c, MINUTES)
    out = RideCell([], [], [], [], cell.capacity_ah, lag_s, tau, tau2, cell.v_min, cell.v_max)
    for k, z in enumerate(cell.soc):
        behind = z - lag_s / (3600.0 * cell.capacity_ah) * amps
        lagged = (cell.ocv[k] - line(behind, cell.soc, cell.ocv)) / amps
        r1 = max(ten[k] - first[k] - lagged * (1.0 - math.exp(-10.0 / tau)), 0.0)
        r1 /= 1.0 - math.exp(-10.0 / TAU1)
        out.ocv.append(max(cell.ocv[k], out.ocv[-1]) if out.ocv else cell.ocv[k])
        out.r0.append(max(first[k], 1e-6))
        out.r1.append(r1)
        out.r2.append(max(ever[k] - first[k] - r1 - lagged, 0.0))
    return out
