"""Conditions of situations, and fade over years, one pack at a time: from the docstrings of optimizer.brief.situations,
optimizer.cell.fade and optimizer.score.wear.
"""

import math
from statistics import median

from plain_cell import GAS, line
from plain_heat import SUN_TAKEN, sun_k
from plain_protection import Laps

YEAR = 365.25


def conditions(brief, item):
    """The brief as one of its situations has it."""
    def put(section, keys, **more):
        given = {key: getattr(item, key) for key in keys if getattr(item, key) is not None}
        return section.model_copy(update=given | more)

    ride = put(brief.ride, ("temp_c", "speed_kmh", "grade_pct", "headwind_kmh", "start_soc", "reserve_soc"))
    if item.speed_kmh is not None:
        ride = ride.model_copy(update={"trace": None})
    cells_c = next((t for t in (item.start_temp_c, item.temp_c) if t is not None), brief.electrical.temp_c)
    return brief.model_copy(update={
        "ride": ride, "vehicle": put(brief.vehicle, ("rider_kg", "payload_kg")),
        "electrical": put(brief.electrical, ("charge_temp_c",), temp_c=cells_c),
        "thermal": put(brief.thermal, ("sun_w_m2",)),
    })  # fmt: skip


def box_air(brief, rooms):
    """Air in the closed box: the warmest of all rides, in still air in the sun, and of powers, and what is added."""
    warm = []
    for here in (brief, *(conditions(brief, item) for item in brief.situation)):
        takes, air_c = SUN_TAKEN[here.thermal.colour], here.ride.temp_c
        boxes = [[high - low for low, high in room.extent_mm] for room in rooms]
        warm += [air_c + sun_k(box, here.thermal.sun_w_m2, takes, air_c, 0.0) for box in boxes]
        warm.append(here.electrical.temp_c)
    return max(warm) + brief.protection.box_rise_k


class Hardest(Laps):
    """Several laps, of which the hardest counts."""

    def __init__(self, laps):
        self.laps = laps

    def most(self, tau):
        return max(lap.most(tau) for lap in self.laps)

    def runs(self):
        return [max(each) for each in zip(*(lap.runs() for lap in self.laps), strict=True)]


def graphite(soc):
    x = 0.0085 + soc * 0.7715
    out = 0.6379 + 0.5416 * math.exp(-305.5309 * x)
    for gain, middle, width in ((-0.044, 0.1958, 0.1088), (-0.1978, 1.0571, 0.0854), (-0.6875, -0.0117, 0.0529),
                                (-0.0175, 0.5692, 0.0875)):  # fmt: skip
        out += gain * math.tanh((x - middle) / width)
    return out


NMC111_V = (3.331, 3.4197, 3.491, 3.5436, 3.5812, 3.6079, 3.6267, 3.6411, 3.6552, 3.6726, 3.6974, 3.7322, 3.7747,
            3.8209, 3.8688, 3.9154, 3.9649, 4.0194, 4.073, 4.1183, 4.162)  # fmt: skip


def nmc111(t, soc, depth, days, cycles):
    """Loss and rise."""
    grid = [k / 20 for k in range(21)]
    rest, middle = line(soc, grid, NMC111_V), line(soc - depth / 2, grid, NMC111_V)
    charge = 4.3 * cycles
    loss = (7.543 * rest - 23.75) * 1e6 * math.exp(-6976 / t) * days**0.75
    loss += (7.348e-3 * (middle - 3.667) ** 2 + 7.6e-4 + 4.081e-3 * depth) * charge**0.5
    rise = (5.270 * rest - 16.32) * 1e5 * math.exp(-5986 / t) * days**0.75
    return loss, rise + max(2.153e-4 * (middle - 3.725) ** 2 - 1.521e-5 + 2.798e-4 * depth, 0.0) * charge


def lfp(t, soc, depth, rate, days, cycles):
    """Loss and rise; rates of rest in the root of seconds and in seconds."""
    inverse = (1 / t - 1 / 298.15) / GAS
    loss = 1.2571e-5 * math.exp(-17126 * inverse) * (2.8575 * (soc - 0.5) ** 3 + 0.60225) * (days * 86400) ** 0.5
    loss += (0.063 * rate + 0.0971) * (4.0253 * (depth - 0.6) ** 3 + 1.0923) / 100 * cycles**0.5
    rise = 3.4194e-10 * math.exp(-71827 * inverse) * (-3.3903 * (soc - 0.5) ** 2 + 1.5604) * days * 86400
    return loss, rise + max(0.0021 - 0.002 * rate, 0.0) * (6.8477 * (depth - 0.5) ** 3 + 0.9188) / 100 * cycles


