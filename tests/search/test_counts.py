"""Ways to share groups out, counted by polynomials, against those that are gone through: modules of every size.

Grade: second implementation, every choice of fills and every split tried one after the other.
"""

from dataclasses import replace
from itertools import product
from types import SimpleNamespace

import numpy as np
import pytest
from brute import objectives
from small import small_bms
from test_exact import assert_counts, assert_same_front

from optimizer.brief import HarnessRules
from optimizer.catalog import builtin_catalogs
from optimizer.fit.region.compartment import Compartment
from optimizer.pack.conductors.sites import chain_sites
from optimizer.pack.wiring import harness
from optimizer.search.running.run import search
from optimizer.search.space import fills, splits
from optimizer.search.space.counts import ways_by_groups
from optimizer.search.space.setup import load_space
from optimizer.search.space.space import BUNDLES, Space


def fill(groups, per_module):
    metrics = np.arange(groups + 1.0)[:, None]
    return SimpleNamespace(groups=groups, metrics=metrics, rules=("add",), names=("a",), groups_per_module=per_module)


def random_fills(rng, rooms):
    """One to four compartments with none to four fills each: trays and cases of one to five groups."""
    def some():
        return [fill(int(rng.integers(1, 6)), int(rng.integers(0, 6))) for _ in range(rng.integers(0, 5))]

    return [some() for _ in range(rooms)]


def enumerated(fills, series):
    """Ways to hold so many groups, each with the fill of every compartment in use, of at most two kinds of case."""
    found = set()
    for split in product(*(range(series + 1) for _ in fills)):
        if sum(split) != series:
            continue
        offered = [[k for k, f in enumerate(each) if f.groups >= g] if g else [None]
                   for each, g in zip(fills, split, strict=True)]  # fmt: skip
        for choice in product(*offered):
            kinds = {each[k].groups_per_module for each, k in zip(fills, choice, strict=True) if k is not None} - {0}
            if len(kinds) <= 2:
                found.add((split, choice))
    return len(found)


@pytest.mark.parametrize("rooms", [1, 2, 3, 4])
def test_counted_equals_enumerated(rooms, monkeypatch):
    rng, told, refused = np.random.default_rng(rooms), 0, 0
    for _ in range((25, 20, 12, 6)[rooms - 1]):
        fills = random_fills(rng, rooms)
        boxes = [
            Compartment("box", ((0.0, 0.0), (90.0, 0.0), (90.0, 80.0), (0.0, 80.0)), 2, 70.0, (120.0 * k, 0.0, 0.0),
                        (0.0, 0.0, 0.0)) for k in range(rooms)
        ]  # fmt: skip
        given = splits.Shares(boxes, fills=fills, rules=HarnessRules(), sensors=0, known={})
        counted = given.ways()
        for series in range(1, 8 - rooms):
            want = enumerated(fills, series)
            assert (counted[series] if series < len(counted) else 0) == want
            for tried in (99, 0) if any(fills) else ():
                monkeypatch.setattr(harness, "TRIED_COMPARTMENTS", tried)
                monkeypatch.setattr(splits, "TRIED_COMPARTMENTS", tried)
                assert len(given.of(series, reduced=False)) == want
                # What is left of a number of groups that has a way is never nothing.
                assert (len(given.of(series)) > 0) == (want > 0)
            told += want
            refused += len({f.groups_per_module for each in fills for f in each} - {0}) > 2
    assert told > 100 and (refused > 5 or rooms == 1)


@pytest.mark.parametrize("most", range(5))
def test_kinds_are_limited_to_any_number(most):
    """Four compartments that each hold one group in one of four kinds of case: kinds are words over an alphabet."""
    held = [[dict.fromkeys((1, 2, 3, 4), 1)]] * 4
    words = sum(len(set(word)) <= most for word in product(range(4), repeat=4))
    assert ways_by_groups(held, most_kinds=most)[4:] == [words]


def boxes_brief(folder, rng):
    """Three small boxes apart, modules of any number of groups, few cells and parts."""
    catalogs = builtin_catalogs().as_posix()
    boxes = "".join(
        f'[[compartment]]\nname = "box {k}"\nshape = "box"\nlength_mm = {rng.uniform(60, 150):.1f}\n'
        f'width_mm = {rng.uniform(30, 70):.1f}\nheight_mm = 78\nposition_mm = [{200 * k}, 0, 0]\naxes = ["z"]\n'
        for k in range(3)
    )
    tables = "".join(f'{name} = "{catalogs}/{name}.csv"\n' for name in ("cells", "strips", "wires", "fuses"))
    low = int(rng.integers(3, 7))
    path = folder / "boxes.toml"
    path.write_text(
        f"""title = "boxes"
[catalog]
{tables}bms = "{small_bms(folder).as_posix()}"
[fit]
ways = {rng.choice(['["modules"]', '["tray", "modules"]'])}
placements = ["square"]
{boxes}
[electrical]
voltage_max_v = 42.0
voltage_min_v = 6.0
battery_current_a = 30.0
[vehicle]
mass_kg = 15.0
rider_kg = 75.0
cda_m2 = 0.6
crr = 0.015
drivetrain_efficiency = 0.8
[ride]
speed_kmh = 22.0
[objectives]
use = ["range_km", "pack_mass_kg", "cost"]
[vary]
cells = ["amber-18650-e29"]
series = [{low}, {low + 1}]
parallel = [1, 2]
strips = ["nickel-8x0.20"]
wires = ["silicone-10", "silicone-16"]
strip_layers = [1]
"""
    )
    return path


