"""Every figure of one pack, one after the other: from the docstrings of optimizer.score and all that it calls.

Inputs are what was read (catalogs, brief) and what the fit found (positions, groups, volume of the cases).
"""

import math
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from statistics import median

from plain_cell import cell_of, even, line, ride_cell
from plain_fast import Course, Run
from plain_harness import harness_of
from plain_heat import SUN_TAKEN, hot_rise, padded, sun_k, sun_w, walls_of_boxes, wind_w_m2_k
from plain_protection import (
    Laps,
    adiabatic_k2,
    bms_ride,
    fuse_ride,
    joint_stages,
    opens_within,
    over_for,
    peak_of_fuse,
    second_metal,
    second_stages,
    strip_stages,
    volume,
    wire_stages,
)
from plain_road import G, bins_of, lap_of
from plain_step import Load, fine_steps, ride
from plain_ties import tie_plates
from plain_warm import Warm, warmed
from plain_wear import Hardest, Wear, box_air, conditions

from optimizer.fit.region.geometry import clearance
from optimizer.pack.case.room import room_for
from optimizer.pack.case.volume import case_volume
from optimizer.pack.case.wanted import case_rules
from optimizer.pack.conductors.chained import chain_metal
from optimizer.pack.conductors.solved import figures
from optimizer.pack.joining import method_for
from optimizer.search.space.parts import lay_rules

LIMIT_ORDER = ("sag", "cell current", "strip", "wire", "BMS", "fuse", "controller", "matched load", "temperature",
               "controller cut-off")  # fmt: skip


@dataclass
class Pack:
    """A candidate by its catalog rows, groups and fills of each compartment."""

    cell: int
    series: int
    parallel: int
    split: tuple
    fills: tuple
    strip: int
    layers: int
    wire: int
    bms: int
    fuse: int
    stand: int = 0


@cache
def normal_max(n):
    """Mean of the largest of n standard normal values: ∫ x n φ Φ^(n−1) dx, by Simpson's rule."""
    if n == 1:
        return 0.0
    steps, width = 4000, 9.5
    total = 0.0
    for k in range(steps + 1):
        x = width * (2.0 * k / steps - 1.0)
        below = 0.5 * math.erfc(-x / math.sqrt(2.0))
        value = x * n * math.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi) * below ** (n - 1)
        total += value * (1 if k in (0, steps) else 4 if k % 2 else 2)
    return total * 2.0 * width / steps / 3.0


