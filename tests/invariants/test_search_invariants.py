"""Through the real search: bills add up, currents keep to the parts' ratings, looser limits never cost anything.

Grade: closed form (sums, monotony); random small briefs with fixed keys.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from plain_protection import over_for, peak_of_fuse, wire_stages
from random_briefs import brief_text

from optimizer.brief.schema import Constraints
from optimizer.design.unfold import unfold
from optimizer.search.exact import rows
from optimizer.search.running.run import search
from optimizer.search.space.setup import load_space, make_space

# One brief takes as long as the other three.
KEYS = (5, 17, pytest.param(18, marks=pytest.mark.nightly), 19)
USE = ("range_km", "peak_power_w", "pack_mass_kg", "cost")
# How far a limit is drawn in between the worst (0) and the best (1) of what an unlimited search finds.
PARTS = {"range_km_min": 0.3, "peak_power_w_min": 0.3, "pack_mass_kg_max": 0.4, "cost_max": 0.4}


@pytest.fixture(scope="module", params=KEYS)
def space(request, tmp_path_factory):
    """A random brief with two strips, two wires and all BMS and fuses; one or two in parallel."""
    rng = np.random.default_rng([7, request.param])
    folder = tmp_path_factory.mktemp("search")
    path = folder / "brief.toml"
    text = brief_text(rng, folder).replace("strip_layers = [1, 2]", 'strips = ["nickel-8x0.15", "copper-8x0.10"]\n'
                                           'wires = ["silicone-4", "silicone-10"]\nstrip_layers = [1]')  # fmt: skip
    cells = '["amber-18650-e29", "birch-21700-b45", "grove-18650-*"]'
    fixed = {"parallel = ": "[2, 3]", "battery_current_a = ": "60.0", "cells = [": cells[1:]}
    lines = []
    for line in text.splitlines():
        start = next((start for start in fixed if line.startswith(start)), None)
        lines.append(line if start is None else start + fixed[start])
    # Ratings are set at will here; tests/test_settings.py and tests/search/test_exact.py hold the rules of the fuse.
    lines += ["[protection]", "fuse_protects = false", "fuse_breaks = false"]
    path.write_text("\n".join(lines) + '\n[objectives]\nresolution = { range_km = 0.5, peak_power_w = 50.0 }\n')
    return load_space(path)


def with_limits(space, limits):
    """The same space under other constraints; its layouts and chains are kept."""
    brief = space.brief.model_copy(update={"constraints": Constraints(**limits)})
    other = make_space(replace(space.inputs, brief=brief))
    other._layouts.update(space._layouts)
    other._fills.update(space._fills)
    return other


def best(space):
    """Best value of each objective that the search finds, in the natural direction; None where nothing is found."""
    found = search(space).found.objectives
    return dict(zip(USE, found.min(axis=0), strict=True)) if len(found) else None


def front_of(space):
    found, figures = rows.rescored(search(space).found, space=space)
    return rows.table(found, figures, space=space)


def test_masses_and_costs_are_the_sums_of_their_bill(space):
    front = front_of(space)
    assert len(front)
    for row in front.iloc[:: max(len(front) // 6, 1)].to_dict("records"):
        design = unfold(space, row)
        assert design.bill["mass_g"].sum() / 1e3 == pytest.approx(row["pack_mass_kg"], rel=1e-9, abs=1e-6)
        assert design.bill["cost"].sum() == pytest.approx(row["cost"], rel=1e-9, abs=1e-6)
        assert (design.bill[["quantity", "mass_g", "cost"]] >= 0).all(axis=None)
        cells = design.bill.set_index("item").loc["cell"]
        assert cells["quantity"] == row["series"] * row["parallel"] == row["cell_count"]
        lines = design.bill["quantity"] * design.bill["unit_price"]
        assert lines.tolist() == pytest.approx(design.bill["cost"].tolist(), rel=1e-9)
        assert cells["mass_g"] == pytest.approx(row["cell_count"] * design.cell["mass_g"])


def with_ratings(space, part, amps):
    """The same space with every rating of one kind of part at some amperes; a BMS gives half as much again for 2 s."""
    inputs = space.inputs
    if part == "controller":
        electrical = inputs.brief.electrical.model_copy(update={"battery_current_a": amps})
        changed = {"brief": inputs.brief.model_copy(update={"electrical": electrical})}
    else:
        columns = {"current_continuous_a": 1.0, "current_peak_a": 1.5} if part == "bms" else {"current_a": 1.0}
        table = getattr(inputs, part)
        rated = {name: np.full(len(table.id), factor * amps) for name, factor in columns.items()}
        if part == "bms":
            rated["peak_s"] = np.full(len(table.id), 2.0)
        changed = {part: replace(table, **rated)}
    other = make_space(replace(inputs, **changed))
    other._layouts.update(space._layouts)
    other._fills.update(space._fills)
    return other


def ratings_kept(space):
    """Each row of the front against the ratings of its parts; the limits that are named, which must be met."""
    t, asked = space.inputs, space.brief.electrical
    tables = {"cells": t.cells, "wires": t.wires, "bms": t.bms, "fuses": t.fuses}
    where = {name: {str(one): k for k, one in enumerate(table.id)} for name, table in tables.items()}
    met = set()
    for row in front_of(space).to_dict("records"):
        cell, bms = where["cells"][row["cell_id"]], where["bms"][row["bms"]]
        fuse_a, wire_a = t.fuses.current_a[where["fuses"][row["fuse"]]], t.wires.current_a[where["wires"][row["wire"]]]
        steady_a, pulse_a = t.cells.current_continuous_a[cell], t.cells.current_pulse_a[cell]
        board_a, lasts = t.bms.current_continuous_a[bms], t.bms.peak_s[bms] >= asked.peak_seconds
        pulse_a = max(pulse_a, steady_a)
        fuse, wire = where["fuses"][row["fuse"]], where["wires"][row["wire"]]
        air_c = max(space.brief.ride.temp_c, asked.temp_c) + space.brief.protection.box_rise_k
        warm = {"fuse": peak_of_fuse(t.fuses, fuse, asked.peak_seconds, air_c),
                "wire": wire_a * over_for(wire_stages(t.wires, wire, air_c)[2], asked.peak_seconds)}  # fmt: skip
        peak = {
            "cell current": row["parallel"] * pulse_a, **warm,
            "BMS": t.bms.current_peak_a[bms] if lasts else board_a, "controller": asked.battery_current_a,
        }  # fmt: skip
        steady = {
            "cell current": row["parallel"] * steady_a, "wire": wire_a, "BMS": board_a,
            "fuse": 0.75 * fuse_a * min(1.0, 1.0 - 0.003 * (air_c - 25.0)),
            "controller": asked.battery_current_a,
        }  # fmt: skip
        for kind, limits in (("peak", peak), ("continuous", steady)):
            amps, name = row[f"{kind}_current_a"], row[f"{kind}_limit"]
            over = {limit: most for limit, most in limits.items() if amps > most * (1 + 1e-9) + 1e-6}
            assert not over, (kind, row["design_id"])
            if name in limits and name != "cell current":
                assert amps == pytest.approx(limits[name], rel=1e-9, abs=1e-6), (kind, name)
                met.add((kind, name))
        assert row["voltage_full_v"] <= min(asked.voltage_max_v, t.bms.voltage_max_v[bms]) + 1e-9
    return met


def test_currents_keep_to_every_rating_of_the_parts(space):
    """Each row against the catalogs: cells, strip at its hottest, wire, BMS, fuse, controller; the named one is met."""
    ratings_kept(space)


WEAK = {"wires": "wire", "bms": "BMS", "fuses": "fuse", "controller": "controller"}


@pytest.mark.parametrize("part", WEAK)
def test_currents_keep_to_the_rating_of_a_part_that_is_weak(space, part):
    """A rating so low that it binds, in the pulse and for ever: else keeping to it would show nothing."""
    amps = 0.6 * float(front_of(space)["continuous_current_a"].min())
    # A wire takes seconds to warm: it bears a pulse of several times its rating.
    kinds = ("continuous",) if part == "wires" else ("peak", "continuous")
    assert ratings_kept(with_ratings(space, part, amps)) >= {(kind, WEAK[part]) for kind in kinds}


def test_looser_limits_and_more_money_never_worsen_the_best(space):
    """One limit after the other: the tighter it is, the worse or equal the best of every objective."""
    free = search(space).found.objectives
    low, high = free.min(axis=0), free.max(axis=0)
    compared = 0
    for name, part in PARTS.items():
        figure = name.rsplit("_", 1)[0]
        column = USE.index(figure)
        before = dict(zip(USE, low, strict=True))
        for share in (part, part / 3):
            # Inside the search less is better: from the worst towards the best.
            bound = low[column] + share * (high[column] - low[column])
            now = best(with_limits(space, {name: abs(float(bound))}))
            if before is None:
                assert now is None
            elif now is not None:
                worse = {use: (before[use], now[use]) for use in USE
                         if before[use] > now[use] + 1e-9 * abs(now[use])}  # fmt: skip
                assert not worse, (name, share)
                compared += now != before
            before = now
    # Limits that change nothing would prove nothing.
    assert compared


def test_written_rows_follow_too(space):
    """In the rows as written, ranges are stepped and rows thinned: within half a percent and the resolution."""
    free = rows.rescored(search(space).found, space=space)
    table = rows.table(*free, space=space)
    dear = float(table["cost"].quantile(0.4)) if len(table) > 3 else float(table["cost"].max())
    tight = with_limits(space, {"cost_max": dear})
    less = rows.table(*rows.rescored(search(tight).found, space=tight), space=tight)
    if len(less):
        assert table["range_km"].max() >= less["range_km"].max() * (1 - 5e-3) - 0.5
        assert table["peak_power_w"].max() >= less["peak_power_w"].max() - 50.0 - 1e-6
        for name in ("pack_mass_kg", "cost"):
            assert table[name].min() <= less[name].min() * (1 + 1e-9) + 1e-6
        assert (less["cost"] <= dear + 1e-6).all()
    assert isinstance(less, pd.DataFrame)
