"""Random candidates of a space, as the search makes them: nothing reduced, nothing bounded."""

import numpy as np
from plain_score import Pack

from optimizer.score.score import WARM_NUMBERS, Block
from optimizer.search.exact.ideal import cells_cost
from optimizer.search.space import options as op
from optimizer.search.space import parts
from optimizer.search.space.plating import plated
from optimizer.search.space.splits import Shares

# Splits are drawn from all that there are: more than a search would keep.
MOST_SPLITS = 2_000_000


def draw(space, rng, *, count, tasks):
    """Packs and the block that the fast score reads, about `count` of each, out of so many tasks."""
    packs, rows, some = [], [], space.tasks()
    some = [some[k] for k in rng.permutation(len(some))[:tasks]]
    if not some:
        return packs, None
    low, high = space.window
    known: dict = {}
    # Of some boxes nine draws in ten have no parts that serve them, or no conductors that can be laid.
    for _ in range(24 * count):
        if len(packs) == count:
            break
        task = some[int(rng.integers(len(some)))]
        members = np.flatnonzero((space.size_of == task.size) & (low <= high))
        cell = int(rng.choice(members))
        series = int(rng.integers(low[cell], high[cell] + 1))
        fills = space.fills(task)
        rules = space.brief.harness
        shares = Shares(
            space.rooms, fills=fills, rules=rules, sensors=space.brief.parts.sensors, known=known,
            links=space.links(task.stand), board=space.board(task.stand), most_kept=MOST_SPLITS,
        )  # fmt: skip
        splits = shares.of(series, reduced=False) if any(fills) else ()
        if len(splits):
            one = splits.take(np.array([int(rng.integers(len(splits)))]))
            made = _built(space, rng, task, cell, series, fills, one)
            if made is not None:
                packs.append(made[0])
                rows.append(made[1])
    if not packs:
        return packs, None
    whole = {name: np.concatenate([getattr(r, name) for r in rows]) for name in Block.__dataclass_fields__}
    return packs, Block(**whole)


def _built(space, rng, task, cell, series, fills, split):
    """One pack with parts drawn, None where no BMS or fuse serves it, or no conductors can be laid."""
    inputs, row = space.inputs, int(space.context.cells.row[cell])
    full_v = series * float(inputs.cells.voltage_max_v[row])
    profile, chemistry = space.context.profile, str(inputs.cells.chemistry[row])
    bms, bms_rows = parts.bms_options(inputs, series=series, chemistry=chemistry, full_v=full_v, profile=profile)
    fuse, fuse_rows = parts.fuse_options(inputs, full_v=full_v, profile=profile)
    if not len(bms) or not len(fuse):
        return None
    wire, ohm, mass, cost = parts.wire_options(inputs, profile=profile)
    whole = op.wired(plated(space, task, fills, split), wire, ohm_per_mm=ohm, kg_per_mm=mass, cost_per_mm=cost)
    if not len(whole):
        return None
    a, b, c = (int(rng.integers(len(options))) for options in (whole, bms, fuse))
    one = op.combine(op.combine(_row(whole, a), _row(bms, b)), _row(fuse, c))
    _, build, wired = whole.picks[a]
    chosen = tuple(each[k] if groups else None
                   for each, k, groups in zip(fills, split.fill[0], split.split[0], strict=True))  # fmt: skip
    pack = Pack(
        row, series, task.parallel, tuple(int(g) for g in split.split[0]), chosen, space.builds[build].strip,
        space.builds[build].layers, int(inputs.wire_rows[wired]), int(bms_rows[b]), int(fuse_rows[c]),
        task.stand,
    )  # fmt: skip
    return pack, _block(space, cell, series, task.parallel, one)


def _row(options, k):
    return op.Options(options.values[[k]], options.picks[[k]])


def _block(space, cell, series, parallel, one):
    cells, number = np.array([cell]), np.array([series * parallel])
    return Block(
        cell=cells, series=np.array([series]), parallel=np.array([parallel]),
        extra_ohm=one.column("resistance_ohm"), parts_kg=one.column("mass_kg"), parts_cost=one.column("cost"),
        cells_cost=cells_cost(space, cells, number), peak_cap_a=-one.column("neg_peak_a"),
        continuous_cap_a=-one.column("neg_continuous_a"), charge_cap_a=-one.column("neg_charge_a"),
        ride_cap_a=-one.column("neg_ride_a"), regen_cap_a=-one.column("neg_regen_a"),
        spread_ohm=one.column("spread_ohm"), **{name: one.column(name) for name in WARM_NUMBERS},
    )  # fmt: skip
