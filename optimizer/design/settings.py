"""What to set in controller, BMS and charger of one design, and what trips first when something goes wrong.

Voltages are ordered: power fades above the controller's cut-off, the cut-off lies above the BMS, and the BMS at the
cell's own limit; on the way up the charger ends below the BMS. Currents are ordered: controller, BMS, fuse, wire;
charger and regeneration lie under the BMS's charge stage, and that under what cells, fuse, wire and board bear.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from optimizer.design.select import Chosen
from optimizer.design.warmth import Warmth
from optimizer.pack.charge import MATCH_V_PER_CELL
from optimizer.pack.limits import rated_current
from optimizer.pack.protection.fuses import CONTINUOUS, PULSE_SHARE, opening_seconds, peak_current_a
from optimizer.pack.protection.precharge import precharge
from optimizer.ride.load.profile import LEVELS
from optimizer.score.cold import NO_GRAPHITE, charge_part, least_charge_c
from optimizer.score.outside import box_air_c
from optimizer.score.score import charge_limit_a
from optimizer.search.space.space import Space

# Parts of a cell's window of voltage: cut-off over the BMS, fade over the cut-off (common practice, no published
# source).
CUT_OFF, FADE = 0.03, 0.10
# What a BMS allows over the full voltage of a cell, within the ±0.05 V of older cell specifications [V].
OVER_V = 0.03
# Least time for which a BMS sees what it trips on, voltage and short circuit: common practice, no published source [s].
VOLTAGE_DELAY_S, SHORT_DELAY_S = 1.0, 0.0005
# Delay of the second stage over the current of the first (common practice, no published source) [s].
SECOND_DELAY_S = 0.1


@dataclass(frozen=True)
class Setting:
    """One thing to set.

    Parameters
    ----------
    where, name : str
        Device and setting.
    current_a, cell_v, pack_v, seconds, temp_c : float or None
        [A], [V], [V], [s], [°C]
    """

    where: str
    name: str
    current_a: float | None = None
    cell_v: float | None = None
    pack_v: float | None = None
    seconds: float | None = None
    temp_c: float | None = None
    note: str = ""

    def texts(self) -> tuple[str, ...]:
        """Device, setting, value, per cell, per pack, after and remark, as people read them."""
        value = _amps(self.current_a) if self.current_a is not None else ""
        value = f"{self.temp_c:g} °C" if self.temp_c is not None else value
        cell = f"{self.cell_v:.2f}" if self.cell_v is not None else ""
        pack = f"{self.pack_v:.1f}" if self.pack_v is not None else ""
        after = _time(self.seconds) if self.seconds is not None else ""
        return self.where, self.name, value, cell, pack, after, self.note


@dataclass(frozen=True)
class Trip:
    """What acts at a fault, in the order in which it does.

    Parameters
    ----------
    fault, part, at, after : str
        In words.
    """

    fault: str
    part: str
    at: str
    after: str


@dataclass(frozen=True)
class Sheet:
    """Settings of one design, what trips first, and what to mind."""

    settings: tuple[Setting, ...] = ()
    trips: tuple[Trip, ...] = ()
    notes: tuple[str, ...] = ()

    def record(self) -> dict[str, Any]:
        """Settings and trips as design.json has them."""
        settings = [{k: v for k, v in vars(one).items() if v not in (None, "")} for one in self.settings]
        return {"settings": settings, "trips": [vars(one) for one in self.trips]}


def settings_sheet(space: Space, chosen: Chosen, row: Mapping[str, Any], warm: Warmth) -> Sheet:
    """The sheet of one design, a row of the front, with its parts over time."""
    facts = _Facts(space, chosen, row, warm)
    return Sheet((*_controller(facts), *_bms(facts), *_charger(facts)), tuple(_trips(facts)), tuple(_notes(facts)))


class _Facts:
    """Numbers of a design that several settings share."""

    def __init__(self, space: Space, chosen: Chosen, row: Mapping[str, Any], warm: Warmth) -> None:
        self.space, self.row, self.warm = space, row, warm
        cells, at = space.inputs.cells, int(space.context.cells.row[chosen.cell])
        asked = space.brief.electrical
        assert asked is not None
        self.asked, self.series = asked, chosen.series
        self.low_v, self.full_v = float(cells.voltage_min_v[at]), float(cells.voltage_max_v[at])
        self.temp_min_c, self.temp_max_c = float(cells.temp_min_c[at]), float(cells.temp_max_c[at])
        self.graphite = str(cells.chemistry[at]) not in NO_GRAPHITE
        window = self.full_v - self.low_v
        self.cut_v = max(self.low_v + CUT_OFF * window, asked.voltage_min_v / chosen.series)
        self.fade_v = self.cut_v + FADE * window
        self.over_v = self.full_v + OVER_V
        self.peak_a = float(row["peak_current_a"])
        self.steady_a = float(row["continuous_current_a"])
        self.regen_a = float(row["regen_limit_a"])
        # Least temperature for charging and braking; where it is reached the cells take least.
        self.cold_c = least_charge_c(cells, at)
        self.coldest_c = max(_coldest(space), self.cold_c)
        warm_c = max(asked.charge_temp_c, self.cold_c)
        most_a = cells.current_charge_a[[at]]
        self.charge_a, self.cold_charge_a = (
            float(charge_limit_a(warm.block, context=space.context, cell_a=part * most_a)[0])
            for part in (charge_part(cells, np.array([at]), each) for each in (warm_c, self.coldest_c))
        )
        self.charger_a = _charger_a(space, row)
        bms, k = space.inputs.bms, chosen.bms
        self.path, self.past = str(bms.path[k]), bool(bms.bypassed[k])
        self.delay_s, self.board_peak_s = asked.peak_seconds, float(bms.peak_s[k])
        board_a = rated_current(
            bms.current_continuous_a[k], peak_a=bms.current_peak_a[k], peak_s=bms.peak_s[k], seconds=self.delay_s
        )
        self.precharges = str(bms.precharge[k]) == "yes" and not self.past
        fuses = space.inputs.fuses
        self.fuse_a, self.most = float(fuses.current_a[chosen.fuse]), fuses.opens_most[chosen.fuse]
        self.least, self.fuse_id = fuses.opens_least[chosen.fuse], str(fuses.id[chosen.fuse])
        air = box_air_c(space.brief)
        # Currents from which on the fuse may open within the delay of the stage before.
        self.second_a, self.short_a = (
            max(peak_current_a(self.fuse_a, points=self.least, seconds=PULSE_SHARE * delay, air_c=air), self.peak_a)
            for delay in (self.delay_s, SECOND_DELAY_S)
        )
        # Midway, so that neither the controller's tolerance nor the board's lets the wrong one act; as the board bears.
        self.trip_a = max(min(float(board_a), float(np.sqrt(self.peak_a * self.second_a))), self.peak_a)
        self.lasting_a, self.lasting_s = self._lasting(float(bms.current_continuous_a[k]))

    def _lasting(self, board_a: float) -> tuple[float, float]:
        """The stage for what lasts: the least continuous rating of all parts, after the ride's longest run above it.

        Where a run lasts longer than the board bears its peak, the board's own rating, which no ride is over for
        longer.
        """
        least_a = min(float(self.warm.block.continuous_cap_a[0]), self.trip_a)
        level = int(LEVELS * least_a / max(self.warm.ride_a, 1e-9))
        run_s = 0.0 if level >= LEVELS else float(self.space.context.profile.longest[level])
        after_s = max(self.delay_s, run_s)
        if after_s <= (self.board_peak_s if self.trip_a > board_a * (1 + 1e-9) else np.finfo(float).max):
            return least_a, after_s
        return min(board_a, self.trip_a), max(self.board_peak_s, self.delay_s)

    @property
    def returned_a(self) -> float:
        """What charging and braking return through the charge stage of the BMS."""
        return max(self.charger_a, self.regen_a if self.path == "common" else 0.0)

    @property
    def charge_trip_a(self) -> float:
        """What all bear where the cells are coldest, or when warm where the charger gives more than that."""
        return self.cold_charge_a if self.returned_a <= self.cold_charge_a * (1 + 1e-9) else self.charge_a

    def pack(self, cell_v: float) -> float:
        return self.series * cell_v

    @property
    def free_soc(self) -> float:
        """State of charge up to which braking is free."""
        return float(self.row.get("regen_free_soc", 0.0))

    def conductors(self, fault: str, amps: float) -> list[Trip]:
        """The first plate, the connectors and the wire, and when a current has them at their limits, the first first.

        From the warmth of the fuse's continuous part.
        """
        over, kinds = self.warm.parts, {"strip": "plate", "connector": "connectors of the power wires", "wire": "wire"}
        start = over.after_c(CONTINUOUS * self.fuse_a, seconds=np.inf)
        seconds, rows = over.seconds_to_limit(amps, start_c=start), {}
        for k in np.argsort(seconds, kind="stable"):
            kind, name = self.warm.labels[k]
            if kind in kinds and kind not in rows:
                named = kinds[kind] if kind == "connector" else f"{kinds[kind]} {name}"
                at = f"{named} at {over.limit_c[k]:.0f} °C"
                rows[kind] = Trip(fault, at, _amps(amps), _time(float(seconds[k])))
        return list(rows.values())


def _controller(f: _Facts) -> list[Setting]:
    return [
        Setting("controller", "battery current", current_a=f.peak_a, seconds=f.delay_s,
                note=f"peak limited by {f.warm.limits['peak_power_w']['words']}"),
        Setting("controller", "battery current, continuous", current_a=min(f.steady_a, f.peak_a),
                note=f"limited by {f.warm.limits['continuous_power_w']['words']}; set this alone where the controller "
                f"has no second limit for after {f.delay_s:g} s"),
        Setting("controller", "regeneration", current_a=f.regen_a,
                note="0 when colder than the BMS's charge limit" if f.regen_a > 0 else "none is to be returned"),
        Setting("controller", "regeneration ends", cell_v=f.full_v, pack_v=f.pack(f.full_v),
                note=f"full braking is free below {f.free_soc:.0%} of charge" if f.regen_a > 0 else ""),
        Setting("controller", "fade", cell_v=f.fade_v, pack_v=f.pack(f.fade_v), note="power begins to fade"),
        Setting("controller", "cut-off", cell_v=f.cut_v, pack_v=f.pack(f.cut_v), note="power has faded to nothing"),
    ]  # fmt: skip


def _bms(f: _Facts) -> list[Setting]:
    past, none, warns = f.past, *(f"{says}: the discharge goes past this board" for says in ("none", "warns only"))
    over = "between the controller and the fuse" if f.trip_a > f.peak_a * (1 + 1e-6) else (
        "the most that the board bears and no more than the controller draws: check the controller's current by a meter"
    )
    return [
        Setting("BMS", "BMS under-voltage", cell_v=f.low_v, pack_v=f.pack(f.low_v), seconds=VOLTAGE_DELAY_S,
                note=warns if past else "any group"),
        Setting("BMS", "BMS over-voltage", cell_v=f.over_v, pack_v=f.pack(f.over_v), seconds=VOLTAGE_DELAY_S,
                note="any group"),
        Setting("BMS", "BMS discharge over-current, continuous", current_a=None if past else f.lasting_a,
                seconds=None if past else f.lasting_s, note=none if past else "what may flow for ever"),
        Setting("BMS", "BMS discharge over-current", current_a=None if past else f.trip_a,
                seconds=None if past else f.delay_s, note=none if past else over),
        Setting("BMS", "BMS discharge over-current, second", current_a=None if past else f.second_a,
                seconds=None if past else SECOND_DELAY_S, note=none if past else "before the fuse may open"),
        Setting("BMS", "BMS charge over-current", current_a=f.charge_trip_a, seconds=VOLTAGE_DELAY_S,
                note=_charge_note(f)),
        Setting("BMS", "BMS short circuit", current_a=None if past else f.short_a,
                seconds=None if past else SHORT_DELAY_S,
                note="only the fuse acts" if past else "as fast as the board allows"),
        Setting("BMS", "BMS charge temperature, least", temp_c=f.cold_c),
        Setting("BMS", "BMS charge temperature, most", temp_c=min(45.0, f.temp_max_c)),
        Setting("BMS", "BMS discharge temperature, least", temp_c=f.temp_min_c, note=warns if past else ""),
        Setting("BMS", "BMS discharge temperature, most", temp_c=f.temp_max_c, note=warns if past else ""),
    ]  # fmt: skip


def _coldest(space: Space) -> float:
    """Coldest temperature of the brief, of its situations, too [°C]."""
    ride, asked = space.brief.ride, space.brief.electrical
    assert ride is not None and asked is not None
    others = (each for item in space.brief.situation for each in (item.temp_c, item.start_temp_c) if each is not None)
    return float(min(ride.temp_c, asked.temp_c, *others))


def _charger_a(space: Space, row: Mapping[str, Any]) -> float:
    """Current of the design's charger, 0 without one [A]."""
    chargers = space.inputs.chargers
    if chargers is None or row["charger"] not in chargers.id:
        return 0.0
    return float(chargers.current_a[list(chargers.id).index(row["charger"])])


