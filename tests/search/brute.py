"""Plain enumeration of a space: every split, fill, strip, wire, BMS and fuse, nothing reduced or bounded."""

from collections import Counter
from dataclasses import replace
from itertools import product

import numpy as np
import plain_protection as plain
from plain_wear import box_air

from optimizer.front.pareto import nondominated, signed
from optimizer.score.score import WARM_NUMBERS, Block, margins, score
from optimizer.search.exact.hope import promising
from optimizer.search.exact.ideal import cells_cost
from optimizer.search.space import contents, parts, splits
from optimizer.search.space import options as op
from optimizer.search.space.plating import plated


def every_split(space, task):
    """All splits of a task, none left out, and how many there should be."""
    shares = splits.Shares(
        space.rooms, fills=space.fills(task), rules=space.brief.harness,
        sensors=space.brief.parts.sensors, known=space.harnesses, links=space.links(task.stand),
        board=space.board(task.stand), lead_mm2=float(space.wires_mm2[contents.lead_wire(space.inputs)]),
    )  # fmt: skip
    low, high = space.brief.vary.series
    pieces = [shares.of(series, reduced=False) for series in range(low, high + 1)]
    fields = splits.Splits.__dataclass_fields__
    whole = splits.Splits(*(np.concatenate([getattr(part, name) for part in pieces]) for name in fields))
    ways = shares.ways()
    assert [len(part) for part in pieces] == [int(ways[s]) if s < len(ways) else 0 for s in range(low, high + 1)]
    return space.fills(task), whole


def candidates(space):
    """Figures of every candidate of a space by name, and how many candidates there are, by task."""
    asked, profile = space.brief.electrical, space.context.profile
    parts_of, count = [], Counter()
    for task in space.tasks():
        fills, table = every_split(space, task)
        if not len(table):
            continue
        layout = plated(space, task, fills, table)
        wire, ohm, mass, cost = parts.wire_options(space.inputs, profile=profile)
        # Wires must pass through the passages in use.
        thick = space.inputs.wires.outer_mm[space.inputs.wire_rows] ** 2
        wired = op.wired(layout, wire, ohm_per_mm=ohm, kg_per_mm=mass, cost_per_mm=cost)
        plates_a = np.repeat(-layout.column("neg_continuous_a"), len(wire))
        names = next(fill.names for each in fills for fill in each)
        # Whether conductors go from layer to layer, by split and build.
        joined = np.column_stack([table.metrics[:, names.index(f"{b.way.name}:stack_under")] > 0 for b in space.builds])
        groups = table.split.sum(axis=1)[wired.picks[:, 0]]
        for cell, series in product(np.flatnonzero(space.size_of == task.size), np.unique(groups)):
            row = space.context.cells.row[cell]
            cells = space.inputs.cells
            full_v = series * cells.voltage_max_v[row]
            empty_v = series * cells.voltage_min_v[row]
            if full_v > asked.voltage_max_v + 1e-9 or empty_v < asked.voltage_min_v - 1e-9:
                continue
            here = op.Options(wired.values[groups == series], wired.picks[groups == series])
            chemistry = str(cells.chemistry[row])
            boards = replace(space.inputs, bms_rows=space.boards(task))
            bms, _ = parts.bms_options(boards, series=series, chemistry=chemistry, full_v=full_v, profile=profile)
            fuse, fuses = parts.fuse_options(space.inputs, full_v=full_v, profile=profile)
            if not len(bms) or not len(fuse):
                continue
            fault_a = float(space.context.cells.fault_a[cell]) * task.parallel
            for k, row in enumerate(fuses):
                if space.brief.protection.fuse_breaks and fault_a > space.inputs.fuses.breaking_a[row]:
                    continue
                count[task] += len(here) * len(bms)
                good = protected(space, task, here, plates_a[groups == series], int(row), joined)
                good &= thick[here.picks[:, 2]] <= table.wire_mm2[here.picks[:, 0]]
                left = op.Options(here.values[good], here.picks[good])
                one = op.Options(fuse.values[[k]], fuse.picks[[k]])
                every = op.combine(op.combine(left, bms), one)
                if len(every):
                    packs = block(space, every, cell, series, task.parallel)
                    parts_of.append(score(packs, context=space.context, stepped=True))
    names = parts_of[0].keys() if parts_of else ()
    return {name: np.concatenate([part[name] for part in parts_of]) for name in names}, count