class Plain:
    """The plain score of one brief; `space` gives what was read, the fit's layouts and where parts lie, no more."""

    def __init__(self, space, item=None):
        """`item`: a situation of the brief; None: its own conditions, with those of all situations beside them."""
        self.inputs, self.rooms, self.whole, self.space = space.inputs, space.rooms, space.brief, space
        self.brief = space.brief if item is None else conditions(space.brief, item)
        steady = item is not None and item.speed_kmh is not None
        trace = None if steady else self.inputs.ride
        self.lap = lap_of(self.brief, trace if item is None else self.inputs.rides.get(item.name, trace))
        vehicle = self.brief.vehicle
        self.vehicle_kg = vehicle.mass_kg + vehicle.rider_kg + vehicle.payload_kg
        # The ride is compressed for packs of 0 to 120 kg.
        self.bins = bins_of(self.lap, self.vehicle_kg, self.vehicle_kg + 120.0)
        self.laps = Laps(self.lap, [self.vehicle_kg + pack_kg for pack_kg in (0.0, 15.0, 120.0)])
        self._cells, self._cases, self._courses, self._ridden, self._suns, self._walls = {}, {}, {}, {}, {}, None
        # Cells at the ride's start: at the air's temperature unless a situation says otherwise.
        air_c = self.brief.ride.temp_c
        self.start_c = air_c if item is None or item.start_temp_c is None else item.start_temp_c
        self.years = 0.0 if item is None else item.years
        # Capacity left and growth of resistance of the pack in hand.
        self.kept, self.grown = 1.0, 1.0
        self.others = {each.name: Plain(space, each) for each in space.brief.situation} if item is None else {}
        # Parts bear the hardest ride of all.
        self.hardest = Hardest([self.laps, *(each.laps for each in self.others.values())])
        for each in self.others.values():
            each.hardest = self.hardest
        self.air_in_box = box_air(self.whole, self.rooms)

    def cell(self, row):
        if row not in self._cells:
            cell = cell_of(self.inputs.cells, row, self.brief.ageing)
            # Charged at charge_temp_c, ridden from the coldest of air and start on, up to 30 K above the warmest, and
            # at 60 °C.
            low, high = sorted((self.brief.ride.temp_c, self.start_c))
            temps = [low + part * (high + 30.0 - low) for part in (0.0, 0.4, 1.0)]
            temps += [60.0] * (high + 30.0 < 60.0)
            charged = ride_cell(cell, self.brief.electrical.charge_temp_c)
            self._cells[row] = cell, charged, Warm([ride_cell(cell, at) for at in temps], temps)
        cell, charged, warm = self._cells[row]
        kept, grown = self.kept, self.grown
        warm = Warm([older(each, kept, grown) for each in warm.cells], warm.temps)
        return Grown(cell, kept, grown), older(charged, kept, grown), warm

    def wear(self, pack):
        """What [use] does to the cells of a pack, on the brief's own ride."""
        cells, count = self.inputs.cells, pack.series * pack.parallel
        return Wear(
            self.brief, self.lap, self.bins, str(cells.chemistry[pack.cell]),
            total_kg=self.vehicle_kg + count * float(cells.mass_g[pack.cell]) / 1000.0,
            pack_wh=count * self.cell(pack.cell)[0].energy_wh(),
        )  # fmt: skip

    def aged(self, pack, wear, *, by=median, years=None):
        """From here on the cells are those of the pack after the situation's years, by one of the published cells."""
        self.kept, self.grown = 1.0, 1.0
        years = self.years if years is None else years
        if years:
            left, per_loss = wear.left(years)
            self.kept = by(left)
            self.grown = 1.0 + per_loss * (1.0 - self.kept)

    def everywhere(self, pack, *, stepped=True):
        """Figures under the brief's own conditions, and those of every situation with its name behind."""
        parts = self.parts(pack)
        out = self.figures(pack, stepped=stepped, parts=parts)
        wear = None if self.brief.use is None else self.wear(pack)
        if wear is not None:
            out |= wear.figures(mean_w=out["mean_w"], cost=out["cost"])
        for name, other in self.others.items():
            other.aged(pack, wear)
            figures = other.figures(pack, stepped=stepped, fast=False, parts=parts)
            out |= {f"{key}_{name}": value for key, value in figures.items()}
            out |= {f"capacity_left_{name}": other.kept} if other.years else {}
            for end, by in (("least", min), ("most", max)) if other.years and stepped else ():
                other.aged(pack, wear, by=by)
                out[f"range_{end}_km_{name}"] = other.figures(pack, fast=False, parts=parts)["range_km"]
                out[f"capacity_left_{end}_{name}"] = other.kept
        return out

    def walls(self):
        """From holders through the walls to the air, and the walls' heat capacity."""
        if self._walls is None:
            forced = [self.forced(room) for room in self.rooms]
            self._walls = walls_of_boxes(self.rooms, self.brief.clearance.wall_mm, self.brief.ride.temp_c, forced)
        return self._walls

    def forced(self, room):
        """Convection by the ride's wind at a box."""
        return wind_w_m2_k(self.lap, [high - low for low, high in room.extent_mm], self.brief.thermal.wind_part)

    def sun(self, *, windy, air_c=None):
        """By how much the sun warms the box that it warms most."""
        air_c = self.brief.ride.temp_c if air_c is None else air_c
        return max(
            sun_k([high - low for low, high in room.extent_mm], self.brief.thermal.sun_w_m2, self.takes, air_c,
                  self.forced(room) if windy else 0.0)
            for room in self.rooms
        )  # fmt: skip

    @property
    def takes(self):
        return SUN_TAKEN[self.brief.thermal.colour]

    def weathers(self, room):
        """Wind, the sun that a box takes up [W], and the rise of the sunniest, still and on the ride, of each ride."""
        sides, out = [high - low for low, high in room.extent_mm], []
        for each in (self, *self.others.values()):
            if id(each) not in self._suns:
                self._suns[id(each)] = [each.sun(windy=windy, air_c=25.0) for windy in (False, True)]
            taken = sun_w(sides, each.brief.thermal.sun_w_m2, each.takes)
            out.append((each.forced(room), taken, *self._suns[id(each)]))
        return out

    def filler(self, fill):
        """What a layout is filled with, by its name."""
        for one in self.brief.thermal.filler:
            if fill.layout.name.endswith(f", {one.name}"):
                return one
        return None

    def filled(self, used, stand):
        """Filler, its volume and that of its plates in each fill that has one [mm³]."""
        for fill, groups, room in used:
            one = self.filler(fill)
            if one is not None:
                rules, gaps = case_rules(self.brief, fill.layout.size), clearance(self.brief, fill.layout.size)
                if one.kind == "potting":
                    yield one, self.case(fill, groups, stand)[3], 0.0
                else:
                    yield one, *padded(fill.layout, fill.chain, groups, room, gaps, rules, one)

    def entropy(self, row):
        """Rise of the open-circuit voltage with temperature, on 201 even states of charge [V/K]."""
        curve = self.inputs.cells.curve_of(row)
        if curve.entropy_mv_per_k is None:
            return [0.0] * 201
        soc, slopes = ([float(each) for each in values] for values in (curve.soc, curve.entropy_mv_per_k))
        return [1e-3 * line(k / 200, soc, slopes) for k in range(201)]

    def ridden(self, row, count, filler_j_k):
        """The cell as it warms in packs of so many, and the course of one without fillers."""
        key = row, count, self.kept, self.grown, filler_j_k
        if key not in self._ridden:
            kg = float(self.inputs.cells.mass_g[row]) / 1000.0
            power = [self.lap.drawn_w(a + b * (self.vehicle_kg + count * kg)) / count for a, b, _ in self.bins]
            weight = [w for _, _, w in self.bins]
            coldest = min(self.brief.ride.temp_c, self.brief.electrical.temp_c)
            least_a = -self.cold_part(row, coldest) * float(self.inputs.cells.current_charge_a[row])
            self._ridden[key] = warmed(
                self.cell(row)[2], self.brief.ride, power, weight, least_a, kg, count, self.walls(), self.start_c,
                self.entropy(row), filler_j_k=filler_j_k,
            )
        return self._ridden[key]

    def plates(self, fill, groups, pack):
        """Metal of the first groups: geometry of the fit's, held against scikit-fem in tests/conductors."""
        strips = self.inputs.strips
        form, thick = strips.form[pack.strip], float(strips.thickness_mm[pack.strip])
        way = "sheet" if form == "sheet" else f"{float(strips.width_mm[pack.strip]):g}x{pack.layers}"
        second = second_metal(strips, pack.strip)
        if second is not None:
            # How much better the second metal conducts, and how much less of it bears the same current.
            ohm_m, mm, wide, density, _ = second
            thick *= pack.layers if form == "sheet" else 1
            better = mm / ohm_m * float(strips.resistivity_ohm_m[pack.strip]) / thick
            less = thick * float(strips.current_density_a_mm2[pack.strip]) / (mm * density)
            if form != "tabbed":
                # Nor is a collector hotter than its plate after a moment without any loss of heat.
                air = self.air_in_box
                first, other = (
                    math.sqrt(adiabatic_k2(metal, each, air, max(self.brief.protection.strip_limit_c, air + 1.0)))
                    for metal, each in ((str(strips.material[pack.strip]), float(strips.resistivity_ohm_m[pack.strip])),
                                        (str(strips.collector_material[pack.strip]), ohm_m))
                )  # fmt: skip
                less = max(less, thick * first / (mm * other))
            more = f"{wide:g}/{float(f'{better:.6g}'):g}/{float(f'{less:.6g}'):g}"
            way = f"tabs{more}" if form == "tabbed" else f"{way}+{more}"
        found = {name.split(":")[1]: float(value) for name, value in
                 zip(fill.names, fill.metrics[groups], strict=True) if name.startswith(f"{way}:")}
        return found | {"welds": 2.0 * groups / pack.parallel}

    def heated(self, fill, groups, pack, by_cell):
        """Rise of the hottest cell over the box by the squares of each plate, shared by the cells that it joins.

        Geometry of the plates is the fit's.
        """
        build = next(b for b in self.space.builds if (b.strip, b.layers) == (pack.strip, pack.layers))
        room = next(r for r in self.space.rooms_of(pack.stand) if r.name == fill.layout.compartment)
        made = chain_metal(
            fill.layout, fill.chain, build.way, gaps=clearance(self.brief, fill.layout.size), room=room,
            rules=lay_rules(self.brief),
        )  # fmt: skip
        total = 0.0
        for k in made.present(groups):
            cells = made.sites[k].cells
            squares = figures(made.metals[k], made.sites[k].positive).squares
            total += squares * sum(by_cell[int(c)] for c in cells) / len(cells)
        for joint in made.joints:
            if joint.first <= groups:
                cells = [*joint.exit.cells, *joint.entry.cells]
                squares = joint.length_mm / (joint.width_mm * build.way.layers)
                total += squares * sum(by_cell[int(c)] for c in cells) / len(cells)
        return total

    def case(self, fill, groups, stand):
        """Printed volume: geometry of the fit's, among the parts of a stand."""
        if id(fill) not in self._cases:
            layout, rules = fill.layout, case_rules(self.brief, fill.layout.size)
            room = next(r for r in self.space.rooms_of(stand) if r.name == layout.compartment)
            free = room_for(room, axis=layout.axis, rules=rules)
            self._cases[id(fill)] = fill, case_volume(layout, group=fill.chain.group, rules=rules, free=free)
        made = self._cases[id(fill)][1]
        return tuple(float(x[groups - 1]) for x in (made.volume_mm3, made.fasteners, made.bodies, made.open_mm3))

    # What the pack is made of

    def parts(self, pack):
        """Mass, cost, resistance outside the cells, current limits of the parts, unevenness and rise."""
        t, rules = self.inputs, self.brief.parts
        harness = self.harness(pack)
        used = [(f, g, r) for f, g, r in zip(pack.fills, pack.split, self.rooms, strict=True) if g]
        plates = [self.plates(fill, groups, pack) for fill, groups, _ in used]
        sheet = t.strips.form[pack.strip] in ("sheet", "tabbed")
        # Sheets are stacked; strip has its layers in its outlines.
        thick = float(t.strips.thickness_mm[pack.strip]) * (pack.layers if sheet else 1)
        square = float(t.strips.resistivity_ohm_m[pack.strip]) * 1000.0 / thick
        out = {"harness": harness}
        ohm = square * sum(p["squares"] for p in plates)
        ohm += rules.weld_mohm / 1000.0 * sum(p["welds"] for p in plates)
        ohm += harness.power_mm * float(t.wires.resistance_ohm_per_km[pack.wire]) / 1e6
        past = str(t.bms.path[pack.bms]) == "charge only"
        ohm += 0.0 if past else float(t.bms.resistance_mohm[pack.bms]) / 1000.0
        ohm += float(t.fuses.resistance_mohm[pack.fuse]) / 1000.0
        if self.brief.power_connector is not None:
            # One in each power wire: between cases, and at both ends of the chain.
            ohm += (harness.modules + 1) * self.brief.power_connector.resistance_mohm / 1000.0
        out["ohm"] = ohm
        out["spread_ohm"] = square * max(p["spread"] for p in plates)
        metal_kg = sum(p["metal_mm2"] for p in plates) * thick * 1e-9 * float(t.strips.density_kg_m3[pack.strip])
        area = sum(p["bought_mm2"] for p in plates) * (pack.layers if sheet else 1)
        metal_cost = area / float(t.strips.width_mm[pack.strip]) / 1000.0 * float(t.strips.price_per_m[pack.strip])
        if sheet:
            cut_m = sum(p["cut_mm"] for p in plates) * pack.layers / 1000.0
            metal_cost += cut_m * float(t.strips.price_cut_per_m[pack.strip])
        second = second_metal(t.strips, pack.strip)
        if second is not None:
            second_mm = sum(p["second_mm"] for p in plates)
            kind = "tab" if t.strips.form[pack.strip] == "tabbed" else "collector"
            metal_kg += second_mm * second[4]
            metal_cost += second_mm / 1000.0 * float(getattr(t.strips, f"{kind}_price_per_m")[pack.strip])
        out["kg"], out["cost"] = self.weighed(pack, harness, metal_kg, metal_cost, used)
        density = float(t.strips.current_density_a_mm2[pack.strip])
        dense = max(p["dense"] for p in plates)
        out["strip_a"] = thick * density / dense if dense > 1e-12 else math.inf
        size = used[0][0].layout.size
        gaps = clearance(self.brief, size)
        across = size.diameter_mm if size.shape == "cylinder" else max(size.width_mm, size.thickness_mm)
        out["strip_stages"] = strip_stages(
            t.strips, pack.strip, pack.layers, span_mm=across + self.brief.clearance.cell_gap_mm,
            cell_mm3=volume(size), limit_c=self.brief.protection.strip_limit_c,
            air_c=self.air_in_box,
        )[2]  # fmt: skip
        around = {"limit_c": self.brief.protection.strip_limit_c, "air_c": self.air_in_box}
        out["second_stages"] = second_stages(t.strips, pack.strip, cell_mm3=volume(size), **around)
        if any(p["stack_under"] > 0 for p in plates):
            around = {"limit_c": self.brief.protection.strip_limit_c, "air_c": self.air_in_box}
            out["joint_a"], _, out["joint_stages"] = joint_stages(t.strips, pack.strip, pack.layers, **around)
        # Parts are the same in all situations: the worst of all rides' wind and sun.
        warm = [
            hot_rise(fill.layout, fill.chain, groups, room, gaps, case_rules(self.brief, fill.layout.size),
                     self.weathers(room), self.filler(fill))
            for fill, groups, room in used
        ]  # fmt: skip
        for k, name in enumerate(("rise", "ride_rise", "sun_rise", "ride_sun_rise", "box_k")):
            out[name] = max(each[k] for each in warm)
        out["filler_j_k"] = sum(
            mm3 * 1e-9 * one.density_kg_m3 * one.specific_heat_j_kg_k + plates * 2.5e-3
            for one, mm3, plates in self.filled(used, pack.stand)
        )
        weld = rules.weld_mohm / 1000.0 * 2.0 / pack.parallel**2
        out["plates_k"] = weld * max(each[5] for each in warm)
        out["plates_k"] += square * max(
            self.heated(fill, groups, pack, each[6]) for (fill, groups, _), each in zip(used, warm, strict=True)
        )
        out["beside"] = out["plates_k"] + out["box_k"] * ohm
        return out

    def harness(self, pack):
        rules, names = self.brief.harness, [room.name for room in self.rooms]
        per_module = [self.groups_per_module(fill) for fill in pack.fills]
        return harness_of(
            pack.split, self.rooms, per_module, self.brief.parts.sensors, rules.share_balance_leads, rules.slack_mm,
            names.index(rules.bms_in) if rules.bms_in else None, self.legs(pack),
            self.space.stands[pack.stand].placed[0] if self.space.stands[pack.stand].board else None,
            # Ways through passages are geometry, held against design.json elsewhere.
            self.space.links(pack.stand).length_mm.tolist() if self.brief.passage else None,
        )  # fmt: skip

    def legs(self, pack):
        """Power wires and balance leads up to the hubs, a sensor's wire in each room: geometry of the fit's, held
        against design.json elsewhere.
        """
        used = [(f, g) for f, g in zip(pack.fills, pack.split, strict=True) if g]
        sensors = [float(f.metrics[g][f.names.index("sensor_leg_mm")]) if g else 0.0
                   for f, g in zip(pack.fills, pack.split, strict=True)]  # fmt: skip
        return [*(sum(float(f.metrics[g][f.names.index(name)]) for f, g in used)
                  for name in ("power_legs_mm", "lead_legs_mm")), sensors]  # fmt: skip

    def groups_per_module(self, fill):
        """Groups of the fullest module of a layout; 0 for a tray."""
        if fill is None or fill.layout.way != "modules":
            return 0
        found = {}
        for module, group in zip(fill.layout.module, fill.chain.group, strict=True):
            if group >= 0:
                found.setdefault(int(module), set()).add(int(group))
        return max(len(groups) for groups in found.values())

    def weighed(self, pack, harness, metal_kg, metal_cost, used):
        """Mass and cost of all but the cells."""
        t, rules, count = self.inputs, self.brief.parts, pack.series * pack.parallel
        lead = min(range(len(t.wires.id)), key=lambda k: (t.wires.area_mm2[k], -t.wires.insulation_temp_c[k]))
        cases = [self.case(fill, groups, pack.stand) for fill, groups, _ in used]
        volume, screws, bodies, _ = map(sum, zip(*cases, strict=True))
        printed = self.brief.case
        straps = 2 * bodies if printed.hold == "straps" else 0
        case_kg = volume * 1e-9 * rules.case_density_kg_m3
        kg = case_kg + metal_kg
        kg += (count * rules.insulation_g_per_cell + harness.modules * rules.connector_g) / 1000.0
        kg += harness.power_mm * float(t.wires.mass_g_per_m[pack.wire]) / 1e6
        kg += harness.lead_mm * float(t.wires.mass_g_per_m[lead]) / 1e6
        fused = harness.leads if self.brief.protection.balance_leads else 0
        kg += fused * rules.balance_fuse_g / 1000.0
        kg += float(t.bms.mass_g[pack.bms]) / 1000.0 + float(t.fuses.mass_g[pack.fuse]) / 1000.0
        cost = case_kg * rules.case_price_per_kg + metal_cost
        cost += count * rules.insulation_price_per_cell + harness.modules * rules.connector_price
        cost += harness.power_mm / 1000.0 * float(t.wires.price_per_m[pack.wire])
        cost += harness.lead_mm / 1000.0 * float(t.wires.price_per_m[lead])
        kg += (screws * printed.screw_g + straps * printed.strap_g) / 1000.0
        cost += screws * printed.screw_price + straps * printed.strap_price
        cost += fused * rules.balance_fuse_price
        cost += float(t.bms.price[pack.bms]) + float(t.fuses.price[pack.fuse])
        bolted, topped = self.joined(pack, used[0][0].layout.size)
        if topped:
            kg += 2 * count * self.brief.joining.top_g / 1000.0
            cost += 2 * count * self.brief.joining.top_price
        if bolted:
            # A fastener on each of a cell's two terminals; lugs on balance leads and on both ends of a case's chain.
            held, lugs = 2 * count, harness.leads + 2 * harness.modules
            kg += (held * self.brief.joining.fastener_g + lugs * self.brief.joining.lug_g) / 1000.0
            cost += held * self.brief.joining.fastener_price + lugs * self.brief.joining.lug_price
        for fill, groups, _ in used:
            plates, bands = tie_plates(fill.layout, fill.chain.group, groups, self.brief.clearance.cell_gap_mm)
            plates_kg = plates * 1e-9 * rules.tie_density_kg_m3
            kg += plates_kg + bands / 1000.0 * rules.band_g_per_m / 1000.0
            cost += plates_kg * rules.tie_price_per_kg + bands / 1000.0 * rules.band_price_per_m
        for one, mm3, plates in self.filled(used, pack.stand):
            # Aluminium of 2703 kg/m³.
            own_kg, plates_kg = mm3 * 1e-9 * one.density_kg_m3, plates * 1e-9 * 2703.0
            kg += own_kg + plates_kg
            cost += own_kg * one.price_per_kg + plates_kg * one.plate_price_per_kg
        plug, box = self.brief.power_connector, self.brief.box
        if plug is not None:
            kg += (harness.modules + 1) * plug.mass_g / 1000.0
            cost += (harness.modules + 1) * plug.price
        if box is not None:
            for room in self.rooms:
                if room.name in box.compartments:
                    walls = wall_mm3(room, box.wall_mm) * 1e-9 * box.density_kg_m3
                    kg, cost = kg + walls, cost + walls * box.price_per_kg
        return kg, cost

    def joined(self, pack, size):
        """Whether bolts hold the metal, the methods that come first not being able to, and whether welds have tops."""
        strips, rules = self.inputs.strips, self.brief.joining
        rule = method_for(strips, pack.strip, block=size.shape == "block", rules=rules)
        return rule is not None and rule.method == "bolt", rule is not None and rule.top

    def bought(self, row, count):
        """Cost of the cells and their spares, bought up to a break where that is cheaper."""
        t = self.inputs.cells
        need = math.ceil(count * (1.0 + self.brief.parts.spare_fraction) - 1e-9)
        breaks = [(float(q), float(p)) for q, p in zip(t.break_quantity[row], t.break_price[row], strict=True)
                  if math.isfinite(q)]  # fmt: skip
        quantities = [need] + [q for q, _ in breaks if need < q <= float(t.stock[row])]

        def unit(quantity):
            reached = [(q, p) for q, p in breaks if q <= quantity]
            return max(reached)[1] if reached else float(t.price[row])

        return min(quantity * unit(quantity) for quantity in quantities)

    # Currents and powers

    def caps(self, pack, parts):
        """Limits of strip, wire, BMS and fuse: peak, without end, charging, along the ride, and braking."""
        t, seconds, air = self.inputs, self.brief.electrical.peak_seconds, self.air_in_box
        bms_a, peak_a = float(t.bms.current_continuous_a[pack.bms]), float(t.bms.current_peak_a[pack.bms])
        brief_s, charge_a = float(t.bms.peak_s[pack.bms]), float(t.bms.current_charge_a[pack.bms])
        path, holds = str(t.bms.path[pack.bms]), self.brief.protection.bms_holds
        free = path == "charge only" or not holds
        board = {
            "peak": max(bms_a, peak_a if brief_s >= seconds else bms_a), "continuous": bms_a,
            "ride": bms_ride(bms_a, peak_a, brief_s, self.hardest),
        }  # fmt: skip
        board = {name: math.inf if free else value for name, value in board.items()}
        board |= {"charge": charge_a}
        board["regen"] = {"common": charge_a, "separate": bms_a, "charge only": math.inf}[path]
        wire_a, _, stages = wire_stages(t.wires, pack.wire, air)
        wire = {"peak": wire_a * over_for(stages, seconds), "ride": wire_a * self.hardest.over(stages)}
        plug = self.brief.power_connector
        connector = {}
        if plug is not None:
            stages = [(1.0, plug.tau_s)]
            connector = dict.fromkeys(("continuous", "charge", "regen"), plug.current_a)
            connector |= {"peak": plug.current_a * over_for(stages, seconds),
                          "ride": plug.current_a * self.hardest.over(stages)}  # fmt: skip
        # The plate and its second metal, each rated as the weaker of both.
        metals = [stages for stages in (parts["strip_stages"], parts["second_stages"]) if stages is not None]
        strip = {
            "peak": parts["strip_a"] * min(over_for(stages, seconds) for stages in metals),
            "ride": parts["strip_a"] * min(self.hardest.over(stages) for stages in metals),
        }  # fmt: skip
        if "joint_a" in parts:
            strip["peak"] = min(strip["peak"], parts["joint_a"] * over_for(parts["joint_stages"], seconds))
            strip["ride"] = min(strip["ride"], parts["joint_a"] * self.hardest.over(parts["joint_stages"]))
        steady_a = 0.75 * float(t.fuses.current_a[pack.fuse]) * min(max(1.0 - 0.003 * (air - 25.0), 0.1), 1.0)
        fuse = {
            "peak": peak_of_fuse(t.fuses, pack.fuse, seconds, air),
            "ride": fuse_ride(t.fuses, pack.fuse, steady_a, self.hardest, air),
        }  # fmt: skip
        return {
            name: {
                "strip": strip.get(name, parts["strip_a"]), "wire": wire.get(name, wire_a), "BMS": board[name],
                "fuse": fuse.get(name, steady_a), **({"connector": connector[name]} if connector else {}),
            }
            for name in ("peak", "continuous", "charge", "ride", "regen")
        }  # fmt: skip

    def pulse(self, row):
        """A cell's continuous and pulse current, and the time constant of its moving mean of squares."""
        cells = self.inputs.cells
        steady = float(cells.current_continuous_a[row])
        pulse = max(float(cells.current_pulse_a[row]), steady)
        part = (steady / pulse) ** 2
        memory = 1e-6 if part >= 1.0 else max(-float(cells.pulse_s[row]) / math.log1p(-part), 1e-6)
        return steady, pulse, memory

    def cold_part(self, row, coldest):
        """Part of the charge current: 0 below 0 °C, a fifth from there, two fifths from 5 °C, all from 15 °C on.

        Or the cell's own steps.
        """
        part = 1.0 if coldest >= 15 else 0.4 if coldest >= 5 else 0.2 if coldest >= 0 else 0.0
        cells = self.inputs.cells
        if str(cells.chemistry[row]) in ("LTO", "Na-ion"):
            part = 1.0
        steps = [(float(a), float(b)) for a, b in zip(cells.charge_from_c[row], cells.charge_c_rate[row], strict=True)
                 if math.isfinite(a)]  # fmt: skip
        if steps:
            rate = max((b for a, b in steps if a <= coldest), default=0.0)
            part = min(rate * float(cells.capacity_ah[row]) / float(cells.current_charge_a[row]), 1.0)
        return 0.0 if coldest < float(self.inputs.cells.charge_temp_min_c[row]) else part

    def regen(self, pack, caps, share):
        """What braking may return."""
        charge_a = float(self.inputs.cells.current_charge_a[pack.cell])
        coldest = min(self.brief.ride.temp_c, self.brief.electrical.temp_c)
        cell_a = self.cold_part(pack.cell, coldest) * charge_a * pack.parallel / share
        return min(cell_a, *caps["regen"].values(), self.brief.electrical.regen_current_a)

    def drift(self, row):
        """Largest |1 − m| of a discharge at the continuous rating, and largest deviation of a current: 200 steps."""
        plan, asked, (cell, _, _) = self.brief.ride, self.brief.electrical, self._cells[row]
        grid = [k / 200 for k in range(201)]
        volts, ohms = [cell.open_v(z) for z in grid], [cell.ohm(z, math.inf, min(asked.temp_c, 25.0)) for z in grid]
        amps, spread = float(self.inputs.cells.current_continuous_a[row]), self.brief.spread
        step = (plan.start_soc - plan.reserve_soc) / 200
        at = [plan.start_soc - k * step for k in range(201)]
        ahead, grown, most = 0.0, 1.0, spread.dcir
        for high, low in pairwise(at):
            r_high, r_low = even(high, ohms), even(low, ohms)
            fall = even(high, volts) - even(low, volts) + amps * (r_low - r_high)
            a = max(fall / (step * amps * (r_high + r_low) / 2), 1e-9)
            after = ahead * math.exp(-a * step) + (1.0 - math.exp(-a * step)) / a
            for m in (a * ahead, a * after):
                grown = max(grown, abs(1.0 - m))
                most = max(most, math.hypot(spread.dcir * (1.0 - m), spread.capacity * m))
            ahead = after
        return grown, most

    def share(self, pack, cell, parts, grown=1.0, cv=None):
        """Largest current of a cell over the mean of its group: uneven plates times the spread between cells."""
        asked, p = self.brief.electrical, pack.parallel
        peak_ohm = cell.ohm(asked.reference_soc, asked.peak_seconds, asked.temp_c)
        one = normal_max(p)
        every = normal_max(p * pack.series) * math.sqrt((p - 1.0) / p)
        cells = 1.0 / (1.0 - min(self.brief.spread.dcir * max(one, every), 0.9))
        if cv is not None:
            cells = max(cells, 1.0 + min(cv * max(one, every), 0.9))
        return (1.0 + grown * parts["spread_ohm"] / peak_ohm) * cells

    def power(self, pack, cell, parts, *, soc, seconds, limits, ohm=None):
        """P = I (S·ocv − I·R) at the least of all limits."""
        asked, s, p = self.brief.electrical, pack.series, pack.parallel
        open_v = cell.open_v(soc)
        ohm = cell.ohm(soc, seconds, asked.temp_c) if ohm is None else ohm
        pack_ohm = ohm * s / p + parts["ohm"]
        weakest = 1.0 + self.brief.spread.dcir * normal_max(s) / math.sqrt(p)
        found = dict(limits)
        found["sag"] = max(open_v - cell.v_min, 0.0) * p / (ohm * weakest)
        found["controller"] = asked.battery_current_a
        found["matched load"] = open_v * s / (2.0 * pack_ohm)
        found["controller cut-off"] = max(open_v * s - asked.voltage_min_v, 0.0) / pack_ohm
        amps = min(found.values())
        return amps * (s * open_v - amps * pack_ohm), amps, found

    def figures(self, pack, *, stepped=True, fast=True, parts=None):
        """All figures by name, in the units of their names."""
        t, asked, plan = self.inputs, self.brief.electrical, self.brief.ride
        cell, charged, _ = self.cell(pack.cell)
        parts = parts or self.parts(pack)
        arrays, _ = self.ridden(pack.cell, pack.series * pack.parallel, parts["filler_j_k"])
        s, p, row, count = pack.series, pack.parallel, pack.cell, pack.series * pack.parallel
        out = {
            "cell_count": count,
            "pack_mass_kg": count * float(t.cells.mass_g[row]) / 1000.0 + parts["kg"],
            "cost": self.bought(row, count) + parts["cost"],
            "energy_wh": count * cell.energy_wh(),
            "voltage_full_v": s * cell.v_max,
            "voltage_nominal_v": s * float(t.cells.voltage_nominal_v[row]),
            "voltage_empty_v": s * cell.v_min,
            "crossing_conductors": parts["harness"].crossing,
        }
        peak_ohm = cell.ohm(asked.reference_soc, asked.peak_seconds, asked.temp_c)
        out["resistance_mohm"] = 1000.0 * (peak_ohm * s / p + parts["ohm"])
        fault_v, warm_c = s * cell.v_max, min(self.air_in_box, float(t.cells.temp_max_c[row]))
        out["fault_current_a"] = fault_v / (cell.v_max * s / (p * self.fault_a(cell, warm_c)) + parts["ohm"])
        fuse_a = float(t.fuses.current_a[pack.fuse])
        out["fuse_opens_s"] = opens_within(t.fuses.opens_most[pack.fuse], out["fault_current_a"] / fuse_a)
        caps, share = self.caps(pack, parts), self.share(pack, cell, parts)
        drifted = self.share(pack, cell, parts, *self.drift(row))
        steady = float(t.cells.current_continuous_a[row])
        _, pulse, memory = self.pulse(row)
        rated = min(pulse, steady / math.sqrt(1.0 - math.exp(-asked.peak_seconds / memory)))
        out["regen_limit_a"] = self.regen(pack, caps, share)
        coldest, free = min(plan.temp_c, asked.temp_c), 0.0
        for k in range(201):
            volts = cell.open_v(k / 200) + out["regen_limit_a"] / p * cell.ohm(k / 200, asked.peak_seconds, coldest)
            free = k / 200 if volts <= cell.v_max * (1.0 + 1e-9) else free
        out["regen_free_soc"] = free
        peak = caps["peak"] | {"cell current": rated * p / share}
        known = {"soc": asked.reference_soc, "seconds": asked.peak_seconds}
        out["peak_power_w"], out["peak_current_a"], out["peak_limits"] = self.power(
            pack, cell, parts, limits=peak, **known
        )
        low = {"soc": asked.low_soc, "seconds": asked.peak_seconds}
        out["peak_low_w"], _, out["peak_low_limits"] = self.power(pack, cell, parts, limits=peak, **low)
        cold_ohm, warm_ohm = (cell.ohm(asked.reference_soc, math.inf, at) for at in (min(asked.temp_c, 25.0), 25.0))
        lasting_ohm, warm_ohm = cold_ohm, min(cold_ohm, warm_ohm)
        room_k = max(float(t.cells.temp_max_c[row]) - plan.temp_c - self.sun(windy=False), 0.0)
        rise = parts["sun_rise" if self.brief.thermal.sun_w_m2 else "rise"]
        # Heat of the reaction where it warms, in the hottest cell.
        warming_v = max(-(float(t.cells.temp_max_c[row]) + 273.15) * even(asked.reference_soc, self.entropy(row)), 0.0)
        # In the cold sought anew, with cells as warm as the power before makes them.
        for _ in range(5 if asked.temp_c < 25.0 else 1):
            per_a2, per_a = rise * lasting_ohm / p**2 + parts["beside"], rise * warming_v / p
            hot_a = (math.sqrt(per_a**2 + 4.0 * per_a2 * room_k) - per_a) / (2.0 * per_a2)
            lasting = caps["continuous"] | {"cell current": steady * p / drifted, "temperature": hot_a}
            found = self.power(
                pack, cell, parts, limits=lasting, soc=asked.reference_soc, seconds=math.inf, ohm=lasting_ohm
            )
            at_c = plan.temp_c + count / self.walls()[0] * warm_ohm * (found[1] / p) ** 2
            at_c = min(max(at_c, asked.temp_c), 25.0)
            if asked.temp_c < 25.0:
                a, b, c = (1.0 / (each + 273.15) for each in (asked.temp_c, at_c, 25.0))
                lasting_ohm = cold_ohm * (warm_ohm / cold_ohm) ** ((b - a) / (c - a))
        out["continuous_power_w"], out["continuous_current_a"], out["continuous_limits"] = found
        total_kg = self.vehicle_kg + out["pack_mass_kg"]
        out |= self.hot_cells(pack, parts, total_kg)
        amps = self.amps(pack, cell, parts, total_kg, cell.ohm(asked.reference_soc, math.inf, min(asked.temp_c, 25.0)))
        out["mean_w"] = s * cell.open_v(asked.reference_soc) * sum(weight * each for each, weight in amps)
        out |= self.headroom(pack, cell, parts, total_kg) | self.charging(pack, charged, parts, caps, share)
        load = self.load(pack, arrays, parts, caps, share)
        if fast:
            out["fast_range_km"], out["fast_stop"] = self.fast_range(pack, arrays, load, total_kg)
        if stepped:
            power = [w / count for w in self.lap.battery_w(total_kg)]
            steps = fine_steps(power, self.lap.seconds, self.lap.metres)
            run = ride(load, steps, plan.start_soc, plan.reserve_soc)
            per_km = run.consumption_wh_per_km
            out["range_km"], out["range_stop"] = run.range_km, run.stop
            # Where not even a step is driven: what the lap's power bins ask for.
            out["consumption_wh_per_km"] = per_km * count if per_km is not None else self.asked_wh_per_km(total_kg)
            out["run"] = run
        return out

    def fault_a(self, cell, warm_c):
        """What one full cell drives when shorted, by its least resistance after 0.1 s, as warm as the box."""
        return cell.v_max / min(cell.ohm(k / 200.0, 0.1, warm_c) for k in range(201))

    def fast_range(self, pack, arrays, load, total_kg):
        """The range that the search goes by."""
        key = pack.cell, pack.series * pack.parallel, id(arrays)
        if key not in self._courses:
            masses = self.vehicle_kg, self.vehicle_kg + 120.0
            self._courses[key] = Course(self.lap, self.bins, arrays, *masses, known=self.cell(pack.cell)[2])
        run = Run(self._courses[key], load, total_kg, pack.series * pack.parallel, self.brief.ride.start_soc)
        return run.range_km(self.brief.ride.reserve_soc)

    def asked_wh_per_km(self, total_kg):
        mean_w = sum(weight * self.lap.drawn_w(a + b * total_kg) for a, b, weight in self.bins)
        return mean_w * sum(self.lap.seconds) / 3.6 / sum(self.lap.metres)

    def load(self, pack, arrays, parts, caps, share):
        """The pack as one of its cells sees it on the ride, at the air's temperature."""
        asked, p = self.brief.electrical, pack.parallel
        # The weakest group ends the ride.
        part = max(1.0 - self.brief.spread.capacity * normal_max(pack.series) / math.sqrt(p), 0.05)
        weakest = replace(arrays, capacity_ah=arrays.capacity_ah * part)
        steady, pulse, memory = self.pulse(pack.cell)
        cell_a = min(pulse, steady / math.sqrt(self.laps.most(memory)))
        return Load(
            weakest, parts["ohm"] * p / pack.series,
            min(cell_a * p / share, *caps["ride"].values(), asked.battery_current_a) / p,
            self.regen(pack, caps, share) / p,
        )  # fmt: skip

    def hot_cells(self, pack, parts, total_kg):
        """T = T0·k + (T_air + rise·r·mean(i²))·(1 − k) for each step of charge, or k = 0 without end; and beside·I²."""
        plan, warm, count = self.brief.ride, self.cell(pack.cell)[2], pack.series * pack.parallel
        (course_c, seconds, reversible), squares = self.ridden(pack.cell, count, parts["filler_j_k"])[1], 0.0
        kg = float(self.inputs.cells.mass_g[pack.cell]) / 1000.0
        loads = [(self.lap.drawn_w(a + b * total_kg) / count, w) for a, b, w in self.bins]
        outside, rise, beside = (
            parts["ohm"] * pack.parallel / pack.series,
            parts["ride_sun_rise" if self.brief.thermal.sun_w_m2 else "ride_rise"], parts["beside"] * pack.parallel**2,
        )  # fmt: skip
        air_c = plan.temp_c + self.sun(windy=True)

        def settled(z, before, kept, mean_c, reversible_w):
            # Resistance is the mean cell's, at 75 % of the rise; laws are told up to 60 °C or more: 24 steps.
            node = [air_c + max(warm.temps[-1] - air_c, 1.0) / 0.75 * k / 24.0 for k in range(25)]

            def mean_square(r):
                volts, square = even(z, warm.cells[0].ocv), 0.0
                for power, weight in loads:
                    root = math.sqrt(max(volts * volts - 4.0 * r * max(power, 0.0), 0.0))
                    square += weight * (2.0 * power / (volts + root)) ** 2
                return square

            def at_place(mean_c):
                """Linear between the resistances at the nodes."""
                place = min(max((mean_c - air_c) / (max(warm.temps[-1] - air_c, 1.0) / 24.0), 0.0), 24.0)
                k = min(int(place), 23)
                one, other = (warm.lasting_ohm(z, air_c + 0.75 * (node[j] - air_c)) for j in (k, k + 1))
                return one + (place - k) * (other - one)

            def after(k):
                own = warm.lasting_ohm(z, air_c + 0.75 * (node[k] - air_c))
                r = own + outside
                return before * kept + (air_c + rise * max(own * mean_square(r) + reversible_w, 0.0)) * (1.0 - kept)

            if after(24) >= node[24]:
                return after(24), mean_square(at_place(mean_c) + outside)
            k = next(k for k in range(24) if after(k + 1) <= node[k + 1])
            below, above = after(k) - node[k], node[k + 1] - after(k + 1)
            return node[k] + (node[k + 1] - node[k]) * below / (below + above), mean_square(at_place(mean_c) + outside)

        first = max(air_c, self.start_c)
        temp, step = first, (plan.start_soc - plan.reserve_soc) / 20
        for k, lasts in enumerate(seconds):
            kept = math.exp(-lasts / (kg * 950.0 * rise))
            temp, square = settled(plan.start_soc - k * step, temp, kept, course_c[k], reversible[k])
            squares += lasts * square
        # The reaction's heat is that of the step that holds the reference charge.
        reference = self.brief.electrical.reference_soc
        held = next((k for k in range(20) if reference >= plan.start_soc - (k + 1) * step - 1e-12), 19)
        endless, square = settled(reference, air_c, 0.0, plan.temp_c, reversible[held])
        added = beside * squares / sum(seconds)
        return {"hot_cell_end_c": temp + added, "hot_cell_endless_c": endless + beside * square}

    def amps(self, pack, cell, parts, total_kg, ohm):
        """Current and weight of each of the lap's bins at the reference charge."""
        volts = pack.series * cell.open_v(self.brief.electrical.reference_soc)
        pack_ohm, out = ohm * pack.series / pack.parallel + parts["ohm"], []
        for a, b, weight in self.bins:
            power = self.lap.drawn_w(a + b * total_kg)
            sagging = volts + math.sqrt(max(volts * volts - 4.0 * pack_ohm * power, 0.0))
            out.append((2.0 * power / sagging if power > 0.0 else power / volts, weight))
        return out

    def headroom(self, pack, cell, parts, total_kg):
        """Speed at which v/(r·k) + R_motor·I = u − R_pack·(I + P_acc/u), by bisection."""
        motor, plan, asked, lap = self.brief.vehicle, self.brief.ride, self.brief.electrical, self.lap
        if motor.motor_speed_constant_rpm_per_v is None or motor.wheel_diameter_mm is None:
            return {}
        per_volt = math.pi * motor.wheel_diameter_mm / 1000.0 * motor.motor_speed_constant_rpm_per_v / 60.0
        winding = (motor.motor_resistance_mohm or 0.0) / 1000.0
        slope, out = math.atan(lap.grade_at_top), {}
        states = {"full": plan.start_soc, "reference": asked.reference_soc, "reserve": plan.reserve_soc}
        for name, soc in states.items():
            volts = pack.series * even(soc, self.cell(pack.cell)[1].ocv)
            ohm = cell.ohm(soc, math.inf, plan.temp_c) * pack.series / pack.parallel + parts["ohm"]
            low, high = 0.0, volts * per_volt
            for _ in range(60):
                v = 0.5 * (low + high)
                force = total_kg * G * (lap.crr * math.cos(slope) + math.sin(slope))
                force += lap.drag * (v + lap.wind_m_s) ** 2
                amps = force * per_volt
                left = volts - ohm * (amps + lap.accessory_w / volts)
                low, high = (v, high) if left >= v / per_volt + winding * amps else (low, v)
            out[f"speed_{name}_kmh"] = 3.6 * low
            out["speed_headroom_kmh"] = 3.6 * (low - lap.speed_max_m_s)
        return out

    def charging(self, pack, arrays, parts, caps, share):
        """Minutes from the reserve to 80 % and to full with the strongest charger that fits, then the cheapest."""
        t, s, p = self.inputs.chargers, pack.series, pack.parallel
        out = {"charge_80_min": math.inf, "charge_min": math.inf, "charger": -1, "hot_cell_charge_c": math.inf}
        if t is None:
            return out
        at_c = self.brief.electrical.charge_temp_c
        cell_a = self.cold_part(pack.cell, at_c) * float(self.inputs.cells.current_charge_a[pack.cell])
        limit = min(cell_a * p / share, *caps["charge"].values())
        rated = [
            k for k in range(len(t.id)) if abs(float(t.voltage_v[k]) - s * arrays.v_max) <= 0.025 * s + 1e-9
        ]  # fmt: skip
        fits = [k for k in rated if t.current_a[k] <= limit + 1e-9]
        if not fits:
            return out
        best = min(fits, key=lambda k: (-t.current_a[k], t.price[k]))
        amps, outside = float(t.current_a[best]) / p, parts["ohm"] * p / s
        # A charger ends no sooner than a stronger one of its voltage would.
        ends = min(
            0.05 * arrays.capacity_ah if math.isnan(t.taper_a[k]) else float(t.taper_a[k]) / p
            for k in rated if t.current_a[k] >= t.current_a[best]
        )  # fmt: skip
        # The surface is ahead: its lag counts as a resistance, by the slope over the next 8 % of charge.
        points = len(arrays.ocv)
        ahead = [even(min(k / (points - 1) + 0.08, 1.0), arrays.ocv) - arrays.ocv[k] for k in range(points)]
        parts_of = zip(arrays.r0, arrays.r1, arrays.r2, ahead, strict=True)
        own = [a + b + c + arrays.lag_z * d / 0.08 for a, b, c, d in parts_of]
        for name, stop in (("charge_80_min", 0.8), ("charge_min", 1.0)):
            hours = charge_hours(amps, arrays, own, outside, self.brief.ride.reserve_soc, stop, ends)
            out[name] = 60.0 * hours
        # The strongest charger that the cells bear, at its full current to the end, in air as warm as they; 24 steps.
        strongest = max(float(t.current_a[k]) for k in rated if t.current_a[k] <= cell_a * p + 1e-9) / p
        kg, start, hot = float(self.inputs.cells.mass_g[pack.cell]) / 1000.0, self.brief.ride.reserve_soc, at_c
        step = (1.0 - start) / 24
        kept = math.exp(-step * 3600.0 * arrays.capacity_ah / strongest / (parts["rise"] * kg * 950.0))
        for k in range(24):
            ohm = even(start + (k + 0.5) * step, own)
            reversible_w = (at_c + 273.15) * even(start + (k + 0.5) * step, self.entropy(pack.cell)) * strongest
            hot = hot * kept + (at_c + parts["rise"] * max(ohm * strongest**2 + reversible_w, 0.0)) * (1.0 - kept)
            out["hot_cell_charge_c"] = max(hot, out["hot_cell_charge_c"] if k else at_c)
        out["hot_cell_charge_c"] += parts["beside"] * (p * strongest) ** 2
        return out | {"charger": best}