def _charge_note(f: _Facts) -> str:
    what = "charging and braking" if f.path == "common" else "the charge port alone"
    if f.charge_trip_a > f.cold_charge_a * (1 + 1e-9):
        return f"{what}; at {f.coldest_c:g} °C the cells take {_amps(f.cold_charge_a)}: charge them warmer"
    if f.returned_a > f.charge_trip_a * (1 - 1e-6):
        return f"{what}; the most that all parts bear, and no more than is returned: check the current by a meter"
    return f"{what}; the least that cells at {f.coldest_c:g} °C, fuse, wire and board bear"


def _no_charger(f: _Facts) -> str:
    """Why no charger of the table fits, "" where one does or there is no table."""
    chargers = f.space.inputs.chargers
    if chargers is None or f.charger_a > 0:
        return ""
    full_v = f.pack(f.full_v)
    fits = np.abs(chargers.voltage_v - full_v) <= MATCH_V_PER_CELL * f.series + 1e-9
    if not fits.any():
        return f"no charger of the table ends at {full_v:.1f} V"
    least = float(chargers.current_a[fits].min())
    what = f"the least of the table for {full_v:.1f} V gives {least:g} A"
    return f"no charger fits: {what}, the pack takes {f.charge_a:.2f} A"


def _charger(f: _Facts) -> list[Setting]:
    none = _no_charger(f)
    rows = [
        Setting("charger", "charger voltage", cell_v=f.full_v, pack_v=f.pack(f.full_v)),
        Setting("charger", "charger current, most", current_a=f.charge_a,
                note="less when the cells are under 15 °C" + (f"; {none}" if none else "")),
    ]  # fmt: skip
    if f.asked.controller_capacitance_uf > 0:
        made = precharge(f.pack(f.full_v), capacitance_uf=f.asked.controller_capacitance_uf)
        note = "the board does it" if f.precharges else "a resistor and a contact of your own"
        what = f"{made.ohm:g} Ω, {made.energy_j:.2f} J and {made.peak_w:.0f} W at first for each closing; {note}"
        rows.append(
            Setting("pre-charge", "pre-charge", current_a=made.peak_a, pack_v=f.pack(f.full_v), seconds=made.seconds,
                    note=what)
        )  # fmt: skip
    return rows


