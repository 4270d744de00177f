"""The rules of protection a second time: from a design.json alone, in loops, by nothing that the program computed with.

Wires, plates and connectors are followed through time in small steps; fuses by the gates of their standards; the ride
by a battery of one resistance, within SLACK of what the program steps through.
"""

import math
from itertools import pairwise

from plain_heat import SUN_TAKEN, sun_k
from plain_protection import METALS, adiabatic_k2, opens_within

# Least and most seconds at a multiple of the rating: ISO 8820-3 type E, ISO 8820-5 SF51 (from memory).
GATES = {
    "ISO 8820-3 E": "1.1:360000..;1.35:60..1800;2:2..60;3.5:0.2..7;6:0.04..1",
    "ISO 8820-5 SF51": "1:14400..;1.35:120..1800;2:1..15;3.5:0.3..5;6:0.1..1",
}
# Of strip whose table says nothing.
OHM_M = {"copper": 1.7241e-8, "nickel": 9.5e-8, "nickel_plated_steel": 1.43e-7, "aluminium": 2.8264e-8}
# Of currents on the ride: one resistance stands for a cell's over time.
SLACK = 1.05


def faults(data, *, ride=True):
    """Every rule that a design breaks, in words; empty for none."""
    pack = Pack(data)
    found = [*voltages(pack), *conductors(pack), *board(pack), *braking(pack), *cell_and_fuse(pack), *ordered(data),
             *charging(pack), *overload(pack)]
    return found + (on_the_ride(pack) if ride else [])


class Pack:
    """What the file says, by name."""

    def __init__(self, data):
        self.data, self.brief, self.figures = data, data["brief"], data["figures"]
        choice, tables = data["choices"], data["catalog"]
        self.series, self.parallel = choice["series"], choice["parallel"]
        self.cell, self.bms, self.fuse, self.strip = (tables[t][0] for t in ("cells", "bms", "fuses", "strips"))
        self.wire = next(each for each in tables["wires"] if each["id"] == choice["wire"])
        rules, asked = self.brief["protection"], self.brief["electrical"]
        warmest = max(asked["temp_c"], *warm(self.brief))
        self.air, self.rules, self.seconds = warmest + rules["box_rise_k"], rules, asked["peak_seconds"]
        self.derated = min(max(1.0 - 0.003 * (self.air - 25.0), 0.1), 1.0)
        self.path = self.bms.get("path") or "common"
        self.least, self.most = curves(self.fuse)
        self.stages = dict(self._stages())

    def _stages(self):
        """Rated current, limit and (share, time constant) of every part that the pack's current warms."""
        rated, limit = self.wire["current_a"], max(self.wire["insulation_temp_c"], self.air + 1.0)
        area = 17.241 / self.wire["resistance_ohm_per_km"]
        tau = adiabatic_k2("copper", 1.7241e-8, self.air, limit) * area**2 / rated**2
        yield ("wire", self.wire["id"]), (rated, limit, [(1.0, tau)])
        plug = self.brief.get("power_connector")
        if plug:
            limit = max(plug["limit_c"], self.air + 1.0)
            yield ("connector", "power"), (plug["current_a"], limit, [(1.0, plug["tau_s"])])
        for each in self.data["conductors"]:
            # The lead of a plate on one cell may join it at the weld: no current flows along its metal.
            density = self.strip["current_density_a_mm2"] / max(each["worst_density_a_mm2_per_a"], 1e-12)
            yield ("strip", each["name"]), (density, *self._plate(each))
            if self.strip["form"] == "tabbed" and each["way"] != "fold":
                yield ("strip", f"{each['name']} tabs"), (density, *self._tabs())

    def _tabs(self):
        """Tabs of nickel lead their heat over 3 mm to both sides, both on one cell."""
        strip, cell, limit = self.strip, self.cell, max(self.rules["strip_limit_c"], self.air + 1.0)
        _, beta, conduction = METALS["nickel"]
        density = strip.get("tab_density_a_mm2") or 5.0
        heat = density**2 * 9.5e-5 * (1.0 + (limit - 20.0) / (beta + 20.0))
        middle = min(heat * 9.0 / (8.0 * conduction * 1e-3) / (limit - self.air), 1.0)
        wide, thick = strip.get("tab_width_mm") or 6.0, strip.get("tab_mm") or 0.15
        volume = math.pi / 4.0 * cell["diameter_mm"] ** 2 * cell["length_mm"]
        ends_s = 0.05 * volume * 2.2e-3 * (limit - self.air) / (heat * wide * thick * 3.0)
        first = density**2 / adiabatic_k2("nickel", 9.5e-8, self.air, limit) - (1.0 - middle) / ends_s
        return limit, [(middle, middle / first if first > 0 else ends_s), (1.0 - middle, ends_s)]

    def _plate(self, conductor):
        strip, cell = self.strip, self.cell
        _, beta, conduction = METALS[strip["material"]]
        ohm_mm = (strip.get("resistivity_ohm_m") or OHM_M[strip["material"]]) * 1000.0
        limit = max(self.rules["strip_limit_c"], self.air + 1.0)
        room, density = limit - self.air, strip["current_density_a_mm2"]
        # A sheet is looked at in stretches of 15 mm.
        if conductor["way"] == "fold":
            # Off the cells: no heat leaves it in the first moments.
            k2 = adiabatic_k2(strip["material"], ohm_mm * 1e-3, self.air, limit)
            return limit, [(1.0, k2 / density**2)]
        width = 15.0 if strip["form"] in ("sheet", "tabbed") else strip["width_mm"]
        round_cell = cell["shape"] == "cylinder"
        across = cell["diameter_mm"] if round_cell else max(cell["width_mm"], cell["thickness_mm"])
        volume = math.pi / 4.0 * cell["diameter_mm"] ** 2 if round_cell else cell["width_mm"] * cell["thickness_mm"]
        span = across + self.brief["clearance"]["cell_gap_mm"]
        heat = density**2 * ohm_mm * (1.0 + (limit - 20.0) / (beta + 20.0))
        middle = min(heat * span**2 / (8.0 * conduction * 1e-3) / room, 1.0)
        ends = 0.1 * volume * cell["length_mm"] * 2.2e-3 / self.data["choices"]["strip_layers"]
        ends_s = ends * room / (heat * width * strip["thickness_mm"] * span)
        first = density**2 / adiabatic_k2(strip["material"], ohm_mm * 1e-3, self.air, limit) - (1 - middle) / ends_s
        return limit, [(middle, middle / first if first > 0 else ends_s), (1.0 - middle, ends_s)]