class Grown:
    """A cell with part of its capacity left, and all its resistance grown."""

    def __init__(self, cell, kept, grown):
        self.cell, self.kept, self.grown = cell, kept, grown
        self.v_min, self.v_max, self.open_v = cell.v_min, cell.v_max, cell.open_v

    def ohm(self, soc, seconds, temp_c):
        return self.grown * self.cell.ohm(soc, seconds, temp_c)

    def energy_wh(self):
        return self.kept * self.cell.energy_wh()


def older(arrays, kept, grown):
    """What the ride reads of such a cell; the lag of its surface stays in state of charge per current over capacity."""
    grids = {name: [grown * r for r in getattr(arrays, name)] for name in ("r0", "r1", "r2")}
    return replace(arrays, capacity_ah=kept * arrays.capacity_ah, **grids)


def charge_hours(amps, cell, own, outside, start, stop, taper):
    """Constant current while OCV + I·R is under the full voltage, then constant voltage; to the cell's own taper."""
    n, hours = len(cell.ocv) - 1, 0.0
    for k in range(n):
        cell_r, rise = 0.5 * (own[k] + own[k + 1]), (cell.ocv[k + 1] - cell.ocv[k]) * n
        z, end = max(k / n, start), min((k + 1) / n, stop)
        if end <= z:
            continue

        def soc_at(gap_v, k=k, rise=rise):
            over = cell.v_max - cell.ocv[k] - gap_v
            return k / n + over / rise if rise > 0 else (2.0 if over > 0 else -1.0)

        r, last = cell_r + outside, min(max(soc_at(min(amps, taper) * cell_r), z), end)
        turn = min(max(soc_at(amps * r), z), last)
        hours += (turn - z) * cell.capacity_ah / amps
        if last > turn:
            gap = cell.v_max - (cell.ocv[k] + rise * (turn - k / n))
            x = rise * (last - turn) / gap
            hours += cell.capacity_ah * r * ((last - turn) / gap if x < 1e-12 else -math.log1p(-x) / rise)
        if last < end:
            break
    return hours