def _time(seconds: float) -> str:
    if not np.isfinite(seconds):
        return "never"
    if seconds < 1:
        return f"{seconds * 1000:.3g} ms"
    return f"{seconds:.3g} s" if seconds < 600 else f"{seconds / 60:.0f} min"


def _amps(amps: float) -> str:
    """A current rounded down: what is set is never above what is borne."""
    return f"{np.floor(amps * 10.0 + 1e-6) / 10.0:.1f} A"


def _trips(f: _Facts) -> list[Trip]:
    return [*_overload(f), *_voltage(f), *_short(f)]


def _opens(f: _Facts, amps: float) -> str:
    least, most = (float(opening_seconds(amps / f.fuse_a, points=p)) for p in (f.least, f.most))
    return f"{_time(least)} to {_time(most)}"


def _overload(f: _Facts) -> list[Trip]:
    over = f.second_a
    rows = [Trip("overload", "controller", _amps(f.peak_a), "at once")]
    if not f.past:
        rows.append(Trip("overload", "BMS, what lasts", _amps(f.lasting_a), _time(f.lasting_s)))
        rows.append(Trip("overload", "BMS", _amps(f.trip_a), _time(f.delay_s)))
        rows.append(Trip("overload", "BMS, second stage", _amps(over), _time(SECOND_DELAY_S)))
    rows.append(Trip("overload", f"fuse {f.fuse_id}", _amps(over), _opens(f, over)))
    return [*rows, *f.conductors("overload", over)]