def warm(brief):
    """Air on every ride, with what the sun adds to the sunniest box in still air, and cells that start warmer."""
    base, sun = brief["ride"]["temp_c"], brief["thermal"]["sun_w_m2"]
    for item in ({}, *brief["situation"]):
        air_c, sun_w_m2 = (there if here is None else here
                           for here, there in ((item.get("temp_c"), base), (item.get("sun_w_m2"), sun)))  # fmt: skip
        yield max(air_c, air_c if item.get("start_temp_c") is None else item["start_temp_c"])
        takes = SUN_TAKEN[brief["thermal"]["colour"]]
        lit = brief["compartment"] if sun_w_m2 else ()
        yield from (air_c + sun_k(sides(room), sun_w_m2, takes, air_c, 0.0) for room in lit)


def sides(room):
    """Outer size of a box or a prism [mm], height last."""
    if room["shape"] == "box":
        return [room[f"{name}_mm"] for name in ("length", "width", "height")]
    size = [max(each) - min(each) for each in zip(*room["profile_mm"], strict=True)]
    return [*size[:"xyz".index(room["extrude"])], room["depth_mm"], *size["xyz".index(room["extrude"]):]]


def curves(fuse):
    """Points of the least and of the most seconds until a fuse opens."""
    text = fuse.get("points") or GATES[fuse["kind"] or "ISO 8820-3 E"]
    least, most = [], []
    for part in text.split(";"):
        at, times = part.split(":")
        low, high = times.split("..")
        least += [(float(at), float(low))] if low else []
        most += [(float(at), float(high))] if high else []
    return least, most


def rise(stages, seconds, ratio, before=0.0):
    """Share of the rise at the rating after a time at a current over the rating, from another that flowed for ever."""
    left = [(share, math.exp(-seconds / tau)) for share, tau in stages]
    return sum(share * (before**2 * kept + ratio**2 * (1.0 - kept)) for share, kept in left)


def voltages(pack):
    full_v, fault = pack.series * pack.cell["voltage_max_v"], pack.figures["fault_current_a"]
    if pack.fuse["voltage_dc_v"] < full_v - 1e-9:
        yield "the fuse is not rated for the full voltage"
    if pack.bms["voltage_max_v"] < full_v - 1e-9:
        yield "the board is not rated for the full voltage"
    # Behind all wiring and after ten seconds still more than this flows through a short circuit.
    least = full_v / (pack.figures["resistance_mohm"] * 1e-3)
    if fault < least * (1.0 - 1e-6):
        yield f"a fault current of {fault:.0f} A is told, and {least:.0f} A flow behind the pack's own resistance"
    if pack.rules["fuse_breaks"] and pack.fuse["breaking_a"] < max(least, fault) * (1.0 - 1e-9):
        yield f"the fuse breaks {pack.fuse['breaking_a']} A of {max(least, fault):.0f} A"