def protected(space, task, wired, plates_a, fuse, joined):
    """Which of the splits with strip and wire a fuse protects, by the plain rules."""
    inputs, rules = space.inputs, space.brief.protection
    if not rules.fuse_protects:
        return np.ones(len(wired), dtype=bool)
    size, air = space.sizes[task.size], box_air(space.brief, space.rooms)
    across = size.diameter_mm if size.shape == "cylinder" else max(size.width_mm, size.thickness_mm)
    shape = {
        "span_mm": across + space.brief.clearance.cell_gap_mm, "limit_c": rules.strip_limit_c, "air_c": air,
        "cell_mm3": plain.volume(size),
    }  # fmt: skip
    asked = np.array([
        plain.must_bear(inputs.fuses, fuse, plain.strip_stages(inputs.strips, b.strip, b.layers, **shape)[2])
        for b in space.builds
    ])  # fmt: skip
    bears = np.array([
        plain.burns(inputs.fuses, fuse, *plain.wire_stages(inputs.wires, row, air)[::2]) is None
        for row in inputs.wire_rows
    ])  # fmt: skip
    plug = space.brief.power_connector
    if plug is not None:
        bears &= plain.burns(inputs.fuses, fuse, plug.current_a, [(1.0, plug.tau_s)]) is None
    plug, around = space.brief.power_connector, {"limit_c": rules.strip_limit_c, "air_c": air}
    if plug is not None:
        bears &= plain.burns(inputs.fuses, fuse, plug.current_a, [(1.0, plug.tau_s)]) is None
    joints = np.array([
        plain.burns(inputs.fuses, fuse, *plain.joint_stages(inputs.strips, b.strip, b.layers, **around)[::2]) is None
        for b in space.builds
    ])  # fmt: skip
    split, build, wire = wired.picks.T[:3]
    return (plates_a >= asked[build]) & bears[wire] & (joints[build] | ~joined[split, build])


def front(figures, brief):
    """Objectives of the feasible candidates that none dominates, shape (n, d)."""
    use = brief.objectives.use
    limits = {k: v for k, v in brief.constraints if v is not None}
    if not figures:
        return np.zeros((0, len(use)))
    good = np.ones(len(figures["cost"]), dtype=bool)
    for gap in margins(figures, constraints=limits).values():
        good &= gap >= 0
    points = signed(figures, objectives=use)[good]
    return points[nondominated(points)]


def objectives(space):
    """Objectives of the front by plain enumeration, shape (n, d), and how many candidates tasks with hope have."""
    figures, count = candidates(space)
    return front(figures, space.brief), hoped(space, count)


def hoped(space, count):
    """How many candidates the tasks have that a search lays out; the others are enumerated all the same."""
    return sum(count[task] for task in promising(space).tasks())


def block(space, every, cell, series, parallel):
    n = len(every)
    number = np.full(n, series * parallel)
    return Block(
        cell=np.full(n, cell),
        series=np.full(n, series),
        parallel=np.full(n, parallel),
        extra_ohm=every.column("resistance_ohm"),
        parts_kg=every.column("mass_kg"),
        parts_cost=every.column("cost"),
        cells_cost=cells_cost(space, np.full(n, cell), number),
        peak_cap_a=-every.column("neg_peak_a"),
        continuous_cap_a=-every.column("neg_continuous_a"),
        charge_cap_a=-every.column("neg_charge_a"),
        ride_cap_a=-every.column("neg_ride_a"),
        regen_cap_a=-every.column("neg_regen_a"),
        spread_ohm=every.column("spread_ohm"),
        **{name: every.column(name) for name in WARM_NUMBERS},
    )
