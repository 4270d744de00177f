"""How warm the limited parts of one design get, and which of its limits binds, with its temperature and time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from optimizer.design.select import Chosen, build_of, caps_by_part, design_block, harness_of
from optimizer.pack import limits
from optimizer.pack.protection import warming
from optimizer.pack.protection.warming import Warming
from optimizer.ride.simulate import RideTrace, simulate_trace
from optimizer.score.score import on_the_ride, uneven
from optimizer.search.space import guard
from optimizer.search.space.space import Space

Floats = npt.NDArray[np.float64]
Entry = dict[str, Any]

# Rise of a fuse's ends at its rating by UL 248-14, and how soon it comes (the latter from memory) [K], [s].
FUSE_RISE_K, FUSE_TAU_S = 75.0, 60.0
# Bodies of the small connectors of balance leads (from memory) [°C].
SIGNAL_LIMIT_C = 105.0
# Steps of a ride that temperatures are followed through; of longer rides every second step or fewer.
MOST_STEPS = 100_000
PEAK, RIDE, STEADY = "parts_after_peak", "parts_on_ride", "parts_at_continuous"


@dataclass(frozen=True, eq=False)
class _Parts:
    """Kind and name of each part that the pack's current heats, and all of them over time; the fuse is the last."""

    labels: list[tuple[str, str]]
    warming: Warming


def _parts(space: Space, chosen: Chosen, metal: Sequence[Mapping[str, Any]]) -> _Parts:
    inputs, build = space.inputs, build_of(space, chosen)
    layer = guard.strip_over_time(inputs, build, size=space.sizes[int(space.size_of[chosen.cell])])
    joint = guard.joint_over_time(inputs, build)
    found = [
        (("strip", str(each["name"])), build.density_a_mm2 / max(each["worst_density_a_mm2_per_a"], 1e-12),
         joint if each["way"] == "fold" else layer)
        for each in metal
    ]  # fmt: skip
    wire = guard.wires_over_time(inputs, np.array([chosen.wire]))
    found.append((("wire", str(inputs.wires.id[chosen.wire])), float(wire.rated_a[0]), wire))
    plug = guard.connector_over_time(space.brief)
    if plug is not None:
        found.append((("connector", "power"), float(plug.rated_a[0]), plug))
    fuse_a, air = float(inputs.fuses.current_a[chosen.fuse]), wire.air_c
    ends = warming.one_stage(
        np.array([fuse_a]), limit_c=np.array([air + FUSE_RISE_K]), air_c=air, tau_s=np.array([FUSE_TAU_S])
    )
    found.append((("fuse", str(inputs.fuses.id[chosen.fuse])), fuse_a, ends))
    whole = Warming(
        np.array([amps for _, amps, _ in found]), np.array([one.limit_c[0] for *_, one in found]), air,
        np.vstack([one.share for *_, one in found]), np.vstack([one.tau_s for *_, one in found]),
    )  # fmt: skip
    return _Parts([label for label, *_ in found], whole)


def ride_trace(space: Space, chosen: Chosen, row: Mapping[str, Any], *, points: int, **more: Any) -> RideTrace:
    """The ride of one design as the score drives it.

    Parameters
    ----------
    space : Space
    chosen : Chosen
    row : mapping
        Of the front.
    points : int
        About so many are kept.
    more
        Fields of the pack as the ride sees it, in place of the score's.
    """
    context, block = space.context, design_block(space, chosen)
    pack, ride = on_the_ride(block, context=context, pack_mass_kg=np.array([float(row["pack_mass_kg"])]))
    return simulate_trace(
        replace(pack, **more), steps=context.steps, ride=ride, start_soc=context.start_soc,
        reserve_soc=context.reserve_soc, points=points,
    )  # fmt: skip


def warmth(
    space: Space, chosen: Chosen, metal: Sequence[Mapping[str, Any]], *, row: Mapping[str, Any]
) -> tuple[dict[str, list[Entry]], dict[str, Entry]]:
    """How warm parts get, and what binds, see `warm_parts` and `binding`.

    Parameters
    ----------
    space : Space
    chosen : Chosen
    metal : sequence of mapping
        Conductors, see optimizer.design.conductors.conductor_records.
    row : mapping
        Of the front.
    """
    trace = ride_trace(space, chosen, row, points=MOST_STEPS)
    warm = warm_parts(space, chosen, metal, row=row, trace=trace)
    return warm, binding(space, chosen, row=row, trace=trace, warm=warm)