def conductors(pack):
    """The fuse before every conductor at every current; none over its limit after the peak or in the long run."""
    needs = {}
    told = {(each["part"], each["name"]): each for each in pack.data["parts_after_peak"]}
    for part, (rated, limit, stages) in pack.stages.items():
        key = tuple(stages)
        needs[key] = needs[key] if key in needs else needed(pack, stages)
        if pack.rules["fuse_protects"] and rated < needs[key] * (1.0 - 1e-3):
            yield f"{part} bears {rated:.1f} A, burns before the fuse opens, and would need {needs[key]:.1f} A"
        peak_c = pack.air + (limit - pack.air) * rise(stages, pack.seconds, pack.figures["peak_current_a"] / rated)
        if peak_c > limit + 0.01:
            yield f"{part} is {peak_c:.1f} °C after the peak, over {limit:.0f} °C"
        if abs(peak_c - told[part]["temp_c"]) > 0.02:
            yield f"{part} is {peak_c:.2f} °C after the peak, and {told[part]['temp_c']:.2f} °C is told"
        if pack.figures["continuous_current_a"] > rated * (1.0 + 1e-6):
            yield f"{part} is over its rating at continuous power"
    if pack.strip["form"] == "tabbed":
        # A cell's share leaves its tab on both sides.
        section = (pack.strip.get("tab_width_mm") or 6.0) * (pack.strip.get("tab_mm") or 0.15)
        bears = 2.0 * pack.parallel * section * (pack.strip.get("tab_density_a_mm2") or 5.0)
        if pack.figures["continuous_current_a"] > bears * (1.0 + 1e-6):
            yield f"tabs bear {bears:.1f} A at continuous power"


def needed(pack, stages):
    """Rating that a part must have so that the fuse opens first at every current, out of three quarters of its own."""
    rating, first = pack.fuse["current_a"], max(pack.most[0][0], 1.0)
    multiples = {first * (60.0 / first) ** (k / 500) for k in range(501)} | {m for m, _ in pack.most if m > first}
    square = max(rise(stages, opens_within(pack.most, m), m, 0.75) for m in multiples)
    return rating * max(first, math.sqrt(square))


def board(pack):
    """The board does not trip below what the pack is said to give; where the discharge goes past it, it cannot."""
    if pack.path == "charge only" or not pack.rules["bms_holds"]:
        return
    bms = pack.bms
    most = bms["current_peak_a"] if bms["peak_s"] >= pack.seconds else bms["current_continuous_a"]
    if pack.figures["peak_current_a"] > max(most, bms["current_continuous_a"]) * (1.0 + 1e-6):
        yield "the board trips on the peak"
    if pack.figures["continuous_current_a"] > bms["current_continuous_a"] * (1.0 + 1e-6):
        yield "the board trips at continuous power"


def braking(pack):
    limit, asked = pack.figures["regen_limit_a"], pack.brief["electrical"]["regen_current_a"]
    coldest = min(pack.brief["ride"]["temp_c"], pack.brief["electrical"]["temp_c"])
    part = 1.0 if coldest >= 15 or pack.cell["chemistry"] in ("LTO", "Na-ion") else 0.4 if coldest >= 5 else 0.2
    part = part if coldest >= 0 or pack.cell["chemistry"] in ("LTO", "Na-ion") else 0.0
    most = {
        "cells": part * pack.cell["current_charge_a"] * pack.parallel, "wire": pack.wire["current_a"],
        "fuse": 0.75 * pack.derated * pack.fuse["current_a"],
        "board": {"common": pack.bms["current_charge_a"], "separate": pack.bms["current_continuous_a"]}.get(
            pack.path, math.inf),
    }  # fmt: skip
    yield from (f"braking overloads the {name}" for name, amps in most.items() if limit > amps * (1.0 + 1e-6))
    if pack.brief["vehicle"]["balances_on_motor"] and pack.rules["regen_holds"] and limit < asked - 1e-6:
        yield "a rider who balances on the motor falls when braking trips"