@pytest.mark.parametrize("seed", range(6))
def test_counted_equals_enumerated_for_whole_spaces(seed, tmp_path):
    space = load_space(boxes_brief(tmp_path, np.random.default_rng(seed)))
    kinds = {f.groups_per_module for task in space.tasks() for each in space.fills(task) for f in each} - {0}
    outcome = search(space)
    want, count = objectives(space)
    assert_same_front(outcome.found.objectives, want)
    assert_counts(outcome.tally, count)
    assert len(kinds) > 2


def test_wires_that_do_not_pass_are_no_candidates(tmp_path):
    """Passages between the boxes, through which the thicker wire passes with few leads or none."""
    path = boxes_brief(tmp_path, np.random.default_rng(2))
    doors = "".join(
        f'[[passage]]\nname = "door {k}"\nfrom = "box {k}"\nto = "box {k + 1}"\nbore_mm = 16\n'
        f"from_mm = [{200 * k + 59}, 15, 39]\nto_mm = [{200 * k + 201}, 15, 39]\n" for k in range(2)
    )  # fmt: skip
    path.write_text(f"{path.read_text()}{doors}[protection]\nfuse_protects = false\n")
    space = load_space(path)
    outcome = search(space)
    want, count = objectives(space)
    assert_same_front(outcome.found.objectives, want)
    assert_counts(outcome.tally, count)
    assert outcome.tally.pruned[BUNDLES] > 0


def test_a_branch_of_which_every_way_takes_three_kinds_of_case_is_no_branch(tmp_path):
    """Boxes that hold cases of one size each, and more groups in series than two of them hold."""
    fills = [[fill(2, 1)], [fill(2, 2)], [fill(3, 3)]]
    given = splits.Shares([], fills=fills, rules=HarnessRules(), sensors=0, known={})
    assert given.ways() == [1, 3, 6, 7, 5, 2, 0, 0]

MODULES = 'ways = ["modules"]\ngroups_per_module = [6, 7]'


def test_a_case_holds_all_groups_that_its_cells_make(tmp_path, monkeypatch):
    """Prismatic cells stand in line within a group: of two rows of seven no seven pairs can be made, but six."""
    text = (builtin_catalogs() / "briefs" / "quick-36v.toml").read_text()
    text = text.replace('"../', f'"{builtin_catalogs().as_posix()}/').replace('ways = ["tray"]', MODULES)
    text = text.replace("length_mm = 240.0\nwidth_mm = 80.0", "length_mm = 330.0\nwidth_mm = 118.0")
    text = text.replace("amber-18650-*", "slate-prismatic-e82").replace("series = [10, 10]", "series = [2, 10]")
    path = tmp_path / "cases.toml"
    path.write_text(text)
    monkeypatch.setattr(Space, "_least_groups", lambda *_: 1)
    space = load_space(path)
    size = next(k for k, size in enumerate(space.sizes) if size.shape == "block")
    found = [fill for task in space.tasks() if task.size == size for fill in space.room_fills(0, task)]
    cases = [(fill.groups_per_module, fill) for fill in found if fill.groups_per_module]
    assert cases
    for each, fill in cases:
        assert np.isfinite(fill.metrics[:, -2:]).all()
        assert (fill.chain.links + 1).tolist() == list(range(each, fill.groups, each))


def test_a_fill_that_the_bed_cuts_short_keeps_its_whole_chain_on_disk():
    space = load_space(builtin_catalogs() / "briefs" / "quick-36v.toml")
    fill = space.room_fills(0, space.tasks()[0])[0]
    short = replace(fill, metrics=fill.metrics[:4])
    (again,) = fills._from_arrays(fills._as_arrays([short]), space.rooms[0].name, fill.layout.size, fill.chain.parallel)
    assert (again.groups, again.chain.groups) == (3, fill.chain.groups)
    assert len(chain_sites(again.layout, again.chain, cell_gap_mm=0.8)) > 3
