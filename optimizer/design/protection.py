"""What the rules of [protection] say of one design, whether they were in force or not."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from optimizer.design.select import Chosen, harness_of, worst
from optimizer.score.inputs import Inputs
from optimizer.search.space import guard
from optimizer.search.space.parts import fuse_peak_a
from optimizer.search.space.space import Space

# What is said first of a design whose brief turns a rule off.
OFF = {
    "fuse_protects": "nobody checked that the fuse opens before wire and plates burn",
    "fuse_breaks": "nobody checked that the fuse can break a short circuit",
    "bms_holds": "the powers are not bounded by the BMS, which may cut off below them",
    "regen_holds": "braking may return more than the pack bears; a rider who balances on the motor falls when it trips",
    "balance_leads": "balance leads are not protected: one that chafes through burns",
}


# Rise of a fuse's ends at its rating by UL 248-14, and how soon it comes (the latter from memory) [K], [s].
FUSE_RISE_K, FUSE_TAU_S = 75.0, 60.0


def parts_after_peak(space: Space, chosen: Chosen, *, current_a: float) -> list[dict[str, Any]]:
    """Temperature of plates, wire, connectors and fuse after a peak at a current, from the air of the box.

    Plates: of each the hottest piece of it and of those before it in its compartment, which errs on the safe side.
    Connectors carry balance leads and sensor wires alone. Fuse: its ends rise by 75 K at the rating; the limit is
    that of the current that it carries again and again for as long.

    Parameters
    ----------
    space : Space
    chosen : Chosen
    current_a : float
        [A]

    Returns
    -------
    list of dict
        part, name, temp_c and limit_c.
    """
    inputs, seconds = space.inputs, space.brief.electrical.peak_seconds if space.brief.electrical else 10.0
    air = guard.box_air_c(space.brief)
    build = next(one for one in space.builds if one.strip == chosen.strip and one.layers == chosen.layers)
    layer = guard.strip_over_time(inputs, build, size=space.sizes[int(space.size_of[chosen.cell])])
    hottest: dict[int, float] = {}
    block, _ = harness_of(space, chosen)
    first = 0
    for room in block.order[0]:
        fill, groups = chosen.fills[room], chosen.split[room]
        if fill is None or not groups:
            continue
        dense = fill.metrics[:, fill.names.index(f"{build.way.name}:dense")]
        segment = dense * build.section_mm2 / (build.thickness_mm * build.stacked)
        for at in range(groups + 1):
            share = float(segment[max(at, 1)])
            hottest[first + at] = max(hottest.get(first + at, 0.0), share)
        first += groups
    found = [
        _warm("strip", f"P{plate}", layer.after_c(current_a * share, seconds=seconds)[0], layer.limit_c[0])
        for plate, share in sorted(hottest.items())
    ]
    wire = guard.wires_over_time(inputs, np.array([chosen.wire]))
    name = str(inputs.wires.id[chosen.wire])
    found.append(_warm("wire", name, wire.after_c(current_a, seconds=seconds)[0], wire.limit_c[0]))
    found += [
        _warm("connector", f"module {k + 1}", air, max(CONNECTOR_LIMIT_C, air)) for k in range(int(block.modules[0]))
    ]
    fuse_a = float(inputs.fuses.current_a[chosen.fuse])
    allowed_a = float(fuse_peak_a(inputs, np.array([chosen.fuse]), seconds)[0])
    rise = FUSE_RISE_K * -np.expm1(-seconds / FUSE_TAU_S)
    temps = (air + rise * (amps / fuse_a) ** 2 for amps in (current_a, allowed_a))
    found.append(_warm("fuse", str(inputs.fuses.id[chosen.fuse]), *temps))
    return found


# Bodies of common connectors (from memory) [°C].
CONNECTOR_LIMIT_C = 105.0


def _warm(part: str, name: str, temp_c: float, limit_c: float) -> dict[str, Any]:
    return {"part": part, "name": name, "temp_c": round(float(temp_c), 2), "limit_c": round(float(limit_c), 2)}


def turned_off(space: Space) -> list[str]:
    """Rules that the brief turns off, in words."""
    rules = space.brief.protection
    return [
        f"The rule {name} of [protection] is turned off: {text}."
        for name, text in OFF.items()
        if not getattr(rules, name)
    ]


def _in_force(inputs: Inputs) -> Inputs:
    rules = inputs.brief.protection.model_copy(update={"fuse_protects": True, "fuse_breaks": True})
    return replace(inputs, brief=inputs.brief.model_copy(update={"protection": rules}))


def broken(space: Space, chosen: Chosen) -> list[str]:
    """Rules that a design breaks, each with by how much: those of a pinned pack, or of a rule turned off.

    Parameters
    ----------
    space : Space
    chosen : Chosen

    Returns
    -------
    list of str
    """
    inputs = _in_force(space.inputs)
    fuses, wires, size = inputs.fuses, inputs.wires, int(space.size_of[chosen.cell])
    builds = [one for one in space.builds if one.strip == chosen.strip and one.layers == chosen.layers]
    only = replace(inputs, fuse_rows=np.array([chosen.fuse]), wire_rows=np.array([chosen.wire]))
    asked = guard.guard(only, builds, size=space.sizes[size])
    fuse, wire_a = f"{float(fuses.current_a[chosen.fuse]):g} A", float(wires.current_a[chosen.wire])
    build, found = builds[0], []
    if not asked.bears[0, 0]:
        found.append(
            f"The fuse of {fuse} does not protect the power wire, which bears {wire_a:g} A and would need "
            f"{asked.wire_a[0, 0]:.0f} A: a fault may burn the wire before the fuse opens."
        )
    metal_mm = build.thickness_mm * build.stacked
    plates_a = metal_mm * build.density_a_mm2 / max(worst(chosen, f"{build.way.name}:dense"), 1e-12)
    if plates_a < asked.need_a[0, 0] * (1.0 - 1e-9):
        found.append(
            f"The fuse of {fuse} does not protect the plates, which bear {plates_a:.0f} A and would need "
            f"{asked.need_a[0, 0]:.0f} A: a fault may burn them before the fuse opens."
        )
    fault_a = space.fault_a(chosen.cell, chosen.parallel)
    if not guard.breaks(only, fault_a)[0]:
        found.append(
            f"The fuse breaks {float(fuses.breaking_a[chosen.fuse]):g} A at most, and the cells drive "
            f"{fault_a:.0f} A through a short circuit: it may burn on in an arc."
        )
    return found