def cell_and_fuse(pack):
    amps, steady = pack.figures["peak_current_a"] / pack.parallel, pack.cell["current_continuous_a"]
    pulse = max(pack.cell["current_pulse_a"] or 0.0, steady)
    if amps > pulse * (1.0 + 1e-6):
        yield "the peak is over the cells' pulse rating"
    if amps > steady and pulse > steady:
        memory = -pack.cell["pulse_s"] / math.log1p(-((steady / pulse) ** 2))
        if amps**2 * -math.expm1(-pack.seconds / memory) > steady**2 * (1.0 + 1e-6):
            yield "the peak lasts longer than the cells' pulse"
    peak, rating = pack.figures["peak_current_a"], pack.fuse["current_a"] * pack.derated
    # 29 % of the melting I²t, for 10,000 pulses.
    if opens_within(pack.least, peak / rating * (1.0 - 1e-6)) < pack.seconds / 0.29 * (1.0 - 1e-6):
        yield "the fuse may open or age in the peak"
    if pack.figures["continuous_current_a"] > 0.75 * rating * (1.0 + 1e-6):
        yield "the fuse ages at continuous power"


def ordered(data):
    """Settings: controller before board before fuse; fade over cut-off over the board's."""
    at = {each["name"]: each for each in data["settings"]}
    chain = ("battery current", "BMS discharge over-current", "BMS discharge over-current, second", "BMS short circuit")
    amps = [at[name].get("current_a") for name in chain]
    amps = [each for each in amps if each is not None]
    volts = [at[name]["cell_v"] for name in ("BMS over-voltage", "charger voltage", "fade", "cut-off",
                                             "BMS under-voltage")]  # fmt: skip
    if any(b < a * (1.0 - 1e-9) for a, b in pairwise(amps)):
        yield f"currents of the settings are out of order: {amps}"
    if any(b > a + 1e-9 for a, b in pairwise(volts)) or volts[2] <= volts[3]:
        yield f"voltages of the settings are out of order: {volts}"


def charging(pack):
    """The board ends a charge before cells, fuse and wire have had enough, and lets through what is set and chosen."""
    at = {each["name"]: each for each in pack.data["settings"]}
    trip, most = at["BMS charge over-current"]["current_a"], at["charger current, most"]["current_a"]
    parts = {
        "cells": pack.cell["current_charge_a"] * pack.parallel, "wire": pack.wire["current_a"],
        "fuse": 0.75 * pack.derated * pack.fuse["current_a"], "board": pack.bms["current_charge_a"],
    }  # fmt: skip
    for what, amps in (("charging", trip), ("the charger", most)):
        yield from (f"{what} overloads the {name}" for name, bears in parts.items() if amps > bears * (1.0 + 1e-6))
    if pack.path == "common" and trip < at["regeneration"]["current_a"] * (1.0 - 1e-6):
        yield "the board trips on the regeneration that is set"


def overload(pack):
    """Nothing flows for ever that a part does not bear for ever, and the board never for longer than its peak."""
    at = {each["name"]: each for each in pack.data["settings"]}
    lasting, burst = at["BMS discharge over-current, continuous"], at["BMS discharge over-current"]
    if pack.path == "charge only" or not pack.rules["bms_holds"]:
        return
    if lasting["current_a"] > pack.bms["current_continuous_a"] * (1.0 + 1e-6):
        yield f"{lasting['current_a']:.1f} A flow for ever through a board of {pack.bms['current_continuous_a']} A"
    if lasting["current_a"] < at["battery current, continuous"]["current_a"] * (1.0 - 1e-6):
        yield "the board trips on what the controller may draw for ever"
    over = burst["current_a"] > pack.bms["current_continuous_a"] * (1.0 + 1e-6)
    if over and max(lasting["seconds"], burst["seconds"]) > pack.bms["peak_s"] + 1e-9:
        yield "the board is over its continuous rating for longer than its peak lasts"


def on_the_ride(pack):
    """Whether anything trips, opens or burns within the range that the pack is said to have."""
    currents = followed(pack)
    if not currents:
        return []
    found = []
    highest, known = max(amps for amps, _ in currents), {}
    for part, (rated, _, stages) in pack.stages.items():
        key = tuple(stages)
        known[key] = known[key] if key in known else hottest(currents, stages)
        if known[key] > (rated * SLACK) ** 2:
            found.append(f"{part} gets over its limit on the ride")
    mean = math.sqrt(sum(amps**2 * step for amps, step in currents) / sum(step for _, step in currents))
    if mean > 0.75 * pack.derated * pack.fuse["current_a"] * SLACK:
        found.append("the fuse ages on the ride")
    bms = pack.bms
    if pack.path != "charge only" and pack.rules["bms_holds"]:
        most = max(bms["current_peak_a"], bms["current_continuous_a"])
        run = longest(currents, bms["current_continuous_a"] * SLACK)
        if highest > most * SLACK or run > max(bms["peak_s"], 0.0) + 1e-9:
            found.append(f"the board trips on the ride: {highest:.1f} A, {run:.1f} s over its continuous rating")
    for level in (1.2, 1.5, 2.0, 3.0, 5.0):
        amps = level * pack.fuse["current_a"] * pack.derated
        if longest(currents, amps * SLACK) > opens_within(pack.least, level):
            found.append(f"the fuse may open on the ride at {amps:.0f} A")
    return found


