"""How warm the limited parts of one design get, and which of its limits binds, with its temperature and time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from optimizer.design.select import Chosen, build_of, caps_by_part, design_block, harness_of
from optimizer.pack import limits
from optimizer.pack.protection import warming
from optimizer.pack.protection.warming import Warming
from optimizer.ride.simulate import RideTrace, simulate_trace
from optimizer.score.score import Block, on_the_ride, uneven
from optimizer.search.space import guard
from optimizer.search.space.space import Space

Entry = dict[str, Any]

# Rise of a fuse's ends at its rating by UL 248-14, and how soon it comes (the latter from memory) [K], [s].
FUSE_RISE_K, FUSE_TAU_S = 75.0, 60.0
# Bodies of the small connectors of balance leads (from memory) [°C].
SIGNAL_LIMIT_C = 105.0
# Steps of a ride that temperatures are followed through; of longer rides every second step or fewer.
MOST_STEPS = 100_000
PEAK, RIDE, STEADY = "parts_after_peak", "parts_on_ride", "parts_at_continuous"


@dataclass(frozen=True, eq=False)
class Warmth:
    """One design over time.

    Parameters
    ----------
    block : Block
        As the score reads it.
    labels : list of (str, str)
        Kind and name of each part that the pack's current heats; the fuse is the last.
    parts : Warming
        All of them.
    temps : dict of str to list of dict
        PEAK, RIDE and STEADY: each part's name, temp_c and limit_c; hottest along the ride, at after_s. All start at
        the temperature of the air in the box. Connectors of balance leads carry next to nothing. What bounds a fuse is
        no temperature: its limit is what its ends would reach at the current that it may carry as long.
    limits : dict of str to dict
        What binds peak power, continuous power and range: part, words such as "wire, 105 °C after 10 s"; name, temp_c
        and limit_c of a part that warms, seconds where they are counted, current_a.
    ride_a : float
        Highest current of the ride [A].
    """

    block: Block
    labels: list[tuple[str, str]]
    parts: Warming
    temps: dict[str, list[Entry]]
    limits: dict[str, Entry]
    ride_a: float


def warmth(space: Space, chosen: Chosen, metal: Sequence[Mapping[str, Any]], *, row: Mapping[str, Any]) -> Warmth:
    """How warm the parts of a design, a row of the front, get, and what binds; `metal` is from conductor_records."""
    block, caps = design_block(space, chosen), caps_by_part(space, chosen)
    labels, parts = _parts(space, chosen, metal)
    trace = ride_trace(space, block, row, points=MOST_STEPS)
    temps = _temperatures(space, chosen, row, labels=labels, over=parts, caps=caps, trace=trace)
    told = _Told(space, chosen, block)
    seconds = told.asked.peak_seconds
    binds = {
        "peak_power_w": told.bound(str(row["peak_limit"]), float(row["peak_current_a"]), temps[PEAK], seconds),
        "continuous_power_w": told.bound(
            str(row["continuous_limit"]), float(row["continuous_current_a"]), temps[STEADY], None
        ),
        "range_km": told.ending(str(row["range_stop"]), trace, temps[RIDE], caps["neg_ride_a"]),
    }
    return Warmth(block, labels, parts, temps, binds, float(np.abs(trace.current_a).max(initial=0.0)))


def ride_trace(space: Space, block: Block, row: Mapping[str, Any], *, points: int, **more: Any) -> RideTrace:
    """The ride of one design, a row of the front, as the score drives it; about so many points are kept.

    `more` are fields of the pack as the ride sees it, in place of the score's.
    """
    context = space.context
    pack, ride = on_the_ride(block, context=context, pack_mass_kg=np.array([float(row["pack_mass_kg"])]))
    return simulate_trace(
        replace(pack, **more), steps=context.steps, ride=ride, start_soc=context.start_soc,
        reserve_soc=context.reserve_soc, points=points,
    )  # fmt: skip


def _parts(
    space: Space, chosen: Chosen, metal: Sequence[Mapping[str, Any]]
) -> tuple[list[tuple[str, str]], Warming]:
    """Kind and name of each part that the pack's current heats, and all of them over time."""
    inputs, build = space.inputs, build_of(space, chosen)
    layer = guard.strip_over_time(inputs, build, size=space.sizes[int(space.size_of[chosen.cell])])
    joint = guard.joint_over_time(inputs, build)
    tabs = guard.tabs_over_time(inputs, build, size=space.sizes[int(space.size_of[chosen.cell])])
    labels, found = [], []
    for each in metal:
        rated = np.array([build.density_a_mm2 / max(each["worst_density_a_mm2_per_a"], 1e-12)])
        labels.append(("strip", str(each["name"])))
        found.append(replace(joint if each["way"] == "fold" else layer, rated_a=rated))
        if tabs is not None and any("material" in piece for piece in each["pieces"]):
            labels.append(("strip", f"{each['name']} tabs"))
            found.append(replace(tabs, rated_a=rated))
    wire, plug = guard.wires_over_time(inputs, np.array([chosen.wire])), guard.connector_over_time(space.brief)
    labels.append(("wire", str(inputs.wires.id[chosen.wire])))
    found.append(wire)
    if plug is not None:
        labels.append(("connector", "power"))
        found.append(plug)
    labels.append(("fuse", str(inputs.fuses.id[chosen.fuse])))
    fuse_a, limit = inputs.fuses.current_a[[chosen.fuse]], np.array([wire.air_c + FUSE_RISE_K])
    found.append(warming.one_stage(fuse_a, limit_c=limit, air_c=wire.air_c, tau_s=np.array([FUSE_TAU_S])))
    return labels, warming.together(found)