def _voltage(f: _Facts) -> list[Trip]:
    def at(cell_v: float) -> str:
        return f"{cell_v:.2f} V a cell, {f.pack(cell_v):.1f} V"

    past = f.past
    return [
        Trip("sag", "controller fades", at(f.fade_v), "at once"),
        Trip("sag", "controller cut-off", at(f.cut_v), "at once"),
        Trip("sag", "BMS warns" if past else "BMS under-voltage", at(f.low_v), _time(VOLTAGE_DELAY_S)),
        Trip("braking on a full pack", "controller ends regeneration", at(f.full_v), "at once"),
        Trip("braking on a full pack", "BMS over-voltage" + (", charge port only" if f.path != "common" else ""),
             at(f.over_v), _time(VOLTAGE_DELAY_S)),
        Trip("cold", "controller or rider sets regeneration to 0", f"{f.cold_c:g} °C", "before riding"),
        Trip("cold", "BMS stops charging", f"{f.cold_c:g} °C", _time(VOLTAGE_DELAY_S)),
    ]  # fmt: skip


def _short(f: _Facts) -> list[Trip]:
    amps = float(f.row["fault_current_a"])
    rows = []
    if not f.past:
        rows.append(Trip("short circuit", "BMS", _amps(amps), _time(SHORT_DELAY_S)))
    rows.append(Trip("short circuit", f"fuse {f.fuse_id}", _amps(amps), _opens(f, amps)))
    return [*rows, *f.conductors("short circuit", amps)]