def hottest(currents, stages):
    """Largest moving mean of the squared current along a ride from rest, by the stages of a part [A²]."""
    states, most = [0.0] * len(stages), 0.0
    for amps, seconds in currents:
        states = [y + (amps * amps - y) * -math.expm1(-seconds / tau)
                  for y, (_, tau) in zip(states, stages, strict=True)]  # fmt: skip
        most = max(most, sum(share * y for (share, _), y in zip(stages, states, strict=True)))
    return most


def longest(currents, level):
    """Longest time in a row above a current."""
    best = here = 0.0
    for amps, seconds in currents:
        here = here + seconds if amps > level else 0.0
        best = max(best, here)
    return best


def followed(pack):
    """Currents of the ride up to the range, drawn and braked, as (amps, seconds): a battery of one resistance."""
    lap = lap_of(pack)
    ohm, capacity = pack.figures["resistance_mohm"] * 1e-3, pack.cell["capacity_ah"] * pack.parallel
    curve, soc = pack.data["ocv_curve"], pack.brief["ride"]["start_soc"]
    capacity *= pack.brief["ageing"]["capacity_fraction"]
    way, out = 0.0, []
    while way < pack.figures["range_km"] * 1000.0 and len(out) < 200_000:
        for watts, seconds, metres in lap:
            volts = pack.series * between(soc, curve["soc"], curve["ocv_v"])
            amps = 2.0 * watts / (volts + math.sqrt(max(volts * volts - 4.0 * ohm * watts, 0.0)))
            amps = max(amps, -pack.figures["regen_limit_a"])
            soc -= amps * seconds / 3600.0 / capacity
            way += metres
            if way > pack.figures["range_km"] * 1000.0:
                break
            out.append((abs(amps), seconds))
        if not lap or sum(step[2] for step in lap) <= 0:
            break
    return out


def between(x, xs, ys):
    x = min(max(x, xs[0]), xs[-1])
    for (x0, y0), (x1, y1) in pairwise(zip(xs, ys, strict=True)):
        if x <= x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
    return ys[-1]


def lap_of(pack):
    """Power at the battery, seconds and metres of each step of a lap: rolling, air, grade, inertia."""
    vehicle, ride, trace = pack.brief["vehicle"], pack.brief["ride"], pack.data["ride_trace"]
    kg = vehicle["mass_kg"] + vehicle["rider_kg"] + vehicle["payload_kg"] + pack.figures["pack_mass_kg"]
    if trace is None:
        speed = ride["speed_kmh"] / 3.6
        steps = [(speed, speed, ride["grade_pct"], ride["length_km"] * 1000.0 / speed)]
    else:
        points = list(zip(trace["time_s"], trace["speed_kmh"], trace["grade_pct"], strict=True))
        steps = [(a[1] / 3.6, b[1] / 3.6, a[2], b[0] - a[0]) for a, b in pairwise(points)]
    # Air by the standard atmosphere's pressure at the altitude, and by the ride's temperature.
    pascal = 101325.0 * (1.0 - 2.25577e-5 * vehicle["altitude_m"]) ** 5.25588
    rho = pascal / (287.05 * (ride["temp_c"] + 273.15))
    out = []
    for v0, v1, grade, seconds in steps:
        v, a = 0.5 * (v0 + v1), (v1 - v0) / seconds
        slope = math.atan(grade / 100.0)
        wind = v + ride.get("headwind_kmh", 0.0) / 3.6
        force = kg * 9.80665 * (math.sin(slope) + vehicle["crr"] * math.cos(slope) * (v > 0))
        force += 0.5 * rho * vehicle["cda_m2"] * wind * abs(wind) + kg * vehicle["rotating_factor"] * a
        power = force * v
        factor = 1.0 / vehicle["drivetrain_efficiency"] if power > 0 else vehicle["regen_efficiency"]
        out.append((power * factor + vehicle["accessory_w"], seconds, v * seconds))
    return out