def wall_mm3(room, wall_mm):
    """Wall of a closed box around a prism, its corners kept sharp."""
    def area(points):
        return abs(sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(points, points[1:] + points[:1], strict=True))) / 2

    inside = [tuple(point) for point in room.profile_mm]
    if sum(a[0] * b[1] - b[0] * a[1] for a, b in zip(inside, inside[1:] + inside[:1], strict=True)) < 0:
        inside.reverse()
    grown = []
    for before, here, after in zip(inside[-1:] + inside[:-1], inside, inside[1:] + inside[:1], strict=True):
        # Each side moves out by the wall; corners are where neighbours meet.
        grown.append(_meeting(_moved(before, here, wall_mm), _moved(here, after, wall_mm)))
    return area(grown) * (room.depth_mm + 2 * wall_mm) - area(inside) * room.depth_mm


def _moved(a, b, by):
    dx, dy = b[0] - a[0], b[1] - a[1]
    size = math.hypot(dx, dy)
    return (a[0] + dy / size * by, a[1] - dx / size * by), (dx, dy)


def _meeting(one, two):
    (ax, ay), (ux, uy) = one
    (bx, by), (vx, vy) = two
    t = ((bx - ax) * vy - (by - ay) * vx) / (ux * vy - uy * vx)
    return ax + t * ux, ay + t * uy