def _temperatures(
    space: Space, chosen: Chosen, row: Mapping[str, Any], *, labels: list[tuple[str, str]], over: Warming,
    caps: Mapping[str, Mapping[str, float]], trace: RideTrace,
) -> dict[str, list[Entry]]:  # fmt: skip
    """Each part after the peak, along the ride and at continuous power, see Warmth."""
    asked = space.brief.electrical
    assert asked is not None
    peak_a, steady_a = float(row["peak_current_a"]), float(row["continuous_current_a"])
    ride_c, when_s = over.along(trace.time_s, trace.current_a)
    signal = [
        _warm("connector", f"module {k + 1}", over.air_c, max(SIGNAL_LIMIT_C, over.air_c))
        for k in range(int(harness_of(space, chosen).modules[0]))
    ]
    found = {}
    for name, temps, amps, column in (
        (PEAK, over.after_c(peak_a, seconds=asked.peak_seconds), peak_a, "neg_peak_a"),
        (RIDE, ride_c, float(trace.current_a.max(initial=0.0)), "neg_ride_a"),
        (STEADY, over.after_c(steady_a, seconds=np.inf), steady_a, "neg_continuous_a"),
    ):
        limit = over.limit_c.copy()
        room = (caps[column]["fuse"] / amps) ** 2 if amps > 0 else 1.0
        limit[-1] = over.air_c + (temps[-1] - over.air_c) * room
        entries = [_warm(*part, *numbers) for part, *numbers in zip(labels, temps, limit, strict=True)]
        if name == RIDE:
            entries = [each | {"after_s": round(float(at), 1)} for each, at in zip(entries, when_s, strict=True)]
        found[name] = entries + signal
    return found


def _warm(part: str, name: str, temp_c: float, limit_c: float) -> Entry:
    return {"part": part, "name": name, "temp_c": round(float(temp_c), 2), "limit_c": round(float(limit_c), 2)}


class _Told:
    """What binds a design, in words."""

    def __init__(self, space: Space, chosen: Chosen, block: Block) -> None:
        assert space.brief.electrical is not None
        self.space, self.chosen, self.block, self.asked = space, chosen, block, space.brief.electrical
        self.share, self.drifted = (uneven(block, context=space.context, drifted=late) for late in (False, True))

    def bound(self, part: str, amps: float, temps: Sequence[Entry], seconds: float | None) -> Entry:
        """A limit of a power, with what it comes to."""
        found: Entry = {"part": part, "current_a": round(amps, 3)} | _hottest(part, temps)
        value = f"{found['temp_c']:.0f} °C" if "temp_c" in found else self.value(part, amps, lasting=seconds is None)
        # What bounds a fuse is its opening time.
        value = f"{amps:.1f} A with {value} at its ends" if part == "fuse" else value
        when = "in the steady state" if seconds is None else f"{'for' if ' A' in value else 'after'} {seconds:g} s"
        return found | ({} if seconds is None else {"seconds": seconds}) | {"words": f"{part}, {value} {when}"}

    def value(self, part: str, amps: float, *, lasting: bool = False) -> str:
        """What a limit that is no temperature of a conductor comes to, in words."""
        share = float((self.drifted if lasting else self.share)[0])
        cells, row = self.space.inputs.cells, int(self.space.context.cells.row[self.chosen.cell])
        return {
            "sag": f"a cell at {float(cells.voltage_min_v[row]):.2f} V",
            "cell current": f"{amps * share / self.chosen.parallel:.1f} A in the most loaded cell",
            "matched load": "half of the voltage lost inside the pack",
            "temperature": f"hottest cell at {float(cells.temp_max_c[row]):g} °C",
            "controller cut-off": f"{self.asked.voltage_min_v:g} V",
        }.get(part, f"{amps:.1f} A")

    def ending(self, stop: str, trace: RideTrace, temps: Sequence[Entry], caps: Mapping[str, float]) -> Entry:
        """What ends the ride, and when."""
        seconds = float(trace.time_s[-1]) if len(trace.time_s) else 0.0
        after = f"after {seconds:.0f} s"
        if stop != "current limit":
            reserve = self.space.brief.ride.reserve_soc if self.space.brief.ride is not None else 0.0
            value = {"reserve": f", {reserve:.0%} of charge left", "cell cut-off": f", {self.value('sag', 0.0)}"}
            return {"part": stop, "seconds": seconds, "words": f"{stop}{value.get(stop, '')} {after}"}
        ride_a = self.space.context.cells.ride_a[self.block.cell]
        cell_a = limits.cell_cap(ride_a, parallel=self.block.parallel, share=self.share)
        amps = {"cell current": float(np.ravel(cell_a)[0]), "controller": self.asked.battery_current_a, **caps}
        part = min(amps, key=lambda name: amps[name])
        found: Entry = {"part": part, "current_a": round(amps[part], 3), "seconds": seconds} | _hottest(part, temps)
        warm = f", {found['temp_c']:.0f} °C of {found['limit_c']:.0f} °C" if "temp_c" in found else ""
        return found | {"words": f"{part}, the ride asks for over {amps[part]:.1f} A{warm} {after}"}


def _hottest(part: str, temps: Sequence[Entry]) -> Entry:
    """Name, temperature and limit of the part of a kind that is nearest to its limit; nothing where none is."""
    some = [each for each in temps if each["part"] == part]
    worst = min(some, key=lambda each: each["limit_c"] - each["temp_c"], default={})
    return {key: worst[key] for key in ("name", "temp_c", "limit_c") if key in worst}
