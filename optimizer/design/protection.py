"""What the rules of [protection] say of one design, whether they were in force or not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from optimizer.design.select import Chosen, metric, plates_of
from optimizer.score.inputs import Inputs
from optimizer.search.space import guard
from optimizer.search.space.space import Space

# What is said first of a design whose brief turns a rule off.
OFF = {
    "fuse_protects": "nobody checked that the fuse opens before wire and plates burn",
    "fuse_breaks": "nobody checked that the fuse can break a short circuit",
    "bms_holds": "the powers are not bounded by the BMS, which may cut off below them",
    "regen_holds": "braking may return more than the pack bears; a rider who balances on the motor falls when it trips",
    "balance_leads": "balance leads are not protected: one that chafes through burns",
}


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
    return replace(inputs, brief=inputs.brief.model_copy(update={"protection": rules}), spared=frozenset())


def broken(space: Space, chosen: Chosen) -> list[str]:
    """Rules that a design breaks, each with by how much: those of a pinned pack, or of a rule turned off."""
    inputs = _in_force(space.inputs)
    fuses, wires, size = inputs.fuses, inputs.wires, int(space.size_of[chosen.cell])
    builds = [one for one in space.builds if one.strip == chosen.strip and one.layers == chosen.layers]
    only = replace(inputs, fuse_rows=np.array([chosen.fuse]), wire_rows=np.array([chosen.wire]))
    asked = guard.guard(only, builds, size=space.sizes[size])
    fuse, build, plug = f"{float(fuses.current_a[chosen.fuse]):g} A", builds[0], space.brief.power_connector
    held = (
        ("the connectors of the power wires, which bear", "them", np.inf if plug is None else plug.current_a,
         asked.plug_a[0]),
        ("the power wire, which bears", "the wire", float(wires.current_a[chosen.wire]), asked.wire_a[0, 0]),
        ("the plates, which bear", "them", -float(plates_of(space, chosen).column("neg_continuous_a")[0]),
         asked.need_a[0, 0]),
    )  # fmt: skip
    found = [
        f"The fuse of {fuse} does not protect {which} {bears:.4g} A and would need {need:.0f} A: a fault may burn "
        f"{what} before the fuse opens."
        for which, what, bears, need in held
        if bears < need * (1.0 - 1e-9)
    ]
    if metric(chosen, f"{build.way.name}:stack_under") > 0 and not asked.joints[0, 0]:
        found.append(
            f"The fuse of {fuse} does not protect the joints between layers, which lie off the cells: a fault may burn "
            "them before the fuse opens."
        )
    fault_a = space.fault_a(chosen.cell, chosen.parallel)
    if not guard.breaks(only, fault_a)[0]:
        found.append(
            f"The fuse breaks {float(fuses.breaking_a[chosen.fuse]):g} A at most, and the cells drive "
            f"{fault_a:.0f} A through a short circuit: it may burn on in an arc."
        )
    return found