def losses(chemistry, t, soc, depth, rate, days, cycles):
    """Loss of capacity of each published cell, and the rise of resistance per loss."""
    loss, rise = lfp(t, soc, depth, rate, days, cycles) if chemistry == "LFP" else nmc111(t, soc, depth, days, cycles)
    per_loss = max(rise, 0.0) / max(loss, 1e-9)
    if chemistry == "LFP":
        large = 8.37e4 * math.exp((-5210 - 3560 * graphite(soc)) / t) * days**0.526
        large += (4.38e-8 + 1.55e-8 * depth + 1.68e-7 * rate) * math.exp(2190 / t) * cycles**0.828
        return [loss, large], per_loss
    if chemistry == "NCA":
        rest = 75.4 * math.exp((353 * soc - 3340) / t) * days**0.512
        return [rest + 2 * (1.86e-6 + 4.74e-11 * rate + 1.77e-4 * depth) * cycles**0.699], per_loss
    if chemistry == "LTO":
        warm = t / 318.15
        return [(1.29 + 7.83e-5 * rate + 4.02 * depth**3) * math.exp(-8.33 / warm) * cycles**0.526], per_loss
    warm = t / 308.15
    pouch = 36.2 * math.exp(-4.4 / warm**3 * (graphite(soc) / 0.123) ** (1 / 3)) * (days / 1e4) ** 0.708
    pouch += 0.844 * (depth**2 * warm**3 * rate**0.5) ** 0.458 * (cycles / 1e5) ** 0.467
    silicon = 0.0353 * math.exp((57.7 * soc - 1030) / t) * days**0.743
    spread = math.exp(2250 / t) + math.exp(-11400 / t)
    return [loss, pouch, silicon + (1.77e-7 + 8.08e-13 * rate + 2.21e-7 * depth) * spread * cycles**0.695], per_loss


class Wear:
    """What [use] does to one cell in a pack of so many, on the brief's own ride."""

    def __init__(self, brief, lap, bins, chemistry, *, total_kg, pack_wh):
        self.use, self.chemistry = brief.use, chemistry
        lap_km, hours = sum(lap.metres) / 1000, sum(lap.seconds) / 3600
        self.ride_km, self.per_km = brief.use.ride_km or lap_km, hours / lap_km
        self.km_per_year = self.ride_km * brief.use.rides_per_week * YEAR / 7
        mean_w = sum(weight * lap.drawn_w(a + b * total_kg) for a, b, weight in bins)
        self.share = mean_w * self.per_km * self.ride_km / pack_wh
        self.window = max(brief.use.charge_to_soc - brief.ride.reserve_soc, 0.01)

    def left(self, years):
        """Capacity by each published cell, and the rise of resistance per part lost."""
        use, days = self.use, years * YEAR
        found, per_loss = losses(
            self.chemistry, use.storage_temp_c + 273.15, use.charge_to_soc, min(self.share, self.window),
            self.share / (self.per_km * self.ride_km), days, self.share * use.rides_per_week / 7 * days,
        )  # fmt: skip
        return [min(max(1 - loss, 0.3), 1.0) for loss in found], per_loss

    def life_years(self, pick):
        low, high = 0.0, 30.0
        for _ in range(50):
            middle = (low + high) / 2
            low, high = (middle, high) if pick(self.left(middle)[0]) > 0.8 else (low, middle)
        return high

    def figures(self, *, mean_w, cost):
        """Life and cost of use; mean_w is what the cells give over the lap."""
        years = self.life_years(median)
        energy = self.use.energy_price_per_kwh * mean_w / 1000 * self.per_km / self.use.charger_efficiency
        return {
            "life_years": years, "life_years_least": self.life_years(min), "life_years_most": self.life_years(max),
            "life_km": years * self.km_per_year,
            "cost_per_1000_km": 1000 * (cost / (years * self.km_per_year) + energy),
        }  # fmt: skip