def warm_parts(
    space: Space, chosen: Chosen, metal: Sequence[Mapping[str, Any]], *, row: Mapping[str, Any], trace: RideTrace
) -> dict[str, list[Entry]]:
    """Temperature of plates, wire, connectors and fuse after the peak, along the ride and at continuous power.

    All start at the temperature of the air in the box. Connectors of balance leads carry next to nothing. What
    bounds a fuse is no temperature: its limit is what its ends would reach at the current that it may carry as long.

    Parameters
    ----------
    space : Space
    chosen : Chosen
    metal : sequence of mapping
        Conductors, see optimizer.design.conductors.conductor_records.
    row : mapping
        Of the front.
    trace : RideTrace
        The ride, with every step.

    Returns
    -------
    dict of str to list of dict
        PEAK, RIDE and STEADY, each part's name, temp_c and limit_c; hottest along the ride, at after_s.
    """
    asked = space.brief.electrical
    assert asked is not None
    made, caps, seconds = _parts(space, chosen, metal), caps_by_part(space, chosen), asked.peak_seconds
    over, most_a = made.warming, float(trace.current_a.max(initial=0.0))
    peak_a, steady_a = float(row["peak_current_a"]), float(row["continuous_current_a"])
    ride_c, when_s = _along(over, trace)
    block, _ = harness_of(space, chosen)
    found = {}
    for name, temps, amps, column in (
        (PEAK, over.after_c(peak_a, seconds=seconds), peak_a, "neg_peak_a"),
        (RIDE, ride_c, most_a, "neg_ride_a"),
        (STEADY, over.after_c(steady_a, seconds=np.inf), steady_a, "neg_continuous_a"),
    ):
        limit = over.limit_c.copy()
        room = (caps[column]["fuse"] / amps) ** 2 if amps > 0 else 1.0
        limit[-1] = over.air_c + (temps[-1] - over.air_c) * room
        entries = [_warm(*part, *numbers) for part, *numbers in zip(made.labels, temps, limit, strict=True)]
        if name == RIDE:
            entries = [each | {"after_s": round(float(at), 1)} for each, at in zip(entries, when_s, strict=True)]
        found[name] = entries + [
            _warm("connector", f"module {k + 1}", over.air_c, max(SIGNAL_LIMIT_C, over.air_c))
            for k in range(int(block.modules[0]))
        ]
    return found


def _warm(part: str, name: str, temp_c: float, limit_c: float) -> Entry:
    return {"part": part, "name": name, "temp_c": round(float(temp_c), 2), "limit_c": round(float(limit_c), 2)}


def _along(over: Warming, trace: RideTrace) -> tuple[Floats, Floats]:
    """Highest temperature of each part along a ride from the box's air, and when [°C], [s]; y' = (I² − y) / τ."""
    tau, back = np.unique(over.tau_s, return_inverse=True)
    back = back.reshape(over.tau_s.shape)
    y, most, when = np.zeros(len(tau)), np.zeros(len(over.rated_a)), np.zeros(len(over.rated_a))
    steps = np.diff(trace.time_s, prepend=0.0)
    for now, seconds, amps in zip(trace.time_s, steps, trace.current_a, strict=True):
        y += (amps * amps - y) * -np.expm1(-seconds / tau)
        square = (over.share * y[back]).sum(axis=1)
        when = np.where(square > most, now, when)
        most = np.maximum(most, square)
    return over.air_c + (over.limit_c - over.air_c) * most / over.rated_a**2, when