def _notes(f: _Facts) -> list[str]:
    found = []
    if f.regen_a < f.asked.regen_current_a * (1 - 1e-9):
        found.append(
            f"Set regeneration to at most {_amps(f.regen_a)}; the controller could return "
            f"{f.asked.regen_current_a:g} A, and the pack does not bear it."
        )
    if f.peak_a < f.asked.battery_current_a * (1 - 1e-9):
        found.append(
            f"Set the battery current to at most {_amps(f.peak_a)}; the controller could draw "
            f"{f.asked.battery_current_a:g} A."
        )
    if none := _no_charger(f):
        found.append(f"{none[0].upper()}{none[1:]}. So no charging time is told.")
    if f.free_soc < 1.0 and f.regen_a > 0:
        found.append(
            f"A pack over {f.free_soc:.0%} of charge cannot take full braking: the energy has nowhere to go. "
            "Start downhill rides below it, and keep a brake that needs no battery."
        )
    if f.asked.controller_capacitance_uf > 0 and not f.precharges:
        found.append("Without pre-charge the main contact sparks and welds: fit the resistor of the table.")
    found.append(
        f"Voltages for one cell and the pack; currents at the battery. The air inside the box is taken as "
        f"{box_air_c(f.space.brief):.0f} °C. Check every value against the papers of controller, BMS and charger."
    )
    return found