def binding(
    space: Space, chosen: Chosen, *, row: Mapping[str, Any], trace: RideTrace, warm: Mapping[str, Sequence[Entry]]
) -> dict[str, Entry]:
    """What binds peak power, continuous power and range of one design, with temperature or value, and time.

    Parameters
    ----------
    space : Space
    chosen : Chosen
    row : mapping
        Of the front.
    trace : RideTrace
    warm : mapping
        From `warm_parts`.

    Returns
    -------
    dict of str to dict
        By figure: part, words such as "wire, 105 °C after 10 s"; name, temp_c and limit_c of a part that warms,
        seconds where they are counted, current_a.
    """
    asked = space.brief.electrical
    assert asked is not None
    peak_a, steady_a = float(row["peak_current_a"]), float(row["continuous_current_a"])
    return {
        "peak_power_w": _bound(space, chosen, str(row["peak_limit"]), peak_a, warm[PEAK], asked.peak_seconds),
        "continuous_power_w": _bound(space, chosen, str(row["continuous_limit"]), steady_a, warm[STEADY], None),
        "range_km": _ending(space, chosen, str(row["range_stop"]), trace, warm[RIDE]),
    }


def _bound(
    space: Space, chosen: Chosen, part: str, amps: float, temps: Sequence[Entry], seconds: float | None
) -> Entry:
    """A limit of a power, with what it comes to."""
    found: Entry = {"part": part, "current_a": round(amps, 3)} | _hottest(part, temps)
    value = f"{found['temp_c']:.0f} °C" if "temp_c" in found else _value(space, chosen, part, amps)
    when = "in the steady state" if seconds is None else f"{'for' if ' A' in value else 'after'} {seconds:g} s"
    return found | ({} if seconds is None else {"seconds": seconds}) | {"words": f"{part}, {value} {when}"}


def _hottest(part: str, temps: Sequence[Entry]) -> Entry:
    """Name, temperature and limit of the part of a kind that is nearest to its limit; nothing where none is."""
    some = [each for each in temps if each["part"] == part]
    worst = min(some, key=lambda each: each["limit_c"] - each["temp_c"], default={})
    return {key: worst[key] for key in ("name", "temp_c", "limit_c") if key in worst}


def _value(space: Space, chosen: Chosen, part: str, amps: float) -> str:
    """What a limit that is no temperature of a conductor comes to, in words."""
    cells, row, asked = space.inputs.cells, int(space.context.cells.row[chosen.cell]), space.brief.electrical
    assert asked is not None
    share = float(uneven(design_block(space, chosen), context=space.context)[0])
    return {
        "sag": f"a cell at {float(cells.voltage_min_v[row]):.2f} V",
        "cell current": f"{amps * share / chosen.parallel:.1f} A in the most loaded cell",
        "matched load": "half of the voltage lost inside the pack",
        "temperature": f"hottest cell at {float(cells.temp_max_c[row]):g} °C",
        "controller cut-off": f"{asked.voltage_min_v:g} V",
    }.get(part, f"{amps:.1f} A")


def _ending(space: Space, chosen: Chosen, stop: str, trace: RideTrace, temps: Sequence[Entry]) -> Entry:
    """What ends the ride, and when."""
    seconds = float(trace.time_s[-1]) if len(trace.time_s) else 0.0
    after = f"after {seconds:.0f} s"
    if stop != "current limit":
        reserve = space.brief.ride.reserve_soc if space.brief.ride is not None else 0.0
        value = {"reserve": f", {reserve:.0%} of charge left", "cell cut-off": ", " + _value(space, chosen, "sag", 0.0)}
        return {"part": stop, "seconds": seconds, "words": f"{stop}{value.get(stop, '')} {after}"}
    asked, block = space.brief.electrical, design_block(space, chosen)
    assert asked is not None
    share = uneven(block, context=space.context)
    cell_a = limits.cell_cap(space.context.cells.ride_a[block.cell], parallel=block.parallel, share=share)
    caps = {"cell current": float(np.ravel(cell_a)[0]), "controller": asked.battery_current_a}
    caps |= caps_by_part(space, chosen)["neg_ride_a"]
    part = min(caps, key=lambda name: caps[name])
    found: Entry = {"part": part, "current_a": round(caps[part], 3), "seconds": seconds} | _hottest(part, temps)
    warm = f", {found['temp_c']:.0f} °C of {found['limit_c']:.0f} °C" if "temp_c" in found else ""
    return found | {"words": f"{part}, the ride asks for over {caps[part]:.1f} A{warm} {after}"}
